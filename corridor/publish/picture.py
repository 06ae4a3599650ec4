"""The seabed as pictures for the map: depth colours with hillshade, in web mercator, WebP.

One overview of all surfaces, and along the line tiles as fine as the budget
allows, so that a long line stays sharp without a picture of the whole ocean.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from corridor.model.grid import Grid
from corridor.model.seabed import Seabed, Surface
from corridor.publish.lines import Polyline
from corridor.publish.palette import depth_rgb
from corridor.routing.geodesy import from_wgs84, to_wgs84
from corridor.terrain.sampling import depth_at

EARTH_M = 6378137.0
"""Radius of the sphere of web mercator (EPSG:3857), m."""

TILE = 256
_CONTROL = 32  # target pixels between exactly projected positions; the rest is interpolated
_QUALITY = 80
_SUN_AZIMUTH_DEG, _SUN_HEIGHT_DEG = 315.0, 45.0


@dataclass(frozen=True, slots=True)
class Tile:
    """A picture and its corners in degrees; longitudes may pass 180 so that neighbours touch."""

    south: float
    west: float
    north: float
    east: float
    webp: bytes


@dataclass(frozen=True, slots=True)
class Look:
    """How depth becomes colour: the same for all tiles of a map."""

    shallow_m: float
    deep_m: float
    relief: float


@dataclass(frozen=True, slots=True)
class Frame:
    """Pixels on the mercator plane: top left corner and pixel size, mercator metres."""

    west: float
    north: float
    pixel: float
    rows: int
    cols: int

    @property
    def middle_latitude_deg(self) -> float:
        """Latitude of the frame's middle row."""
        return float(_latitude(self.north - self.rows * self.pixel / 2.0))

    @property
    def ground_pixel_m(self) -> float:
        """Size of a pixel on the ground at the middle row, m (mercator stretches by 1/cos(lat))."""
        return self.pixel * math.cos(math.radians(self.middle_latitude_deg))


def overview(seabed: Seabed, most_pixels: int = 1_100_000) -> tuple[Tile, Look, Frame]:
    """One picture of the whole seabed, no finer than its coarsest need, within a pixel budget."""
    frame = _frame_around(seabed, most_pixels)
    depth = _depth_on(seabed, frame)
    look = look_of(depth[1:-1, 1:-1], frame)
    return _tile(depth, frame, look), look, frame


def corridor_tiles(
    seabed: Seabed, line: Polyline, look: Look, base: Frame, most_pixels: int, margin: int = 96
) -> Iterator[Tile]:
    """Tiles around `line`, as fine as the finest surface or the budget of pixels allows.

    Parameters
    ----------
    base : Frame
        The overview's; tiles are only made where they are finer than it.
    margin : int
        Pixels kept on either side of the line.
    """
    x, y = mercator(_near(line.longitude_deg, base), line.latitude_deg)
    stretch = base.pixel / base.ground_pixel_m
    pixel = seabed.finest_cell_m * stretch
    for _ in range(60):
        wanted = _tiles_along((x - base.west) / pixel, (base.north - y) / pixel, margin)
        if len(wanted) * TILE * TILE <= most_pixels:
            break
        pixel *= 1.2
    if pixel > 0.8 * base.pixel:
        return
    coarse = coarsened(seabed, pixel / stretch)
    for row, col in sorted(wanted):
        frame = Frame(base.west + col * TILE * pixel, base.north - row * TILE * pixel, pixel, TILE, TILE)
        depth = _depth_on(coarse, frame)
        if np.isfinite(depth[1:-1, 1:-1]).any():
            yield _tile(depth, frame, look)


def look_of(depth_m: NDArray, frame: Frame) -> Look:
    """Colour range from the 1st and 99th percentile of depth, relief so that slopes read."""
    known = depth_m[np.isfinite(depth_m)]
    if not known.size:
        return Look(0.0, 1.0, 1.0)
    low, high = np.percentile(known, [1.0, 99.0])
    if low >= 0.0 or high > 0.0:
        low = max(low, 0.0)
    step = 10.0 ** math.floor(math.log10(max(high - low, 1e-3))) / 2.0
    slope = np.hypot(
        *np.gradient(np.where(np.isfinite(depth_m), depth_m, np.nanmean(known)), frame.ground_pixel_m)
    )
    steep = max(float(np.percentile(slope, 95.0)), 1e-6)
    relief = next((r for r in (20.0, 10.0, 5.0, 3.0, 2.0) if r * steep <= 0.7), 1.0)
    return Look(math.floor(low / step) * step, math.ceil(high / step) * step, relief)


