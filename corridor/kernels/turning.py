"""The cheapest chain of steps that pays for changes of its turning side: what bounds lines with bends.

A node is a cell and a sector of directions between two neighbouring headings,
``cell * sectors + sector``; a state is ``slot * TURNS + turn``: the slot that is given
to a node when it is first reached, and how the line turned last. What this bounds is
told in :mod:`corridor.routing.bound_turning`.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.queue import pop, push
from corridor.kernels.search import step_cost

TURNS = 7
"""0: not turned yet; 1 + 3 side + n: turned to side 0 (left) or 1 (right) last, n headings passed since
the last step (2: or more)."""


@kernel(inline="always")
def slot_of(node, slot, node_of, counts):
    """The slot of a node, a new one where it has none."""
    if slot[node] == 0:
        node_of[counts[1]] = node
        counts[1] += 1
        slot[node] = counts[1]
    return slot[node] - 1


@kernel(inline="always")
def reach(state, cost, ahead, best, keys, items, size):
    """Reach a state at a cost, where that is cheaper than before. Labels are float32."""
    label = np.float32(cost)
    if not ahead < math.inf or not label < best[state]:
        return size
    best[state] = label
    return push(keys, items, size, best[state] + ahead, state)


@kernel
def follow(
    ground, moves, crossings, ahead, share, bend, again, goal, goal_sectors, slot, node_of, best,
    keys, items, size, batch, counts,
):  # fmt: skip
    """Settle up to `batch` states, the one with the least key first.

    Parameters
    ----------
    ahead : array (cells,)
        Lower bound of what is left to pay.
    share : array (S,)
        What a step in a sector counts of its cost. Sector s lies between headings s and s + 1.
    bend : float
        Price of a change of the turning side.
    again : array (2, S, 3) bool
        Whether, to either side, one more heading may be passed in the same turn after n others
        since the last step.
    goal : int
        Cell where it ends.
    goal_sectors : array (S,) bool
        Sectors in which it may end.
    slot, node_of : arrays (cells * S,) int32, (slots,) int64
        Slot of each node plus 1, 0 before it is reached; and the node of each slot.
    best : array (slots * TURNS,) float32
    counts : array (4,) int64
        Settled states; slots in use; 1 when stopped for want of slots; 1 when the goal is reached.

    Returns
    -------
    size : int
        The heap's size.
    cost : float
        Cost of the goal once it is reached; infinite until then.
    """
    sectors = len(share)
    settled = 0
    while settled < batch and size > 0:
        if counts[1] + 4 > len(node_of):
            counts[2] = 1
            break
        key, state = keys[0], items[0]
        size = pop(keys, items, size)
        turn = state % TURNS
        node = node_of[state // TURNS]
        cell = node // sectors
        sector = node - cell * sectors
        cost = best[state]
        if key > cost + ahead[cell]:
            continue
        if turn != 0:
            # Whoever turned otherwise last, or not yet, can go on in the same way for one bend more.
            here = state - turn
            other = min(best[here], best[here + (4 if turn < 4 else 1)])
            rest = best[here + (1 if turn < 4 else 4)]
            if other + bend <= cost or (turn != 1 and turn != 4 and rest <= cost):
                continue
        settled += 1
        if cell == goal and goal_sectors[sector]:
            counts[3] = 1
            counts[0] += settled
            return size, cost
        row = cell // ground.cols
        col = cell - row * ground.cols
        side = (turn - 1) // 3
        rested = 0 if turn == 0 else 1 + 3 * side
        for k in range(2):
            heading = (sector + k) % sectors
            piece, _ = step_cost(ground, moves, crossings, cell, col, row, heading)
            if not piece < math.inf:
                continue
            to = cell + moves.vectors[heading, 1] * ground.cols + moves.vectors[heading, 0]
            if not ahead[to] < math.inf:
                continue
            place = slot_of(to * sectors + sector, slot, node_of, counts)
            fee = crossings.fee[crossings.row[cell], heading]
            size = reach(
                place * TURNS + rested, cost + (piece - fee) * share[sector] + fee,
                ahead[to], best, keys, items, size,
            )  # fmt: skip
        passed = 0 if turn == 0 else (turn - 1) % 3
        for to_side in range(2):
            to_sector = (sector + 1) % sectors if to_side == 1 else (sector - 1) % sectors
            heading = (sector + 1) % sectors if to_side == 1 else sector
            same = turn != 0 and side == to_side
            if same and passed > 0 and not again[to_side, heading, passed]:
                continue
            place = slot_of(cell * sectors + to_sector, slot, node_of, counts)
            size = reach(
                place * TURNS + 1 + 3 * to_side + (min(passed + 1, 2) if same else 1),
                cost + (0.0 if same else bend), ahead[cell], best, keys, items, size,
            )  # fmt: skip
    counts[0] += settled
    return size, math.inf
