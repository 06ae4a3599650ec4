"""The pages after the map: schedule of zones, coordinates, permit tables, cautions and notes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely

from corridor.model.permit import Zone, ZoneStudy
from corridor.permit.degrees import degrees_minutes
from corridor.publish.palette import RULE_WORDS
from corridor.publish.tables import plain
from corridor.publish.zones_rows import ALL_CAUTIONS, TABLE_TITLES
from corridor.publish.zones_sheet_page import Column
from corridor.routing.geodesy import to_wgs84

SCHEDULE = (
    Column("No.", 10, True), Column("Zone", 62), Column("Class", 42), Column("Rule", 30),
    Column("In force", 50), Column("Buffer m", 16, True), Column("Area ha", 20, True),
    Column("Perimeter m", 20, True), Column("Legal basis", 62), Column("Authority", 48), Column("Source", 36),
)  # fmt: skip
_ROW = "{:>5}  {:<7}{:>15}  {:>16}  {:>12} {:>13}"
COORDINATES = (
    Column(_ROW.format("Zone", "Vertex", "Latitude", "Longitude", "Easting m", "Northing m"), 134, even=True),
)
"""One text a row: thousands of vertices are printed quickly and stand in line."""

MOST_ZONES = 500
"""Zones listed in print; a longer list stands in zones_list.csv, and the sheet says so."""

Section = tuple[str, Sequence[Column], list[Any], int]
"""Title, columns, rows (a string is a line across), tables side by side on a page."""


def sections(study: ZoneStudy, window: Any) -> Iterator[Section]:
    """All tables of the document, in order; `window` is the ground the map shows."""
    listed = printed_zones(study, window)
    yield "Schedule of zones", SCHEDULE, schedule_rows(study, listed), 1
    yield "Coordinates that define the zones", COORDINATES, coordinate_rows(study, listed), 3
    for name, title in TABLE_TITLES.items():
        table = study.tables.get(name)
        if table is not None:
            columns, rows = permit_rows(name, table)
            yield title, columns, rows or ["none"], 1


def printed_zones(study: ZoneStudy, window: Any) -> list[Zone]:
    """Zones listed in print: all, or up to the limit those on the map first, of these those in force."""
    if len(study.zones) <= MOST_ZONES:
        return list(study.zones)
    outlines = np.empty(len(study.zones), dtype=object)
    outlines[:] = [zone.outline for zone in study.zones]
    away = ~shapely.intersects(window, outlines)
    order = sorted(study.zones, key=lambda zone: (away[zone.number - 1], not zone.active, zone.number))
    return sorted(order[:MOST_ZONES], key=lambda zone: zone.number)


def schedule_rows(study: ZoneStudy, listed: Sequence[Zone]) -> list[Any]:
    """One row per zone."""
    rows: list[Any] = [
        (
            zone.number, zone.feature, zone.kind, RULE_WORDS.get(zone.rule, zone.rule),
            ("yes, " if zone.active else "no, ") + zone.activity, f"{zone.buffer_m:.1f}",
            f"{zone.area_m2 / 1e4:.3f}", f"{zone.perimeter_m:.1f}", zone.legal_basis or "not stated",
            zone.authority or "not stated",
            ", ".join(part for part in (zone.file, zone.table, zone.source_date) if part),
        )
        for zone in listed
    ]  # fmt: skip
    left = len(study.zones) - len(listed)
    return [*rows, f"{left} further zones stand in zones_list.csv"] if left else rows


def coordinate_rows(study: ZoneStudy, listed: Sequence[Zone]) -> list[Any]:
    """What defines each zone: its feature's vertices and the distance from them."""
    most = study.settings.sheet_vertices
    rows: list[Any] = []
    for count, zone in enumerate(listed):
        coords, names = _vertices(zone.source)
        if len(rows) + len(coords) > most:
            rows.append(f"{len(listed) - count} further zones: coordinates stand in zones.csv")
            break
        rows.append(f"Zone {zone.number}: {definition(zone)}")
        lon, lat = to_wgs84(study.crs, coords[:, 0], coords[:, 1])
        columns = (degrees_minutes(lat, "latitude"), degrees_minutes(lon, "longitude"))
        rows += [
            (_ROW.format(zone.number, name, north, east, f"{e:.2f}", f"{n:.2f}"),)
            for name, north, east, (e, n) in zip(names, *columns, coords.tolist(), strict=True)
        ]
    return rows


