"""Seabed and layers -> the gridded ground that the search, the fit and the bound share."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.permit import zone_distance_m
from corridor.model.project import Project
from corridor.model.results import Breach, CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed
from corridor.permit.buffers import ground_buffers
from corridor.progress import Progress, silent
from corridor.routing.geodesy import scale_factor
from corridor.terrain.assets import assets_on
from corridor.terrain.sampling import depth_at, slopes_at
from corridor.terrain.zones import (
    Clearance,
    cells_inside,
    clearance,
    clearance_inside,
    standoff_limits_m,
    stay_within_limit_m,
    tie_in_cells,
)

NEAR_ASSET_FACTOR = 2.0
"""Price of a metre within the standoff of an asset that may be crossed: kept away where possible."""

MOST_CELLS = 12_000_000
"""A larger search grid is made coarser."""

WORKERS = min(4, os.cpu_count() or 1)
"""Threads that sample the seabed."""

CELLS_PER_RADIUS = 4.0
"""The search grid is refined until the bend radius holds this many cells."""


GEOMETRY_RULES = (
    "min_bend_radius_m",
    "min_straight_m",
    "end_straight_m",
    "straight_each_side_m",
    "min_angle_deg",
)
"""Rules on the line itself: breaking one does not speak against the place."""


def search_grid(seabed: Seabed, rules: RouteRules, start: RouteEnd) -> Grid:
    """The grid to search: over the whole seabed, with START on a cell's centre.

    Cell size: `rules.search_cell_m`, or else that of the surface which covers
    the largest area, refined where the bend radius holds fewer than 4 cells,
    made coarser where the grid would exceed 12 million cells.
    """
    west, south, east, north = seabed.bounds_m
    cell = rules.search_cell_m
    if cell is None:
        widest = max(seabed.surfaces, key=lambda s: s.grid.rows * s.grid.cols * s.grid.cell_m**2)
        cell = min(widest.grid.cell_m, rules.min_bend_radius_m / CELLS_PER_RADIUS)
        cell = max(cell, math.sqrt((east - west) * (north - south) / MOST_CELLS))
    left = math.ceil((start.easting - west) / cell - 0.5)
    above = math.ceil((north - start.northing) / cell - 0.5)
    right = math.ceil((east - start.easting) / cell - 0.5)
    below = math.ceil((start.northing - south) / cell - 0.5)
    return Grid(
        rows=max(above + below, 0) + 1,
        cols=max(left + right, 0) + 1,
        west_m=start.easting - (left + 0.5) * cell,
        north_m=start.northing + (above + 0.5) * cell,
        cell_m=cell,
        crs=seabed.crs,
    )


def cost_surface(
    project: Project,
    *,
    grid: Grid | None = None,
    slope_margin: float = 1.0,
    only: NDArray[np.bool_] | None = None,
    progress: Progress = silent,
) -> CostSurface:
    """Build the gridded ground of a project.

    Parameters
    ----------
    project : Project
    grid : Grid, optional
        Default: :func:`search_grid`.
    slope_margin : float
        The slope limits held are the rules' tangents times this, since a cell's
        mean gradient hides the steepest places in it.
    only : array (rows, cols) of bool, optional
        Cells whose seabed is looked up: enough to price a line that stays among
        them, not to search. The gradient is NaN in all others.
    progress : Progress
    """
    rules = project.rules
    grid = grid or search_grid(project.seabed, rules, project.start)
    progress("ground", 0.0)
    builder = _Builder(grid.shape)
    ends = (project.start, project.end)
    entries: list[Callable[[], None]] = []
    # Neither needs the other, and both leave the interpreter free most of the time.
    with ThreadPoolExecutor(1) as beside:
        sampled = beside.submit(sample_ground, project.seabed, grid, rules.slope_baseline_m, only)
        for number, layer in enumerate(project.layers):
            entries += _entries(builder, layer, rules, ends, grid)
            progress("ground", 0.5 * (number + 1) / len(project.layers))
        depth, source, east, south = sampled.result()
    low, high = rules.depth_range_m
    builder.close(np.flatnonzero(np.isnan(depth)), "hole")
    builder.close(np.flatnonzero((depth.ravel() < low) | (depth.ravel() > high)), "depth_range_m")
    for enter in entries:
        enter()
    progress("ground", 1.0)
    return CostSurface(
        grid=grid,
        ground=builder.ground(east, south),
        rim=builder.rim(),
        tan_along=math.tan(math.radians(rules.max_slope_along_deg)) * slope_margin,
        tan_across=math.tan(math.radians(rules.max_slope_across_deg)) * slope_margin,
        slope_cost=rules.slope_cost,
        assets=assets_on(grid, project.layers),
        depth_m=depth,
        source=source,
        closed_by=builder.closed_by.reshape(grid.shape),
        reasons=tuple(builder.reasons),
        slope_margin=slope_margin,
    )


def part_of(surface: CostSurface, grid: Grid, layers: Sequence[Layer]) -> CostSurface:
    """The ground of some of a surface's cells: `grid` is made of them, none shifted, all within."""
    whole = surface.grid
    left = round((grid.west_m - whole.west_m) / whole.cell_m)
    above = round((whole.north_m - grid.north_m) / whole.cell_m)
    cells = np.s_[above : above + grid.rows, left : left + grid.cols]
    return replace(
        surface,
        grid=grid,
        ground=surface.ground[cells].copy(),
        assets=assets_on(grid, tuple(layers)),
        depth_m=surface.depth_m[cells],
        source=surface.source[cells],
        closed_by=surface.closed_by[cells],
    )


