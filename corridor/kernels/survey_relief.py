"""A robust surface under the relief, and what stands out of it."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.binning import median

LEAST_SHARE = 0.15
"""Share of a window's samples that must hold data for it to say anything."""


@kernel
def _median_slope(samples, side, across, values):
    """Median difference per step between samples half a window apart, along rows or (across) columns.

    Where the survey's edge leaves too few such pairs, closer ones are taken.
    """
    lag = side // 2
    while lag > 0:
        count = 0
        for a in range(side - lag):
            for b in range(side):
                if across:
                    difference = samples[b, a + lag] - samples[b, a]
                else:
                    difference = samples[a + lag, b] - samples[a, b]
                if not math.isnan(difference):
                    values[count] = difference / lag
                    count += 1
        if count > side:
            return median(values, count)
        lag //= 2
    return 0.0


@kernel
def local_planes(depth, half, stride, step, row0, planes):
    """Robust planes on a lattice of nodes: median depth after the median slopes are taken off.

    Parameters
    ----------
    depth : array (rows, cols), m, NaN where there is none
    half : int
        Samples on each side of a node; a window has (2 half + 1)**2 of them.
    stride : int, cells between samples
    step : int, cells between nodes; node (i, j) stands at cell (row0 + i step, j step)
    row0 : int, row of the first node
    planes : array (nodes down, nodes across, 3), written
        Depth at the node (m), slope east and south (m per cell); NaN where
        too few samples hold data.
    """
    side = 2 * half + 1
    samples = np.empty((side, side))
    values = np.empty(side * side)
    rows, cols = depth.shape
    for i in range(planes.shape[0]):
        for j in range(planes.shape[1]):
            found = 0
            for a in range(side):
                r = row0 + i * step + (a - half) * stride
                for b in range(side):
                    c = j * step + (b - half) * stride
                    samples[a, b] = depth[r, c] if 0 <= r < rows and 0 <= c < cols else math.nan
                    if not math.isnan(samples[a, b]):
                        found += 1
            if found < LEAST_SHARE * side * side:
                planes[i, j, 0] = planes[i, j, 1] = planes[i, j, 2] = math.nan
                continue
            east = _median_slope(samples, side, True, values)
            south = _median_slope(samples, side, False, values)
            count = 0
            for a in range(side):
                for b in range(side):
                    if not math.isnan(samples[a, b]):
                        values[count] = samples[a, b] - east * (b - half) - south * (a - half)
                        count += 1
            planes[i, j, 0] = median(values, count)
            planes[i, j, 1] = east / stride
            planes[i, j, 2] = south / stride


@kernel
def background(planes, step, row0, out):
    """Depth of the surface made of the planes around each cell, blended bilinearly.

    Parameters
    ----------
    planes, step : from :func:`local_planes`
    row0 : int, row of the raster that ``out[0]`` stands for
    out : array (rows, cols), m, written; NaN where no plane is near
    """
    down, across = planes.shape[0], planes.shape[1]
    for k in range(out.shape[0]):
        r = k + row0
        i0 = min(r // step, down - 1)
        fr = r / step - i0
        for c in range(out.shape[1]):
            j0 = min(c // step, across - 1)
            fc = c / step - j0
            total = 0.0
            value = 0.0
            for di in range(2):
                for dj in range(2):
                    i = i0 + di
                    j = j0 + dj
                    weight = (fr if di else 1.0 - fr) * (fc if dj else 1.0 - fc)
                    if i >= down or j >= across or weight <= 0.0 or math.isnan(planes[i, j, 0]):
                        continue
                    plane = planes[i, j]
                    value += weight * (plane[0] + plane[1] * (c - j * step) + plane[2] * (r - i * step))
                    total += weight
            out[k, c] = value / total if total > 0.0 else math.nan
