"""Patches of cells as labels and polygons."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.features import rasterize, shapes
from scipy import ndimage

from corridor.model.grid import Grid

RIM_CELLS = 2

EIGHT = np.ones((3, 3), dtype=bool)


def label(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int32], int]:
    """Number the patches of True cells; cells that touch at a corner belong together."""
    labels = np.empty(mask.shape, dtype=np.int32)
    count = ndimage.label(mask, structure=EIGHT, output=labels)
    return labels, int(count)


def sizes(labels: NDArray[np.int32], count: int) -> NDArray[np.int64]:
    """Cells of each patch; entry 0 is the ground between them."""
    total = np.zeros(count + 1, dtype=np.int64)
    for row in range(0, len(labels), 256):  # bincount works on a copy of eight bytes a cell
        total += np.bincount(labels[row : row + 256].ravel(), minlength=count + 1)
    return total


def patches(
    labels: NDArray[np.int32], keep: NDArray[np.integer]
) -> Iterator[tuple[int, tuple[slice, slice], NDArray[np.bool_]]]:
    """(number, window, mask in the window) of the patches `keep`, in their order.

    `labels` is used up: of millions of specks only the patches kept stay in it.
    """
    keep = np.asarray(keep, dtype=np.int64)
    if not keep.size:
        return
    renumber = np.zeros(max(int(labels.max()), int(keep.max())) + 1, dtype=np.int32)
    renumber[keep] = np.arange(1, len(keep) + 1)
    for row in range(0, len(labels), 256):
        labels[row : row + 256] = renumber[labels[row : row + 256]]
    for index, window in enumerate(ndimage.find_objects(labels)):
        yield int(keep[index]), window, labels[window] == index + 1


def polygon(mask: NDArray[np.bool_], grid: Grid, window: tuple[slice, slice]) -> shapely.Geometry:
    """Outline of the True cells of a window along their edges, on the project grid, holes kept."""
    west, north = grid.to_map(window[1].start, window[0].start)
    transform = Affine(grid.cell_m, 0.0, float(west), 0.0, -grid.cell_m, float(north))
    parts = [
        shapely.Polygon(shape["coordinates"][0], shape["coordinates"][1:])
        for shape, _ in shapes(mask.astype(np.uint8), mask=mask, connectivity=4, transform=transform)
    ]
    return shapely.union_all(parts)


def burn(geometries: list[shapely.Geometry], grid: Grid) -> NDArray[np.bool_]:
    """Cells whose centre lies in one of the geometries, and the cells that touch them."""
    if not geometries:
        return np.zeros(grid.shape, dtype=bool)
    transform = Affine(grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, grid.north_m)
    mask = rasterize(geometries, out_shape=grid.shape, transform=transform, dtype=np.uint8)
    return _spread(mask.view(bool), 1)


def centre(mask: NDArray[np.bool_], grid: Grid, window: tuple[slice, slice]) -> tuple[float, float]:
    """Easting and northing of the middle of a patch's cells, m."""
    rows, cols = np.nonzero(mask)
    easting, northing = grid.to_map(window[1].start + cols.mean() + 0.5, window[0].start + rows.mean() + 0.5)
    return float(easting), float(northing)


def outline(measured: NDArray[np.bool_], gap_cells: int) -> NDArray[np.bool_]:
    """The ground a survey set out to cover: gaps up to `gap_cells` closed, what is enclosed filled.

    Morphological closing with a square, then everything that is not connected
    to the outside. Empty cells in the outermost :data:`RIM_CELLS` are left out
    again: the edge of a survey is ragged, and a notch in it is no hole.
    """
    reach = max(1, gap_cells // 2)
    pad = reach + RIM_CELLS + 1
    grown = np.pad(measured, pad)
    grown = _spread(grown, reach)
    closed = ~_spread(~grown, reach)
    outside, _ = label_four(~closed)
    closed = outside != outside[0, 0]
    inner = ~_spread(~closed, RIM_CELLS)
    return closed[pad:-pad, pad:-pad] & (measured | inner[pad:-pad, pad:-pad])


def label_four(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int32], int]:
    """As :func:`label`, but cells must share an edge."""
    labels = np.empty(mask.shape, dtype=np.int32)
    return labels, int(ndimage.label(mask, output=labels))


def _spread(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Dilate by a square of 2 `reach` + 1 cells, one axis after the other."""
    values = mask.view(np.uint8)
    for axis in (0, 1):
        values = ndimage.maximum_filter1d(values, 2 * reach + 1, axis=axis, mode="nearest")
    return values.view(bool)
