"""The whole story on small synthetic profiles, and everything that can be wrong with the input."""

from __future__ import annotations

import doctest
import json

import numpy as np
import pytest

from corridor.errors import Cancelled, PipeError, SettingError
from corridor.model.pipe import SOURCES, Environment, Pipe
from corridor.pipe import CrossedAsset, lay_pipe, study
from corridor.pipe.tables import SPAN_COLUMNS

from .pipe_reference import a_pipe, a_sea

X = np.arange(0.0, 1201.0)
DEPTH = 80 + np.where(np.abs(X - 300) < 20, 2.0, 0.0) + np.where(np.abs(X - 700) < 40, 5.0, 0.0)


@pytest.fixture(scope="module")
def result():
    pipe = a_pipe(operating_density_kg_m3=700.0, internal_overpressure_MPa=2.0, realisations=20)
    return lay_pipe(
        X,
        DEPTH,
        1.0,
        pipe,
        a_sea(current_m_s=0.5),
        crossings=[CrossedAsset("old line", 1000.0, 0.6)],
        tvu_m=np.full(len(X), 0.3),
        min_bend_radius_m=500.0,
    )


def test_span_table_has_the_contracts_columns(result):
    assert tuple(result.spans) == SPAN_COLUMNS
    lengths = {len(column) for column in (*result.spans.values(), *result.details.values())}
    assert len(lengths) == 1


def test_one_row_per_span_and_load_case_and_one_that_governs(result):
    pairs = list(zip(result.spans["span"], result.spans["load_case"], strict=True))
    assert len(set(pairs)) == len(pairs)
    assert set(result.spans["load_case"]) == {"as laid", "flooded", "operating"}
    for span in set(result.spans["span"]):
        assert result.spans["governs"][result.spans["span"] == span].sum() == 1
    starts = result.spans["kp_start_km"][result.spans["governs"]]
    assert (np.diff(starts) > 0).all()


def test_governing_verdict_is_the_gravest(result):
    order = ["ok", "not assessed", "assess", "support"]
    gravity = np.array([order.index(word) for word in result.spans["verdict"]])
    for span in set(result.spans["span"]):
        mine = result.spans["span"] == span
        assert gravity[mine].max() == gravity[mine & result.spans["governs"]][0]
    counts = result.summary["spans"]
    assert sum(counts.values()) == result.spans["governs"].sum() and counts["support"] >= 1


def test_trenches_and_the_crossing_make_the_spans(result):
    laid = result.spans["load_case"] == "as laid"
    middles = 500 * (result.spans["kp_start_km"] + result.spans["kp_end_km"])[laid]
    for place in (300, 700):
        assert np.abs(middles - place).min() < 5
    # Over the 0.9 m hump (0.6 m pipe and 0.3 m separation) the pipe hangs on both sides.
    assert ((middles > 930) & (middles < 1000)).any() and ((middles > 1000) & (middles < 1070)).any()


def test_profile_follows_pipe_and_seabed(result):
    pipe_depth, gap = result.profile["pipe_depth_m"], result.profile["gap_m"]
    assert len(pipe_depth) == len(gap) == len(X)
    laid = result.spans["load_case"] == "as laid"
    assert gap.max() == pytest.approx(result.spans["max_gap_m"][laid].max(), abs=1e-9)
    assert 660 < np.argmax(gap) < 740
    assert pipe_depth[500] == pytest.approx(80.0, abs=0.05) and gap[500] == pytest.approx(0.0, abs=1e-3)
    # The soft seabed gives way under the crossing's crest: some decimetres at 300 kN/m².
    assert 79.1 < pipe_depth[1000] < 79.4


def test_summary_is_plain_data_with_sources(result):
    assert json.loads(json.dumps(result.summary))["supports"] == len(result.supports["support"])
    settings = result.summary["settings"]
    assert settings["onset_factor_inline"] == {"value": 1.4, "source": SOURCES["onset_factor_inline"]}
    assert "memory" in settings["onset_factor_inline"]["source"]
    assert settings["current_m_s"] == {"value": 0.5, "source": "project"}
    for name in ("local buckling", "on-bottom stability", "trawl impact", "scour"):
        assert name in result.summary["not_assessed"]
    assert any("licensed engineer" in caution for caution in result.summary["cautions"])
    weights = {case["load_case"]: case["submerged_N_m"] for case in result.summary["load_cases"]}
    assert weights["as laid"] == pytest.approx(1752.288, abs=1e-3)


def test_every_default_names_its_source():
    for table in (Pipe, Environment):
        for field in table.__dataclass_fields__.values():
            if isinstance(field.default, float) and field.default > 0:
                assert field.name in SOURCES, field.name


