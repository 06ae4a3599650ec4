"""LAS, grids and declarations: what a file says, what a person says, and when the two disagree."""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np
import pytest
import rasterio
from laspy.vlrs.known import WktCoordinateSystemVlr
from pyproj import CRS as PROJ
from rasterio.transform import Affine
from scipy.io import netcdf_file

from corridor.errors import SeabedError, SettingError
from corridor.io.soundings import open_soundings
from corridor.model.project import Project, SourceFile
from corridor.model.survey import Declaration

from . import synthetic
from .synthetic import CRS, SOUTH, WEST

ALL = Declaration(values="elevation", crs=CRS, vertical_datum="LAT")
CORNER = Affine(2.0, 0.0, WEST, 0.0, -2.0, SOUTH + 4.0)
GRID = np.array([[-30.0, -31.0, -32.0], [-33.0, np.nan, -35.0]], dtype=np.float32)


@pytest.fixture
def project() -> Project:
    return synthetic.project(size=40.0)


def xyz(
    tmp_path: Path, name: str = "a.xyz", text: str = "402010 8261010 -35.0\n402011 8261011 -36.0\n"
) -> Path:
    path = tmp_path / name
    path.write_text(text)
    return path


def las(tmp_path: Path, name: str = "a.laz", crs: str | None = CRS, **fields: object) -> Path:
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [WEST, SOUTH, 0.0]
    if crs is not None:
        header.vlrs.append(WktCoordinateSystemVlr(PROJ.from_user_input(crs).to_wkt("WKT1_GDAL")))
        header.global_encoding.wkt = True
    cloud = laspy.LasData(header)
    cloud.x = np.array([WEST + 1.0, WEST + 2.5, WEST + 3.0, WEST + 4.0])
    cloud.y = np.array([SOUTH + 1.0, SOUTH + 2.0, SOUTH + 3.25, SOUTH + 4.0])
    cloud.z = np.array([-30.0, -31.125, -32.0, -33.0])
    for key, value in fields.items():
        setattr(cloud, key, np.asarray(value))
    cloud.write(tmp_path / name)
    return tmp_path / name


def raster(
    path: Path, bands: list[np.ndarray], driver: str = "GTiff", transform=None, **more: object
) -> Path:
    transform = transform or CORNER
    profile = {"crs": CRS, "nodata": 1e6 if driver == "BAG" else -9999.0, **more}
    filled = [np.where(np.isnan(band), profile["nodata"], band).astype(np.float32) for band in bands]
    with rasterio.open(
        path, "w", driver=driver, height=bands[0].shape[0], width=bands[0].shape[1], count=len(bands),
        dtype="float32", transform=transform, **profile,
    ) as dataset:  # fmt: skip
        for number, band in enumerate(filled, 1):
            dataset.write(band, number)
    return path


def all_of(file):
    batches = list(file.batches())
    return np.concatenate([np.column_stack([b.x, b.y, b.z]) for b in batches])


# -- LAS


def test_laz_gives_its_points_crs_and_lines(tmp_path, project):
    path = las(tmp_path, point_source_id=np.array([7, 7, 9, 9], dtype=np.uint16))
    (file,) = open_soundings([path], project, Declaration(values="elevation", vertical_datum="LAT"))
    assert file.crs == CRS and file.kind == "las" and file.sign == -1.0
    np.testing.assert_allclose(all_of(file)[:, 2], [-30.0, -31.125, -32.0, -33.0])
    codes = np.concatenate([b.line for b in file.batches()])
    assert [file.lines[code] for code in codes] == ["a.laz source 7"] * 2 + ["a.laz source 9"] * 2


def test_points_classed_as_noise_or_withheld_are_left_out(tmp_path, project):
    path = las(tmp_path, classification=np.array([0, 7, 18, 2]), withheld=np.array([0, 0, 0, 1]))
    (file,) = open_soundings([path], project, ALL)
    np.testing.assert_allclose(all_of(file)[:, 2], [-30.0])


def test_las_without_crs_asks_for_it(tmp_path, project):
    path = las(tmp_path, crs=None)
    with pytest.raises(SeabedError, match=r"a\.laz: crs must be declared .*EPSG:32740"):
        open_soundings([path], project, Declaration(values="elevation", vertical_datum="LAT"))
    (file,) = open_soundings([path], project, ALL)
    assert file.crs == CRS


