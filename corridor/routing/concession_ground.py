"""What closes the ground, rule by rule: how far each must give for every cell, and at any position.

The search needs to know only whether a cell is open. To find out which rule
could give way, the same facts are kept apart: for every rule that closes ground
its cells and, for each, how far the rule would have to give there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from corridor.kernels.bottleneck import ACROSS, ALONG, ANGLE, Steps, Terrain, step_angles
from corridor.kernels.headings import ORDERS, heading_vectors
from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.results import CostSurface
from corridor.routing.concession_rules import Rule, stay_inset_m
from corridor.routing.geodesy import scale_factor
from corridor.routing.moves import build_moves
from corridor.terrain.assets import cells_near
from corridor.terrain.zones import (
    cells_inside,
    signed_distance_m,
    standoff_limits_m,
    stay_within_limit_m,
    tie_in_cells,
)

HALF = 0.70711
"""From a cell's centre to its corner, in cells."""

MOST_WORK = 20_000_000
"""Cells times vertices up to which distances are computed exactly; beyond it from the raster."""

ANY_CROSSING = 1e-3
"""Need of a crossing whose angle is fair, degrees: it shows as a pinch and costs nothing."""

HOLE = ("hole", "", "")
MEASURED = ("measured", "", "")
"""Keys of ground that no rule can open: no data, and places that broke a rule on the finest seabed."""


@dataclass(frozen=True, slots=True, eq=False)
class Closure:
    """The cells that one rule closes.

    Attributes
    ----------
    key : (rule, layer, side)
    cells : array (n,) int64, flat
    give : array (n,) float32
        How far the rule must give for the cell's centre.
    feature : array (n,) int32
        Index of the feature that asks for most; 0 where the rule has none.
    doubt : float
        What a better place within the cell may need less than its centre.
    """

    key: tuple[str, str, str]
    cells: NDArray[np.int64]
    give: NDArray[np.float32]
    feature: NDArray[np.int32]
    doubt: float


@dataclass(frozen=True, slots=True, eq=False)
class ClosedGround:
    """A project's ground with everything that closes it kept apart.

    Attributes
    ----------
    project : Project
    surface : CostSurface
        The ground of the search, rules as they stand.
    closures : tuple of Closure
    count, sure : arrays (cells,) uint8
        How many rules close the centre of a cell; all of the cell.
    """

    project: Project
    surface: CostSurface
    closures: tuple[Closure, ...]
    count: NDArray[np.uint8]
    sure: NDArray[np.uint8]

    @property
    def grid(self) -> Grid:
        """The search grid."""
        return self.surface.grid

    def closure(self, key: tuple[str, str, str]) -> Closure | None:
        """The cells that a rule closes, None when it closes none."""
        return next((closure for closure in self.closures if closure.key == key), None)

    def cell_of(self, easting_m: float, northing_m: float) -> int:
        """Flat index of the cell that holds a position (the nearest one outside the grid)."""
        u, v = self.grid.to_cells(easting_m, northing_m)
        col = int(np.clip(np.floor(u), 0, self.grid.cols - 1))
        row = int(np.clip(np.floor(v), 0, self.grid.rows - 1))
        return row * self.grid.cols + col


def closed_ground(project: Project, surface: CostSurface) -> ClosedGround:
    """Take the ground of a search apart, rule by rule."""
    grid = surface.grid
    closures = [*_seabed_closures(project, surface)]
    for layer in project.layers:
        if layer.rule == "avoid" and len(layer):
            closures.append(_avoid_closure(project, layer, grid))
        elif layer.rule == "stay_within" and len(layer):
            closures.append(_stay_closure(project, layer, grid))
    closures = [closure for closure in closures if closure.cells.size]
    count = np.zeros(grid.rows * grid.cols, dtype=np.uint8)
    sure = np.zeros_like(count)
    for closure in closures:
        count[closure.cells] += 1
        sure[closure.cells[closure.give > closure.doubt]] += 1
    return ClosedGround(project, surface, tuple(closures), count, sure)


