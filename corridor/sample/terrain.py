"""The sample's seabed: elevation as a pure function of position.

Every landform is a function of easting and northing (m, broadcastable: a
grid's (1, cols) and (rows, 1), or points) that returns metres. Their sum is
the ground; the two surveys of the sample are the same ground at 20 m and 2 m.
Invented, but sized like the real thing.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from corridor.model.grid import Grid
from corridor.sample import layout
from corridor.sample.noise import hash_unit, noise, smoothstep

Array = NDArray[np.float64]

# Offshore distance (km) and depth (m): the shelf, and the basin below the escarpment.
_SHELF = PchipInterpolator(
    [-9, -1, 0.7, 2.0, 2.75, 4.5, 8.0, 13.0, 18.0, 48.0], [-60, -12, -1.5, 12, 17, 24, 38, 57, 77, 140]
)
_BASIN = PchipInterpolator(
    [-9, 16.0, 19.0, 23.0, 28.0, 32.0, 36.0, 48.0], [190, 199, 208, 252, 312, 352, 378, 420]
)


def elevation_m(easting_m: Array, northing_m: Array) -> Array:
    """Elevation of the ground, m, negative below water (chart datum).

    Parameters
    ----------
    easting_m, northing_m : array, m, broadcastable

    Returns
    -------
    array of the broadcast shape
    """
    easting = np.atleast_1d(np.asarray(easting_m, dtype=float))
    northing = np.atleast_1d(np.asarray(northing_m, dtype=float))
    ground = _slopes(easting, northing)
    for landform in _LANDFORMS:
        ground = ground + landform(easting, northing)
    return ground


def _sheet_km(easting: Array, northing: Array) -> tuple[Array, Array]:
    return (easting - layout.CORNER_M[0]) / 1000.0, (northing - layout.CORNER_M[1]) / 1000.0


def _offshore_km(easting: Array, northing: Array) -> Array:
    x, y = _sheet_km(easting, northing)
    return x + layout.SWING * (y - 3.0) + 0.35 * noise(easting, northing, 4200.0, 11)


def _pass_share(easting: Array, northing: Array) -> Array:
    """1 on the axis of a pass, 0 where the escarpment stands at its full steepness."""
    _, y = _sheet_km(easting, northing)
    y = y + 0.9 * noise(easting, northing, 800.0, 13) + 0.3 * noise(easting, northing, 260.0, 14)
    shares = [smoothstep(half + 0.95, half, np.abs(y - centre)) for centre, half in layout.PASSES_KM]
    return np.maximum.reduce(shares)


def _scarp(easting: Array, northing: Array) -> tuple[Array, Array]:
    """How far down the escarpment a place lies (0 shelf, 1 basin), and the width of its face, m.

    The edge winds with northing alone, so that no bend of it can lessen the
    steepness of the face; the small unevenness is too short to open a way.
    """
    strike = np.full_like(northing, layout.CORNER_M[0])
    winding = 1900.0 * noise(strike, northing, 3100.0, 15) + 520.0 * noise(strike, northing, 1050.0, 16)
    share = _pass_share(easting, northing)
    uneven = 110.0 * noise(easting, northing, 420.0, 12)
    distance_m = 1000.0 * (_offshore_km(easting, northing) - layout.SCARP_KM) + winding + uneven
    width_m = 360.0 + 70.0 * noise(easting, northing, 700.0, 17) + 1340.0 * share
    return _ramp(distance_m / width_m + 0.5), width_m


def _ramp(t: Array) -> Array:
    """0 to 1 for t from 0 to 1, straight in the middle, rounded over a fifth at both ends."""
    edge = 0.2
    t = np.clip(t, 0.0, 1.0)
    start = np.clip(edge - t, 0.0, None)
    finish = np.clip(t - (1 - edge), 0.0, None)
    return (t - edge / 2 + start**2 / (2 * edge) - finish**2 / (2 * edge)) / (1 - edge)


def _slopes(easting: Array, northing: Array) -> Array:
    """Shelf, escarpment and basin."""
    offshore = _offshore_km(easting, northing)
    share, _ = _scarp(easting, northing)
    return -((1 - share) * _SHELF(offshore) + share * _BASIN(offshore))


def _swells(easting: Array, northing: Array) -> Array:
    """Long undulations, livelier in the basin."""
    share, _ = _scarp(easting, northing)
    basin = 0.40 + 0.60 * share
    return basin * (
        34.0 * noise(easting, northing, 4300.0, 24)
        + 18.0 * noise(easting, northing, 1900.0, 21)
        + 5.0 * noise(easting, northing, 800.0, 22)
        + 0.9 * noise(easting, northing, 320.0, 23)
    )


def _texture(easting: Array, northing: Array) -> Array:
    """What remains on the smoothest ground: centimetres."""
    return 0.05 * noise(easting, northing, 45.0, 31) + 0.03 * noise(easting, northing, 9.0, 32)


def _gullies(easting: Array, northing: Array) -> Array:
    """Runnels down the escarpment's face, ledges of hard beds on its ramps."""
    share, width_m = _scarp(easting, northing)
    face = 4 * share * (1 - share)
    if not face.any():
        return np.zeros(1)
    steep = smoothstep(900.0, 500.0, width_m)
    runnels = steep * 14.0 * noise(easting, northing, 170.0, 41)
    phase = share * 26.0 + 0.8 * noise(easting, northing, 400.0, 42)
    ledges = (
        (1 - steep)
        * 0.36
        * np.sin(2 * np.pi * phase)
        * smoothstep(-0.1, 0.35, noise(easting, northing, 260.0, 43))
    )
    return face * (runnels + ledges)


