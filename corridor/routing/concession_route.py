"""Route under eased rules, through given straights where pinches are, and measure what the line needs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.errors import NoRouteError
from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.project import Project
from corridor.model.results import Breach, CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.approach import edge_meetings
from corridor.routing.concession_give import freed_ends, give_at
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_pose import Pose
from corridor.routing.concession_rules import TIE_IN, Rule, rules_of
from corridor.routing.concession_search import LONG_TRIES, Try, any_line
from corridor.routing.geometry import bends, densify, elements, end_to_end, straight_runs
from corridor.routing.portals import Gate, PortalNet, gates, net_of, pose_directions
from corridor.routing.profile import ground_profile
from corridor.routing.search import search_net
from corridor.routing.space import SearchSpace, search_space
from corridor.terrain.assets import assets_on
from corridor.terrain.cost import cost_surface, tighten
from corridor.terrain.zones import signed_distance_m, standoff_limits_m

WINDOW_CELLS = 24
"""Around a pinch the ground is opened at least this far, cells."""

MOST_WINDOW = 0.6
"""Windows that cover more than this share of the grid: all of it is made anew."""

HELD = 0.96
"""Share of a slope limit that is held where the other one gives way."""

LONGEST_STEP_M = 5.0
"""Slopes are looked at no further apart than this, however coarse the seabed."""

TIGHTENINGS = 3
"""Times a line is searched with the slopes of the finest seabed where it broke a limit."""

REPAIRS = 5
"""Times a line that cuts a zone's corner is searched again with that place closed."""

TOLERANCE_M = 0.01
ANGLE_TOLERANCE_DEG = 1e-3


@dataclass(frozen=True, slots=True)
class Stop:
    """Where a stretch of search begins or ends, and the straight needed there."""

    end: RouteEnd
    straight_m: float


def eased_surface(
    ground: ClosedGround, project: Project, boxes: Iterable[tuple[float, float, float, float]] = (),
    held: float = HELD,
) -> CostSurface:  # fmt: skip
    """The ground of the search under eased rules, opened only within `boxes` (west, south, east, north).

    Slope limits and limits on crossings are eased everywhere. Of a slope limit that stays where
    the other one gives way the share `held` is held.
    """
    base, rules, before = ground.surface, project.rules, ground.project.rules
    grid = base.grid
    surface = with_slope_limits(base, rules)
    # A cell's mean slope hides its worst place: the limit that stays is held with something to spare.
    if rules.max_slope_along_deg > before.max_slope_along_deg:
        surface = replace(surface, tan_across=surface.tan_across * held)
    elif rules.max_slope_across_deg > before.max_slope_across_deg:
        surface = replace(surface, tan_along=surface.tan_along * held)
    if any(a is not b for a, b in zip(project.layers, ground.project.layers, strict=True)):
        surface = replace(surface, assets=assets_on(grid, project.layers))
    if rules.tie_in_length_m != before.tie_in_length_m:
        return cost_surface(project, grid=grid, slope_margin=base.slope_margin)
    windows = [window for box in boxes if (window := _window(grid, box)) is not None]
    if project.layers == ground.project.layers and rules.depth_range_m == before.depth_range_m:
        return surface
    if sum(w.rows * w.cols for w in windows) > MOST_WINDOW * grid.rows * grid.cols:
        return cost_surface(project, grid=grid, slope_margin=base.slope_margin)
    for window in windows:
        surface = _patched(surface, cost_surface(project, grid=window, slope_margin=base.slope_margin))
    return surface


def with_slope_limits(surface: CostSurface, rules: RouteRules) -> CostSurface:
    """The same ground under other slope limits."""
    along, across = rules.max_slope_along_deg, rules.max_slope_across_deg
    return replace(
        surface,
        tan_along=float(np.tan(np.radians(along)) * surface.slope_margin),
        tan_across=float(np.tan(np.radians(across)) * surface.slope_margin),
    )


def _window(grid: Grid, box: tuple[float, float, float, float]) -> Grid | None:
    """The cells of a grid that a box touches, as a grid of their own."""
    (u1, v1), (u2, v2) = grid.to_cells(box[0], box[3]), grid.to_cells(box[2], box[1])
    left, right = max(int(np.floor(u1)), 0), min(int(np.ceil(u2)), grid.cols)
    top, bottom = max(int(np.floor(v1)), 0), min(int(np.ceil(v2)), grid.rows)
    if left >= right or top >= bottom:
        return None
    west, north = grid.to_map(left, top)
    return Grid(bottom - top, right - left, float(west), float(north), grid.cell_m, grid.crs)


