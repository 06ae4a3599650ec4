"""How the true line (straights and arcs, never chords) lies to points, lines and polygons."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.kernels.approach import circle_meetings, meetings, nearest_approaches
from corridor.routing.chainage import line_array
from corridor.routing.geometry import Elements, at_station, densify_stations

SAME_PLACE_M = 1e-6
"""Two meetings with one feature this close are one: a joint of segments or elements."""


def segments_of(geometries: NDArray) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Segments of all edges of geometries of any type.

    Returns
    -------
    segments : array (n, 4)
        Easting, northing of both ends, m; a point is a segment of no length.
    owner : array (n,) int64
        Index of the geometry.
    """
    parts, part_owner = shapely.get_parts(np.asarray(geometries, dtype=object), return_index=True)
    while np.isin(shapely.get_type_id(parts), (4, 5, 6, 7)).any():  # collections within collections
        parts, inner = shapely.get_parts(parts, return_index=True)
        part_owner = part_owner[inner]
    polygon = shapely.get_type_id(parts) == 3
    rings, ring_of = shapely.get_rings(parts[polygon], return_index=True)
    pieces = np.concatenate([parts[~polygon], rings])
    owner = np.concatenate([part_owner[~polygon], part_owner[polygon][ring_of]])
    xy, piece = shapely.get_coordinates(pieces, return_index=True)
    point = shapely.get_type_id(pieces)[piece] == 0
    joined = (piece[:-1] == piece[1:]) if len(piece) else np.empty(0, dtype=bool)
    edges = np.column_stack([xy[:-1], xy[1:]])[joined] if len(xy) else np.empty((0, 4))
    dots = np.column_stack([xy[point], xy[point]])
    return (
        np.ascontiguousarray(np.vstack([edges, dots])),
        np.concatenate([owner[piece[:-1]][joined], owner[piece][point]]).astype(np.int64),
    )


