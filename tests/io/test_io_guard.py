"""Only existing regular files in formats that hold their own data are opened."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from corridor.errors import InputError, LayerError, SeabedError
from corridor.io import _environment
from corridor.io.guard import (
    RASTER_FORMATS,
    VECTOR_FORMATS,
    existing_file,
    open_raster,
    sha256,
    side_files,
    source_files,
)
from corridor.io.rasters import read_surface
from corridor.io.tables import LayerSettings
from corridor.io.vectors import read_layer

HOSTILE = [
    "https://example.invalid/a.tif",
    "HTTP://example.invalid/a.tif",
    "s3://bucket/a.tif",
    "file:///etc/passwd",
    "zip://a.zip!a.tif",
    "/vsicurl/https://example.invalid/a.tif",
    "/vsizip/a.zip/a.tif",
    "/vsimem/a.tif",
    "/VSIS3/bucket/a.tif",
    "\\vsicurl\\https\\a.tif",
    "//vsizip/a.zip",
    "NETCDF:a.nc:z",
    "WMS:nothing",
    "<VRTDataset/>",
    "PG:host=127.0.0.1",
    "",
    "  ",
    "a\0.tif",
    ".",
    "/dev/zero",
    "missing.tif",
    "x" * 5000,
]


@pytest.mark.parametrize("text", HOSTILE)
def test_only_existing_regular_files(text, tmp_path):
    """Every hostile name is refused with the key, the place and a remedy."""
    with pytest.raises(SeabedError) as caught:
        existing_file(text, tmp_path, "[[seabed]] number 1 in project.toml", error=SeabedError)
    message = str(caught.value)
    assert message.startswith("file must be an existing file on this computer (got ")
    assert "[[seabed]] number 1 in project.toml" in message
    assert ";" in message and len(message) < 6000


def test_pipe_and_archive_are_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe.tif")
    (tmp_path / "a.zip").write_bytes(b"PK\x05\x06" + b"\0" * 18)
    for name, words in (("pipe.tif", "not a folder or device"), ("a.zip", "not an archive")):
        with pytest.raises(InputError, match=words):
            existing_file(name, tmp_path, "here")


def test_plain_file_with_odd_name_is_read(tmp_path, write_raster):
    """Characters that mean something in addresses mean nothing in a file name."""
    path = write_raster(tmp_path / "plain.tif", np.full((3, 4), -50.0, dtype=np.float32))
    odd = path.rename(tmp_path / "a#b?c%20;d!e.tif")
    assert read_surface(odd, crs="EPSG:32740", values="elevation").depth_m.max() == 50.0


VRT = (
    '<VRTDataset rasterXSize="4" rasterYSize="3"><SRS>EPSG:32740</SRS>'
    "<GeoTransform>400000,20,0,8265000,0,-20</GeoTransform>"
    '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
    '<SourceFilename relativeToVRT="0">{source}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>'
)


@pytest.mark.parametrize("name", ["a.vrt", "a.tif", "a.asc"])
def test_virtual_rasters_are_refused_whatever_their_name(tmp_path, write_raster, name):
    """A VRT of a good raster is not read; GDAL itself would."""
    source = write_raster(tmp_path / "good.tif", np.full((3, 4), -50.0, dtype=np.float32))
    path = tmp_path / name
    path.write_text(VRT.format(source=source))
    with pytest.raises(SeabedError, match="not a reference such as VRT"):
        read_surface(path, crs="EPSG:32740", values="elevation")


def test_raster_with_its_cells_elsewhere_is_refused(tmp_path, write_raster):
    """An ERS header may name any data file: beside it is fine, elsewhere is not."""
    path = write_raster(tmp_path / "a.ers", np.full((3, 4), -50.0, dtype=np.float32), driver="ERS")
    with open_raster(path, "here") as dataset:
        assert dataset.shape == (3, 4)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (tmp_path / "a").rename(elsewhere / "secret")
    text = path.read_text()
    assert "DatasetHeader Begin" in text
    path.write_text(
        text.replace("DatasetHeader Begin", 'DatasetHeader Begin\n\tDataFile\t= "elsewhere/secret"', 1)
    )
    with pytest.raises(SeabedError, match="refers to"):
        read_surface(path, crs="EPSG:32740", values="elevation")


@pytest.mark.parametrize(
    "text",
    [
        '<OGRVRTDataSource><OGRVRTLayer name="w"><SrcDataSource>{source}</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>",
        '\n\n<!-- c --><OGRVRTDataSource><OGRVRTLayer name="w"><SrcDataSource>{source}</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>",
        '{{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! read {source}"}}',
        "<OGRWFSDataSource><URL>http://127.0.0.1:9/</URL></OGRWFSDataSource>",
    ],
)
@pytest.mark.parametrize("name", ["a.vrt", "a.geojson", "a.kml"])
def test_virtual_vectors_are_refused_whatever_their_name(tmp_path, write_layer, text, name):
    source = write_layer(tmp_path / "good.gpkg", [shapely.Point(400_100, 8_264_900)])
    path = tmp_path / name
    path.write_text(text.format(source=source))
    with pytest.raises(LayerError, match="refers to other sources"):
        read_layer(path, LayerSettings("x", name, "avoid"), crs="EPSG:32740")


def test_allowed_formats_hold_their_own_data():
    """The formats that GDAL's documentation describes as references or services are not on the lists."""
    assert not {"VRT", "GTI", "WMS", "WMTS", "WCS", "HTTP", "STACIT", "STACTA", "DERIVED", "MEM"} & set(
        RASTER_FORMATS
    )
    refused = {"OGR_VRT", "GDALG", "WFS", "OAPIF", "CSW", "HTTP", "GPSBabel", "Carto", "NGW", "MEM", "ADBC"}
    assert not refused & VECTOR_FORMATS
    assert {"GTiff", "BAG", "netCDF", "AAIGrid"} <= set(RASTER_FORMATS)
    assert {"GPKG", "GeoJSON", "ESRI Shapefile", "S57", "FlatGeobuf", "DXF", "KML"} <= VECTOR_FORMATS


