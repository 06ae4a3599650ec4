"""A project small enough to be routed in a moment. Invented from end to end."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

CRS = "EPSG:32740"
WEST, NORTH, CELL, ROWS, COLS = 400_000.0, 8_265_000.0, 50.0, 60, 90

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
file = "wrecks.geojson"
rule = "avoid"
standoff_m = 100

[[layer]]
name = "cables"
file = "cables.geojson"
rule = "cross"
straight_each_side_m = 100
crossing_cost_m = 500

[route]
start = {easting = 400525, northing = 8263525}
end = {easting = 403975, northing = 8263525}
min_bend_radius_m = 300
depth_range_m = [8, 450]
lay_tolerance_m = 10
"""


class Folder:
    """A project folder whose files can be changed before a run."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.project = path / "project.toml"
        self.out = path / "out"
        depth = np.linspace(30.0, 80.0, COLS, dtype=np.float32)[None, :] * np.ones((ROWS, 1), np.float32)
        with rasterio.open(
            path / "seabed.tif", "w", driver="GTiff", height=ROWS, width=COLS, count=1, dtype="float32",
            crs=CRS, transform=from_origin(WEST, NORTH, CELL, CELL), nodata=-9999.0,
        ) as raster:  # fmt: skip
            raster.write(-depth, 1)
        self.layer("wrecks", [shapely.Point(402_000.0, 8_263_560.0)], ["Old kettle (invented)"])
        cable = shapely.LineString([(403_000.0, 8_262_000.0), (403_000.0, 8_265_000.0)])
        self.layer("cables", [cable], ["Ladle cable (invented)"])
        self.project.write_text(PROJECT)

    def layer(self, name: str, shapes: list, names: list[str]) -> None:
        """Write a layer's file anew."""
        frame = gpd.GeoDataFrame({"name": names}, geometry=shapes, crs=CRS).to_crs("EPSG:4326")
        (self.path / f"{name}.geojson").unlink(missing_ok=True)
        frame.to_file(self.path / f"{name}.geojson", driver="GeoJSON", engine="pyogrio", RFC7946="YES")

    def edit(self, *pairs: tuple[str, str]) -> None:
        """Replace text in the project file; each `old` must occur."""
        text = self.project.read_text()
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new)
        self.project.write_text(text)

    def wall(self) -> None:
        """Close every way from west to east."""
        shape = shapely.LineString([(402_500.0, 8_261_000.0), (402_500.0, 8_266_000.0)])
        self.layer("wrecks", [shape], ["Long wall (invented)"])

    def line(self, radius: float = 400.0) -> Path:
        """An alignment that clears the wreck by a bend to the north."""
        file = self.path / "line.csv"
        rows = [
            "point,easting_m,northing_m,radius_m", "START,400525,8263525,", f"IP1,402000,8263925,{radius}",
            "END,403975,8263525,",
        ]  # fmt: skip
        file.write_text("\n".join(rows) + "\n")
        return file


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)
