"""Soundings into cells: sums that do not depend on order, in one pass.

Depths are counted in whole units of 2**-20 m (1 µm), so that every sum is one
of integers: exact, and the same whatever the order of the soundings. Sums of
squares and of weighted depths may run past 63 bits. They are only used as
differences from the mean, and those come out exact in arithmetic modulo 2**64
as long as the difference itself fits: n s² < 8e6 m² for n soundings of standard
deviation s. Where a cell might exceed that, its spread is NaN.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

DEPTH_UNITS = 2.0**20
"""Units of depth per metre."""

WEIGHT_UNITS = 2.0**14
"""Units of weight for a weight of one."""

MOST_WEIGHT = 2.0**24
"""A sounding's weight lies between 1 and this many units."""

COUNT, SUM, SQUARES, SHOALEST, DEEPEST, WEIGHT, WEIGHTED, REJECTED = range(8)
"""Columns of a record: eight integers, one cache line."""

_FAR = 2**62


@njit(cache=True, nogil=True)
def empty_records(cells):
    """Records (cells, 8) that hold nothing."""
    records = np.zeros((cells, 8), dtype=np.int64)
    records[:, SHOALEST] = _FAR
    records[:, DEEPEST] = -_FAR
    return records


@njit(cache=True, nogil=True)
def accumulate(
    easting, northing, depth, uncertainty, bad, weight_one, west, north, per_metre, row0, col0, cols, records
):
    """Add soundings to the records of the cells of a window they lie in.

    Parameters
    ----------
    easting, northing, depth : array (n,), m
        Every position must lie in the window (see :func:`cells_of`).
    uncertainty : array (n,) or (1,), m, > 0
        Weights are ``(weight_one / uncertainty)**2``; a single value means equal weights.
    bad : array (n,) or (1,) of bool
        Soundings to count as rejected and leave out.
    weight_one : float, m
        The uncertainty that has a weight of one.
    west, north : float
        Corner of the whole grid, m.
    per_metre : float, cells per metre
    row0, col0, cols : int
        The window's first row and column, and its number of columns.
    records : array (rows * cols, 8) of int64, changed in place
    """
    # One loop for each case, and the sums written out in both: this way the compiler leaves the
    # eight integers of a record alone. Shared code made it join them in pairs, three times slower.
    some_bad = bad.size > 1
    first = row0 * cols + col0
    if uncertainty.size > 1:
        for i in range(depth.size):
            row = np.int64((north - northing[i]) * per_metre)
            record = records[row * cols + np.int64((easting[i] - west) * per_metre) - first]
            if some_bad and bad[i]:
                record[REJECTED] += 1
                continue
            units = np.int64(math.floor(depth[i] * DEPTH_UNITS + 0.5))
            ratio = weight_one / uncertainty[i]
            weight = np.int64(min(max(ratio * ratio * WEIGHT_UNITS, 1.0), MOST_WEIGHT))
            record[COUNT] += 1
            record[SUM] += units
            record[SQUARES] += units * units
            record[SHOALEST] = min(record[SHOALEST], units)
            record[DEEPEST] = max(record[DEEPEST], units)
            record[WEIGHT] += weight
            record[WEIGHTED] += weight * units
    else:
        for i in range(depth.size):
            row = np.int64((north - northing[i]) * per_metre)
            record = records[row * cols + np.int64((easting[i] - west) * per_metre) - first]
            if some_bad and bad[i]:
                record[REJECTED] += 1
                continue
            units = np.int64(math.floor(depth[i] * DEPTH_UNITS + 0.5))
            record[COUNT] += 1
            record[SUM] += units
            record[SQUARES] += units * units
            record[SHOALEST] = min(record[SHOALEST], units)
            record[DEEPEST] = max(record[DEEPEST], units)


