"""The crossing of steep ground whose steepest place is the gentlest, of moves that a vessel can lay.

Dijkstra's algorithm for the largest value on the way in place of the sum
(bottleneck paths; M. Pollack 1960, *Oper. Res.* 8, from memory), on the states and
moves of :mod:`corridor.kernels.search`. What is compared is the slope along or
across each move's own direction; among ways that are equally steep, to within
:data:`LEVEL`, the shorter one counts.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.queue import pop, push
from corridor.kernels.search import BEND, LONG, STEP, bend_move, crossing_straight, step_cost

LEVEL = 1e-3
"""Tangents of slope that count as equal."""

FAR = 1e6
"""Cells: longer than any way."""

SOURCE = 1 << 30
"""Move code of a state that the crossing may begin with."""

BEHIND = 2
"""Mark of cells behind the steep ground; 1 before it, 0 all others."""


@kernel(inline="always")
def steepest(ground, moves, cell, first, last, across):
    """The largest tangent, along or across its direction, on the rows of a stencil laid at a cell."""
    most = np.float32(0.0)
    for k in range(first, last):
        index = cell + moves.offsets[k]
        east, south = moves.pieces[k, 1], moves.pieces[k, 2]
        g_east, g_south = ground.cells[index, 1], ground.cells[index, 2]
        tangent = abs(g_south * east - g_east * south) if across else abs(g_east * east + g_south * south)
        most = max(most, tangent)
    return most


@kernel(inline="always")
def key_of(level, length):
    """The order of ways: the gentler level first, then the shorter."""
    return math.floor(level / LEVEL) * FAR + length


@kernel(inline="always")
def is_known(state, tangent, way, level, length, came):
    """Whether a state has been reached by a way at least as good."""
    return came[state] != 0 and key_of(tangent, way) >= key_of(level[state], length[state]) - 1e-6


@kernel(inline="always")
def reach(state, tangent, way, code, level, length, came, keys, items, size):
    """Enter a state by a move where that is better than before."""
    if is_known(state, tangent, way, level, length, came):
        return size
    level[state], length[state], came[state] = tangent, way, code
    return push(keys, items, size, key_of(tangent, way), state)


@kernel
def least_worst(
    ground, moves, crossings, across, side, level, length, came, keys, items, size, batch, counts
):
    """Settle up to `batch` states, the gentlest and then the shortest way first.

    Parameters
    ----------
    ground, moves, crossings
        As in the search; the ground's slope limits are the steepest that is looked at.
    across : bool
        Whether slopes across the direction count, or along it.
    side : array (cells,) uint8
        1 before the steep ground, 2 behind it, 0 elsewhere. No way goes back to 1; at 2 it ends.
    level, length : arrays (states,) float32
        Steepest tangent and length, cells, of the best way to a state.
    came : array (states,) uint32
        Move code by which it was reached; 0 where it was not.
    counts : array (2,) int64
        Settled states; the state reached behind the steep ground, plus 1.

    Returns
    -------
    int
        The heap's size.
    """
    headings = len(moves.vectors)
    settled = 0
    while settled < batch and size > 0:
        key, state = keys[0], items[0]
        size = pop(keys, items, size)
        here, way = level[state], length[state]
        if key > key_of(here, way) + 1e-6:
            continue
        settled += 1
        cell = state // headings
        heading = state - cell * headings
        if side[cell] == BEHIND:
            counts[1] = state + 1
            break
        row = cell // ground.cols
        col = cell - row * ground.cols
        first, last = moves.step_row[heading], moves.step_row[heading + 1]
        stride = moves.vectors[heading, 1] * ground.cols + moves.vectors[heading, 0]
        cost, crosses = step_cost(ground, moves, crossings, cell, col, row, heading)
        if cost < math.inf and not crosses and side[cell + stride] != 1:
            tangent = max(here, steepest(ground, moves, cell, first, last, across))
            size = reach(
                (cell + stride) * headings + heading, tangent, way + moves.step_length[heading], STEP,
                level, length, came, keys, items, size,
            )  # fmt: skip
        for number in range(len(crossings.levels)):
            cost, steps = crossing_straight(ground, moves, crossings, col, row, heading, number)
            to = cell + steps * stride
            if not cost < math.inf or side[to] == 1:
                continue
            tangent = here
            for k in range(steps):
                tangent = max(tangent, steepest(ground, moves, cell + k * stride, first, last, across))
            size = reach(
                to * headings + heading, tangent, way + steps * moves.step_length[heading], LONG + steps,
                level, length, came, keys, items, size,
            )  # fmt: skip
        for bend in range(moves.bend_first[heading], moves.bend_first[heading + 1]):
            to_col, to_row = col + moves.bend_end[bend, 0], row + moves.bend_end[bend, 1]
            if to_col < 0 or to_row < 0 or to_col >= ground.cols or to_row >= ground.rows:
                continue
            to = to_row * ground.cols + to_col
            target = to * headings + moves.bend_to[bend]
            further = way + moves.bend_length[bend]
            if side[to] == 1 or is_known(target, here, further, level, length, came):
                continue
            cost, _ = bend_move(ground, moves, cell, col, row, bend, math.inf)
            if cost < math.inf:
                rows = moves.bend_row[bend], moves.bend_row[bend + 1]
                tangent = max(here, steepest(ground, moves, cell, rows[0], rows[1], across))
                size = reach(target, tangent, further, BEND + bend, level, length, came, keys, items, size)
    counts[0] += settled
    return size