def _patched(surface: CostSurface, patch: CostSurface) -> CostSurface:
    """A surface with the cells of a smaller one in their place."""
    col, row = (round(float(x)) for x in surface.grid.to_cells(patch.grid.west_m, patch.grid.north_m))
    there = (slice(row, row + patch.grid.rows), slice(col, col + patch.grid.cols))
    cells = patch.ground.copy()
    records = cells[..., 3] > 0.0
    cells[..., 3][records] += len(surface.rim) - 1
    ground = surface.ground.copy()
    ground[there] = cells
    closed_by = surface.closed_by.copy()
    closed_by[there] = np.where(patch.closed_by >= 0, 0, -1)
    return replace(
        surface, ground=ground, rim=np.concatenate([surface.rim, patch.rim[1:]]), closed_by=closed_by
    )


def boxes_around(poses: Sequence[Pose], margin_m: float) -> list[tuple[float, float, float, float]]:
    """A box around every pose with a margin."""
    boxes = []
    for pose in poses:
        (e1, n1), (e2, n2) = pose.from_m, pose.to_m
        boxes.append(
            (min(e1, e2) - margin_m, min(n1, n2) - margin_m, max(e1, e2) + margin_m, max(n1, n2) + margin_m)
        )
    return boxes


def route_through(
    surface: CostSurface, project: Project, poses: Sequence[Pose] = (), *,
    tries: Sequence[Try] = LONG_TRIES, progress: Progress = silent,
) -> Alignment | None:  # fmt: skip
    """A line from START through the poses and via points to END, or None.

    Any line that obeys the rules will do; it need not be the cheapest.
    """
    rules = project.rules
    pieces: list[Alignment] = []
    stops = [project.start, *project.via, project.end]
    begin = Stop(project.start, rules.straight_at_ends_m)
    waiting: list[RouteEnd] = []
    space = search_space(surface, rules)
    for leg in range(len(stops) - 1):
        for pose in (p for p in poses if p.leg == leg):
            size = float(np.hypot(pose.to_m[0] - pose.from_m[0], pose.to_m[1] - pose.from_m[1]))
            straight = max(rules.min_straight_m - size, 0.0) / 2.0
            here = Stop(RouteEnd(*pose.from_m, pose.bearing_deg), straight)
            piece, _ = stretch(surface, space, begin, waiting, here, progress, tries)
            if piece is None:
                return None
            pieces.append(piece)
            begin, waiting = Stop(RouteEnd(*pose.to_m, pose.bearing_deg), straight), []
        if leg < len(stops) - 2:
            waiting.append(stops[leg + 1])
    last = Stop(project.end, rules.straight_at_ends_m)
    piece, _ = stretch(surface, space, begin, waiting, last, progress, tries)
    return None if piece is None else end_to_end([*pieces, piece])


def stretch(
    surface: CostSurface, space: SearchSpace, begin: Stop, via: list[RouteEnd], end: Stop,
    progress: Progress = silent, tries: Sequence[Try] = LONG_TRIES,
) -> tuple[Alignment | None, bool]:  # fmt: skip
    """Any line from one stop through via points to another; and whether all ways were looked at."""
    net = _net(surface, space, begin, via, end)

    def turned() -> PortalNet:
        first, last = (Stop(_turned(stop.end), stop.straight_m) for stop in (end, begin))
        return _net(surface, space, first, [_turned(point) for point in reversed(via)], last)

    return any_line(space, net, len(via) + 1, turned=turned, tries=tries, progress=progress)


def cheapest_stretch(
    surface: CostSurface, space: SearchSpace, begin: Stop, via: list[RouteEnd], end: Stop,
    progress: Progress = silent,
) -> Alignment | None:  # fmt: skip
    """The cheapest line from one stop through via points to another; None where there is none.

    It has few bends, where any line may have many; but where there is none, that takes long to find out.
    """
    net = _net(surface, space, begin, via, end)
    try:
        return search_net(space, net, stages=len(via) + 1, reruns=0, progress=progress).alignment
    except NoRouteError:
        return None


def _turned(end: RouteEnd) -> RouteEnd:
    """The same place on the line from its end to its beginning."""
    if end.bearing_deg is None:
        return end
    return replace(end, bearing_deg=end.bearing_deg - math.copysign(180.0, end.bearing_deg))


def _net(surface: CostSurface, space: SearchSpace, begin: Stop, via: list[RouteEnd], end: Stop) -> PortalNet:
    """Portals of a stretch; see :func:`corridor.routing.portals.portal_net`."""
    rules, ground = space.rules, space.ground
    exits: list[Gate] = gates(
        surface, ground, rules, begin.end, begin.straight_m,
        arriving=False, first_portal=0, one_portal=True, stage=0,
    )  # fmt: skip
    entries: list[Gate] = []
    positions = [(begin.end.easting, begin.end.northing)]
    for number, point in enumerate(via):
        first, half = len(positions), rules.min_straight_m / 2.0
        for target, arriving, stage in ((entries, True, number), (exits, False, number + 1)):
            target += gates(
                surface, ground, rules, point, half,
                arriving=arriving, first_portal=first, one_portal=False, stage=stage,
            )  # fmt: skip
        positions += [(point.easting, point.northing)] * len(pose_directions(point, rules.headings))
    goal = len(positions)
    entries += gates(
        surface, ground, rules, end.end, end.straight_m,
        arriving=True, first_portal=goal, one_portal=True, stage=len(via),
    )  # fmt: skip
    positions.append((end.end.easting, end.end.northing))
    return net_of(exits, entries, positions, goal, len(via) + 1, surface, rules.headings)