def nearest_approach(
    line: Elements, geometries: NDArray, within_m: float = np.inf
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least distance of the line from each geometry, and where along the line.

    Parameters
    ----------
    line : Elements
    geometries : array (n,) of shapely geometries, m
    within_m : float, m
        What is further away than this is not measured.

    Returns
    -------
    distance_m : array (n,), m
        0 where the line meets the geometry or runs inside it; inf beyond `within_m`.
    station_m : array (n,), m
        Chainage of the nearest approach, the first of several; NaN beyond `within_m`.
    """
    geometries = np.asarray(geometries, dtype=object)
    distance = np.full(len(geometries), np.inf)
    station = np.full(len(geometries), np.nan)
    easting, northing, _ = at_station(line, densify_stations(line, 1.0))
    chords = shapely.linestrings(np.column_stack([easting, northing]))
    shapely.prepare(chords)
    near = np.flatnonzero(shapely.dwithin(chords, geometries, min(within_m, 1e9) + 1.0))
    if near.size == 0:
        return distance, station
    segments, owner = segments_of(geometries[near])
    best = shapely.distance(chords, geometries[near]) + 1.001  # chords stray by 1 m at most
    at = np.full(near.size, np.inf)
    nearest_approaches(line_array(line), segments, owner, best, at)
    inside = shapely.intersects_xy(geometries[near], easting[0], northing[0])
    best[inside], at[inside] = 0.0, line.station_m[0]
    keep = best <= within_m
    distance[near[keep]], station[near[keep]] = best[keep], at[keep]
    return distance, station


def edge_meetings(
    line: Elements, geometries: NDArray
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """Places where the line meets the edges (lines, outlines) of geometries.

    Returns
    -------
    station_m : array (h,), m, ascending per geometry
    geometry : array (h,) int64
        Index of the geometry met.
    angle_rad : array (h,)
        Acute angle between line and edge, 0 to pi/2; 0 where they run along each other.
    """
    segments, owner = segments_of(geometries)
    edges = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1]) > 0.0
    segments, owner = segments[edges], owner[edges]
    station, segment, element = meetings(line_array(line), segments)
    bearing = line.bearing_rad[element] + line.curvature_1_m[element] * (station - line.station_m[element])
    way = segments[segment, 2:] - segments[segment, :2]
    turn = bearing - np.arctan2(way[:, 0], way[:, 1])
    angle = np.arctan2(np.abs(np.sin(turn)), np.abs(np.cos(turn)))
    order = np.lexsort((station, owner[segment]))
    station, hit, angle = station[order], owner[segment][order], angle[order]
    fresh = np.ones(len(station), dtype=bool)
    fresh[1:] = (np.diff(station) > SAME_PLACE_M) | (np.diff(hit) != 0)
    # One place met twice (a joint): the flattest angle counts.
    first = np.flatnonzero(fresh)
    flattest = np.minimum.reduceat(angle, first) if first.size else angle
    return station[fresh], hit[fresh], flattest


def stretches_inside(line: Elements, area: shapely.Geometry) -> NDArray[np.float64]:
    """Chainages (k, 2) between which the line runs inside polygons, exact; edges do not count."""
    cuts, _, _ = edge_meetings(line, np.array([area], dtype=object))
    shapely.prepare(area)
    return _true_between(line, cuts, lambda e, n: shapely.contains_xy(area, e, n))


def stretches_outside(
    line: Elements, area: shapely.Geometry, rounding_m: float = 1e-3
) -> NDArray[np.float64]:
    """Chainages (k, 2) between which the line runs outside polygons, exact; along their edge it is inside."""
    if area.is_empty:
        return np.array([[line.station_m[0], line.end_m]])
    cuts, _, _ = edge_meetings(line, np.array([area], dtype=object))
    shapely.prepare(area)
    return _true_between(line, cuts, lambda e, n: shapely.distance(area, shapely.points(e, n)) > rounding_m)


def stretches_within(line: Elements, geometry: shapely.Geometry, distance_m: float) -> NDArray[np.float64]:
    """Chainages (k, 2) between which the line is nearer than `distance_m` to `geometry`, exact.

    The edge of the zone about a geometry consists of its edges shifted by the
    distance and of circles about its corners: the line is cut where it meets
    any of them, and each piece is judged by the distance at its middle.
    """
    if distance_m <= 0.0:
        return stretches_inside(line, geometry)
    segments, _ = segments_of(np.array([geometry], dtype=object))
    way = segments[:, 2:] - segments[:, :2]
    size = np.hypot(way[:, 0], way[:, 1])
    edge = size > 0.0
    shift = distance_m * np.column_stack([way[edge, 1], -way[edge, 0]]) / size[edge, None]
    sides = np.vstack([segments[edge] + np.hstack([s, s]) for s in (shift, -shift)])
    corners = np.unique(np.vstack([segments[:, :2], segments[:, 2:]]), axis=0)
    straight, _, _ = meetings(line_array(line), np.ascontiguousarray(sides))
    round_ = circle_meetings(line_array(line), np.ascontiguousarray(corners), float(distance_m))
    shapely.prepare(geometry)

    def nearer(easting: NDArray, northing: NDArray) -> NDArray:
        return shapely.distance(geometry, shapely.points(easting, northing)) < distance_m

    return _true_between(line, np.concatenate([straight, round_]), nearer)


def _true_between(
    line: Elements, cuts: NDArray, holds: Callable[[NDArray, NDArray], NDArray]
) -> NDArray[np.float64]:
    """Pieces between `cuts` (and the ends) whose middle satisfies `holds`, joined where they touch."""
    edges = np.unique(np.concatenate([[line.station_m[0], line.end_m], cuts]))
    edges = edges[np.concatenate([[True], np.diff(edges) > SAME_PLACE_M])]
    if edges.size < 2:
        return np.empty((0, 2))
    easting, northing, _ = at_station(line, 0.5 * (edges[:-1] + edges[1:]))
    return joined(np.column_stack([edges[:-1], edges[1:]])[holds(easting, northing)])


def joined(stretches: NDArray[np.float64]) -> NDArray[np.float64]:
    """Union of stretches (k, 2), sorted, touching ones joined."""
    if len(stretches) == 0:
        return np.empty((0, 2))
    order = stretches[np.argsort(stretches[:, 0])]
    out = [order[0].copy()]
    for low, high in order[1:]:
        if low <= out[-1][1] + SAME_PLACE_M:
            out[-1][1] = max(out[-1][1], high)
        else:
            out.append(np.array([low, high]))
    return np.array(out)


def without(stretches: NDArray[np.float64], low_m: float, high_m: float) -> NDArray[np.float64]:
    """What is left of stretches (k, 2) when the chainages from `low_m` to `high_m` are taken out."""
    left = np.column_stack([stretches[:, 0], np.minimum(stretches[:, 1], low_m)])
    right = np.column_stack([np.maximum(stretches[:, 0], high_m), stretches[:, 1]])
    pieces = np.vstack([left, right])
    pieces = pieces[pieces[:, 1] - pieces[:, 0] > SAME_PLACE_M]
    return pieces[np.argsort(pieces[:, 0])]


def length_m(stretches: NDArray[np.float64]) -> float:
    """Total length of stretches (k, 2), m."""
    return float(np.sum(stretches[:, 1] - stretches[:, 0])) if len(stretches) else 0.0
