"""Crossings: angles on straights and arcs, straights on both sides, what counts as one."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from corridor.assess import assess

STRAIGHT = [(0, 0), (10_000, 0)]


def cable(east, angle_deg, north=0.0, reach=2000.0):
    """A cable through (east, north) at an angle to a line that heads east."""
    t = np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))]) * reach
    return shapely.LineString([(east - t[0], north - t[1]), (east + t[0], north + t[1])])


RULE = {"min_angle_deg": 45.0, "straight_each_side_m": 150.0, "crossing_cost_m": 2000.0}


@pytest.mark.parametrize(("angle", "ok"), [(90.0, True), (45.0, True), (135.0, True), (44.9, False)])
def test_one_cable_is_crossed_once_at_its_angle(project, layer, route, check, angle, ok):
    cables = layer(
        "cables",
        "cross",
        [cable(4000, angle)],
        attributes=[{"Owner": "Harbour board", "KIND": "power"}],
        **RULE,
    )
    result = assess(route(STRAIGHT), project([cables]))
    table = result.crossings
    assert ",".join(table) == (
        "kp_km,layer,feature,owner,kind,status,easting_m,northing_m,latitude_deg,longitude_deg,angle_deg,"
        "depth_m,straight_before_m,straight_after_m,separation_m,ok"
    )
    assert table["kp_km"] == pytest.approx([4.0])
    assert table["angle_deg"] == pytest.approx([min(angle, 180.0 - angle)])
    assert (table["owner"][0], table["kind"][0], table["status"][0]) == ("Harbour board", "power", "")
    assert table["separation_m"].tolist() == [0.3]  # DNV-ST-F101, from memory
    assert table["depth_m"] == pytest.approx([100.0])
    assert check(result, "min_angle_deg", "cables").ok is ok
    assert bool(table["ok"][0]) is ok and result.ok is ok
    assert result.cost_terms["crossings_m"] == 2000.0
    assert [b.rule for b in result.breaches] == ([] if ok else ["min_angle_deg"])


@pytest.mark.parametrize(("east", "ok"), [(3350.0, True), (3351.0, False)])
def test_straight_reaches_to_the_tangent_point(project, layer, route, check, east, ok):
    # Quarter turn of 1500 m radius at 5000: its tangent point lies at 3500.
    line = route([(0, 0), (5000, 0), (5000, 5000)], [1500.0])
    result = assess(line, project([layer("cables", "cross", [cable(east, 90)], **RULE)]))
    table = result.crossings
    assert table["straight_before_m"] == pytest.approx([east])
    assert table["straight_after_m"] == pytest.approx([3500.0 - east])
    assert check(result, "straight_each_side_m", "cables").ok is ok


def test_on_an_arc_there_is_no_straight_and_the_angle_is_to_the_tangent(project, layer, route, check):
    line = route([(0, 0), (5000, 0), (5000, 5000)], [1500.0])
    middle = 1500.0 / math.sqrt(2.0)
    # At the arc's middle the line bears north-east; a cable due north meets it at 45 degrees.
    cables = layer(
        "cables", "cross", [cable(3500.0 + middle, 90.0, north=1500.0 - middle, reach=300.0)], **RULE
    )
    result = assess(line, project([cables]))
    assert result.crossings["angle_deg"] == pytest.approx([45.0])
    assert result.crossings["straight_before_m"].tolist() == [0.0]
    assert check(result, "min_angle_deg", "cables").ok
    assert not check(result, "straight_each_side_m", "cables").ok


def test_neighbouring_assets_share_a_straight(project, layer, route, check):
    cables = layer("cables", "cross", [cable(4000, 90), cable(4040, 90)], **RULE)
    result = assess(route(STRAIGHT), project([cables]))
    assert len(result.crossings["kp_km"]) == 2 and result.ok
    assert result.cost_terms["crossings_m"] == 4000.0
    assert result.crossings["straight_before_m"] == pytest.approx([4000.0, 4040.0])


def test_an_asset_close_to_an_end_has_too_little_straight(project, layer, route, check):
    result = assess(route(STRAIGHT), project([layer("cables", "cross", [cable(100, 90)], **RULE)]))
    found = check(result, "straight_each_side_m", "cables")
    assert not found.ok and found.worst == pytest.approx(100.0)


def test_an_end_on_an_asset_is_a_tie_in_not_a_crossing(project, layer, route):
    pipelines = layer("pipelines", "cross", [cable(0, 90), cable(10_000, 90)], **RULE)
    result = assess(route(STRAIGHT), project([pipelines]))
    assert len(result.crossings["kp_km"]) == 0 and result.ok
    assert result.cost_terms["crossings_m"] == 0.0


def test_every_crossing_of_a_winding_cable_counts(project, layer, route):
    winding = shapely.LineString([(2000, -900), (3000, 900), (4000, -900), (5000, 900)])
    result = assess(route(STRAIGHT), project([layer("cables", "cross", [winding], **RULE)]))
    assert result.crossings["kp_km"] == pytest.approx([2.5, 3.5, 4.5])
    assert result.cost_terms["crossings_m"] == 6000.0
    assert result.cost_by_kp["crossings_m"].tolist() == [0, 0, 2000, 2000, 2000, 0, 0, 0, 0, 0]


def test_running_along_a_cable_is_a_crossing_at_no_angle(project, layer, route, check):
    along = layer("cables", "cross", [shapely.LineString([(3000, 0), (4000, 0)])], **RULE)
    result = assess(route(STRAIGHT), project([along]))
    found = check(result, "min_angle_deg", "cables")
    assert not found.ok and found.worst == pytest.approx(0.0)


def test_points_cannot_be_crossed_and_outlines_can(project, layer, route):
    mixed = layer("assets", "cross", [shapely.Point(2000, 0), shapely.box(4000, -50, 4100, 50)], **RULE)
    assert assess(route(STRAIGHT), project([mixed])).crossings["kp_km"] == pytest.approx([4.0, 4.1])


def test_near_a_cable_away_from_its_crossings_is_a_remark_not_a_breach(project, layer, route):
    # The cable crosses at 2000, then runs 30 m beside the line from 3000 on.
    bent = shapely.LineString([(2000, -900), (2000, 30), (9000, 30)])
    cables = layer("cables", "cross", [bent], standoff=50.0, **RULE)
    result = assess(route(STRAIGHT), project([cables]))
    assert result.ok and result.breaches == ()
    assert [w for w in result.warnings if "cables 1" in w and "where possible" in w]
    limit, ok = result.proximity["limit_m"], result.proximity["ok"]
    assert np.isnan(limit[0]) and limit[1] == 50.0
    assert ok.tolist() == [True, False]
    # ... and costs double there (the price that the search puts on it).
    assert result.cost_terms["discouraged_m"] == pytest.approx(7000.0, abs=100.0)


def test_a_square_crossing_keeps_its_standoff_elsewhere(project, layer, route):
    cables = layer("cables", "cross", [cable(4000, 60)], standoff=50.0, **RULE)
    result = assess(route(STRAIGHT), project([cables]))
    assert result.proximity["ok"].all() and result.warnings == ()
