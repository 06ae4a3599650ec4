"""The sample's layers: what lies on and over the invented seabed.

Every function returns a GeoDataFrame in the project's CRS with a ``note``
column that says it is fiction. Coordinates are rounded to the centimetre.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from corridor.sample import layout, terrain
from corridor.sample.layout import at

_Places = tuple[tuple[float, float], ...]


def approved_corridor() -> gpd.GeoDataFrame:
    """The ground the line was consented on: two branches around the canyon."""
    outside: _Places = (
        *((0.9, 1.6), (0.9, 4.6), (4.2, 7.4), (9.0, 10.4), (12.4, 12.2), (16.5, 13.0), (24.0, 14.0)),
        *((32.6, 14.4), (33.2, 11.2), (29.5, 9.0), (24.0, 5.6), (20.5, 3.0), (17.6, 2.4), (10.0, 1.3)),
        (4.0, 1.0),
    )
    inside: _Places = (
        *((12.4, 7.3), (13.3, 8.7), (15.5, 9.0), (18.6, 8.4), (19.6, 7.4), (18.4, 6.0), (16.5, 5.9)),
        (13.6, 6.0),
    )
    return _frame([{"name": "Approved corridor (invented)"}], [Polygon(_metres(outside), [_metres(inside)])])


def wrecks() -> gpd.GeoDataFrame:
    """Wrecks: name, year lost, and how well the position is known (m, 95 %)."""
    table = [
        {"name": f"{name} (invented)", "year_lost": year, "uncertainty_m": doubt}
        for name, year, doubt, _, _ in layout.WRECKS
    ]
    return _frame(table, [Point(_metres(((x, y),))[0]) for *_, x, y in layout.WRECKS])


def new_wreck() -> gpd.GeoDataFrame:
    """A wreck that nobody knew of, for rerouting: name and the standoff it asks for."""
    name, x, y, standoff_m = layout.NEW_WRECK
    table = [{"name": f"{name} (invented)", "standoff_m": standoff_m}]
    return _frame(table, [Point(_metres(((x, y),))[0])])


def pipelines() -> gpd.GeoDataFrame:
    """Existing pipelines: name, owner, kind, status, outside diameter."""
    return _lines(
        (
            ("Saucer gas line", "Saucer Transport", "gas pipeline", "in service", 0.711),
            ((24.8, 16.0), (25.6, 13.0), (26.2, 11.0), (27.8, 7.0), (29.0, 3.0), (29.6, 0.0)),
        ),
        (
            ("Tea Towel line", "Saucer Transport", "water pipeline", "removed", 0.219),
            ((22.2, 16.0), (22.6, 12.0), (23.9, 8.8), (25.0, 0.0)),
        ),
        (
            ("Strainer feeder", "Strainer Fields", "oil pipeline", "in service", 0.324),
            ((34.0, 13.9), (32.6, 13.2), (31.75, 12.62)),
        ),
    )


def cables() -> gpd.GeoDataFrame:
    """Existing cables: name, owner, kind, status, outside diameter."""
    return _lines(
        (
            ("Ladle power cable", "Ladle Grid", "power cable", "in service", 0.18),
            ((8.0, 16.0), (10.2, 12.0), (12.2, 9.0), (12.4, 6.8), (11.6, 4.4), (12.3, 1.9), (12.6, 0.0)),
        ),
        (
            ("Sieve telecom cable", "Sieve Networks", "telecom cable", "in service", 0.05),
            (
                *((18.6, 16.0), (18.9, 12.0), (20.0, 10.1), (21.6, 9.35), (24.9, 9.75), (26.6, 8.4)),
                *((27.6, 5.0), (28.6, 0.0)),
            ),
        ),
        (
            ("Butter Dish telegraph", "unknown", "telegraph cable", "out of service", 0.04),
            ((5.0, 0.0), (5.6, 1.7), (6.3, 2.7), (6.8, 3.9)),
        ),
    )


def trawl_grounds() -> gpd.GeoDataFrame:
    """Grounds fished with bottom trawls."""
    return _areas(
        ("Trivet bank", ((20.6, 10.6), (21.6, 12.6), (24.4, 12.9), (25.0, 11.1), (23.2, 10.4))),
        ("Skillet deep", ((19.8, 6.4), (22.4, 8.6), (25.6, 7.4), (23.6, 4.8))),
        ("Colander flats", ((8.2, 7.2), (9.4, 10.2), (10.6, 10.4), (10.2, 7.4))),
    )


def spoil_ground() -> gpd.GeoDataFrame:
    """Where dredged material is dumped."""
    return _areas(("Crumb spoil ground", ((9.6, 1.9), (11.2, 2.2), (11.0, 3.3), (9.3, 3.1))))


def practice_area() -> gpd.GeoDataFrame:
    """Military practice area."""
    return _areas(("Practice area Rolling Pin", ((7.0, 9.4), (11.4, 11.2), (10.6, 14.2), (6.2, 13.0))))


def anchorage() -> gpd.GeoDataFrame:
    """Anchorage off the shore terminal."""
    return _areas(("Napkin anchorage", ((2.6, 5.2), (4.9, 6.1), (4.3, 8.2), (2.2, 7.4))))


def rock_berms() -> gpd.GeoDataFrame:
    """Rock placed on the seabed over older lines, each with the distance to keep from it."""
    frame = _areas(
        ("Berm 1", ((21.30, 10.02), (21.72, 9.98), (21.73, 10.05), (21.31, 10.09))),
        ("Berm 2", ((25.95, 11.55), (26.09, 11.20), (26.15, 11.22), (26.01, 11.57))),
    )
    frame.insert(1, "keep_off_m", [40.0, 60.0])
    return frame


def pockmarks() -> gpd.GeoDataFrame:
    """The deeper pits inside the approved corridor, as the regional survey maps them.

    Depth and the distance to keep from the middle (the pit's radius and 15 m), m.
    """
    corridor = approved_corridor().geometry.iloc[0]
    pits = terrain.pockmarks()
    deep = pits[pits[:, 3] >= 3.5]
    shapes = [Point(round(x, 2), round(y, 2)) for x, y, *_ in deep.tolist()]
    mapped = [
        (shape, pit) for shape, pit in zip(shapes, deep.tolist(), strict=True) if corridor.contains(shape)
    ]
    table = [
        {"name": f"Pit {number} (invented)", "depth_m": round(pit[3], 1), "keep_off_m": round(pit[2]) + 15.0}
        for number, (_, pit) in enumerate(mapped, start=1)
    ]
    return _frame(table, [shape for shape, _ in mapped])


def reef() -> gpd.GeoDataFrame:
    """The protected reef: an uneven oval around the reef of the terrain."""
    cx, cy, long, wide, bearing = layout.REEF
    turn = np.radians(np.arange(0.0, 360.0, 15.0))
    size = 1.02 + 0.07 * np.sin(3 * turn + 0.7) + 0.05 * np.cos(5 * turn)
    along, across = size * long * np.cos(turn), size * wide * np.sin(turn)
    angle = np.radians(bearing)
    x = cx + along * np.sin(angle) - across * np.cos(angle)
    y = cy + along * np.cos(angle) + across * np.sin(angle)
    ring = tuple(zip(x.tolist(), y.tolist(), strict=True))
    return _areas(("Doily reef", ring))


def platform_zone() -> gpd.GeoDataFrame:
    """The platform's safety zone: 500 m around it."""
    x, y = _metres((layout.PLATFORM_KM,))[0]
    turn = np.radians(np.arange(0.0, 360.0, 2.5))
    ring = np.column_stack([x + 500.0 * np.sin(turn), y + 500.0 * np.cos(turn)])
    return _frame([{"name": "Breadboard platform (invented)"}], [Polygon(np.round(ring, 2))])


def _lines(*rows: tuple[tuple[str, str, str, str, float], _Places]) -> gpd.GeoDataFrame:
    table = [
        {
            "name": f"{name} (invented)",
            "owner": owner if owner == "unknown" else f"{owner} (invented)",
            "kind": kind,
            "status": status,
            "diameter_m": diameter_m,
        }
        for (name, owner, kind, status, diameter_m), _ in rows
    ]
    return _frame(table, [LineString(_metres(places)) for _, places in rows])


def _areas(*rows: tuple[str, _Places]) -> gpd.GeoDataFrame:
    table = [{"name": f"{name} (invented)"} for name, _ in rows]
    return _frame(table, [Polygon(_metres(places)) for _, places in rows])


def _metres(places: _Places) -> list[tuple[float, float]]:
    x, y = np.array(places).T
    easting, northing = at(x, y)
    return list(zip(np.round(easting, 2).tolist(), np.round(northing, 2).tolist(), strict=True))


def _frame(table: list[dict[str, Any]], shapes: list[BaseGeometry]) -> gpd.GeoDataFrame:
    for row in table:
        row["note"] = "invented"
    return gpd.GeoDataFrame(table, geometry=shapes, crs=layout.CRS)
