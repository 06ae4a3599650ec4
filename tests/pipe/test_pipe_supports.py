"""Supports: as few as it takes, and the whole line is laid on them."""

from __future__ import annotations

import numpy as np
import pytest

from corridor.pipe import lay_pipe
from corridor.pipe.cases import run_case
from corridor.pipe.ground import prepare
from corridor.pipe.section import load_case
from corridor.pipe.supports import cure
from corridor.pipe.tables import number_spans
from corridor.pipe.verdict import ASSESS, OK, SUPPORT, verdicts

from .pipe_reference import a_pipe, a_sea

X = np.arange(0.0, 1001.0)


def trench(width, deep=3.0, centre=500.0):
    return 80 + np.where(np.abs(X - centre) < width / 2 - 1e-9, deep, 0.0)


def cured(depth, pipe, sea):
    ground = prepare(X, depth, 1.0, pipe, sea)
    results = [run_case(ground, load_case(name, pipe, sea), pipe, sea) for name in ("as laid", "flooded")]
    _, places = number_spans(results)
    return results, cure(results, places, pipe, sea)


def worst_codes(results, pipe, near):
    """Gravest verdict of spans that reach between two stations, over the load cases."""
    gravest = OK
    for result in results:
        codes, _ = verdicts(result, pipe)
        left = result.ground.station_m(result.spans.left)
        right = result.ground.station_m(result.spans.right)
        gravest = max(gravest, codes[(right > near[0]) & (left < near[1])].max(initial=OK))
    return gravest


def test_a_line_without_failing_spans_gets_none():
    _, found = cured(trench(25), a_pipe(), a_sea(current_m_s=0.3))
    assert found.supports == () and found.uncured == ()


def test_supports_make_every_span_ok():
    pipe, sea = a_pipe(), a_sea(current_m_s=0.5)
    results, found = cured(trench(70), pipe, sea)
    assert worst_codes(results, pipe, (400, 600)) == SUPPORT
    assert 1 <= len(found.supports) <= 4 and found.uncured == ()
    assert worst_codes(found.results, pipe, (450, 550)) == OK
    assert all(465 < support.station_m < 535 for support in found.supports)


def test_fewer_would_not_do():
    # Brute force with one support less: every place and height on a coarse raster fails.
    pipe, sea = a_pipe(), a_sea(current_m_s=0.5)
    results, found = cured(trench(48), pipe, sea)
    count = len(found.supports)
    assert count == 2
    ground = results[0].ground
    low = -ground.z[ground.node(500.0)]
    for station in np.arange(478.0, 523.0, 3.0):
        for depth in np.arange(low - 3.6, low - 2.4, 0.2):
            raised = ground.with_humps([station], [-depth], pipe.berm_crest_m, pipe.berm_side_slope)
            tried = [run_case(raised, result.case, pipe, sea) for result in results]
            assert worst_codes(tried, pipe, (460, 540)) >= ASSESS, (station, depth)


def test_assess_may_be_enough():
    sea = a_sea(current_m_s=0.5)
    _, strict = cured(trench(70), a_pipe(), sea)
    pipe = a_pipe(supports_reach="assess")
    _, mild = cured(trench(70), pipe, sea)
    assert len(mild.supports) < len(strict.supports)
    assert worst_codes(mild.results, pipe, (450, 550)) < SUPPORT


def test_too_few_allowed_is_said():
    pipe, sea = a_pipe(supports_per_span_most=1), a_sea(current_m_s=0.9)
    result = lay_pipe(X, trench(120, deep=8.0), 1.0, pipe, sea)
    assert result.summary["uncured_spans"]
    assert any("supports_per_span_most = 1" in warning for warning in result.warnings)


def test_support_table_and_reactions():
    pipe, sea = a_pipe(), a_sea(current_m_s=0.5)
    depth = np.minimum(trench(70), 200)
    result = lay_pipe(X, depth, 1.0, pipe, sea)
    table = result.supports
    assert list(table) == ["support", "span", "kp_km", "height_m", "crest_depth_m", "reaction_kN", "rock_m3"]
    assert (np.diff(table["kp_km"]) > 0).all()
    # Crests stand between the hanging pipe and the straight line over the trench, 3 m above its floor.
    hanging = 83 - np.interp(table["kp_km"] * 1e3, X, result.profile["pipe_depth_m"])
    assert (table["height_m"] > hanging).all() and (table["height_m"] < 3.05).all()
    assert table["crest_depth_m"] + table["height_m"] == pytest.approx(
        np.full(len(table["span"]), 83.0), abs=1e-6
    )
    height = table["height_m"]
    run = 2.5 * height  # frustum, prismoidal formula
    by_hand = height / 6 * (9 + 4 * (3 + run) ** 2 + (3 + 2 * run) ** 2)
    np.testing.assert_allclose(table["rock_m3"], by_hand)
    assert result.summary["rock_m3"] == pytest.approx(by_hand.sum())
    # Each carries about its share of the flooded pipe.
    weight = load_case("flooded", pipe, sea).submerged_N_m * 70 / 1e3
    assert 0.3 * weight < table["reaction_kN"].sum() < 1.5 * weight


def test_neighbours_are_cured_together():
    depth = trench(60, centre=440.0)
    depth = np.maximum(depth, trench(60, centre=540.0))
    pipe, sea = a_pipe(), a_sea(current_m_s=0.5)
    _, found = cured(depth, pipe, sea)
    assert found.uncured == ()
    assert worst_codes(found.results, pipe, (380, 600)) < SUPPORT
