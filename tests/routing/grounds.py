"""Small grounds for the search tests, and slow readable references."""

from __future__ import annotations

import math

import networkx as nx
import numpy as np

from corridor.kernels.headings import heading_vectors
from corridor.model.grid import Grid
from corridor.model.results import Assets, CostSurface
from corridor.model.rules import RouteEnd, RouteRules

CRS = "EPSG:32740"
NO_ASSETS = Assets(np.empty((0, 4)), np.empty(0, np.int32), np.empty(0), np.empty(0), np.empty(0))


def surface(
    factor,
    east=None,
    south=None,
    cell_m=10.0,
    along_deg=12.0,
    across_deg=8.0,
    slope_cost=1.0,
    assets=NO_ASSETS,
):
    """A cost surface straight from arrays: factor and gradient (tangents) per cell."""
    factor = np.asarray(factor, dtype=np.float32)
    rows, cols = factor.shape
    ground = np.zeros((rows, cols, 4), dtype=np.float32)
    ground[..., 0] = factor
    if east is not None:
        ground[..., 1], ground[..., 2] = east, south
    return CostSurface(
        grid=Grid(rows, cols, 0.0, rows * cell_m, cell_m, CRS),
        ground=ground,
        rim=np.zeros((1, 3)),
        tan_along=math.tan(math.radians(along_deg)),
        tan_across=math.tan(math.radians(across_deg)),
        slope_cost=slope_cost,
        assets=assets,
        depth_m=np.full(factor.shape, 50.0, np.float32),
        source=np.zeros(factor.shape, np.int16),
        closed_by=np.full(factor.shape, -1, np.int16),
    )


def at(grid: Grid, col: float, row: float, bearing_deg: float | None = None) -> RouteEnd:
    """An end on the centre of a cell."""
    easting, northing = grid.to_map(col + 0.5, row + 0.5)
    return RouteEnd(float(easting), float(northing), bearing_deg)


def rough(seed: int, rows: int, cols: int, closed: float = 0.03, cell_m: float = 10.0) -> CostSurface:
    """Random factors, random gradients and some closed cells."""
    rng = np.random.default_rng(seed)
    factor = np.exp(rng.normal(0.0, 0.5, (rows, cols)))
    factor = np.maximum(factor, 1.0)
    factor[rng.random((rows, cols)) < closed] = np.inf
    slope = rng.normal(0.0, 0.04, (2, rows, cols))
    # Flat and open in the corners, so that lines can start and end there.
    for patch in ((slice(0, 14), slice(0, 14)), (slice(rows - 14, rows), slice(cols - 14, cols))):
        factor[patch] = 1.0
        slope[(slice(None), *patch)] = 0.0
    return surface(factor, slope[0], slope[1], cell_m=cell_m)


def price(surf: CostSurface, moves, row: int, col: int, first: int, last: int) -> float:
    """Slow reference of a stencil's cost: one cell after the other, in plain Python."""
    rows, cols = surf.grid.shape
    total = 0.0
    for k in range(first, last):
        offset = int(moves.offsets[k])
        down = (offset + cols // 2) // cols
        r, c = row + down, col + offset - down * cols
        if not (0 <= r < rows and 0 <= c < cols):
            return math.inf
        length, east, south = (float(x) for x in moves.pieces[k])
        factor, g_east, g_south, _ = (float(x) for x in surf.ground[r, c])
        along, across = g_east * east + g_south * south, g_south * east - g_east * south
        if not math.isfinite(factor) or abs(along) > surf.tan_along or abs(across) > surf.tan_across:
            return math.inf
        total += length * (
            factor + surf.slope_cost * ((along / surf.tan_along) ** 2 + (across / surf.tan_across) ** 2)
        )
    return total


def step_graph(surf: CostSurface, moves) -> nx.DiGraph:
    """Every step between cells as a graph (no turning limits)."""
    graph = nx.DiGraph()
    rows, cols = surf.grid.shape
    for row in range(rows):
        for col in range(cols):
            graph.add_node((row, col))
            for h, (east, south) in enumerate(moves.vectors):
                cost = price(surf, moves, row, col, moves.step_row[h], moves.step_row[h + 1])
                if 0 <= row + south < rows and 0 <= col + east < cols and math.isfinite(cost):
                    graph.add_edge((row, col), (int(row + south), int(col + east)), weight=cost)
    return graph


def state_graph(surf: CostSurface, moves, net, rules: RouteRules) -> nx.DiGraph:
    """Every move between (row, col, heading) states, START and END, as a graph."""
    graph = nx.DiGraph()
    rows, cols = surf.grid.shape
    for row in range(rows):
        for col in range(cols):
            for h, (east, south) in enumerate(moves.vectors):
                cost = price(surf, moves, row, col, moves.step_row[h], moves.step_row[h + 1])
                to = (int(row + south), int(col + east), h)
                if 0 <= to[0] < rows and 0 <= to[1] < cols and math.isfinite(cost):
                    graph.add_edge((row, col, h), to, weight=cost)
                for b in range(moves.bend_first[h], moves.bend_first[h + 1]):
                    low_c, high_c, low_r, high_r = moves.bend_box[b]
                    if col + low_c < 0 or row + low_r < 0 or col + high_c >= cols or row + high_r >= rows:
                        continue
                    cost = price(surf, moves, row, col, moves.bend_row[b], moves.bend_row[b + 1])
                    if math.isfinite(cost):
                        to = (
                            int(row + moves.bend_end[b, 1]),
                            int(col + moves.bend_end[b, 0]),
                            int(moves.bend_to[b]),
                        )
                        _cheapest(graph, (row, col, h), to, cost + moves.bend_cost)
    for gate in net.exits:
        row, col = divmod(gate.cell, cols)
        _cheapest(graph, "START", (row, col, gate.heading), gate.cost)
    for gate in net.entries:
        row, col = divmod(gate.cell, cols)
        _cheapest(graph, (row, col, gate.heading), "END", gate.cost)
    return graph


def _cheapest(graph, a, b, weight):
    if not graph.has_edge(a, b) or graph[a][b]["weight"] > weight:
        graph.add_edge(a, b, weight=weight)


def turned(surf: CostSurface, quarter_turns: int, mirror: bool) -> CostSurface:
    """The same ground turned clockwise by quarter turns, after mirroring west to east."""
    ground = surf.ground
    if mirror:
        ground = ground[:, ::-1].copy()
        ground[..., 1] *= -1.0
    for _ in range(quarter_turns):
        # Clockwise: what lay north lies east; (east, south) becomes (-south, east).
        ground = np.rot90(ground, -1).copy()
        ground[..., 1], ground[..., 2] = -ground[..., 2].copy(), ground[..., 1].copy()
    return surface(ground[..., 0], ground[..., 1], ground[..., 2], cell_m=surf.grid.cell_m)


def turned_cell(shape, col, row, quarter_turns, mirror):
    """Where a cell goes under :func:`turned`."""
    rows, cols = shape
    if mirror:
        col = cols - 1 - col
    for _ in range(quarter_turns):
        col, row = rows - 1 - row, col
        rows, cols = cols, rows
    return col, row


def headings_of(count):
    return heading_vectors(count)
