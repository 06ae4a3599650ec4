"""The survey's uncertainty, sag tension, rock and trench volumes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from corridor.errors import PipeError
from corridor.kernels.onbottom import lengthening
from corridor.pipe.cases import run_case
from corridor.pipe.doubt import correlated_noise, exceedance
from corridor.pipe.earthworks import berm_volume_m3, trench_volume_m3
from corridor.pipe.ground import prepare
from corridor.pipe.sag import gain_for, sag_tension
from corridor.pipe.screening import allowable_lengths
from corridor.pipe.section import load_case, section

from .pipe_reference import a_pipe, a_sea

X = np.arange(0.0, 801.0)


def test_noise_has_the_stated_correlation():
    # exp(-(d/l)²): 1 at 0, 1/e at l, 0.018 at 2 l. 400,000 samples: standard error about 0.01.
    noise = correlated_noise(np.random.default_rng(1), 400_000, 20.0)
    assert len(noise) == 400_000
    assert noise.std() == pytest.approx(1.0, abs=0.02)
    for distance in (10, 20, 40):
        found = np.mean(noise[:-distance] * noise[distance:])
        assert found == pytest.approx(np.exp(-((distance / 20) ** 2)), abs=0.03)
    assert (noise < norm.ppf(0.1)).mean() == pytest.approx(0.1, abs=0.01)


def rough_case(**settings):
    pipe, sea = a_pipe(realisations=60, **settings), a_sea(current_m_s=0.25)
    depth = 80 + np.where(np.abs(X - 300) < 16.5, 1.5, 0.0) + 0.3 * np.sin(X / 11) * (X > 450)
    result = run_case(prepare(X, depth, 1.0, pipe, sea), load_case("as laid", pipe, sea), pipe, sea)
    return result, pipe, sea


def test_what_is_common_to_the_place_changes_nothing():
    # All of the variance common: every realisation is the surveyed seabed.
    result, pipe, sea = rough_case(tvu_short_range_share=0.0)
    allowed = allowable_lengths(result.spans, result.screened)
    certain = exceedance(result, allowed, np.full(len(result.ground.z), 5.0), pipe, sea)
    np.testing.assert_array_equal(certain, (result.spans.length_m > allowed).astype(float))


def test_doubt_grows_with_uncertainty_and_is_repeatable():
    result, pipe, sea = rough_case()
    margin = result.spans.length_m * 1.15  # as if a little more were allowed than there is
    tvu = np.full(len(result.ground.z), 1.0)
    some = exceedance(result, margin, 0.3 * tvu, pipe, sea)
    more = exceedance(result, margin, tvu, pipe, sea)
    assert (exceedance(result, margin, 1e-6 * tvu, pipe, sea) == 0).all()
    assert 0 < some.mean() < more.mean() < 1
    np.testing.assert_array_equal(some, exceedance(result, margin, 0.3 * tvu, pipe, sea))
    assert np.isnan(exceedance(result, np.full(len(margin), np.nan), tvu, pipe, sea)).all()


def test_gain_solves_its_equation():
    EA, friction = 6.5e9, 700.0
    gain = gain_for(0.02, 80.0, EA, friction)
    assert gain * 80 / EA + gain**2 / (EA * friction) == pytest.approx(0.02)
    assert gain_for(0.0, 80.0, EA, friction) == 0.0


def test_sag_tension_balances_lengthening():
    # Hooke's law and friction: what the laid shape asks for is what the gain in force gives.
    pipe, sea = a_pipe(), a_sea(axial_friction=0.5)
    depth = 80 + np.where(np.abs(X - 400) < 35, 6.0, 0.0)
    ground = prepare(X, depth, 1.0, pipe, sea)
    before = run_case(ground, load_case("as laid", pipe, sea), pipe, sea).laid
    flooded = load_case("flooded", pipe, sea)
    tension = sag_tension(ground, flooded, before, pipe, sea)
    held = run_case(ground, flooded, pipe, sea)
    result = run_case(ground, flooded, pipe, sea, tension_N=tension)
    assert tension.min() == pytest.approx(200e3)
    longest = np.argmax(held.spans.length_m)
    begin, end = held.spans.begin[longest], held.spans.end[longest]
    gain = tension[begin:end].max() - 200e3
    extra = lengthening(result.laid.shape, ground.h, begin, end) - lengthening(
        before.shape, ground.h, begin, end
    )
    EA, friction = section(pipe, sea).axial_stiffness_N, 0.5 * flooded.submerged_N_m
    asked = gain * (end - begin) * ground.h / EA + gain**2 / (EA * friction)
    assert gain > 1e3
    assert asked == pytest.approx(extra, rel=0.02)
    assert result.spans.gap_m.max() > held.spans.gap_m.max()  # it hangs higher


def test_sag_tension_saves_a_hot_pipe_from_buckling():
    from corridor.pipe import lay_pipe

    hot = {
        "operating_density_kg_m3": 700.0,
        "temperature_rise_C": 45.0,
        "load_cases": ("as laid", "operating"),
    }
    depth = 80 + np.where(np.abs(X - 400) < 50, 6.0, 0.0)
    stiff = lay_pipe(X, depth, 1.0, a_pipe(**hot), a_sea())
    assert any(
        "operating buckles at KP 0.3" in w or "operating buckles at KP 0.4" in w for w in stiff.warnings
    )
    assert set(stiff.spans["load_case"]) == {"as laid"}
    assert "ok" not in set(stiff.spans["verdict"])
    fed = lay_pipe(X, depth, 1.0, a_pipe(**hot, sag_tension=True), a_sea())
    assert set(fed.spans["load_case"]) == {"as laid", "operating"}
    operating = fed.details["load_case"] == "operating"
    assert (
        fed.details["axial_force_kN"][operating].max()
        > load_case("operating", a_pipe(**hot), a_sea()).axial_force_N / 1e3
    )


def test_berm_volume_is_a_frustum():
    # Prismoidal formula with areas 9, (3 + 2·2.5·1)² = 64 and (3 + 2·2.5·2)² = 169 m² for H = 2 m.
    assert berm_volume_m3(2.0, 3.0, 2.5) == pytest.approx(2 / 6 * (9 + 4 * 64 + 169))
    assert berm_volume_m3(2.0, 3.0, 0.0) == pytest.approx(18.0)
    assert berm_volume_m3(-1.0, 3.0, 2.5) == 0.0


def test_trench_volume():
    # A plough trench about 5 m wide and 2 m deep for a 1 m pipe is common practice, no source:
    # bottom 1 m, sides 1 : 1, top 5 m, section (1 + 5)/2 x 2 = 6 m².
    trench = {"from_kp_km": 0.2, "to_kp_km": 0.7, "depth_m": 2.0, "bottom_m": 1.0, "side_slope": 1.0}
    found = trench_volume_m3(X, np.full(801, 80.0), trench)
    assert found["top_width_m"] == 5.0
    assert found["volume_m3"] == pytest.approx(6 * 500)
    sloping = trench_volume_m3(X, 80 + 0.75 * X, trench)
    assert sloping["length_m"] == pytest.approx(500 * 1.25)
    with pytest.raises(PipeError, match=r"KP 0\.2 to 0\.9 leaves the line"):
        trench_volume_m3(X, np.full(801, 80.0), trench | {"to_kp_km": 0.9})
