"""Any line at all: every state is entered once, and crowded places wait.

The search for the cheapest line fills a dead end state by state before it looks
elsewhere, for every state there promises less than those outside. Whoever only
asks whether there is a line need not: of the states that pass a block of cells
in one direction the first few tell nearly all. So every state that is settled
makes the others of its block and heading wait longer. None is left out: when
nothing is left to settle, there is no line.

States, moves and portals are those of :mod:`corridor.kernels.search`.
"""

from __future__ import annotations

import math

from corridor.compiled import kernel
from corridor.kernels.queue import pop, push
from corridor.kernels.search import (
    BEND,
    EXIT,
    LONG,
    STEP,
    bend_move,
    crossing_straight,
    enter_portals,
    step_cost,
)

BLOCK = 4
"""Blocks are so many cells wide and high."""


@kernel(inline="always")
def enter_once(state, cost, code, to_go, best, came, keys, items, size):
    """Reach `state` at `cost` by move `code`, unless it was reached before or leads nowhere."""
    if came[state] != 0 or to_go == math.inf:
        return size
    best[state] = cost
    came[state] = code
    return push(keys, items, size, cost + to_go, state)


@kernel
def explore_portal(portals, portal, greed, ahead, headings, best, came, portal_best, keys, items, size):
    """Enter every state that a portal leads to."""
    for e in range(portals.exit_first[portal], portals.exit_first[portal + 1]):
        state = portals.exit_state[e]
        size = enter_once(
            state, portal_best[portal] + portals.exit_cost[e], EXIT + e, greed * ahead[state // headings],
            best, came, keys, items, size,
        )  # fmt: skip
    return size


@kernel
def explore_long_straights(
    ground, moves, crossings, greed, ahead, best, came, keys, items, size, node, col, row, heading, cost
):
    """Enter the states behind straights that hold a crossing, one for every length asked for."""
    headings = len(moves.vectors)
    for level in range(len(crossings.levels)):
        piece, steps = crossing_straight(ground, moves, crossings, col, row, heading, level)
        if piece < math.inf:
            to = node + steps * (moves.vectors[heading, 1] * ground.cols + moves.vectors[heading, 0])
            size = enter_once(
                to * headings + heading, cost + piece, LONG + steps, greed * ahead[to],
                best, came, keys, items, size,
            )  # fmt: skip
    return size


@kernel
def explore(
    ground, moves, crossings, portals, ahead, greed, crowding, crowd, best, came, portal_best, portal_came,
    keys, items, size, batch, counts,
):  # fmt: skip
    """Settle up to `batch` states, the one with the least key first.

    Key: cost so far + `greed` times the guide + `crowding` times the states settled in its block.

    Parameters
    ----------
    ahead : array (stages * cells,)
        Guide: about what is left to pay; infinite where the end cannot be reached.
    crowd : array (stages * block rows * block columns * headings,) int32
        States settled so far in each block and heading.
    best, came : arrays (states,)
        Cost and move code by which a state was reached first (0 = not reached).
    portal_best, portal_came : arrays (portals,)
    counts : array (2,) int64
        Settled states; 1 once the goal is reached.

    Returns
    -------
    int
        The heap's size.
    """
    headings = len(moves.vectors)
    cells = ground.rows * ground.cols
    blocks_across = -(-ground.cols // BLOCK)
    blocks = blocks_across * -(-ground.rows // BLOCK)
    settled = 0
    while settled < batch and size > 0 and counts[1] == 0:
        key = keys[0]
        state = items[0]
        size = pop(keys, items, size)
        if state < 0:
            size = explore_portal(
                portals, -state - 1, greed, ahead, headings, best, came, portal_best, keys, items, size
            )
            continue
        node = state // headings
        heading = state - node * headings
        stage = node // cells
        cell = node - stage * cells
        row = cell // ground.cols
        col = cell - row * ground.cols
        cost = best[state]
        place = (stage * blocks + row // BLOCK * blocks_across + col // BLOCK) * headings + heading
        due = cost + greed * ahead[node] + crowding * crowd[place]
        if due > key * (1.0 + 1e-12) + 1e-9:
            # Others were settled there since it was put in the queue.
            size = push(keys, items, size, due, state)
            continue
        crowd[place] += 1
        settled += 1

        size = enter_portals(
            portals, node, heading, headings, state, cost, portal_best, portal_came, keys, items, size
        )
        if portal_best[portals.goal] < math.inf:
            counts[1] = 1
        piece, crosses = step_cost(ground, moves, crossings, cell, col, row, heading)
        if piece < math.inf and not crosses:
            to = node + moves.vectors[heading, 1] * ground.cols + moves.vectors[heading, 0]
            size = enter_once(
                to * headings + heading, cost + piece, STEP, greed * ahead[to], best, came, keys, items, size
            )
        size = explore_long_straights(
            ground, moves, crossings, greed, ahead, best, came, keys, items, size,
            node, col, row, heading, cost,
        )  # fmt: skip
        for bend in range(moves.bend_first[heading], moves.bend_first[heading + 1]):
            to_col, to_row = col + moves.bend_end[bend, 0], row + moves.bend_end[bend, 1]
            if to_col < 0 or to_row < 0 or to_col >= ground.cols or to_row >= ground.rows:
                continue
            to = stage * cells + to_row * ground.cols + to_col
            target = to * headings + moves.bend_to[bend]
            if came[target] != 0 or ahead[to] == math.inf:
                continue
            piece, _ = bend_move(ground, moves, cell, col, row, bend, math.inf)
            if piece < math.inf:
                size = enter_once(
                    target, cost + piece + moves.bend_cost, BEND + bend, greed * ahead[to],
                    best, came, keys, items, size,
                )  # fmt: skip
    counts[0] += settled
    return size
