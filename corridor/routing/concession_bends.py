"""Least concessions where the ground is open but no line bends through it.

Radius, straights and crossings close no cell, so there is no bottleneck to read
off: rules are eased and the search is asked, by bisection, on a grid coarse
enough to ask often. What it finds is confirmed on the search grid and then
drawn tighter by the fit, which knows no headings and no cells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd
from corridor.progress import Progress, silent
from corridor.routing.concession import CannotHelp, Concession
from corridor.routing.concession_best import Best, brought_down, published
from corridor.routing.concession_draw import worst_place
from corridor.routing.concession_give import give_at
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_route import (
    broken_rules,
    eased_surface,
    needs_of,
    route_through,
    sound_line,
)
from corridor.routing.concession_rules import AREA, TIE_IN, Rule
from corridor.routing.fit import fit
from corridor.routing.geometry import densify
from corridor.terrain.cost import cost_surface, search_grid

ASK_CELLS = 40_000
"""Cells of the grid on which bisections are done."""

LEAST_CELLS_PER_RADIUS = 5.0

BISECTIONS = 8
STEPS_UP = (1.0, 1.1, 1.3, 2.0)


@dataclass(frozen=True, slots=True, eq=False)
class Asking:
    """The ground on which to ask often: the search grid itself, or a coarser one."""

    ground: ClosedGround
    surface: CostSurface

    def line(self, rule: Rule | None, give: float, progress: Progress = silent) -> Alignment | None:
        """A line under the eased rule, or None."""
        project = self.ground.project
        eased = project if rule is None or give == 0.0 else rule.eased(project, give)
        surface = self.surface
        if rule is not None and give > 0.0:
            surface = _eased(self.surface, self.ground, eased, rule)
        allowed = {} if rule is None else {rule.key: give + rule.tolerance(give)}
        # What the tie-in length frees is no longer a zone to keep clear of.
        tie_in = rule is not None and rule.kind == TIE_IN
        ground = replace(self.ground, project=eased) if tie_in else self.ground
        return sound_line(ground, surface, eased, allowed, progress=progress)


def _eased(surface: CostSurface, ground: ClosedGround, eased, rule: Rule) -> CostSurface:
    if rule.kind in (AREA, TIE_IN):
        return cost_surface(eased, grid=surface.grid, slope_margin=surface.slope_margin)
    return eased_surface(replace(ground, surface=surface), eased)


def asking(ground: ClosedGround, progress: Progress = silent) -> tuple[Asking, Alignment | None]:
    """The coarsest grid, from `ASK_CELLS` up, on which no line is found either.

    Returns
    -------
    ask : Asking
    line : Alignment or None
        A line that the search grid itself has after all.
    """
    project, grid = ground.project, ground.grid
    cell = grid.cell_m * max(1.0, np.sqrt(grid.rows * grid.cols / ASK_CELLS))
    cell = min(cell, max(project.rules.min_bend_radius_m / LEAST_CELLS_PER_RADIUS, grid.cell_m))
    while cell > 1.3 * grid.cell_m:
        rules = replace(project.rules, search_cell_m=float(cell))
        coarse = search_grid(project.seabed, rules, project.start)
        candidate = Asking(
            ground, cost_surface(project, grid=coarse, slope_margin=ground.surface.slope_margin)
        )
        if candidate.line(None, 0.0, progress) is None:
            return candidate, None
        cell /= 2.0
    ask = Asking(ground, ground.surface)
    return ask, ask.line(None, 0.0, progress)


def least_by_asking(
    ground: ClosedGround, ask: Asking, rule: Rule, progress: Progress = silent
) -> Concession | CannotHelp:
    """The least give of a rule with which the search finds a line."""
    most = _most(ask.surface, rule)
    line = ask.line(rule, most, progress)
    if line is None:
        return CannotHelp(rule, False, "no line was found even without it")
    low, high = 0.0, most
    for _ in range(BISECTIONS):
        if high - low <= 0.5 * rule.tolerance(high):
            break
        middle = 0.5 * (low + high)
        other = ask.line(rule, middle, progress)
        if other is None:
            low = middle
        else:
            line, high = other, middle
    if rule.kind == TIE_IN:
        return _tie_in(ground, rule, line, low, high)
    best = brought_down(ground, rule, line, 0.0, progress)
    if best.breaks:
        best = _confirmed(ground, ask, rule, line, high, progress) or best
    place = worst_place(ground, rule, best.line)
    give, failed = published(rule, best.give), min(max(low, best.denied), best.give)
    return Concession(rule, give, 0.0, *place, best.line, failed, best.breaks)


def _tie_in(ground: ClosedGround, rule: Rule, line: Alignment, low: float, high: float) -> Concession:
    """The concession of a longer tie-in, as the line found by bisection needs it."""
    project = rule.eased(ground.project, high)
    if not project.via:
        surface = cost_surface(project, grid=ground.grid, slope_margin=ground.surface.slope_margin)
        drawn = fit(line, surface, project.rules, project.start, project.end)
        better = drawn.feasible and needs_of(ground, rule, drawn.alignment) < needs_of(ground, rule, line)
        line = drawn.alignment if better else line
    give = published(rule, needs_of(ground, rule, line))
    eased = replace(ground, project=rule.eased(ground.project, give))
    end = max((ground.project.start, ground.project.end), key=lambda at: _in_zone(ground, at))
    breaks = tuple(broken_rules(eased, {}, line))
    return Concession(rule, give, 0.0, end.easting, end.northing, line, min(low, give), breaks)


def _in_zone(ground: ClosedGround, end: RouteEnd) -> bool:
    """Whether an end lies in a zone that may be entered to reach it."""
    project = ground.project
    return any(
        shapely.distance(shapely.union_all(layer.geometries), shapely.Point(end.easting, end.northing)) == 0.0
        for layer in project.layers
        if layer.name in project.rules.tie_in_layers and len(layer)
    )


def _most(surface: CostSurface, rule: Rule) -> float:
    """Largest give to ask for: an area that may be entered is at most opened as a whole."""
    west, south, east, north = surface.grid.bounds_m
    return min(rule.most, float(np.hypot(east - west, north - south)))


def _confirmed(
    ground: ClosedGround, ask: Asking, rule: Rule, line: Alignment, give: float, progress: Progress
) -> Best | None:
    """The best line that starts from one on the search grid itself."""
    if ask.surface is ground.surface:
        return None
    for step in STEPS_UP:
        more = min(give * step, rule.most)
        eased = rule.eased(ground.project, more)
        surface = eased_surface(ground, eased, boxes_of(ground, rule, line, more))
        found = route_through(surface, eased, progress=progress)
        if found is not None:
            return brought_down(ground, rule, found, 0.0, progress)
    return None


def boxes_of(
    ground: ClosedGround, rule: Rule, line: Alignment, give: float
) -> list[tuple[float, float, float, float]]:
    """Where a line uses the eased rule, with room around."""
    if rule.kind != AREA:
        return []
    xy = shapely.get_coordinates(
        shapely.segmentize(shapely.LineString(densify(line, 1.0)), ground.grid.cell_m)
    )
    used = give_at(ground, rule.key, xy[:, 0], xy[:, 1]) > 0.0
    if not used.any():
        return []
    margin = 0.5 * ground.project.rules.min_bend_radius_m + 24.0 * ground.grid.cell_m
    west, south = xy[used].min(axis=0) - margin
    east, north = xy[used].max(axis=0) + margin
    return [(float(west), float(south), float(east), float(north))]
