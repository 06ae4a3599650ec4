"""Screening, verdicts and allowable lengths."""

from __future__ import annotations

import numpy as np
import pytest

from corridor.errors import PipeError
from corridor.pipe.cases import run_case
from corridor.pipe.ground import prepare
from corridor.pipe.screening import CROSSFLOW, INLINE, STRESS, allowable_lengths, needed_frequencies
from corridor.pipe.section import equivalent_stress, load_case
from corridor.pipe.verdict import VERDICTS, verdicts
from corridor.pipe.water import velocity

from .pipe_reference import a_pipe, a_sea

X = np.arange(0.0, 601.0)


def trench(width, depth=80.0, deep=5.0):
    return depth + np.where(np.abs(X - 300) < width / 2 - 1e-9, deep, 0.0)


def laid(depth, pipe, sea, cell=1.0):
    ground = prepare(X, depth, cell, pipe, sea)
    return run_case(ground, load_case("as laid", pipe, sea), pipe, sea)


def judged(depth, pipe, sea, cell=1.0):
    """Verdict and reason of the longest span."""
    result = laid(depth, pipe, sea, cell)
    codes, reasons = verdicts(result, pipe, allowable_lengths(result.spans, result.screened))
    longest = np.argmax(result.spans.length_m)
    return VERDICTS[codes[longest]], reasons[longest]


def test_needed_frequencies_by_hand():
    # DNV-RP-F105 screening as the checks give it, from memory: D = 0.588, L = 40, U_c 0.4, U_w 0.1:
    # alpha = 0.8; in-line 1.4 x 0.4/(0.588/1.1) x (1 - 68.027/250)/0.8, cross-flow 1.4 x 0.5/(2 x 0.588).
    inline, crossflow = needed_frequencies(
        np.array([40.0]), np.array([0.4]), np.array([0.1]), 0.588, a_pipe()
    )
    assert inline == pytest.approx([1.4 * 0.4 * 1.1 / 0.588 * (1 - 40 / 0.588 / 250) / 0.8])
    assert crossflow == pytest.approx([1.4 * 0.5 / (2 * 0.588)])
    # Waves mostly: alpha does not go below 0.6. Still water needs nothing.
    inline, _ = needed_frequencies(np.array([40.0]), np.array([0.1]), np.array([0.4]), 0.588, a_pipe())
    assert inline == pytest.approx([1.4 * 0.1 * 1.1 / 0.588 * (1 - 40 / 0.588 / 250) / 0.6])
    still = needed_frequencies(np.array([40.0]), np.zeros(1), np.zeros(1), 0.588, a_pipe())
    assert still[0] == 0 and still[1] == 0


def test_the_four_verdicts():
    pipe, calm = a_pipe(), a_sea(current_m_s=0.2, wave_velocity_m_s=0.05)
    word, reason = judged(trench(25), pipe, calm)
    assert word == "ok" and "passes this screening" in reason
    word, reason = judged(trench(32), pipe, a_sea(current_m_s=0.5))
    assert word == "assess" and "in-line onset" in reason and "cross-flow" not in reason
    word, reason = judged(trench(60), pipe, a_sea(current_m_s=0.8))
    assert word == "support" and "cross-flow onset" in reason
    word, reason = judged(trench(40), pipe, calm, cell=20.0)
    assert word == "not assessed" and "cells of 20 m are coarser than 2 m" in reason


def test_stress_alone_asks_for_a_support():
    word, reason = judged(
        trench(60), a_pipe(yield_strength_MPa=60.0), a_sea(current_m_s=0.0, wave_velocity_m_s=0.0)
    )
    assert word == "support" and "stress" in reason and "exceeds 48 MPa" in reason


def test_what_is_not_given_is_not_assessed():
    word, reason = judged(trench(30), a_pipe(), a_sea(current_m_s=None))
    assert word == "not assessed" and "no current_m_s" in reason
    word, reason = judged(trench(30), a_pipe(yield_strength_MPa=None), a_sea(current_m_s=0.1))
    assert word == "not assessed" and "no yield_strength_MPa" in reason


def test_beyond_the_slenderness_of_the_formula_a_span_is_never_ok():
    # L/D > 140 and hardly a current: the factor 1 - (L/D)/250 would pass it at any speed near 250.
    word, reason = judged(trench(90, deep=30.0), a_pipe(), a_sea(current_m_s=0.01, wave_velocity_m_s=0.0))
    assert word == "assess" and "140 diameters" in reason


def test_a_span_over_a_hole_or_past_the_end_is_not_assessed():
    depth = trench(40)
    depth[290:305] = np.nan
    word, reason = judged(depth, a_pipe(), a_sea())
    assert word == "not assessed" and "gap of more than 10 m" in reason
    word, reason = judged(80 + np.where(X > 585, 5.0, 0.0), a_pipe(), a_sea())
    assert word == "not assessed" and "end of the profile" in reason


def test_static_stress_limit_is_met_at_the_allowable_length():
    # Without a current only stress counts; bending grows with the length squared.
    pipe, sea = a_pipe(yield_strength_MPa=200.0), a_sea(current_m_s=None)
    result = laid(trench(60), pipe, sea)
    allowed = allowable_lengths(result.spans, result.screened)
    bending, axial, hoop = result.screened.stress_parts_Pa
    grown = bending * (allowed / result.spans.length_m) ** 2
    assert equivalent_stress(grown, axial, hoop) == pytest.approx(np.full(len(allowed), 160e6))
    np.testing.assert_array_equal(result.screened.use[:, STRESS] > 1, allowed < result.spans.length_m)


def test_verdict_and_allowable_length_agree_on_rough_ground():
    rough = 80 + 0.4 * np.sin(X / 6) + 0.3 * np.sin(X / 9.7) + 0.2 * np.sin(X / 23)
    for current in (0.2, 0.4, 0.6):
        pipe, sea = a_pipe(), a_sea(current_m_s=current)
        result = laid(rough, pipe, sea)
        allowed = allowable_lengths(result.spans, result.screened)
        fails = (result.screened.use[:, [STRESS, CROSSFLOW, INLINE]] > 1).any(axis=1)
        assert len(fails) > 3
        np.testing.assert_array_equal(fails, result.spans.length_m > allowed)


def test_velocity_tables():
    by_depth = {"depth_m": [10.0, 50.0, 200.0], "value": [0.8, 0.4, 0.2]}
    depth, kp = np.array([10.0, 30.0, 200.0]), np.array([1.0, 2.0, 3.0])
    np.testing.assert_allclose(velocity(by_depth, "current_m_s", depth, kp), [0.8, 0.6, 0.2])
    by_kp = {"kp_km": [1.0, 3.0], "value": [0.1, 0.3]}
    np.testing.assert_allclose(velocity(by_kp, "current_m_s", depth, kp), [0.1, 0.2, 0.3])
    with pytest.raises(PipeError, match=r"current_m_s.*depth_m 10 to 200 m.*201\.000 m.*KP 3\.000"):
        velocity(by_depth, "current_m_s", np.array([10.0, 60.0, 201.0]), kp)