def _seabed_closures(project: Project, surface: CostSurface) -> list[Closure]:
    depth = surface.depth_m.ravel()
    low, high = project.rules.depth_range_m
    hole = np.flatnonzero(np.isnan(depth))
    shallow, deep = np.flatnonzero(depth < low), np.flatnonzero(depth > high)
    measured = [k for k, reason in enumerate(surface.reasons) if reason.startswith("measured")]
    marked = (
        np.flatnonzero(np.isin(surface.closed_by.ravel(), measured)) if measured else np.empty(0, np.int64)
    )
    return [
        _plain(HOLE, hole, np.full(hole.size, np.inf)),
        _plain(MEASURED, marked, np.full(marked.size, np.inf)),
        _plain(("depth_range_m", "", "shallow"), shallow, low - depth[shallow]),
        _plain(("depth_range_m", "", "deep"), deep, depth[deep] - high),
    ]


def _plain(key: tuple[str, str, str], cells: NDArray, give: NDArray) -> Closure:
    """A closure without features, known cell by cell."""
    return Closure(key, cells, give.astype(np.float32), np.zeros(cells.size, np.int32), 0.0)


def _avoid_closure(project: Project, layer: Layer, grid: Grid) -> Closure:
    limits = standoff_limits_m(layer, project.rules, grid.crs)
    scale = zone_scales(layer, project, limits)
    spare = layer.position_uncertainty_m + project.rules.lay_tolerance_m
    most = float(layer.standoff_m.max())
    give = np.zeros(grid.rows * grid.cols, dtype=np.float32)
    feature = np.zeros(give.size, dtype=np.int32)
    for number, (geometry, limit) in enumerate(zip(layer.geometries, limits, strict=True)):
        reach = max(float(limit), 0.0)
        cells, easting, northing = cells_inside(geometry.buffer(reach * 1.002 + 1e-6, quad_segs=16), grid)
        if cells.size == 0:
            continue
        distance = _signed(geometry, cells, easting, northing, grid)
        near = distance < limit
        wanted = most - (distance[near] / scale[number] - spare[number])
        cells = cells[near]
        more = wanted > give[cells]
        give[cells[more]] = wanted[more]
        feature[cells[more]] = number
    if layer.name in project.rules.tie_in_layers:
        for cells in _tie_in(project, layer, limits, grid):
            give[cells] = 0.0
    cells = np.flatnonzero(give > 0.0)
    return Closure(("standoff_m", layer.name, ""), cells, give[cells], feature[cells], HALF * grid.cell_m)


def _signed(
    geometry: shapely.Geometry, cells: NDArray, easting: NDArray, northing: NDArray, grid: Grid
) -> NDArray[np.float64]:
    """Signed distance of cells from a geometry, m: exact, or from the raster where that takes too long."""
    if cells.size * shapely.get_num_coordinates(geometry) <= MOST_WORK or not shapely.area(geometry) > 0.0:
        return signed_distance_m(geometry, easting, northing)
    shapely.prepare(geometry)
    inside = shapely.contains_xy(geometry, easting, northing)
    rows, cols = cells // grid.cols, cells % grid.cols
    top, left = rows.min() - 1, cols.min() - 1
    window = np.zeros((rows.max() - top + 2, cols.max() - left + 2), dtype=bool)
    window[rows - top, cols - left] = inside
    away = distance_transform_edt(~window) if window.any() else np.full(window.shape, np.inf)
    signed = np.where(window, -distance_transform_edt(window), away)
    return (signed[rows - top, cols - left] - 0.5 * np.sign(signed[rows - top, cols - left])) * grid.cell_m


def _stay_closure(project: Project, layer: Layer, grid: Grid) -> Closure:
    area = shapely.union_all(layer.geometries)
    scale = stay_scale(layer, project, area)
    inset = stay_inset_m(layer, project)
    drawn = area.buffer(-inset * scale, quad_segs=32) if inset else area
    inside, _, _ = cells_inside(drawn, grid)
    outside = np.ones(grid.rows * grid.cols, dtype=bool)
    outside[inside] = False
    cells = np.flatnonzero(outside)
    if cells.size * max(shapely.get_num_coordinates(drawn), 1) <= MOST_WORK and not drawn.is_empty:
        easting, northing = _centres(cells, grid)
        give = shapely.distance(shapely.points(easting, northing), drawn) / scale
    else:
        away = distance_transform_edt(outside.reshape(grid.shape)).ravel()[cells]
        give = (away - 0.5) * grid.cell_m / scale
    give = np.maximum(give, 1e-3).astype(np.float32)
    return Closure(
        ("stay_within", layer.name, ""), cells, give, np.zeros(cells.size, np.int32), HALF * grid.cell_m
    )