def _canyon(easting: Array, northing: Array) -> Array:
    """A canyon whose heads bite into the shelf's edge and which runs out as a channel."""
    x, y = _sheet_km(easting, northing)
    cut: Array = np.zeros(1)
    if x.max() < 12.5 or y.min() > 10.0:
        return cut
    x = x + 0.5 * noise(easting, northing, 1000.0, 51) + 0.12 * noise(easting, northing, 300.0, 53)
    y = y + 0.5 * noise(easting, northing, 1200.0, 52) + 0.12 * noise(easting, northing, 280.0, 54)
    for branch in layout.CANYONS:
        for a, b in zip(np.array(branch[:-1]), np.array(branch[1:]), strict=True):
            step = b[:2] - a[:2]
            t = np.clip(((x - a[0]) * step[0] + (y - a[1]) * step[1]) / (step @ step), 0.0, 1.0)
            distance = np.hypot(x - a[0] - t * step[0], y - a[1] - t * step[1])
            depth = a[2] + t * (b[2] - a[2])
            half = a[3] + t * (b[3] - a[3])
            cut = np.maximum(cut, depth * smoothstep(1.0, 0.12, distance / half))
    return -cut


def oval(easting: Array, northing: Array, patch: tuple[float, ...]) -> Array:
    """Cover by an uneven oval patch: 1 in its middle, falling to 0 at its edge.

    `patch` is x, y, half-length, half-width (km) and the long axis' bearing
    (degrees). Ground far from the patch gets a single 0, which costs nothing.
    """
    x, y = _sheet_km(easting, northing)
    cx, cy, long, wide, bearing = patch
    reach = 1.4 * max(long, wide)
    if x.max() < cx - reach or x.min() > cx + reach or y.max() < cy - reach or y.min() > cy + reach:
        return np.zeros(1)
    u = np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
    along = ((x - cx) * u[0] + (y - cy) * u[1]) / long
    across = ((x - cx) * u[1] - (y - cy) * u[0]) / wide
    rim = np.hypot(along, across) + 0.45 * noise(easting, northing, 260.0, 61)
    return smoothstep(1.0, 0.7, rim)


