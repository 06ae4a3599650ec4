"""The explanation in the cases around it: holes, via points, parts of a line, what is called confirmed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from corridor.errors import NoRouteError
from corridor.routing.concession_draw import draw
from corridor.routing.concession_ground import closed_ground
from corridor.routing.concession_route import needs_of
from corridor.routing.concession_rules import Rule, rules_of
from corridor.routing.concession_terms import inward_corners
from corridor.routing.concession_text import told
from corridor.routing.explain import explain_no_route
from corridor.routing.geometry import at_station, elements
from corridor.terrain.cost import cost_surface, search_grid
from corridor.workflow import failing_checks, route

from .barrier_grounds import SOUTH, WEST, box, end_at, flat, layer, project, scale, scarp, wall


def blocked(**more):
    return project(flat(), [layer("wall", "avoid", wall(803.0, 617.3, 90.0), 100.0)], **more)


def test_a_hole_is_to_be_surveyed():
    depth = flat()
    depth[:, 40:48] = np.nan
    found = explain_no_route(project(depth))
    (hole,) = found.explanation["survey"]
    # 8 cells of 20 m without data; the way is told from the cell before to the cell behind.
    assert 160.0 <= hole["width_m"] <= 200.0
    assert abs(hole["easting_m"] - (WEST + 880.0)) <= 20.0
    assert "Survey the ground without data" in found.explanation["text"]
    shapes = [shape for shape, words in found.barrier if words["kind"] == "to be surveyed"]
    assert len(shapes) == 1 and shapes[0].bounds[0] == pytest.approx(WEST + 800.0)


def test_no_survey_is_asked_for_where_holes_do_not_matter():
    depth = flat()
    depth[3:8, 40:48] = np.nan
    study = project(depth, [layer("wall", "avoid", wall(503.0, 617.3, 90.0), 100.0)])
    assert "survey" not in explain_no_route(study).explanation


@pytest.mark.parametrize(
    ("via", "leg"), [((560.0, 800.0), "via point 1 to END"), ((1060.0, 800.0), "START to via point 1")]
)
def test_the_closed_leg_between_via_points_is_named(via, leg):
    found = explain_no_route(replace(blocked(), via=(end_at(*via),)))
    assert found.explanation["leg"] == leg
    (reason,) = found.explanation["reasons"]
    # Exact: half the gap, as without via points.
    assert reason["needed"] == pytest.approx(45.0 / scale(803.0, 617.3), rel=0.01)


def test_a_part_of_a_line_with_fixed_bearings_in_a_window():
    # As when a line that exists is led around something: both ends on its tangents, a window of the ground.
    study = replace(blocked(), start=end_at(390.0, 617.3, 90.0), end=end_at(1230.0, 617.3, 90.0))
    whole = search_grid(study.seabed, study.rules, study.start)
    cell = whole.cell_m
    window = replace(
        whole, rows=40, cols=52, west_m=study.start.easting - 5.5 * cell,
        north_m=study.start.northing + 20.5 * cell,
    )  # fmt: skip
    found = explain_no_route(study, cost_surface(study, grid=window), judge=failing_checks)
    (reason,) = found.explanation["reasons"]
    assert reason["confirmed"]
    assert reason["needed"] == pytest.approx(45.0 / scale(803.0, 617.3), rel=0.01)
    (concession,) = found.concessions
    _, _, bearing = at_station(elements(concession.line), [0.0, 1e9])
    assert np.degrees(bearing) == pytest.approx([90.0, 90.0], abs=1e-6)


def test_conceding_what_is_told_gives_a_route_and_95_percent_does_not():
    # The whole job, not only the search: verified on the finest seabed, or no route.
    study = project(
        scarp(18.0),
        [layer("sheet", "stay_within", [box(50.0, 50.0, 1590.0, 1190.0)])],
        max_slope_along_deg=12.0,
        max_slope_across_deg=8.0,
    )
    with pytest.raises(NoRouteError) as refused:
        route(study)
    reasons = {reason["rule"]: reason for reason in refused.value.explanation["reasons"]}
    g, c = math.tan(math.radians(18.0)), math.tan(math.radians(8.0))
    along = reasons["max_slope_along_deg"]
    assert along["confirmed"]
    # Exact: see test_scarp_too_steep_is_crossed_at_the_best_angle.
    assert along["needed"] == pytest.approx(math.degrees(math.atan(math.sqrt(g * g - c * c))), abs=0.1)
    eased = replace(study, rules=replace(study.rules, max_slope_along_deg=along["needed"]))
    assert route(eased).assessment.ok
    less = replace(
        study, rules=replace(study.rules, max_slope_along_deg=12.0 + 0.95 * (along["needed"] - 12.0))
    )
    with pytest.raises(NoRouteError):
        route(less)


def test_a_line_is_drawn_to_the_middle_of_a_gap():
    study = blocked()
    ground = closed_ground(study, cost_surface(study))
    rule = next(rule for rule in rules_of(study) if rule.rule == "standoff_m")
    start, end = study.start, study.end
    crooked = type(explain_no_route(study).concessions[0].line).from_points(
        [
            (start.easting, start.northing),
            (WEST + 560.0, SOUTH + 640.0),
            (WEST + 1040.0, SOUTH + 650.0),
            (end.easting, end.northing),
        ],
        [250.0, 250.0],
        study.crs,
    )
    drawn = draw(ground, rule, crooked)
    # Exact: half the gap of 90 m.
    assert drawn.sound
    assert rule.needed(needs_of(ground, rule, drawn.line)) == pytest.approx(
        45.0 / scale(803.0, 617.3), abs=0.05
    )


def test_corners_that_point_into_an_area():
    area = shapely.union_all([box(100, 100, 1500, 300), box(1300, 100, 1500, 1500)])
    (corner,) = inward_corners(area)
    assert corner[:2] == pytest.approx([WEST + 1300.0, SOUTH + 300.0])
    assert corner[2:] == pytest.approx([math.sqrt(0.5), -math.sqrt(0.5)])


def test_what_a_manager_reads_is_never_stricter_than_what_the_line_needs():
    standoff = Rule("standoff_m", "wrecks", "", "area", 1000.0, -1, 1000.0)
    slope = Rule("max_slope_along_deg", "", "", "slope", 3.0, 1, 1.0)
    assert [told(standoff, x) for x in (752.93, 45.02, -3.26)] == [752.0, 45.0, -3.3]
    assert [told(slope, x) for x in (4.7201, 4.72)] == [4.73, 4.72]


@pytest.mark.slow
def test_a_tie_in_zone_that_is_too_wide():
    # Exact: START lies in the middle of its zone of 300 m; a straight line out of it stays inside for 300 m.
    zone = shapely.Point(WEST + 410.0, SOUTH + 610.0).buffer(300.0, quad_segs=64)
    study = project(
        flat(),
        [layer("terminal", "avoid", [zone], needs_consent=True)],
        start=(410.0, 610.0),
        tie_in_layers=("terminal",),
        tie_in_length_m=120.0,
    )
    found = explain_no_route(study, judge=failing_checks)
    reasons = {reason["rule"]: reason for reason in found.explanation["reasons"]}
    reason = reasons["tie_in_length_m"]
    assert reason["needed"] == pytest.approx(300.0, rel=0.01)
    assert reason["confirmed"]
    assert "m within the zone around the end at 500 410 E" in reason["text"]
