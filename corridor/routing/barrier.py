"""The closed ground that parts START from END: the thinnest chain of it, as polygons.

Where no way over grid steps leads across, some closed chain of cells must part
the two ends. The cheapest one is found (a shortest path on cells and parity);
the zones, slopes, depths and holes that it runs through are the barrier, cut off
where they no longer matter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, distance_transform_edt, label

from corridor.kernels.bottleneck import thinnest_wall
from corridor.model.grid import Grid
from corridor.routing.concession_ground import HOLE, MEASURED, ClosedGround
from corridor.routing.concession_pass import Flood
from corridor.terrain.zones import standoff_limits_m

POCKET_PRICE = 3.0
"""A cell that is open but cannot be reached counts like this many closed ones."""

SHOWN_CELLS = 25
"""Closed ground is shown up to this far from the chain, cells."""

_CORNERS = 16

Piece = tuple[shapely.Geometry, Mapping[str, Any]]


@dataclass(frozen=True, slots=True, eq=False)
class Barrier:
    """Closed ground between the ends.

    Attributes
    ----------
    pieces : tuple of (geometry, properties)
        In the project CRS; properties name ``rule``, ``layer``, ``features``.
    names : tuple of str
        What it consists of, in words, in the order of the chain.
    """

    pieces: tuple[Piece, ...]
    names: tuple[str, ...]


def find_barrier(ground: ClosedGround, flood: Flood, leg: int) -> Barrier:
    """The barrier across one leg that no way over grid steps joins."""
    grid = ground.grid
    chain = _chain(ground, flood, leg)
    if chain.size == 0:
        return Barrier((), ())
    steep = _steep(ground)
    pieces: list[Piece] = []
    names: list[str] = []
    wall = np.zeros(grid.shape, dtype=bool)
    wall.ravel()[chain] = True
    near = _near(wall)
    for key, features in _keys_on(ground, chain):
        shape = _shape(ground, key, features, wall, near)
        if not shape.is_empty:
            pieces.append((shape, _properties(ground, key, features)))
            names.append(_name(ground, key, features))
    on_steep = chain[steep.ravel()[chain] & (ground.count[chain] == 0)]
    if on_steep.size:
        shape = _cells_shape(steep, on_steep, near, grid)
        pieces.append(
            (shape, {"rule": "max_slope_along_deg, max_slope_across_deg", "layer": "", "features": []})
        )
        names.append("ground steeper than the slope limits allow in the directions it can be crossed in")
    return Barrier(tuple(pieces), tuple(names))


def _chain(ground: ClosedGround, flood: Flood, leg: int) -> NDArray[np.int64]:
    """Cells of the thinnest chain that parts the two ends of a leg."""
    grid = ground.grid
    reached = flood.reached(leg) | flood.reached(leg, backwards=True)
    reasons = (ground.count > 0) | _steep(ground).ravel()
    price = np.where(reasons, 1.0, POCKET_PRICE).astype(np.float32)
    price[reached] = np.inf
    a, b = flood.cells()[leg], flood.cells()[leg + 1]
    # A hair beside the cells' centres, so that the cut meets no corner of the chain.
    cut = np.array(
        [a % grid.cols + 0.1234, a // grid.cols + 0.0717, b % grid.cols + 0.0917, b // grid.cols + 0.1371]
    )
    chain, total = thinnest_wall(price, grid.rows, grid.cols, cut, -1)
    for seed in _seeds(cut, price, grid):
        other, cost = thinnest_wall(price, grid.rows, grid.cols, cut, seed)
        if cost < total:
            chain, total = other, cost
    return chain


def _seeds(cut: NDArray, price: NDArray, grid: Grid) -> list[int]:
    """One cell in each stretch of unreached ground under the cut: a closed ring must pass one of them."""
    count = int(np.hypot(cut[2] - cut[0], cut[3] - cut[1]) * 2.0) + 2
    t = np.linspace(0.0, 1.0, count)
    col = np.clip(np.round(cut[0] + t * (cut[2] - cut[0])).astype(int), 0, grid.cols - 1)
    row = np.clip(np.round(cut[1] + t * (cut[3] - cut[1])).astype(int), 0, grid.rows - 1)
    cells = row * grid.cols + col
    shut = np.concatenate([[False], np.isfinite(price[cells]), [False]])
    edges = np.flatnonzero(np.diff(shut.astype(np.int8)))
    return [int(cells[(first + last - 1) // 2]) for first, last in zip(edges[::2], edges[1::2], strict=True)][
        :6
    ]


def _steep(ground: ClosedGround) -> NDArray[np.bool_]:
    """(rows, cols) where some heading breaks a slope limit."""
    surface = ground.surface
    size = np.hypot(surface.ground[..., 1], surface.ground[..., 2])
    return size > min(surface.tan_along, surface.tan_across)


def _keys_on(ground: ClosedGround, chain: NDArray) -> list[tuple[tuple[str, str, str], NDArray]]:
    """Rules that close cells of the chain, in its order, with the features they do it for."""
    place = np.full(ground.grid.rows * ground.grid.cols, -1, dtype=np.int64)
    place[chain] = np.arange(len(chain))
    found = []
    for closure in ground.closures:
        on = place[closure.cells] >= 0
        if closure.key == HOLE:
            # The raster's own edge is no hole in it.
            on &= ~_at_edge(closure.cells, ground.grid)
        if on.any():
            first = int(place[closure.cells[on]].min())
            found.append((first, closure.key, np.unique(closure.feature[on])))
    return [(key, features) for _, key, features in sorted(found, key=lambda item: (item[0], item[1]))]


def _at_edge(cells: NDArray, grid: Grid) -> NDArray[np.bool_]:
    rows, cols = cells // grid.cols, cells % grid.cols
    return (np.minimum(rows, grid.rows - 1 - rows) < 2) | (np.minimum(cols, grid.cols - 1 - cols) < 2)


def _near(wall: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells within :data:`SHOWN_CELLS` of the chain."""
    return distance_transform_edt(~wall) <= SHOWN_CELLS