def _sand_waves(easting: Array, northing: Array) -> Array:
    """Sand waves 2-4 m high, some 250 m long, with megaripples on their backs."""
    field = oval(easting, northing, layout.SAND_WAVES)
    if not field.any():
        return field
    bearing = np.radians(layout.SAND_WAVES[4])
    u = easting * np.sin(bearing) + northing * np.cos(bearing)
    u = u + 150.0 * noise(easting, northing, 700.0, 71) + 22.0 * noise(easting, northing, 160.0, 72)
    height = 2.9 + 1.6 * noise(easting, northing, 1500.0, 73)
    phase = np.mod(u / 265.0, 1.0)
    # Gentle back over three quarters of the length, lee side over the rest.
    wave = np.where(phase < 0.74, smoothstep(0.0, 0.74, phase), smoothstep(1.0, 0.74, phase))
    ripples = 0.15 * np.sin(2 * np.pi * (u / 36.0 + 1.2 * noise(easting, northing, 120.0, 74)))
    ripples = ripples * smoothstep(0.0, 0.3, noise(easting, northing, 420.0, 75))
    return field * (height * (wave - 0.5) + ripples)


def _rock(easting: Array, northing: Array, seed: int) -> Array:
    """Rough hard ground of 1-3 m relief: ridges of beds and loose blocks."""
    beds = 1.0 - 2.4 * np.abs(noise(easting, northing, 52.0, seed))
    blocks = noise(easting, northing, 17.0, seed + 1)
    grain = noise(easting, northing, 6.5, seed + 2)
    return 2.0 * beds + 0.7 * blocks + 0.20 * grain


def _outcrops(easting: Array, northing: Array) -> Array:
    """Rock outcrops, and the reef: the largest and highest of them."""
    relief: Array = np.zeros(1)
    for index, patch in enumerate(layout.OUTCROPS):
        cover = oval(easting, northing, patch)
        if cover.any():
            cover = cover * smoothstep(-0.15, 0.25, noise(easting, northing, 110.0, 81 + index))
            relief = relief + cover * _rock(easting, northing, 101 + 3 * index)
    cover = oval(easting, northing, layout.REEF)
    if cover.any():
        relief = relief + cover * (
            4.0 + 2.2 * _rock(easting, northing, 90) + 4.0 * noise(easting, northing, 230.0, 93)
        )
    return relief


def _hummocks(easting: Array, northing: Array) -> Array:
    """Low hummocky ground in the basin: humps of decimetres, 60-120 m apart."""
    relief: Array = np.zeros(1)
    for index, patch in enumerate(layout.HUMMOCKS):
        cover = oval(easting, northing, patch)
        if cover.any():
            relief = relief + cover * 1.5 * noise(easting, northing, 34.0, 131 + index)
    return relief


