"""A grid as soundings: the centre of every cell that holds a depth."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from corridor.io import _environment  # noqa: F401  (before rasterio loads GDAL)

# isort: split
import numpy as np
import pyproj
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.windows import Window

from corridor.errors import SeabedError
from corridor.io.crs import horizontal, label, vertical_name
from corridor.io.guard import open_raster
from corridor.io.uncertainty import NORMAL_95
from corridor.model.survey import RawSoundings

BATCH_CELLS = 1_000_000


@dataclass(frozen=True, slots=True)
class GridLayout:
    """What a raster says about itself; None or "" where it says nothing."""

    crs: str | None
    vertical_datum: str
    values: str | None
    cell_m: float | None
    anchor_m: tuple[float, float]
    uncertainty_band: int | None
    uncertainty_factor: float
    notes: tuple[str, ...]


def look_at(path: Path, variable: str | None) -> GridLayout:
    """Read a raster's head.

    Raises
    ------
    SeabedError
        Not a raster that holds its own cells, rotated, or with cells of varying size.
    """
    with open_raster(path, path.name, variable) as dataset:
        transform = dataset.transform
        if transform.is_identity:
            raise SeabedError(f"{path.name} does not say where its cells lie; georeference it (GeoTIFF, ...)")
        span = max(dataset.shape)
        if max(abs(transform.b), abs(transform.d)) * span > 0.01 * min(abs(transform.a), abs(transform.e)):
            angle = math.degrees(math.atan2(transform.d, transform.a))
            raise SeabedError(
                f"{path.name} is rotated by {angle:.2f} degrees; resample it north-up first, so that the "
                "resampling is yours to choose (gdalwarp does it)"
            )
        crs = pyproj.CRS.from_wkt(dataset.crs.to_wkt()) if dataset.crs and dataset.crs.to_wkt() else None
        metric = crs is None or not crs.is_geographic
        square = abs(abs(transform.a) - abs(transform.e)) < 1e-6 * abs(transform.a)
        band, factor, notes = _uncertainty(dataset, path.name)
        return GridLayout(
            crs=_crs_text(crs),
            vertical_datum=vertical_name(crs) if crs is not None else "",
            values=_values(dataset),
            cell_m=float(f"{abs(transform.a):.10g}") if metric and square else None,
            anchor_m=(transform.c, transform.f),
            uncertainty_band=band,
            uncertainty_factor=factor,
            notes=notes,
        )


def _crs_text(crs: pyproj.CRS | None) -> str | None:
    if crs is None:
        return None
    code = label(crs)
    return code if code.startswith("EPSG:") else horizontal(crs).to_wkt()


def _values(dataset: DatasetReader) -> str | None:
    """The sign where the format carries it: BAG holds elevations; CF netCDF may say which way is positive."""
    if dataset.driver == "BAG":
        return "elevation"
    if dataset.driver == "netCDF":
        tags = {key.casefold(): str(value).casefold() for key, value in dataset.tags(1).items()}
        return {"up": "elevation", "down": "depth"}.get(tags.get("positive", ""))
    return None


def _uncertainty(dataset: DatasetReader, name: str) -> tuple[int | None, float, tuple[str, ...]]:
    if dataset.driver != "BAG":
        return None, 1.0, ()
    if dataset.tags().get("HAS_SUPERGRIDS", "").upper() == "TRUE":
        raise SeabedError(
            f"{name} has cells of varying size, of which only the coarsest would be read; resample it to one "
            "cell size first (GDAL's BAG driver, MODE=RESAMPLED_GRID)"
        )
    if dataset.count < 2 or dataset.descriptions[1] != "uncertainty":
        return None, 1.0, ("the BAG has no uncertainty",)
    if "StdDev" in dataset.tags(ns="xml:BAG").get("xml:BAG", ""):
        return 2, NORMAL_95, ("uncertainty from the BAG: standard deviations, x 1.96",)
    return 2, 1.0, ("uncertainty from the BAG, taken as 95 % values",)


def read_grid(
    path: Path, variable: str | None, uncertainty_band: int | None, nodata: float | None
) -> Iterator[RawSoundings]:
    """Stream the cells that hold data, some rows at a time."""
    with open_raster(path, path.name, variable) as dataset:
        transform = dataset.transform
        rows, cols = dataset.shape
        x = transform.c + (np.arange(cols) + 0.5) * transform.a
        block = max(1, dataset.block_shapes[0][0])
        height = max(block, BATCH_CELLS // cols // block * block)
        for top in range(0, rows, height):
            window = Window(0, top, cols, min(height, rows - top))
            try:
                z = _band(dataset, 1, window, nodata)
                u = None if uncertainty_band is None else _band(dataset, uncertainty_band, window, None)
            except RasterioError as error:
                raise SeabedError(f"{path.name} is damaged: {error}; copy it again") from error
            held = np.isfinite(z)
            row, col = np.nonzero(held)
            y = transform.f + (top + row + 0.5) * transform.e
            if u is not None:
                # A depth without an uncertainty is no better known than the worst around it.
                worst = np.nanmax(u) if np.isfinite(u).any() else np.nan
                u = np.where(u > 0.0, u, worst)[held]
            yield RawSoundings(x[col], y, z[held], u, None)


def _band(dataset: DatasetReader, band: int, window: Window, nodata: float | None) -> np.ndarray:
    data = dataset.read(band, window=window, masked=True).astype(np.float64).filled(np.nan)
    if nodata is not None:
        data[np.isclose(data, nodata, rtol=1e-6, atol=0.0)] = np.nan
    return data * dataset.scales[band - 1] + dataset.offsets[band - 1]
