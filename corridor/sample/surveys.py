"""The sample's two surveys of one ground: 20 m over the whole sheet, 2 m in a strip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rasterio.features import geometry_mask
from rasterio.transform import from_origin
from shapely.geometry import LineString, Polygon
from shapely.ops import substring

from corridor.model.grid import Grid
from corridor.sample import layout
from corridor.sample.terrain import mean_elevation_m, oval

OVERLAP_M = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """One raster of elevation.

    Attributes
    ----------
    file : str
        Name of its file.
    grid : Grid
    elevation_m : array (rows, cols) float32
        Rounded to the centimetre, negative below water; NaN where there is no data.
    """

    file: str
    grid: Grid
    elevation_m: NDArray[np.float32]


def regional() -> Survey:
    """The 20 m survey: each cell the mean of the ground at 4 x 4 points, with two holes."""
    west, south = layout.CORNER_M
    cell = layout.REGIONAL_CELL_M
    rows, cols = round(layout.SIZE_M[1] / cell), round(layout.SIZE_M[0] / cell)
    grid = Grid(rows, cols, west, south + rows * cell, cell, layout.CRS)
    ground = mean_elevation_m(grid, samples=4)
    easting, northing = grid.centres()
    for hole in layout.HOLES:
        ground[oval(easting[None, :], northing[:, None], hole) > 0.5] = np.nan
    return Survey("seabed_regional.tif", grid, _centimetres(ground))


def strip_line() -> LineString:
    """Middle of the 2 m survey strip."""
    easting, northing = layout.at(*np.array(layout.STRIP).T)
    return LineString(np.column_stack([easting, northing]))


def strip_block(number: int) -> Polygon:
    """The stretch of the strip that block `number` (1, 2, ...) covers; neighbours overlap."""
    line = strip_line()
    step = line.length / layout.STRIP_BLOCKS
    stretch = substring(
        line, max(0.0, (number - 1) * step - OVERLAP_M), min(line.length, number * step + OVERLAP_M)
    )
    return stretch.buffer(1000.0 * layout.STRIP_HALF_WIDTH_KM, cap_style="flat")


def block(number: int) -> Survey:
    """One block of the 2 m survey, its raster on the 20 m survey's lines, empty outside the strip."""
    area = strip_block(number)
    cell, snap = layout.SURVEY_CELL_M, layout.REGIONAL_CELL_M
    west, south, east, north = area.bounds
    west, north = snap * np.floor(west / snap), snap * np.ceil(north / snap)
    cols = round(snap * np.ceil((east - west) / snap) / cell)
    rows = round(snap * np.ceil((north - south) / snap) / cell)
    grid = Grid(rows, cols, float(west), float(north), cell, layout.CRS)
    outside = geometry_mask([area], grid.shape, from_origin(west, north, cell, cell))
    return Survey(layout.block_file(number), grid, _centimetres(mean_elevation_m(grid, wanted=~outside)))


def _centimetres(elevation_m: NDArray) -> NDArray[np.float32]:
    return np.round(elevation_m, 2).astype(np.float32)
