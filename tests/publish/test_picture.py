"""Seabed pictures: the right colour at the right place, and colours that everybody can tell apart."""

from __future__ import annotations

import io
import itertools

import numpy as np
import pyproj
import pytest
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from corridor.model.grid import Grid
from corridor.model.seabed import Seabed, Surface
from corridor.publish import palette
from corridor.publish.lines import polyline
from corridor.publish.picture import coarsened, corridor_tiles, mercator, overview

from .synthetic import CRS, NORTH, WEST, make_alignment, make_seabed

# Simulation of full protanopia and deuteranopia in linear RGB: Machado, Oliveira and Fernandes 2009,
# IEEE Trans. Vis. Comput. Graph. 15 (matrices from memory).
SIGHT = {
    "full colour": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
}


def lab(colour: str, sight: str) -> np.ndarray:
    rgb = np.array(palette.rgb(colour)) / 255.0
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(SIGHT[sight] @ linear, 0.0, 1.0)
    return rgb2lab(np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055))


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize(
    "colours", [tuple(palette.VERDICT_COLOURS.values()), palette.SLOPE_COLOURS], ids=["verdicts", "slopes"]
)
def test_classes_stay_apart_for_colour_blind_eyes(sight: str, colours: tuple[str, ...]) -> None:
    # CIEDE2000 above 10 is plainly different side by side (common practice, no source).
    for one, other in itertools.combinations(colours, 2):
        assert deltaE_ciede2000(lab(one, sight), lab(other, sight)) > 10.0, (one, other)


@pytest.mark.parametrize("sight", SIGHT)
def test_routes_stay_apart_from_each_other_and_from_drawn_lines(sight: str) -> None:
    routes = (palette.ROUTE, *palette.OTHER_ROUTES)
    lines = (palette.RULE_COLOURS["cross"], palette.RULE_COLOURS["stay_within"])
    pairs = [*itertools.combinations(routes, 2), *itertools.product(routes, lines)]
    for one, other in pairs:
        assert deltaE_ciede2000(lab(one, sight), lab(other, sight)) > 10.0, (one, other)


@pytest.mark.parametrize("sight", SIGHT)
def test_the_depth_ramp_only_darkens(sight: str) -> None:
    lightness = [lab(colour, sight)[0] for colour in palette.DEPTH_RAMP]
    assert np.diff(lightness).max() < -5.0


@pytest.mark.parametrize("sight", SIGHT)
def test_the_line_stands_out_from_every_depth(sight: str) -> None:
    # On the map the line also has a white casing; its colour alone must do on light ground.
    for colour in palette.DEPTH_RAMP:
        own, casing = lab(palette.ROUTE, sight), lab("#ffffff", sight)
        ground = lab(colour, sight)
        assert max(deltaE_ciede2000(own, ground), deltaE_ciede2000(casing, ground)) > 20.0


def image(tile) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(tile.webp)).convert("RGBA"), dtype=float)


def pixel(tile, lon: float, lat: float) -> np.ndarray:
    """Colour of the picture at a position, the picture stretched over its corners in web mercator."""
    pixels = image(tile)
    (x0, x1), (y0, y1) = mercator(np.array([tile.west, tile.east]), np.array([tile.south, tile.north]))
    x, y = mercator(np.array(lon), np.array(lat))
    col = int((x - x0) / (x1 - x0) * pixels.shape[1])
    row = int((y1 - y) / (y1 - y0) * pixels.shape[0])
    return pixels[row, col]


def test_a_step_in_the_seabed_lies_where_it_should_on_the_picture() -> None:
    # Two flat halves: their edge, projected by PROJ, must fall between the two colours.
    depth = np.full((200, 200), 20.0, dtype=np.float32)
    depth[:, 100:] = 180.0
    seabed = Seabed((Surface("step.tif", Grid(200, 200, WEST, NORTH, 25.0, CRS), depth),), "LAT")
    tile, look, frame = overview(seabed)
    back = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    step = 2.0 * frame.ground_pixel_m
    for northing in (NORTH - 300.0, NORTH - 2500.0, NORTH - 4700.0):
        west = pixel(tile, *back.transform(WEST + 2500.0 - step - 25.0, northing))[:3]
        east = pixel(tile, *back.transform(WEST + 2500.0 + step + 25.0, northing))[:3]
        assert west.mean() > east.mean() + 60.0
        far = pixel(tile, *back.transform(WEST + 700.0, northing))[:3]
        want = palette.depth_rgb(np.array(20.0), look.shallow_m, look.deep_m)
        assert np.abs(far - want).max() < 12.0  # WebP is lossy


def test_holes_are_transparent() -> None:
    tile, _, _ = overview(make_seabed())
    back = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    assert pixel(tile, *back.transform(WEST + 300.0, NORTH - 200.0))[3] == 0.0
    assert pixel(tile, *back.transform(WEST + 3000.0, NORTH - 1500.0))[3] == 255.0


def test_tiles_follow_the_line_within_their_budget_and_touch() -> None:
    seabed, chain = make_seabed(), polyline(make_alignment())
    _, look, frame = overview(seabed)
    tiles = list(corridor_tiles(seabed, chain, look, frame, 2_000_000))
    assert 0 < len(tiles) * 256 * 256 <= 2_000_000
    for lon, lat in chain.degrees[:: max(len(chain) // 20, 1)]:
        assert any(t.west <= lon <= t.east and t.south <= lat <= t.north for t in tiles)
    edges = {round(tile.west, 9) for tile in tiles}
    assert all(round(tile.east, 9) in edges or tile.east > chain.longitude_deg.max() for tile in tiles)
    finer = (tiles[0].east - tiles[0].west) / 256
    assert finer < (overview(seabed)[0].east - overview(seabed)[0].west) / frame.cols


def test_block_means_keep_the_mean_and_the_holes() -> None:
    depth = np.arange(36.0, dtype=np.float32).reshape(6, 6)
    depth[:2, :2] = np.nan
    seabed = Seabed((Surface("s", Grid(6, 6, 0.0, 60.0, 10.0, CRS), depth),), "LAT")
    (coarse,) = coarsened(seabed, 20.0).surfaces
    assert coarse.grid.cell_m == 20.0 and np.isnan(coarse.depth_m[0, 0])
    assert coarse.depth_m[2, 2] == pytest.approx(depth[4:, 4:].mean())
