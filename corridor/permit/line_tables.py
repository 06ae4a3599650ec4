"""What a line has to do with zones, assets and jurisdictions: the tables of a permit application.

Chainages and distances are exact on straights and arcs. Distances are ground
metres at the place (grid metres by the local scale factor), bearings grid
bearings in degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.permit import Reference, Zone
from corridor.model.results import Table
from corridor.permit.buffers import ground_buffers
from corridor.permit.lonlat import cut_edges, ellipsoidal_areas
from corridor.permit.zones import outlines_of
from corridor.routing.approach import edge_meetings, joined, nearest_approach, stretches_inside
from corridor.routing.geodesy import scale_factor, to_wgs84
from corridor.routing.geometry import Elements, at_station, densify_stations

DEPTH_STEP_M = 10.0
"""How deep a line runs inside a zone is looked for at this spacing."""

ZONE_COLUMNS = ("zone", "id", "layer", "feature", "rule", "in_force")
PLACE_COLUMNS = ("easting_m", "northing_m", "latitude_deg", "longitude_deg")
RANGE_COLUMNS = ("kp_start_km", "kp_end_km", "length_m")
STRETCH_COLUMNS = (*ZONE_COLUMNS, *RANGE_COLUMNS, "needs_consent", "legal_basis", "authority")
JURISDICTION_COLUMNS = ("layer", "feature", "owner", *RANGE_COLUMNS)
OVERLAP_COLUMNS = (*ZONE_COLUMNS, "overlap_ha", "share_of_corridor_percent")
APPROACH_COLUMNS = (*ZONE_COLUMNS, "kp_km", "distance_m", "bearing_deg", *PLACE_COLUMNS, "buffer_m")
PARTY_COLUMNS = (
    *("party", "role", "layer", "feature", "kp_km", "kp_end_km", "angle_deg", "min_angle_deg"),
    *PLACE_COLUMNS,
)


def corridor_of(crs: str, line: Elements, width_m: float) -> shapely.Geometry:
    """The working corridor: everything within half of `width_m` (ground metres) of the line."""
    easting, northing, _ = at_station(line, densify_stations(line, 0.05))
    axis = np.empty(1, dtype=object)
    axis[0] = shapely.LineString(np.column_stack([easting, northing]))
    return ground_buffers(crs, axis, width_m / 2.0)[0]


def stretch_table(line: Elements, zones: Sequence[Zone]) -> Table:
    """KP ranges and metres inside each published outline; one row per stretch, by KP."""
    rows = [
        (
            *(*_zone_cells(zone), low / 1000.0, high / 1000.0, high - low),
            *(zone.needs_consent, zone.legal_basis, zone.authority),
        )
        for zone in _met(line, zones)
        for low, high in stretches_inside(line, zone.outline)
    ]
    return table_of(STRETCH_COLUMNS, sorted(rows, key=lambda row: row[6]))


def jurisdiction_table(line: Elements, references: Sequence[Reference]) -> Table:
    """KP ranges inside each jurisdiction, then what of the line lies in none of its layer."""
    areas = [item for item in references if item.rule == "jurisdiction"]
    rows: list[tuple[Any, ...]] = []
    for layer in dict.fromkeys(item.layer for item in areas):
        covered = []
        for item in areas:
            if item.layer == layer:
                found = stretches_inside(line, item.geometry)
                covered.append(found)
                rows += [_range(item.layer, item.feature, item.owner, low, high) for low, high in found]
        for low, high in gaps(np.concatenate(covered), line.total_m):
            rows.append(_range(layer, "(in none)", "", low, high))
    order = {layer: i for i, layer in enumerate(dict.fromkeys(row[0] for row in rows))}
    return table_of(JURISDICTION_COLUMNS, sorted(rows, key=lambda row: (order[row[0]], row[3])))


def gaps(stretches: NDArray[np.float64], total_m: float) -> list[tuple[float, float]]:
    """What of 0 .. `total_m` lies outside `stretches` (k, 2); pieces over 1 mm."""
    edges = np.concatenate([[0.0], joined(stretches).ravel(), [total_m]]).reshape(-1, 2)
    return [(float(low), float(high)) for low, high in edges if high - low > 1e-3]


def _range(layer: str, feature: str, owner: str, low: float, high: float) -> tuple[Any, ...]:
    return layer, feature, owner, low / 1000.0, high / 1000.0, high - low


def overlap_table(crs: str, corridor: shapely.Geometry, zones: Sequence[Zone]) -> Table:
    """Hectares of the working corridor inside each zone, on the ellipsoid, and the share of the corridor."""
    outlines = outlines_of(zones)
    shapely.prepare(corridor)
    hit = np.flatnonzero(shapely.intersects(corridor, outlines) & (shapely.get_dimensions(outlines) == 2))
    common = shapely.intersection(corridor, outlines[hit])
    area, _ = ellipsoidal_areas(crs, cut_edges(common))
    whole, _ = ellipsoidal_areas(crs, cut_edges([corridor]))
    rows = [
        (*_zone_cells(zones[i]), size / 1e4, 100.0 * size / whole[0])
        for i, size in zip(hit.tolist(), area.tolist(), strict=True)
        if size > 0.0
    ]
    return table_of(OVERLAP_COLUMNS, rows)


def approach_table(crs: str, line: Elements, zones: Sequence[Zone], within_m: float) -> Table:
    """Nearest approach to each published outline within `within_m` ground metres, nearest first.

    `distance_m` is negative where the line runs inside: how deep, looked for
    every 10 m. `bearing_deg` points from the line to the zone.
    """
    outlines = outlines_of(zones)
    distance, station = nearest_approach(line, outlines, within_m * 1.01)
    near = np.flatnonzero(np.isfinite(distance))
    easting, northing, _ = at_station(line, station[near])
    scale = scale_factor(crs, easting, northing) if len(near) else np.empty(0)
    rows = []
    for i, e, n, k, grid in zip(near.tolist(), easting, northing, scale, distance[near], strict=True):
        zone, at, reach, bearing = zones[i], float(station[i]), float(grid / k), np.nan
        if reach > within_m:
            continue
        if reach == 0.0:
            depth, deepest = _deepest(line, zone.outline)
            if depth > 0.0:
                reach, at = -depth / k, deepest
                e, n, _ = (float(value) for value in at_station(line, at))
        else:
            bearing = _bearing(e, n, zone.outline)
        lon, lat = to_wgs84(crs, e, n)
        cells = (at / 1000.0, reach, bearing, e, n, float(lat), float(lon), zone.buffer_m)
        rows.append((*_zone_cells(zone), *cells))
    return table_of(APPROACH_COLUMNS, sorted(rows, key=lambda row: row[7]))


def _deepest(line: Elements, outline: shapely.Geometry) -> tuple[float, float]:
    """How far inside (grid m) the line runs at its deepest, and where; (0, 0) where it only touches."""
    found = stretches_inside(line, outline) if shapely.area(outline) > 0.0 else np.empty((0, 2))
    if not len(found):
        return 0.0, 0.0
    stations = np.concatenate(
        [np.linspace(low, high, max(int((high - low) / DEPTH_STEP_M), 2) + 1) for low, high in found]
    )
    easting, northing, _ = at_station(line, stations)
    depth = shapely.distance(outline.boundary, shapely.points(easting, northing))
    best = int(np.argmax(depth))
    return float(depth[best]), float(stations[best])


def _bearing(easting: float, northing: float, outline: shapely.Geometry) -> float:
    foot = shapely.get_coordinates(shapely.shortest_line(shapely.Point(easting, northing), outline))[-1]
    return float(np.degrees(np.arctan2(foot[0] - easting, foot[1] - northing)) % 360.0)


def party_table(
    crs: str, line: Elements, zones: Sequence[Zone], references: Sequence[Reference], angles: dict[str, float]
) -> Table:
    """Who is affected: owners of crossed assets, authorities of zones entered, holders of jurisdictions.

    Parameters
    ----------
    angles : mapping of layer -> least crossing angle, degrees
    """
    rows: list[tuple[Any, ...]] = []
    assets = [item for item in references if item.rule == "cross"]
    if assets:
        shapes = np.empty(len(assets), dtype=object)
        shapes[:] = [item.geometry for item in assets]
        for station, index, angle in zip(*edge_meetings(line, shapes), strict=True):
            asset = assets[int(index)]
            cells = (
                float(station) / 1000.0,
                np.nan,
                float(np.degrees(angle)),
                angles.get(asset.layer, np.nan),
            )
            rows.append(
                (
                    asset.owner or "(not stated)",
                    "owner of a crossed asset",
                    asset.layer,
                    asset.feature,
                    *cells,
                )
            )
    for zone in _met(line, zones):
        for low, high in stretches_inside(line, zone.outline):
            cells = (low / 1000.0, high / 1000.0, np.nan, np.nan)
            role = "authority of a zone entered" + ("" if zone.active else " (not in force in this period)")
            rows.append((zone.authority or "(not stated)", role, zone.layer, zone.feature, *cells))
    for item in references:
        if item.rule == "jurisdiction":
            for low, high in stretches_inside(line, item.geometry):
                cells = (low / 1000.0, high / 1000.0, np.nan, np.nan)
                rows.append(
                    (item.owner or item.feature, "jurisdiction entered", item.layer, item.feature, *cells)
                )
    rows.sort(key=lambda row: row[4])
    kp_km = np.array([row[4] for row in rows], dtype=float)
    easting, northing, _ = at_station(line, kp_km * 1000.0)
    lon, lat = to_wgs84(crs, easting, northing)
    places = np.column_stack([easting, northing, lat, lon]).tolist()
    return table_of(PARTY_COLUMNS, [(*row, *place) for row, place in zip(rows, places, strict=True)])


def _met(line: Elements, zones: Sequence[Zone]) -> list[Zone]:
    """Zones with an area that the line comes within a metre of."""
    if not zones:
        return []
    outlines = outlines_of(zones)
    easting, northing, _ = at_station(line, densify_stations(line, 0.5))
    chords = shapely.linestrings(np.column_stack([easting, northing]))
    shapely.prepare(chords)
    near = shapely.dwithin(chords, outlines, 1.0) & (shapely.get_dimensions(outlines) == 2)
    return [zones[i] for i in np.flatnonzero(near).tolist()]


def _zone_cells(zone: Zone) -> tuple[Any, ...]:
    return zone.number, zone.id, zone.layer, zone.feature, zone.rule, zone.active


def table_of(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> Table:
    """Rows as a table: numbers as float arrays, truth values as bool, the rest as objects."""
    table: dict[str, NDArray] = {}
    for i, column in enumerate(columns):
        values = [row[i] for row in rows]
        if column.endswith(("_m", "_km", "_deg", "_ha", "_percent")):
            table[column] = np.array(values, dtype=float)
        elif column in ("in_force", "needs_consent", "yes"):
            table[column] = np.array(values, dtype=bool)
        elif column == "zone":
            table[column] = np.array(values, dtype=np.int64)
        else:
            table[column] = np.array(values, dtype=object)
    return table
