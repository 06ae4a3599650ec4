"""Patches of cells as labels and polygons."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.features import shapes
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
    return np.bincount(labels.ravel(), minlength=count + 1)


def boxes(labels: NDArray[np.int32]) -> list[tuple[slice, slice]]:
    """The window of each patch, patch 1 first."""
    return ndimage.find_objects(labels)


def patches(
    labels: NDArray[np.int32], keep: NDArray[np.integer]
) -> Iterator[tuple[int, tuple[slice, slice], NDArray[np.bool_]]]:
    """(number, window, mask in the window) of the patches `keep`, in their order."""
    windows = boxes(labels)
    for number in keep:
        window = windows[number - 1]
        yield int(number), window, labels[window] == number


def polygon(mask: NDArray[np.bool_], grid: Grid, window: tuple[slice, slice]) -> shapely.Geometry:
    """Outline of the True cells of a window along their edges, on the project grid, holes kept."""
    west, north = grid.to_map(window[1].start, window[0].start)
    transform = Affine(grid.cell_m, 0.0, float(west), 0.0, -grid.cell_m, float(north))
    parts = [
        shapely.Polygon(shape["coordinates"][0], shape["coordinates"][1:])
        for shape, _ in shapes(mask.astype(np.uint8), mask=mask, connectivity=4, transform=transform)
    ]
    return shapely.union_all(parts)


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
