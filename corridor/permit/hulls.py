"""The general offset: any geometry, piece by piece, joined.

Every edge gets a rectangle, every vertex the wedge its turn leaves open, each
in the local frame of its own place, and all are united. Slower than
:mod:`corridor.permit.offsets`, and right for curved lines, holes, several parts
and features so long that the scale factor changes along them. (A general
buffer function takes one distance for all of a feature and draws its arcs
inside the circle; here every piece has its own frame and everything is outside.)
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from corridor.permit.ground import frames_in_boxes, from_geodetic, geod_of, to_geodetic
from corridor.permit.offsets import ARC_STEP_DEG, ARC_STEP_RAD, SECANT

LONGEST_EDGE_M = 5000.0
"""Edges are cut to this length, so that one frame serves each piece."""

OVERLAP_RAD = 1e-4
"""Wedges reach this much into the rectangles beside them: no crack between the two."""


def hull(
    crs: str,
    geometry: BaseGeometry,
    distance_m: float,
    even: tuple[NDArray[np.float64], float] | None = None,
) -> BaseGeometry:
    """Everything within `distance_m` ground metres of `geometry`, drawn outside.

    Parameters
    ----------
    crs : str
    geometry : shapely geometry of any type, project CRS
    distance_m : float, ground metres, > 0
    even : (frame, spread), optional
        Of a geometry so small that one frame serves all of it
        (:func:`corridor.permit.ground.frames_in_boxes`).

    Returns
    -------
    shapely Polygon or MultiPolygon, project CRS
    """
    parts = _simple_parts(geometry)
    pieces: list[BaseGeometry] = [part for part in parts if part.geom_type == "Polygon"]
    points = [part for part in parts if part.geom_type == "Point"]
    if points:
        pieces.extend(geodesic_circles(crs, shapely.get_coordinates(points), distance_m))
    for chain in _chains(parts):
        pieces.extend(_chain_pieces(crs, chain, distance_m, even))
    return _without_cracks(shapely.union_all(pieces), distance_m)


def _simple_parts(geometry: BaseGeometry) -> list[BaseGeometry]:
    """Points, lines and polygons, out of any nesting of collections."""
    if hasattr(geometry, "geoms"):
        return [part for member in geometry.geoms for part in _simple_parts(member)]
    return [] if geometry.is_empty else [geometry]


def _chains(parts: list[BaseGeometry]) -> list[NDArray[np.float64]]:
    """Vertices of lines and rings; rings keep their closing vertex."""
    chains = []
    for part in parts:
        if part.geom_type == "Polygon":
            chains += [shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors)]
        elif part.geom_type in ("LineString", "LinearRing"):
            chains.append(shapely.get_coordinates(part))
    return chains


def _chain_pieces(
    crs: str, chain: NDArray[np.float64], distance_m: float, even: tuple[NDArray, float] | None
) -> list[BaseGeometry]:
    chain = _cut(chain) if even is None else _tidy(chain)
    if len(chain) < 2:
        return list(geodesic_circles(crs, chain[:1], distance_m))
    ends = np.stack([chain[:-1], chain[1:]], axis=1)
    if even is None:
        reach = 1.1 * distance_m
        boxes = np.column_stack([ends.min(axis=1) - reach, ends.max(axis=1) + reach])
        frames, spread, _ = frames_in_boxes(crs, boxes)
    else:
        frames = np.broadcast_to(even[0], (len(ends), 2, 2))
        spread = np.full(len(ends), even[1])
    inverse = np.linalg.inv(frames)
    edge = np.einsum("nij,nj->ni", inverse, ends[:, 1] - ends[:, 0])
    bearing = np.arctan2(edge[:, 1], edge[:, 0])
    radius = distance_m * (1.0 + spread)
    across = radius[:, None] * np.column_stack([np.sin(bearing), -np.cos(bearing)])
    right = np.einsum("nij,nj->ni", frames, across)
    corners = np.stack(
        [ends[:, 0] + right, ends[:, 1] + right, ends[:, 1] - right, ends[:, 0] - right], axis=1
    )
    pieces = list(shapely.polygons(corners))
    return pieces + list(_wedges(chain, frames, radius, bearing))


def _wedges(chain: NDArray, frames: NDArray, radius: NDArray, bearing: NDArray) -> NDArray[np.object_]:
    """The wedges between neighbouring rectangles on the outer side of each turn, and the round ends."""
    edges = np.arange(len(bearing))
    if len(chain) > 3 and np.array_equal(chain[0], chain[-1]):
        before, after = np.roll(edges, 1), edges
        vertex = edges
    else:
        before, after = edges[:-1], edges[1:]
        vertex = edges[1:]
    turn = bearing[after] - bearing[before]
    turn = np.arctan2(np.sin(turn), np.cos(turn))
    # A left turn opens on the right: from the right normal of the edge before; and the reverse.
    start = np.where(turn >= 0.0, bearing[before] - np.pi / 2.0, bearing[after] + np.pi / 2.0)
    wider = np.where(radius[before] >= radius[after], before, after)
    if len(vertex) < len(edges):
        vertex = np.append(vertex, [0, len(chain) - 1])
        wider = np.append(wider, [0, edges[-1]])
        start = np.append(start, [bearing[0] + np.pi / 2.0, bearing[-1] - np.pi / 2.0])
        turn = np.append(turn, [np.pi, np.pi])
    return _sectors(chain[vertex], frames[wider], radius[wider], start, np.abs(turn))


def _sectors(
    centre: NDArray, frame: NDArray, radius: NDArray, start: NDArray, turn: NDArray
) -> NDArray[np.object_]:
    """Sectors (n,), counter-clockwise from `start` by `turn` (rad), their arcs circumscribed."""
    start, turn = start - OVERLAP_RAD, turn + 2.0 * OVERLAP_RAD
    pieces = np.maximum(np.ceil(turn / ARC_STEP_RAD), 1).astype(np.int64)
    step = turn / pieces
    # Per sector: its centre, the start of the arc, the corners, the end of the arc.
    counts = pieces + 3
    at = np.repeat(np.arange(len(pieces)), counts)
    number = np.arange(len(at)) - np.repeat(np.cumsum(counts) - counts, counts)
    corner = (number >= 2) & (number < counts[at] - 1)
    angle = start[at] + np.where(corner, number - 1.5, np.where(number <= 1, 0, pieces[at])) * step[at]
    reach = radius[at] * np.where(number == 0, 0.0, np.where(corner, 1.0 / np.cos(step[at] / 2.0), 1.0))
    spokes = reach[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    coords = centre[at] + np.einsum("nij,nj->ni", frame[at], spokes)
    return shapely.polygons(shapely.linearrings(coords, indices=at))


def _cut(chain: NDArray[np.float64]) -> NDArray[np.float64]:
    """`chain` without repeated vertices and with long edges cut."""
    chain = _tidy(chain)
    if len(chain) < 2:
        return chain
    return shapely.get_coordinates(shapely.segmentize(shapely.LineString(chain), LONGEST_EDGE_M))


def _tidy(chain: NDArray[np.float64]) -> NDArray[np.float64]:
    """`chain` without repeated vertices."""
    step = np.hypot(*np.diff(chain, axis=0).T)
    return chain[np.insert(step > 1e-6, 0, True)]


def geodesic_circles(crs: str, centres_m: NDArray[np.float64], distance_m: float) -> NDArray[np.object_]:
    """Circumscribed circles whose vertices are set out by geodesics: right for any radius and projection."""
    sides = round(360.0 / ARC_STEP_DEG)
    lon, lat = to_geodetic(crs, centres_m[:, 0], centres_m[:, 1])
    azimuth = -np.arange(sides) * ARC_STEP_DEG
    shape = (len(lon), sides)
    lon2, lat2, _ = geod_of(crs).fwd(
        np.broadcast_to(lon[:, None], shape).ravel(),
        np.broadcast_to(lat[:, None], shape).ravel(),
        np.broadcast_to(azimuth, shape).ravel(),
        np.full(len(lon) * sides, distance_m * SECANT),
    )
    easting, northing = from_geodetic(crs, lon2, lat2)
    return shapely.polygons(np.stack([easting.reshape(shape), northing.reshape(shape)], axis=2))


def _without_cracks(zone: BaseGeometry, distance_m: float) -> BaseGeometry:
    """Fill holes too small to be anything but rounding between pieces."""
    least = 1e-6 * distance_m**2

    def filled(polygon: shapely.Polygon) -> shapely.Polygon:
        return shapely.Polygon(
            polygon.exterior, [ring for ring in polygon.interiors if shapely.Polygon(ring).area > least]
        )

    if zone.geom_type == "Polygon":
        return filled(zone)
    return shapely.MultiPolygon([filled(part) for part in zone.geoms])
