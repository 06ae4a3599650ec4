"""Search kernels: the relaxed cost-to-go and A* on (cell, heading) states.

A state is ``(stage * cells + cell) * headings + heading``: the line passes the
centre of the cell in that direction. Stages separate the stretches between via
points. *Portals* are exact poses off the grid (START, a via point in one of
many directions, END): exits lead from a portal into states, entries from
states into a portal.

Kernels settle a bounded number of items on arrays the caller owns and return,
so that the caller can report progress, cancel, and make the heap larger.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.assets import crosses
from corridor.kernels.ground import REFUSED, polyline_cost, stencil_cost
from corridor.kernels.queue import pop, push
from corridor.kernels.stencils import bend_polyline

STEP = 1
"""Move code of one step along the heading."""
BEND = 2
"""Move codes BEND + b: bend number b."""
LONG = 1 << 20
"""Move codes LONG + n: n steps in one move, holding crossings."""
EXIT = 1 << 26
"""Move codes EXIT + e: entered the grid through exit e of a portal."""


class Moves(NamedTuple):
    """Every move from a cell, as stencils relative to it. Lengths in cells."""

    vectors: np.ndarray
    """(H, 2) int64: columns east, rows south of one step."""
    step_length: np.ndarray
    """(H,)"""
    step_row: np.ndarray
    """(H + 1,): rows of `trace` of each step."""
    bend_first: np.ndarray
    """(H + 1,): bends that leave heading h."""
    bend_to: np.ndarray
    """(B,): heading after the bend."""
    bend_end: np.ndarray
    """(B, 2): columns, rows from its first to its last cell."""
    bend_box: np.ndarray
    """(B, 4): least and largest column, least and largest row passed."""
    bend_row: np.ndarray
    """(B + 1,)"""
    bend_length: np.ndarray
    """(B,): true length."""
    bend_cost: float
    """Price of one bend, cells."""
    offsets: np.ndarray
    """(m,) int32: flat index of every cell passed, relative."""
    pieces: np.ndarray
    """(m, 3) float32: length and direction (east, south) in every cell passed."""
    spans: np.ndarray
    """(m, 4) float32: entry and exit relative to every cell's centre."""


class Crossings(NamedTuple):
    """Where single steps cross assets. Row 0 of the tables is 'none near'."""

    row: np.ndarray
    """(cells,) int32"""
    fee: np.ndarray
    """(rows, H): 0 crosses nothing, inf not allowed at this angle, else the fee in cells."""
    need: np.ndarray
    """(rows, H): straight needed each side, cells."""
    levels: np.ndarray
    """Distinct values of `need`, cells; empty when there are no assets."""


class Portals(NamedTuple):
    """Exact poses off the grid and how they hang on to it."""

    entry_row: np.ndarray
    """(stages * cells,) int32: 0 none, else a row of `entry_first`."""
    entry_first: np.ndarray
    """(rows * H + 1,): entries of (row, heading)."""
    entry_portal: np.ndarray
    entry_cost: np.ndarray
    exit_first: np.ndarray
    """(portals + 1,)"""
    exit_state: np.ndarray
    exit_cost: np.ndarray
    line: np.ndarray
    """(stages, H, n) bool: a straight along heading h on grid line j meets an entry of the stage."""
    line_zero: int
    goal: int


@kernel(inline="always")
def step_cost(ground, moves, crossings, cell, col, row, heading):
    """(cost, crosses) of one step from a cell; cost is infinite where refused."""
    to_col = col + moves.vectors[heading, 0]
    to_row = row + moves.vectors[heading, 1]
    if to_col < 0 or to_row < 0 or to_col >= ground.cols or to_row >= ground.rows:
        return REFUSED, False
    fee = crossings.fee[crossings.row[cell], heading]
    if fee == math.inf:
        return REFUSED, True
    cost, _ = stencil_cost(
        ground, cell, moves.offsets, moves.pieces, moves.spans,
        moves.step_row[heading], moves.step_row[heading + 1], math.inf, False,
    )  # fmt: skip
    return cost + fee, fee != 0.0 or crossings.need[crossings.row[cell], heading] > 0.0


