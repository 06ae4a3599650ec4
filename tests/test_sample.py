"""The sample: the same files every time, and ground that makes the job real.

The sample is our own fiction, so nothing outside the project can vouch for its
values. What can be checked from outside: the noise against scipy's B-splines,
what the files hold through rasterio and geopandas, connectivity with
scipy.ndimage, distances and angles with shapely.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from geopandas.testing import assert_geodataframe_equal
from scipy import ndimage
from scipy.interpolate import BSpline
from shapely.ops import unary_union

import corridor
from corridor.errors import InputError
from corridor.model.grid import Grid
from corridor.sample import layout, obstructions, surveys, write_sample
from corridor.sample import write as writer
from corridor.sample.noise import hash_unit, noise
from corridor.sample.terrain import elevation_m, mean_elevation_m, pockmarks

from .once import once

COMMITTED = Path(__file__).parents[1] / "sample_gis"
PROJECT = tomllib.loads((COMMITTED / "project.toml").read_text(encoding="utf-8"))
ROUTE = PROJECT["route"]
START = np.array([ROUTE["start"]["easting"], ROUTE["start"]["northing"]])
END = np.array([ROUTE["end"]["easting"], ROUTE["end"]["northing"]])
STRAIGHT = shapely.LineString([START, END])

# A line drawn by hand (and nudged on the 20 m ground) that obeys every rule: points in km on
# the sheet, all bends at the least radius. It proves that the sample can be solved.
BY_HAND_KM = (
    (2.0, 3.0),
    (2.632, 3.230),
    (6.491, 5.746),
    (9.922, 7.226),
    (14.269, 9.994),
    (18.698, 10.500),
    (22.877, 10.350),
    (27.034, 11.022),
    (31.5, 12.5),
)


def layer(name: str) -> tuple[dict, gpd.GeoDataFrame]:
    """A [[layer]] table of the committed project and its features in the project's CRS."""
    table = next(entry for entry in PROJECT["layer"] if entry["name"] == name)
    frame = gpd.read_file(COMMITTED / table["file"], layer=table.get("table"), where=table.get("where"))
    return table, frame.to_crs(PROJECT["project"]["crs"])


def standoffs(table: dict, frame: gpd.GeoDataFrame) -> np.ndarray:
    """Standoff with position uncertainty and lay tolerance, m, per feature."""
    total = np.full(len(frame), float(ROUTE["lay_tolerance_m"]))
    for key in ("standoff_m", "position_uncertainty_m"):
        value = table.get(key, 0.0)
        total = total + (frame[value].to_numpy(float) if isinstance(value, str) else value)
    return total


def along_line(points: np.ndarray, radius_m: float, step_m: float) -> tuple[np.ndarray, np.ndarray, list]:
    """Densify straights and arcs: positions (n, 2), tangents (n, 2), straights (length, line)."""
    legs = np.diff(points, axis=0)
    length = np.hypot(*legs.T)
    unit = legs / length[:, None]
    cross = unit[:-1, 0] * unit[1:, 1] - unit[:-1, 1] * unit[1:, 0]
    turn = np.arctan2(cross, (unit[:-1] * unit[1:]).sum(axis=1))
    tangent = np.concatenate([[0.0], radius_m * np.tan(np.abs(turn) / 2), [0.0]])
    places, directions, straights = [], [], []
    for i, leg in enumerate(unit):
        first, last = points[i] + tangent[i] * leg, points[i + 1] - tangent[i + 1] * leg
        straight = length[i] - tangent[i] - tangent[i + 1]
        straights.append((straight, shapely.LineString([first, last])))
        s = np.linspace(0.0, straight, max(2, int(straight / step_m) + 1))[:, None]
        places.append(first + s * leg)
        directions.append(np.repeat(leg[None, :], len(s), axis=0))
        if i < len(turn):
            angle = np.linspace(0.0, turn[i], max(2, int(radius_m * abs(turn[i]) / step_m) + 1))[:, None]
            side = np.sign(turn[i]) * np.array([-leg[1], leg[0]])
            places.append(last + radius_m * (np.sin(np.abs(angle)) * leg + (1 - np.cos(angle)) * side))
            directions.append(np.cos(angle) * leg + np.sin(np.abs(angle)) * side)
    return np.vstack(places), np.vstack(directions), straights


