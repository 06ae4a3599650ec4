"""Which cells a piece of line passes, how far and in which direction.

Positions are in cell units: u east, v south, cell (col, row) spans
[col, col + 1) x [row, row + 1). A trace has one row per cell passed:

====== ==========================================================
column meaning
====== ==========================================================
0      length in the cell, cells
1, 2   direction (east, south), unit vector from entry to exit
3, 4   entry point relative to the cell's centre
5, 6   exit point relative to the cell's centre
====== ==========================================================
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel

TRACE_COLUMNS = 7
_SNAP = 1e-9  # two borders crossed closer together than this are one corner


@kernel
def next_border(position, direction):
    """Distance along a ray to the next border between cells in one coordinate."""
    if direction > 0.0:
        gap = math.floor(position + _SNAP) + 1.0 - position
    elif direction < 0.0:
        gap = position - (math.ceil(position - _SNAP) - 1.0)
    else:
        return math.inf
    return gap / abs(direction)


@kernel
def trace_polyline(points, lengths):
    """Cells passed by a polyline, consecutive pieces in one cell joined.

    Parameters
    ----------
    points : array (n, 2)
        Vertices (u, v) in cell units.
    lengths : array (n - 1,)
        True length of each piece (arcs are longer than their chords).

    Returns
    -------
    cells : array (m, 2) int64
        (col, row).
    trace : array (m, 7)
        See the module's table.
    """
    room = 4 * len(points)
    for i in range(len(points) - 1):
        room += int(abs(points[i + 1, 0] - points[i, 0]) + abs(points[i + 1, 1] - points[i, 1])) + 2
    cells = np.empty((room, 2), dtype=np.int64)
    trace = np.zeros((room, TRACE_COLUMNS))
    count = 0
    for i in range(len(points) - 1):
        u, v = points[i, 0], points[i, 1]
        east, south = points[i + 1, 0] - u, points[i + 1, 1] - v
        chord = math.hypot(east, south)
        if chord < 1e-12:
            continue
        east /= chord
        south /= chord
        stretch = lengths[i] / chord
        done = 0.0
        while done < chord - _SNAP:
            here_u, here_v = u + done * east, v + done * south
            step = min(next_border(here_u, east), next_border(here_v, south))
            step = min(max(step, _SNAP), chord - done)
            middle_u, middle_v = here_u + 0.5 * step * east, here_v + 0.5 * step * south
            col, row = math.floor(middle_u), math.floor(middle_v)
            if step > 2.0 * _SNAP:
                if count == 0 or cells[count - 1, 0] != col or cells[count - 1, 1] != row:
                    cells[count, 0] = col
                    cells[count, 1] = row
                    trace[count, 3] = here_u - col - 0.5
                    trace[count, 4] = here_v - row - 0.5
                    count += 1
                trace[count - 1, 0] += step * stretch
                trace[count - 1, 5] = here_u + step * east - col - 0.5
                trace[count - 1, 6] = here_v + step * south - row - 0.5
            done += step
    for k in range(count):
        east, south = trace[k, 5] - trace[k, 3], trace[k, 6] - trace[k, 4]
        size = math.hypot(east, south)
        trace[k, 1] = east / size
        trace[k, 2] = south / size
    return cells[:count], trace[:count]


@kernel
def bend_polyline(first, second, leg_in, leg_out, radius, chord):
    """A straight, an arc and a straight as a polyline from (0.5, 0.5).

    Parameters
    ----------
    first, second : unit vectors (east, south)
        Directions before and after the bend.
    leg_in, leg_out : float
        Distance from the start to the IP and from the IP to the end, cells.
    radius : float
        Of the arc, cells; its tangent length must not exceed either leg.
    chord : float
        Longest chord along the arc, cells.

    Returns
    -------
    points : array (n, 2)
    lengths : array (n - 1,)
        True lengths of the pieces.
    """
    turn = math.atan2(
        first[0] * second[1] - first[1] * second[0], first[0] * second[0] + first[1] * second[1]
    )
    tangent = radius * math.tan(abs(turn) / 2.0)
    arc = radius * abs(turn)
    pieces = max(2, int(math.ceil(arc / chord)), int(math.ceil(abs(turn) / 0.03)))
    points = np.empty((pieces + 3, 2))
    lengths = np.empty(pieces + 2)
    points[0, 0] = 0.5
    points[0, 1] = 0.5
    start_u = 0.5 + (leg_in - tangent) * first[0]
    start_v = 0.5 + (leg_in - tangent) * first[1]
    side = 1.0 if turn > 0.0 else -1.0
    centre_u = start_u - side * radius * first[1]
    centre_v = start_v + side * radius * first[0]
    for i in range(pieces + 1):
        angle = turn * i / pieces
        cos, sin = math.cos(angle), math.sin(angle)
        arm_u, arm_v = side * radius * first[1], -side * radius * first[0]
        points[i + 1, 0] = centre_u + arm_u * cos - arm_v * sin
        points[i + 1, 1] = centre_v + arm_u * sin + arm_v * cos
    points[pieces + 2, 0] = 0.5 + leg_in * first[0] + leg_out * second[0]
    points[pieces + 2, 1] = 0.5 + leg_in * first[1] + leg_out * second[1]
    lengths[0] = leg_in - tangent
    lengths[1 : pieces + 1] = arc / pieces
    lengths[pieces + 1] = leg_out - tangent
    return points, lengths