def _scatter(spacing_m: float, seed: int, chance: Callable[[Array, Array], Array]) -> Array:
    """Places (n, 3): easting, northing, and a number in [0, 1), at most one per square of `spacing_m`."""
    west, south = layout.CORNER_M
    i = np.arange(int(west // spacing_m), int((west + layout.SIZE_M[0]) // spacing_m) + 1)[None, :]
    j = np.arange(int(south // spacing_m), int((south + layout.SIZE_M[1]) // spacing_m) + 1)[:, None]
    easting = (i + 0.15 + 0.7 * hash_unit(i, j, seed)) * spacing_m
    northing = (j + 0.15 + 0.7 * hash_unit(i, j, seed + 1)) * spacing_m
    kept = hash_unit(i, j, seed + 2) < chance(easting, northing)
    return np.column_stack([easting[kept], northing[kept], hash_unit(i, j, seed + 3)[kept]])


def _basin_chance(easting: Array, northing: Array) -> Array:
    share, _ = _scarp(easting, northing)
    return np.where(share > 0.999, 0.42 + 1.3 * noise(easting, northing, 1500.0, 141), 0.0)


def _rock_chance(easting: Array, northing: Array) -> Array:
    cover = [
        oval(easting, northing, patch) * np.ones_like(easting) for patch in (*layout.OUTCROPS, layout.REEF)
    ]
    return np.where(np.maximum.reduce(cover) > 0.2, 0.30, 0.002)


@cache
def pockmarks() -> Array:
    """Pockmarks in the basin's mud: rows of easting, northing, radius, depth (m)."""
    places = _scatter(430.0, 151, _basin_chance)
    size = places[:, 2] ** 1.5
    return np.column_stack([places[:, :2], 10.0 + 30.0 * size, 2.0 + 4.0 * size])


@cache
def boulders() -> Array:
    """Boulders on and near the rock: rows of easting, northing, radius, height (m)."""
    places = _scatter(120.0, 161, _rock_chance)
    size = places[:, 2] ** 2
    return np.column_stack([places[:, :2], 3.5 + 3.5 * size, 0.5 + 1.1 * size])


def _pockmarks(easting: Array, northing: Array) -> Array:
    return -_knolls(easting, northing, pockmarks())


def _boulders(easting: Array, northing: Array) -> Array:
    return _knolls(easting, northing, boulders())


def _wrecks(easting: Array, northing: Array) -> Array:
    """Known wrecks as the sonar sees them: mounds of three knolls in a row."""
    relief: Array = np.zeros(1)
    for index, (*_, x, y) in enumerate(layout.WRECKS):
        east, north = layout.at(x, y)
        turn = np.pi * index / len(layout.WRECKS)
        hull = [
            (east + k * 11.0 * np.sin(turn), north + k * 11.0 * np.cos(turn), 11.0, 2.6) for k in (-1, 0, 1)
        ]
        relief = relief + _knolls(easting, northing, np.array(hull))
    return relief


def _knolls(easting: Array, northing: Array, knolls: Array) -> Array:
    """Sum of round knolls with smooth rims: rows of easting, northing, radius, height (m)."""
    x, y, radius, _ = knolls.T
    near = (
        (x > easting.min() - radius)
        & (x < easting.max() + radius)
        & (y > northing.min() - radius)
        & (y < northing.max() + radius)
    )
    relief: Array = np.zeros(1)
    for x0, y0, r, height in knolls[near]:
        inside = np.clip(1 - ((easting - x0) ** 2 + (northing - y0) ** 2) / r**2, 0.0, None)
        relief = relief + height * inside**2
    return relief


_LANDFORMS = (
    _swells,
    _texture,
    _gullies,
    _canyon,
    _sand_waves,
    _outcrops,
    _hummocks,
    _pockmarks,
    _boulders,
    _wrecks,
)


def mean_elevation_m(grid: Grid, *, samples: int = 1, wanted: NDArray[np.bool_] | None = None) -> Array:
    """Mean elevation of each cell of a grid, tile by tile.

    Parameters
    ----------
    grid : Grid
    samples : int
        The mean is taken over `samples` x `samples` points spread over the cell.
    wanted : array (rows, cols) of bool, optional
        Cells to fill; the others are NaN.

    Returns
    -------
    array (rows, cols), m
    """
    easting, northing = grid.centres()
    inside = ((np.arange(samples) + 0.5) / samples - 0.5) * grid.cell_m
    mean = np.full(grid.shape, np.nan)
    tile = max(1, 200 // samples)
    for r in range(0, grid.rows, tile):
        for c in range(0, grid.cols, tile):
            part = np.s_[r : r + tile, c : c + tile]
            if wanted is not None and not wanted[part].any():
                continue
            across = (easting[c : c + tile, None] + inside).reshape(1, -1)
            down = (northing[r : r + tile, None] - inside).reshape(-1, 1)
            h, w = mean[part].shape
            mean[part] = elevation_m(across, down).reshape(h, samples, w, samples).mean(axis=(1, 3))
    return mean if wanted is None else np.where(wanted, mean, np.nan)