def slopes_deg(places: np.ndarray, tangents: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope along and across over the project's baseline, from the terrain function."""
    half = ROUTE["slope_baseline_m"] / 2
    normals = np.column_stack([tangents[:, 1], -tangents[:, 0]])
    rises = [
        elevation_m(*(places + half * way).T) - elevation_m(*(places - half * way).T)
        for way in (tangents, normals)
    ]
    return tuple(np.degrees(np.arctan(rise / (2 * half))) for rise in rises)


def crossing_angles(line: shapely.LineString, asset: shapely.LineString) -> list[float]:
    """Angles (degrees, 0 to 90) at which `line` crosses `asset`, for vertices kept as drawn."""
    angles = []
    for a, b in zip(asset.coords[:-1], asset.coords[1:], strict=True):
        for c, d in zip(line.coords[:-1], line.coords[1:], strict=True):
            if shapely.LineString([a, b]).intersects(shapely.LineString([c, d])):
                u, v = np.subtract(b, a), np.subtract(d, c)
                sine = abs(u[0] * v[1] - u[1] * v[0]) / (np.hypot(*u) * np.hypot(*v))
                angles.append(float(np.degrees(np.arcsin(sine))))
    return angles


# --- the same files every time -----------------------------------------------------------------


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    def write(folder: Path) -> None:
        written = write_sample(folder)
        assert {file.name for file in written} == {file.name for file in folder.iterdir()}

    return once(tmp_path_factory, "sample", write)


def test_committed_folder_holds_exactly_what_is_written(fresh: Path):
    # What the README's commands write beside the sample is theirs.
    written = (".", "out", "survey-", "project-")
    committed = {file.name for file in COMMITTED.iterdir() if not file.name.startswith(written)}
    assert committed == {file.name for file in fresh.iterdir()}
    assert (COMMITTED / "project.toml").read_bytes() == (fresh / "project.toml").read_bytes()


def test_committed_rasters_equal_the_written_ones(fresh: Path):
    names = sorted(file.name for file in fresh.glob("*.tif"))
    assert len(names) == layout.STRIP_BLOCKS + 1
    for name in names:
        with rasterio.open(COMMITTED / name) as ours, rasterio.open(fresh / name) as theirs:
            assert ours.profile == theirs.profile, name
            assert ours.tags()["note"] == theirs.tags()["note"], name
            np.testing.assert_array_equal(ours.read(1), theirs.read(1), err_msg=name)


def test_committed_layers_equal_the_written_ones(fresh: Path):
    tables = gpd.list_layers(fresh / "obstructions.gpkg")["name"].tolist()
    assert gpd.list_layers(COMMITTED / "obstructions.gpkg")["name"].tolist() == tables
    pairs = [("obstructions.gpkg", table) for table in tables]
    pairs += [(name, None) for name in ("protected_reef.geojson", "new_wreck.geojson", "platform_zone.shp")]
    for name, table in pairs:
        ours = gpd.read_file(COMMITTED / name, layer=table)
        theirs = gpd.read_file(fresh / name, layer=table)
        assert_geodataframe_equal(ours, theirs)


def test_layers_have_the_same_bytes_on_every_run(tmp_path: Path):
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        folder.mkdir()
        writer._write_layers(folder)
    files = sorted(file.name for file in folders[0].iterdir())
    assert "obstructions.gpkg" in files and "platform_zone.dbf" in files
    for name in files:
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes(), name


def test_sizes_leave_room_for_a_later_survey():
    sizes = [file.stat().st_size for file in COMMITTED.iterdir() if file.is_file()]
    assert sum(sizes) < 11e6
    assert max(sizes) < 4.5e6


def test_existing_files_are_replaced_only_when_asked(tmp_path: Path):
    (tmp_path / "project.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"would replace project\.toml"):
        write_sample(tmp_path)
    assert (tmp_path / "project.toml").read_text(encoding="utf-8") == "mine"
    with pytest.raises(InputError, match="is a file"):
        write_sample(tmp_path / "project.toml")


# --- the ground --------------------------------------------------------------------------------


def test_hash_equals_the_same_arithmetic_in_python_integers():
    def reference(i: int, j: int, seed: int) -> float:
        full = 2**32
        h = (i % full) * 0x9E3779B1 % full
        h ^= ((j % full) * 0x85EBCA77 + seed * 0x27D4EB2F) % full
        for shift, factor in ((15, 0x2C1B3C6D), (12, 0x297A2D39), (15, 0xA3D8F5B1)):
            h = (h ^ (h >> shift)) * factor % full
        return (h ^ (h >> 16)) / full

    for i, j, seed in ((0, 0, 0), (1, 2, 3), (-5, 7, 11), (412345, -8261000, 161)):
        assert hash_unit(i, j, seed)[0] == reference(i, j, seed)


def test_noise_equals_scipys_tensor_product_spline():
    # scipy.interpolate.BSpline with uniform knots is the outside reference.
    spacing, seed = 50.0, 7
    easting, northing = np.linspace(400_010, 400_390, 23), np.linspace(8_258_015, 8_258_380, 19)

    def basis(position: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        first = int(np.floor(position.min() / spacing)) - 1
        last = int(np.floor(position.max() / spacing)) + 2
        index = np.arange(first, last + 1)
        knots = np.arange(first - 2, last + 3).astype(float)
        return index, BSpline.design_matrix(position / spacing, knots, 3).toarray()

    i, across = basis(easting)
    j, down = basis(northing)
    lattice = 2 * hash_unit(i[None, :], j[:, None], seed) - 1
    expected = down @ lattice @ across.T
    np.testing.assert_allclose(
        noise(easting[None, :], northing[:, None], spacing, seed), expected, atol=1e-12
    )
    x, y = np.meshgrid(easting, northing)
    np.testing.assert_allclose(noise(x, y, spacing, seed), expected, atol=1e-12)


def test_ground_is_one_function_whether_asked_by_grid_or_by_points():
    west, north = layout.at(13.6, 10.6)
    grid = Grid(60, 70, float(west), float(north), 20.0, layout.CRS)
    points = elevation_m(*np.meshgrid(*grid.centres()))
    np.testing.assert_allclose(mean_elevation_m(grid), points, atol=1e-9)
    centre = elevation_m(west + 690, north - 410)[0]
    assert mean_elevation_m(grid)[20, 34] == pytest.approx(centre, abs=1e-9)


def test_regional_survey_is_the_block_mean_of_the_fine_one():
    with rasterio.open(COMMITTED / "seabed_regional.tif") as raster:
        regional, origin = raster.read(1, masked=True).filled(np.nan), raster.transform
    for number in (2, 4, 6):
        with rasterio.open(COMMITTED / layout.block_file(number)) as raster:
            fine, place = raster.read(1, masked=True).filled(np.nan), raster.transform
        rows, cols = fine.shape[0] // 10, fine.shape[1] // 10
        mean = fine.reshape(rows, 10, cols, 10).mean(axis=(1, 3))  # NaN unless the block is full
        r, c = round((origin.f - place.f) / 20), round((place.c - origin.c) / 20)
        difference = np.abs(mean - regional[r : r + rows, c : c + cols])
        assert np.isfinite(difference).sum() > 5_000
        assert np.nanmax(difference) < 0.12
        assert np.nanmedian(difference) < 0.006


def test_depths_at_the_ends():
    assert 13 < -elevation_m(*START)[0] < 17
    assert 350 < -elevation_m(*END)[0] < 400


def test_escarpment_is_crossed_only_at_its_passes():
    # A cell steeper than both limits together can be crossed by no heading:
    # |g|^2 = (g.t)^2 + (g.n)^2 <= tan^2(along) + tan^2(across). Connectivity: scipy.ndimage.label.
    with rasterio.open(COMMITTED / "seabed_regional.tif") as raster:
        ground = raster.read(1, masked=True).filled(np.nan)
    south, east = np.gradient(ground, 20.0)
    limit = np.hypot(*np.tan(np.radians([ROUTE["max_slope_along_deg"], ROUTE["max_slope_across_deg"]])))
    open_ground = np.hypot(south, east) <= limit

    def connected(mask: np.ndarray) -> bool:
        label, _ = ndimage.label(mask, structure=np.ones((3, 3)))
        west = label[label.shape[0] // 2, label.shape[1] // 4]
        return west == label[label.shape[0] // 2, 3 * label.shape[1] // 4] != 0

    assert connected(open_ground)
    northing_km = (np.arange(ground.shape[0])[::-1] + 0.5)[:, None] * 0.02
    easting_km = (np.arange(ground.shape[1]) + 0.5)[None, :] * 0.02
    beside = (easting_km > 12.4) & (easting_km < 19.0)
    passes = [(np.abs(northing_km - centre) < half + 1.3) & beside for centre, half in layout.PASSES_KM]
    for keep in range(len(passes)):  # each pass alone is a way through
        others = np.any([window for k, window in enumerate(passes) if k != keep], axis=0)
        assert connected(open_ground & ~others), layout.PASSES_KM[keep]
    assert not connected(open_ground & ~np.any(passes, axis=0))


def test_pockmarks_are_of_the_stated_size():
    pits = pockmarks()
    assert len(pits) > 300
    assert pits[:, 2].min() >= 10 and pits[:, 2].max() <= 40
    assert pits[:, 3].min() >= 2 and pits[:, 3].max() <= 6


# --- the job -----------------------------------------------------------------------------------


def test_straight_line_enters_zones_and_standoffs():
    for name in ("protected reef", "wrecks"):
        table, frame = layer(name)
        assert (frame.distance(STRAIGHT).to_numpy() < standoffs(table, frame)).any(), name


def test_straight_line_leaves_the_approved_corridor():
    _, frame = layer("approved corridor")
    assert frame.geometry[0].covers(shapely.Point(START)) and frame.geometry[0].covers(shapely.Point(END))
    assert STRAIGHT.difference(frame.geometry[0]).length > 3_000


def test_straight_line_is_too_steep_at_the_escarpment():
    places, tangents, _ = along_line(np.array([START, END]), 1.0, 10.0)
    along, _ = slopes_deg(places, tangents)
    assert np.abs(along).max() > ROUTE["max_slope_along_deg"] + 2


def test_straight_line_meets_a_cable_at_too_small_an_angle():
    table, frame = layer("cables")
    angles = [angle for cable in frame.geometry for angle in crossing_angles(STRAIGHT, cable)]
    assert min(angles) < 20 < table["min_angle_deg"]


@pytest.fixture(scope="module")
def by_hand() -> tuple[np.ndarray, np.ndarray, list]:
    points = np.column_stack(layout.at(*np.array(BY_HAND_KM).T))
    return along_line(points, ROUTE["min_bend_radius_m"], 2.0)


def test_a_line_by_hand_keeps_its_straights_slopes_and_depths(by_hand):
    places, tangents, straights = by_hand
    bearing = np.degrees(np.arctan2(tangents[0, 0], tangents[0, 1]))
    assert abs(bearing - ROUTE["start"]["bearing_deg"]) < 0.2
    assert min(straights[0][0], straights[-1][0]) > ROUTE["end_straight_m"] - 5
    assert min(length for length, _ in straights[1:-1]) > ROUTE["min_straight_m"]
    along, across = slopes_deg(places, tangents)
    assert np.abs(along).max() < 0.9 * ROUTE["max_slope_along_deg"]
    assert np.abs(across).max() < 0.9 * ROUTE["max_slope_across_deg"]
    depth = -elevation_m(*places.T)
    assert ROUTE["depth_range_m"][0] < depth.min() and depth.max() < ROUTE["depth_range_m"][1]
    assert 30_000 < np.hypot(*np.diff(places, axis=0).T).sum() < 40_000


def test_a_line_by_hand_keeps_every_standoff(by_hand):
    line = shapely.LineString(by_hand[0])
    kept = 0
    for entry in PROJECT["layer"]:
        if entry["rule"] == "avoid" and entry["name"] not in ROUTE["tie_in_layers"]:
            table, frame = layer(entry["name"])
            assert (frame.distance(line).to_numpy() >= standoffs(table, frame) - 0.5).all(), entry["name"]
            kept += len(frame)
    assert kept > 100
    _, corridor = layer("approved corridor")
    assert corridor.geometry[0].buffer(-ROUTE["lay_tolerance_m"]).covers(line)
    _, zone = layer("platform zone")
    inside = line.intersection(zone.geometry[0])
    assert (
        line.project(shapely.Point(END)) - line.project(shapely.Point(inside.coords[0]))
        < ROUTE["tie_in_length_m"]
    )


def test_a_line_by_hand_crosses_a_pipeline_and_two_cables_fairly(by_hand):
    straights = [straight for _, straight in by_hand[2]]
    for name, least in (("pipelines", 1), ("cables", 2)):
        table, frame = layer(name)
        margin = table["straight_each_side_m"]
        crossed = 0
        for asset in frame.geometry:
            assert shapely.LineString(by_hand[0]).intersects(asset) == shapely.MultiLineString(
                straights
            ).intersects(asset)
            for straight in straights:
                for angle in crossing_angles(straight, asset):
                    at = straight.project(straight.intersection(asset))
                    assert angle >= table["min_angle_deg"]
                    assert margin <= at <= straight.length - margin
                    crossed += 1
        assert crossed >= least, name


def test_the_approved_line_keeps_every_rule_until_the_new_wreck():
    """The wreck lies two thirds along it; without it every rule is kept (the assessment's own checks)."""
    project = corridor.read_project(COMMITTED / "project.toml")
    approved = corridor.read_alignment(COMMITTED / "approved_line.csv", project.crs)
    assert corridor.assess_line(replace(project, pipe=None), approved).assessment.ok
    line = shapely.LineString(corridor.densify(approved))
    wreck = gpd.read_file(COMMITTED / "new_wreck.geojson").to_crs(PROJECT["project"]["crs"])
    assert wreck.geometry[0].distance(line) < wreck["standoff_m"][0] / 3
    assert 0.6 < line.project(wreck.geometry[0]) / line.length < 0.73


def test_fine_survey_covers_the_line_by_hand(by_hand):
    strip = unary_union([surveys.strip_block(k + 1) for k in range(layout.STRIP_BLOCKS)])
    assert strip.geom_type == "Polygon" and not strip.interiors
    assert strip.covers(shapely.LineString(by_hand[0]).buffer(250, cap_style="flat"))


# --- the files ---------------------------------------------------------------------------------


def test_everything_says_that_it_is_invented():
    for raster_file in COMMITTED.glob("*.tif"):
        with rasterio.open(raster_file) as raster:
            assert "Invented" in raster.tags()["note"]
    assert "invented" in PROJECT["project"]["name"]
    assert "Fiction" in (COMMITTED / "project.toml").read_text(encoding="utf-8")[:300]
    files = [(COMMITTED / "new_wreck.geojson", None)]
    files += [(COMMITTED / entry["file"], entry.get("table")) for entry in PROJECT["layer"]]
    for file, table in files:
        frame = gpd.read_file(file, layer=table)
        assert (frame["note"] == "invented").all()
        assert frame["name"].str.endswith("(invented)").all()


def test_project_names_only_what_is_there():
    assert PROJECT["seabed"][-1]["file"] == "seabed_regional.tif"
    for entry in PROJECT["seabed"]:
        with rasterio.open(COMMITTED / entry["file"]) as raster:
            assert raster.crs.to_epsg() == 32740 and raster.dtypes == ("float32",)
            values = raster.read(1, masked=True)
            assert values.mask.any() and values.min() < -10
    for entry in PROJECT["layer"]:
        _, frame = layer(entry["name"])
        assert len(frame) and frame.is_valid.all()
        for key in ("standoff_m", "position_uncertainty_m"):
            if isinstance(entry.get(key), str):
                assert (frame[entry[key]] >= 0).all()
    assert set(ROUTE["tie_in_layers"]) <= {entry["name"] for entry in PROJECT["layer"]}


def test_layers_come_in_three_formats_and_two_systems():
    suffixes = {Path(entry["file"]).suffix for entry in PROJECT["layer"]}
    assert suffixes == {".gpkg", ".geojson", ".shp"}
    assert gpd.read_file(COMMITTED / "protected_reef.geojson").crs.to_epsg() == 4326
    _, zone = layer("platform zone")
    # UNCLOS article 60: up to 500 m from the outer edge (read in an article).
    assert zone.geometry[0].covers(shapely.Point(END))
    assert zone.geometry[0].area == pytest.approx(np.pi * 500**2, rel=1e-3)
    _, all_lines = layer("pipelines")
    assert len(gpd.read_file(COMMITTED / "obstructions.gpkg", layer="pipelines")) == len(all_lines) + 1


def test_layer_functions_give_what_the_files_hold():
    held = gpd.read_file(COMMITTED / "obstructions.gpkg", layer="pockmarks")
    assert_geodataframe_equal(obstructions.pockmarks(), held, check_dtype=False)
