"""Rules on the alignment itself: exactly on the limit passes, a little beyond it does not."""

from __future__ import annotations

import math

import pytest

from corridor.assess import assess
from corridor.errors import AlignmentError
from corridor.model.alignment import Alignment

ZIGZAG = [(0, 0), (3000, 600), (6000, -600), (10_000, 0)]


def test_a_plain_line_breaks_no_rule(project, route):
    result = assess(route([(0, 0), (10_000, 0)]), project())
    assert result.ok and result.breaches == ()
    assert result.length_m == pytest.approx(10_000.0)
    assert result.min_radius_m is None
    assert result.cost_m == pytest.approx(10_000.0)


@pytest.mark.parametrize(("radius", "ok"), [(1500.0, True), (1499.0, False)])
def test_radius_on_its_limit(project, route, check, radius, ok):
    result = assess(route(ZIGZAG, [2000.0, radius]), project(min_bend_radius_m=1500.0))
    found = check(result, "min_bend_radius_m")
    assert found.ok is ok and found.worst == radius and "IP2" in found.detail
    assert result.min_radius_m == radius
    assert [b.rule for b in result.breaches] == ([] if ok else ["min_bend_radius_m"])


def test_sharp_corner_is_reported_as_radius_zero(project, route, check):
    result = assess(route(ZIGZAG, [0.0, 2000.0]), project())
    found = check(result, "min_bend_radius_m")
    assert (found.ok, found.worst, result.min_radius_m) == (False, 0.0, 0.0)
    assert "sharp corner" in found.detail
    assert found.kp_km == pytest.approx(math.hypot(3.0, 0.6))


def test_a_point_without_a_turn_is_no_corner(project, route, check):
    result = assess(route([(0, 0), (4000, 0), (10_000, 0)], [0.0]), project())
    assert check(result, "min_bend_radius_m").ok
    assert result.ok


def two_bends(route, between):
    """Right-angled turns of 500 m radius: tangents of 500 m, `between` m of straight in the middle."""
    return route(
        [(0, 0), (3000, 0), (3000, 1000 + between), (6000, 1000 + between)],
        [500.0, 500.0],
    )


@pytest.mark.parametrize(("between", "limit", "ok"), [(200.0, 200.0, True), (199.0, 200.0, False)])
def test_straight_between_bends_on_its_limit(project, route, check, between, limit, ok):
    result = assess(two_bends(route, between), project(min_straight_m=limit))
    found = check(result, "min_straight_m")
    assert found.ok is ok and found.worst == pytest.approx(between)
    assert "between IP1 and IP2" in found.detail


def test_overlapping_arcs_break_the_rule_even_without_a_least_straight(project, route, check):
    found = check(assess(two_bends(route, -50.0), project()), "min_straight_m")
    assert not found.ok and found.worst == pytest.approx(-50.0)
    assert "overlap" in found.detail


def test_end_straights_count_at_the_ends_only(project, route, check):
    result = assess(two_bends(route, 200.0), project(min_straight_m=200.0, end_straight_m=2600.0))
    assert check(result, "min_straight_m").ok
    found = check(result, "end_straight_m")
    assert not found.ok and found.worst == pytest.approx(2500.0)
    assert assess(two_bends(route, 200.0), project(end_straight_m=2500.0)).ok is False  # ends elsewhere
    assert check(assess(two_bends(route, 200.0), project(end_straight_m=2500.0)), "end_straight_m").ok


def test_ends_must_be_those_of_the_project(project, route, check):
    result = assess(route([(3, 4), (10_000, 0)]), project())
    assert check(result, "start").worst == pytest.approx(5.0)
    assert not check(result, "start").ok and check(result, "end").ok


@pytest.mark.parametrize(
    ("asked", "ok"), [(90.0, True), (450.0 - 360.0, True), (-270.0, True), (91.0, False)]
)
def test_bearings_at_the_ends(project, route, check, asked, ok):
    result = assess(route([(0, 0), (10_000, 0)]), project(start=(0, 0, asked), end=(10_000, 0, asked)))
    assert check(result, "start.bearing_deg").ok is ok
    assert check(result, "end.bearing_deg").ok is ok
    assert check(result, "end.bearing_deg").worst == pytest.approx(90.0)


def test_bearing_at_the_end_is_that_of_the_last_leg(project, route, check):
    line = route([(0, 0), (5000, 0), (10_000, 3000)], [500.0])
    result = assess(line, project(end=(10_000, 3000, math.degrees(math.atan2(5000, 3000)))))
    assert check(result, "end.bearing_deg").ok


def test_via_points_are_passed_within_a_cell(project, route, check):
    line = route([(0, 0), (10_000, 0)])
    assert check(assess(line, project(via=[(4000, 9)])), "via 1").ok
    found = check(assess(line, project(via=[(2000, 0), (4000, 11)])), "via 2")
    assert not found.ok and found.worst == pytest.approx(11.0) and found.kp_km == pytest.approx(4.0)


def test_rounding_of_files_breaks_nothing(project, route):
    """A line that is exactly on its limits still is after its file's rounding to 0.1 mm."""
    rules = {"min_bend_radius_m": 500.0, "min_straight_m": 200.0, "end_straight_m": 2500.0}
    line = two_bends(route, 200.0)
    turned = [
        (e * 0.8 - n * 0.6, e * 0.6 + n * 0.8)
        for e, n in zip(line.easting_m - 400_000.0, line.northing_m - 8_260_000.0, strict=True)
    ]
    exact = route(turned, [500.0, 500.0])
    rounded = Alignment(
        exact.easting_m.round(4), exact.northing_m.round(4), exact.radius_m.round(4), exact.crs
    )
    end = (float(rounded.easting_m[-1]) - 400_000.0, float(rounded.northing_m[-1]) - 8_260_000.0)
    bearing = math.degrees(math.atan2(0.8, 0.6))
    given = project(start=(0, 0, bearing), end=(*end, bearing), **rules)
    assert [c.detail for c in assess(rounded, given).checks if not c.ok] == []


def test_a_line_in_another_crs_is_refused(project):
    with pytest.raises(AlignmentError, match="EPSG:32631"):
        assess(Alignment.from_points([(0, 0), (1, 1)], [], "EPSG:32631"), project())
