"""Obstructions on the search grid: which cells are closed, and how near a line may come.

Nothing here is decided by cells alone. A cell is *closed* when no point of it
may be used, *open* when every point may, and a *rim* cell otherwise: it keeps
the exact clearance of its centre and the direction in which that grows, so
that the search knows to a fraction of a cell how far a line may go in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.permit import zone_distance_m
from corridor.model.rules import RouteEnd, RouteRules
from corridor.permit.buffers import grid_distance_m

HALF_DIAGONAL = 0.70711
"""From a cell's centre to its corner, in cells."""

_INSCRIBED = 0.0013  # a buffer with 16 segments a quadrant lies up to this share inside the true one


@dataclass(frozen=True, slots=True, eq=False)
class Clearance:
    """Clearance of cells from one feature.

    Attributes
    ----------
    closed : array (k,) int64
        Flat indices of cells without any usable point.
    rim : array (n,) int64
        Flat indices of the cells that the edge of the zone may pass.
    value : array (n,)
        Clearance of the rim cells' centres beyond the limit, in cells.
    grow : array (n, 2)
        Unit vector (east, south) in which it grows.
    """

    closed: NDArray[np.int64]
    rim: NDArray[np.int64]
    value: NDArray[np.float64]
    grow: NDArray[np.float64]


def standoff_limits_m(layer: Layer, rules: RouteRules, crs: str) -> NDArray[np.float64]:
    """Nearest allowed distance of every feature of an avoid layer, in grid metres.

    The zone that permits publish, one truth: standoff plus position uncertainty
    plus lay tolerance, ground metres, by the largest scale factor about the
    feature, and the corners of the published outline's arcs (0.1 %).
    """
    return grid_distance_m(crs, layer.geometries, zone_distance_m(layer, rules))


def stay_within_limit_m(layer: Layer, rules: RouteRules, crs: str) -> float:
    """How far inside a stay_within layer the line must keep, in grid metres.

    0 unless the layer declares a standoff; then the lay tolerance and the
    position uncertainty are added to it, as to every standoff.
    """
    if len(layer) == 0 or layer.standoff_m.max() <= 0.0:
        return 0.0
    return float(standoff_limits_m(layer, rules, crs).max())


def signed_distance_m(geometry: shapely.Geometry, easting_m: NDArray, northing_m: NDArray) -> NDArray:
    """Distance to `geometry`, m; inside a polygon it is minus the distance to its edge."""
    return _signed_distance_m(geometry, shapely.points(easting_m, northing_m))


def _signed_distance_m(geometry: shapely.Geometry, points: NDArray) -> NDArray:
    distance = shapely.distance(points, geometry)
    if shapely.area(geometry) > 0.0:
        inside = distance == 0.0
        if inside.any():
            distance[inside] = -shapely.distance(points[inside], geometry.boundary)
    return distance


def clearance(geometry: shapely.Geometry, limit_m: float, grid: Grid) -> Clearance:
    """Cells of `grid` closed by keeping `limit_m` away from `geometry` (avoid)."""
    half = HALF_DIAGONAL * grid.cell_m
    outer = geometry.buffer((limit_m + half) * (1.0 + _INSCRIBED), quad_segs=16)
    cells, easting, northing = cells_inside(outer, grid)
    if cells.size == 0:
        return _empty()
    sure = np.zeros(cells.size, dtype=bool)
    if cells.size > 256:
        core = geometry.buffer(limit_m - half, quad_segs=16)
        if not core.is_empty:
            shapely.prepare(core)
            sure = shapely.contains_xy(core, easting, northing)
    rim = ~sure
    value, grow = _edge(geometry, limit_m, easting[rim], northing[rim], grid.cell_m)
    return _classify(cells[sure], cells[rim], value, grow)