@kernel
def long_straight(ground, moves, crossings, col, row, heading, first):
    """(cost, steps) of a straight that holds a crossing in its step number `first`.

    As many steps are clear before the crossing as it needs, and as many after
    the last one; a further crossing starts the count again, so that
    neighbouring assets share a straight.
    """
    cell = row * ground.cols + col
    total = 0.0
    steps = 0
    clear = 0
    wanted = first
    crossed = False
    while not crossed or clear < wanted:
        cost, crosses = step_cost(ground, moves, crossings, cell, col, row, heading)
        if cost == math.inf:
            return REFUSED, 0
        total += cost
        steps += 1
        if crosses:
            need = int(
                math.ceil(crossings.need[crossings.row[cell], heading] / moves.step_length[heading] - 1e-9)
            )
            if (not crossed and clear < need) or (not crossed and steps != first + 1):
                return REFUSED, 0
            wanted = need if not crossed else max(wanted, need)
            crossed = True
            clear = 0
        else:
            clear += 1
            if not crossed and steps > first:
                return REFUSED, 0
        col += moves.vectors[heading, 0]
        row += moves.vectors[heading, 1]
        cell = row * ground.cols + col
    return total, steps


@kernel
def crossing_straight(ground, moves, crossings, col, row, heading, level):
    """(cost, steps) of the straight with a crossing that needs length number `level` on both sides.

    Infinite where there is none from this cell.
    """
    first = int(math.ceil(crossings.levels[level] / moves.step_length[heading] - 1e-9))
    at_col = col + first * moves.vectors[heading, 0]
    at_row = row + first * moves.vectors[heading, 1]
    if at_col < 0 or at_row < 0 or at_col >= ground.cols or at_row >= ground.rows:
        return REFUSED, 0
    if crossings.need[crossings.row[at_row * ground.cols + at_col], heading] != crossings.levels[level]:
        return REFUSED, 0
    return long_straight(ground, moves, crossings, col, row, heading, first)


@kernel(inline="always")
def bend_move(ground, moves, cell, col, row, bend, most_excess):
    """(cost, whole) of bend number `bend` from a cell, without its price; see `stencil_cost`."""
    box = moves.bend_box[bend]
    if col + box[0] < 0 or row + box[2] < 0 or col + box[1] >= ground.cols or row + box[3] >= ground.rows:
        return REFUSED, True
    return stencil_cost(
        ground, cell, moves.offsets, moves.pieces, moves.spans,
        moves.bend_row[bend], moves.bend_row[bend + 1], most_excess, True,
    )  # fmt: skip


@kernel(inline="always")
def last_bend(moves, portals, stage, col, row, heading):
    """Price of the bend that is certainly still to come: none where straight on may meet an entry."""
    line = moves.vectors[heading, 0] * row - moves.vectors[heading, 1] * col + portals.line_zero
    return 0.0 if portals.line[stage, heading, line] else moves.bend_cost


@kernel(inline="always")
def enter(state, cost, code, to_go, limit, best, came, keys, items, size):
    """Reach `state` at `cost` by move `code`, `to_go` from the end: keep it if better than before."""
    key = cost + to_go
    if not key < math.inf or key > limit or (came[state] != 0 and cost >= best[state]):
        return size
    best[state] = cost
    came[state] = code
    return push(keys, items, size, key, state)


@kernel
def leave_portal(
    ground, moves, portals, portal, cost, ahead, weight, most, best, came, keys, items, size
):  # fmt: skip
    """Push every state that a portal leads to."""
    headings = len(moves.vectors)
    cells = ground.rows * ground.cols
    for e in range(portals.exit_first[portal], portals.exit_first[portal + 1]):
        state = portals.exit_state[e]
        node = state // headings
        stage = node // cells
        row = (node - stage * cells) // ground.cols
        col = node - stage * cells - row * ground.cols
        to_go = weight * ahead[node] + last_bend(moves, portals, stage, col, row, state - node * headings)
        size = enter(
            state, cost + portals.exit_cost[e], EXIT + e, to_go, most, best, came, keys, items, size
        )  # fmt: skip
    return size


@kernel
def take_long_straights(
    ground, moves, crossings, ahead, weight, most, best, came, keys, items, size,
    node, col, row, heading, cost, straight_on,
):  # fmt: skip
    """Try the straights from a state that hold a crossing, one for every length asked for."""
    headings = len(moves.vectors)
    for level in range(len(crossings.levels)):
        piece, steps = crossing_straight(ground, moves, crossings, col, row, heading, level)
        if piece < math.inf:
            to = node + steps * (moves.vectors[heading, 1] * ground.cols + moves.vectors[heading, 0])
            size = enter(
                to * headings + heading, cost + piece, LONG + steps, weight * ahead[to] + straight_on,
                most, best, came, keys, items, size,
            )  # fmt: skip
    return size


