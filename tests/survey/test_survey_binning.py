"""The gridding kernels against numpy and scipy, which are the outside reference throughout."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binned_statistic_2d

from corridor.kernels.binning import (
    COARSE_UNITS,
    DEPTH_UNITS,
    accumulate,
    accumulate_weights,
    cell_medians,
    cells_of,
    empty_records,
    finish,
    finish_weights,
    median,
    order_by_cell,
    select,
)

ROWS, COLS, CELL, WEST, NORTH = 23, 31, 2.5, 500.0, 900.0


def cloud(seed: int, count: int = 20_000):
    rng = np.random.default_rng(seed)
    easting = WEST + rng.random(count) * COLS * CELL
    northing = NORTH - rng.random(count) * ROWS * CELL
    depth = 200.0 + rng.normal(0.0, 3.0, count)
    return easting, northing, depth, rng.uniform(0.05, 2.0, count)


def gridded(easting, northing, depth, uncertainty=None, bad=None):
    place = WEST, NORTH, 1.0 / CELL, 0, 0, COLS
    leave_out = np.zeros(1, dtype=bool) if bad is None else bad
    for units in (DEPTH_UNITS, COARSE_UNITS):
        records = empty_records(ROWS * COLS)
        if accumulate(easting, northing, depth, leave_out, units, *place, records):
            break
    figures = {name: np.empty(len(records)) for name in ("mean", "shoalest", "deepest", "spread")}
    finish(records, units, *figures.values())
    if uncertainty is not None:
        weights = np.zeros((len(records), 2), dtype=np.int64)
        accumulate_weights(easting, northing, depth, uncertainty, leave_out, 0.3, units, *place, weights)
        figures |= {"weighted": np.empty(len(records)), "weight": np.empty(len(records))}
        finish_weights(records, weights, units, figures["weighted"], figures["weight"])
        figures["sums"] = weights
    return records, figures


def reference(easting, northing, values, statistic):
    """scipy's bins as rows from the north."""
    edges = [NORTH - CELL * np.arange(ROWS, -1, -1.0), WEST + CELL * np.arange(COLS + 1)]
    return binned_statistic_2d(northing, easting, values, statistic, bins=edges).statistic[::-1].ravel()


@pytest.mark.parametrize("seed", range(3))
def test_statistics_equal_scipy(seed):
    easting, northing, depth, uncertainty = cloud(seed)
    records, figures = gridded(easting, northing, depth, uncertainty)
    np.testing.assert_array_equal(records["count"], reference(easting, northing, depth, "count"))
    # Depths are kept to 2**-20 m, so a mean may be off by half of that and a spread by about as much.
    for name, statistic in (("mean", "mean"), ("shoalest", "min"), ("deepest", "max")):
        np.testing.assert_allclose(figures[name], reference(easting, northing, depth, statistic), atol=1e-6)
    sample_std = reference(easting, northing, depth, lambda v: np.std(v, ddof=1))
    np.testing.assert_allclose(figures["spread"], sample_std, atol=2e-6)


def test_weighted_mean_equals_numpy_average():
    easting, northing, depth, uncertainty = cloud(3)
    _, figures = gridded(easting, northing, depth, uncertainty)
    weight = 1.0 / uncertainty**2
    top = reference(easting, northing, weight * depth, "sum")
    # Weights are whole numbers of 2**-14: one in 300 of the smallest here.
    np.testing.assert_allclose(
        figures["weighted"], top / reference(easting, northing, weight, "sum"), atol=2e-3
    )


def test_medians_equal_numpy():
    easting, northing, depth, _ = cloud(4)
    cell = np.empty(len(depth), dtype=np.int64)
    cells_of(easting, northing, WEST, NORTH, 1.0 / CELL, 0, 0, ROWS, COLS, cell)
    start, order = order_by_cell(cell, ROWS * COLS)
    medians = np.empty(ROWS * COLS)
    cell_medians(depth, np.zeros(len(depth), dtype=bool), start, order, medians)
    np.testing.assert_array_equal(medians, reference(easting, northing, depth, "median"))


def test_sums_do_not_depend_on_the_order_of_soundings():
    easting, northing, depth, uncertainty = cloud(5)
    shuffled = np.random.default_rng(0).permutation(len(depth))
    first, more = gridded(easting, northing, depth, uncertainty)
    second, again = gridded(easting[shuffled], northing[shuffled], depth[shuffled], uncertainty[shuffled])
    np.testing.assert_array_equal(first, second)
    np.testing.assert_array_equal(more["sums"], again["sums"])