def clearance_inside(geometry: shapely.Geometry, limit_m: float, grid: Grid) -> Clearance:
    """Cells of `grid` closed by keeping `limit_m` inside `geometry` (stay_within)."""
    half = HALF_DIAGONAL * grid.cell_m
    every = np.arange(grid.rows * grid.cols)
    near, easting, northing = cells_inside(geometry.buffer(half * (1.0 + _INSCRIBED), quad_segs=16), grid)
    outside = np.setdiff1d(every, near, assume_unique=True)
    core = geometry.buffer(-(limit_m + half), quad_segs=16)
    shapely.prepare(core)
    rim = ~shapely.contains_xy(core, easting, northing)
    value, grow = _edge(geometry, 0.0, easting[rim], northing[rim], grid.cell_m)
    return _classify(outside, near[rim], -value - limit_m / grid.cell_m, -grow)


def tie_in_cells(
    geometry: shapely.Geometry, limit_m: float, ends: tuple[RouteEnd, ...], length_m: float, grid: Grid
) -> Iterator[NDArray[np.int64]]:
    """Cells in which a tie-in zone may be entered: within `length_m` of an end that lies in it."""
    for end in ends:
        inside = signed_distance_m(geometry, np.array([end.easting]), np.array([end.northing]))[0] < limit_m
        if inside:
            reach = shapely.Point(end.easting, end.northing).buffer(length_m, quad_segs=32)
            yield cells_inside(reach, grid)[0]


def _edge(
    geometry: shapely.Geometry, limit_m: float, easting: NDArray, northing: NDArray, cell_m: float
) -> tuple[NDArray, NDArray]:
    """Clearance beyond `limit_m` (cells) and the direction (east, south) in which it grows."""
    edge = geometry.boundary if shapely.area(geometry) > 0.0 else geometry
    points = shapely.points(easting, northing)
    signed = _signed_distance_m(geometry, points)
    foot = shapely.get_point(shapely.shortest_line(points, edge), -1)
    east, north = easting - shapely.get_x(foot), northing - shapely.get_y(foot)
    size = np.hypot(east, north)
    on_edge = np.flatnonzero(size <= 1e-9)
    if on_edge.size and shapely.area(geometry) > 0.0:
        # A centre exactly on the edge has no foot of its own: the distance a little aside tells the way out.
        aside = 1e-3 * cell_m
        e, n = easting[on_edge], northing[on_edge]
        east[on_edge] = signed_distance_m(geometry, e + aside, n) - signed_distance_m(geometry, e - aside, n)
        north[on_edge] = signed_distance_m(geometry, e, n + aside) - signed_distance_m(geometry, e, n - aside)
        size = np.hypot(east, north)
    scale = np.where(signed < 0.0, -1.0, 1.0) / np.where(size > 1e-9, size, np.inf)
    return (signed - limit_m) / cell_m, np.column_stack([east * scale, -north * scale])


def _classify(closed: NDArray, rim: NDArray, value: NDArray, grow: NDArray) -> Clearance:
    shut = value < -HALF_DIAGONAL
    edge = ~shut & (value < HALF_DIAGONAL)
    return Clearance(np.concatenate([closed, rim[shut]]), rim[edge], value[edge], grow[edge])


def _empty() -> Clearance:
    none = np.empty(0, dtype=np.int64)
    return Clearance(none, none, np.empty(0), np.empty((0, 2)))


def cells_inside(polygon: shapely.Geometry, grid: Grid) -> tuple[NDArray, NDArray, NDArray]:
    """Flat indices, eastings and northings of the cells whose centres lie in `polygon`."""
    if polygon.is_empty:
        return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    west, south, east, north = polygon.bounds
    first_u, first_v = grid.to_cells(west, north)
    last_u, last_v = grid.to_cells(east, south)
    cols = np.arange(max(int(np.floor(first_u)), 0), min(int(np.ceil(last_u)), grid.cols))
    rows = np.arange(max(int(np.floor(first_v)), 0), min(int(np.ceil(last_v)), grid.rows))
    if cols.size == 0 or rows.size == 0:
        return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    easting, northing = grid.to_map(cols + 0.5, rows + 0.5)
    all_e, all_n = np.meshgrid(easting, northing)
    shapely.prepare(polygon)
    inside = shapely.contains_xy(polygon, all_e.ravel(), all_n.ravel())
    flat = (rows[:, None] * grid.cols + cols[None, :]).ravel()
    return flat[inside], all_e.ravel()[inside], all_n.ravel()[inside]