def needs_of(ground: ClosedGround, rule: Rule, line: Alignment) -> float:
    """How far a rule must give for a line, measured on it by exact geometry and on the finest seabed."""
    if rule.rule in ("standoff_m", "stay_within"):
        return float(area_needs(ground, rule, line)[1].max(initial=0.0))
    if rule.kind == TIE_IN:
        return _tie_in_need(ground, line)
    course = elements(line)
    if rule.rule == "depth_range_m" or rule.kind == "slope":
        return _ground_need(ground, rule, line)
    if rule.rule == "min_bend_radius_m":
        curve = bends(line)
        bent = np.abs(curve.deflection_rad[1:-1]) > 1e-9
        radii = line.radius_m[1:-1][bent]
        return max(rule.limit - float(radii.min()), 0.0) if radii.size else 0.0
    if rule.rule in ("min_straight_m", "end_straight_m"):
        runs = straight_runs(line)
        if len(runs) == 1:
            return 0.0
        chosen = runs if rule.rule == "min_straight_m" else [runs[0], runs[-1]]
        return max(rule.limit - min(run[3] for run in chosen), 0.0)
    station, _, angle = edge_meetings(course, ground.project.layer(rule.layer).geometries)
    inner = (station > TOLERANCE_M) & (station < course.total_m - TOLERANCE_M)
    if not inner.any():
        return 0.0
    if rule.rule == "min_angle_deg":
        return max(rule.limit - float(np.degrees(angle[inner]).min()), 0.0)
    least = np.inf
    for at in station[inner]:
        spans = [(s, s + size) for _, _, s, size in straight_runs(line) if s <= at <= s + size]
        least = min(least, max((min(at - a, b - at) for a, b in spans), default=0.0))
    return max(rule.limit - float(least), 0.0)


def _tie_in_need(ground: ClosedGround, line: Alignment) -> float:
    """How far beyond its length a line is still inside a zone in which one of its ends lies, m of line."""
    project = ground.project
    xy = shapely.get_coordinates(shapely.segmentize(shapely.LineString(densify(line, 0.01)), 1.0))
    passed = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    need = 0.0
    for layer in project.layers:
        if layer.name not in project.rules.tie_in_layers or layer.rule != "avoid":
            continue
        limits = standoff_limits_m(layer, project.rules, project.crs)
        for geometry, limit in zip(layer.geometries, limits, strict=True):
            ends = freed_ends(project, layer, geometry, float(limit))
            if ends:
                inside = passed[signed_distance_m(geometry, xy[:, 0], xy[:, 1]) < limit - TOLERANCE_M]
                beyond = [
                    (
                        inside
                        if (e, n) == (project.start.easting, project.start.northing)
                        else passed[-1] - inside
                    )
                    - reach
                    for e, n, reach in ends
                ]
                need = max(need, float(np.minimum.reduce(beyond).max(initial=0.0)))
    return need


def area_needs(ground: ClosedGround, rule: Rule, line: Alignment) -> tuple[NDArray, NDArray]:
    """Give of a standoff or a stay_within layer along a line.

    Returns
    -------
    xy : array (n, 2)
        Places on the line at most 1 m apart, those near the layer's features only.
    give : array (n,)
    """
    chain = shapely.LineString(densify(line, 0.01))
    if rule.rule == "standoff_m":
        layer, project = ground.project.layer(rule.layer), ground.project
        limits = standoff_limits_m(layer, project.rules, project.crs)
        # A zone without standoff is entered at a distance of nothing.
        near = np.flatnonzero(shapely.distance(layer.geometries, chain) < np.maximum(limits, 1e-6))
        if near.size == 0:
            return np.empty((0, 2)), np.empty(0)
        chain = shapely.intersection(
            chain, shapely.union_all(shapely.buffer(layer.geometries[near], limits[near] + 1.0))
        )
    xy = shapely.get_coordinates(shapely.segmentize(chain, 1.0))
    return xy, give_at(ground, rule.key, xy[:, 0], xy[:, 1])