def test_las_whose_crs_is_compound_says_datum_and_sign(tmp_path, project):
    # EPSG:5711 is Australian height datum, a vertical CRS with its axis up.
    path = las(tmp_path, crs="EPSG:32740+5711")
    with pytest.raises(SeabedError, match="vertical_offset_m") as caught:
        open_soundings([path], project)
    assert "AHD" in str(caught.value) and "values" not in str(caught.value)


@pytest.mark.parametrize("damage", ["cut", "empty"])
def test_damaged_las(tmp_path, project, damage):
    path = las(tmp_path)
    path.write_bytes(path.read_bytes()[:400] if damage == "cut" else b"LASF")
    with pytest.raises(SeabedError, match="copy it again"):
        all_of(open_soundings([path], project, ALL)[0])


# -- grids


def test_geotiff_gives_the_centres_of_its_cells(tmp_path, project):
    path = raster(tmp_path / "g.tif", [GRID])
    (file,) = open_soundings([path], project, Declaration(values="elevation", vertical_datum="LAT"))
    points = all_of(file)
    assert file.cell_m == 2.0 and file.anchor_m == (WEST, SOUTH + 4.0) and len(points) == 5
    np.testing.assert_allclose(points[0], [WEST + 1.0, SOUTH + 3.0, -30.0])
    np.testing.assert_allclose(points[-1], [WEST + 5.0, SOUTH + 1.0, -35.0])


def test_bag_brings_sign_uncertainty_and_a_compound_crs(tmp_path, project):
    # BAG (ONS Format Specification Document): elevations, nodata 1e6, a compound CRS whose to_epsg() is None.
    bands = [GRID, np.full_like(GRID, 0.25)]
    path = raster(tmp_path / "g.bag", bands, "BAG", VAR_VERTICAL_CRS_WKT="", VAR_ABSTRACT="invented")
    (file,) = open_soundings([path], project, Declaration(vertical_datum="LAT"))
    assert file.crs == CRS and file.sign == -1.0 and file.has_uncertainty
    np.testing.assert_allclose(np.concatenate([b.uncertainty for b in file.batches()]), 0.25)
    assert len(all_of(file)) == 5


def netcdf(path: Path, positive: str) -> Path:
    """Written by scipy's own netCDF writer, so that GDAL meets somebody else's file."""
    with netcdf_file(path, "w") as dataset:
        for name, values in (("y", SOUTH + np.array([3.0, 1.0])), ("x", WEST + np.array([1.0, 3.0, 5.0]))):
            dataset.createDimension(name, len(values))
            axis = dataset.createVariable(name, "d", (name,))
            axis[:], axis.units, axis.standard_name = values, "m", f"projection_{name}_coordinate"
        depth = dataset.createVariable("seabed", "f", ("y", "x"))
        depth._FillValue, depth.positive = np.float32(-9999.0), positive
        depth[:] = np.where(np.isnan(GRID), -9999.0, GRID)
    return path


@pytest.mark.parametrize(("positive", "sign"), [("down", 1.0), ("up", -1.0)])
def test_netcdf_says_which_way_is_positive(tmp_path, project, positive, sign):
    # CF conventions 1.11, section 4.3: the attribute `positive` (from memory).
    path = netcdf(tmp_path / "g.nc", positive)
    (file,) = open_soundings([path], project, Declaration(vertical_datum="LAT", crs=CRS))
    assert file.sign == sign
    np.testing.assert_allclose(all_of(file)[-1], [WEST + 5.0, SOUTH + 1.0, -35.0])
    other = "elevation" if positive == "down" else "depth"
    with pytest.raises(SeabedError, match="contradicts the file"):
        open_soundings([path], project, Declaration(vertical_datum="LAT", crs=CRS, values=other))


def test_ascii_grid_needs_everything_declared(tmp_path, project):
    path = tmp_path / "g.asc"
    path.write_text(
        f"ncols 2\nnrows 1\nxllcorner {WEST}\nyllcorner {SOUTH}\ncellsize 2\nNODATA_value -1\n30.5 -1\n"
    )
    with pytest.raises(SeabedError) as caught:
        open_soundings([path], project)
    for key in ("values", "crs", "vertical_datum"):
        assert f"{key} must be declared" in str(caught.value)
    (file,) = open_soundings([path], project, Declaration(values="depth", crs=CRS, vertical_datum="LAT"))
    np.testing.assert_allclose(all_of(file), [[WEST + 1.0, SOUTH + 1.0, 30.5]])


