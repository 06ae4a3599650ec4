"""Rasters whose cells are rotated, not square or in another CRS -> the project's north-up square grid.

Positions go through the same transformation as vector layers do. The grid
mapping is computed exactly on a lattice and interpolated in between, with the
lattice narrowed until its cells' centres agree to a thousandth of a cell.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from corridor.io import _environment  # noqa: F401  (before rasterio loads GDAL)

# isort: split
import numpy as np
import pyproj
from numpy.typing import NDArray
from rasterio.transform import Affine

from corridor.errors import SeabedError
from corridor.io.crs import label, outline, transformer
from corridor.io.georeference import apply
from corridor.model.grid import Grid

MAX_GROWTH = 10.0
"""Resampling may not need more than this many times the cells of the file (plus a million)."""

LATTICE_ERROR = 1e-3
"""Largest error of interpolated positions, in cells of the file."""

_STEPS = (64, 32, 16, 8, 4, 2, 1)
_BLOCK_CELLS = 2_000_000


def resampled(
    arrays: Sequence[NDArray[np.float32]],
    transform: Affine,
    source: pyproj.CRS,
    target: pyproj.CRS,
    crs: str,
    where: str,
) -> tuple[Grid, tuple[NDArray[np.float32], ...], tuple[str, ...]]:
    """Bring arrays onto a square north-up grid of the project CRS by bilinear resampling.

    Parameters
    ----------
    arrays : sequence of array (rows, cols) float32
        NaN where there is no data. A cell of the result has data exactly where
        the cell of the file that its centre falls in has: holes are neither
        filled nor widened. Neighbours without data do not weigh.
    transform : Affine
        Cell (column, row) of the file -> `source`, corner of the first cell at (0, 0).
    source, target : CRS of the file and of the project.
    crs : str
        Text of `target` for the grid.
    where : str
        Named in messages.

    Returns
    -------
    (grid, arrays, notes)

    Raises
    ------
    SeabedError
        When the raster reaches beyond what the project CRS can show.
    """
    rows, cols = arrays[0].shape
    grid = _target_grid(rows, cols, transform, source, target, crs, where)
    results = [np.full(grid.shape, np.nan, dtype=np.float32) for _ in arrays]
    pieces = [_Source(array) for array in arrays]
    for top, u, v in _positions(grid, _Way((rows, cols), transform, source, target)):
        for piece, result in zip(pieces, results, strict=True):
            result[top : top + len(u)] = piece.at(u, v)
    note = f"reprojected from {label(source)} to {label(target)}"
    if source == target:
        note = "rotated or not square: resampled in its own CRS"
    return grid, tuple(results), (f"{note}, bilinear resampling, {grid.cell_m:g} m cells",)


class _Source:
    """One band, ready for bilinear lookups that leave out cells without data."""

    def __init__(self, array: NDArray[np.float32]):
        self.valid = np.isfinite(array)
        self.whole = bool(self.valid.all())
        self.filled = np.where(self.valid, array, np.float32(0.0))
        self.weight = self.valid.astype(np.float32)

    def at(self, u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values at cell coordinates (column, row) of the file; NaN off it and in holes."""
        from scipy.ndimage import map_coordinates  # slow to import, seldom needed

        rows, cols = self.valid.shape
        inside = (u >= 0.0) & (v >= 0.0) & (u < cols) & (v < rows)
        result = np.full(u.shape, np.nan)
        col, row = u[inside], v[inside]
        known = self.valid[row.astype(np.intp), col.astype(np.intp)]
        inside[inside] = known
        place = np.stack([row[known] - 0.5, col[known] - 0.5])
        value = map_coordinates(self.filled, place, output=np.float64, order=1, mode="nearest")
        if not self.whole:
            value /= map_coordinates(self.weight, place, output=np.float64, order=1, mode="nearest")
        result[inside] = value
        return result