def _ground_need(ground: ClosedGround, rule: Rule, line: Alignment) -> float:
    """Give of a slope or depth rule along a line."""
    rules, seabed = ground.project.rules, ground.project.seabed
    profile = ground_profile(elements(line), seabed, spacing_m(ground.project), rules.slope_baseline_m)
    if rule.rule == "depth_range_m":
        return float(give_at(ground, rule.key, profile.easting_m, profile.northing_m).max())
    tangent = profile.along if rule.rule == "max_slope_along_deg" else profile.across
    limit = np.tan(np.radians(rule.limit))
    over = np.maximum(np.nan_to_num(np.abs(tangent)) - limit * (1.0 + 1e-6), 0.0)
    return float(over.max(initial=0.0))


def sound_line(
    ground: ClosedGround, surface: CostSurface, project: Project, eased: Mapping[tuple[str, str, str], float],
    poses: Sequence[Pose] = (), progress: Progress = silent,
) -> Alignment | None:  # fmt: skip
    """A line that keeps every standoff and area by exact geometry too, or None.

    The search knows a zone's edge cell by cell; at a corner a line may cut it by
    a fraction of a cell. Such a place is closed and the search runs again.

    Parameters
    ----------
    eased : mapping of rule key -> give
        Rules that are eased, and how far; they may be used up to that.
    """
    areas = [rule for rule in rules_of(ground.project) if rule.rule in ("standoff_m", "stay_within")]
    for _ in range(REPAIRS):
        line = route_through(surface, project, poses, progress=progress)
        if line is None:
            return None
        places = []
        for rule in areas:
            xy, give = area_needs(ground, rule, line)
            places.append(xy[give > eased.get(rule.key, 0.0) + _slack(rule)])
        wrong = np.concatenate(places) if places else np.empty((0, 2))
        if len(wrong) == 0:
            return line
        surface = _closed_at(surface, wrong)
    return None


def _slack(rule: Rule) -> float:
    if rule.kind == "angle":
        return ANGLE_TOLERANCE_DEG
    return max(TOLERANCE_M, 1e-4 * abs(rule.limit))


def _closed_at(surface: CostSurface, xy: NDArray) -> CostSurface:
    u, v = surface.grid.to_cells(xy[:, 0], xy[:, 1])
    col = np.clip(np.floor(u).astype(int), 0, surface.grid.cols - 1)
    row = np.clip(np.floor(v).astype(int), 0, surface.grid.rows - 1)
    ground = surface.ground.copy()
    ground[row, col, 0] = np.inf
    return replace(surface, ground=ground)


def gentle_line(
    surface: CostSurface, project: Project, find: Callable[[CostSurface], Alignment | None],
    rounds: int = TIGHTENINGS,
) -> Alignment | None:  # fmt: skip
    """A line that a search finds, with slopes as the finest seabed shows them.

    Where the line breaks a slope limit there, the cell is made as steep as it is,
    and the search runs again; of all rounds the line counts that breaks the limits least.
    """
    best, least = None, np.inf
    for _ in range(rounds):
        line = find(surface)
        if line is None:
            break
        breaches = slope_breaches(project, line)
        size = sum(breach.value - breach.limit for breach in breaches)
        if size < least:
            best, least = line, size
        if not breaches:
            break
        surface = tighten(surface, breaches)
    return best


def spacing_m(project: Project) -> float:
    """Distance between the places at which a line's slopes are measured, as when it is assessed."""
    longest = min(project.seabed.finest_cell_m, project.rules.slope_baseline_m / 4.0, LONGEST_STEP_M)
    return float(1000.0 / np.ceil(1000.0 / longest - 1e-9))


def slope_breaches(project: Project, line: Alignment) -> tuple[Breach, ...]:
    """Places of a line that are steeper than the limits on the finest seabed."""
    rules = project.rules
    profile = ground_profile(elements(line), project.seabed, spacing_m(project), rules.slope_baseline_m)
    found = []
    for name, tangent, limit in (
        ("max_slope_along_deg", profile.along, rules.max_slope_along_deg),
        ("max_slope_across_deg", profile.across, rules.max_slope_across_deg),
    ):
        steep = np.degrees(np.arctan(np.abs(np.nan_to_num(tangent))))
        found += [
            Breach(
                name, float(profile.easting_m[k]), float(profile.northing_m[k]),
                float(np.degrees(profile.bearing_rad[k])), float(steep[k]), limit,
            )
            for k in np.flatnonzero(steep > limit * (1.0 + 1e-6))
        ]  # fmt: skip
    return tuple(found)


def broken_rules(
    ground: ClosedGround, eased: Mapping[tuple[str, str, str], float], line: Alignment
) -> list[str]:
    """Rules that a line breaks, some of them eased (key -> give); slopes and depth on the finest seabed."""
    rounding = {"slope": 1e-6, "angle": 1e-4}
    return [
        f"{rule.rule} {rule.layer}".strip()
        for rule in rules_of(ground.project)
        if needs_of(ground, rule, line) > eased.get(rule.key, 0.0) + rounding.get(rule.kind, 1e-3)
    ]
