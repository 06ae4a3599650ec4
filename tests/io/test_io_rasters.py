"""Rasters of any format, orientation, nodata and CRS come out as the same ground."""

from __future__ import annotations

import math

import matplotlib.cbook
import numpy as np
import pyproj
import pytest
import rasterio
import rasterio.shutil
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from rasterio.transform import Affine, from_origin
from scipy.interpolate import RegularGridInterpolator
from scipy.ndimage import map_coordinates

from corridor.errors import SeabedError
from corridor.io.georeference import upright
from corridor.io.rasters import read_surface
from corridor.io.resample import resampled
from corridor.model.seabed import S44_TVU, Uncertainty

CRS = "EPSG:32740"
WEST, NORTH, CELL = 400_000.0, 8_265_000.0, 20.0


def turned(array: np.ndarray, transpose: bool, flip_rows: bool, flip_cols: bool):
    """The same ground stored differently: array and transform."""
    place = from_origin(WEST, NORTH, CELL, CELL)
    if transpose:
        array, place = array.T, place @ Affine(0, 1, 0, 1, 0, 0)
    if flip_rows:
        array, place = array[::-1], place @ Affine(1, 0, 0, 0, -1, array.shape[0])
    if flip_cols:
        array, place = array[:, ::-1], place @ Affine(-1, 0, array.shape[1], 0, 1, 0)
    return np.ascontiguousarray(array), place


@given(
    arrays(np.float32, st.tuples(st.integers(2, 6), st.integers(2, 6)), elements=st.floats(1, 500, width=32)),
    st.booleans(),
    st.booleans(),
    st.booleans(),
)
@settings(max_examples=150, deadline=None)
def test_any_flip_or_transposition_is_the_same_ground(depth, transpose, flip_rows, flip_cols):
    """All eight symmetries give back the array bit for bit, on the same grid."""
    array, place = turned(depth, transpose, flip_rows, flip_cols)
    grid, (result,), notes = upright([array], place, CRS)
    assert (grid.west_m, grid.north_m, grid.cell_m) == (WEST, NORTH, CELL)
    np.testing.assert_array_equal(result, depth)
    assert len(notes) == (transpose + flip_rows + flip_cols if not transpose else len(notes))


@pytest.mark.parametrize("transpose", [False, True])
@pytest.mark.parametrize("flip_rows", [False, True])
@pytest.mark.parametrize("flip_cols", [False, True])
def test_orientation_through_files(tmp_path, write_raster, transpose, flip_rows, flip_cols):
    """The same through a GeoTIFF, whose georeferencing rasterio itself reads back."""
    depth = np.arange(1, 13, dtype=np.float32).reshape(3, 4)
    array, place = turned(depth, transpose, flip_rows, flip_cols)
    path = write_raster(tmp_path / "a.tif", array, transform=place)
    surface = read_surface(path, crs=CRS, values="depth")
    np.testing.assert_array_equal(surface.depth_m, depth)
    with rasterio.open(path) as dataset:  # reference: rasterio's own position of every cell
        for row in range(array.shape[0]):
            for col in range(array.shape[1]):
                u, v = surface.grid.to_cells(*dataset.xy(row, col))
                assert surface.depth_m[int(v), int(u)] == array[row, col]
    assert bool(surface.notes) is (transpose or flip_rows or flip_cols)


FORMATS = [
    "GTiff",
    "COG",
    "netCDF",
    "AAIGrid",
    "HFA",
    "ENVI",
    "EHdr",
    "GSBG",
    "GS7BG",
    "PCIDSK",
    "GPKG",
]


@pytest.mark.parametrize("driver", FORMATS)
def test_formats(tmp_path, write_raster, driver):
    """Elevation written by GDAL in its own formats; a hole stays a hole, positions agree with GDAL's."""
    elevation = -np.linspace(5.0, 90.0, 30, dtype=np.float32).reshape(5, 6)
    elevation[1, 2] = -9999.0
    source = write_raster(tmp_path / "source.tif", elevation, nodata=-9999.0)
    path = tmp_path / f"copy.{driver.lower()}"
    rasterio.shutil.copy(source, path, driver=driver)
    surface = read_surface(path, crs=CRS, values="elevation")
    expected = np.where(elevation == -9999.0, np.nan, -elevation)
    np.testing.assert_allclose(surface.depth_m, expected, atol=2e-5)
    assert surface.grid.bounds_m == pytest.approx((WEST, NORTH - 100.0, WEST + 120.0, NORTH), abs=1e-3)
    assert surface.depth_m.dtype == np.float32 and not surface.depth_m.flags.writeable


