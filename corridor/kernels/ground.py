"""What a piece of line costs on the gridded ground, and whether it is allowed.

One definition for the search, the fit, the bound and the report:

cost = sum over cells of length * (factor + k_along (g.t)^2 + k_across (g.n)^2)

with t the direction, n the normal to its right, g the gradient of the seabed
(tangents), all in (east, south) components. A piece is refused where the
factor is infinite, where |g.t| or |g.n| exceeds its limit, and where it comes
nearer to an obstruction than the cell's rim record allows.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.stencils import next_border

REFUSED = math.inf
_SLACK = 1e-9
_RIM_SLACK = 1e-6  # stencils are kept in float32
_LIMIT_SLACK = 1.0 + 1e-7  # a plane exactly at the limit passes in float32


class Ground(NamedTuple):
    """The gridded ground as the kernels see it (lengths in cells)."""

    cells: np.ndarray
    """(rows * cols, 4) float32: factor, gradient east, gradient south, record.

    The record is 0 on plain cells, k > 0 for rim record k, and -(k + 1) where an
    asset passes as well (-1: an asset and no rim).
    """
    rim: np.ndarray
    """(n, 3): clearance of the centre, direction of growth (east, south); row 0 unused."""
    rows: int
    cols: int
    tan_along: float
    tan_across: float
    k_along: float
    k_across: float


@kernel(inline="always")
def rim_record(value):
    """The rim record in a cell's fourth value; 0 where there is none."""
    record = int(value)
    return -record - 1 if record < 0 else record


@kernel(inline="always")
def rim_allows(ground, record, in_u, in_v, out_u, out_v):
    """May a piece from entry to exit (relative to the cell's centre) pass a rim cell?"""
    clearance, grow_u, grow_v = ground.rim[record]
    return (
        clearance + grow_u * in_u + grow_v * in_v >= -_RIM_SLACK
        and clearance + grow_u * out_u + grow_v * out_v >= -_RIM_SLACK
    )


@kernel
def cell_cost(ground, index, length, east, south, in_u, in_v, out_u, out_v):
    """Cost of one piece inside one cell, or infinity where it is refused.

    `in_u`, `in_v`, `out_u`, `out_v`: entry and exit relative to the cell's centre.
    """
    factor = ground.cells[index, 0]
    if factor == math.inf:
        return REFUSED
    g_east, g_south = ground.cells[index, 1], ground.cells[index, 2]
    along = g_east * east + g_south * south
    across = -g_east * south + g_south * east
    if abs(along) > ground.tan_along * _LIMIT_SLACK or abs(across) > ground.tan_across * _LIMIT_SLACK:
        return REFUSED
    record = rim_record(ground.cells[index, 3])
    if record > 0 and not rim_allows(ground, record, in_u, in_v, out_u, out_v):
        return REFUSED
    return length * (factor + ground.k_along * along * along + ground.k_across * across * across)


@kernel(inline="always")
def stencil_cost(ground, origin, offsets, pieces, spans, first, last, most_excess, bending):
    """Cost of a stencil laid at cell `origin`; the caller keeps it inside the grid.

    Parameters
    ----------
    origin : int
        Flat index of the cell the stencil starts in.
    offsets : array (n,) int32
        Flat index of every cell relative to `origin`.
    pieces : array (n, 3) float32
        Length and direction (east, south) in each cell.
    spans : array (n, 4) float32
        Entry and exit relative to each cell's centre.
    first, last : int
        Rows that belong to the stencil.
    most_excess : float
        Walking stops once the cost exceeds the length walked by more than this.
    bending : bool
        Bends keep out of cells that an asset passes through.

    Returns
    -------
    cost : float
        Infinite where refused. When walking stopped early, only the excess so far.
    whole : bool
        False when walking stopped early.
    """
    total = 0.0
    excess = 0.0
    for k in range(first, last):
        index = origin + offsets[k]
        length, east, south = pieces[k, 0], pieces[k, 1], pieces[k, 2]
        factor = ground.cells[index, 0]
        if factor == math.inf:
            return REFUSED, True
        g_east, g_south = ground.cells[index, 1], ground.cells[index, 2]
        along = float(g_east * east + g_south * south)
        across = float(g_south * east - g_east * south)
        if abs(along) > ground.tan_along * _LIMIT_SLACK or abs(across) > ground.tan_across * _LIMIT_SLACK:
            return REFUSED, True
        record = int(ground.cells[index, 3])
        if record < 0:
            if bending:
                return REFUSED, True
            record = -record - 1
        if record > 0 and not rim_allows(ground, record, spans[k, 0], spans[k, 1], spans[k, 2], spans[k, 3]):
            return REFUSED, True
        cost = length * (factor + ground.k_along * along * along + ground.k_across * across * across)
        total += cost
        excess += cost - length
        if excess > most_excess:
            return excess, False
    return total, True


@kernel
def straight_cost(ground, u, v, to_u, to_v, stretch):
    """Cost of a straight between any two points, by exact cell traversal.

    `stretch` is the true length over the chord's (1 on straights).
    """
    east, south = to_u - u, to_v - v
    chord = math.hypot(east, south)
    if chord < 1e-12:
        return 0.0
    east /= chord
    south /= chord
    total = 0.0
    done = 0.0
    while done < chord - _SLACK:
        here_u, here_v = u + done * east, v + done * south
        step = min(next_border(here_u, east), next_border(here_v, south))
        step = min(max(step, _SLACK), chord - done)
        col = math.floor(here_u + 0.5 * step * east)
        row = math.floor(here_v + 0.5 * step * south)
        if col < 0 or row < 0 or col >= ground.cols or row >= ground.rows:
            return REFUSED
        if step > 2.0 * _SLACK:
            in_u, in_v = here_u - col - 0.5, here_v - row - 0.5
            total += cell_cost(
                ground, row * ground.cols + col, step * stretch, east, south,
                in_u, in_v, in_u + step * east, in_v + step * south,
            )  # fmt: skip
            if total == math.inf:
                return REFUSED
        done += step
    return total


@kernel
def polyline_cost(ground, points, lengths, at_u, at_v):
    """Cost of a polyline shifted by (`at_u`, `at_v`), each piece `lengths[i]` long."""
    total = 0.0
    for i in range(len(points) - 1):
        chord = math.hypot(points[i + 1, 0] - points[i, 0], points[i + 1, 1] - points[i, 1])
        if chord < 1e-12:
            continue
        total += straight_cost(
            ground, points[i, 0] + at_u, points[i, 1] + at_v,
            points[i + 1, 0] + at_u, points[i + 1, 1] + at_v, lengths[i] / chord,
        )  # fmt: skip
        if total == math.inf:
            return REFUSED
    return total
