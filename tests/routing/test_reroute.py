"""Reroutes: what is kept is kept to the millimetre, what is new obeys every rule and costs least.

Closed forms are plane geometry worked out beside the tests; distances are checked with shapely.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.assess.assess import assess
from corridor.errors import AlignmentError, InputError, NoRouteError
from corridor.kernels.ties import tie_gates
from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.reroute import RerouteSettings
from corridor.reroute_flow import lay_progress, reroute
from corridor.routing.clashes import clashes_with
from corridor.routing.connectors import connectors
from corridor.routing.geometry import at_station, densify, elements
from corridor.routing.ground import kernel_ground, unit_vectors
from corridor.routing.reroute_ground import cropped, outside_costs_more, window
from corridor.routing.tie_ins import poses, stretches_to_leave, tie_at
from corridor.terrain.cost import cost_surface, part_of

from .barrier_grounds import CRS, SOUTH, WEST, flat, layer, point, project

RADIUS = 400.0
STANDOFF = 60.0


def ground(layers=(), **rules):
    """Flat ground of 8 x 3 km, 20 m cells; START and END on its middle line."""
    stated = {"min_bend_radius_m": RADIUS, "bend_cost_m": 20.0, "search_cell_m": 20.0, **rules}
    return project(flat(150, 400), list(layers), start=(310.0, 1510.0), end=(7710.0, 1510.0), **stated)


def straight(study) -> Alignment:
    ends = (study.start, study.end)
    return Alignment.from_points([(end.easting, end.northing) for end in ends], [], CRS)


def bent(study) -> Alignment:
    """A line with two bends of 1,000 m."""
    start, end = study.start, study.end
    points = [
        (start.easting, start.northing), (WEST + 2500.0, SOUTH + 1510.0), (WEST + 4500.0, SOUTH + 2000.0),
        (end.easting, end.northing),
    ]  # fmt: skip
    return Alignment.from_points(points, [1000.0, 1000.0], CRS)


def wreck(x: float, y: float, standoff_m: float = STANDOFF, name: str = "new"):
    return layer(name, "avoid", [point(x, y)], standoff_m)


def limit_of(found, number: int = 0) -> float:
    """The clearance asked for, grid metres, from the clash itself (ground metres, scale within 0.1 %)."""
    return found.clashes[number].limit_m


def clearance(line: Alignment, shape) -> float:
    return float(shapely.distance(shapely.LineString(densify(line, 1e-3)), shape))


def test_the_line_beyond_the_tie_ins_is_the_same_to_the_last_digit() -> None:
    study = ground()
    approved = bent(study)
    found = reroute(study, approved, wreck(6000.0, 1785.0))
    (part,) = found.parts
    line = found.alignment
    assert np.array_equal(line.easting_m[: part.first_ip], approved.easting_m[: part.first_ip])
    assert np.array_equal(line.radius_m[1 : part.first_ip], approved.radius_m[1 : part.first_ip])
    behind = len(line.easting_m) - 1 - part.last_ip
    assert np.array_equal(line.northing_m[-behind:], approved.northing_m[-behind:])
    old, new = elements(approved), elements(line)
    for low, high, shift in (
        (0.0, part.old_from_m, 0.0),
        (part.old_to_m, old.total_m, part.new_to_m - part.old_to_m),
    ):
        at = np.linspace(low, high, 500)
        before, after = at_station(old, at), at_station(new, at + shift)
        assert np.hypot(before[0] - after[0], before[1] - after[1]).max() < 1e-3
    assert clearance(line, shapely.Point(WEST + 6000.0, SOUTH + 1785.0)) >= STANDOFF - 1e-3
    assert assess(line, found.project).ok


def test_the_cheapest_way_round_a_point_is_three_arcs_that_touch() -> None:
    """Three arcs of the least radius: the middle one passes abeam at the limit d.

    Their centres lie 2 R apart, R and d - R to the side: a = sqrt(4 R^2 - (2 R - d)^2) before the point
    the line is left, and every arc pair turns phi = asin(a / 2R); the new part is 4 R phi long. Anything
    with straights between gives up more of the line at half a metre a metre (plane geometry). In each
    cell the zone counts as the tangent to it: up to (cell / sqrt 2)^2 / 2 d = 1.7 m outside it, which
    makes a 4 m longer on either side and so costs up to 4 m, 1 %, more.
    """
    study = ground()
    approved = straight(study)
    found = reroute(study, approved, wreck(4000.0, 1510.0))
    (part,) = found.parts
    d = limit_of(found)
    a = math.sqrt(4.0 * RADIUS**2 - (2.0 * RADIUS - d) ** 2)
    length = 4.0 * RADIUS * math.asin(a / (2.0 * RADIUS))
    best = 1.5 * length + 3.0 * 20.0 - 2.0 * a
    assert best * (1.0 - 0.003) <= part.extra_cost_m <= best * 1.013
    assert part.old_from_m == pytest.approx(3690.0 - a, abs=10.0)
    assert part.old_to_m == pytest.approx(3690.0 + a, abs=10.0)
    assert clearance(found.alignment, shapely.Point(WEST + 4000.0, SOUTH + 1510.0)) >= STANDOFF - 1e-3


def test_the_last_departure_is_where_one_arc_just_clears_the_zone() -> None:
    """The centre of the arc lies R to the side: sqrt(x^2 + R^2) = R + d (plane geometry)."""
    study = ground()
    found = reroute(study, straight(study), wreck(4000.0, 1510.0))
    d = limit_of(found)
    x = math.sqrt((RADIUS + d) ** 2 - RADIUS**2)
    assert found.parts[0].last_departure_m == pytest.approx(3690.0 - x, abs=2.0)


def test_the_last_departure_agrees_with_bisection() -> None:
    """Leave no earlier than x: feasible up to the last departure, not beyond it, within a cell."""
    shoal = layer("shoal", "avoid", [point(4150.0, 1750.0).buffer(90.0)], 5.0)
    study = ground([shoal])
    approved = straight(study)
    obstruction = wreck(4000.0, 1480.0)
    last = reroute(study, approved, obstruction).parts[0].last_departure_m
    low, high = 3300.0, 3640.0
    while high - low > 10.0:
        middle = 0.5 * (low + high)
        try:
            reroute(study, approved, obstruction, from_m=middle)
            low = middle
        except NoRouteError:
            high = middle
    assert low > 3300.0 and last == pytest.approx(low, abs=20.0)


def test_a_line_may_be_left_within_a_bend() -> None:
    """What is kept of the bend is a smaller bend about the same centre (shapely measures the distance)."""
    study = ground()
    approved = bent(study)
    line = elements(approved)
    arc = int(np.flatnonzero(line.ip >= 0)[0])
    end = float(line.station_m[arc] + line.length_m[arc])
    easting, northing, _ = at_station(line, [end + 230.0])
    obstruction = layer("new", "avoid", [shapely.Point(float(easting[0]), float(northing[0]))], 30.0)
    found = reroute(study, approved, obstruction)
    (part,) = found.parts
    kept = shapely.LineString(densify(approved, 1e-4))
    station = np.linspace(0.0, part.new_from_m, 200)
    easting, northing, _ = at_station(elements(found.alignment), station)
    assert shapely.distance(kept, shapely.points(easting, northing)).max() < 1e-3
    assert assess(found.alignment, found.project).ok


def test_stretches_of_bends_keep_their_circle() -> None:
    study = ground(min_straight_m=50.0)
    approved = bent(study)
    stretches = stretches_to_leave(approved, study.rules, 0.0, 1e9)
    station, owner = poses(stretches, 25.0)
    arcs = [k for k in range(len(station)) if stretches[owner[k]].arc]
    assert arcs and len(arcs) < len(station)
    whole = shapely.LineString(densify(approved, 1e-4))
    for k in arcs[:: max(1, len(arcs) // 6)]:
        tie = tie_at(approved, stretches[owner[k]], float(station[k]))
        ahead = (
            tie.easting + 300.0 * math.sin(tie.bearing_rad),
            tie.northing + 300.0 * math.cos(tie.bearing_rad),
        )
        left = Alignment.from_points(np.vstack([tie.points, ahead]), tie.radii, CRS)
        line = elements(left)
        assert line.total_m == pytest.approx(station[k] + 300.0, abs=1e-6)
        easting, northing, _ = at_station(line, np.linspace(0.0, station[k], 100))
        assert shapely.distance(whole, shapely.points(easting, northing)).max() < 1e-3


def test_a_bend_begins_behind_the_straight_that_a_crossing_needs() -> None:
    study = ground()
    stretches = stretches_to_leave(
        straight(study), study.rules, 0.0, 7400.0, [(2000.0, 150.0), (2100.0, 150.0)]
    )
    assert [(s.low_m, s.high_m) for s in stretches] == [(0.0, 1999.0), (2250.0, 7400.0)]


def test_two_obstructions_far_apart_make_two_changes_and_near_ones_make_one() -> None:
    study = ground()
    approved = straight(study)
    far = layer("new", "avoid", [point(2500.0, 1510.0), point(6000.0, 1500.0)], STANDOFF)
    near = layer("new", "avoid", [point(3800.0, 1510.0), point(4100.0, 1500.0)], STANDOFF)
    two, one = reroute(study, approved, far), reroute(study, approved, near)
    assert (len(two.parts), len(one.parts)) == (2, 1)
    for found, shapes in ((two, far.geometries), (one, near.geometries)):
        assert min(clearance(found.alignment, shape) for shape in shapes) >= STANDOFF - 1e-3
        assert assess(found.alignment, found.project).ok
    first, second = two.parts
    shift = first.new_to_m - first.old_to_m
    at = np.linspace(first.old_to_m, second.old_from_m, 50)
    before, after = at_station(elements(approved), at), at_station(elements(two.alignment), at + shift)
    assert np.hypot(before[0] - after[0], before[1] - after[1]).max() < 1e-3
    assert second.new_from_m == pytest.approx(second.old_from_m + shift)
    assert second.new_to_m - second.old_to_m == pytest.approx(
        elements(two.alignment).total_m - elements(approved).total_m
    )


@pytest.mark.parametrize("at_m", [(2050.0, 5300.0), (2700.0, 4700.0), (2400.0, 6300.0)])
def test_changes_beside_and_within_bends_fit_together(at_m: tuple[float, float]) -> None:
    """Every rule holds on the whole line, and between the changes it is the approved one to a millimetre."""
    study = ground()
    approved = bent(study)
    line = elements(approved)
    easting, northing, _ = at_station(line, at_m)
    points = [shapely.Point(e + 5.0, n + 8.0) for e, n in zip(easting, northing, strict=True)]
    found = reroute(study, approved, layer("new", "avoid", points, 35.0))
    assert assess(found.alignment, found.project).ok
    new, low, shift = elements(found.alignment), 0.0, 0.0
    for part in found.parts:
        station = np.linspace(low, part.old_from_m, 40)
        before, after = at_station(line, station), at_station(new, station + shift)
        assert np.hypot(before[0] - after[0], before[1] - after[1]).max() < 1e-3
        low, shift = part.old_to_m, part.new_to_m - part.old_to_m
    assert low + shift < new.total_m == pytest.approx(line.total_m + shift)


def test_lines_and_areas_with_their_own_standoffs() -> None:
    study = ground()
    approved = straight(study)
    chain = shapely.LineString([(WEST + 3000.0, SOUTH + 1450.0), (WEST + 3100.0, SOUTH + 1650.0)])
    area = shapely.box(WEST + 5500.0, SOUTH + 1300.0, WEST + 5700.0, SOUTH + 1530.0)
    found = reroute(
        study, approved, [layer("chain", "avoid", [chain], 40.0), layer("area", "avoid", [area], 15.0)]
    )
    assert clearance(found.alignment, chain) >= 40.0 - 1e-3
    assert clearance(found.alignment, area) >= 15.0 - 1e-3
    assert {clash.layer for clash in found.clashes if clash.hit} == {"chain", "area"}


def test_nothing_near_changes_nothing() -> None:
    study = ground()
    approved = straight(study)
    found = reroute(study, approved, wreck(4000.0, 2400.0))
    assert found.alignment is approved and not found.changed
    # 890 m off on the grid; UTM's scale at 102 degrees of central distance is within 0.1 % here.
    assert found.clashes[0].distance_m == pytest.approx(890.0, rel=1e-3)


def test_the_window_gives_what_the_whole_ground_gives(monkeypatch) -> None:
    study = ground([layer("shoal", "avoid", [point(4300.0, 1250.0).buffer(150.0)], 5.0)])
    approved = straight(study)
    obstruction = wreck(4000.0, 1500.0, 90.0)
    in_window = reroute(study, approved, obstruction).parts[0]
    monkeypatch.setattr("corridor.reroute_search.window", lambda whole, *_: whole)
    everywhere = reroute(study, approved, obstruction).parts[0]
    assert in_window.enough_ground
    assert in_window.extra_cost_m == pytest.approx(everywhere.extra_cost_m, rel=5e-3)  # the fit's own grain
    assert in_window.last_departure_m == pytest.approx(everywhere.last_departure_m, abs=20.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_no_change_through_the_outside_of_a_window_costs_less_than_proven(seed: int) -> None:
    """Random detours through a place outside the window, priced by hand."""
    rng = np.random.default_rng(seed)
    study = ground()
    line = elements(bent(study))
    whole = Grid(150, 400, WEST, SOUTH + 3000.0, 20.0, CRS)
    grid = window(whole, line, 3500.0, 3700.0, 100.0, study.rules, 0.4)
    marks = np.arange(0.0, line.total_m + 100.0, 100.0)
    running = np.cumsum(np.append(0.0, rng.uniform(100.0, 130.0, len(marks) - 1)))
    leave, join = rng.uniform(0.0, 3500.0), rng.uniform(3700.0, line.total_m)
    through = np.array([rng.uniform(WEST, whole.east_m), rng.uniform(SOUTH, SOUTH + 3000.0)])
    west, south, east, north = grid.bounds_m
    if west < through[0] < east and south < through[1] < north:
        return
    e, n, _ = at_station(line, [leave, join])
    length = np.hypot(e - through[0], n - through[1]).sum()
    extra = 1.5 * length - (np.interp(join, marks, running) - np.interp(leave, marks, running))
    # 1 m below what this detour costs must not be proven impossible to undercut... and is not.
    assert not outside_costs_more(grid, whole, line, 3500.0, 3700.0, marks, running, 0.5, extra + 1.0)


def test_a_cropped_grid_has_the_cells_of_the_whole() -> None:
    whole = Grid(150, 400, WEST, SOUTH + 3000.0, 20.0, CRS)
    part = cropped(whole, WEST + 1003.0, SOUTH + 511.0, WEST + 1999.0, SOUTH + 1200.0)
    assert (part.west_m - whole.west_m) % 20.0 == 0.0 and (whole.north_m - part.north_m) % 20.0 == 0.0
    assert part.west_m <= WEST + 1003.0 and part.east_m >= WEST + 1999.0
    assert part.south_m <= SOUTH + 511.0 and part.north_m >= SOUTH + 1200.0
    assert part.rows * part.cols < 40 * 55


def test_a_part_of_the_ground_is_what_that_window_has_by_itself() -> None:
    shapes = [point(3000.0, 1400.0).buffer(150.0), point(3900.0, 1300.0)]
    cable = layer(
        "cable", "cross", [shapely.LineString([(WEST + 3200.0, SOUTH), (WEST + 3400.0, SOUTH + 3000.0)])]
    )
    study = ground([layer("shoals", "avoid", shapes, 70.0), cable])
    whole = cost_surface(study)
    grid = cropped(whole.grid, WEST + 2003.0, SOUTH + 811.0, WEST + 4199.0, SOUTH + 2200.0)
    part, alone = part_of(whole, grid, study.layers), cost_surface(study, grid=grid)
    assert np.array_equal(part.ground[..., :3], alone.ground[..., :3])
    # The same edges of zones, whatever their row in the table.
    rims = [s.rim[s.ground[..., 3].astype(int)] for s in (part, alone)]
    np.testing.assert_allclose(rims[0], rims[1], atol=1e-9)
    assert (rims[0] != 0.0).any() and len(part.assets.segments)
    np.testing.assert_array_equal(part.assets.segments, alone.assets.segments)


def test_tie_kernel_finds_what_the_slow_connectors_find() -> None:
    """The reference: routing.connectors, itself tested cell by cell (test_connectors.py)."""
    study = ground()
    surface = cost_surface(study)
    at, direction = np.array([[100.3, 75.2]]), np.array([[math.cos(0.2), math.sin(0.2)]])
    unit = unit_vectors(32)
    found = tie_gates(
        kernel_ground(surface), surface.assets.segments, at, direction, np.zeros(1), unit, 20.0, 0.0,
        math.radians(3.0), math.radians(91.0),
    )  # fmt: skip
    slow = connectors((100.3, 75.2), direction, 32, 20.0, 0.0, 0.0, surface.grid.shape)
    nearest = {}
    for k in range(len(slow)):
        total = float(slow.leg_in[k] + slow.leg_out[k])
        heading = int(slow.heading[k])
        nearest[heading] = min(nearest.get(heading, math.inf), total)
    assert len(found) > 10
    for _, heading, col, row, ip_u, ip_v, _, _ in found:
        leg_in = math.hypot(ip_u - 100.3, ip_v - 75.2)
        leg_out = math.hypot(col + 0.5 - ip_u, row + 0.5 - ip_v)
        if int(heading) in nearest:
            assert leg_in + leg_out == pytest.approx(nearest[int(heading)], abs=1e-9)


def test_what_is_left_to_lay() -> None:
    """3.5 km a day is 145.8 m an hour; joints of 12.2 m (arithmetic)."""
    study = ground()
    left = lay_progress(study, RerouteSettings(layback_m=300.0, decision_hours=6.0), 1000.0, 2030.0)
    assert left.left_m == pytest.approx(730.0)
    assert left.hours_left == pytest.approx(730.0 / 3500.0 * 24.0 - 6.0)
    assert (left.joints_left, left.doubles_left) == (59, 29)


def test_too_late_says_how_much_line_comes_back() -> None:
    study = ground()
    approved = straight(study)
    obstruction = wreck(4000.0, 1510.0)
    last = reroute(study, approved, obstruction).parts[0].last_departure_m
    with pytest.raises(NoRouteError) as caught:
        reroute(study, approved, obstruction, laid_to_m=last + 80.0)
    assert caught.value.explanation["last_departure_kp_km"] == pytest.approx(last / 1000.0, abs=0.005)
    assert caught.value.explanation["recover_m"] == pytest.approx(80.0, abs=5.0)
    assert "recovered" in str(caught.value)
    in_time = reroute(study, approved, obstruction, laid_to_m=last - 100.0)
    assert in_time.parts[0].old_from_m >= last - 100.0 - 1e-6
    assert in_time.laying.left_m == pytest.approx(100.0, abs=5.0)


def test_no_way_round_is_explained() -> None:
    """A wreck in the only gap of a wall: no line, and the reasons say what stands in the way."""
    wall = [
        shapely.box(WEST + 4000.0, SOUTH - 100.0, WEST + 4060.0, SOUTH + 1400.0),
        shapely.box(WEST + 4000.0, SOUTH + 1620.0, WEST + 4060.0, SOUTH + 3200.0),
    ]
    study = ground([layer("reef", "avoid", wall, 5.0)])
    with pytest.raises(NoRouteError) as caught:
        reroute(study, straight(study), wreck(4030.0, 1510.0, 115.0))
    rules = {(reason["rule"], reason.get("layer")) for reason in caught.value.explanation["reasons"]}
    assert ("standoff_m", "new") in rules


def test_bad_input_is_refused_in_words() -> None:
    study = ground()
    approved = straight(study)
    other = Alignment.from_points([(WEST + 10.0, SOUTH + 10.0), (WEST + 7000.0, SOUTH + 1510.0)], [], CRS)
    with pytest.raises(AlignmentError, match="START must be the project's"):
        reroute(study, other, wreck(4000.0, 1510.0))
    with pytest.raises(InputError, match=r"KP 0 to 7\.400"):
        reroute(study, approved, wreck(4000.0, 1510.0), from_m=5000.0, to_m=9000.0)
    with pytest.raises(InputError, match=r"--laid-to-kp must lie on the approved line, KP 0 to 7\.400"):
        reroute(study, approved, wreck(4000.0, 1510.0), laid_to_m=9000.0)
    with pytest.raises(InputError, match="lies on what is laid"):
        reroute(study, approved, wreck(4000.0, 1510.0), laid_to_m=5000.0)


def test_a_broken_line_is_named_and_accepted_on_demand() -> None:
    study = ground([layer("old wreck", "avoid", [point(1500.0, 1520.0)], 50.0)])
    approved = straight(study)
    with pytest.raises(AlignmentError, match=r"breaks standoff_m \(old wreck\)"):
        reroute(study, approved, wreck(5000.0, 1510.0))
    found = reroute(study, approved, wreck(5000.0, 1510.0), accept_broken=True)
    assert "old wreck" in found.notes[0]
    assert found.parts[0].old_from_m > 4000.0


def test_a_layer_of_the_same_name_is_told_apart() -> None:
    study = ground([wreck(1000.0, 2500.0)])
    found = reroute(study, straight(study), [wreck(4000.0, 1510.0), wreck(4100.0, 1510.0)])
    assert [layer.name for layer in found.project.layers] == ["new", "new 2", "new 3"]


def test_clashes_are_measured_exactly() -> None:
    """A point 20 m beside a straight: half the chord of its zone is sqrt(60^2 - 20^2) (Pythagoras)."""
    study = ground()
    (clash,) = clashes_with(elements(straight(study)), wreck(4000.0, 1530.0), study)
    half = math.sqrt(clash.limit_m**2 - 20.0**2)
    low, high = clash.stretches_m[0]
    assert 0.5 * (high - low) == pytest.approx(half, rel=2e-3)
    assert 0.5 * (high + low) == pytest.approx(3690.0, abs=0.01)