def mercator(longitude_deg: NDArray, latitude_deg: NDArray) -> tuple[NDArray, NDArray]:
    """Degrees -> web mercator x, y, m (EPSG Guidance Note 7-2, method 1024, spherical)."""
    x = EARTH_M * np.radians(longitude_deg)
    y = EARTH_M * np.arctanh(np.sin(np.radians(np.clip(latitude_deg, -85.0, 85.0))))
    return x, y


def coarsened(seabed: Seabed, pixel_m: float) -> Seabed:
    """Surfaces averaged over blocks of whole cells, so that pixels larger than cells do not flicker."""
    return Seabed(tuple(_block_mean(surface, pixel_m) for surface in seabed.surfaces), seabed.vertical_datum)


def _block_mean(surface: Surface, pixel_m: float) -> Surface:
    grid = surface.grid
    times = int(pixel_m / grid.cell_m)
    rows, cols = grid.rows // max(times, 1), grid.cols // max(times, 1)
    if times < 2 or min(rows, cols) < 2:
        return surface
    blocks = surface.depth_m[: rows * times, : cols * times].reshape(rows, times, cols, times)
    known = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nansum(blocks, axis=(1, 3), dtype=float)
    mean = np.where(known * 2 >= times * times, total / np.maximum(known, 1), np.nan).astype(np.float32)
    larger = Grid(rows, cols, grid.west_m, grid.north_m, grid.cell_m * times, grid.crs)
    return replace(surface, grid=larger, depth_m=mean, uncertainty=None)


def window_of(seabed: Seabed) -> tuple[float, float, float, float]:
    """(south, west, north, east) in degrees around the seabed; longitudes without a jump."""
    west, south, east, north = seabed.bounds_m
    edge = np.linspace(0.0, 1.0, 33)
    low, high = np.zeros(33), np.ones(33)
    easting = west + np.concatenate([edge, edge, low, high]) * (east - west)
    northing = south + np.concatenate([low, high, edge, edge]) * (north - south)
    lon, lat = to_wgs84(seabed.crs, easting, northing)
    lon = _unwrapped(lon, float(lon[0]))
    return float(lat.min()), float(lon.min()), float(lat.max()), float(lon.max())


def _frame_around(seabed: Seabed, most_pixels: int) -> Frame:
    south, west, north, east = window_of(seabed)
    x, y = mercator(np.array([west, east]), np.array([south, north]))
    width, height = float(np.ptp(x)), float(np.ptp(y))
    stretch = 1.0 / math.cos(math.radians((south + north) / 2.0))
    finest = min(surface.grid.cell_m for surface in _widest(seabed))
    pixel = max(finest * stretch, math.sqrt(width * height / most_pixels))
    rows, cols = max(1, math.ceil(height / pixel)), max(1, math.ceil(width / pixel))
    return Frame(float(x[0]), float(y[1]), pixel, rows, cols)


def _widest(seabed: Seabed) -> list[Surface]:
    """Surfaces that cover more than a quarter of the whole: their cell size suits the overview."""
    west, south, east, north = seabed.bounds_m
    whole = (east - west) * (north - south)
    wide = [s for s in seabed.surfaces if s.grid.rows * s.grid.cols * s.grid.cell_m**2 > 0.25 * whole]
    return wide or list(seabed.surfaces)


def _depth_on(seabed: Seabed, frame: Frame) -> NDArray[np.float64]:
    """Depth at the pixel centres and one pixel around them, (rows + 2, cols + 2)."""
    coarse = coarsened(seabed, frame.ground_pixel_m)
    rows = np.arange(-1, frame.rows + 1) + 0.5
    cols = np.arange(-1, frame.cols + 1) + 0.5
    control_rows = _controls(rows)
    control_cols = _controls(cols)
    x, y = np.meshgrid(frame.west + control_cols * frame.pixel, frame.north - control_rows * frame.pixel)
    lon, lat = np.degrees(x / EARTH_M), _latitude(y)
    easting, northing = from_wgs84(seabed.crs, _unwrapped(lon, 0.0), lat)
    place = [_interpolated(values, control_rows, control_cols, rows, cols) for values in (easting, northing)]
    return depth_at(coarse, *place)[0]


