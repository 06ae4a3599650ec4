"""Soundings into cells: sums that do not depend on order, in one pass.

Depths are counted in whole units of 2**-20 m (1 µm), or of 2**-17 m where they
reach 2 km, so that every sum is one of integers: exact, and the same whatever
the order of the soundings. Sums of squares and of weighted depths may run past
63 bits. They are only used as differences from the mean, and those come out
exact in arithmetic modulo 2**64 as long as the difference itself fits: n s² <
8e6 m² (5e8 m² in the coarser unit) for n soundings of standard deviation s.
Where a cell might exceed that, its spread is NaN.

What makes it fast: a multibeam's soundings come ping after ping, so that a few
hundred cells are in use at a time. Their records are half a cache line each and
stay in the innermost cache. Soundings are taken 256 at a time: their
cells and units are worked out first, in loops the compiler turns into vector
instructions; the second loop does nothing but add to records.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel

DEPTH_UNITS = 2.0**20
"""Units of depth per metre."""

COARSE_UNITS = 2.0**17
"""The same where depths do not fit 32 bits otherwise: beyond 2047 m."""

WEIGHT_UNITS = 2.0**14
"""Units of weight for a weight of one."""

MOST_WEIGHT = 2.0**24
"""A sounding's weight lies between 1 and this many units."""

RECORD = np.dtype(
    [
        ("sum", np.int64),
        ("squares", np.int64),
        ("shoalest", np.int32),
        ("deepest", np.int32),
        ("count", np.uint32),
        ("rejected", np.uint32),
    ]
)
"""What is kept of a cell: half a cache line. Depths in units, squares modulo 2**64."""

_CHUNK = 256
_FAR = 2**31 - 1
_SHIFT = 2.0**52 + 2.0**51
"""Added to a whole number below 2**51 it leaves that number in the lowest bits of the sum (IEEE 754)."""

_SHIFT_BITS = int(np.float64(_SHIFT).view(np.int64))


@kernel
def clear(records):
    """Make records hold nothing."""
    for cell in range(records.size):
        record = records[cell]
        record["sum"] = 0
        record["squares"] = 0
        record["shoalest"] = _FAR
        record["deepest"] = -_FAR
        record["count"] = 0
        record["rejected"] = 0


def empty_records(cells: int) -> np.ndarray:
    """Records (cells,) that hold nothing."""
    records = np.empty(cells, dtype=RECORD)
    clear(records)
    return records


@kernel
def accumulate(
    easting, northing, depth, bad, units_per_metre, west, north, per_metre, row0, col0, cols, records
):
    """Add soundings to the records of the cells of a window they lie in.

    Parameters
    ----------
    easting, northing, depth : array (n,), m
        Every position must lie in the window (see :func:`cells_of`).
    bad : array (n,) or (1,) of bool
        Soundings to count as rejected and leave out.
    units_per_metre : float
        `DEPTH_UNITS`, or `COARSE_UNITS` where those do not fit.
    west, north : float
        Corner of the whole grid, m.
    per_metre : float, cells per metre
    row0, col0, cols : int
        The window's first row and column, and its number of columns.
    records : array (rows * cols,) of `RECORD`, changed in place

    Returns
    -------
    bool
        False where a depth does not fit: the records are worth nothing then.
    """
    some_bad = bad.size > 1
    cell = np.empty(_CHUNK, dtype=np.int64)
    shifted = np.empty(_CHUNK)
    bits = shifted.view(np.int64)
    for first in range(0, depth.size, _CHUNK):
        size = min(_CHUNK, depth.size - first)
        end = first + size
        _locate(easting[first:end], northing[first:end], west, north, per_metre, row0, col0, cols, cell)
        part = depth[first:end]
        for k in range(size):
            shifted[k] = math.floor(part[k] * units_per_metre + 0.5) + _SHIFT
        beyond = np.int64(0)
        for k in range(size):
            bits[k] -= _SHIFT_BITS
            beyond |= (bits[k] + _FAR) >> 32
        # One loop for each case: the usual one has no branch in it.
        if not some_bad:
            if beyond != 0:
                return False
            for k in range(size):
                units = bits[k]
                near = np.int32(units)
                # Unsigned, or every index is also checked for counting from the end; and sums and
                # extremes by turns, or the compiler joins neighbours in pairs, which is slower.
                record = records[np.uint64(cell[k])]
                record["sum"] += units
                record["shoalest"] = min(record["shoalest"], near)
                record["squares"] += units * units
                record["deepest"] = max(record["deepest"], near)
                record["count"] += np.uint32(1)
            continue
        for k in range(size):
            units = bits[k]
            record = records[np.uint64(cell[k])]
            if bad[first + k]:
                record["rejected"] += np.uint32(1)
                continue
            if (units + _FAR) >> 32 != 0:
                return False
            near = np.int32(units)
            record["sum"] += units
            record["shoalest"] = min(record["shoalest"], near)
            record["squares"] += units * units
            record["deepest"] = max(record["deepest"], near)
            record["count"] += np.uint32(1)
    return True