def test_bag(tmp_path, write_raster):
    """BAG: nodata 1e6, compound CRS without EPSG code, uncertainty band taken by itself."""
    elevation = np.full((4, 5), -40.0, dtype=np.float32)
    elevation[0, 0] = 1e6
    sigma = np.full((4, 5), 0.3, dtype=np.float32)
    sigma[0, 0] = 1e6
    path = write_raster(tmp_path / "a.bag", elevation, sigma, driver="BAG", nodata=1e6)
    with rasterio.open(path) as dataset:
        assert dataset.crs.to_epsg() is None  # the trap
    surface = read_surface(path, crs=CRS, values="elevation")
    assert math.isnan(surface.depth_m[0, 0]) and np.nanmax(surface.depth_m) == 40.0
    assert isinstance(surface.uncertainty, np.ndarray)
    assert math.isnan(surface.uncertainty[0, 0]) and surface.uncertainty[1, 1] == np.float32(0.3)
    assert any("uncertainty from band 2" in note for note in surface.notes)
    scaled = read_surface(path, crs=CRS, values="elevation", uncertainty={"band": 2, "factor": 1.96})
    assert scaled.uncertainty[1, 1] == pytest.approx(0.588, rel=1e-6)


def test_netcdf_with_several_variables(tmp_path, write_raster):
    """The variable is asked for by name, and the names are given."""
    two = write_raster(
        tmp_path / "two.tif", *(np.full((3, 4), value, dtype=np.float32) for value in (-30.0, -60.0))
    )
    path = tmp_path / "two.nc"
    rasterio.shutil.copy(two, path, driver="netCDF")
    with pytest.raises(SeabedError, match=r"variable is required, two\.nc holds Band1, Band2"):
        read_surface(path, crs=CRS, values="elevation")
    with pytest.raises(SeabedError, match="variable must be one of Band1, Band2"):
        read_surface(path, crs=CRS, values="elevation", variable="depth")
    assert read_surface(path, crs=CRS, values="elevation", variable="Band2").depth_m[0, 0] == 60.0


def test_nodata_of_every_kind(tmp_path, write_raster):
    """Declared, NaN, infinite, an explicit mask, and one that the project file states."""
    depth = np.full((3, 5), 25.0, dtype=np.float32)
    depth[0, :4] = [np.nan, np.inf, -1e30, -32767.0]
    path = write_raster(tmp_path / "a.tif", depth, nodata=-1e30)
    with rasterio.open(path, "r+") as dataset:
        mask = np.full(depth.shape, 255, dtype=np.uint8)
        mask[2, 0] = 0
        mask[0, 2] = 0
        dataset.write_mask(mask)
    surface = read_surface(path, crs=CRS, values="depth", nodata=-32767.0)
    holes = np.isnan(surface.depth_m)
    assert holes[0].tolist() == [True, True, True, True, False]
    assert holes[2, 0] and holes.sum() == 5


def test_nodata_that_nobody_declares(tmp_path, write_raster):
    """A figure that no ground has is refused, with the remedy to type."""
    elevation = np.full((3, 4), -25.0, dtype=np.float32)
    elevation[0, 0] = -99999.0
    path = write_raster(tmp_path / "a.tif", elevation)
    with pytest.raises(
        SeabedError, match=r"1 cells whose elevation is impossible, .* -99999 m .*nodata = -99999"
    ):
        read_surface(path, crs=CRS, values="elevation")
    surface = read_surface(path, crs=CRS, values="elevation", nodata=-99999)
    assert np.isnan(surface.depth_m).sum() == 1