def _positions(grid: Grid, way: _Way) -> Iterator[tuple[int, NDArray[np.float64], NDArray[np.float64]]]:
    """Blocks of rows: (first row, u, v), the file's cell coordinates of every cell centre of `grid`."""

    def exact(row: NDArray, col: NDArray) -> tuple[NDArray, NDArray]:
        """Cell coordinates in the file of rows x columns of cell centres."""
        return way(*np.meshgrid(*grid.to_map(col + 0.5, row + 0.5)))

    step = next(step for step in _STEPS if step == 1 or _lattice_error(grid, exact, step) < LATTICE_ERROR)
    every_col = np.arange(0, grid.cols - 1 + step, step, dtype=float)
    height = max(_BLOCK_CELLS // grid.cols // step, 1) * step
    for top in range(0, grid.rows, height):
        count = min(height, grid.rows - top)
        every_row = top + np.arange(0, count - 1 + step, step, dtype=float)
        u, v = exact(every_row, every_col)
        yield top, _between(u, step, count, grid.cols), _between(v, step, count, grid.cols)


class _Way:
    """From the project grid to cell coordinates of the file, exactly."""

    def __init__(self, shape: tuple[int, int], transform: Affine, source: pyproj.CRS, target: pyproj.CRS):
        self.way = transformer(source, target)
        self.to_cells = ~transform
        self.turn = (
            2.0 * math.pi / source.axis_info[0].unit_conversion_factor if source.is_geographic else 0.0
        )
        self.middle = float(apply(transform, np.array(shape[1] / 2.0), np.array(shape[0] / 2.0))[0])

    def __call__(self, east: NDArray, north: NDArray) -> tuple[NDArray, NDArray]:
        """(u, v) of map positions; longitudes on the turn that the file counts in (0 to 360, -180 to 180)."""
        x, y = (np.asarray(c) for c in self.way.transform(east, north, direction="INVERSE"))
        if self.turn:
            x = x + self.turn * np.round((self.middle - x) / self.turn)
        return apply(self.to_cells, x, y)


def _between(lattice: NDArray, step: int, rows: int, cols: int) -> NDArray[np.float64]:
    """Linear interpolation of a lattice of every `step`-th row and column to all of them."""
    if step == 1:
        return lattice[:rows, :cols]
    for axis, count in ((0, rows), (1, cols)):
        place = np.arange(count) / step
        low = np.minimum(place.astype(np.intp), max(lattice.shape[axis] - 2, 0))
        share = np.expand_dims(place - low, 1 - axis)
        high = np.minimum(low + 1, lattice.shape[axis] - 1)
        lattice = np.take(lattice, low, axis) * (1.0 - share) + np.take(lattice, high, axis) * share
    return lattice


def _lattice_error(grid: Grid, exact, step: int) -> float:
    """Largest error in the middle of a lattice cell, over a sample of places, in cells of the file."""
    worst = 0.0
    for row in np.linspace(0.0, grid.rows - 1, 5):
        for col in np.linspace(0.0, grid.cols - 1, 5):
            ends = exact(row + np.array([0.0, step]), col + np.array([0.0, step]))
            middle = exact(row + np.array([step / 2.0]), col + np.array([step / 2.0]))
            for corners, centre in zip(ends, middle, strict=True):
                worst = max(worst, float(abs(corners.mean() - centre[0, 0])))
    return worst if math.isfinite(worst) else math.inf


def _target_grid(
    rows: int, cols: int, transform: Affine, source: pyproj.CRS, target: pyproj.CRS, crs: str, where: str
) -> Grid:
    """Grid in the project CRS that covers the raster with cells no larger than the file's shorter side."""
    u, v = cols / 2.0, rows / 2.0
    places = np.concatenate([outline(0.0, 0.0, cols, rows), [(u, v), (u + 1.0, v), (u, v + 1.0)]])
    x, y = apply(transform, places[:, 0], places[:, 1])
    east, north = (np.asarray(c) for c in transformer(source, target).transform(x, y))
    reach = f"{where} reaches beyond what {label(target)} can show; cut it to the project area first"
    if not (np.isfinite(east).all() and np.isfinite(north).all()):
        raise SeabedError(reach)
    there_and_back = np.column_stack(_Way((rows, cols), transform, source, target)(east, north))
    if not np.abs(there_and_back - places).max() < 0.5:
        raise SeabedError(reach)
    cell = _round_down(float(np.hypot(east[-2:] - east[-3], north[-2:] - north[-3]).min()))
    west, top = math.floor(east.min() / cell) * cell, math.ceil(north.max() / cell) * cell
    shape = (math.ceil((top - north.min()) / cell), math.ceil((east.max() - west) / cell))
    if shape[0] * shape[1] > MAX_GROWTH * rows * cols + 1e6:
        raise SeabedError(f"{reach} (it would take {shape[0]} x {shape[1]} cells of {cell:g} m)")
    return Grid(*shape, west, top, cell, crs)


def _round_down(value: float) -> float:
    """Three significant digits, never larger; figures that are round already stay."""
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return float(f"{math.floor(value / step * (1.0 + 1e-9)) * step:.6g}")
