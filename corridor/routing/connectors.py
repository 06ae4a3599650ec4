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
from corridor.routing.ground import unit_vectors
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
    unit = unit_vectors(headings)
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
    unit = unit_vectors(headings)
    start = np.array(position)
    turn = np.arctan2(
        np.outer(directions[:, 0], unit[:, 1]) - np.outer(directions[:, 1], unit[:, 0]), directions @ unit.T
    )
    pose, heading = np.nonzero((np.abs(turn) <= math.radians(MOST_TURN_DEG)) & (np.abs(turn) >= 1e-9))
    tangent = radius * np.tan(np.abs(turn[pose, heading]) / 2.0)
    which, cols, rows, leg_in, leg_out = _nearest_cells(
        start, directions[pose], unit[heading], tangent + straight_at_pose, tangent + straight / 2.0, shape
    )
    ip = start + leg_in[:, None] * directions[pose[which]]
    bent = np.column_stack(
        [pose[which], cols, rows, heading[which], ip, np.full(len(which), radius), leg_in, leg_out]
    )
    ahead: list[tuple] = []
    for number, k in zip(*np.nonzero(np.abs(turn) < 1e-9), strict=True):
        ahead += _straight_ahead(number, start, vectors[k], k, straight_at_pose, shape)
    table = np.concatenate([bent, np.array(ahead, dtype=float).reshape(-1, 9)])
    table = table[np.lexsort((table[:, 3], table[:, 0]))]
    # Copies: kernels are compiled once more for columns of a table.
    return Connectors(
        pose=table[:, 0].astype(np.int64),
        cell=table[:, 1:3].astype(np.int64),
        heading=table[:, 3].astype(np.int64),
        ip=table[:, 4:6].copy(),
        radius=table[:, 6].copy(),
        leg_in=table[:, 7].copy(),
        leg_out=table[:, 8].copy(),
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
    least_in: NDArray,
    least_out: NDArray,
    shape: tuple[int, int],
) -> tuple[NDArray, NDArray, NDArray, NDArray, NDArray]:
    """Cells Q = start + a direction + b along with a, b at least the given legs, the shortest of each pair.

    Pairs of directions (n, 2) in; out, for every cell found: index of its pair,
    column, row, a, b; pair by pair, shortest first. Equal ones go by column, then row.
    """
    nearest = start + least_in[:, None] * direction + least_out[:, None] * along
    span = np.arange(-WINDOW, WINDOW + 1.0)
    cols = (np.floor(nearest[:, :1]) + span)[:, :, None]
    rows = (np.floor(nearest[:, 1:]) + span)[:, None, :]
    east, south, along_east, along_south = (
        part[:, None, None] for part in (direction[:, 0], direction[:, 1], along[:, 0], along[:, 1])
    )
    reach_u, reach_v = cols + 0.5 - start[0], rows + 0.5 - start[1]
    area = east * along_south - south * along_east
    leg_in = (reach_u * along_south - reach_v * along_east) / area
    leg_out = (east * reach_v - south * reach_u) / area
    good = (leg_in >= least_in[:, None, None] - 1e-9) & (leg_out >= least_out[:, None, None] - 1e-9)
    good &= (cols >= 0) & (cols < shape[1]) & (rows >= 0) & (rows < shape[0])
    size = len(span)
    length = np.where(good, np.round(leg_in + leg_out, 9), np.inf).reshape(len(nearest), size * size)
    pair = np.arange(len(nearest))
    found = []
    for _ in range(NEAREST):
        k = np.argmin(length, axis=1)
        found.append(np.where(np.isfinite(length[pair, k]), k, -1))
        length[pair, k] = np.inf
    chosen = np.stack(found, axis=1)
    which, _ = np.nonzero(chosen >= 0)
    col, row = np.divmod(chosen[chosen >= 0], size)
    return which, cols[which, col, 0], rows[which, 0, row], leg_in[which, col, row], leg_out[which, col, row]