def test_scale_offset_and_unit_tags(tmp_path, write_raster):
    """GDAL's scale and offset: value = raw x scale + offset; then feet (exact: 0.3048 m) to metres."""
    raw = np.array([[100, 200], [300, 400]], dtype=np.int16)
    path = write_raster(tmp_path / "a.tif", raw, nodata=400)
    with rasterio.open(path, "r+") as dataset:
        dataset.scales, dataset.offsets = (0.5,), (10.0,)
    surface = read_surface(path, crs=CRS, values="depth")
    np.testing.assert_array_equal(surface.depth_m, [[60.0, 110.0], [160.0, np.nan]])
    with rasterio.open(path, "r+") as dataset:
        dataset.units = ("ft",)
    surface = read_surface(path, crs=CRS, values="depth", offset_m=1.5)
    assert surface.depth_m[0, 0] == np.float32(60.0 * 0.3048 + 1.5)
    assert "shifted by +1.5 m to the project's vertical datum" in surface.notes


def test_uncertainty_forms(tmp_path, write_raster):
    """S-44 edition 6.1.0, table 1 and section 3.2 (values: CHECKS, read): TVU at 40 m."""
    path = write_raster(tmp_path / "a.tif", np.full((3, 4), 40.0, dtype=np.float32))
    for order, tvu in {"exclusive": 0.3354, "Special": 0.3905, "order 1a": 0.7214, "2": 1.3588}.items():
        surface = read_surface(path, crs=CRS, values="depth", uncertainty=order)
        assert float(surface.uncertainty.at(40.0)) == pytest.approx(tvu, abs=5e-5)
    stated = read_surface(path, crs=CRS, values="depth", uncertainty={"a_m": 0.25, "b": 0.0075})
    assert stated.uncertainty == Uncertainty(0.25, 0.0075) == S44_TVU["special"]
    for wrong in ("3", {"a_m": -1, "b": 0}, {"a": 1}, {"band": 0}, 5, {"a_m": math.nan, "b": 0.1}):
        with pytest.raises(SeabedError, match="uncertainty"):
            read_surface(path, crs=CRS, values="depth", uncertainty=wrong)
    with pytest.raises(SeabedError, match="asks for band 2"):
        read_surface(path, crs=CRS, values="depth", uncertainty="band")


def plane(east, north):
    """Depth that changes by 2 % eastwards and 1 % northwards, m."""
    return 200.0 + 0.02 * (east - WEST) - 0.01 * (north - NORTH)


def centres(surface):
    east, north = surface.grid.centres()
    return np.meshgrid(east, north)


@pytest.mark.parametrize("angle", [10.0, 45.0, 90.5, -120.0])
def test_rotated_raster_of_a_plane(tmp_path, write_raster, angle):
    """Bilinear resampling leaves a plane a plane: closed form at every cell with data."""
    place = Affine.translation(WEST, NORTH) @ Affine.rotation(angle) @ Affine.scale(CELL, -CELL)
    cols, rows = np.meshgrid(np.arange(40) + 0.5, np.arange(30) + 0.5)
    east, north = place.a * cols + place.b * rows + place.c, place.d * cols + place.e * rows + place.f
    path = write_raster(tmp_path / "a.tif", plane(east, north).astype(np.float32), transform=place)
    surface = read_surface(path, crs=CRS, values="depth")
    assert surface.grid.cell_m == CELL
    x, y = centres(surface)
    inverse = ~place
    u, v = inverse.a * x + inverse.b * y + inverse.c, inverse.d * x + inverse.e * y + inverse.f
    margin = np.minimum(np.minimum(u, 40.0 - u), np.minimum(v, 30.0 - v))
    assert np.isfinite(surface.depth_m[margin > 1e-6]).all()
    assert np.isnan(surface.depth_m[margin < -1e-6]).all()
    inner = (u > 0.5) & (v > 0.5) & (u < 39.5) & (v < 29.5)
    assert inner.sum() > 1000
    np.testing.assert_allclose(surface.depth_m[inner], plane(x, y)[inner], atol=1e-4)
    assert any("bilinear" in note and "20 m cells" in note for note in surface.notes)


