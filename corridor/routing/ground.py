"""The cost surface in the form the kernels take: lengths in cells, flat arrays."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.assets import step_crossings
from corridor.kernels.ground import Ground
from corridor.kernels.headings import ORDERS, heading_vectors
from corridor.kernels.search import Crossings
from corridor.model.results import CostSurface
from corridor.terrain.assets import cells_near, occupied_cells


def kernel_ground(surface: CostSurface) -> Ground:
    """Ground of a cost surface, costs in cells of line."""
    rows, cols = surface.grid.shape
    cells = surface.ground.reshape(rows * cols, 4)
    if len(surface.assets.segments):
        cells = cells.copy()
        passed = occupied_cells(surface.assets, surface.grid)
        cells[passed, 3] = -cells[passed, 3] - 1.0
    return Ground(
        cells=cells,
        rim=surface.rim,
        rows=rows,
        cols=cols,
        tan_along=surface.tan_along if surface.hold_along else math.inf,
        tan_across=surface.tan_across if surface.hold_across else math.inf,
        k_along=surface.slope_cost * (surface.slope_margin / surface.tan_along) ** 2,
        k_across=surface.slope_cost * (surface.slope_margin / surface.tan_across) ** 2,
    )


def kernel_crossings(surface: CostSurface, headings: int) -> Crossings:
    """What single steps cross, for every cell near an asset."""
    grid, assets = surface.grid, surface.assets
    vectors = heading_vectors(headings)
    cells, first, segment = cells_near(assets, grid, ORDERS[headings])
    row = np.zeros(grid.rows * grid.cols, dtype=np.int32)
    row[cells] = np.arange(1, cells.size + 1)
    fee, need = step_crossings(
        cells, grid.cols, vectors, assets.segments, assets.asset, first, segment,
        assets.fee_m / grid.cell_m, assets.sin_min_angle, assets.straight_m / grid.cell_m,
    )  # fmt: skip
    blank = np.zeros((1, headings))
    return Crossings(
        row=row,
        fee=np.concatenate([blank, fee]),
        need=np.concatenate([blank, need]),
        levels=np.unique(need[need > 0.0]) if need.size else np.empty(0),
    )


def unit_vectors(headings: int) -> NDArray[np.float64]:
    """Headings as unit vectors (east, south)."""
    vectors = heading_vectors(headings).astype(float)
    return vectors / np.hypot(vectors[:, 0], vectors[:, 1])[:, None]


def grid_direction(bearing_deg: float) -> NDArray[np.float64]:
    """Unit vector (east, south) of a grid bearing."""
    angle = math.radians(bearing_deg)
    return np.array([math.sin(angle), -math.cos(angle)])
