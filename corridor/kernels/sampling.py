"""Bilinear lookups in a raster of depths."""

from __future__ import annotations

import math

from corridor.compiled import kernel

SNAP = 1e-6
"""Share of a cell within which a position counts as level with a centre: it then needs no neighbour there."""


@kernel
def bilinear(depth, west, north, cell, e, n):
    """Depth at one position between the centres of four cells; NaN where one that counts has no data."""
    u = (e - west) / cell - 0.5
    v = (north - n) / cell - 0.5
    if not (u > -1.0 and v > -1.0 and u < depth.shape[1] and v < depth.shape[0]):
        return math.nan
    col = math.floor(u)
    row = math.floor(v)
    fu = u - col
    fv = v - row
    if fu < SNAP:
        fu = 0.0
    elif fu > 1.0 - SNAP:
        fu = 1.0
    if fv < SNAP:
        fv = 0.0
    elif fv > 1.0 - SNAP:
        fv = 1.0
    total = 0.0
    for dr in range(2):
        wv = fv if dr == 1 else 1.0 - fv
        if wv == 0.0:
            continue
        r = row + dr
        for dc in range(2):
            wu = fu if dc == 1 else 1.0 - fu
            if wu == 0.0:
                continue
            c = col + dc
            if r < 0 or c < 0 or r >= depth.shape[0] or c >= depth.shape[1]:
                return math.nan
            total += wu * wv * depth[r, c]
    return total


@kernel
def fill_depth(depth, west, north, cell, index, easting, northing, out, source):
    """Write the depth of surface `index` and its number wherever `out` still holds NaN."""
    for p in range(len(easting)):
        if math.isnan(out[p]):
            value = bilinear(depth, west, north, cell, easting[p], northing[p])
            if not math.isnan(value):
                out[p] = value
                source[p] = index


@kernel
def fill_slopes(depth, west, north, cell, easting, northing, bearing, baseline, along, across):
    """Write the tangents of this surface wherever both ends of the baseline lie on it and none is known."""
    half = 0.5 * baseline
    # A baseline about a position further off than this does not meet the surface at all.
    least_e, most_e = west - half, west + depth.shape[1] * cell + half
    least_n, most_n = north - depth.shape[0] * cell - half, north + half
    for p in range(len(easting)):
        e = easting[p]
        n = northing[p]
        if e < least_e or e > most_e or n < least_n or n > most_n:
            continue
        if not (math.isnan(along[p]) or math.isnan(across[p])):
            continue
        te = half * math.sin(bearing[p])
        tn = half * math.cos(bearing[p])
        if math.isnan(along[p]):
            behind = bilinear(depth, west, north, cell, e - te, n - tn)
            ahead = bilinear(depth, west, north, cell, e + te, n + tn)
            along[p] = (behind - ahead) / baseline
        if math.isnan(across[p]):
            left = bilinear(depth, west, north, cell, e - tn, n + te)
            right = bilinear(depth, west, north, cell, e + tn, n - te)
            across[p] = (left - right) / baseline