def test_cells_that_are_not_square(tmp_path, write_raster):
    """10 m by 25 m becomes 10 m: nothing of the finer side is lost."""
    place = from_origin(WEST, NORTH, 10.0, 25.0)
    cols, rows = np.meshgrid(np.arange(40) + 0.5, np.arange(30) + 0.5)
    depth = plane(WEST + 10.0 * cols, NORTH - 25.0 * rows).astype(np.float32)
    surface = read_surface(write_raster(tmp_path / "a.tif", depth, transform=place), crs=CRS, values="depth")
    assert surface.grid.cell_m == 10.0
    off = np.abs(surface.depth_m - plane(*centres(surface)))[2:-2]
    assert np.nanmax(off) < 1e-3


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:32739", "EPSG:3857", "EPSG:3395"])
def test_other_crs_against_scipy_and_pyproj(tmp_path, write_raster, crs):
    """Reference: pyproj's positions and scipy's bilinear interpolation of the same cells."""
    to_file = pyproj.Transformer.from_crs(CRS, crs, always_xy=True)
    x0, y0 = to_file.transform(WEST, NORTH)
    x1, _ = to_file.transform(WEST + 60 * CELL, NORTH)
    size = (x1 - x0) / 60
    random = np.random.default_rng(5)
    depth = (100.0 + np.cumsum(random.normal(size=(50, 60)), axis=1)).astype(np.float32)
    path = write_raster(tmp_path / "a.tif", depth, transform=from_origin(x0, y0, size, size), crs=crs)
    surface = read_surface(path, crs=CRS, values="depth")
    x, y = to_file.transform(*centres(surface))
    u, v = (x - x0) / size - 0.5, (y0 - y) / size - 0.5
    inner = (u > 0.5) & (v > 0.5) & (u < 58.5) & (v < 48.5)
    expected = map_coordinates(depth.astype(float), [v[inner], u[inner]], order=1)
    # positions may be a thousandth of a cell off in each direction
    steepest = np.abs(np.diff(depth, axis=0)).max() + np.abs(np.diff(depth, axis=1)).max()
    assert np.abs(surface.depth_m[inner] - expected).max() < 1e-3 * steepest
    assert np.isfinite(surface.depth_m[inner]).all()
    assert any(note.startswith(f"reprojected from {crs} to {CRS}") for note in surface.notes)


@pytest.mark.parametrize("turn", [0.0, 360.0])
def test_real_coast_in_degrees(tmp_path, write_raster, turn):
    """matplotlib's sample of a real coast: steps in longitude and latitude differ (a trap).

    Its longitudes run from 234 to 238 (another trap), or are written as -126 to -122.
    Reference: scipy's RegularGridInterpolator over the sample's own axes.
    """
    data = matplotlib.cbook.get_sample_data("topobathy.npz")
    topo, lon, lat = data["topo"], data["longitude"].astype(float) - turn, data["latitude"].astype(float)
    dx, dy = (lon[-1] - lon[0]) / (len(lon) - 1), (lat[-1] - lat[0]) / (len(lat) - 1)
    place = Affine(dx, 0.0, lon[0] - dx / 2, 0.0, dy, lat[0] - dy / 2)  # south-up, as the sample is
    path = write_raster(tmp_path / "coast.tif", topo, transform=place, crs="EPSG:4326")
    surface = read_surface(path, crs="EPSG:32610", values="elevation", depth_range_m=(8.0, 450.0))
    back = pyproj.Transformer.from_crs("EPSG:32610", "EPSG:4326", always_xy=True)
    x, y = back.transform(*centres(surface))
    even = (np.linspace(lat[0], lat[-1], len(lat)), np.linspace(lon[0], lon[-1], len(lon)))
    reference = RegularGridInterpolator(even, -topo.astype(float), bounds_error=False)
    expected = reference(np.column_stack([y.ravel(), x.ravel() + 360.0 - turn])).reshape(x.shape)
    both = np.isfinite(expected) & np.isfinite(surface.depth_m)
    assert both.sum() == np.isfinite(expected).sum()
    steepest = np.abs(np.diff(topo, axis=0)).max()
    assert np.abs(surface.depth_m - expected)[both].max() < 2e-3 * steepest
    assert surface.grid.cell_m < 111_320 * dy