@kernel(inline="always")
def _locate(easting, northing, west, north, per_metre, row0, col0, cols, cell):
    """Cells in the window of some soundings."""
    for k in range(easting.size):
        row = np.int64(np.int32((north - northing[k]) * per_metre) - np.int32(row0))
        col = np.int64(np.int32((easting[k] - west) * per_metre) - np.int32(col0))
        cell[k] = row * cols + col


@kernel
def accumulate_weights(
    easting,
    northing,
    depth,
    uncertainty,
    bad,
    weight_one,
    units_per_metre,
    west,
    north,
    per_metre,
    row0,
    col0,
    cols,
    weights,
):
    """Add the weights ``(weight_one / uncertainty)**2`` and weighted depths of soundings.

    Parameters
    ----------
    uncertainty : array (n,), m, > 0
    weight_one : float, m
        The uncertainty that has a weight of one.
    weights : array (rows * cols, 2) of int64, changed in place
        Sum of weights, sum of weighted depths modulo 2**64, in units.

    Other parameters are those of :func:`accumulate`.
    """
    some_bad = bad.size > 1
    cell = np.empty(_CHUNK, dtype=np.int64)
    for first in range(0, depth.size, _CHUNK):
        size = min(_CHUNK, depth.size - first)
        end = first + size
        _locate(easting[first:end], northing[first:end], west, north, per_metre, row0, col0, cols, cell)
        for k in range(size):
            i = first + k
            if some_bad and bad[i]:
                continue
            units = np.int64(math.floor(depth[i] * units_per_metre + 0.5))
            ratio = weight_one / uncertainty[i]
            weight = np.int64(min(max(ratio * ratio * WEIGHT_UNITS, 1.0), MOST_WEIGHT))
            at = np.uint64(cell[k])
            weights[at, 0] += weight
            weights[at, 1] += weight * units


@kernel
def finish(records, units_per_metre, mean, shoalest, deepest, spread):
    """Turn records into metres; NaN where a cell holds nothing (spread: below two soundings).

    Parameters
    ----------
    records : array (cells,) of `RECORD`
    units_per_metre : float, as accumulated
    mean, shoalest, deepest, spread : array (cells,) of float, written
        `spread` is the standard deviation with n - 1.
    """
    metre = 1.0 / units_per_metre  # a power of two: multiplying by it rounds nothing
    for cell in range(records.size):
        record = records[cell]
        n = np.int64(record["count"])
        if n == 0:
            mean[cell] = shoalest[cell] = deepest[cell] = spread[cell] = math.nan
            continue
        share = 1.0 / n
        units = record["sum"] * share
        mean[cell] = units * metre
        shoalest[cell] = record["shoalest"] * metre
        deepest[cell] = record["deepest"] * metre
        # Any whole number near the mean will do as the centre: the rest is exact.
        centre = np.int64(units)
        reach = float(record["deepest"]) - float(record["shoalest"])
        # No sum of squares about a mean exceeds n range² / 4 (T. Popoviciu 1935, from memory).
        if n > 1 and 0.25 * n * reach * reach < 2.0**62.9:
            square = record["squares"] - 2 * centre * record["sum"] + n * centre * centre
            beyond = float(record["sum"] - n * centre)
            spread[cell] = math.sqrt(max(square - beyond * beyond * share, 0.0) / (n - 1)) * metre
        else:
            spread[cell] = math.nan


@kernel
def finish_weights(records, weights, units_per_metre, weighted, weight):
    """Weighted means, m, and the sums of weights, in units of one; NaN where there is no weighted mean.

    Parameters
    ----------
    records, weights : as accumulated from the same soundings
    units_per_metre : float, as accumulated
    weighted, weight : array (cells,) of float, written
    """
    for cell in range(records.size):
        record = records[cell]
        n = np.int64(record["count"])
        weight[cell] = weights[cell, 0] / WEIGHT_UNITS
        weighted[cell] = math.nan
        if n == 0:
            continue
        reach = float(record["deepest"]) - float(record["shoalest"])
        if weights[cell, 0] * reach < 2.0**62.9:
            centre = np.int64(record["sum"] / n)
            beyond = weights[cell, 1] - weights[cell, 0] * centre
            weighted[cell] = (centre + beyond / weights[cell, 0]) / units_per_metre


@kernel
def cells_of(easting, northing, west, north, per_metre, row0, col0, rows, cols, cell):
    """Cell of each sounding in a window of the grid; -1 outside it.

    The position is always taken from the corner of the whole grid, so that
    neighbouring windows agree to the last bit on whose a sounding is.
    """
    for i in range(easting.size):
        row = np.int64(math.floor((north - northing[i]) * per_metre)) - row0
        col = np.int64(math.floor((easting[i] - west) * per_metre)) - col0
        cell[i] = row * cols + col if 0 <= row < rows and 0 <= col < cols else -1


@kernel
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


@kernel
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


@kernel
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


@kernel
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