def _controls(at: NDArray) -> NDArray[np.float64]:
    return np.linspace(at[0], at[-1], max(2, math.ceil(len(at) / _CONTROL) + 1))


def _interpolated(
    values: NDArray, rows: NDArray, cols: NDArray, to_rows: NDArray, to_cols: NDArray
) -> NDArray:
    """Bilinear between control positions: off by metres x 1e-6 at 32 pixels of 100 m."""
    across = np.stack([np.interp(to_cols, cols, row) for row in values])
    share = np.interp(to_rows, rows, np.arange(len(rows)))
    low = np.minimum(share.astype(int), len(rows) - 2)
    part = (share - low)[:, None]
    return across[low] * (1.0 - part) + across[low + 1] * part


def _tile(depth: NDArray, frame: Frame, look: Look) -> Tile:
    inner = depth[1:-1, 1:-1]
    known = np.isfinite(inner)
    colour = depth_rgb(np.where(known, inner, look.deep_m), look.shallow_m, look.deep_m)
    colour *= shade(depth, frame.ground_pixel_m, look.relief)[..., None]
    pixels = np.clip(colour, 0.0, 255.0).astype(np.uint8)
    if not known.all():
        pixels = np.dstack([pixels, np.where(known, 255, 0).astype(np.uint8)])
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "WEBP", quality=_QUALITY, method=4)
    x = np.degrees(np.array([frame.west, frame.west + frame.cols * frame.pixel]) / EARTH_M)
    south = _latitude(frame.north - frame.rows * frame.pixel)
    return Tile(float(south), float(x[0]), float(_latitude(frame.north)), float(x[1]), buffer.getvalue())


def shade(depth: NDArray, pixel_m: float, relief: float) -> NDArray[np.float64]:
    """Brightness 0.5 .. 1.15 of the inner cells: 1 on level ground, holes are level.

    Lambert's cosine law on the gradient by central differences.
    """
    with np.errstate(invalid="ignore"):
        east = -(depth[1:-1, 2:] - depth[1:-1, :-2]) * relief / (2.0 * pixel_m)
        north = -(depth[:-2, 1:-1] - depth[2:, 1:-1]) * relief / (2.0 * pixel_m)
    east, north = np.nan_to_num(east), np.nan_to_num(north)
    azimuth, height = math.radians(_SUN_AZIMUTH_DEG), math.radians(_SUN_HEIGHT_DEG)
    to_sun = math.cos(height) * (math.sin(azimuth) * -east + math.cos(azimuth) * -north) + math.sin(height)
    light = to_sun / np.sqrt(1.0 + east**2 + north**2) / math.sin(height)
    return np.clip(0.35 + 0.65 * light, 0.5, 1.15)


def _tiles_along(u: NDArray, v: NDArray, margin: int) -> set[tuple[int, int]]:
    """(row, col) of the tiles that a line in pixels, widened by `margin`, touches."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(u), np.diff(v)))])
    at = np.linspace(0.0, length[-1], max(2, math.ceil(length[-1] / (TILE / 4))))
    u, v = np.interp(at, length, u), np.interp(at, length, v)
    found: set[tuple[int, int]] = set()
    for du in (-margin, 0, margin):
        for dv in (-margin, 0, margin):
            rows = np.floor((v + dv) / TILE).astype(int)
            cols = np.floor((u + du) / TILE).astype(int)
            found.update(zip(rows.tolist(), cols.tolist(), strict=True))
    return found


def _near(longitude_deg: NDArray, base: Frame) -> NDArray[np.float64]:
    return _unwrapped(longitude_deg, math.degrees((base.west + base.cols * base.pixel / 2.0) / EARTH_M))


def _unwrapped(longitude_deg: NDArray, reference_deg: float) -> NDArray[np.float64]:
    """Longitudes within half a turn of a reference."""
    return reference_deg + (np.asarray(longitude_deg) - reference_deg + 180.0) % 360.0 - 180.0


def _latitude(y: NDArray | float) -> NDArray | float:
    return np.degrees(np.arctan(np.sinh(np.asarray(y) / EARTH_M)))
