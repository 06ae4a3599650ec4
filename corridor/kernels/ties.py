"""Kernels of tie-ins: from many poses along an approved line onto the search grid.

The geometry is that of :mod:`corridor.routing.connectors`, for thousands of
poses at once: each leaves along its own direction, bends once and runs along a
heading through the centre of a cell.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.ground import polyline_cost
from corridor.kernels.search import crosses_any
from corridor.kernels.stencils import bend_polyline

WINDOW = 7
"""Cells around the nearest possible one in which the end cell is looked for."""

CHORD = 1.0
"""Longest chord along a tie-in's arc, cells: at the least radii of a search it strays by some 0.03 cells."""


@kernel
def nearest_cell(u, v, first, second, least_in, least_out, rows, cols):
    """(column, row, leg in, leg out) of the nearest cell P + a first + b second with legs long enough.

    Column -1 where none of the window can be reached so.
    """
    at_u = u + least_in * first[0] + least_out * second[0]
    at_v = v + least_in * first[1] + least_out * second[1]
    area = first[0] * second[1] - first[1] * second[0]
    # Per column further east, and per row further south.
    in_col, out_col = second[1] / area, -first[1] / area
    in_row, out_row = -second[0] / area, first[0] / area
    least_col, least_row = int(math.floor(at_u)) - WINDOW, int(math.floor(at_v)) - WINDOW
    first_col, last_col = max(least_col, 0), min(least_col + 2 * WINDOW, cols - 1)
    best, best_col, best_row, best_in, best_out = math.inf, -1, -1, 0.0, 0.0
    for row in range(max(least_row, 0), min(least_row + 2 * WINDOW, rows - 1) + 1):
        reach_v = row + 0.5 - v
        for col in range(first_col, last_col + 1):
            reach_u = col + 0.5 - u
            leg_in = reach_u * in_col + reach_v * in_row
            leg_out = reach_u * out_col + reach_v * out_row
            if leg_in < least_in - 1e-9 or leg_out < least_out - 1e-9 or leg_in + leg_out >= best - 1e-9:
                continue
            best, best_col, best_row, best_in, best_out = leg_in + leg_out, col, row, leg_in, leg_out
    return best_col, best_row, best_in, best_out


@kernel
def tie_gates(
    ground, segments, positions, directions, straight, unit, radius, half_straight, least_turn, most_turn
):
    """All nearest ways from poses onto the grid, priced.

    Parameters
    ----------
    ground : corridor.kernels.ground.Ground
    segments : array (n, 4)
        Assets: a way that crosses one is refused.
    positions, directions : arrays (m, 2)
        u, v of the poses and unit vectors (east, south) in which they are left.
    straight : array (m,)
        Straight needed between a pose and the bend, cells.
    unit : array (H, 2)
        Headings as unit vectors.
    radius, half_straight : float
        Of the bend, and the straight it must leave behind it, cells.
    least_turn, most_turn : float
        Radians.

    Returns
    -------
    array (k, 8)
        Pose, heading, column, row, u and v of the IP, straight before the bend, cost
        without the price of the bend.
    """
    found = np.empty((len(positions) * len(unit), 8))
    count = 0
    for i in range(len(positions)):
        u, v = positions[i]
        first = directions[i]
        for heading in range(len(unit)):
            second = unit[heading]
            turn = abs(
                math.atan2(
                    first[0] * second[1] - first[1] * second[0], first[0] * second[0] + first[1] * second[1]
                )
            )
            if turn < least_turn or turn > most_turn:
                continue
            tangent = radius * math.tan(turn / 2.0)
            col, row, leg_in, leg_out = nearest_cell(
                u, v, first, second, tangent + straight[i], tangent + half_straight, ground.rows, ground.cols
            )
            if col < 0:
                continue
            points, lengths = bend_polyline(first, second, leg_in, leg_out, radius, CHORD)
            points[:, 0] += u - 0.5
            points[:, 1] += v - 0.5
            if crosses_any(points, segments):
                continue
            cost = polyline_cost(ground, points, lengths, 0.0, 0.0)
            if cost == math.inf:
                continue
            found[count, 0], found[count, 1], found[count, 2], found[count, 3] = i, heading, col, row
            found[count, 4], found[count, 5] = u + leg_in * first[0], v + leg_in * first[1]
            found[count, 6], found[count, 7] = leg_in - tangent, cost
            count += 1
    return found[:count]