def test_lay_radius_stands_in_the_warnings(result):
    assert any("min_bend_radius_m = 500 m" in warning for warning in result.warnings)


def test_probability_is_given_and_between_0_and_1(result):
    probability = result.spans["probability"]
    assert ((probability >= 0) & (probability <= 1)).all()
    longest = np.argmax(result.spans["length_m"])
    assert probability[longest] == 1.0


def test_the_docstrings_example_runs():
    assert doctest.testmod(study) == doctest.TestResults(failed=0, attempted=9)


def test_flat_seabed_has_no_spans():
    flat = lay_pipe(X, np.full(len(X), 300.0), 1.0, a_pipe(), a_sea())
    assert len(flat.spans["span"]) == 0 and flat.summary["spans"]["ok"] == 0
    assert flat.profile["gap_m"] == pytest.approx(np.zeros(len(X)), abs=1e-6)


def test_depth_of_the_datum_does_not_matter():
    pipe, sea = a_pipe(load_cases=("flooded",)), a_sea()
    shallow, deep = (lay_pipe(X, DEPTH + more, 1.0, pipe, sea) for more in (0.0, 3000.0))
    np.testing.assert_allclose(shallow.spans["length_m"], deep.spans["length_m"], rtol=1e-6)
    np.testing.assert_allclose(shallow.spans["max_moment_kNm"], deep.spans["max_moment_kNm"], rtol=1e-6)


def test_line_reversed_gives_the_same_spans():
    pipe, sea = a_pipe(load_cases=("as laid",)), a_sea()
    rough = 80 + 0.5 * np.sin(X / 9) + 0.3 * np.sin(X / 5.3)
    there, back = lay_pipe(X, rough, 1.0, pipe, sea), lay_pipe(X, rough[::-1], 1.0, pipe, sea)
    np.testing.assert_allclose(there.spans["length_m"], back.spans["length_m"][::-1], rtol=1e-5)
    np.testing.assert_allclose(
        there.spans["frequency_inline_hz"], back.spans["frequency_inline_hz"][::-1], rtol=1e-3
    )


def test_coarse_cells_and_holes_are_not_assessed_but_reported():
    cell = np.where(X > 500, 20.0, 1.0)
    depth = DEPTH.copy()
    depth[285:310] = np.nan
    found = lay_pipe(X, depth, cell, a_pipe(), a_sea(current_m_s=0.5))
    assert set(found.spans["verdict"]) == {"not assessed"}
    assert found.spans["seabed_cell_m"].max() == 20.0
    assert np.isnan(found.profile["pipe_depth_m"][285:310]).all()
    assert any("coarser than span_max_cell_m" in warning for warning in found.warnings)
    assert any("holes of the survey" in warning for warning in found.warnings)


def test_progress_is_reported_and_cancels():
    stages = []
    lay_pipe(X, DEPTH, 1.0, a_pipe(), a_sea(), progress=lambda stage, share: stages.append((stage, share)))
    assert {"laying the pipe as laid", "laying the pipe flooded"} <= {stage for stage, _ in stages}
    assert all(0 <= share <= 1 for _, share in stages)

    def stop(stage, share):
        raise Cancelled("enough")

    with pytest.raises(Cancelled):
        lay_pipe(X, DEPTH, 1.0, a_pipe(), a_sea(), progress=stop)


def test_trench_option_is_in_the_summary():
    trench = {"from_kp_km": 0.1, "to_kp_km": 0.2, "depth_m": 2.0, "bottom_m": 1.0, "side_slope": 1.0}
    found = lay_pipe(X, np.full(len(X), 80.0), 1.0, a_pipe(trench=(trench,)), a_sea())
    assert found.summary["trenches"][0]["volume_m3"] == pytest.approx(600.0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"wall_thickness_m": 0.3}, ["wall_thickness_m", "half of outside_diameter_m = 0.508", "0.3"]),
        ({"youngs_modulus_GPa": 0.0}, ["youngs_modulus_GPa must be > 0", "0.0"]),
        (
            {"coating": ({"thickness_m": -0.04, "density_kg_m3": 3040.0},)},
            ["coating 1", "thickness_m", "-0.04"],
        ),
        ({"coating": ({"thickness": 0.04},)}, ["unknown key 'thickness'", "thickness_m is required"]),
        ({"temperature_rise_C": 40.0}, ["operating_density_kg_m3 is required"]),
        ({"load_cases": ("as laid", "as laid")}, ["load_cases", "each once"]),
        ({"load_cases": ("sunk",)}, ["load_cases", "'sunk'"]),
        ({"span_max_slenderness": 300.0}, ["span_max_slenderness must be < onset_slenderness_scale = 250"]),
        ({"yield_strength_MPa": float("nan")}, ["yield_strength_MPa must be a finite number"]),
        ({"trench": ({"from_kp_km": 2.0},)}, ["trench 1", "to_kp_km is required"]),
    ],
)
def test_impossible_sections_are_refused(changes, words):
    with pytest.raises(SettingError) as error:
        a_pipe(**changes)
    assert all(word in str(error.value) for word in words), str(error.value)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"current_m_s": -0.1}, ["current_m_s must be >= 0"]),
        ({"current_m_s": {"depth_m": [10.0, 5.0], "value": [0.1, 0.2]}}, ["depth_m must increase"]),
        ({"current_m_s": {"depth_m": [10.0], "value": [0.1, 0.2]}}, ["depth_m has 1 entries, value has 2"]),
        ({"wave_velocity_m_s": {"value": [0.1]}}, ["either depth_m or kp_km"]),
        ({"wave_velocity_m_s": {"kp_km": [0.0, 1.0], "value": [0.1, -0.1]}}, ["finite and >= 0"]),
        ({"soil_stiffness_static_kN_m2": 0.0}, ["soil_stiffness_static_kN_m2 must be > 0"]),
        ({"seabed_response": "soft"}, ["seabed_response", "elastic, rigid"]),
    ],
)
def test_impossible_environments_are_refused(changes, words):
    with pytest.raises(SettingError) as error:
        a_sea(**changes)
    assert all(word in str(error.value) for word in words), str(error.value)


