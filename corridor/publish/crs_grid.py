"""The project CRS in the browser: positions projected exactly here, interpolated there.

The map cannot carry a projection library. It carries eastings and northings at
a lattice of longitudes and latitudes instead and interpolates them with cubics
(four by four neighbours, Lagrange). That serves every projection alike; the
lattice is refined until the error, measured against PROJ in the middle of the
cells, is small, and the error is stated on the page.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.publish.packing import packed_numbers
from corridor.routing.geodesy import from_wgs84

GOAL_M = 0.01


def crs_grid(crs: str, west: float, south: float, east: float, north: float) -> dict[str, Any]:
    """Lattice for a window in degrees (longitudes may pass 180).

    Returns
    -------
    dict with west, south, step_lon, step_lat, cols, rows, easting, northing (packed,
    row by row from the south, millimetres) and error_m, the largest error found.
    """
    size = 8
    while True:
        lattice = _lattice(crs, (west, south, east, north), size)
        error = _worst_m(crs, lattice)
        if error <= GOAL_M or size >= 128:
            break
        size *= 2
    lon, lat, easting, northing = lattice
    return {
        "west": float(lon[0]),
        "south": float(lat[0]),
        "step_lon": float(lon[1] - lon[0]),
        "step_lat": float(lat[1] - lat[0]),
        "cols": size,
        "rows": size,
        "easting": packed_numbers(easting.ravel(), 3, order=2),
        "northing": packed_numbers(northing.ravel(), 3, order=2),
        "error_m": round(float(error), 4),
    }


def _lattice(
    crs: str, window: tuple[float, float, float, float], size: int
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    lon = np.linspace(window[0], window[2], size)
    lat = np.linspace(window[1], window[3], size)
    easting, northing = _project(crs, *np.meshgrid(lon, lat))
    return lon, lat, easting, northing


def _project(crs: str, lon: NDArray, lat: NDArray) -> tuple[NDArray, NDArray]:
    return from_wgs84(crs, (lon + 180.0) % 360.0 - 180.0, lat)


def _worst_m(crs: str, lattice: tuple[NDArray, NDArray, NDArray, NDArray]) -> float:
    lon, lat, easting, northing = lattice
    share = np.arange(len(lon) - 1) + 0.5
    middle_lon, middle_lat = np.meshgrid(
        np.interp(share, np.arange(len(lon)), lon), np.interp(share, np.arange(len(lat)), lat)
    )
    true_e, true_n = _project(crs, middle_lon, middle_lat)
    weights = _weights(len(lon))
    seen_e, seen_n = weights @ easting @ weights.T, weights @ northing @ weights.T
    error = np.hypot(seen_e - true_e, seen_n - true_n)
    return float(error.max()) if np.isfinite(error).all() else np.inf


def _weights(size: int) -> NDArray[np.float64]:
    """Cubic Lagrange weights of the cell middles, (size - 1, size)."""
    weights = np.zeros((size - 1, size))
    for cell in range(size - 1):
        first = min(max(cell - 1, 0), size - 4)
        at = cell + 0.5 - first
        for i in range(4):
            others = [j for j in range(4) if j != i]
            weights[cell, first + i] = np.prod([(at - j) / (i - j) for j in others])
    return weights
