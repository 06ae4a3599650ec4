"""The way that needs least of a rule, on the search grid, and the places where it needs it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.bottleneck import Steps, Terrain, bottleneck, passed, shortest, step_need, trace
from corridor.model.rules import RouteEnd
from corridor.routing.concession_give import give_at
from corridor.routing.concession_ground import (
    ClosedGround,
    neighbours,
    optimistic_terrain,
    steps_of,
    terrain,
)
from corridor.routing.concession_rules import Rule

PRICE = 4.0
"""A step that needs all of what the way needs counts this many times more than one that needs nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Pinch:
    """A stretch of a way on which the rule in question is broken.

    Attributes
    ----------
    leg : int
        Stretch between via points that it belongs to.
    easting_m, northing_m : float
        The middle of its worst place.
    direction : (east, north)
        Unit vector of the way across it.
    length_m : float
        From its first to its last cell.
    need : float
        Largest need on the grid.
    at_end : bool
        The worst place is START, a via point or END itself.
    before, after : int
        Cells of the way on either side of the stretch.
    box : (west, south, east, north), m, around the stretch
    """

    leg: int
    easting_m: float
    northing_m: float
    direction: tuple[float, float]
    length_m: float
    need: float
    at_end: bool
    before: int
    after: int
    box: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """A way over grid steps: its need, its pinches in order, and its cells leg by leg."""

    need: float
    pinches: tuple[Pinch, ...]
    paths: tuple[NDArray[np.int64], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Flood:
    """Ground, steps and the stops of a line, ready for floods.

    `optimistic` floods see every cell at its best (see
    :func:`corridor.routing.concession_ground.optimistic_terrain`).
    """

    ground: ClosedGround
    stops: tuple[RouteEnd, ...]
    fine: Steps
    coarse: Steps

    @classmethod
    def of(cls, ground: ClosedGround) -> Flood:
        """Floods over the ground of a project between its ends and via points."""
        project = ground.project
        stops = (project.start, *project.via, project.end)
        cols = ground.grid.cols
        return cls(ground, stops, steps_of(project.rules.headings, cols), neighbours(cols))

    def cells(self) -> list[int]:
        """Cells of the stops."""
        return [self.ground.cell_of(stop.easting, stop.northing) for stop in self.stops]

    def least_need(self, conceded: tuple[Rule, ...]) -> float:
        """Least need on the optimistic ground: no line can do with less. Infinite when none helps."""
        rough = self._opened(optimistic_terrain(self.ground, conceded), conceded, 1.0)
        cells = self.cells()
        label, came = _labels(rough)
        return max(
            float(bottleneck(rough, self.coarse, a, b, np.inf, label, came)) for a, b in pairwise(cells)
        )

    def way(
        self,
        conceded: tuple[Rule, ...],
        weights: tuple[float, ...] = (),
        most: float = np.inf,
        optimistic: bool = False,
        raised: tuple[tuple[float, float, float, float], ...] = (),
    ) -> Way | None:
        """The way that needs least, and among those the shortest; None when there is none within `most`.

        Parameters
        ----------
        raised : tuple of (easting, northing, radius, need)
            Places known to need at least that much.
        """
        steps = self.coarse if optimistic else self.fine
        floor = (
            optimistic_terrain(self.ground, conceded)
            if optimistic
            else terrain(self.ground, conceded, weights)
        )
        floor = self._opened(floor, conceded, weights[0] if weights else 1.0)
        for easting, northing, radius, need in raised:
            _raise(floor, self.ground, easting, northing, radius, need)
        cells = self.cells()
        label, came = _labels(floor)
        cost = np.empty(len(label))
        need, paths, pinches = 0.0, [], []
        for leg, (a, b) in enumerate(pairwise(cells)):
            here = float(bottleneck(floor, steps, a, b, most, label, came))
            if not np.isfinite(here):
                return None
            shortest(floor, steps, a, b, np.float32(here * (1.0 + 1e-6)), PRICE, cost, came)
            path = trace(came, steps.vectors, floor.cols, b)
            pinches += self._pinches(leg, floor, steps, path, came)
            paths.append(path)
            need = max(need, here)
        return Way(need, tuple(pinches), tuple(paths))

    def reached(
        self, leg: int, backwards: bool = False, slopes: tuple[float, float] | None = None
    ) -> NDArray[np.bool_]:
        """(cells,) ground that can be reached from the beginning of a leg under the rules as they stand.

        `backwards`: ground from which its end can be reached; steps may be
        taken both ways, so that floods from either end say the same. `slopes`: tangents of limits
        along and across to be held in place of the rules' own.
        """
        floor = self._opened(terrain(self.ground), (), 1.0)
        if slopes is not None:
            floor = floor._replace(tan_along=slopes[0], tan_across=slopes[1])
        label, came = _labels(floor)
        start = self.cells()[leg + 1 if backwards else leg]
        bottleneck(floor, self.fine, start, -1, np.float32(0.0), label, came)
        return passed(label, floor, self.fine, np.float32(0.0))

    def blocked_leg(self) -> int | None:
        """The first leg that no way over grid steps joins under the rules as they stand."""
        floor = self._opened(terrain(self.ground), (), 1.0)
        label, came = _labels(floor)
        cells = self.cells()
        for leg, (a, b) in enumerate(pairwise(cells)):
            if not np.isfinite(bottleneck(floor, self.fine, a, b, np.float32(0.0), label, came)):
                return leg
        return None

    def end_gives(self, conceded: tuple[Rule, ...]) -> list[float]:
        """What the rules in question need at each stop, exactly; infinite where another is broken there."""
        keys = {rule.key for rule in conceded}
        gives = []
        for stop in self.stops:
            e, n = np.array([stop.easting]), np.array([stop.northing])
            most = 0.0
            for closure in self.ground.closures:
                give = float(give_at(self.ground, closure.key, e, n)[0])
                if give > 1e-6:
                    most = max(most, give if closure.key in keys else np.inf)
            gives.append(most)
        return gives

    def _opened(self, floor: Terrain, conceded: tuple[Rule, ...], weight: float) -> Terrain:
        """The stops' own cells count by their exact position, not by the cell's centre."""
        closed, need = floor.closed.copy(), floor.need.copy()
        for cell, give in zip(self.cells(), self.end_gives(conceded), strict=True):
            closed[cell] = not np.isfinite(give)
            need[cell] = np.float32(give / weight) if np.isfinite(give) else 0.0
        return floor._replace(closed=closed, need=need)

    def _pinches(self, leg: int, floor: Terrain, steps: Steps, path: NDArray, came: NDArray) -> list[Pinch]:
        """Runs of the path on which the rule in question gives way."""
        grid = self.ground.grid
        if len(path) < 2:
            return []
        need = np.array(
            [step_need(floor, steps, int(path[k]), int(came[path[k + 1]])) for k in range(len(path) - 1)]
        )
        east, north = grid.to_map(path % floor.cols + 0.5, path // floor.cols + 0.5)
        found = []
        broken = np.concatenate([[False], need > 0.0, [False]])
        edges = np.flatnonzero(np.diff(broken.astype(np.int8)))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            worst = first + int(np.argmax(need[first:last]))
            tight = np.flatnonzero(need[first:last] >= need[worst] * (1.0 - 1e-6)) + first
            middle = int(tight[len(tight) // 2])
            reach = 3
            a, b = max(first - reach, 0), min(last + reach, len(path) - 1)
            chord = np.array([east[b] - east[a], north[b] - north[a]])
            size = float(np.hypot(*chord))
            run_e, run_n = east[first : last + 1], north[first : last + 1]
            unit = chord / size if size > 0.0 else np.array([1.0, 0.0])
            found.append(
                Pinch(
                    leg=leg,
                    easting_m=float(0.5 * (east[middle] + east[middle + 1])),
                    northing_m=float(0.5 * (north[middle] + north[middle + 1])),
                    direction=(float(unit[0]), float(unit[1])),
                    length_m=float(
                        np.hypot(np.diff(east[first : last + 1]), np.diff(north[first : last + 1])).sum()
                    ),
                    need=float(need[worst]),
                    at_end=bool(worst == 0 or worst == len(need) - 1),
                    before=int(path[max(first - 1, 0)]),
                    after=int(path[min(last + 1, len(path) - 1)]),
                    box=(float(run_e.min()), float(run_n.min()), float(run_e.max()), float(run_n.max())),
                )
            )
        return found


def _labels(floor: Terrain) -> tuple[NDArray[np.float32], NDArray[np.int8]]:
    cells = floor.rows * floor.cols
    return np.empty(cells, dtype=np.float32), np.empty(cells, dtype=np.int8)


def _raise(
    floor: Terrain, ground: ClosedGround, easting: float, northing: float, radius: float, need: float
) -> None:
    """Cells in question within `radius` of a place need at least `need` (in place)."""
    grid = ground.grid
    u, v = (float(x) for x in grid.to_cells(easting, northing))
    reach = radius / grid.cell_m
    rows = np.arange(max(int(v - reach), 0), min(int(v + reach) + 1, grid.rows))
    cols = np.arange(max(int(u - reach), 0), min(int(u + reach) + 1, grid.cols))
    r, c = np.meshgrid(rows, cols, indexing="ij")
    near = np.hypot(r + 0.5 - v, c + 0.5 - u) <= reach
    cells = (r * grid.cols + c)[near]
    broken = cells[floor.need[cells] > 0.0]
    floor.need[broken] = np.maximum(floor.need[broken], np.float32(need))