@pytest.mark.parametrize(
    ("pipe", "sea", "station", "depth", "words"),
    [
        (
            {"coating": (), "wall_thickness_m": 0.01},
            {},
            X,
            DEPTH,
            ["the pipe floats as laid", "N/m", "must be > 0", "wall_thickness_m"],
        ),
        ({"residual_tension_kN": -90000.0}, {}, X, DEPTH, ["as laid buckles at KP", "-90000 kN"]),
        ({}, {}, X[:2], DEPTH[:2], ["at least 3 stations"]),
        ({}, {}, X[:500], DEPTH, ["at least 3 stations", "500", "1201"]),
        ({}, {}, X**1.1, DEPTH, ["increase evenly"]),
        ({}, {}, X[::-1], DEPTH, ["increase evenly"]),
        ({}, {}, X, DEPTH * np.nan, ["no depth at all"]),
        ({}, {}, X, np.where(X == 7, np.inf, DEPTH), ["infinite at station 7.0 m"]),
        ({}, {"current_m_s": {"depth_m": [10.0, 82.0], "value": [0.8, 0.4]}}, X, DEPTH, ["10 to 82 m", "85"]),
        (
            {},
            {"wave_velocity_m_s": {"kp_km": [0.0, 1.0], "value": [0.8, 0.4]}},
            X,
            DEPTH,
            ["0 to 1 km", "1.2"],
        ),
    ],
)
def test_lines_that_cannot_be_laid_are_refused(pipe, sea, station, depth, words):
    with pytest.raises(PipeError) as error:
        lay_pipe(station, depth, 1.0, a_pipe(**({"pipe_step_m": 1.0} | pipe)), a_sea(**sea))
    assert all(word in str(error.value) for word in words), str(error.value)


def test_profile_shorter_than_a_span_is_refused():
    # 31 m in the middle of a bowl between two cliffs: nothing of it is touched.
    x = np.arange(0.0, 31.0)
    bowl = 85 + np.where((x < 1) | (x > 29), -20.0, 0.0)
    with pytest.raises(PipeError, match=r"as laid bridges the whole profile of 28 m .* shorter than a span"):
        lay_pipe(
            x[1:30], bowl[1:30] - 0.2 * (x[1:30] - 15) ** 2, 1.0, a_pipe(), a_sea(seabed_response="rigid")
        )


def test_crossed_assets_off_the_line_and_empty_uncertainty_are_refused():
    with pytest.raises(
        PipeError, match=r"'cable 7' is at station 2000\.0 m, outside the profile of 0\.0 to 1200"
    ):
        lay_pipe(X, DEPTH, 1.0, a_pipe(), a_sea(), crossings=[CrossedAsset("cable 7", 2000.0, 0.1)])
    with pytest.raises(PipeError, match="tvu_m holds no finite value"):
        lay_pipe(X, DEPTH, 1.0, a_pipe(), a_sea(), tvu_m=np.nan)
    with pytest.raises(PipeError, match=r"tvu_m must hold one value per station, 1201 \(got 3\)"):
        lay_pipe(X, DEPTH, 1.0, a_pipe(), a_sea(), tvu_m=np.ones(3))
    with pytest.raises(PipeError, match=r"cell_m must hold one value per station, 1201 \(got 7\)"):
        lay_pipe(X, DEPTH, np.ones(7), a_pipe(), a_sea())
