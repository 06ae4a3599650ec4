"""The line as a chain of points that other programs draw without straying from it.

Straights on the project grid are curved in longitude and latitude, so both arcs
and straights are cut until a chord, in either system, strays less than asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.model.alignment import Alignment
from corridor.routing.geodesy import from_wgs84, to_wgs84
from corridor.routing.geometry import Elements, at_station, densify_stations, elements

STRAY_M = 0.04
"""Chords of published lines stray less than this from the line (the contract allows 0.05 m)."""


@dataclass(frozen=True, slots=True, eq=False)
class Polyline:
    """Points along a line, in order.

    Attributes
    ----------
    kp_km, easting_m, northing_m, longitude_deg, latitude_deg : array (n,)
        WGS 84 degrees; longitudes as PROJ gives them, in [-180, 180].
    """

    kp_km: NDArray[np.float64]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.kp_km)

    def part(self, first: int, after_last: int) -> Polyline:
        """Some of the points."""
        cut = slice(first, after_last)
        return Polyline(
            self.kp_km[cut],
            self.easting_m[cut],
            self.northing_m[cut],
            self.longitude_deg[cut],
            self.latitude_deg[cut],
        )

    @property
    def grid(self) -> NDArray[np.float64]:
        """(n, 2) easting, northing, m."""
        return np.column_stack([self.easting_m, self.northing_m])

    @property
    def degrees(self) -> NDArray[np.float64]:
        """(n, 2) longitude, latitude, degrees."""
        return np.column_stack([self.longitude_deg, self.latitude_deg])


def polyline(alignment: Alignment, stray_m: float = STRAY_M) -> Polyline:
    """Points of `alignment` whose chords stray less than `stray_m` (m) from it anywhere."""
    line = elements(alignment)
    return _at(alignment.crs, line, _stations(alignment.crs, line, stray_m))


def stretches(
    alignment: Alignment, kp_from_km: ArrayLike, kp_to_km: ArrayLike, stray_m: float = STRAY_M
) -> list[Polyline]:
    """A chain of points of `alignment` for each pair of KPs (km), two points at least."""
    line = elements(alignment)
    whole = _stations(alignment.crs, line, stray_m)
    first = np.clip(np.asarray(kp_from_km, dtype=float) * 1000.0, 0.0, line.total_m)
    last = np.clip(np.asarray(kp_to_km, dtype=float) * 1000.0, 0.0, line.total_m)
    after, before = np.searchsorted(whole, first, "right"), np.searchsorted(whole, last, "left")
    chains = [
        np.concatenate([[a], whole[i:j], [b]]) for a, b, i, j in zip(first, last, after, before, strict=True)
    ]
    if not chains:
        return []
    joined = _at(alignment.crs, line, np.concatenate(chains))
    edges = np.cumsum([0] + [len(chain) for chain in chains])
    return [joined.part(a, b) for a, b in pairwise(edges)]


def positions(alignment: Alignment, kp_km: ArrayLike) -> Polyline:
    """Exact positions of `alignment` at KPs (km), in their own order."""
    return _at(alignment.crs, elements(alignment), np.asarray(kp_km, dtype=float) * 1000.0)


def _at(crs: str, line: Elements, station: NDArray) -> Polyline:
    easting, northing, _ = at_station(line, station)
    lon, lat = to_wgs84(crs, easting, northing)
    return Polyline(station / 1000.0, easting, northing, lon, lat)


def _stations(crs: str, line: Elements, stray_m: float) -> NDArray[np.float64]:
    """Chainages of chords that stray half of `stray_m` on the grid and half again in degrees."""
    station = densify_stations(line, stray_m / 2.0)
    for _ in range(24):
        chain = _at(crs, line, station)
        middle = (station[1:] + station[:-1]) / 2.0
        true_e, true_n, _ = at_station(line, middle)
        lat = (chain.latitude_deg[1:] + chain.latitude_deg[:-1]) / 2.0
        seen_e, seen_n = from_wgs84(crs, _middle_deg(chain.longitude_deg), lat)
        wide = np.hypot(seen_e - true_e, seen_n - true_n) > stray_m / 2.0
        if not wide.any():
            break
        station = np.sort(np.concatenate([station, middle[wide]]))
    return station


def _middle_deg(longitude_deg: NDArray) -> NDArray:
    """Middle longitudes of neighbours, the short way round."""
    step = (np.diff(longitude_deg) + 180.0) % 360.0 - 180.0
    return longitude_deg[:-1] + step / 2.0