def _centres(cells: NDArray, grid: Grid) -> tuple[NDArray, NDArray]:
    return grid.to_map(cells % grid.cols + 0.5, cells // grid.cols + 0.5)


def scales_of(geometries: NDArray, crs: str) -> NDArray[np.float64]:
    """Grid metres per ground metre at the middles of geometries."""
    centre = shapely.centroid(geometries)
    return scale_factor(crs, shapely.get_x(centre), shapely.get_y(centre))


def zone_scales(layer: Layer, project: Project, limits_m: NDArray) -> NDArray[np.float64]:
    """Grid metres that the search keeps for each ground metre asked for, per feature of an avoid layer."""
    ground = layer.standoff_m + layer.position_uncertainty_m + project.rules.lay_tolerance_m
    plain = scales_of(layer.geometries, project.crs)
    return np.where((ground > 0.0) & (limits_m > 0.0), limits_m / np.where(ground > 0.0, ground, 1.0), plain)


def stay_scale(layer: Layer, project: Project, area: shapely.Geometry) -> float:
    """Grid metres for each ground metre inside a stay_within layer."""
    inset = stay_inset_m(layer, project)
    limit = stay_within_limit_m(layer, project.rules, project.crs)
    return (
        limit / inset if inset > 0.0 and limit > 0.0 else float(scales_of(np.array([area]), project.crs)[0])
    )


def _tie_in(project: Project, layer: Layer, limits: NDArray, grid: Grid):
    rules = project.rules
    ends = (project.start, project.end)
    reach = rules.tie_in_length_m * float(scale_factor(grid.crs, ends[0].easting, ends[0].northing))
    for geometry, limit in zip(layer.geometries, limits, strict=True):
        yield from tie_in_cells(geometry, float(limit), ends, reach, grid)


def terrain(
    ground: ClosedGround, conceded: tuple[Rule, ...] = (), weights: tuple[float, ...] = ()
) -> Terrain:
    """The ground as a flood sees it, with some rules in question.

    Parameters
    ----------
    conceded : tuple of Rule
        With several, their needs are divided by `weights` and the larger one counts.
    """
    weights = weights or (1.0,) * len(conceded)
    closed = ground.count.copy()
    need = np.zeros(closed.size, dtype=np.float32)
    for rule, weight in zip(conceded, weights, strict=True):
        closure = ground.closure(rule.key)
        if closure is not None:
            closed[closure.cells] -= 1
            np.maximum.at(need, closure.cells, closure.give / np.float32(weight))
    surface = ground.surface
    mode = next((MODES[rule.rule] for rule in conceded if rule.rule in MODES), 0)
    crossing, angle = _crossing_needs(surface, ground.project, conceded, surface.grid)
    return Terrain(
        rows=surface.grid.rows,
        cols=surface.grid.cols,
        closed=closed > 0,
        need=need,
        east=np.ascontiguousarray(surface.ground[..., 1]).ravel(),
        south=np.ascontiguousarray(surface.ground[..., 2]).ravel(),
        tan_along=surface.tan_along,
        tan_across=surface.tan_across,
        mode=mode,
        crossing=crossing,
        angle=angle,
    )


MODES = {"max_slope_along_deg": ALONG, "max_slope_across_deg": ACROSS, "min_angle_deg": ANGLE}


def optimistic_terrain(ground: ClosedGround, conceded: tuple[Rule, ...] = ()) -> Terrain:
    """The ground at its most favourable: a curve that any rule leaves a way for finds one here.

    A cell is open where its best point and its best direction are, assets are
    crossed at any angle, and the flood runs over all eight neighbours.
    """
    closed = ground.sure.copy()
    need = np.zeros(closed.size, dtype=np.float32)
    for rule in conceded:
        closure = ground.closure(rule.key)
        if closure is not None:
            certain = closure.give > closure.doubt
            closed[closure.cells[certain]] -= 1
            np.maximum.at(need, closure.cells[certain], closure.give[certain] - np.float32(closure.doubt))
    surface = ground.surface
    steep = np.square(surface.ground[..., 1:3].astype(np.float64)).sum(axis=-1).ravel()
    shut = steep > (surface.tan_along**2 + surface.tan_across**2) * (1.0 + 1e-6)
    eased = next((rule.rule for rule in conceded if rule.rule in MODES and rule.kind == "slope"), None)
    if eased is not None:
        other, own = surface.tan_across, surface.tan_along
        if eased == "max_slope_across_deg":
            other, own = own, other
        least = np.sqrt(np.maximum(steep[shut] - other**2, 0.0)) - own
        need[shut] = np.maximum(need[shut], least.astype(np.float32))
        shut = np.zeros_like(shut)
    flat = np.zeros(1, dtype=np.float32)
    return Terrain(
        rows=surface.grid.rows,
        cols=surface.grid.cols,
        closed=(closed > 0) | shut,
        need=need,
        east=np.broadcast_to(flat, closed.shape).copy(),
        south=np.broadcast_to(flat, closed.shape).copy(),
        tan_along=math.inf,
        tan_across=math.inf,
        mode=0,
        crossing=np.zeros(closed.size, dtype=np.int32),
        angle=np.zeros((1, 8), dtype=np.float32),
    )


def _crossing_needs(
    surface: CostSurface, project: Project, conceded: tuple[Rule, ...], grid: Grid
) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
    """Rows of cells near assets, and how far the least angle must give for each step from them.

    Where the angle of one layer is in question, a step that breaks another
    layer's angle can never be made good.
    """
    headings = project.rules.headings
    assets = surface.assets
    crossing = np.zeros(grid.rows * grid.cols, dtype=np.int32)
    if len(assets.segments) == 0:
        return crossing, np.zeros((1, headings), dtype=np.float32)
    cells, first, segment = cells_near(assets, grid, ORDERS[headings])
    crossing[cells] = np.arange(1, cells.size + 1)
    vectors = heading_vectors(headings)
    least = np.degrees(np.arcsin(assets.sin_min_angle))
    eased = {rule.layer for rule in conceded if rule.kind == "angle"}
    mine = np.array([layer in eased for layer, _ in assets.names], dtype=bool)
    angle = step_angles(
        cells, grid.cols, vectors, assets.segments, np.where(mine, least, 0.0)[assets.asset], first, segment
    )
    other = step_angles(
        cells, grid.cols, vectors, assets.segments, np.where(mine, 0.0, least)[assets.asset], first, segment
    )
    # The sine of the limit comes back through an arcsine: its rounding must not forbid a step.
    angle = np.where(angle > 1e-6, angle, np.float32(0.0))
    if mine.any():
        # Every crossing of the layer in question is a place to look at: a step has no straight.
        crossed = step_angles(
            cells,
            grid.cols,
            vectors,
            assets.segments,
            np.where(mine, 180.0, 0.0)[assets.asset],
            first,
            segment,
        )
        angle = np.maximum(angle, np.where(crossed > 0.0, np.float32(ANY_CROSSING), np.float32(0.0)))
    angle[other > 1e-6] = np.inf
    return crossing, np.concatenate([np.zeros((1, headings), dtype=np.float32), angle]).astype(np.float32)


def steps_of(headings: int, cols: int) -> Steps:
    """Stencils of all steps of the search on a grid of `cols` columns."""
    moves = build_moves((), headings, cols, 0.0)
    return Steps(
        vectors=moves.vectors,
        length=moves.step_length,
        row=moves.step_row,
        offset=moves.offsets.astype(np.int64),
        along=np.ascontiguousarray(moves.pieces[:, 1:3]),
    )


def neighbours(cols: int) -> Steps:
    """Steps to the eight neighbours that pass through nothing but the two cells."""
    vectors = heading_vectors(8)
    offset = np.zeros(16, dtype=np.int64)
    offset[1::2] = vectors[:, 1] * cols + vectors[:, 0]
    return Steps(
        vectors=vectors,
        length=np.hypot(vectors[:, 0], vectors[:, 1]).astype(float),
        row=np.arange(0, 17, 2, dtype=np.int64),
        offset=offset,
        along=np.zeros((16, 2), dtype=np.float32),
    )
