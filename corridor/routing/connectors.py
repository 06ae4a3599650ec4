"""From an exact pose onto the grid: a straight, one bend, and a straight along a heading.

START, END and via points lie anywhere and may have any bearing. A connector
leaves the pose P along its direction u, bends at an IP and runs along heading k
through the centre of a cell Q::

    Q = P + a u + b U_k,   a >= T + straight at the pose,   b >= T + half a straight

with T the tangent length of the bend. Entries are exits of the reversed line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.headings import heading_vectors
from corridor.routing.moves import MOST_TURN_DEG

WINDOW = 9
"""Cells around the nearest possible one in which end cells are looked for."""

NEAREST = 2
"""End cells kept for each pair of directions."""


@dataclass(frozen=True, slots=True, eq=False)
class Connectors:
    """Ways from poses onto the grid, all lengths in cells.

    Attributes
    ----------
    pose : array (n,) int64
        Index of the direction they leave in.
    cell : array (n, 2) int64
        Column, row of the cell reached.
    heading : array (n,) int64
    ip : array (n, 2)
        u, v of the IP; NaN where the connector is one straight.
    radius : array (n,)
        Of the bend; NaN where there is none.
    leg_in, leg_out : array (n,)
        From the pose to the IP, from the IP to the cell's centre.
    """

    pose: NDArray[np.int64]
    cell: NDArray[np.int64]
    heading: NDArray[np.int64]
    ip: NDArray[np.float64]
    radius: NDArray[np.float64]
    leg_in: NDArray[np.float64]
    leg_out: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.pose)


def free_directions(headings: int) -> NDArray[np.float64]:
    """Directions tried at a pose without a bearing: the headings and as many between them."""
    vectors = heading_vectors(headings).astype(float)
    unit = vectors / np.hypot(vectors[:, 0], vectors[:, 1])[:, None]
    between = unit + np.roll(unit, -1, axis=0)
    return np.concatenate([unit, between / np.hypot(between[:, 0], between[:, 1])[:, None]])


def connectors(
    position: tuple[float, float],
    directions: NDArray[np.float64],
    headings: int,
    radius: float,
    straight: float,
    straight_at_pose: float,
    shape: tuple[int, int],
) -> Connectors:
    """All nearest connectors from a position in some directions.

    Parameters
    ----------
    position : (u, v)
        In cell units.
    directions : array (m, 2)
        Unit vectors (east, south) of increasing KP at the pose.
    headings : int
        Number of headings of the search.
    radius, straight, straight_at_pose : float
        Least radius, least straight between bends, and straight needed at the
        pose, cells.
    shape : (rows, cols)
    """
    vectors = heading_vectors(headings).astype(float)
    unit = vectors / np.hypot(vectors[:, 0], vectors[:, 1])[:, None]
    found: list[tuple] = []
    start = np.array(position)
    for number, direction in enumerate(directions):
        for heading in range(headings):
            turn = math.atan2(
                direction[0] * unit[heading, 1] - direction[1] * unit[heading, 0],
                float(direction @ unit[heading]),
            )
            if abs(turn) > math.radians(MOST_TURN_DEG):
                continue
            if abs(turn) < 1e-9:
                found += _straight_ahead(number, start, vectors[heading], heading, straight_at_pose, shape)
            else:
                tangent = radius * math.tan(abs(turn) / 2.0)
                least_in, least_out = tangent + straight_at_pose, tangent + straight / 2.0
                for col, row, leg_in, leg_out in _nearest_cells(
                    start, direction, unit[heading], least_in, least_out, shape
                ):
                    ip = start + leg_in * direction
                    found.append((number, col, row, heading, ip[0], ip[1], radius, leg_in, leg_out))
    table = np.array(found, dtype=float).reshape(-1, 9)
    return Connectors(
        pose=table[:, 0].astype(np.int64),
        cell=table[:, 1:3].astype(np.int64),
        heading=table[:, 3].astype(np.int64),
        ip=table[:, 4:6],
        radius=table[:, 6],
        leg_in=table[:, 7],
        leg_out=table[:, 8],
    )


def _straight_ahead(
    number: int,
    start: NDArray,
    vector: NDArray,
    heading: int,
    straight_at_pose: float,
    shape: tuple[int, int],
) -> list[tuple]:
    """The connector without a bend, where the pose stands on a cell's centre and on a heading."""
    if np.abs(start - np.floor(start) - 0.5).max() > 1e-9:
        return []
    steps = math.ceil(straight_at_pose / math.hypot(*vector) - 1e-9)
    col, row = np.floor(start + steps * vector)
    if not (0 <= col < shape[1] and 0 <= row < shape[0]):
        return []
    return [(number, col, row, heading, np.nan, np.nan, np.nan, steps * math.hypot(*vector), 0.0)]


def _nearest_cells(
    start: NDArray,
    direction: NDArray,
    along: NDArray,
    least_in: float,
    least_out: float,
    shape: tuple[int, int],
) -> list[tuple[float, float, float, float]]:
    """Cells Q = start + a direction + b along with a, b at least the given legs, shortest first."""
    nearest = start + least_in * direction + least_out * along
    span = np.arange(-WINDOW, WINDOW + 1)
    cols = np.floor(nearest[0]) + span
    rows = np.floor(nearest[1]) + span
    all_cols, all_rows = (a.ravel() for a in np.meshgrid(cols, rows))
    reach_u, reach_v = all_cols + 0.5 - start[0], all_rows + 0.5 - start[1]
    area = direction[0] * along[1] - direction[1] * along[0]
    leg_in = (reach_u * along[1] - reach_v * along[0]) / area
    leg_out = (direction[0] * reach_v - direction[1] * reach_u) / area
    good = (
        (leg_in >= least_in - 1e-9)
        & (leg_out >= least_out - 1e-9)
        & (all_cols >= 0)
        & (all_rows >= 0)
        & (all_cols < shape[1])
        & (all_rows < shape[0])
    )
    kept = np.flatnonzero(good)
    order = kept[np.lexsort((all_rows[kept], all_cols[kept], np.round(leg_in + leg_out, 9)[kept]))][:NEAREST]
    return [(all_cols[k], all_rows[k], leg_in[k], leg_out[k]) for k in order]
