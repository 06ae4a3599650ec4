"""Standoffs, tie-in zones and ground to stay within, by exact geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.assess import assess
from corridor.routing.geodesy import scale_factor

STRAIGHT = [(0, 0), (10_000, 0)]
EAST, NORTH = 400_000.0, 8_260_000.0


def k(east: float, north: float = 0.0) -> float:
    """Grid metres per ground metre."""
    return float(scale_factor("EPSG:32740", EAST + east, NORTH + north))


def row(table, index=0):
    return {name: values[index] for name, values in table.items()}


@pytest.mark.parametrize(("margin", "ok"), [(0.0, True), (0.5, True), (-0.5, False)])
def test_standoff_holds_in_ground_metres(project, layer, route, check, margin, ok):
    # Limit = 100 standoff + 20 position uncertainty + 10 lay tolerance, ground metres.
    wreck = shapely.Point(4000.0, (130.0 + margin) * k(4000.0))
    wrecks = layer("wrecks", "avoid", [wreck], standoff=100.0, uncertainty=20.0)
    result = assess(route(STRAIGHT), project([wrecks], lay_tolerance_m=10.0))
    found = check(result, "standoff_m", "wrecks")
    assert found.limit == 130.0
    assert found.worst == pytest.approx(130.0 + margin, abs=1e-4)
    assert found.ok is ok and result.ok is ok
    table = row(result.proximity)
    assert (table["layer"], table["feature"], table["side"]) == ("wrecks", "wrecks 1", "left")
    assert table["kp_km"] == pytest.approx(4.0) and bool(table["ok"]) is ok
    assert bool(result.breaches) is not ok


def test_standoff_is_measured_from_the_arc_not_from_its_chords(project, layer, route, check):
    # Quarter turn of 1000 m radius: a wreck on the bisector, 150 m outside the arc.
    line = route([(0, 0), (5000, 0), (5000, 5000)], [1000.0])
    inside = (1000.0 + 150.0) / math.sqrt(2.0)
    wrecks = layer("wrecks", "avoid", [shapely.Point(4000.0 + inside, 1000.0 - inside)], standoff=100.0)
    found = check(assess(line, project([wrecks])), "standoff_m", "wrecks")
    assert found.worst * k(4800.0) == pytest.approx(150.0, abs=1e-3)
    assert found.kp_km == pytest.approx(4.0 + 0.25 * math.pi, abs=1e-6)


def test_breaches_mark_the_stretch_that_is_too_near(project, layer, route):
    wrecks = layer("wrecks", "avoid", [shapely.Point(4000.0, -60.0)], standoff=100.0)
    result = assess(route(STRAIGHT), project([wrecks]))
    east = np.sort([b.easting_m - EAST for b in result.breaches])
    # Within 100 ground metres (less 1 mm of rounding) of a point at 60 m on the grid (Pythagoras).
    half = math.sqrt((99.999 * k(4000.0)) ** 2 - 60.0**2)
    assert east[[0, -1]] == pytest.approx([4000.0 - half, 4000.0 + half], abs=1e-3)
    assert np.diff(east).max() <= 10.0
    nearest = min(result.breaches, key=lambda b: b.value)
    assert nearest.value == pytest.approx(60.0 / k(4000.0), abs=1e-3) and nearest.limit == 100.0


def test_inside_an_area_the_distance_is_zero(project, layer, route, check):
    reef = layer("reef", "avoid", [shapely.box(3000, -500, 4000, 500)])
    result = assess(route(STRAIGHT), project([reef]))
    assert row(result.proximity)["distance_m"] == 0.0
    assert not check(result, "standoff_m", "reef").ok
    assert {round(b.easting_m - EAST) for b in result.breaches} >= {3000, 3500, 4000}


def test_touching_an_area_without_standoff_is_allowed(project, layer, route, check):
    reef = layer("reef", "avoid", [shapely.box(3000, 0, 4000, 500)])
    assert check(assess(route(STRAIGHT), project([reef])), "standoff_m", "reef").ok


def test_crossing_a_line_to_avoid_is_broken_even_without_standoff(project, layer, route, check):
    fault = layer("fault", "avoid", [shapely.LineString([(3000, -500), (3000, 500)])])
    result = assess(route(STRAIGHT), project([fault]))
    assert not check(result, "standoff_m", "fault").ok
    assert len(result.breaches) > 0


def test_the_feature_with_the_least_margin_speaks(project, layer, route, check):
    near = layer(
        "wrecks", "avoid", [shapely.Point(2000, 90), shapely.Point(6000, 120), shapely.Point(8000, 3000)]
    )
    near.standoff_m.setflags(write=True)
    near.standoff_m[:] = [50.0, 150.0, 50.0]
    result = assess(route(STRAIGHT), project([near]))
    found = check(result, "standoff_m", "wrecks")
    assert "wrecks 2" in found.detail and found.limit == 150.0 and not found.ok
    assert result.proximity["feature"].tolist() == ["wrecks 1", "wrecks 2"]  # the third is 3 km away


def test_standoff_wider_than_the_list_is_still_checked(project, layer, route, check):
    munitions = layer("munitions", "avoid", [shapely.Point(5000, 2500)], standoff=3000.0)
    result = assess(route(STRAIGHT), project([munitions], proximity_m=100.0))
    assert not check(result, "standoff_m", "munitions").ok


ZONE = shapely.Point(10_000, 0).buffer(500.0, quad_segs=64)


@pytest.mark.parametrize(("length", "ok"), [(800.0, True), (505.0, False)])
def test_tie_in_zone_is_entered_near_its_end_only(project, layer, route, check, length, ok):
    zone = layer("platform zone", "avoid", [ZONE])
    given = project([zone], tie_in_layers=("platform zone",), tie_in_length_m=length, lay_tolerance_m=10.0)
    result = assess(route(STRAIGHT), given)
    found = check(result, "tie_in_length_m", "platform zone")
    assert found.worst == pytest.approx(500.0 + 10.0 * k(9500.0), abs=0.01)
    assert found.ok is ok and result.ok is ok
    assert {b.rule for b in result.breaches} == (set() if ok else {"tie_in_length_m"})
    assert check(result, "standoff_m", "platform zone").ok


def test_tie_in_zone_is_no_excuse_for_other_features_or_other_places(project, layer, route, check):
    zone = layer("platform zone", "avoid", [ZONE, shapely.box(4000, -100, 4500, 100)])
    result = assess(route(STRAIGHT), project([zone], tie_in_layers=("platform zone",), tie_in_length_m=800.0))
    assert check(result, "tie_in_length_m", "platform zone").ok
    found = check(result, "standoff_m", "platform zone")
    assert not found.ok and "platform zone 2" in found.detail


def test_a_line_that_comes_back_to_its_tie_in_zone_is_broken(project, layer, route, check):
    zone = layer("platform zone", "avoid", [shapely.box(4000, -100, 4500, 100).union(ZONE)])
    result = assess(route(STRAIGHT), project([zone], tie_in_layers=("platform zone",), tie_in_length_m=800.0))
    found = check(result, "tie_in_length_m", "platform zone")
    assert not found.ok and found.worst == pytest.approx(6000.0, abs=0.1)


def test_without_a_tie_in_layer_a_zone_about_the_end_is_broken(project, layer, route, check):
    result = assess(route(STRAIGHT), project([layer("platform zone", "avoid", [ZONE])]))
    assert not check(result, "standoff_m", "platform zone").ok


def test_metres_outside_the_approved_corridor(project, layer, route, check):
    corridor = layer(
        "approved", "stay_within", [shapely.box(-10, -50, 3000, 50), shapely.box(3000, -50, 9000, 90)]
    )
    result = assess(route(STRAIGHT), project([corridor]))
    found = check(result, "stay_within", "approved")
    assert not found.ok and found.worst == pytest.approx(1000.0, abs=1e-6)
    assert "up to 1000.0 m" in found.detail
    assert {b.rule for b in result.breaches} == {"stay_within"}


@pytest.mark.parametrize(("half", "ok"), [(35.0, True), (34.0, False)])
def test_a_corridor_with_a_standoff_is_drawn_in(project, layer, route, check, half, ok):
    # 25 m standoff + 10 m lay tolerance: the edge must be 35 m away (the scale here is below 1).
    corridor = layer("approved", "stay_within", [shapely.box(-99, -half, 10_099, half)], standoff=25.0)
    found = check(
        assess(route(STRAIGHT), project([corridor], lay_tolerance_m=10.0)), "stay_within", "approved"
    )
    assert found.ok is ok
    assert found.worst == pytest.approx(0.0 if ok else 10_000.0)


def test_along_the_edge_of_a_corridor_is_inside_and_an_empty_one_is_not(project, layer, route, check):
    edge = layer("edge", "stay_within", [shapely.box(-10, 0, 10_100, 500)])
    empty = layer("empty", "stay_within", [])
    result = assess(route(STRAIGHT), project([edge, empty]))
    assert check(result, "stay_within", "edge").ok
    found = check(result, "stay_within", "empty")
    assert not found.ok and "no features" in found.detail


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_distances_of_all_features_equal_shapely(project, layer, route, seed):
    rng = np.random.default_rng(seed)
    spots = [
        shapely.Point(*rng.uniform([0, -1500], [10_000, 1500])).buffer(rng.uniform(1, 80)) for _ in range(12)
    ]
    line = route([(0, 0), (3000, 800), (7000, -600), (10_000, 0)], rng.uniform(300, 1500, 2))
    result = assess(line, project([layer("wrecks", "avoid", spots, standoff=50.0)]))
    from corridor.routing.geometry import densify

    chords = shapely.LineString(densify(line, 1e-4))
    for index in range(len(result.proximity["layer"])):
        entry = row(result.proximity, index)
        feature = int(entry["feature"].split()[1]) - 1
        moved = shapely.transform(spots[feature], lambda p: np.add(p, [EAST, NORTH]))
        # Shapely measures on the grid: the local scale (0.9997 to 0.9998) stands between the two.
        grid = shapely.distance(chords, moved)
        assert entry["distance_m"] == pytest.approx(grid / 0.99972, rel=1e-4, abs=1e-3)
