"""Noise of a surface, and cells counted against the limits of survey orders."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel

_Z95 = 1.6448536269514722
"""One-sided 95 % point of the normal distribution (exact value, any table)."""

TVU_CELLS, TVU_FAIL, DECLARED_FAIL, FEATURE_CELLS, FEATURE_FAIL = range(5)
"""Columns of the tally."""


@kernel
def cell_noise(depth, spread, count, state, noise):
    """Spread of a cell's soundings without the share of the slope across it, m.

    Soundings spread evenly over a square cell of side c on a plane of
    gradient (gx, gy) have a variance of ``c**2 (gx**2 + gy**2) / 12`` (that of
    a uniform distribution, along each axis).

    Parameters
    ----------
    depth, spread : array (rows, cols), m; count, state : arrays of the same shape
    noise : array (rows, cols), written; NaN below three soundings
    """
    rows, cols = depth.shape
    for row in range(rows):
        for col in range(cols):
            noise[row, col] = math.nan
            if state[row, col] != 1 or count[row, col] < 3 or math.isnan(spread[row, col]):
                continue
            slopes = 0.0
            for dr, dc in ((0, 1), (1, 0)):
                ra, ca, rb, cb = row - dr, col - dc, row + dr, col + dc
                before = ra >= 0 and ca >= 0 and state[ra, ca] == 1
                after = rb < rows and cb < cols and state[rb, cb] == 1
                if before and after:
                    slope = 0.5 * (depth[rb, cb] - depth[ra, ca])
                elif after:
                    slope = depth[rb, cb] - depth[row, col]
                elif before:
                    slope = depth[row, col] - depth[ra, ca]
                else:
                    slope = 0.0
                slopes += slope * slope
            noise[row, col] = math.sqrt(max(spread[row, col] ** 2 - slopes / 12.0, 0.0))


@kernel
def chance_factor(n):
    """What a standard deviation of n soundings may exceed the true one by, in 19 of 20 cases.

    sqrt(chi²(0.95, k) / k) with k = n - 1 by the approximation of E. B. Wilson
    and M. M. Hilferty 1931, PNAS 17 (formula from memory; the tests hold it
    against exact quantiles).
    """
    k = n - 1.0
    share = 2.0 / (9.0 * k)
    return math.sqrt((1.0 - share + _Z95 * math.sqrt(share)) ** 3)


@kernel
def tally_orders(depth, noise, uncertainty, count, state, cell, limits, least, counts):
    """Count measured cells against the limits of several orders.

    Parameters
    ----------
    depth, noise, uncertainty : array (rows, cols), m
    count, state : arrays of the same shape
    cell : float, m
    limits : array (orders, 5)
        TVU a (m) and b, feature size (m, NaN where none), its share of depth,
        the depth beyond which the share counts.
    least : float
        Soundings that must fall on a feature's top.
    counts : array (orders, 5) of int64, added to
    """
    rows, cols = depth.shape
    for row in range(rows):
        for col in range(cols):
            if state[row, col] != 1:
                continue
            d = abs(depth[row, col])
            for order in range(limits.shape[0]):
                tvu = math.hypot(limits[order, 0], limits[order, 1] * d)
                tally = counts[order]
                if not math.isnan(noise[row, col]):
                    tally[TVU_CELLS] += 1
                    if 1.96 * noise[row, col] > tvu * chance_factor(count[row, col]):
                        tally[TVU_FAIL] += 1
                if uncertainty[row, col] > tvu * (1.0 + 1e-6):
                    tally[DECLARED_FAIL] += 1
                feature = limits[order, 3] * d if d > limits[order, 4] else limits[order, 2]
                if math.isnan(feature):
                    continue
                tally[FEATURE_CELLS] += 1
                if _soundings_on(feature / cell, count, row, col) < least:
                    tally[FEATURE_FAIL] += 1


@kernel
def _soundings_on(size, count, row, col):
    """Soundings on a square of `size` cells around a cell, from a window of up to 5 x 5."""
    half = min(max(np.int64(math.floor(0.5 * size)), 0), 2)
    total = 0
    cells = 0
    for r in range(max(row - half, 0), min(row + half + 1, count.shape[0])):
        for c in range(max(col - half, 0), min(col + half + 1, count.shape[1])):
            total += count[r, c]
            cells += 1
    return total / cells * size * size