def definition(zone: Zone) -> str:
    """The zone in words: what the coordinates below it mean."""
    kind = ("point", "line", "area")[int(shapely.get_dimensions(zone.source))]
    if zone.buffer_m == 0.0:
        return {"point": "the point", "line": "the line through", "area": "the area bounded by"}[kind]
    if kind == "point":
        return f"all within {zone.buffer_m:.1f} m of the point" + (
            "s" if zone.source.geom_type != "Point" else ""
        )
    if kind == "line":
        return f"all within {zone.buffer_m:.1f} m of the line through"
    return f"the area bounded by these points, and all within {zone.buffer_m:.1f} m of it"


def _vertices(source: Any) -> tuple[np.ndarray, list[str]]:
    """Vertices of a feature and their names: part, hole, number. Rings are not closed."""
    coords, names = [], []
    parts = shapely.get_parts(source)
    for p, part in enumerate(parts, start=1):
        rings = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
        for r, ring in enumerate(rings):
            points = shapely.get_coordinates(ring)
            points = points[:-1] if part.geom_type == "Polygon" else points
            mark = (f"{p}." if len(parts) > 1 else "") + (f"h{r}." if r else "")
            coords.append(points)
            names += [f"{mark}{i}" for i in range(1, len(points) + 1)]
    return np.concatenate(coords), names


_WIDTHS = {
    "zone": 12, "id": 0, "layer": 40, "feature": 62, "rule": 22, "in_force": 16, "needs_consent": 20,
    "owner": 60, "legal_basis": 60, "authority": 50, "party": 62, "role": 46, "condition": 170, "yes": 14,
    "detail": 200,
}  # fmt: skip
_TITLES = {
    "zone": "No.", "kp_km": "KP km", "kp_start_km": "from KP", "kp_end_km": "to KP", "length_m": "length m",
    "distance_m": "distance m", "bearing_deg": "bearing °", "overlap_ha": "overlap ha",
    "angle_deg": "angle °", "share_of_corridor_percent": "of corridor %", "min_angle_deg": "least angle °",
    "easting_m": "easting m", "northing_m": "northing m", "latitude_deg": "latitude °",
    "longitude_deg": "longitude °", "buffer_m": "buffer m", "in_force": "in force",
    "needs_consent": "needs consent", "legal_basis": "legal basis", "yes": "holds",
}  # fmt: skip


def permit_rows(name: str, table: Any) -> tuple[list[Column], list[Any]]:
    """Columns and rows of one permit table, as printed."""
    kept = [column for column in table if _WIDTHS.get(column, 24) > 0]
    columns = [Column(_TITLES.get(c, c.replace("_", " ")), _WIDTHS.get(c, 24), _numeric(c)) for c in kept]
    values = [[_printed(c, value) for value in plain(c, np.asarray(table[c]))] for c in kept]
    return columns, list(zip(*values, strict=True))


def _numeric(column: str) -> bool:
    return column == "zone" or column.endswith(("_m", "_km", "_deg", "_ha", "_percent"))


def _printed(column: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        places = 3 if column.endswith("_km") else 6 if column in ("latitude_deg", "longitude_deg") else 2
        return f"{value:.{places}f}"
    return str(value)


def note_lines(study: ZoneStudy) -> list[str]:
    """Everything that must be said: cautions, notes, columns left out."""
    lines = [f"Caution: {text}" for text in ALL_CAUTIONS]
    lines += [f"Note: {note}" for note in study.notes]
    lines += [f"Column left out: {layer}, {column}: {why}" for layer, column, why in study.left_out]
    return lines
