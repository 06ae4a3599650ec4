"""Pipelines and cables that may be crossed, prepared for the search grid."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.kernels.stencils import trace_polyline
from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.results import Assets

ASIDE_CELLS = (1e-6, 1.618034e-6)
"""Assets are kept this far (east, south) from where they are, cells: some micrometres.

Vertices are often drawn on round coordinates, which are centres and corners of cells. A chain of grid
steps that turned in such a vertex would cross between two segments without crossing either. Moved aside
in a direction that no step or corner of the grid has, an asset meets none of them, so that every chain
from one side of it to the other crosses it.
"""

AROUND_CELLS = 4e-6
"""Cells within this of an asset count as passed by it: more than it is moved aside."""


def assets_on(grid: Grid, layers: tuple[Layer, ...]) -> Assets:
    """Segments, fees and limits of every line in the cross layers, in cell units of `grid`.

    Points in a cross layer cannot be crossed and do not count; the outline of
    a polygon counts as a line.
    """
    segments, owner = [], []
    fee, sine, straight = [], [], []
    names: list[tuple[str, str]] = []
    for layer in layers:
        if layer.rule != "cross":
            continue
        for feature, geometry in zip(layer.features, layer.geometries, strict=True):
            pieces = _segments(geometry, grid)
            if len(pieces) == 0:
                continue
            segments.append(pieces)
            owner.append(np.full(len(pieces), len(names), dtype=np.int32))
            names.append((layer.name, feature))
            fee.append(layer.crossing_cost_m)
            sine.append(math.sin(math.radians(layer.min_angle_deg)))
            straight.append(layer.straight_each_side_m)
    return Assets(
        segments=np.concatenate(segments) if segments else np.empty((0, 4)),
        asset=np.concatenate(owner) if owner else np.empty(0, dtype=np.int32),
        fee_m=np.array(fee, dtype=float),
        sin_min_angle=np.array(sine, dtype=float),
        straight_m=np.array(straight, dtype=float),
        names=tuple(names),
    )


def _segments(geometry: shapely.Geometry, grid: Grid) -> NDArray:
    """Segments (n, 4) of all lines of a geometry near the grid, in cell units."""
    pieces = []
    for part in shapely.get_parts(geometry):
        line = part.boundary if part.geom_type in ("Polygon", "MultiPolygon") else part
        for simple in shapely.get_parts(line):
            if simple.geom_type not in ("LineString", "LinearRing"):
                continue
            points = shapely.get_coordinates(simple)
            u, v = grid.to_cells(points[:, 0], points[:, 1])
            u, v = u + ASIDE_CELLS[0], v + ASIDE_CELLS[1]
            piece = np.column_stack([u[:-1], v[:-1], u[1:], v[1:]])
            piece = piece[np.hypot(piece[:, 2] - piece[:, 0], piece[:, 3] - piece[:, 1]) > 0.0]
            pieces.append(piece[_near_grid(piece, grid)])
    return np.concatenate(pieces) if pieces else np.empty((0, 4))


def _near_grid(piece: NDArray, grid: Grid, margin: float = 8.0) -> NDArray:
    low_u, high_u = np.minimum(piece[:, 0], piece[:, 2]), np.maximum(piece[:, 0], piece[:, 2])
    low_v, high_v = np.minimum(piece[:, 1], piece[:, 3]), np.maximum(piece[:, 1], piece[:, 3])
    return (
        (high_u > -margin) & (high_v > -margin) & (low_u < grid.cols + margin) & (low_v < grid.rows + margin)
    )


def cells_near(assets: Assets, grid: Grid, reach: float) -> tuple[NDArray, NDArray, NDArray]:
    """Cells within about `reach` cells of assets, and the segments near each.

    Returns
    -------
    cells : array (n,) int64, flat, sorted
    first : array (n + 1,) int64
    segment : array, int64
        Segments near ``cells[i]`` are ``segment[first[i]:first[i + 1]]``.
    """
    span = int(math.ceil(reach)) + 1
    window = np.arange(-span, span + 1)
    pair_cell, pair_segment = [], []
    for number, (u1, v1, u2, v2) in enumerate(assets.segments):
        # Long segments reach far beyond the grid: only the part near it is sampled.
        t = _inside_part(u1, v1, u2, v2, grid, span + 2.0)
        if t is None:
            continue
        steps = max(2, int(math.ceil(math.hypot(u2 - u1, v2 - v1) * (t[1] - t[0]))) + 1)
        at = np.linspace(t[0], t[1], steps)
        cols = np.unique(np.floor(np.column_stack([u1 + at * (u2 - u1), v1 + at * (v2 - v1)])), axis=0)
        all_cols = (cols[:, 0, None, None] + window[None, None, :]).astype(np.int64)
        all_rows = (cols[:, 1, None, None] + window[None, :, None]).astype(np.int64)
        all_cols, all_rows = np.broadcast_arrays(all_cols, all_rows)
        good = (all_cols >= 0) & (all_rows >= 0) & (all_cols < grid.cols) & (all_rows < grid.rows)
        flat = np.unique(all_rows[good] * grid.cols + all_cols[good])
        pair_cell.append(flat)
        pair_segment.append(np.full(flat.size, number, dtype=np.int64))
    if not pair_cell:
        none = np.empty(0, dtype=np.int64)
        return none, np.zeros(1, dtype=np.int64), none
    cell, segment = np.concatenate(pair_cell), np.concatenate(pair_segment)
    order = np.lexsort((segment, cell))
    cell, segment = cell[order], segment[order]
    cells, first = np.unique(cell, return_index=True)
    return cells, np.append(first, cell.size).astype(np.int64), segment


def _inside_part(
    u1: float, v1: float, u2: float, v2: float, grid: Grid, margin: float
) -> tuple[float, float] | None:
    """Parameters between which a segment runs within the grid plus a margin (Liang-Barsky)."""
    low, high = 0.0, 1.0
    for start, end, size in ((u1, u2, grid.cols), (v1, v2, grid.rows)):
        change = end - start
        for limit, sign in ((-margin, -1.0), (size + margin, 1.0)):
            gap, rate = sign * (limit - start), sign * change
            if rate == 0.0:
                if gap < 0.0:
                    return None
            elif rate > 0.0:
                high = min(high, gap / rate)
            else:
                low = max(low, gap / rate)
    return (low, high) if low <= high else None


def occupied_cells(assets: Assets, grid: Grid) -> NDArray[np.bool_]:
    """(cells,) True where an asset passes through the cell (every cell it touches)."""
    occupied = np.zeros(grid.rows * grid.cols, dtype=bool)
    for u1, v1, u2, v2 in assets.segments:
        t = _inside_part(u1, v1, u2, v2, grid, 2.0)
        if t is None:
            continue
        points = np.array([[u1 + a * (u2 - u1), v1 + a * (v2 - v1)] for a in t])
        length = float(np.hypot(*(points[1] - points[0])))
        if length == 0.0:
            continue
        normal = np.array([points[0, 1] - points[1, 1], points[1, 0] - points[0, 0]]) / length
        # Where an asset runs exactly through a corner, a line could slip through the other
        # diagonal: the asset beside itself on both sides touches those cells too.
        for aside in (0.0, AROUND_CELLS, -AROUND_CELLS):
            cells, _ = trace_polyline(points + aside * normal, np.array([length]))
            good = (cells >= 0).all(axis=1) & (cells[:, 0] < grid.cols) & (cells[:, 1] < grid.rows)
            occupied[cells[good, 1] * grid.cols + cells[good, 0]] = True
    return occupied