def sample_ground(
    seabed: Seabed, grid: Grid, baseline_m: float, only: NDArray[np.bool_] | None = None
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Depth, source and gradient of every cell.

    The gradient is the slope over `baseline_m` as the rules define it, averaged
    over four points of the cell where the seabed is known finer than the grid.

    Returns
    -------
    depth_m : array (rows, cols) float32; NaN = hole
    source : array (rows, cols) int16
    east, south : arrays (rows, cols) float32
        Tangents, positive where the seabed rises to the east, to the south; 0 where unknown.
        Beyond the cells of `only`, depth and tangents are NaN.
    """
    easting, northing = grid.centres()
    depth = np.empty(grid.shape, dtype=np.float32)
    source = np.empty(grid.shape, dtype=np.int16)
    east = np.zeros(grid.shape, dtype=np.float32)
    south = np.zeros(grid.shape, dtype=np.float32)
    if only is not None:
        row, col = np.nonzero(only)
        depth[:], source[:], east[:], south[:] = np.nan, -1, np.nan, np.nan
        depth[only], source[only], east[only], south[only] = ground_of_cells(
            seabed, easting[col], northing[row], grid.cell_m, baseline_m
        )
        fill_slopes(depth, east, south, grid.cell_m)
        return depth, source, east, south
    block = max(1, min(400_000 // grid.cols, -(-grid.rows // WORKERS)))

    def fill(first: int) -> None:
        rows = slice(first, min(first + block, grid.rows))
        e, n = np.meshgrid(easting, northing[rows])
        depth[rows], source[rows], east[rows], south[rows] = ground_of_cells(
            seabed, e, n, grid.cell_m, baseline_m
        )

    # Cells know nothing of each other, and the kernels leave the interpreter free.
    with ThreadPoolExecutor(WORKERS) as pool:
        list(pool.map(fill, range(0, grid.rows, block)))
    fill_slopes(depth, east, south, grid.cell_m)
    return depth, source, east, south


def ground_of_cells(
    seabed: Seabed, easting_m: NDArray, northing_m: NDArray, cell_m: float, baseline_m: float
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Depth, source and gradient of the cells of `cell_m` with these centres (arrays of any one shape).

    As :func:`sample_ground` returns them, but with a gradient of 0 wherever a
    baseline reaches beyond the data.
    """
    depth, source, _ = depth_at(seabed, easting_m, northing_m)
    east = np.zeros(depth.shape, dtype=np.float32)
    south = np.zeros(depth.shape, dtype=np.float32)
    quarter = cell_m / 4.0
    fine = seabed.finest_cell_m < 0.75 * cell_m
    shifts = [(a, b) for a in (-quarter, quarter) for b in (-quarter, quarter)] if fine else [(0.0, 0.0)]
    count = np.zeros(depth.shape)
    for shift_e, shift_n in shifts:
        along, across = slopes_at(seabed, easting_m + shift_e, northing_m + shift_n, np.pi / 2.0, baseline_m)
        good = np.isfinite(along) & np.isfinite(across)
        east += np.where(good, along, 0.0)
        south += np.where(good, across, 0.0)
        count += good
    east /= np.maximum(count, 1.0)
    south /= np.maximum(count, 1.0)
    return depth.astype(np.float32), source, east, south


def fill_slopes(depth: NDArray, east: NDArray, south: NDArray, cell_m: float) -> None:
    """Gradients from cell to cell where the baseline reaches beyond the data, as on the seabed's rim."""
    unknown = (east == 0.0) & (south == 0.0) & np.isfinite(depth)
    if min(depth.shape) < 2 or not unknown.any():
        return
    down, right = np.gradient(depth.astype(float), cell_m)
    east[unknown] = -np.nan_to_num(right[unknown])
    south[unknown] = -np.nan_to_num(down[unknown])


def tighten(surface: CostSurface, breaches: tuple[Breach, ...]) -> CostSurface:
    """The ground with what the finest seabed showed at places where a line broke a rule.

    A slope that breaks its limit makes the cell's gradient at least as steep in
    that direction; a breach of depth, standoff or area closes the cell. Breaches
    of the line's own geometry say nothing about the ground and are left out.
    """
    ground = surface.ground.copy()
    closed_by = surface.closed_by.copy()
    reasons = list(surface.reasons)
    for breach in breaches:
        if breach.rule in GEOMETRY_RULES:
            continue
        u, v = surface.grid.to_cells(breach.easting_m, breach.northing_m)
        col, row = int(np.floor(u)), int(np.floor(v))
        if not (0 <= row < surface.grid.rows and 0 <= col < surface.grid.cols):
            continue
        angle = math.radians(breach.bearing_deg)
        if breach.rule == "max_slope_along_deg":
            axis, limit = np.array([math.sin(angle), -math.cos(angle)]), surface.tan_along
        elif breach.rule == "max_slope_across_deg":
            axis, limit = np.array([math.cos(angle), math.sin(angle)]), surface.tan_across
        else:
            ground[row, col, 0] = np.inf
            reason = f"measured on the finest seabed: {breach.rule}"
            if reason not in reasons:
                reasons.append(reason)
            closed_by[row, col] = reasons.index(reason)
            continue
        now = float(axis @ ground[row, col, 1:3])
        wanted = max(math.tan(math.radians(abs(breach.value))), limit * 1.001)
        if abs(now) < wanted:
            ground[row, col, 1:3] += axis * (math.copysign(wanted, now if now else 1.0) - now)
    return replace(surface, ground=ground, closed_by=closed_by, reasons=tuple(reasons))


class _Builder:
    """Collects factors, closures and rims of a grid, layer after layer."""

    def __init__(self, shape: tuple[int, int]):
        self.shape, cells = shape, shape[0] * shape[1]
        self.factor = np.ones(cells, dtype=np.float32)
        self.closed_by = np.full(cells, -1, dtype=np.int16)
        self.reasons: list[str] = []
        self.clearance = np.full(cells, np.inf)
        self.grow = np.zeros((cells, 2))

    def close(self, cells: NDArray, reason: str) -> None:
        if cells.size == 0:
            return
        if reason not in self.reasons:
            self.reasons.append(reason)
        fresh = cells[self.closed_by[cells] < 0]
        self.closed_by[fresh] = self.reasons.index(reason)
        self.factor[cells] = np.inf

    def keep_clear(self, zone: Clearance, reason: str, open_again: NDArray | None = None) -> None:
        closed, keep = zone.closed, np.ones(zone.rim.size, dtype=bool)
        if open_again is not None:
            closed = np.setdiff1d(closed, open_again)
            keep = ~np.isin(zone.rim, open_again)
        self.close(closed, reason)
        rim, value, grow = zone.rim[keep], zone.value[keep], zone.grow[keep]
        nearer = value < self.clearance[rim]
        self.clearance[rim[nearer]] = value[nearer]
        self.grow[rim[nearer]] = grow[nearer]

    def multiply(self, cells: NDArray, factor: float) -> None:
        self.factor[cells] *= np.float32(factor)

    def _rim_cells(self) -> NDArray:
        return np.flatnonzero(np.isfinite(self.clearance) & np.isfinite(self.factor))

    def rim(self) -> NDArray[np.float64]:
        cells = self._rim_cells()
        table = np.zeros((cells.size + 1, 3))
        table[1:, 0] = self.clearance[cells]
        table[1:, 1:] = self.grow[cells]
        return table

    def ground(self, east: NDArray, south: NDArray) -> NDArray[np.float32]:
        cells = self._rim_cells()
        ground = np.zeros((self.factor.size, 4), dtype=np.float32)
        ground[:, 0] = self.factor
        ground[:, 1] = east.ravel()
        ground[:, 2] = south.ravel()
        ground[cells, 3] = np.arange(1, cells.size + 1)
        return ground.reshape(*self.shape, 4)


def _entries(
    builder: _Builder, layer: Layer, rules: RouteRules, ends: tuple[RouteEnd, ...], grid: Grid
) -> Iterator[Callable[[], None]]:
    """What one layer does to the ground, worked out, to be entered once the seabed is known."""
    if layer.rule == "avoid":
        tie_in = layer.name in rules.tie_in_layers
        for feature, geometry, limit in zip(
            layer.features, layer.geometries, standoff_limits_m(layer, rules, grid.crs), strict=True
        ):
            zone = clearance(geometry, float(limit), grid)
            again = None
            if tie_in:
                reach = rules.tie_in_length_m * float(
                    scale_factor(grid.crs, ends[0].easting, ends[0].northing)
                )
                found = list(tie_in_cells(geometry, float(limit), ends, reach, grid))
                again = np.unique(np.concatenate(found)) if found else None
            yield partial(builder.keep_clear, zone, f"standoff_m: {layer.name} / {feature}", again)
    elif layer.rule == "stay_within":
        if len(layer):
            allowed = shapely.union_all(layer.geometries)
            limit = stay_within_limit_m(layer, rules, grid.crs)
            zone = clearance_inside(allowed, limit, grid)
            yield partial(builder.keep_clear, zone, f"stay_within: {layer.name}")
    elif layer.rule == "discourage":
        for cells in _covered(discouraged(layer, rules, grid.crs), grid):
            yield partial(builder.multiply, cells, layer.factor)
    elif layer.rule == "cross" and len(layer) and layer.standoff_m.max() > 0.0:
        near = [
            geometry.buffer(float(limit))
            for geometry, limit in zip(
                layer.geometries, standoff_limits_m(layer, rules, grid.crs), strict=True
            )
        ]
        for cells in _covered(np.array([shapely.union_all(near)]), grid):
            yield partial(builder.multiply, cells, NEAR_ASSET_FACTOR)


def discouraged(layer: Layer, rules: RouteRules, crs: str) -> NDArray:
    """The areas of a discourage layer as published: widened by standoff and position uncertainty."""
    reach = zone_distance_m(layer, rules)
    if len(layer) == 0 or not reach.any():
        return layer.geometries
    return np.asarray(ground_buffers(crs, layer.geometries, reach), dtype=object)


def _covered(geometries: NDArray, grid: Grid) -> list[NDArray]:
    """Flat indices of the cells whose centres lie in the union of `geometries`."""
    union = shapely.union_all(geometries)
    return [cells_inside(union, grid)[0]] if not union.is_empty else []