def test_parts_add_up_to_the_whole():
    easting, northing, depth, _ = cloud(6)
    whole, _ = gridded(easting, northing, depth)
    records = empty_records(ROWS * COLS)
    for part in (slice(0, 7001), slice(7001, None)):
        assert accumulate(
            easting[part], northing[part], depth[part], np.zeros(1, bool), DEPTH_UNITS, WEST, NORTH,
            1.0 / CELL, 0, 0, COLS, records,
        )  # fmt: skip
    np.testing.assert_array_equal(whole, records)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_depths_that_do_not_fit_are_said_not_to(sign):
    # 2**31 units of 2**-20 m are 2048 m: just below fits, that does not; rejected ones do not count.
    place = np.full(3000, WEST + 1.0), np.full(3000, NORTH - 1.0)
    grid = WEST, NORTH, 1.0 / CELL, 0, 0, COLS
    depth = np.full(3000, sign * 2047.999)
    assert accumulate(*place, depth, np.zeros(1, bool), DEPTH_UNITS, *grid, empty_records(ROWS * COLS))
    depth[2500] = sign * 2048.001
    assert not accumulate(*place, depth, np.zeros(1, bool), DEPTH_UNITS, *grid, empty_records(ROWS * COLS))
    assert accumulate(*place, depth, np.zeros(1, bool), COARSE_UNITS, *grid, empty_records(ROWS * COLS))
    bad = np.arange(3000) == 2500
    assert accumulate(*place, depth, bad, DEPTH_UNITS, *grid, empty_records(ROWS * COLS))
    assert not accumulate(*place, depth, ~bad, DEPTH_UNITS, *grid, empty_records(ROWS * COLS))


def test_deep_and_shoal_in_one_cell():
    rng = np.random.default_rng(10)
    depth = np.concatenate([rng.uniform(-5.0, 40.0, 500), rng.uniform(9000.0, 11_900.0, 500)])
    place = np.full(len(depth), WEST + 1.0), np.full(len(depth), NORTH - 1.0)
    _, figures = gridded(*place, depth)
    for name, value in (("mean", depth.mean()), ("shoalest", depth.min()), ("deepest", depth.max())):
        assert figures[name][0] == pytest.approx(value, abs=4e-6)  # half a unit of 2**-17 m


def test_spread_of_identical_soundings_is_exactly_zero():
    # A float sum of squares would leave some 1e-7 m of rounding at this depth.
    place = np.full(5000, WEST + 1.0), np.full(5000, NORTH - 1.0)
    _, figures = gridded(*place, np.full(5000, 4321.987))
    assert figures["spread"][0] == 0.0


def test_squares_run_past_63_bits_and_still_come_out():
    # 100,000 soundings at 6 km: the sum of squares is near 4e24 units, 400,000 times what an int64 holds.
    rng = np.random.default_rng(7)
    depth = 6000.0 + rng.normal(0.0, 2.0, 100_000)
    place = np.full(len(depth), WEST + 1.0), np.full(len(depth), NORTH - 1.0)
    _, figures = gridded(*place, depth)
    assert figures["spread"][0] == pytest.approx(np.std(depth, ddof=1), abs=1e-6)


def test_a_spread_beyond_the_arithmetic_is_nan_not_wrong():
    depth = np.tile([0.0, 11_000.0], 50_000)
    place = np.full(len(depth), WEST + 1.0), np.full(len(depth), NORTH - 1.0)
    _, figures = gridded(*place, depth)
    assert np.isnan(figures["spread"][0])
    assert figures["mean"][0] == pytest.approx(5500.0, abs=1e-6)


def test_rejected_soundings_are_counted_and_left_out():
    easting, northing, depth, uncertainty = cloud(8)
    bad = np.random.default_rng(1).random(len(depth)) < 0.3
    records, figures = gridded(easting, northing, depth, uncertainty, bad)
    good = ~bad
    np.testing.assert_allclose(
        figures["mean"], reference(easting[good], northing[good], depth[good], "mean"), atol=1e-6
    )
    np.testing.assert_array_equal(
        records["rejected"], reference(easting[bad], northing[bad], depth[bad], "count")
    )


@pytest.mark.parametrize("seed", range(5))
def test_selection_and_median_equal_sorting(seed):
    rng = np.random.default_rng(seed)
    for count in (1, 2, 3, 10, 101, 500):
        values = np.round(rng.normal(size=count), 1)  # many ties
        k = int(rng.integers(count))
        assert select(values.copy(), count, k) == np.sort(values)[k]
        assert median(values.copy(), count) == np.median(values)


def test_windows_share_the_soundings_without_loss_or_doubling():
    easting, northing, _, _ = cloud(9)
    seen = np.zeros(len(easting), dtype=int)
    for row0, rows in ((0, 10), (10, 13)):
        for col0, cols in ((0, 16), (16, 15)):
            cell = np.empty(len(easting), dtype=np.int64)
            cells_of(easting, northing, WEST, NORTH, 1.0 / CELL, row0, col0, rows, cols, cell)
            seen += cell >= 0
    assert (seen == 1).all()
