"""The project's seabed as the survey's grid sees it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.sampling import fill_depth
from corridor.model.grid import Grid
from corridor.model.seabed import Seabed, Surface, Uncertainty
from corridor.model.survey import Existing, SurveySettings, uncertainty_of
from corridor.progress import Progress, silent
from corridor.survey.s44 import TVU

BLOCK_CELLS = 1_000_000


def row_blocks(grid: Grid) -> Iterator[slice]:
    """Bands of rows of about a million cells."""
    step = max(1, BLOCK_CELLS // grid.cols)
    for row in range(0, grid.rows, step):
        yield slice(row, min(row + step, grid.rows))


def existing_on(
    seabed: Seabed, grid: Grid, settings: SurveySettings, progress: Progress = silent
) -> Existing:
    """Depth and 95 % uncertainty of the existing seabed at the centres of a grid's cells.

    Bilinear on the first surface that covers a centre. Where that surface is
    coarser than the grid, its uncertainty is widened by what a straight line
    between two of its cells can miss, ``cell**2 |z''| / 8`` along each axis
    (the error bound of linear interpolation).
    """
    depth = np.empty(grid.shape, dtype=np.float32)
    uncertainty = np.empty(grid.shape, dtype=np.float32)
    bends = [_bends(surface, grid) for surface in seabed.surfaces]
    east, north = grid.centres()
    for rows in row_blocks(grid):
        e, n = (a.ravel() for a in np.meshgrid(east, north[rows]))
        d, source = depth_at(seabed, e, n)
        u = _uncertainty_at(seabed, bends, settings, e, n, d, source)
        depth[rows] = d.reshape(-1, grid.cols)
        uncertainty[rows] = u.reshape(-1, grid.cols)
        progress("comparing with the existing seabed", rows.stop / grid.rows)
    return Existing(depth, uncertainty, _notes(seabed, settings))


def depth_at(seabed: Seabed, easting: NDArray, northing: NDArray) -> tuple[NDArray, NDArray]:
    """Depth (m, NaN where none) and index of the surface (-1 where none) at positions (n,)."""
    easting = np.ascontiguousarray(easting, dtype=np.float64)
    northing = np.ascontiguousarray(northing, dtype=np.float64)
    depth = np.full(len(easting), np.nan)
    source = np.full(len(easting), -1, dtype=np.int16)
    for index, surface in enumerate(seabed.surfaces):
        grid = surface.grid
        fill_depth(
            surface.depth_m,
            grid.west_m,
            grid.north_m,
            grid.cell_m,
            np.int16(index),
            easting,
            northing,
            depth,
            source,
        )
    return depth, source


def model_of(surface: Surface, settings: SurveySettings) -> Uncertainty:
    """The uncertainty of a surface that has no raster of its own: its model, the setting, the order's TVU."""
    if isinstance(surface.uncertainty, Uncertainty):
        return surface.uncertainty
    return uncertainty_of(settings.existing_uncertainty, TVU) or TVU[settings.order]


def _uncertainty_at(
    seabed: Seabed,
    bends: list[NDArray | None],
    settings: SurveySettings,
    easting: NDArray,
    northing: NDArray,
    depth: NDArray,
    source: NDArray,
) -> NDArray:
    result = np.full(len(depth), np.nan)
    for index, surface in enumerate(seabed.surfaces):
        here = source == index
        if not here.any():
            continue
        if isinstance(surface.uncertainty, np.ndarray):
            value = _lookup(surface.uncertainty, surface.grid, easting[here], northing[here])
            value = np.where(np.isnan(value), model_of(surface, settings).at(depth[here]), value)
        else:
            value = model_of(surface, settings).at(depth[here])
        bend_of = bends[index]
        if bend_of is not None:
            bend = _lookup(bend_of, surface.grid, easting[here], northing[here])
            value = np.hypot(value, np.nan_to_num(bend))
        result[here] = value
    return result


def _lookup(raster: NDArray, grid: Grid, easting: NDArray, northing: NDArray) -> NDArray:
    value = np.full(len(easting), np.nan)
    source = np.empty(len(easting), dtype=np.int16)
    fill_depth(raster, grid.west_m, grid.north_m, grid.cell_m, np.int16(0), easting, northing, value, source)
    return value


def _bends(surface: Surface, grid: Grid) -> NDArray[np.float32] | None:
    """Largest error of linear interpolation per cell of a coarser surface; None for a finer one.

    Only the part under `grid` is worked out; elsewhere NaN.
    """
    own = surface.grid
    if own.cell_m <= grid.cell_m * (1.0 + 1e-9):
        return None
    u, v = own.to_cells([grid.west_m, grid.east_m], [grid.north_m, grid.south_m])
    rows = slice(max(int(v[0]) - 2, 0), max(int(v[1]) + 3, 0))
    cols = slice(max(int(u[0]) - 2, 0), max(int(u[1]) + 3, 0))
    z = surface.depth_m[rows, cols]
    part = np.full(z.shape, np.nan, dtype=np.float32)
    if min(z.shape) >= 3:
        down = np.abs(z[:-2, 1:-1] - 2 * z[1:-1, 1:-1] + z[2:, 1:-1])
        across = np.abs(z[1:-1, :-2] - 2 * z[1:-1, 1:-1] + z[1:-1, 2:])
        part[1:-1, 1:-1] = (down + across) / 8.0
    bends = np.full(own.shape, np.nan, dtype=np.float32)
    bends[rows, cols] = part
    return bends


def _notes(seabed: Seabed, settings: SurveySettings) -> tuple[str, ...]:
    bare = [surface.name for surface in seabed.surfaces if surface.uncertainty is None]
    if not bare:
        return ()
    model = uncertainty_of(settings.existing_uncertainty, TVU)
    said = "as [survey] existing_uncertainty says" if model else f"taken as the TVU of order {settings.order}"
    return (f"{', '.join(bare)} declares no uncertainty: {said}",)