@kernel
def enter_portals(portals, node, heading, headings, state, cost, portal_best, portal_came, keys, items, size):
    """Reach the portals that a state leads into, where that is better than before."""
    entry = portals.entry_row[node]
    if entry == 0:
        return size
    slot = entry * headings + heading
    for e in range(portals.entry_first[slot], portals.entry_first[slot + 1]):
        portal = portals.entry_portal[e]
        total = cost + portals.entry_cost[e]
        if total < portal_best[portal]:
            portal_best[portal] = total
            portal_came[portal] = state
            size = push(keys, items, size, total, -portal - 1)
    return size


@kernel
def expand(
    ground, moves, crossings, portals, ahead, weight, limit, most, best, came, portal_best, portal_came,
    keys, items, size, later_state, later_bend, later_cost, later_key, batch, counts, lowered,
):  # fmt: skip
    """Settle up to `batch` states of A* whose key is within `limit`.

    Bends are dear to walk: one whose least possible key exceeds `limit` is
    put off (`later_*`, of which counts[2] are in use) and walked by
    :func:`resume` only if the limit has to rise that far.

    Parameters
    ----------
    ahead : array (stages * cells,)
        Relaxed cost-to-go; infinite where there is none.
    weight : float
        Factor on `ahead` that makes it a true bound although bends cut corners.
    limit, most : float
        States with keys beyond `limit` wait, those beyond `most` are dropped.
    best, came : arrays (states,)
        Cost so far and move code (0 = not reached).
    portal_best, portal_came : arrays (portals,)
        Cost so far, and the state the portal was entered from.
    counts : array (3,) int64
        Settled states; 1 once the goal is settled; bends put off.
    lowered : array (stages * cells,)
        Where a bend showed `ahead` to be too large: what it may be at most.

    Returns
    -------
    int
        The heap's size.
    """
    headings = len(moves.vectors)
    cells = ground.rows * ground.cols
    for _ in range(batch):
        if size == 0 or keys[0] > limit:
            break
        key = keys[0]
        state = items[0]
        size = pop(keys, items, size)
        if state < 0:
            portal = -state - 1
            if key > portal_best[portal] + 1e-9 and portal == portals.goal:
                continue
            if portal == portals.goal:
                counts[1] = 1
                break
            size = leave_portal(
                ground, moves, portals, portal, portal_best[portal], ahead, weight, most,
                best, came, keys, items, size,
            )  # fmt: skip
            continue
        node = state // headings
        heading = state - node * headings
        cost = best[state]
        stage = node // cells
        cell = node - stage * cells
        row = cell // ground.cols
        col = cell - row * ground.cols
        to_go = ahead[node]
        straight_on = last_bend(moves, portals, stage, col, row, heading)
        if key > cost + weight * to_go + straight_on + 1e-9:
            continue
        counts[0] += 1

        size = enter_portals(
            portals, node, heading, headings, state, cost, portal_best, portal_came, keys, items, size
        )
        piece, crosses = step_cost(ground, moves, crossings, cell, col, row, heading)
        if piece < math.inf and not crosses:
            to = node + moves.vectors[heading, 1] * ground.cols + moves.vectors[heading, 0]
            size = enter(
                to * headings + heading, cost + piece, STEP, weight * ahead[to] + straight_on, most,
                best, came, keys, items, size,
            )  # fmt: skip

        size = take_long_straights(
            ground, moves, crossings, ahead, weight, most, best, came, keys, items, size,
            node, col, row, heading, cost, straight_on,
        )  # fmt: skip

        for bend in range(moves.bend_first[heading], moves.bend_first[heading + 1]):
            to_col, to_row = col + moves.bend_end[bend, 0], row + moves.bend_end[bend, 1]
            if to_col < 0 or to_row < 0 or to_col >= ground.cols or to_row >= ground.rows:
                continue
            to = stage * cells + to_row * ground.cols + to_col
            target = to * headings + moves.bend_to[bend]
            floor = cost + moves.bend_length[bend] + moves.bend_cost
            turned_on = last_bend(moves, portals, stage, to_col, to_row, moves.bend_to[bend])
            key = floor + weight * ahead[to] + turned_on
            if not key < math.inf or key > most:
                continue
            if key <= limit:
                if came[target] != 0 and floor >= best[target]:
                    continue
                size, key = take_bend(
                    ground, moves, crossings, ahead, weight, limit, most, best, came, keys, items, size,
                    cell, col, row, stage * cells, cost, bend, to_go, turned_on, lowered,
                )  # fmt: skip
            if limit < key <= most:
                later_state[counts[2]] = state
                later_bend[counts[2]] = bend
                later_cost[counts[2]] = cost
                later_key[counts[2]] = key
                counts[2] += 1
    return size


