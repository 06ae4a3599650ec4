"""Search again in a window at a pinch, on finer cells and in more directions.

The window's ends lie on straights of a line that is known; what is found
between them takes the place of that part of the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.project import Project
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd
from corridor.progress import Progress, silent
from corridor.routing.chainage import station_of
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_route import Stop, stretch
from corridor.routing.concession_rules import Rule
from corridor.routing.concession_search import LONG_TRIES, Try
from corridor.routing.geometry import at_station, elements, straight_runs
from corridor.routing.space import search_space

REACH_RADII = 2.5
"""The window's ends lie at least so many bend radii from the pinch."""

SIDE_SHARE = 0.6
"""The window reaches sideways by this share of its reach."""

MOST_CELLS = 500_000
HEADINGS = 48


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """A part of a line to be searched anew.

    Attributes
    ----------
    grid : Grid
    begin, end : Stop
        Where the part begins and ends, on straights or at the line's own ends.
    before, after : int
        Points of the line kept: rows below `before`, rows from `after` on.
    """

    grid: Grid
    begin: Stop
    end: Stop
    before: int
    after: int


def window_at(
    ground: ClosedGround, line: Alignment, place: tuple[float, float], finer: float = 2.0,
    radii: float = REACH_RADII,
) -> Window:  # fmt: skip
    """The window around a place of a line, its cells up to `finer` times smaller than the search's.

    It ends at the next via points at the latest.
    """
    project = ground.project
    course = elements(line)
    station = np.linspace(0.0, course.total_m, max(200, int(course.total_m / 25.0)))
    east, north, _ = at_station(course, station)
    at = float(station[np.argmin(np.hypot(east - place[0], north - place[1]))])
    reach = radii * project.rules.min_bend_radius_m
    runs = [run for run in straight_runs(line) if run[3] > 1.0]
    before = next((r for r in reversed(runs) if r[2] + 0.5 * r[3] <= at - reach), None)
    after = next((r for r in runs if r[2] + 0.5 * r[3] >= at + reach), None)
    rules = project.rules
    begin, first, low = Stop(project.start, rules.straight_at_ends_m), 1, 0.0
    end, last, high = Stop(project.end, rules.straight_at_ends_m), len(line.easting_m) - 1, course.total_m
    if before is not None:
        low, first = before[2] + 0.5 * before[3], before[0] + 1
        begin = _stop(course, low, rules.min_straight_m - 0.5 * before[3])
    if after is not None:
        high, last = after[2] + 0.5 * after[3], after[1]
        end = _stop(course, high, rules.min_straight_m - 0.5 * after[3])
    for point in project.via:
        via_m = float(station_of(course, point.easting, point.northing)[0])
        run = next((r for r in runs if r[2] <= via_m <= r[2] + r[3]), None)
        if run is None:
            continue
        if low < via_m <= at:
            low, first, begin = (
                via_m,
                run[0] + 1,
                _stop(course, via_m, rules.min_straight_m - (via_m - run[2])),
            )
        elif at < via_m < high:
            ahead = rules.min_straight_m - (run[2] + run[3] - via_m)
            high, last, end = via_m, run[1], _stop(course, via_m, ahead)
    inside = (station >= low) & (station <= high)
    side = SIDE_SHARE * reach
    west, east_m = east[inside].min() - side, east[inside].max() + side
    south, north_m = north[inside].min() - side, north[inside].max() + side
    return Window(_grid(ground, (west, south, east_m, north_m), begin.end, finer), begin, end, first, last)


def _stop(course, station: float, straight_m: float) -> Stop:
    east, north, bearing = at_station(course, station)
    return Stop(RouteEnd(float(east), float(north), float(np.degrees(bearing))), max(straight_m, 0.0))


def _grid(
    ground: ClosedGround, box: tuple[float, float, float, float], start: RouteEnd, finer: float
) -> Grid:
    """Cells over a box (west, south, east, north), one of them centred on `start`."""
    base = ground.grid
    west, south, east, north = box
    (w, e), (n, s) = (base.west_m, base.west_m + base.cols * base.cell_m), (
        base.north_m, base.north_m - base.rows * base.cell_m
    )  # fmt: skip
    west, east, south, north = max(west, w), min(east, e), max(south, s), min(north, n)
    finest = ground.project.seabed.finest_cell_m
    most = np.sqrt((east - west) * (north - south) / MOST_CELLS)
    cell = max(base.cell_m / finer, min(finest, base.cell_m), most)
    left = int(np.floor((start.easting - west) / cell))
    above = int(np.floor((north - start.northing) / cell))
    right = int(np.floor((east - start.easting) / cell))
    below = int(np.floor((start.northing - south) / cell))
    return Grid(
        max(above + below, 0) + 1, max(left + right, 0) + 1,
        start.easting - (left + 0.5) * cell, start.northing + (above + 0.5) * cell, cell, base.crs,
    )  # fmt: skip


def searched(
    window: Window, line: Alignment, eased: Project, surface: CostSurface,
    headings: int = HEADINGS, tries: Sequence[Try] = LONG_TRIES, progress: Progress = silent,
) -> tuple[Alignment | None, bool]:  # fmt: skip
    """The line with the part in the window searched anew under eased rules.

    Returns
    -------
    line : Alignment or None
    whole : bool
        False when the search was given up.
    """
    rules = replace(eased.rules, headings=headings)
    piece, whole = stretch(
        surface, search_space(surface, rules), window.begin, [], window.end, progress, tries
    )
    if piece is None:
        return None, whole
    points = [
        np.concatenate([a[: window.before], b[1:-1], a[window.after :]])
        for a, b in (
            (line.easting_m, piece.easting_m),
            (line.northing_m, piece.northing_m),
            (line.radius_m, piece.radius_m),
        )
    ]
    return Alignment(points[0], points[1], points[2], line.crs), True


def eased_by(ground: ClosedGround, rule: Rule, give: float) -> Project:
    """The project with a rule eased by a give and a hair."""
    return rule.eased(ground.project, give + 0.02 * rule.tolerance(give))
