"""The ground under the line: depth and slopes at regular chainages."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from corridor.model.seabed import Seabed
from corridor.routing.geometry import Elements, at_station
from corridor.terrain.sampling import depth_at, slopes_at

CHUNK = 200_000
"""Samples worked on at a time, so that a very long line needs no more than its own arrays."""


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """The seabed along a line; equally long arrays.

    Attributes
    ----------
    station_m : chainage, m, ascending
    easting_m, northing_m, bearing_rad : position and grid bearing of the line
    depth_m : m, positive down; NaN over no data
    surface : int16, index into the seabed's surfaces; -1 over no data
    along, across : tangents, positive where the seabed rises with KP, to the right; NaN where unknown
    length_m : m of line that a sample stands for
    """

    station_m: NDArray[np.float64]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    bearing_rad: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    surface: NDArray[np.int16]
    along: NDArray[np.float64]
    across: NDArray[np.float64]
    length_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        for field in fields(self):
            getattr(self, field.name).setflags(write=False)

    def __len__(self) -> int:
        return len(self.station_m)


def regular_stations(total_m: float, spacing_m: float) -> NDArray[np.float64]:
    """Chainages 0, spacing, 2 spacing, ... and the end, m."""
    count = int(np.floor(total_m / spacing_m * (1.0 + 1e-12)))
    regular = np.arange(count + 1, dtype=np.float64) * spacing_m
    if total_m - regular[-1] > 1e-6:
        return np.append(regular, total_m)
    regular[-1] = total_m
    return regular


def depth_profile(line: Elements, seabed: Seabed, spacing_m: float) -> tuple[NDArray, NDArray, NDArray]:
    """Depth of the seabed every `spacing_m` from START, and at END.

    Returns
    -------
    station_m : array (n,), m
    depth_m : array (n,), m, positive down; NaN over no data
    surface : array (n,) int16; -1 over no data
    """
    station = regular_stations(line.total_m, spacing_m)
    depth = np.empty(len(station))
    surface = np.empty(len(station), dtype=np.int16)
    for first in range(0, len(station), CHUNK):
        piece = slice(first, first + CHUNK)
        easting, northing, _ = at_station(line, station[piece])
        depth[piece], surface[piece], _ = depth_at(seabed, easting, northing)
    return station, depth, surface


def ground_profile(line: Elements, seabed: Seabed, spacing_m: float, baseline_m: float) -> Profile:
    """Depth and slopes in the middle of regular pieces of the line.

    The line is cut every `spacing_m` (the last piece is what is left), so that
    sums over the samples, weighted with `length_m`, are midpoint integrals.

    Parameters
    ----------
    line : Elements
    seabed : Seabed
    spacing_m : float, m
    baseline_m : float, m
        Length over which slopes are averaged.
    """
    cuts = regular_stations(line.total_m, spacing_m)
    if len(cuts) == 1:
        cuts = np.array([0.0, 0.0])
    station = 0.5 * (cuts[:-1] + cuts[1:])
    columns = [np.empty(len(station)) for _ in range(6)]
    easting, northing, bearing, depth, along, across = columns
    surface = np.empty(len(station), dtype=np.int16)
    for first in range(0, len(station), CHUNK):
        p = slice(first, first + CHUNK)
        easting[p], northing[p], bearing[p] = at_station(line, station[p])
        depth[p], surface[p], _ = depth_at(seabed, easting[p], northing[p])
        along[p], across[p] = slopes_at(seabed, easting[p], northing[p], bearing[p], baseline_m)
    return Profile(station, easting, northing, bearing, depth, surface, along, across, np.diff(cuts))
