"""Lines over ground that is too steep: the crossing that needs least, of bends a vessel can lay.

On gentle ground a line may turn as it likes. What decides is the steep ground
between START's side and END's. Every way off the one and onto the other competes
in one search for the crossing whose steepest place is the gentlest
(:mod:`corridor.kernels.least_worst`); then its ends are joined to the line's own.
The search sees mean slopes of cells and few directions, so what it finds is where
to draw, not yet what the rule must give.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, label

from corridor.kernels.least_worst import BEHIND, LEVEL, SOURCE, least_worst
from corridor.model.alignment import Alignment
from corridor.model.rules import RouteEnd
from corridor.progress import Progress, silent
from corridor.routing.buffers import Heap
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_pass import Flood
from corridor.routing.concession_route import HELD, Stop, cheapest_stretch, eased_surface
from corridor.routing.concession_rules import Rule
from corridor.routing.geometry import end_to_end
from corridor.routing.search import before_move
from corridor.routing.space import SearchSpace, search_space

LOOKS = ((HELD, 32), (1.0, 48))
"""How a crossing is looked for: share of the limit that stays which is held, and headings."""

ROOM_RADII = 0.2
"""Gentle ground counts where a disc of so many bend radii fits in."""

OWN_SHARE = 0.75
"""Gentle ground is told by this share of the slope limit that stays, where that is less than the other."""

STEEPER = (1.3, 2.0, 4.0)
"""Looked at up to these multiples of the limit that any line needs, one after the other."""

OTHER_ENDS = 4
"""Places behind the steep ground that are tried where one cannot be joined to END."""

APART_CELLS = 25.0
"""So far around such a place no other is tried."""

BATCH = 20_000


@dataclass(frozen=True, slots=True, eq=False)
class Crossing:
    """A way over steep ground: its IPs, the poses it begins and ends with, and its steepest place."""

    line: Alignment
    begin: RouteEnd
    end: RouteEnd
    tangent: float


def crossing_lines(
    ground: ClosedGround, flood: Flood, rule: Rule, least: float, progress: Progress = silent
) -> Iterator[Alignment]:  # fmt: skip
    """Lines whose crossing of the steep ground needs least, one for each of :data:`LOOKS`.

    They are searched for when asked for, and may break rules by a little. None where a leg
    of the line has no gentle ground on either side.
    """
    leg = flood.blocked_leg()
    if leg is None:
        return
    side = sides(ground, flood, leg, rule)
    if not ((side == 1).any() and (side == BEHIND).any()):
        return
    for held, headings in LOOKS:
        line = _line(ground, flood, rule, leg, side.copy(), least, held, headings, progress)
        if line is not None:
            yield line


def sides(ground: ClosedGround, flood: Flood, leg: int, rule: Rule) -> NDArray[np.uint8]:
    """(cells,) gentle ground on the side of the leg's START (1) and of its END (2), 0 elsewhere.

    Gentle is where no direction breaks a slope limit, there is room to turn, and the way
    there is open under the rules as they stand. The limit in question counts as
    :data:`OWN_SHARE` of the other at most: where a line crosses must not hang on how far it is off.
    """
    surface, radius = ground.surface, ground.project.rules.min_bend_radius_m
    along, across = surface.tan_along, surface.tan_across
    if rule.rule == "max_slope_across_deg":
        across = min(across, OWN_SHARE * along)
    else:
        along = min(along, OWN_SHARE * across)
    steep = np.hypot(surface.ground[..., 1], surface.ground[..., 2])
    gentle = np.isfinite(surface.ground[..., 0])
    gentle &= steep <= HELD * min(along, across)
    room = ROOM_RADII * radius / surface.grid.cell_m
    middle = distance_transform_edt(np.pad(gentle, 1))[1:-1, 1:-1] >= room
    gentle &= distance_transform_edt(~middle) < room
    patch, _ = label(gentle)
    found = np.zeros(gentle.size, dtype=np.uint8)
    for mark in (1, BEHIND):
        reached = flood.reached(leg, mark == BEHIND, (along, across)).reshape(gentle.shape)
        there = np.isin(patch, np.setdiff1d(patch[reached & gentle], [0])) & reached
        found[there.ravel()] = mark
    return found


def _line(
    ground: ClosedGround, flood: Flood, rule: Rule, leg: int, side: NDArray[np.uint8], least: float,
    held: float, headings: int, progress: Progress,
) -> Alignment | None:  # fmt: skip
    """A line over the gentlest crossing whose ends can be joined to the line's own."""
    for steeper in STEEPER:
        most = min(rule.give(rule.needed(least) * steeper), rule.most)
        eased = rule.eased(ground.project, most)
        surface = eased_surface(ground, eased, held=held)
        space = search_space(surface, replace(eased.rules, headings=headings))
        search = _Search(space, rule.rule == "max_slope_across_deg", side)
        for _ in range(OTHER_ENDS):
            crossing = search.next(progress)
            if crossing is None:
                break
            line, begun = _joined_to_ends(ground, flood, rule, leg, crossing, progress)
            if line is not None or not begun:
                return line
            search.leave_out(crossing.end)
        if most >= rule.most or search.found:
            break
    return None


