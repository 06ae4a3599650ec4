"""Outliers among soundings, and differences between survey lines."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.binning import DEPTH_UNITS, median

MAD_TO_SIGMA = 1.4826
"""Median absolute deviation of a normal distribution to its standard deviation: 1 / 0.67449 (exact form)."""

FEWEST = 4
"""Soundings a neighbourhood must hold before one of them can be called an outlier."""


@kernel
def _neighbour_slope(medians, row, col, rows, cols, values, step_row, step_col):
    """Median step between neighbouring cells' medians along one axis of a 3 x 3 window; 0 without pairs."""
    count = 0
    for r in range(max(row - 1, 0), min(row + 2, rows) - step_row):
        for c in range(max(col - 1, 0), min(col + 2, cols) - step_col):
            difference = medians[(r + step_row) * cols + c + step_col] - medians[r * cols + c]
            if not math.isnan(difference):
                values[count] = difference
                count += 1
    return median(values, count) if count > 0 else 0.0


@kernel
def flag_outliers(
    u, v, depth, start, order, medians, shoalest, deepest, rows, cols, floor_a, floor_b, factor, support, bad
):
    """Flag soundings that nothing around them bears out.

    A sounding is an outlier when, after the robust slope of its 3 x 3 cells is
    taken off, it lies farther from their median than
    ``max(factor * 1.4826 * MAD, sqrt(floor_a**2 + (floor_b * depth)**2))`` and
    fewer than `support` other soundings of these cells lie within that distance
    of it.

    Parameters
    ----------
    u, v : array (n,)
        Position in cells, east and south, from the window's corner.
    depth : array (n,), m
    start, order : from :func:`corridor.kernels.binning.order_by_cell`
    medians, shoalest, deepest : array (rows * cols,), m
        Of all soundings of a cell; NaN where it has none.
    bad : array (n,) of bool, written
    """
    slopes = np.empty(6)
    pool = np.empty(64)
    away = np.empty(64)
    index = np.empty(64, dtype=np.int64)
    for row in range(rows):
        for col in range(cols):
            cell = row * cols + col
            if start[cell + 1] == start[cell]:
                continue
            floor = math.hypot(floor_a, floor_b * medians[cell])
            low = math.inf
            high = -math.inf
            total = 0
            for r in range(max(row - 1, 0), min(row + 2, rows)):
                for c in range(max(col - 1, 0), min(col + 2, cols)):
                    k = r * cols + c
                    total += start[k + 1] - start[k]
                    if start[k + 1] > start[k]:
                        low = min(low, shoalest[k])
                        high = max(high, deepest[k])
            if total < FEWEST or high - low <= floor:
                continue
            if pool.size < total:
                pool = np.empty(2 * total)
                away = np.empty(2 * total)
                index = np.empty(2 * total, dtype=np.int64)
            east = _neighbour_slope(medians, row, col, rows, cols, slopes, 0, 1)
            south = _neighbour_slope(medians, row, col, rows, cols, slopes, 1, 0)
            count = 0
            first = 0
            for r in range(max(row - 1, 0), min(row + 2, rows)):
                for c in range(max(col - 1, 0), min(col + 2, cols)):
                    if r == row and c == col:
                        first = count
                    for p in range(start[r * cols + c], start[r * cols + c + 1]):
                        i = order[p]
                        pool[count] = depth[i] - east * (u[i] - col - 0.5) - south * (v[i] - row - 0.5)
                        index[count] = i
                        count += 1
            away[:count] = pool[:count]
            centre = median(away, count)
            for j in range(count):
                away[j] = abs(pool[j] - centre)
            tolerance = max(factor * MAD_TO_SIGMA * median(away, count), floor)
            for j in range(first, first + start[cell + 1] - start[cell]):
                if abs(pool[j] - centre) > tolerance:
                    near = -1
                    for other in range(count):
                        if abs(pool[other] - pool[j]) <= tolerance:
                            near += 1
                            if near >= support:
                                break
                    bad[index[j]] = near < support


@kernel
def compare_lines(
    depth, line, bad, start, order, inner, sums, counts, passes, difference, table, histogram, bin_m
):
    """Compare each line's mean in a cell with the mean of the other lines' means there.

    Parameters
    ----------
    depth, line, bad : array (n,)
    start, order : soundings by cell
    inner : array (cells,) of bool
        Cells to count (a window's rim is counted by its neighbour).
    sums, counts : array (lines,) of int64, zeros; left as zeros
    passes : array (cells,) of uint8, written
        Lines that a cell holds.
    difference : array (cells,), m, written
        Largest difference between two lines' means; NaN below two lines.
    table : array (lines, 2) of int64, added to
        Cells compared, sum of differences (line minus others) in units of depth.
    histogram : array (lines, bins) of int64, added to
        Absolute differences in bins of `bin_m`; the last bin takes the rest.
    """
    touched = np.empty(sums.size, dtype=np.int64)
    for cell in range(passes.size):
        if not inner[cell]:
            continue
        lines = 0
        for p in range(start[cell], start[cell + 1]):
            i = order[p]
            if bad[i]:
                continue
            if counts[line[i]] == 0:
                touched[lines] = line[i]
                lines += 1
            counts[line[i]] += 1
            sums[line[i]] += np.int64(math.floor(depth[i] * DEPTH_UNITS + 0.5))
        passes[cell] = min(lines, 255)
        difference[cell] = math.nan
        total = 0.0
        low = math.inf
        high = -math.inf
        for k in range(lines):
            mean = sums[touched[k]] / counts[touched[k]] / DEPTH_UNITS
            total += mean
            low = min(low, mean)
            high = max(high, mean)
        for k in range(lines):
            name = touched[k]
            if lines > 1:
                mean = sums[name] / counts[name] / DEPTH_UNITS
                apart = mean - (total - mean) / (lines - 1)
                table[name, 0] += 1
                table[name, 1] += np.int64(math.floor(apart * DEPTH_UNITS + 0.5))
                histogram[name, min(np.int64(abs(apart) / bin_m), histogram.shape[1] - 1)] += 1
        if lines > 1:
            difference[cell] = high - low
        for k in range(lines):
            sums[touched[k]] = 0
            counts[touched[k]] = 0
