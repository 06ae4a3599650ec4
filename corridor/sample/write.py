"""Write the sample's files: the only part of the package that touches the disk."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
from rasterio.transform import from_origin

from corridor.errors import InputError
from corridor.progress import Progress, silent
from corridor.sample import layout, obstructions, surveys
from corridor.sample.new_survey import write_new_survey
from corridor.sample.project_file import project_text

NODATA = -9999.0
# A fixed date in the headers of GeoPackage and Shapefile: the same bytes on every run.
_DATE = "2026-01-01"

_TABLES: dict[str, Callable[[], gpd.GeoDataFrame]] = {
    "wrecks": obstructions.wrecks,
    "pipelines": obstructions.pipelines,
    "cables": obstructions.cables,
    "trawl_grounds": obstructions.trawl_grounds,
    "spoil_ground": obstructions.spoil_ground,
    "practice_area": obstructions.practice_area,
    "anchorage": obstructions.anchorage,
    "rock_berms": obstructions.rock_berms,
    "pockmarks": obstructions.pockmarks,
    "approved_corridor": obstructions.approved_corridor,
}


def write_sample(folder: Path, *, overwrite: bool = False, progress: Progress = silent) -> list[Path]:
    """Write the sample project into `folder`, which is made if need be.

    Parameters
    ----------
    folder : Path
    overwrite : bool
        Replace the sample's files where they exist; other files are never touched.
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    list of Path
        The files written, sorted; ``project.toml`` is one of them.

    Raises
    ------
    InputError
        When `folder` is a file, or holds files of these names and `overwrite` is not set.

    Examples
    --------
    >>> files = write_sample(Path("my_sample"))                 # doctest: +SKIP
    >>> [file.name for file in files if file.suffix == ".toml"]  # doctest: +SKIP
    ['project.toml']
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise InputError(f"the sample needs a folder: {folder} is a file; name another")
    folder.mkdir(parents=True, exist_ok=True)
    if not overwrite:
        _refuse_existing(folder)
    # Everything is written beside its place and moved there at the end, so that a run cut
    # short leaves no half a sample.
    with tempfile.TemporaryDirectory(prefix=".sample-", dir=folder) as scratch:
        _write_all(Path(scratch), progress)
        written = sorted(Path(scratch).iterdir())
        for file in written:
            os.replace(file, folder / file.name)
    progress("sample", 1.0)
    return [folder / file.name for file in written]


def _refuse_existing(folder: Path) -> None:
    names = ["project.toml", "seabed_regional.tif", "obstructions.gpkg", layout.block_file(1)]
    names += [
        "protected_reef.geojson",
        "new_wreck.geojson",
        "platform_zone.shp",
        "new_survey.laz",
        "approved_line.csv",
    ]
    taken = [name for name in names if (folder / name).exists()]
    if taken:
        raise InputError(
            f"the sample would replace {', '.join(taken)} in {folder}; "
            "name an empty folder or remove them first"
        )


def _write_all(folder: Path, progress: Progress) -> None:
    makers = [lambda number=number: surveys.block(number) for number in range(1, layout.STRIP_BLOCKS + 1)]
    for done, make in enumerate([surveys.regional, *makers]):
        progress("sample", done / (len(makers) + 1))
        _write_raster(make(), folder)
    _write_layers(folder)
    write_new_survey(folder)
    _write_approved_line(folder / "approved_line.csv")
    (folder / "project.toml").write_text(project_text(), encoding="utf-8", newline="\n")


def _write_approved_line(path: Path) -> None:
    """The line approved on this ground, as an alignment."""
    last = len(layout.APPROVED_LINE) - 1
    lines = ["point,easting_m,northing_m,radius_m"]
    for number, (easting, northing, radius) in enumerate(layout.APPROVED_LINE):
        name = {0: "START", last: "END"}.get(number, f"IP{number}")
        lines.append(f"{name},{easting:.4f},{northing:.4f},{'' if radius is None else f'{radius:.4f}'}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _write_raster(survey: surveys.Survey, folder: Path) -> None:
    grid = survey.grid
    profile = {
        "driver": "GTiff",
        "height": grid.rows,
        "width": grid.cols,
        "count": 1,
        "dtype": "float32",
        "nodata": NODATA,
        "crs": grid.crs,
        "transform": from_origin(grid.west_m, grid.north_m, grid.cell_m, grid.cell_m),
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "zlevel": 6,
        "predictor": 2,
    }
    with rasterio.open(folder / survey.file, "w", **profile) as raster:
        raster.write(np.where(np.isnan(survey.elevation_m), np.float32(NODATA), survey.elevation_m), 1)
        raster.update_tags(note=layout.NOTE)
        raster.set_band_description(1, "elevation, m, negative below chart datum (invented)")


def _write_layers(folder: Path) -> None:
    date = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{_DATE}T00:00:00.000Z"})
    try:
        for table, make in _TABLES.items():
            make().to_file(folder / "obstructions.gpkg", layer=table, driver="GPKG", engine="pyogrio")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": date})
    for name, frame in (("protected_reef", obstructions.reef()), ("new_wreck", obstructions.new_wreck())):
        frame.to_crs("EPSG:4326").to_file(
            folder / f"{name}.geojson",
            driver="GeoJSON",
            engine="pyogrio",
            RFC7946="YES",
            COORDINATE_PRECISION=8,
        )
    obstructions.platform_zone().to_file(
        folder / "platform_zone.shp",
        driver="ESRI Shapefile",
        engine="pyogrio",
        ENCODING="UTF-8",
        DBF_DATE_LAST_UPDATE=_DATE,
    )
