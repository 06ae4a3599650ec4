"""Small invented files for the reading tests."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import Affine, from_origin

CRS = "EPSG:32740"
WEST, NORTH, CELL = 400_000.0, 8_265_000.0, 20.0

PROJECT = """
[project]
name = "Invented line"
crs = "EPSG:32740"
vertical_datum = "LAT"

[[seabed]]
file = "seabed.tif"
values = "elevation"

[[layer]]
name = "wrecks"
file = "wrecks.gpkg"
rule = "avoid"
standoff_m = 100

[route]
start = {easting = 400500, northing = 8263500}
end = {easting = 403500, northing = 8263500}
min_bend_radius_m = 500
max_slope_along_deg = 12
max_slope_across_deg = 8
depth_range_m = [8, 450]
lay_tolerance_m = 10
"""


@pytest.fixture
def write_raster():
    """Write an array as a raster file: write_raster(path, array, transform=..., crs=..., **profile)."""

    def write(path: Path, *bands: np.ndarray, transform: Affine | None = None, **profile) -> Path:
        given = {"driver": "GTiff", "crs": CRS, "dtype": str(bands[0].dtype), **profile}
        place = transform or from_origin(WEST, NORTH, CELL, CELL)
        rows, cols = bands[0].shape
        with rasterio.open(
            path, "w", height=rows, width=cols, count=len(bands), transform=place, **given
        ) as dataset:
            for number, band in enumerate(bands, 1):
                dataset.write(band, number)
        return path

    return write


@pytest.fixture
def write_layer():
    """Write geometries as a vector file: write_layer(path, geometries, crs=..., layer=..., **columns)."""

    def write(
        path: Path, geometries: list, crs: str | None = CRS, layer: str | None = None, **columns
    ) -> Path:
        frame = gpd.GeoDataFrame(columns or {"n": range(len(geometries))}, geometry=geometries, crs=crs)
        frame.to_file(path, **({"layer": layer} if layer else {}), engine="pyogrio")
        return path

    return write


@pytest.fixture
def project_folder(tmp_path, write_raster, write_layer):
    """A folder with a project that reads without fault: ground that deepens eastward from 20 to 300 m."""
    depth = np.linspace(20.0, 300.0, 200, dtype=np.float32)[None, :] * np.ones((150, 1), dtype=np.float32)
    write_raster(tmp_path / "seabed.tif", -depth, nodata=-9999.0)
    write_layer(tmp_path / "wrecks.gpkg", [shapely.Point(402_000.0, 8_264_000.0)], name=["Wreck A"])
    (tmp_path / "project.toml").write_text(PROJECT)
    return tmp_path


@pytest.fixture
def edit(project_folder):
    """Change the project file: edit((old, new), ...) returns its path; every `old` must occur."""

    def change(*pairs: tuple[str, str], append: str = "") -> Path:
        file = project_folder / "project.toml"
        text = file.read_text()
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new)
        file.write_text(text + append)
        return file

    return change
