"""Where the cells of a raster file lie, and how flips alone bring them north-up.

Files come in every orientation. Where a flip or a transposition of the array
is enough, the cells are kept exactly as they are. Otherwise the raster is
resampled (:mod:`corridor.io.resample`).
"""

from __future__ import annotations

from collections.abc import Sequence

from corridor.io import _environment  # noqa: F401  (before rasterio loads GDAL)

# isort: split
import numpy as np
from numpy.typing import NDArray
from rasterio.transform import Affine

from corridor.io.crs import outline
from corridor.model.grid import Grid

CELL_SHARE = 0.01
"""A raster counts as north-up and square when no cell is farther than this share of a cell from there."""


def outline_of(transform: Affine, rows: int, cols: int) -> NDArray[np.float64]:
    """Points (n, 2) along the edges of a raster, in the file's CRS."""
    cells = outline(0.0, 0.0, cols, rows)
    x, y = apply(transform, cells[:, 0], cells[:, 1])
    return np.column_stack([x, y])


def apply(transform: Affine, cols: NDArray, rows: NDArray) -> tuple[NDArray, NDArray]:
    """Cell coordinates -> map, or back with the inverse; `Affine` itself takes no arrays in every version."""
    return (
        transform.a * cols + transform.b * rows + transform.c,
        transform.d * cols + transform.e * rows + transform.f,
    )


def upright(
    arrays: Sequence[NDArray], transform: Affine, crs: str
) -> tuple[Grid, tuple[NDArray, ...], tuple[str, ...]] | None:
    """Turn arrays north-up by flips and a transposition alone.

    Parameters
    ----------
    arrays : sequence of array (rows, cols)
        Bands of one raster.
    transform : Affine
        Cell (column, row) -> map, as GDAL counts: the corner of the first cell is (0, 0).
    crs : str
        Of the grid.

    Returns
    -------
    (grid, arrays, notes), or None when the cells are rotated, sheared or not square.
    """
    rows, cols = arrays[0].shape
    span = max(rows, cols)
    a, b, c, d, e, f = transform[:6]
    notes = []
    if max(abs(a), abs(e)) * span < CELL_SHARE * min(abs(b), abs(d)):
        arrays = [array.T for array in arrays]
        rows, cols, a, e, b, d = cols, rows, b, d, a, e
        notes.append("rows and columns exchanged")
    if max(abs(b), abs(d)) * span >= CELL_SHARE * min(abs(a), abs(e)):
        return None
    if abs(abs(a) - abs(e)) * span >= CELL_SHARE * abs(a):
        return None
    if a < 0.0:
        arrays = [array[:, ::-1] for array in arrays]
        notes.append("columns reversed (the file runs from east to west)")
    if e > 0.0:
        arrays = [array[::-1] for array in arrays]
        notes.append("rows reversed (the file runs from south to north)")
    west, north = (c + cols * a if a < 0.0 else c), (f + rows * e if e > 0.0 else f)
    grid = Grid(rows, cols, west, north, float(f"{abs(a):.10g}"), crs)
    return grid, tuple(np.ascontiguousarray(array) for array in arrays), tuple(notes)