def test_format_not_allowed_is_refused(tmp_path):
    """A spreadsheet has no features; whatever GDAL calls it, it is not read as a layer."""
    path = tmp_path / "a.csv"
    path.write_text("name,value\nA,1\n")
    with pytest.raises(LayerError, match="no geometry"):
        read_layer(path, LayerSettings("x", "a.csv", "avoid"), crs="EPSG:32740")


def test_sha256(tmp_path):
    """FIPS 180-4, example of the message 'abc' (value as in NIST's examples, from memory)."""
    (tmp_path / "abc").write_bytes(b"abc")
    assert sha256(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_side_files_are_hashed(tmp_path, write_layer):
    """All parts of a shapefile count as input, its neighbours do not."""
    path = write_layer(tmp_path / "a.shp", [shapely.Point(1, 2)])
    (tmp_path / "ab.dbf").write_bytes(b"another")
    names = [item.name for item in side_files(path)]
    assert names[0] == "a.shp" and {"a.shx", "a.dbf", "a.prj", "a.cpg"} == set(names[1:])
    for source in source_files(path, tmp_path):
        assert source.sha256 == hashlib.sha256((tmp_path / source.file).read_bytes()).hexdigest()


def test_reading_leaves_the_folder_as_it_was(tmp_path, write_raster, write_layer):
    """No side file appears and no byte changes, whatever the format."""
    square = [shapely.box(400_100, 8_264_700, 400_200, 8_264_900)]
    write_raster(tmp_path / "a.tif", np.full((3, 4), -50.0, dtype=np.float32))
    vectors = [write_layer(tmp_path / name, square) for name in ("b.gpkg", "c.shp", "d.fgb", "e.geojson")]
    gpd.GeoDataFrame({"n": [1]}, geometry=square, crs="EPSG:32740").to_file(tmp_path / "f.gml", driver="GML")
    for extra in (".xsd", ".gfs"):
        (tmp_path / f"f{extra}").unlink(missing_ok=True)
    before = {item.name: sha256(item) for item in tmp_path.iterdir()}
    read_surface(tmp_path / "a.tif", crs="EPSG:32740", values="elevation")
    for path in (*vectors, tmp_path / "f.gml"):
        layer = read_layer(path, LayerSettings("x", path.name, "avoid"), crs="EPSG:32740")
        assert abs(layer.geometries[0].area - 20_000.0) < 1.0
    assert {item.name: sha256(item) for item in tmp_path.iterdir()} == before


def make_proj_db(folder: Path, major: int, minor: int) -> None:
    folder.mkdir()
    with sqlite3.connect(folder / "proj.db") as connection:
        connection.execute("CREATE TABLE metadata (key TEXT, value TEXT)")
        rows = [("DATABASE.LAYOUT.VERSION.MAJOR", str(major)), ("DATABASE.LAYOUT.VERSION.MINOR", str(minor))]
        connection.executemany("INSERT INTO metadata VALUES (?, ?)", rows)


def test_stale_data_folders_are_dropped(tmp_path):
    """Missing, empty and outdated folders go, good ones stay."""
    make_proj_db(tmp_path / "old", 1, 0)
    make_proj_db(tmp_path / "new", 1, 999)
    (tmp_path / "empty").mkdir()
    (tmp_path / "gdal").mkdir()
    (tmp_path / "gdal" / "gdalvrt.xsd").write_text("<a/>")
    cases = {
        ("PROJ_DATA", "missing"): True,
        ("PROJ_DATA", "empty"): True,
        ("PROJ_LIB", "old"): True,
        ("PROJ_LIB", "new"): False,
        ("GDAL_DATA", "missing"): True,
        ("GDAL_DATA", "empty"): True,
        ("GDAL_DATA", "gdal"): False,
    }
    for (name, folder), dropped in cases.items():
        environment = {name: str(tmp_path / folder)}
        assert (_environment.prepare(environment) == (name,)) is dropped, (name, folder)
        assert (name in environment) is not dropped
        assert environment["CPL_VSIL_CURL_ALLOWED_EXTENSIONS"] == ".none"
        assert environment["GDAL_HTTP_PROXY"] == "127.0.0.1:9"
    several = os.pathsep.join([str(tmp_path / "missing"), str(tmp_path / "new")])
    assert not _environment.is_stale("PROJ_DATA", several)


def test_stale_environment_does_not_stop_a_run(tmp_path, project_folder):
    """A fresh process with folders of an older installation reads the project all the same."""
    make_proj_db(tmp_path / "old", 1, 0)
    stale = {"PROJ_DATA": str(tmp_path / "old"), "PROJ_LIB": "/nonexistent", "GDAL_DATA": "/nonexistent"}
    code = "from corridor.io.project import read_project; print(read_project('project.toml').name)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=project_folder,
        env={**os.environ, **stale},
        capture_output=True,
        text=True,
    )
    assert done.stdout.strip() == "Invented line", done.stderr
