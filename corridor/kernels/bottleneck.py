"""Ways across closed ground: how far a rule must give, and where the thinnest barrier stands.

Floods over grid steps without turning limits. Every step has a *need*: 0 where
it obeys all rules, infinity where a rule forbids it that is not in question,
otherwise how far the rule in question must give. The flood finds for every cell
the least need of any way to it (the largest need on the way, made as small as
possible), in order of need, with a stack for what costs nothing more and a heap
for the rest.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.assets import crosses
from corridor.kernels.queue import pop, push

ALONG, ACROSS, ANGLE = 1, 2, 3
"""Which directional rule is in question (0: none of them)."""

_SLACK = 1.0 + 1e-7


class Terrain(NamedTuple):
    """The ground of a flood, flat arrays over the cells of a grid."""

    rows: int
    cols: int
    closed: np.ndarray
    """(cells,) bool: closed by a rule that is not in question."""
    need: np.ndarray
    """(cells,) float32: how far the rule in question must give for the cell."""
    east: np.ndarray
    south: np.ndarray
    """(cells,) float32: gradient, tangents."""
    tan_along: float
    tan_across: float
    mode: int
    crossing: np.ndarray
    """(cells,) int32: row of `angle`; 0 = no asset near."""
    angle: np.ndarray
    """(rows, H) float32: how far the least crossing angle must give for a step, degrees; inf = never."""


class Steps(NamedTuple):
    """Stencils of the steps: see :class:`corridor.kernels.search.Moves`."""

    vectors: np.ndarray
    length: np.ndarray
    row: np.ndarray
    offset: np.ndarray
    """(m,) int64: flat index of every cell passed, relative."""
    along: np.ndarray
    """(m, 2) float32: direction (east, south) in it."""


@kernel(inline="always")
def step_need(terrain, steps, cell, heading):
    """How far the rule in question must give for one step; infinity where another rule forbids it."""
    need = np.float32(0.0)
    for k in range(steps.row[heading], steps.row[heading + 1]):
        at = cell + steps.offset[k]
        if terrain.closed[at]:
            return np.float32(np.inf)
        need = max(need, terrain.need[at])
        g_east, g_south = terrain.east[at], terrain.south[at]
        along = abs(g_east * steps.along[k, 0] + g_south * steps.along[k, 1])
        across = abs(g_south * steps.along[k, 0] - g_east * steps.along[k, 1])
        if along > terrain.tan_along * _SLACK:
            if terrain.mode != ALONG:
                return np.float32(np.inf)
            need = max(need, along - np.float32(terrain.tan_along))
        if across > terrain.tan_across * _SLACK:
            if terrain.mode != ACROSS:
                return np.float32(np.inf)
            need = max(need, across - np.float32(terrain.tan_across))
    record = terrain.crossing[cell]
    if record > 0:
        angle = terrain.angle[record, heading]
        if angle > 0.0:
            if terrain.mode != ANGLE:
                return np.float32(np.inf)
            need = max(need, angle)
    return need


@kernel
def bottleneck(terrain, steps, start, target, most, label, came):
    """Least need of any way from `start` to every cell, until `target` is reached.

    Parameters
    ----------
    start, target : int
        Cells; `target` -1 floods everything.
    most : float
        Needs beyond this are not followed.
    label : array (cells,) float32, filled: the least need; infinity where not reached
    came : array (cells,) int8, filled: heading of the last step, -1 at the start

    Returns
    -------
    float
        Label of `target` (infinity: no way).
    """
    cells = terrain.rows * terrain.cols
    label[:] = np.inf
    came[:] = -1
    settled = np.zeros(cells, dtype=np.bool_)
    stack = np.empty(cells, dtype=np.int64)
    keys = np.empty(1 << 16)
    items = np.empty(1 << 16, dtype=np.int64)
    size = 0
    level = terrain.need[start]
    label[start] = level
    settled[start] = True
    stack[0] = start
    top = 1
    while True:
        if top > 0:
            top -= 1
            cell = stack[top]
        else:
            cell = -1
            while size > 0:
                key = keys[0]
                item = items[0]
                size = pop(keys, items, size)
                if not settled[item]:
                    cell = item
                    level = np.float32(key)
                    break
            if cell < 0:
                break
            settled[cell] = True
        if cell == target:
            break
        row = cell // terrain.cols
        col = cell - row * terrain.cols
        for heading in range(len(steps.vectors)):
            to_row, to_col = row + steps.vectors[heading, 1], col + steps.vectors[heading, 0]
            if to_row < 0 or to_col < 0 or to_row >= terrain.rows or to_col >= terrain.cols:
                continue
            to = to_row * terrain.cols + to_col
            if settled[to]:
                continue
            need = max(step_need(terrain, steps, cell, heading), level)
            if need >= label[to] or need > most:
                continue
            label[to] = need
            came[to] = heading
            if need <= level:
                settled[to] = True
                stack[top] = to
                top += 1
            else:
                if size + 1 >= len(keys):
                    keys = np.append(keys, np.empty(len(keys)))
                    items = np.append(items, np.empty(len(items), dtype=np.int64))
                size = push(keys, items, size, np.float64(need), to)
    return label[target] if target >= 0 else np.float32(0.0)


@kernel
def shortest(terrain, steps, start, target, most, price, cost, came):
    """Shortest way from `start` to `target` over steps that need at most `most`.

    A step of length l that needs n costs ``l * (1 + price * n / most)``, so that
    ground which obeys every rule is preferred. Arguments as in :func:`bottleneck`;
    `cost` (cells,) float64 is filled. A* on the straight distance.
    """
    cost[:] = np.inf
    came[:] = -1
    keys = np.empty(1 << 16)
    items = np.empty(1 << 16, dtype=np.int64)
    goal_row, goal_col = target // terrain.cols, target % terrain.cols
    cost[start] = 0.0
    size = push(
        keys, items, 0, math.hypot(start // terrain.cols - goal_row, start % terrain.cols - goal_col), start
    )
    scale = price / most if most > 0.0 else 0.0
    while size > 0:
        key = keys[0]
        cell = items[0]
        size = pop(keys, items, size)
        if cell == target:
            break
        row = cell // terrain.cols
        col = cell - row * terrain.cols
        if key > cost[cell] + math.hypot(row - goal_row, col - goal_col) + 1e-9:
            continue
        for heading in range(len(steps.vectors)):
            to_row, to_col = row + steps.vectors[heading, 1], col + steps.vectors[heading, 0]
            if to_row < 0 or to_col < 0 or to_row >= terrain.rows or to_col >= terrain.cols:
                continue
            to = to_row * terrain.cols + to_col
            if cost[cell] + steps.length[heading] >= cost[to]:
                continue
            need = step_need(terrain, steps, cell, heading)
            if need > most:
                continue
            total = cost[cell] + steps.length[heading] * (1.0 + scale * need)
            if total < cost[to]:
                cost[to] = total
                came[to] = heading
                if size + 1 >= len(keys):
                    keys = np.append(keys, np.empty(len(keys)))
                    items = np.append(items, np.empty(len(items), dtype=np.int64))
                size = push(keys, items, size, total + math.hypot(to_row - goal_row, to_col - goal_col), to)
    return cost[target]


@kernel
def trace(came, vectors, cols, target):
    """Cells from the start of a flood to `target`, in order."""
    count = 1
    cell = target
    while came[cell] >= 0:
        cell -= vectors[came[cell], 1] * cols + vectors[came[cell], 0]
        count += 1
    path = np.empty(count, dtype=np.int64)
    cell = target
    for k in range(count - 1, -1, -1):
        path[k] = cell
        if k > 0:
            cell -= vectors[came[cell], 1] * cols + vectors[came[cell], 0]
    return path


@kernel
def passed(label, terrain, steps, most):
    """(cells,) bool: cells that allowed steps between reached cells pass through."""
    touched = np.zeros(len(label), dtype=np.bool_)
    for cell in range(len(label)):
        if not label[cell] <= most:
            continue
        touched[cell] = True
        row = cell // terrain.cols
        col = cell - row * terrain.cols
        for heading in range(len(steps.vectors)):
            if abs(steps.vectors[heading, 0]) + abs(steps.vectors[heading, 1]) < 3:
                continue
            to_row, to_col = row + steps.vectors[heading, 1], col + steps.vectors[heading, 0]
            if to_row < 0 or to_col < 0 or to_row >= terrain.rows or to_col >= terrain.cols:
                continue
            # Only what is not yet known to be reached is worth looking at.
            fresh = False
            for k in range(steps.row[heading], steps.row[heading + 1]):
                fresh |= not touched[cell + steps.offset[k]] and not label[cell + steps.offset[k]] <= most
            if fresh and step_need(terrain, steps, cell, heading) <= most:
                for k in range(steps.row[heading], steps.row[heading + 1]):
                    touched[cell + steps.offset[k]] = True
    return touched


@kernel
def thinnest_wall(price, rows, cols, cut, seed):
    """Cheapest closed chain of cells that crosses a given segment an odd number of times.

    Such a chain parts the segment's two ends from each other. It runs over 8
    neighbours and may use the world beyond the grid's edge for nothing.

    Parameters
    ----------
    price : array (cells,) float32
        Infinite where the chain may not pass.
    cut : array (4,)
        Column, row of the segment's ends, in units in which cell centres are whole
        numbers; it must not pass through a cell's centre.
    seed : int
        Cell through which the chain must pass; -1: the world beyond the edge.

    Returns
    -------
    chain : array (n,) int64; empty where there is none
    total : float
    """
    cells = rows * cols
    outside = cells
    nodes = 2 * (cells + 1)
    cost = np.full(nodes, np.inf)
    came = np.full(nodes, -1, dtype=np.int64)
    keys = np.empty(1 << 16)
    items = np.empty(1 << 16, dtype=np.int64)
    first = outside if seed < 0 else seed
    cost[2 * first] = 0.0
    size = push(keys, items, 0, 0.0, 2 * first)
    goal = 2 * first + 1
    while size > 0:
        key = keys[0]
        node = items[0]
        size = pop(keys, items, size)
        if node == goal:
            break
        if key > cost[node]:
            continue
        cell, parity = node // 2, node % 2
        if size + 2 * (rows + cols) + 16 >= len(keys):
            room = 2 * (len(keys) + 2 * (rows + cols))
            keys = np.append(keys, np.empty(room))
            items = np.append(items, np.empty(room, dtype=np.int64))
        if cell == outside:
            for k in range(2 * (rows + cols)):
                if k < cols:
                    to = k
                elif k < 2 * cols:
                    to = (rows - 1) * cols + k - cols
                elif k < 2 * cols + rows:
                    to = (k - 2 * cols) * cols
                else:
                    to = (k - 2 * cols - rows) * cols + cols - 1
                total = key + price[to]
                if total < cost[2 * to + parity]:
                    cost[2 * to + parity] = total
                    came[2 * to + parity] = node
                    size = push(keys, items, size, total, 2 * to + parity)
            continue
        row = cell // cols
        col = cell - row * cols
        for down in (-1, 0, 1):
            for right in (-1, 0, 1):
                if down == 0 and right == 0:
                    continue
                to_row, to_col = row + down, col + right
                flip = 0
                if to_row < 0 or to_col < 0 or to_row >= rows or to_col >= cols:
                    to, step = outside, 0.0
                else:
                    to = to_row * cols + to_col
                    step = price[to] * (1.0 if down == 0 or right == 0 else 1.4142)
                    if crosses(
                        float(col), float(row), float(to_col), float(to_row), cut[0], cut[1], cut[2], cut[3]
                    ):
                        flip = 1
                total = key + step
                there = 2 * to + (parity + flip) % 2
                if total < cost[there]:
                    cost[there] = total
                    came[there] = node
                    size = push(keys, items, size, total, there)
    if not cost[goal] < np.inf:
        return np.empty(0, dtype=np.int64), np.inf
    count = 0
    node = goal
    chain = np.empty(nodes, dtype=np.int64)
    while node >= 0:
        if node // 2 != outside:
            chain[count] = node // 2
            count += 1
        node = came[node]
    return chain[:count].copy(), cost[goal]


@kernel
def step_angles(cells, cols, vectors, segments, least_deg, near_first, near_segment):
    """How far the least crossing angle must give for single steps from the given cells, degrees.

    Parameters
    ----------
    cells : array (n,) int64
    segments : array (m, 4), u1, v1, u2, v2 in cell units
    least_deg : array (m,)
        Least angle of the asset each segment belongs to; infinite where the
        rule is not in question and broken for good.
    near_first, near_segment : CSR
        Segments near each of `cells`.
    """
    out = np.zeros((len(cells), len(vectors)), dtype=np.float32)
    for i in range(len(cells)):
        row = cells[i] // cols
        u, v = cells[i] - row * cols + 0.5, row + 0.5
        for h in range(len(vectors)):
            east, south = vectors[h, 0], vectors[h, 1]
            size = math.hypot(east, south)
            for k in range(near_first[i], near_first[i + 1]):
                a_u, a_v, b_u, b_v = segments[near_segment[k]]
                if not crosses(u, v, u + east, v + south, a_u, a_v, b_u, b_v):
                    continue
                sine = abs(east * (b_v - a_v) - south * (b_u - a_u)) / (
                    size * math.hypot(b_u - a_u, b_v - a_v)
                )
                angle = math.degrees(math.asin(min(sine, 1.0)))
                out[i, h] = max(out[i, h], least_deg[near_segment[k]] - angle)
    return out
