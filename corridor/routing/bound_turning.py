"""What bends cost at least: a bound that counts how often a line changes the side it turns to.

Bends that follow each other to the same side count as one, however many they are;
every change of side costs the price of a bend, and so does the first. What is
bounded is therefore the cheapest of all curves whose bends have the least radius at
least, with that price for every run of bends to one side.

Why it holds
------------
1. The curve is followed by a chain of steps as in :mod:`corridor.routing.bound`, along the two
   headings beside its direction. The directions between two neighbouring headings are a *sector*; in it
   a step counts cos(g / 2) of its length, g the angle between the two.
2. The direction of a curve goes from one sector to the next through the heading between them.
   To go on to the same side costs nothing; to go to the other side than the last time costs a bend.
   A curve that turns less than a sector may be free: that makes the bound smaller, not wrong.
3. Turning takes way: between two steps the curve runs no further than the longest step and the cell by which
   the chain may stray. Within that it turns (longest step + 1) / R at most, R the least radius in cells.
   Two headings further apart than that are not passed without a step between them. Without this a chain
   could turn right by 350 degrees on the spot instead of left by 10.
4. A bearing that is fixed fixes the sector at that end.

The least radius must be large against the cells, or 3 forbids nothing: fewer headings, whose steps
are shorter, are taken then, or none of this.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.headings import heading_bearings, heading_gaps, heading_vectors
from corridor.kernels.turning import TURNS, follow
from corridor.model.grid import Grid
from corridor.model.rules import RouteEnd
from corridor.progress import Progress
from corridor.routing.buffers import Heap
from corridor.routing.space import SearchSpace

HEADINGS = (80, 48, 32)
MOST_TURN_DEG = 6.0
"""Headings are taken whose steps let a curve turn no more than this between them."""

ON_HEADING_DEG = 0.01
"""A bearing this near to a heading belongs to the sectors on either side of it."""

BATCH = 50_000

FIRST_SLOTS = 4096

ROUNDING = 3e-5
"""Labels are float32, some thousand sums long."""


def turning_headings(min_bend_radius_cells: float) -> int | None:
    """The headings whose sectors the bound is taken over; None where the radius is too small."""
    for count in HEADINGS:
        if math.degrees(turn_between_steps(count, min_bend_radius_cells)) <= MOST_TURN_DEG:
            return count
    return None


def turn_between_steps(headings: int, min_bend_radius_cells: float) -> float:
    """The most that a curve turns between two steps of the chain that follows it, radians."""
    longest = float(np.hypot(*heading_vectors(headings).astype(float).T).max())
    return (longest + 1.0) / min_bend_radius_cells


def turning_bound(
    space: SearchSpace, ahead: NDArray[np.float64], bend_cost: float, start: RouteEnd, end: RouteEnd,
    progress: Progress,
) -> float:  # fmt: skip
    """Least cost, cells, of a chain of steps between two ends that pays `bend_cost` for changes of side.

    Parameters
    ----------
    space : SearchSpace
        Over the optimistic ground, steps with their full length.
    ahead : array (cells,)
        What is left to pay at least, without bends; infinite where that is not known to be
        within what is looked at.
    bend_cost : float
        Cells.

    Returns
    -------
    float
        Infinite where no chain joins the ends within the cells looked at.
    """
    headings, grid = space.rules.headings, space.surface.grid
    bearing = heading_bearings(headings)
    radius = space.rules.min_bend_radius_m / grid.cell_m
    again = may_pass(bearing, turn_between_steps(headings, radius))
    share = np.cos(heading_gaps(headings) / 2.0)
    first, last = cell_of(grid, start), cell_of(grid, end)
    slot, node_of = np.zeros(ahead.size * headings, dtype=np.int32), np.zeros(FIRST_SLOTS, dtype=np.int64)
    best = np.full(FIRST_SLOTS * TURNS, np.inf, dtype=np.float32)
    heap = Heap.empty()
    begin = np.flatnonzero(sectors_of(bearing, start.bearing_deg))
    for place, sector in enumerate(begin):
        node_of[place] = first * headings + sector
        slot[node_of[place]] = place + 1
        best[place * TURNS] = 0.0
        heap.add(float(ahead[first]), place * TURNS)
    goal_sectors = sectors_of(bearing, end.bearing_deg)
    counts = np.array([0, len(begin), 0, 0], dtype=np.int64)
    while heap.size:
        heap.room(4 * BATCH)
        heap.size, cost = follow(
            space.ground, space.moves, space.crossings, ahead, share, bend_cost, again, last,
            goal_sectors, slot, node_of, best, heap.keys, heap.items, heap.size, BATCH, counts,
        )  # fmt: skip
        progress("bound", min(1.0, counts[1] / (8.0 * ahead.size)))
        if counts[3]:
            return float(cost) * (1.0 - ROUNDING)
        if counts[2]:
            counts[2] = 0
            node_of = np.concatenate([node_of, np.zeros_like(node_of)])
            best = np.concatenate([best, np.full_like(best, np.inf)])
    return math.inf


def cell_of(grid: Grid, end: RouteEnd) -> int:
    """Flat index of the cell that an end lies in."""
    u, v = grid.to_cells(end.easting, end.northing)
    return int(np.floor(v)) * grid.cols + int(np.floor(u))


def may_pass(bearing_rad: NDArray[np.float64], most_rad: float) -> NDArray[np.bool_]:
    """(2, S, 3): whether a turn to the left (0), right (1) may pass heading s after n others on the spot.

    `bearing_rad` (S,): of the headings, in order. After the second the angle to the last but one counts.
    """
    again = np.zeros((2, len(bearing_rad), 3), dtype=bool)
    for n in (1, 2):
        again[1, :, n] = (bearing_rad - np.roll(bearing_rad, n)) % (2.0 * np.pi) <= most_rad
        again[0, :, n] = (np.roll(bearing_rad, -n) - bearing_rad) % (2.0 * np.pi) <= most_rad
    return again


def sectors_of(bearing_rad: NDArray[np.float64], bearing_deg: float | None) -> NDArray[np.bool_]:
    """(S,): the sectors that a bearing lies in; all where it is free."""
    count = len(bearing_rad)
    if bearing_deg is None:
        return np.ones(count, dtype=bool)
    found = np.zeros(count, dtype=bool)
    for aside in (-ON_HEADING_DEG, ON_HEADING_DEG):
        at = math.radians(bearing_deg + aside) % (2.0 * math.pi)
        found[(int(np.searchsorted(bearing_rad, at, side="right")) - 1) % count] = True
    return found
