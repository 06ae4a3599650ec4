"""The strip around a guide that a line may be kept within: exact distances, found quickly.

The grid is cut into blocks; each knows the pieces of the guide that can be
nearest to a point in it.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel

STRIP_BLOCK = 8
"""Cells along the side of a block."""


@kernel
def distance_to_piece(guide, i, u, v):
    """Distance of a point from piece i of a polyline."""
    a_u, a_v = guide[i]
    d_u, d_v = guide[i + 1, 0] - a_u, guide[i + 1, 1] - a_v
    size = d_u * d_u + d_v * d_v
    t = 0.0 if size == 0.0 else min(1.0, max(0.0, ((u - a_u) * d_u + (v - a_v) * d_v) / size))
    return math.hypot(u - a_u - t * d_u, v - a_v - t * d_v)


@kernel
def strip_index(guide, rows, cols):
    """Which pieces of the guide can be nearest to a point of each block of cells: (first, pieces)."""
    across, down = -(-cols // STRIP_BLOCK), -(-rows // STRIP_BLOCK)
    first = np.zeros(across * down + 1, dtype=np.int64)
    pieces = np.empty(1024, dtype=np.int64)
    count = 0
    away = np.empty(max(len(guide) - 1, 0))
    for block in range(across * down):
        if len(guide):
            u, v = (block % across + 0.5) * STRIP_BLOCK, (block // across + 0.5) * STRIP_BLOCK
            nearest = math.inf
            for i in range(len(away)):
                away[i] = distance_to_piece(guide, i, u, v)
                nearest = min(nearest, away[i])
            # Twice from the block's centre to its corner.
            reach = nearest + 1.4143 * STRIP_BLOCK
            for i in range(len(away)):
                if away[i] <= reach:
                    if count == len(pieces):
                        pieces = np.concatenate((pieces, np.empty(count, dtype=np.int64)))
                    pieces[count] = i
                    count += 1
        first[block + 1] = count
    return first, pieces[:count]


@kernel
def strip_excess(course, u, v):
    """How far a point lies outside the strip around the guide (negative: inside), cells."""
    across = -(-course.ground.cols // STRIP_BLOCK)
    col = min(max(int(u), 0), course.ground.cols - 1) // STRIP_BLOCK
    row = min(max(int(v), 0), course.ground.rows - 1) // STRIP_BLOCK
    nearest = math.inf
    for k in range(course.strip_first[row * across + col], course.strip_first[row * across + col + 1]):
        nearest = min(nearest, distance_to_piece(course.guide, course.strip_pieces[k], u, v))
    return nearest - course.near