def test_holes_neither_shrink_nor_grow(tmp_path, write_raster):
    """A cell has data exactly where the original cell around its centre has; level ground stays level."""
    to_file = pyproj.Transformer.from_crs(CRS, "EPSG:32739", always_xy=True)
    x0, y0 = to_file.transform(WEST, NORTH)
    depth = np.full((40, 40), 50.0, dtype=np.float32)
    depth[10:20, 15:30] = -9999.0
    path = write_raster(
        tmp_path / "a.tif", depth, transform=from_origin(x0, y0, CELL, CELL), crs="EPSG:32739", nodata=-9999.0
    )
    surface = read_surface(path, crs=CRS, values="depth")
    x, y = to_file.transform(*centres(surface))
    col, row = np.floor((x - x0) / CELL).astype(int), np.floor((y0 - y) / CELL).astype(int)
    within = (col >= 0) & (col < 40) & (row >= 0) & (row < 40)
    hole = np.zeros(surface.depth_m.shape, dtype=bool)
    hole[within] = depth[row[within], col[within]] == -9999.0
    edge = np.minimum(np.abs((x - x0) / CELL % 1.0 - 0.5), np.abs((y0 - y) / CELL % 1.0 - 0.5)) > 0.498
    sure = within & ~edge
    np.testing.assert_array_equal(np.isnan(surface.depth_m[sure]), hole[sure])
    assert (hole & sure).sum() > 100
    assert set(np.unique(surface.depth_m[np.isfinite(surface.depth_m)])) == {np.float32(50.0)}


def test_same_crs_in_other_words_is_not_resampled(tmp_path, write_raster):
    """A CRS described by its parameters alone, and ETRS89 instead of WGS 84, keep the cells exactly."""
    depth = np.arange(1, 13, dtype=np.float32).reshape(3, 4)
    words = "+proj=utm +zone=40 +south +datum=WGS84 +units=m +no_defs"
    surface = read_surface(write_raster(tmp_path / "a.tif", depth, crs=words), crs=CRS, values="depth")
    np.testing.assert_array_equal(surface.depth_m, depth)
    place = from_origin(500_000.0, 6_200_000.0, CELL, CELL)
    path = write_raster(tmp_path / "b.tif", depth, crs="EPSG:25831", transform=place)
    np.testing.assert_array_equal(read_surface(path, crs="EPSG:32631", values="depth").depth_m, depth)


def test_missing_crs_is_refused_and_can_be_declared(tmp_path, write_raster):
    depth = np.full((3, 4), 30.0, dtype=np.float32)
    path = write_raster(tmp_path / "a.tif", depth, crs=None)
    with pytest.raises(SeabedError, match=r"a\.tif has no CRS: .*; state it in the surface's table"):
        read_surface(path, crs=CRS, values="depth")
    surface = read_surface(path, crs=CRS, values="depth", declared_crs=CRS)
    assert surface.depth_m[0, 0] == 30.0 and "as declared" in surface.notes[0]
    path = write_raster(tmp_path / "b.tif", depth)
    with pytest.raises(SeabedError, match=r"contradicts b\.tif, which says EPSG:32740"):
        read_surface(path, crs=CRS, values="depth", declared_crs="EPSG:32739")
    (tmp_path / "c.xyz").write_text(
        "".join(f"{400010 + 20 * c} {8264990 - 20 * r} -30\n" for r in range(3) for c in range(4))
    )
    with pytest.raises(SeabedError, match="no CRS"):
        read_surface(tmp_path / "c.xyz", crs=CRS, values="elevation")
    declared = read_surface(tmp_path / "c.xyz", crs=CRS, values="elevation", declared_crs=CRS)
    assert declared.grid.shape == (3, 4) and declared.depth_m.max() == 30.0


