"""The moves of the search: steps and bends that a vessel can lay, as stencils."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.headings import heading_vectors
from corridor.kernels.search import Moves
from corridor.kernels.stencils import bend_polyline, trace_polyline

MOST_TURN_DEG = 91.0
"""A single bend turns at most this much; larger turns are several bends."""

ARC_CHORD_CELLS = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Bend:
    """One bend of the table, in cells: legs to and from its IP, and the radius its arc has."""

    heading_in: int
    heading_out: int
    steps_in: int
    steps_out: int
    radius: float


@lru_cache(maxsize=16)
def bend_table(count: int, radius: float, straight: float) -> tuple[Bend, ...]:
    """All bends between headings, with the shortest legs that hold the tangents.

    Parameters
    ----------
    count : int
        Number of headings.
    radius : float
        Least bend radius, cells.
    straight : float
        Least straight between bends, cells: every bend carries half of it on
        either side, so that any two bends in a row have it between them.

    Notes
    -----
    A leg of n steps along heading d is n |d| long and must hold
    ``radius * tan(turn / 2) + straight / 2``; the arc then gets the radius
    that the shorter leg allows, which is >= `radius`.
    """
    vectors = heading_vectors(count).astype(float)
    sizes = np.hypot(vectors[:, 0], vectors[:, 1])
    table = []
    for first in range(count):
        for shift in range(1, count // 2):
            for second in ((first + shift) % count, (first - shift) % count):
                turn = abs(_turn(vectors[first], vectors[second]))
                if turn > math.radians(MOST_TURN_DEG):
                    continue
                need = radius * math.tan(turn / 2.0) + straight / 2.0
                steps_in = max(1, math.ceil(need / sizes[first] - 1e-9))
                steps_out = max(1, math.ceil(need / sizes[second] - 1e-9))
                shorter = min(steps_in * sizes[first], steps_out * sizes[second])
                bend_radius = (shorter - straight / 2.0) / math.tan(turn / 2.0)
                table.append(Bend(first, second, steps_in, steps_out, bend_radius))
    return tuple(table)


def _turn(first: NDArray, second: NDArray) -> float:
    return math.atan2(first[0] * second[1] - first[1] * second[0], float(first @ second))


def build_moves(table: tuple[Bend, ...], count: int, cols: int, bend_cost: float) -> Moves:
    """Stencils of all steps and bends for a grid of `cols` columns.

    Parameters
    ----------
    table : tuple of Bend
        Ordered by `heading_in`.
    bend_cost : float
        Price of a bend, cells.
    """
    moves, passed = _stencils(table, count)
    offsets = (passed[:, 1] * cols + passed[:, 0]).astype(np.int32)
    return moves._replace(bend_cost=float(bend_cost), offsets=offsets)


@lru_cache(maxsize=16)
def _stencils(table: tuple[Bend, ...], count: int) -> tuple[Moves, NDArray]:
    """All that is the same on every grid and at every price, and the cells passed (n, 2): column, row."""
    vectors = heading_vectors(count)
    sizes = np.hypot(vectors[:, 0], vectors[:, 1]).astype(float)
    cells, traces, rows = [], [], [0]

    def add(points: NDArray, lengths: NDArray) -> tuple[NDArray, float]:
        passed, trace = trace_polyline(points, lengths)
        cells.append(passed)
        traces.append(trace)
        rows.append(rows[-1] + len(trace))
        return passed, float(lengths.sum())

    for vector, size in zip(vectors, sizes, strict=True):
        add(np.array([[0.5, 0.5], 0.5 + vector]), np.array([size]))
    boxes, ends, lengths_of = [], [], []
    for bend in table:
        first, second = vectors[bend.heading_in], vectors[bend.heading_out]
        points, lengths = bend_polyline(
            first / sizes[bend.heading_in],
            second / sizes[bend.heading_out],
            bend.steps_in * sizes[bend.heading_in],
            bend.steps_out * sizes[bend.heading_out],
            bend.radius,
            ARC_CHORD_CELLS,
        )
        passed, length = add(points, lengths)
        boxes.append([*_range(passed[:, 0]), *_range(passed[:, 1])])
        ends.append(bend.steps_in * first + bend.steps_out * second)
        lengths_of.append(length)
    passed = np.concatenate(cells)
    trace = np.concatenate(traces)
    heading_in = np.array([bend.heading_in for bend in table], dtype=np.int64)
    moves = Moves(
        vectors=vectors,
        step_length=sizes,
        step_row=np.array(rows[: count + 1], dtype=np.int64),
        bend_first=np.searchsorted(heading_in, np.arange(count + 1)).astype(np.int64),
        bend_to=np.array([bend.heading_out for bend in table], dtype=np.int64),
        bend_end=np.array(ends, dtype=np.int64).reshape(-1, 2),
        bend_box=np.array(boxes, dtype=np.int64).reshape(-1, 4),
        bend_row=np.array(rows[count:], dtype=np.int64),
        bend_length=np.array(lengths_of, dtype=float),
        bend_cost=0.0,
        offsets=np.empty(0, dtype=np.int32),
        pieces=np.ascontiguousarray(trace[:, :3], dtype=np.float32),
        spans=np.ascontiguousarray(trace[:, 3:], dtype=np.float32),
    )
    return moves, passed


def _range(values: NDArray) -> tuple[int, int]:
    return int(values.min()), int(values.max())