def _joined_to_ends(
    ground: ClosedGround, flood: Flood, rule: Rule, leg: int, crossing: Crossing, progress: Progress
) -> tuple[Alignment | None, bool]:
    """The whole line over a crossing, and whether at least its part before that was found."""
    give = crossing.tangent * (1.0 + HELD) / (2.0 * HELD) - math.tan(math.radians(rule.limit))
    eased = rule.eased(ground.project, min(max(give, 0.0), rule.most))
    rules, stops = eased.rules, flood.stops
    surface = eased_surface(ground, eased)
    space = search_space(surface, rules)
    half, straight = 0.5 * rules.min_straight_m, rules.straight_at_ends_m
    before = cheapest_stretch(
        surface, space, Stop(stops[0], straight), list(stops[1 : leg + 1]), Stop(crossing.begin, half),
        progress,
    )  # fmt: skip
    if before is None:
        return None, False
    after = cheapest_stretch(
        surface, space, Stop(crossing.end, half), list(stops[leg + 1 : -1]), Stop(stops[-1], straight),
        progress,
    )  # fmt: skip
    return (None if after is None else end_to_end([before, crossing.line, after])), True


class _Search:
    """One search for crossings, the gentlest first."""

    def __init__(self, space: SearchSpace, across: bool, side: NDArray[np.uint8]):
        self.space, self.across, self.side, self.found = space, across, side, False
        states = side.size * space.rules.headings
        self._level, self._length = np.empty(states, np.float32), np.empty(states, np.float32)
        self._came = np.zeros(states, np.uint32)
        sources = self._sources()
        # Equal keys are a heap in any order.
        self._heap = Heap(np.zeros(len(sources)), sources, len(sources))
        self._level[sources] = self._length[sources] = 0.0
        self._came[sources] = SOURCE

    def _sources(self) -> NDArray[np.int64]:
        """States whose next step leaves the gentle ground before."""
        rows, cols = self.space.surface.grid.shape
        vectors, headings = self.space.moves.vectors, self.space.rules.headings
        before = (self.side == 1).reshape(rows, cols)
        row, col = np.nonzero(before & (distance_transform_edt(before) <= np.abs(vectors).max()))
        to_row = np.clip(row[:, None] + vectors[:, 1], 0, rows - 1)
        to_col = np.clip(col[:, None] + vectors[:, 0], 0, cols - 1)
        return ((row * cols + col)[:, None] * headings + np.arange(headings))[~before[to_row, to_col]]

    def next(self, progress: Progress) -> Crossing | None:
        """The gentlest crossing left; None where there is none."""
        space, heap = self.space, self._heap
        counts = np.zeros(2, dtype=np.int64)
        per_state = len(space.bends) // space.rules.headings + len(space.crossings.levels) + 4
        while heap.size and not counts[1]:
            heap.room(BATCH * per_state)
            heap.size = least_worst(
                space.ground, space.moves, space.crossings, self.across, self.side, self._level,
                self._length, self._came, heap.keys, heap.items, heap.size, BATCH, counts,
            )  # fmt: skip
            progress("explanation", 0.0)
        if not counts[1]:
            return None
        self.found = True
        return self._traced(int(counts[1]) - 1)

    def leave_out(self, end: RouteEnd) -> None:
        """Let no crossing end near a place from which END is out of reach."""
        rows, cols = self.space.surface.grid.shape
        u, v = self.space.surface.grid.to_cells(end.easting, end.northing)
        row, col = np.mgrid[:rows, :cols]
        near = (np.hypot(col + 0.5 - u, row + 0.5 - v) <= APART_CELLS).ravel()
        self.side[near & (self.side == BEHIND)] = 0

    def _traced(self, state: int) -> Crossing:
        """The moves back from a state behind the steep ground."""
        space, headings = self.space, self.space.rules.headings
        cols = space.surface.grid.cols
        last, tangent = state, float(self._level[state])
        points, radii = [self._middle(state // headings)], []
        while (code := int(self._came[state])) != SOURCE:
            cell, heading = divmod(state, headings)
            row, col = divmod(cell, cols)
            row, col, heading, ip = before_move(space, code, row, col, heading)
            if ip is not None:
                points.append(ip[:2])
                radii.append(ip[2] * space.surface.grid.cell_m)
            state = int((row * cols + col) * headings + heading)
        points.append(self._middle(state // headings))
        line = self._on_map(points[::-1], radii[::-1])
        return Crossing(line, self._pose(state), self._pose(last), tangent + LEVEL)

    def _middle(self, cell: int) -> tuple[float, float]:
        row, col = divmod(cell, self.space.surface.grid.cols)
        return col + 0.5, row + 0.5

    def _on_map(self, points: list[tuple[float, float]], radii: list[float]) -> Alignment:
        grid = self.space.surface.grid
        u, v = np.array(points).T
        return Alignment.from_points(np.column_stack(grid.to_map(u, v)), np.array(radii), grid.crs)

    def _pose(self, state: int) -> RouteEnd:
        cell, heading = divmod(state, self.space.rules.headings)
        easting, northing = self.space.surface.grid.to_map(*self._middle(cell))
        east, south = self.space.moves.vectors[heading]
        bearing = math.degrees(math.atan2(east, -south)) % 360.0
        return RouteEnd(float(easting), float(northing), bearing)
