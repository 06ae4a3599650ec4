"""Quality against IHO S-44 edition 6.1.0, table 1: the standard's own figures are the reference."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2

from corridor.kernels.survey_quality import cell_noise, chance_factor
from corridor.model.survey import ORDER_NAMES
from corridor.survey import regions
from corridor.survey.s44 import ORDERS, feature_size_m

from .synthetic import SOUTH, WEST, as_file, settings, soundings, study

# S-44 6.1.0, table 1 and section 3.2: TVU max at 10, 40, 100, 200 and 1000 m.
TVU_MAX = {
    "exclusive": (0.1677, 0.3354, 0.7649, 1.5075, 7.5015),
    "special": (0.2610, 0.3905, 0.7906, 1.5207, 7.5042),
    "1a": (0.5166, 0.7214, 1.3928, 2.6476, 13.0096),
    "1b": (0.5166, 0.7214, 1.3928, 2.6476, 13.0096),
    "2": (1.0261, 1.3588, 2.5080, 4.7074, 23.0217),
}


@pytest.mark.parametrize("order", ORDER_NAMES)
def test_tvu_is_that_of_the_standard(order):
    np.testing.assert_allclose(
        ORDERS[order].tvu.at(np.array([10, 40, 100, 200, 1000])), TVU_MAX[order], atol=5e-5
    )


def test_thu_coverage_search_and_features_are_those_of_the_standard():
    # S-44 6.1.0, table 1.
    assert [float(ORDERS[o].thu_at(100.0)) for o in ORDER_NAMES] == [30.0, 10.0, 10.0, 2.0, 1.0]
    assert [ORDERS[o].search_percent for o in ORDER_NAMES] == [0.0, 0.0, 100.0, 100.0, 200.0]
    assert [ORDERS[o].coverage_percent for o in ("2", "1b", "special", "exclusive")] == [
        5.0,
        5.0,
        100.0,
        200.0,
    ]
    np.testing.assert_allclose(ORDERS["1a"].feature_at([10.0, 40.0, 41.0, 100.0]), [2.0, 2.0, 4.1, 10.0])
    assert (float(ORDERS["special"].feature_at(90.0)), float(ORDERS["exclusive"].feature_at(90.0))) == (
        1.0,
        0.5,
    )
    assert math.isnan(float(ORDERS["2"].feature_at(20.0)))
    assert float(feature_size_m("1b", 20.0)) == 2.0  # no requirement of its own: order 1a's


@pytest.mark.parametrize("n", [3, 5, 10, 30, 300])
def test_allowance_for_chance_is_the_chi_square_quantile(n):
    exact = math.sqrt(chi2.ppf(0.95, n - 1) / (n - 1))  # scipy is the reference
    assert chance_factor(n) == pytest.approx(exact, rel=0.01)


def test_the_share_of_the_slope_is_taken_off_the_spread():
    """Soundings all over square cells of a plane, without noise: what remains is nothing."""
    rng = np.random.default_rng(0)
    rows, cols, per_cell = 12, 12, 4000
    col, row = rng.random((2, rows, cols, per_cell))
    depth = (
        50.0 + 0.4 * (np.arange(cols)[None, :, None] + col) - 0.25 * (np.arange(rows)[:, None, None] + row)
    )
    noise = np.empty((rows, cols))
    state, count = np.ones((rows, cols), np.uint8), np.full((rows, cols), per_cell, np.uint32)
    cell_noise(depth.mean(axis=2), depth.std(axis=2, ddof=1), count, state, noise)
    assert depth.std(axis=2).min() > 0.13 and noise.max() < 0.035
    cell_noise(depth.mean(axis=2), np.hypot(depth.std(axis=2, ddof=1), 0.2), count, state, noise)
    np.testing.assert_allclose(noise, 0.2, atol=0.01)


def check(result, order, criterion):
    found = next(r for r in result.quality.orders if r.order == order)
    return next(c for c in found.checks if c.criterion == criterion)


@pytest.mark.parametrize("seed", range(3))
def test_noise_decides_which_order_is_met(seed):
    """At 36 m, TVU: exclusive 0.309, special 0.368, 1a 0.684, 2 1.297 m. 1.96 x 0.25 = 0.49 lies between."""
    easting, northing, depth, line = soundings(seed, noise=0.25)
    result = study([as_file(easting, northing, depth, line)])
    spread = "spread of soundings within TVU"
    assert check(result, "special", spread).ok is False and check(result, "1a", spread).ok is True
    assert check(result, "1a", spread).value > 99.0


def test_a_good_survey_meets_its_order_and_says_what_keeps_it_from_the_next():
    easting, northing, depth, line = soundings(1, step=0.28)  # 13 a m²
    quality = study([as_file(easting, northing, depth, line)], settings(order="special")).quality
    assert quality.ok and quality.order_met == "special" and quality.next_order == "exclusive"
    assert quality.coverage_percent > 99.9
    # 60 m swaths every 40 m overlap on half of the ground at most: not twice over.
    assert [c.criterion for c in quality.holds_back] == ["coverage twice over", "soundings on a feature"]


def test_failing_the_order_is_reported():
    easting, northing, depth, line = soundings(2, step=0.6)  # 2.8 a m²: 11 on a 2 m cube, not on one of 1 m
    quality = study([as_file(easting, northing, depth, line)], settings(order="special", cell_m=2.0)).quality
    assert not quality.ok and quality.order_met == "1a"
    assert [c.criterion for c in quality.holds_back] == ["soundings on a feature"]


def test_undeclared_figures_are_not_assessed():
    easting, northing, depth, _ = soundings(3, step=1.0)
    result = study([as_file(easting, northing, depth)], settings(uncertainty=None))
    for criterion in (
        "declared uncertainty within TVU",
        "position uncertainty within THU",
        "agreement between lines",
    ):
        found = check(result, "1a", criterion)
        assert found.ok is None and found.detail.startswith("not assessed")
    assert "taken as the TVU of order 1a" in result.surface.uncertainty_note
    declared = study([as_file(easting, northing, depth)], settings(position_uncertainty_m=3.0))
    assert check(declared, "1a", "position uncertainty within THU").ok is True
    assert check(declared, "special", "position uncertainty within THU").ok is False


def test_declared_uncertainty_is_held_against_the_order():
    easting, northing, depth, _ = soundings(3, step=1.0)
    result = study([as_file(easting, northing, depth)], settings(uncertainty={"a_m": 0.5, "b": 0.0}))
    criterion = "declared uncertainty within TVU"
    assert check(result, "1a", criterion).ok is True and check(result, "special", criterion).ok is False


@pytest.mark.parametrize("seed", range(3))
def test_a_line_with_a_bias_is_found_by_name_and_size(seed):
    easting, northing, depth, line = soundings(seed)
    depth = depth + np.where(line == 2, 0.30, 0.0)
    result = study([as_file(easting, northing, depth, line)])
    by_name = {item.name: item for item in result.quality.lines}
    # Cells shared by three lines do not occur: line 2 differs from its neighbours by all of its bias.
    assert by_name["line 2"].bias_m == pytest.approx(0.30, abs=0.02)
    assert by_name["line 4"].bias_m == pytest.approx(0.0, abs=0.02)
    assert max(by_name.values(), key=lambda item: abs(item.bias_m)).name == "line 2"
    shared = result.surface.passes >= 2
    np.testing.assert_array_equal(np.isfinite(result.surface.line_difference_m), shared)


def test_overlap_with_the_existing_seabed_gives_bias_and_tilt_back():
    easting, northing, depth, _ = soundings(4)
    tilt = 0.0005 * (easting - WEST - 210.0)
    result = study([as_file(easting, northing, depth + 0.07 + tilt)])
    overlap = result.quality.overlap
    assert overlap.bias_m == pytest.approx(0.07, abs=0.005)
    assert overlap.share_within_combined > 0.9
    columns = np.nanmean(np.where(result.surface.measured, result.change_m, np.nan), axis=0)
    east, _ = result.surface.grid.centres()
    assert np.polyfit(east, columns, 1)[0] == pytest.approx(0.0005, abs=2e-5)


def test_holes_are_found_with_their_area():
    easting, northing, depth, _ = soundings(5)
    hole = (np.abs(easting - WEST - 210.0) < 10.0) & (np.abs(northing - SOUTH - 190.0) < 15.0)
    result = study([as_file(easting[~hole], northing[~hole], depth[~hole])])
    largest = result.quality.holes[0]
    assert largest.area_m2 == pytest.approx(20.0 * 30.0, rel=0.15)
    assert largest.geometry.area == pytest.approx(largest.area_m2) and largest.geometry.is_valid
    assert (largest.easting_m, largest.northing_m) == pytest.approx((WEST + 210.0, SOUTH + 190.0), abs=1.0)
    assert check(result, "1a", "coverage").ok is False and result.quality.order_met == "1b"


def test_the_outline_closes_gaps_and_nothing_else():
    measured = np.zeros((40, 60), dtype=bool)
    measured[5:35, 5:25] = measured[5:35, 30:55] = True  # two patches, 5 cells apart
    wide, narrow = regions.outline(measured, 12), regions.outline(measured, 2)
    assert wide[7:33, 25:30].all() and not narrow[5:35, 25:30].any()
    for closed in (wide, narrow):
        assert closed[measured].all() and not closed[:5].any() and not closed[:, 55:].any()
    measured[5:7, 12] = measured[20, 15] = False  # a notch in the edge, and a hole
    outline = regions.outline(measured, 2)
    assert not outline[5:7, 12].any() and outline[20, 15]


def test_a_survey_that_came_as_a_grid_is_not_judged_by_counts():
    import dataclasses

    east, north = WEST + np.arange(100.5, 180.0), SOUTH + np.arange(100.5, 180.0)
    e, n = (a.ravel() for a in np.meshgrid(east, north))
    from .synthetic import ground

    file = as_file(e, n, ground(e, n))
    grid = dataclasses.replace(file, kind="grid", cell_m=1.0, anchor_m=(WEST, SOUTH))
    result = study([grid], settings(cell_m=None))
    assert result.cell_reason == "1 m, the grid's own" and not result.surface.counted
    np.testing.assert_allclose(result.surface.depth_m, ground(e, n).reshape(80, 80)[::-1], atol=1e-5)
    assert check(result, "1a", "soundings on a feature").ok is None and result.quality.density_per_m2 is None