def test_unknown_datum_shift_is_refused(tmp_path, write_raster):
    """An unnamed datum could lie hundreds of metres away: nothing is guessed."""
    words = (
        'PROJCS["local",GEOGCS["local",DATUM["nobody knows",SPHEROID["Bessel 1841",6377397.155,299.1528128]],'
        'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],'
        'PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",57],PARAMETER["scale_factor",1],'
        'PARAMETER["false_easting",500000],PARAMETER["false_northing",10000000],UNIT["metre",1]]'
    )
    path = write_raster(tmp_path / "a.tif", np.full((3, 4), 30.0, dtype=np.float32), crs=words)
    with pytest.raises(SeabedError, match="no known transformation"):
        read_surface(path, crs=CRS, values="depth")


def test_wrong_sign_is_named(tmp_path, write_raster):
    """Depths declared as elevation, and the reverse: everything is above water."""
    path = write_raster(tmp_path / "a.tif", np.full((3, 4), 30.0, dtype=np.float32))
    with pytest.raises(
        SeabedError, match=r"everything is above water .* the sign is the likely cause.*'depth'"
    ):
        read_surface(path, crs=CRS, values="elevation", depth_range_m=(8.0, 450.0))
    path = write_raster(tmp_path / "b.tif", np.full((3, 4), -30.0, dtype=np.float32))
    with pytest.raises(SeabedError, match="state values = 'elevation'"):
        read_surface(path, crs=CRS, values="depth", depth_range_m=(8.0, 450.0))
    # a beach that is truly dry would not fit the depth range with the other sign either
    beach = write_raster(tmp_path / "c.tif", np.full((3, 4), 4.0, dtype=np.float32))
    assert read_surface(beach, crs=CRS, values="elevation", depth_range_m=(8.0, 450.0)).depth_m.max() == -4.0


def test_damaged_and_empty_rasters(tmp_path, write_raster):
    path = write_raster(tmp_path / "a.tif", np.random.default_rng(1).random((300, 300)).astype(np.float32))
    path.write_bytes(path.read_bytes()[:20_000])
    with pytest.raises(SeabedError, match=r"a\.tif"):
        read_surface(path, crs=CRS, values="depth")
    (tmp_path / "b.tif").write_bytes(b"")
    with pytest.raises(SeabedError, match="empty"):
        read_surface(tmp_path / "b.tif", crs=CRS, values="depth")
    (tmp_path / "c.tif").write_text("no raster at all")
    with pytest.raises(SeabedError, match="cannot be read as a raster"):
        read_surface(tmp_path / "c.tif", crs=CRS, values="depth")
    nothing = write_raster(tmp_path / "d.tif", np.full((3, 4), np.nan, dtype=np.float32))
    with pytest.raises(SeabedError, match="no data at all"):
        read_surface(nothing, crs=CRS, values="depth")
    place = write_raster(tmp_path / "e.tif", np.ones((3, 4), dtype=np.float32), transform=Affine.identity())
    with pytest.raises(SeabedError, match="where its cells lie"):
        read_surface(place, crs=CRS, values="depth")
    with pytest.raises(SeabedError, match="values must be elevation or depth"):
        read_surface(nothing, crs=CRS, values="height")


def test_world_raster_is_refused(tmp_path, write_raster):
    """No UTM zone can show the whole Earth: cut it first."""
    path = write_raster(
        tmp_path / "world.tif",
        np.full((18, 36), 30.0, dtype=np.float32),
        transform=from_origin(-180.0, 90.0, 10.0, 10.0),
        crs="EPSG:4326",
    )
    with pytest.raises(SeabedError, match="cut it to the project area"):
        read_surface(path, crs=CRS, values="depth")


def test_resampling_in_place_keeps_a_constant(write_raster):
    """A level seabed stays level to the bit under any rotation."""
    crs = pyproj.CRS(CRS)
    for angle in range(5, 360, 35):
        place = Affine.translation(WEST, NORTH) @ Affine.rotation(angle) @ Affine.scale(CELL, -CELL)
        array = np.full((20, 30), 77.25, dtype=np.float32)
        assert upright([array], place, CRS) is None or angle % 90 == 0
        _, (result,), _ = resampled([array], place, crs, crs, CRS, "here")
        assert set(np.unique(result[np.isfinite(result)])) == {np.float32(77.25)}
