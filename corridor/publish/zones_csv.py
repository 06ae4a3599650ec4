"""Zones as tables: vertices in degrees and minutes and on the project grid, the list, the permit tables."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import shapely

from corridor.model.permit import ZoneStudy
from corridor.permit.degrees import degrees_minutes
from corridor.publish.tables import guarded, write_csv
from corridor.publish.zones_rows import harmless, zone_table
from corridor.routing.geodesy import to_wgs84

VERTEX_COLUMNS = (
    "zone", "id", "part", "ring", "vertex", "latitude", "longitude", "latitude_deg", "longitude_deg",
    "easting_m", "northing_m",
)  # fmt: skip
CHUNK = 2000
"""Zones worked on at a time."""


def write_zone_vertices(path: Path, study: ZoneStudy) -> None:
    """Write every vertex of every outline, one a row.

    Vertices are joined by straight lines on the project grid. Rings close on
    themselves: the last vertex repeats the first. Ring 0 is the outer one, the
    others are holes. Latitude and longitude are WGS 84, in
    degrees and decimal minutes (1e-6 minute is 1.9 mm) and in degrees; easting
    and northing are on the project grid.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(",".join(VERTEX_COLUMNS) + "\n")
        for first in range(0, len(study.zones), CHUNK):
            file.writelines(_rows(study, first, first + CHUNK))


def _rows(study: ZoneStudy, first: int, last: int) -> Iterator[str]:
    zones = study.zones[first:last]
    heads = [f"{zone.number},{quoted(zone.id)}" for zone in zones]
    parts, owner = shapely.get_parts(
        np.array([zone.outline for zone in zones], dtype=object), return_index=True
    )
    polygon = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    rings, of_part = shapely.get_rings(parts[polygon], return_index=True)
    pieces = np.concatenate([rings, parts[~polygon]])
    part = np.concatenate([np.flatnonzero(polygon)[of_part], np.flatnonzero(~polygon)])
    ring = np.concatenate([_running(of_part), np.zeros(int((~polygon).sum()), dtype=np.int64)])
    order = np.argsort(part, kind="stable")
    pieces, part, ring = pieces[order], part[order], ring[order]
    coords, piece = shapely.get_coordinates(pieces, return_index=True)
    lon, lat = to_wgs84(study.crs, coords[:, 0], coords[:, 1])
    columns = (
        owner[part[piece]].tolist(),
        (_running(owner)[part[piece]] + 1).tolist(),
        ring[piece].tolist(),
        (_running(piece) + 1).tolist(),
        degrees_minutes(lat, "latitude"),
        degrees_minutes(lon, "longitude"),
        lat.tolist(),
        lon.tolist(),
        coords[:, 0].tolist(),
        coords[:, 1].tolist(),
    )
    for i, number, in_part, vertex, north, east, y, x, e, n in zip(*columns, strict=True):
        yield f"{heads[i]},{number},{in_part},{vertex},{north},{east},{y:.9f},{x:.9f},{e:.4f},{n:.4f}\n"


def _running(owner: np.ndarray) -> np.ndarray:
    """0, 1, 2, ... within each run of equal numbers."""
    index = np.arange(len(owner))
    new = np.ones(len(owner), dtype=bool)
    new[1:] = owner[1:] != owner[:-1]
    return index - np.maximum.accumulate(np.where(new, index, 0))


def quoted(text: str) -> str:
    """A CSV cell: no formula, quoted where needed (RFC 4180, section 2)."""
    cell = guarded(harmless(text))
    return '"' + cell.replace('"', '""') + '"' if any(sign in cell for sign in ',"\r\n') else cell


def write_zone_list(path: Path, study: ZoneStudy) -> None:
    """Write one row per zone: every column, the published attributes as JSON text."""
    write_csv(path, "zones_list", zone_table(study.zones))


def write_permit_tables(folder: Path, study: ZoneStudy) -> tuple[str, ...]:
    """Write the permit tables of the line as ``permit_<name>.csv``; returns the names of the files."""
    names = []
    for name, table in study.tables.items():
        write_csv(folder / f"permit_{name}.csv", f"permit_{name}", table)
        names.append(f"permit_{name}.csv")
    return tuple(names)
