"""Two assessments of one line side by side, and the ranges of KP a survey touches."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from corridor.model.results import Assessment, Check
from corridor.survey.impact import affected_ranges, compare_assessments


def spans(*rows: tuple[float, float, float, str]) -> dict[str, np.ndarray]:
    """(KP start, KP end, gap, verdict), each with a load case that does not govern beside it."""
    table = [(a, b, gap, verdict, governs) for a, b, gap, verdict in rows for governs in (True, False)]
    kp_start, kp_end, gap, verdict, governs = (np.array(column) for column in zip(*table, strict=True))
    return {
        "kp_start_km": kp_start,
        "kp_end_km": kp_end,
        "length_m": 1000.0 * (kp_end - kp_start),
        "max_gap_m": gap,
        "verdict": verdict,
        "governs": governs,
    }


def assessment(depth=lambda kp: 50.0 + kp, checks=(), table=None, slope=3.0) -> Assessment:
    kp = np.linspace(0.0, 10.0, 1001)
    empty: dict[str, np.ndarray] = {}
    return Assessment(
        points=empty, setting_out=empty, chainage=empty, profile={"kp_km": kp, "depth_m": depth(kp)},
        crossings=empty, proximity=empty, checks=tuple(checks), breaches=(), length_m=10_000.0,
        length_ellipsoid_m=10_004.0, cost_m=11_000.0, cost_terms={}, cost_by_kp=empty, min_radius_m=1500.0,
        max_slope_along_deg=slope, max_slope_across_deg=1.0, spans=table,
    )  # fmt: skip


def test_the_same_assessment_shows_no_difference():
    one = assessment(
        checks=[Check("max_slope_along_deg", 10.0, 3.0, 1.0, True)], table=spans((1.0, 1.03, 0.5, "ok"))
    )
    found = compare_assessments(one, one)
    assert found.depth_changed_km == () and found.largest_depth_change_m == 0.0 and found.now_broken == ()
    assert [row["change"] for row in found.spans] == ["same"]
    assert all(old == new for old, new in found.figures.values())


def test_rules_by_what_became_of_them():
    def checks(**states):
        return [
            Check(rule, 10.0, 11.0 if not ok else 9.0, 2.5, ok, layer="wrecks") for rule, ok in states.items()
        ]

    old = assessment(checks=checks(a=True, b=True, c=False, d=False, e=True))
    new = assessment(checks=checks(a=True, b=False, c=True, d=False, f=False, g=True), slope=7.0)
    verdicts = {row["rule"]: row["verdict"] for row in compare_assessments(old, new).rules}
    assert verdicts == {
        "a": "ok",
        "b": "now broken",
        "c": "mended",
        "d": "still broken",
        "e": "rule gone",
        "f": "now broken",
        "g": "new rule",
    }
    found = compare_assessments(old, new)
    assert {row["rule"] for row in found.now_broken} == {"b", "f"}
    assert found.figures["max_slope_along_deg"] == (3.0, 7.0)
    (broken,) = (row for row in found.rules if row["rule"] == "b")
    assert (broken["old_worst"], broken["new_worst"], broken["layer"]) == (9.0, 11.0, "wrecks")


def test_spans_appear_go_grow_and_shrink():
    old = assessment(
        table=spans(
            (1.0, 1.03, 0.4, "ok"), (3.0, 3.05, 0.9, "ok"), (5.0, 5.04, 0.6, "ok"), (7.0, 7.02, 0.2, "ok")
        )
    )
    new = assessment(
        table=spans(
            (0.99, 1.05, 0.8, "fails"),
            (3.0, 3.0505, 0.9, "ok"),
            (5.01, 5.03, 0.3, "ok"),
            (9.0, 9.03, 0.5, "ok"),
        )
    )
    rows = compare_assessments(old, new).spans
    assert [(row["change"], row["kp_start_km"]) for row in rows] == [
        ("grown", 0.99),
        ("same", 3.0),
        ("shrunk", 5.01),
        ("gone", 7.0),
        ("appeared", 9.0),
    ]
    assert (rows[0]["old_length_m"], rows[0]["new_length_m"]) == (pytest.approx(30.0), pytest.approx(60.0))
    assert (rows[0]["old_verdict"], rows[0]["new_verdict"], rows[3]["new_verdict"]) == ("ok", "fails", None)


def test_a_span_that_split_in_two_is_not_called_gone():
    old = assessment(table=spans((1.0, 1.10, 0.4, "ok")))
    new = assessment(table=spans((1.0, 1.04, 0.4, "ok"), (1.06, 1.10, 0.4, "ok")))
    assert [row["change"] for row in compare_assessments(old, new).spans] == ["shrunk", "shrunk"]


def test_without_spans_there_is_nothing_to_match():
    nothing = compare_assessments(assessment(), assessment())
    assert nothing.spans == () and nothing.figures["spans"] == (None, None)  # not assessed, not zero
    rows = compare_assessments(assessment(), assessment(table=spans((1.0, 1.1, 0.4, "ok")))).spans
    assert [row["change"] for row in rows] == ["appeared"]


def test_where_the_depth_along_the_line_changed():
    new = assessment(depth=lambda kp: 50.0 + kp + np.where((kp > 2.0) & (kp < 3.0), -1.5, 0.0))
    found = compare_assessments(assessment(), new)
    ((start, end),) = found.depth_changed_km
    assert (start, end) == pytest.approx((2.01, 2.99)) and found.largest_depth_change_m == pytest.approx(1.5)
    assert found.figures["least_depth_m"] == (50.0, 50.0) and found.figures["greatest_depth_m"] == (
        60.0,
        60.0,
    )


def test_a_hole_in_the_new_seabed_counts_as_changed():
    new = assessment(depth=lambda kp: np.where((kp > 4.0) & (kp < 4.5), np.nan, 50.0 + kp))
    assert compare_assessments(assessment(), new).depth_changed_km[0] == pytest.approx((4.0, 4.5), abs=0.02)


def test_affected_ranges_are_those_of_exact_geometry():
    station = np.arange(0.0, 1001.0, 1.0)
    shapes = [
        shapely.box(100.0, 20.0, 150.0, 30.0),
        shapely.box(140.0, -5.0, 200.0, 5.0),
        shapely.Point(600.0, 24.0),
    ]
    found = affected_ranges(shapes, station, station, np.zeros_like(station), 25.0)
    # The first is 20 m off: 100 - sqrt(25² - 20²) = 85; the point 24 m off: 600 -+ 7.
    assert len(found) == 2
    np.testing.assert_allclose(np.array(found) * 1000.0, [[85.0, 225.0], [593.0, 607.0]], atol=1.0)
    assert affected_ranges([], station, station, station, 25.0) == ()
    assert affected_ranges([shapely.Point(0.0, 500.0)], station, station, np.zeros_like(station), 25.0) == ()
