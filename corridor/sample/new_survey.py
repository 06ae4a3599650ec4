"""The sample's new survey: a patch over the line, flown after the 2 m strip.

Soundings as a multibeam gives them, line after line. Two things differ from the
ground the line was designed on: a wreck stands there that no layer knows, with
a scour beside it, and the sand waves have moved on. All invented.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import laspy
import numpy as np
from laspy.vlrs.known import WktCoordinateSystemVlr
from numpy.typing import NDArray
from pyproj import CRS

from corridor.sample import layout, terrain
from corridor.sample.noise import hash_unit

FILE = "new_survey.laz"

CENTRE_KM = (11.19, 8.02)
BEARING_DEG = 55.8
LENGTH_M, WIDTH_M = 700.0, 300.0
LINE_SPACING_M, SWATH_M = 40.0, 72.0
PING_SPACING_M, BEAMS = 0.46, 58

MIGRATION_M = 28.0
"""How far the sand waves have moved since the strip was surveyed, along their own bearing."""

WRECK_OFF_M = (30.0, 12.0)
"""Place of the wreck from the patch's middle: along the lines, and to their right."""

WRECK_BEARING_DEG = 100.0
HULL_M = (38.0, 9.0, 4.2)
"""Length, beam, height over the seabed amidships; the superstructure stands higher."""

NOISE_M = 0.06
SPIKE_SHARE = 0.0006

SIDE_FILE = """\
# What the file itself cannot say. Its CRS stands in it.
values = "elevation"
vertical_datum = "LAT"
"""

Array = NDArray[np.float64]


def elevation_m(easting_m: Array, northing_m: Array) -> Array:
    """The ground at the time of the new survey, m, negative below water; positions (n,)."""
    angle = np.radians(layout.SAND_WAVES[4])
    east, north = MIGRATION_M * np.sin(angle), MIGRATION_M * np.cos(angle)
    ground = terrain.elevation_m(easting_m, northing_m)
    ground = ground - terrain._sand_waves(easting_m, northing_m)
    ground = ground + terrain._sand_waves(easting_m - east, northing_m - north)
    return ground + _wreck(easting_m, northing_m)


def wreck_position() -> tuple[float, float]:
    """Easting and northing of the unknown wreck, m."""
    easting, northing = _from_patch(np.array([WRECK_OFF_M[0]]), np.array([WRECK_OFF_M[1]]))
    return float(easting[0]), float(northing[0])


def _from_patch(along: Array, across: Array) -> tuple[Array, Array]:
    """Metres along the lines and to their right -> easting, northing."""
    east, north = (float(v) for v in layout.at(*CENTRE_KM))
    angle = np.radians(BEARING_DEG)
    return (
        east + along * np.sin(angle) + across * np.cos(angle),
        north + along * np.cos(angle) - across * np.sin(angle),
    )


def _wreck(easting: Array, northing: Array) -> Array:
    """A hull on its keel, flat-decked with a deckhouse aft, and a scour on its down-current side."""
    length, beam, height = HULL_M
    east, north = wreck_position()
    angle = np.radians(WRECK_BEARING_DEG)
    x, y = easting - east, northing - north
    along, across = x * np.sin(angle) + y * np.cos(angle), x * np.cos(angle) - y * np.sin(angle)
    rim = (2 * along / length) ** 4 + (2 * across / beam) ** 2
    hull = np.where(rim < 1.0, height * np.clip(4.0 * (1.0 - rim), 0.0, 1.0) ** 0.5, 0.0)
    house = np.where((np.abs(along + 9.0) < 5.0) & (np.abs(across) < 2.6), 2.1, 0.0)
    scour = -1.1 * np.exp(-((along / 16.0) ** 2) - ((across - 9.0) / 4.5) ** 2)
    return np.where(hull > 0.0, hull + house, scour)


def soundings() -> dict[str, NDArray]:
    """Easting, northing, elevation (m) and line number of every sounding, in the order of sounding.

    The scatter comes from hashed numbers, so that every machine gets the same file.
    """
    lines = round(WIDTH_M / LINE_SPACING_M) + 1
    pings = round(LENGTH_M / PING_SPACING_M)
    parts = []
    for number in range(1, lines + 1):
        middle = (number - 1 - (lines - 1) / 2) * LINE_SPACING_M
        ping = np.arange(pings)
        # Neighbouring lines are sailed in opposite directions.
        along = (ping + 0.5) * PING_SPACING_M - 0.5 * LENGTH_M
        along = along if number % 2 else along[::-1]
        beam = middle + (np.arange(BEAMS) + 0.5) / BEAMS * SWATH_M - 0.5 * SWATH_M
        u = (along[:, None] + 0.12 * _normal(ping, BEAMS, 10 * number)).ravel()
        v = (beam[None, :] + 0.15 * _normal(ping, BEAMS, 10 * number + 2)).ravel()
        kept = np.abs(v) < 0.5 * WIDTH_M
        easting, northing = _from_patch(u[kept], v[kept])
        bias = 0.03 * np.sin(2.0 * number)  # what remains of tide and draught on each line
        scatter = NOISE_M * _normal(ping, BEAMS, 10 * number + 4).ravel()[kept]
        elevation = elevation_m(easting, northing) + bias + scatter
        spikes = hash_unit(ping[:, None], np.arange(BEAMS)[None, :], 10 * number + 6).ravel()[kept]
        spikes = np.where(spikes < SPIKE_SHARE, 4.0 + 20.0 * spikes / SPIKE_SHARE, 0.0)
        parts.append((easting, northing, elevation + spikes, np.full(len(easting), number, dtype=np.uint16)))
    columns = (np.concatenate(column) for column in zip(*parts, strict=True))
    return dict(zip(("easting_m", "northing_m", "elevation_m", "line"), columns, strict=True))


def _normal(ping: NDArray, beams: int, seed: int) -> Array:
    """Standard normal numbers (pings, beams) by the transform of Box and Muller (1958, from memory)."""
    i, j = ping[:, None], np.arange(beams)[None, :]
    radius = np.sqrt(-2.0 * np.log(1.0 - hash_unit(i, j, 1000 + seed)))
    return radius * np.cos(2.0 * np.pi * hash_unit(i, j, 1001 + seed))


def write_new_survey(folder: Path) -> list[Path]:
    """Write ``new_survey.laz`` and its side file into `folder`; the same bytes every time.

    Returns
    -------
    list of Path
    """
    columns = soundings()
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.array([0.01, 0.01, 0.01])
    header.offsets = np.array([*layout.CORNER_M, 0.0])
    header.creation_date = date(2026, 1, 1)
    header.generating_software = "corridor sample, invented"
    header.vlrs.append(WktCoordinateSystemVlr(CRS.from_user_input(layout.CRS).to_wkt("WKT1_GDAL")))
    header.global_encoding.wkt = True
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = columns["easting_m"], columns["northing_m"], columns["elevation_m"]
    cloud.point_source_id = columns["line"]
    files = [folder / FILE, folder / f"{FILE}.toml"]
    cloud.write(files[0])
    files[1].write_text(SIDE_FILE, encoding="utf-8", newline="\n")
    return files
