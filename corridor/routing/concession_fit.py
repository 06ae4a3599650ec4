"""Let the fit pull a line towards what a rule asks for: it knows no headings and no cells."""

from __future__ import annotations

import shapely

from corridor.errors import NoRouteError
from corridor.model.alignment import Alignment
from corridor.progress import Progress, silent
from corridor.routing.concession_give import give_at
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_route import broken, eased_surface, needs_of
from corridor.routing.concession_rules import AREA, Rule
from corridor.routing.fit import fit
from corridor.routing.geometry import densify

FITS = 8
FIT_CELLS = 200_000
NEARLY = 5.0
"""A give of up to so many tolerances may be none at all: the fit is asked first."""

FITS_LARGE = 2
"""On grids of more cells than `FIT_CELLS` the fit is asked this often."""


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


def drawn_tighter(
    ground: ClosedGround, rule: Rule, line: Alignment, low: float, high: float, progress: Progress = silent
) -> tuple[Alignment, float]:
    """Let the fit pull the line towards what the rule asks for, by bisection."""
    project = ground.project
    if project.via:
        return line, high
    if high <= NEARLY * rule.tolerance(0.0):
        # Perhaps nothing need give at all.
        other = fitted(ground, rule, line, 0.0, progress)
        if other is not None:
            return other, 0.0
    large = ground.grid.rows * ground.grid.cols > FIT_CELLS
    low = max(low, 0.95 * high) if large else low
    for _ in range(FITS_LARGE if large else FITS):
        if high - low <= 0.25 * rule.tolerance(high):
            break
        middle = 0.5 * (low + high)
        other = fitted(ground, rule, line, middle, progress)
        if other is None:
            low = middle
        else:
            line, high = other, max(min(middle, high), needs_of(ground, rule, other))
    return line, high


def fitted(
    ground: ClosedGround, rule: Rule, line: Alignment, give: float, progress: Progress = silent
) -> Alignment | None:
    """The line fitted under the eased rule, which it may break a little; None where it cannot be mended."""
    eased = rule.eased(ground.project, give)
    surface = eased_surface(ground, eased, boxes_of(ground, rule, line, give))
    try:
        result = fit(line, surface, eased.rules, eased.start, eased.end, progress=progress)
    except NoRouteError:
        return None
    line = result.alignment
    if not result.feasible or needs_of(ground, rule, line) > give + 0.01 * rule.tolerance(give):
        return None
    return None if broken(ground, {rule.key: give + 0.01 * rule.tolerance(give)}, line) else line