@njit(cache=True, nogil=True)
def finish(records, mean, weighted, shoalest, deepest, spread, weight):
    """Turn records into metres; NaN where a cell holds nothing (spread: below two soundings).

    Parameters
    ----------
    records : array (cells, 8) of int64
    mean, weighted, shoalest, deepest, spread, weight : array (cells,) of float, written
        `spread` is the standard deviation with n - 1; `weight` the sum of the
        weights, in units of one.
    """
    metre = 1.0 / DEPTH_UNITS  # a power of two: multiplying by it rounds nothing
    for cell in range(records.shape[0]):
        record = records[cell]
        n = record[COUNT]
        equal = record[WEIGHT] == 0
        weight[cell] = n if equal else record[WEIGHT] / WEIGHT_UNITS
        if n == 0:
            mean[cell] = weighted[cell] = shoalest[cell] = deepest[cell] = spread[cell] = math.nan
            continue
        units = record[SUM] / n
        mean[cell] = units * metre
        shoalest[cell] = record[SHOALEST] * metre
        deepest[cell] = record[DEEPEST] * metre
        # Any whole number near the mean will do as the centre: the rest is exact.
        centre = np.int64(units)
        reach = float(record[DEEPEST] - record[SHOALEST])
        # No sum of squares about a mean exceeds n range² / 4 (T. Popoviciu 1935, from memory).
        if n > 1 and 0.25 * n * reach * reach < 2.0**62.9:
            square = record[SQUARES] - 2 * centre * record[SUM] + n * centre * centre
            beyond = float(record[SUM] - n * centre)
            spread[cell] = math.sqrt(max(square - beyond * beyond / n, 0.0) / (n - 1)) * metre
        else:
            spread[cell] = math.nan
        if equal:
            weighted[cell] = mean[cell]
        elif record[WEIGHT] * reach < 2.0**62.9:
            beyond = record[WEIGHTED] - record[WEIGHT] * centre
            weighted[cell] = (centre + beyond / record[WEIGHT]) * metre
        else:
            weighted[cell] = math.nan


@njit(cache=True, nogil=True)
def cells_of(easting, northing, west, north, per_metre, row0, col0, rows, cols, cell):
    """Cell of each sounding in a window of the grid; -1 outside it.

    The position is always taken from the corner of the whole grid, so that
    neighbouring windows agree to the last bit on whose a sounding is.
    """
    for i in range(easting.size):
        row = np.int64(math.floor((north - northing[i]) * per_metre)) - row0
        col = np.int64(math.floor((easting[i] - west) * per_metre)) - col0
        cell[i] = row * cols + col if 0 <= row < rows and 0 <= col < cols else -1


@njit(cache=True, nogil=True)
def order_by_cell(cell, cells):
    """Counting sort.

    Returns
    -------
    start : array (cells + 1,) of int64
        Soundings of cell k are ``order[start[k]:start[k + 1]]``.
    order : array of int64
        Indices of the soundings that lie in a cell, in their own order within each.
    """
    start = np.zeros(cells + 2, dtype=np.int64)
    for i in range(cell.size):
        if cell[i] >= 0:
            start[cell[i] + 2] += 1
    for k in range(2, cells + 2):
        start[k] += start[k - 1]
    order = np.empty(start[cells + 1], dtype=np.int64)
    for i in range(cell.size):
        if cell[i] >= 0:
            order[start[cell[i] + 1]] = i
            start[cell[i] + 1] += 1
    return start[: cells + 1], order


@njit(cache=True, nogil=True)
def select(values, count, k):
    """The k-th smallest (from 0) of ``values[:count]``, which is reordered (Hoare's selection)."""
    low = 0
    high = count - 1
    while low < high:
        pivot = values[(low + high) >> 1]
        i = low
        j = high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return values[k]


@njit(cache=True, nogil=True)
def median(values, count):
    """Median of ``values[:count]``, which is reordered; the mean of the middle two of an even number."""
    if count == 0:
        return math.nan
    upper = select(values, count, count >> 1)
    if count & 1:
        return upper
    lower = values[0]
    for i in range(1, count >> 1):
        lower = max(lower, values[i])
    return 0.5 * (lower + upper)


@njit(cache=True, nogil=True)
def cell_medians(depth, bad, start, order, medians):
    """Median depth of each cell's accepted soundings; NaN where it has none."""
    largest = 1
    for k in range(medians.size):
        largest = max(largest, start[k + 1] - start[k])
    values = np.empty(largest)
    for k in range(medians.size):
        count = 0
        for p in range(start[k], start[k + 1]):
            if not bad[order[p]]:
                values[count] = depth[order[p]]
                count += 1
        medians[k] = median(values, count)
