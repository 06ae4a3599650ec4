"""Exact crossings between pieces of line and assets (pipelines, cables).

Half-open by sides: a point exactly on an asset counts as lying on its
positive side, so a line that touches an asset without changing sides does not
cross it and one that changes sides crosses it exactly once, also when it does
so in a vertex of either. Only a line that turns in an asset's own vertex may slip
through: assets are therefore moved aside of all centres and corners of cells
(:func:`corridor.terrain.assets.assets_on`).
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel


@kernel
def side(u, v, from_u, from_v, to_u, to_v):
    """True when (u, v) lies on, or to the positive side of, the line through two points."""
    return (to_u - from_u) * (v - from_v) - (to_v - from_v) * (u - from_u) >= 0.0


@kernel
def crosses(u, v, to_u, to_v, a_u, a_v, b_u, b_v):
    """Does the piece (u, v) - (to_u, to_v) cross the segment a - b?

    The piece is taken in one canonical direction, so that a line and its
    reverse cross the same segments.
    """
    if max(u, to_u) < min(a_u, b_u) or max(a_u, b_u) < min(u, to_u):
        return False
    if max(v, to_v) < min(a_v, b_v) or max(a_v, b_v) < min(v, to_v):
        return False
    if to_u < u or (to_u == u and to_v < v):
        u, v, to_u, to_v = to_u, to_v, u, v
    if b_u < a_u or (b_u == a_u and b_v < a_v):
        a_u, a_v, b_u, b_v = b_u, b_v, a_u, a_v
    return side(u, v, a_u, a_v, b_u, b_v) != side(to_u, to_v, a_u, a_v, b_u, b_v) and side(
        a_u, a_v, u, v, to_u, to_v
    ) != side(b_u, b_v, u, v, to_u, to_v)


@kernel
def step_crossings(cells, cols, vectors, segments, asset, near_first, near_segment, fee_m, sin_min, straight):
    """Fees and straights of single steps from the given cells.

    Parameters
    ----------
    cells : array (n,) int64
        Flat indices.
    segments : array (m, 4)
        u1, v1, u2, v2 in cell units.
    asset : array (m,)
    near_first, near_segment : CSR
        Segments near each of `cells`.
    fee_m, sin_min, straight : arrays (assets,)

    Returns
    -------
    fee, need : arrays (n, H)
        See :class:`corridor.kernels.search.Crossings`.
    """
    headings = len(vectors)
    fee = np.zeros((len(cells), headings))
    need = np.zeros((len(cells), headings))
    for i in range(len(cells)):
        row = cells[i] // cols
        u, v = cells[i] - row * cols + 0.5, row + 0.5
        for h in range(headings):
            east, south = vectors[h, 0], vectors[h, 1]
            size = math.hypot(east, south)
            for k in range(near_first[i], near_first[i + 1]):
                s = near_segment[k]
                a_u, a_v, b_u, b_v = segments[s]
                if not crosses(u, v, u + east, v + south, a_u, a_v, b_u, b_v):
                    continue
                length = math.hypot(b_u - a_u, b_v - a_v)
                sine = abs(east * (b_v - a_v) - south * (b_u - a_u)) / (size * length)
                one = asset[s]
                if sine < sin_min[one] - 1e-9:
                    fee[i, h] = math.inf
                fee[i, h] += fee_m[one]
                # A crossing without fee or straight must still be seen as one.
                need[i, h] = max(need[i, h], max(straight[one], 1e-6))
    return fee, need