def test_a_rotated_grid_is_refused(tmp_path, project):
    turned = CORNER @ Affine.rotation(10.0)
    path = raster(tmp_path / "g.tif", [GRID], transform=turned)
    with pytest.raises(SeabedError, match=r"rotated by .*resample it north-up"):
        open_soundings([path], project, ALL)


# -- declarations


def test_nothing_is_guessed_and_every_fault_comes_at_once(tmp_path, project):
    first, second = xyz(tmp_path), xyz(tmp_path, "b.xyz", "1 2 3\n")
    with pytest.raises(SeabedError) as caught:
        open_soundings([first, second, tmp_path / "missing.xyz"], project)
    said = "\n".join(caught.value.faults)
    for name in ("a.xyz", "b.xyz"):
        for key in ("values", "crs", "vertical_datum"):
            assert f"{name}: {key} must be declared" in said
    assert "missing.xyz" in said


def test_a_side_file_declares_and_flags_overrule_it(tmp_path, project):
    path = xyz(tmp_path)
    side = 'values = "depth"\ncrs = "EPSG:32740"\nvertical_datum = "LAT"\nunit = "ft"\n'
    (tmp_path / "a.xyz.toml").write_text(side)
    (file,) = open_soundings([path], project)
    assert (file.sign, file.unit_m) == (1.0, 0.3048)
    (file,) = open_soundings([path], project, Declaration(values="elevation"))
    assert (file.sign, file.unit_m) == (-1.0, 0.3048)


@pytest.mark.parametrize(
    ("side", "said"),
    [
        ("values = 'deep'", "one of depth, elevation"),
        ("value = 'depth'", "unknown key 'value'"),
        ("columns = ['x', 'y', 'z']", "columns must be words out of"),
        ("vertical_offset_m = 1.2", "vertical_offset_source is required"),
        ("values = ", "not valid TOML"),
    ],
)
def test_a_side_file_with_faults_is_refused(tmp_path, project, side, said):
    (tmp_path / "a.xyz.toml").write_text(side)
    with pytest.raises((SeabedError, SettingError), match=said):
        open_soundings([xyz(tmp_path)], project, ALL)


def test_another_datum_needs_an_offset_and_its_source(tmp_path, project):
    path = xyz(tmp_path)
    other = {"values": "elevation", "crs": CRS, "vertical_datum": "MSL"}
    with pytest.raises(SeabedError, match=r"must be the project's, 'LAT' \(got 'MSL'\)"):
        open_soundings([path], project, Declaration(**other))
    given = Declaration(**other, vertical_offset_m=-1.3, vertical_offset_source="tide tables of the port")
    (file,) = open_soundings([path], project, given)
    assert file.offset_m == -1.3 and "tide tables" in file.notes[-1]
    same = Declaration(
        values="elevation", crs=CRS, vertical_datum="lat", vertical_offset_m=1.0, vertical_offset_source="?"
    )
    with pytest.raises(SeabedError, match="must be 0 on the project's own datum"):
        open_soundings([path], project, same)


def test_a_heading_contradicts_but_does_not_declare(tmp_path, project):
    path = xyz(tmp_path, "h.csv", "easting,northing,depth\n1,2,3\n")
    with pytest.raises(SeabedError, match="values must be declared"):
        open_soundings([path], project, Declaration(crs=CRS, vertical_datum="LAT"))
    with pytest.raises(SeabedError, match="contradicts its header"):
        open_soundings([path], project, ALL)


def test_the_same_file_twice_is_refused(tmp_path, project):
    first = xyz(tmp_path)
    twin = xyz(tmp_path, "twin.xyz")
    with pytest.raises(SeabedError, match=r"twin\.xyz holds the same as a\.xyz"):
        open_soundings([first, twin], project, ALL)


def test_a_file_that_is_already_in_the_project_is_refused(tmp_path, project):
    import dataclasses

    from corridor.io.guard import sha256

    path = xyz(tmp_path)
    used = dataclasses.replace(project, inputs=(SourceFile("old.xyz", sha256(path)),))
    with pytest.raises(SeabedError, match=r"holds the same as old\.xyz"):
        open_soundings([path], used, ALL)


@pytest.mark.parametrize("name", ["https://example.org/a.xyz", "/vsicurl/http://example.org/a.tif", "."])
def test_only_regular_files_are_opened(project, name):
    with pytest.raises(SeabedError):
        open_soundings([name], project, ALL)
