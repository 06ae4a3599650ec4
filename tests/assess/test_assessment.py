"""The assessment as a whole: cost, tables, symmetry, and what it says about itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from corridor.assess import CAUTIONS, NOT_ASSESSED, assess
from corridor.errors import Cancelled
from corridor.model.seabed import Seabed

STRAIGHT = [(0, 0), (10_000, 0)]


def test_cost_of_a_plane_is_the_formula(plane, project, layer, route):
    # 3 degrees along and 2 across everywhere: factor + slope_cost ((t/T)**2 + (c/C)**2) per metre.
    along, across = math.tan(math.radians(3.0)), math.tan(math.radians(2.0))
    seabed = Seabed((plane(1000.0, dz_east=along, dz_north=across),))
    trawl = layer(
        "trawl",
        "discourage",
        [shapely.box(2500, -99, 4000, 99), shapely.box(3500, -99, 5000, 99)],
        factor=2.5,
    )
    spoil = layer("spoil", "discourage", [shapely.box(4500, -99, 6000, 99)], factor=3.0)
    result = assess(
        route(STRAIGHT),
        project([trawl, spoil], seabed, max_slope_along_deg=12.0, max_slope_across_deg=8.0, slope_cost=1.5),
    )
    share = (along / math.tan(math.radians(12.0))) ** 2 + (across / math.tan(math.radians(8.0))) ** 2
    assert result.cost_terms["length_m"] == pytest.approx(10_000.0)
    assert result.cost_terms["slope_m"] == pytest.approx(1.5 * share * 10_000.0, rel=1e-3)
    # 2000 m at 2.5 alone, 500 m at 2.5 x 3, 1000 m at 3 alone: the metre itself counts once already.
    assert result.cost_terms["discouraged_m"] == pytest.approx(2000.0 * 1.5 + 500.0 * 6.5 + 1000.0 * 2.0)
    assert result.cost_m == pytest.approx(sum(result.cost_terms.values()))
    by_kp = result.cost_by_kp
    assert by_kp["discouraged_m"] == pytest.approx([0, 0, 750, 1500, 750 + 3250, 2000, 0, 0, 0, 0])


def test_cost_by_kp_adds_up_and_bends_fall_where_their_arcs_are(plane, project, route):
    seabed = Seabed((plane(1000.0, dz_east=0.05),))
    line = route([(0, 0), (3400, 900), (7000, -700), (10_050, 0)], [900.0, 1200.0])
    result = assess(line, project(seabed=seabed, bend_cost_m=150.0))
    table = result.cost_by_kp
    assert ",".join(table) == "kp_from_km,kp_to_km,length_m,slope_m,discouraged_m,crossings_m,bends_m,total_m"
    for name, value in result.cost_terms.items():
        assert table[name].sum() == pytest.approx(value)
    assert table["total_m"].sum() == pytest.approx(result.cost_m)
    assert table["kp_to_km"][-1] * 1000.0 == pytest.approx(result.length_m)
    assert np.flatnonzero(table["bends_m"]).tolist() == [3, 7]
    assert result.cost_terms["bends_m"] == 300.0


def test_line_from_the_other_end_measures_the_same(plane, project, layer, route):
    seabed = Seabed((plane(800.0, dz_east=0.03, dz_north=-0.05),))
    layers = [
        layer("wrecks", "avoid", [shapely.Point(3000, 700), shapely.Point(6000, -300)], standoff=100.0),
        layer("cables", "cross", [shapely.LineString([(4500, -2000), (5200, 2000)])], crossing_cost_m=1000.0),
        layer("trawl", "discourage", [shapely.box(2000, -900, 8000, 100)], factor=2.0),
    ]
    line = route([(0, 0), (3000, 500), (7000, -500), (10_000, 0)], [900.0, 1200.0])
    there = assess(line, project(layers, seabed))
    back = assess(line.reversed(), project(layers, seabed, start=(10_000, 0, None), end=(0, 0, None)))
    assert back.length_m == pytest.approx(there.length_m)
    assert back.length_ellipsoid_m == pytest.approx(there.length_ellipsoid_m, abs=1e-4)
    assert back.cost_m == pytest.approx(there.cost_m, rel=1e-4)
    assert back.max_slope_across_deg == pytest.approx(there.max_slope_across_deg, abs=1e-2)
    assert back.crossings["kp_km"][0] * 1000.0 == pytest.approx(
        there.length_m - there.crossings["kp_km"][0] * 1000.0
    )
    assert back.proximity["distance_m"] == pytest.approx(there.proximity["distance_m"], abs=1e-6)
    swap = {"left": "right", "right": "left", "on line": "on line"}
    assert [swap[side] for side in back.proximity["side"]] == there.proximity["side"].tolist()
    assert [c.ok for c in back.checks] == [c.ok for c in there.checks]


def test_chainage_table(plane, project, route):
    seabed = Seabed((plane(100.0, dz_east=0.01),))
    result = assess(route([(0, 0), (5000, 0), (5000, 4000)], [1000.0]), project(seabed=seabed))
    table = result.chainage
    assert ",".join(table) == (
        "kp_km,easting_m,northing_m,latitude_deg,longitude_deg,depth_m,bearing_deg,radius_m,slope_along_deg,"
        "slope_across_deg,event"
    )
    events = {event: kp for event, kp in zip(table["event"], table["kp_km"], strict=True) if event}
    assert events == pytest.approx(
        {"START": 0.0, "IP1 arc begins": 4.0, "IP1 arc ends": 4.0 + 0.5 * math.pi, "END": 7.0 + 0.5 * math.pi}
    )
    on_arc = np.isfinite(table["radius_m"])
    assert table["radius_m"][on_arc] == pytest.approx(1000.0)
    assert table["kp_km"][on_arc].min() == pytest.approx(4.0)
    assert table["depth_m"] == pytest.approx(100.0 + 0.01 * (table["easting_m"] - 400_000.0), abs=1e-3)
    assert np.isin(np.round(np.arange(0.0, 8.5, 0.1), 6), np.round(table["kp_km"], 6)).all()


def test_profile_has_the_spacing_of_the_finest_surface(plane, project, route):
    seabed = Seabed((plane(100.0, size=3000.0, cell=5.0), plane(100.0, cell=20.0)))
    profile = assess(route([(0, 0), (8002, 0)]), project(seabed=seabed)).profile
    assert list(profile) == ["kp_km", "depth_m"]
    assert np.diff(profile["kp_km"])[:-1] == pytest.approx(0.005)
    assert profile["kp_km"][-1] == pytest.approx(8.002)


def test_ellipsoid_length_and_geodesy_of_the_line(project, route):
    result = assess(route(STRAIGHT), project())
    scale = result.geodesy
    assert scale["scale_least"] <= scale["scale_start"] <= scale["scale_most"]
    mean = 0.5 * (scale["scale_start"] + scale["scale_end"])
    # ds(ellipsoid) = ds(grid) / k; k is nearly linear over 10 km.
    assert result.length_ellipsoid_m == pytest.approx(10_000.0 / mean, abs=0.01)
    # Convergence = (longitude - 57 degrees) sin(latitude), first term of the series.
    lon, lat = result.points["longitude_deg"][0], result.points["latitude_deg"][0]
    series = (lon - 57.0) * math.sin(math.radians(lat))
    assert scale["convergence_start_deg"] == pytest.approx(series, abs=1e-3)


def test_every_result_says_what_it_is_not(project, route):
    result = assess(route(STRAIGHT), project())
    assert result.cautions == CAUTIONS
    assert set(NOT_ASSESSED) < set(result.not_assessed)
    assert any("free spans" in subject for subject in result.not_assessed)
    words = " ".join(CAUTIONS).lower()
    for needed in ("screening aid", "construction", "navigation", "law", "licensed engineer"):
        assert needed in words
    for needed in ("on-bottom stability", "buckling", "trawl", "scour", "munitions"):
        assert any(needed in subject for subject in NOT_ASSESSED)


def test_every_rule_is_checked(project, layer, route):
    layers = [
        layer("a", "avoid", [shapely.Point(0, 1500)]),
        layer("c", "cross", [shapely.Point(0, 1500)]),
        layer("s", "stay_within", [shapely.box(-99, -99, 10_099, 99)]),
        layer("d", "discourage", [shapely.box(0, 0, 1, 1)], factor=2.0),
        layer("j", "jurisdiction", [shapely.box(-99, -99, 10_099, 99)]),
    ]
    given = project(
        layers,
        start=(0, 0, 90.0),
        end=(10_000, 0, 90.0),
        via=[(5000, 0)],
        tie_in_layers=("a",),
        tie_in_length_m=10.0,
    )
    result = assess(route(STRAIGHT), given)
    assert sorted(c.rule for c in result.checks) == sorted(
        [
            "min_bend_radius_m", "min_straight_m", "end_straight_m", "start", "start.bearing_deg", "end",
            "end.bearing_deg", "via 1", "max_slope_along_deg", "max_slope_across_deg", "depth_range_m",
            "depth_range_m", "holes", "standoff_m", "stay_within", "tie_in_length_m", "min_angle_deg",
            "straight_each_side_m",
        ]
    )  # fmt: skip
    assert result.ok
    assert "j" not in result.proximity["layer"]


def test_a_bad_line_reports_everything_at_once(plane, project, layer, route):
    layers = [
        layer("wrecks", "avoid", [shapely.Point(5000, 20)], standoff=100.0),
        layer("cables", "cross", [shapely.LineString([(6000, -300), (8000, 300)])], min_angle_deg=45.0),
        layer("approved", "stay_within", [shapely.box(-99, -99, 4000, 99)]),
    ]
    seabed = Seabed((plane(100.0, dz_north=0.5),))
    result = assess(
        route([(0, 5), (3000, 600), (10_000, 0)], [0.0]),
        project(layers, seabed, start=(0, 0, 45.0), depth_range_m=(0.0, 90.0), end_straight_m=3500.0),
    )
    broken = {c.rule for c in result.checks if not c.ok}
    assert broken == {
        "start", "start.bearing_deg", "min_bend_radius_m", "end_straight_m", "max_slope_across_deg",
        "depth_range_m", "stay_within", "min_angle_deg",
    }  # fmt: skip
    assert all(c.detail for c in result.checks)
    assert all(math.isfinite(b.value) for b in result.breaches)


def test_progress_is_told_and_can_cancel(project, route):
    told = []
    assess(route(STRAIGHT), project(), progress=lambda stage, share: told.append((stage, share)))
    assert told[0] == ("assess", 0.0) and told[-1] == ("assess", 1.0)
    assert [share for _, share in told] == sorted(share for _, share in told)

    def stop(stage, share):
        raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        assess(route(STRAIGHT), project(), progress=stop)


def test_a_line_of_no_length_does_not_fail(project, route):
    result = assess(route([(0, 0), (0, 0)]), project())
    assert result.length_m == 0.0 and result.cost_m == 0.0
    assert not result.ok  # it does not end where the project does


def test_hostile_names_pass_through_as_plain_text(project, layer, route):
    hostile = "{{ 7 * 7 }}<img src=x onerror=alert(1)>{% raise %}"
    cables = layer(
        hostile, "cross", [shapely.LineString([(4000, -500), (4000, 500)])], attributes=[{"owner": hostile}]
    )
    result = assess(route(STRAIGHT), project([cables]))
    assert result.crossings["owner"].tolist() == [hostile]
    assert result.crossings["layer"].tolist() == [hostile]