def _shape(
    ground: ClosedGround, key: tuple[str, str, str], features: NDArray, wall: NDArray, near: NDArray
) -> shapely.Geometry:
    """What one rule closes near the chain: exact zones, or the outline of the cells."""
    rule, name, _ = key
    grid = ground.grid
    if rule == "standoff_m":
        layer = ground.project.layer(name)
        limits = standoff_limits_m(layer, ground.project.rules, grid.crs)[features]
        # Corners of the polygon outside the circle by its sagitta: it contains the true zone.
        wide = np.maximum(limits, 0.0) / np.cos(np.pi / (4.0 * _CORNERS))
        zones = shapely.union_all(shapely.buffer(layer.geometries[features], wide, quad_segs=_CORNERS))
        return shapely.intersection(zones, _box(near, grid))
    closure = ground.closure(key)
    if closure is None:
        return shapely.Polygon()
    closed = np.zeros(grid.shape, dtype=bool)
    closed.ravel()[closure.cells] = True
    chain = np.flatnonzero((wall & closed).ravel())
    return _cells_shape(closed, chain, near, grid)


def _box(near: NDArray, grid: Grid) -> shapely.Geometry:
    rows, cols = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    (west, east), (north, south) = grid.to_map([cols[0], cols[-1] + 1], [rows[0], rows[-1] + 1])
    return shapely.box(west, south, east, north)


def _cells_shape(closed: NDArray, chain: NDArray, near: NDArray, grid: Grid) -> shapely.Geometry:
    """Outline of the closed cells that hang together with the chain, near it."""
    parts, _ = label(closed & near, structure=np.ones((3, 3)))
    kept = np.isin(parts, np.unique(parts.ravel()[chain])) & (parts > 0)
    return cells_outline(kept, grid)


def cells_outline(cells: NDArray[np.bool_], grid: Grid) -> shapely.Geometry:
    """Outline of cells (rows, cols) as a polygon or several."""
    if not cells.any():
        return shapely.Polygon()
    padded = np.pad(cells, ((0, 0), (1, 1))).astype(np.int8)
    change = np.diff(padded, axis=1)
    rows, first = np.nonzero(change == 1)
    _, last = np.nonzero(change == -1)
    west, north = grid.to_map(first, rows)
    east, south = grid.to_map(last, rows + 1)
    return shapely.union_all(shapely.box(west, south, east, north))


def _properties(ground: ClosedGround, key: tuple[str, str, str], features: NDArray) -> dict[str, Any]:
    rule, name, side = key
    words: dict[str, Any] = {"rule": rule, "layer": name, "features": []}
    if side:
        words["side"] = side
    if name:
        layer = ground.project.layer(name)
        words["features"] = (
            [layer.features[int(k)] for k in features] if rule == "standoff_m" else list(layer.features)
        )
        if rule == "standoff_m":
            words["limit_m"] = float(layer.standoff_m[features].max())
    return words


def _name(ground: ClosedGround, key: tuple[str, str, str], features: NDArray) -> str:
    rule, name, side = key
    if key == HOLE:
        return "ground without seabed data"
    if key == MEASURED:
        return "places that break a rule on the finest seabed"
    if rule == "depth_range_m":
        low, high = ground.project.rules.depth_range_m
        return f"water shallower than {low:g} m" if side == "shallow" else f"water deeper than {high:g} m"
    if rule == "stay_within":
        return f"the edge of {name}"
    layer = ground.project.layer(name)
    chosen = [layer.features[int(k)] for k in features]
    listed = ", ".join(chosen[:3]) + (f" and {len(chosen) - 3} more" if len(chosen) > 3 else "")
    return f"{name} ({listed})"


def squeezed(ground: ClosedGround, easting_m: float, northing_m: float, reach_m: float) -> Barrier:
    """Closed ground around a place where the way is open but no line bends through it."""
    grid = ground.grid
    near = np.zeros(grid.shape, dtype=bool)
    cell = ground.cell_of(easting_m, northing_m)
    near.ravel()[cell] = True
    reach = max(1, round(reach_m / grid.cell_m))
    rows, cols = np.ogrid[: grid.rows, : grid.cols]
    near = np.hypot(rows - cell // grid.cols, cols - cell % grid.cols) <= reach
    pieces: list[Piece] = []
    names: list[str] = []
    for closure in ground.closures:
        on = near.ravel()[closure.cells]
        if not on.any():
            continue
        features = np.unique(closure.feature[on])
        closed = np.zeros(grid.shape, dtype=bool)
        closed.ravel()[closure.cells[on]] = True
        pieces.append(
            (
                cells_outline(binary_dilation(closed) & closed, grid),
                _properties(ground, closure.key, features),
            )
        )
        names.append(_name(ground, closure.key, features))
    return Barrier(tuple(pieces), tuple(names))