@kernel(inline="always")
def take_bend(
    ground, moves, crossings, ahead, weight, limit, most, best, came, keys, items, size,
    cell, col, row, first_node, cost, bend, to_go, turned_on, lowered,
):  # fmt: skip
    """Walk one bend from a state reached at `cost` and enter the state behind it.

    Walking stops as soon as the key must exceed `limit`: the bend is then to be
    put off. Returns the heap's size and that key, or -inf when the bend is done.
    """
    headings = len(moves.vectors)
    to = first_node + (row + moves.bend_end[bend, 1]) * ground.cols + col + moves.bend_end[bend, 0]
    beyond = cost + moves.bend_cost + weight * ahead[to] + turned_on
    piece, whole = bend_move(ground, moves, cell, col, row, bend, limit - beyond - moves.bend_length[bend])
    if not whole:
        return size, max(beyond + moves.bend_length[bend] + piece, limit * (1.0 + 1e-12))
    if piece == math.inf:
        return size, -math.inf
    piece += moves.bend_cost
    if weight * to_go > piece + weight * ahead[to] + 1e-6:
        node = first_node + cell
        lowered[node] = min(lowered[node], piece / weight + ahead[to])
    size = enter(
        to * headings + moves.bend_to[bend], cost + piece, BEND + bend,
        weight * ahead[to] + turned_on, most, best, came, keys, items, size,
    )  # fmt: skip
    return size, -math.inf


@kernel
def resume(
    ground, moves, crossings, portals, ahead, weight, limit, most, best, came, keys, items, size,
    later_state, later_bend, later_cost, later_key, counts, lowered,
):  # fmt: skip
    """Walk the bends put off that a larger `limit` allows; drop stale ones. Returns the heap's size."""
    headings = len(moves.vectors)
    cells = ground.rows * ground.cols
    kept = 0
    for i in range(counts[2]):
        state, bend, cost, key = later_state[i], later_bend[i], later_cost[i], later_key[i]
        if key <= limit:
            if cost > best[state]:
                continue
            node = state // headings
            stage = node // cells
            cell = node - stage * cells
            row = cell // ground.cols
            col = cell - row * ground.cols
            turned_on = last_bend(
                moves, portals, stage, col + moves.bend_end[bend, 0], row + moves.bend_end[bend, 1],
                moves.bend_to[bend],
            )  # fmt: skip
            size, key = take_bend(
                ground, moves, crossings, ahead, weight, limit, most, best, came, keys, items, size,
                cell, col, row, stage * cells, cost, bend, ahead[node], turned_on, lowered,
            )  # fmt: skip
        if limit < key <= most:
            later_state[kept] = state
            later_bend[kept] = bend
            later_cost[kept] = cost
            later_key[kept] = key
            kept += 1
    counts[2] = kept
    return size


@kernel
def crosses_any(points, segments):
    """True when a polyline crosses one of the segments."""
    for i in range(len(points) - 1):
        for s in range(len(segments)):
            if crosses(
                points[i, 0], points[i, 1], points[i + 1, 0], points[i + 1, 1],
                segments[s, 0], segments[s, 1], segments[s, 2], segments[s, 3],
            ):  # fmt: skip
                return True
    return False


@kernel
def connector_costs(
    ground, segments, start_u, start_v, directions, pose, ends, along, leg_in, leg_out, radius
):
    """Costs (n,) of connectors from a pose; infinite where refused or where they cross an asset.

    `ends` (n, 2) are the centres reached, `along` (n, 2) the directions there;
    `radius` is NaN for a connector without a bend.
    """
    costs = np.empty(len(pose))
    for i in range(len(pose)):
        first = directions[pose[i]]
        if math.isnan(radius[i]):
            points = np.empty((2, 2))
            points[0] = 0.5
            points[1, 0] = 0.5 + leg_in[i] * first[0]
            points[1, 1] = 0.5 + leg_in[i] * first[1]
            lengths = np.array([leg_in[i]])
        else:
            points, lengths = bend_polyline(first, along[i], leg_in[i], leg_out[i], radius[i], 0.25)
        points[:, 0] += start_u - 0.5
        points[:, 1] += start_v - 0.5
        if crosses_any(points, segments):
            costs[i] = math.inf
        else:
            costs[i] = polyline_cost(ground, points, lengths, 0.0, 0.0)
    return costs
