"""Circumscribed offsets of points, lines and simple polygons, many at a time.

All coordinates are in a plane where one unit is one ground metre. Arcs are
drawn outside the circle: each vertex at ``r / cos(step / 2)``, so that every
side touches the circle and none cuts it. A full circle of n sides exceeds
``pi r**2`` by the factor ``tan(pi/n) / (pi/n)``: 0.064 % at 5 degrees a side
(plane geometry, exact).
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

ARC_STEP_DEG = 5.0
ARC_STEP_RAD = np.radians(ARC_STEP_DEG)
SECANT = 1.0 / np.cos(ARC_STEP_RAD / 2.0)
"""No vertex lies farther from the feature than this times the distance."""

SHARPEST_RAD = np.radians(170.0)
"""Inward turns beyond this are left to the general method."""


def circles(radius_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Circumscribed circles about the origin, closed rings (n, sides + 1, 2), counter-clockwise."""
    sides = round(360.0 / ARC_STEP_DEG)
    angle = (np.arange(sides + 1) % sides) * ARC_STEP_RAD
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    return np.asarray(radius_m, float)[:, None, None] * SECANT * ring[None]


def outlines(
    coords: NDArray[np.float64], ring: NDArray[np.int64], distance_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.bool_]]:
    """Offset closed rings to their right, all at once.

    Parameters
    ----------
    coords : array (m, 2)
        Vertices of all rings, ring after ring, without the closing vertex and
        without repeated vertices. Polygons run counter-clockwise; a line runs
        to its end and back.
    ring : array (m,) int
        0, 1, 2, ...: which ring a vertex belongs to, ascending.
    distance_m : array (rings,), > 0

    Returns
    -------
    coords : array (k, 2)
        Vertices of the outlines, closed.
    ring : array (k,) int
    sound : array (rings,) bool
        False where an inward turn has no room: the outline is not to be used.
        True says nothing about distant parts of a ring coming near each other;
        the caller checks that.
    """
    first = np.searchsorted(ring, np.arange(len(distance_m)))
    last = np.append(first[1:], len(ring)) - 1
    ahead = np.arange(1, len(ring) + 1)
    ahead[last] = first
    before = np.arange(-1, len(ring) - 1)
    before[first] = last
    edge = coords[ahead] - coords
    length = np.hypot(edge[:, 0], edge[:, 1])
    bearing = np.arctan2(edge[:, 1], edge[:, 0])
    turn = bearing - bearing[before]
    turn = np.arctan2(np.sin(turn), np.cos(turn))
    # A reversal is an end of a line: always outward, whatever the sign of pi.
    turn = np.where(np.abs(turn) > np.pi - 1e-9, np.pi, turn)
    r = distance_m[ring]
    inward = turn < 0.0
    retreat = np.where(inward, r * np.tan(np.minimum(-turn, SHARPEST_RAD) / 2.0), 0.0)
    bad = (inward & (-turn > SHARPEST_RAD)) | (length <= retreat + retreat[ahead])
    sound = np.bincount(ring, weights=bad, minlength=len(distance_m)) == 0

    pieces = np.where(inward, 1, np.maximum(np.ceil(turn / ARC_STEP_RAD - 1e-9), 1)).astype(np.int64)
    at = np.repeat(np.arange(len(ring)), pieces)
    number = np.arange(len(at)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    step = turn[at] / pieces[at]
    # Right normal of the edge that arrives, turned to the middle of the piece.
    angle = bearing[before][at] - np.pi / 2.0 + (number + 0.5) * step
    reach = r[at] / np.cos(step / 2.0)
    points = coords[at] + reach[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return (*_closed(points, ring[at], len(distance_m)), sound)


def _closed(points: NDArray, ring: NDArray, rings: int) -> tuple[NDArray, NDArray]:
    """Repeat the first vertex of every ring at its end."""
    first = np.searchsorted(ring, np.arange(rings))
    end = np.append(first[1:], len(ring))
    return np.insert(points, end, points[first], axis=0), np.insert(ring, end, ring[first])


def rings_of(geometries: NDArray[np.object_]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Vertices and ring numbers of lines and of polygons without holes, as :func:`outlines` wants them."""
    parts, numbers = [], []
    line = shapely.get_type_id(geometries) == shapely.GeometryType.LINESTRING
    there, index = shapely.get_coordinates(geometries[line], return_index=True)
    if len(there):
        back, back_index = there[::-1], index[::-1]
        keep = ~_ends(back_index)
        coords = np.concatenate([there, back[keep]])
        owner = np.concatenate([index, back_index[keep]])
        order = np.argsort(owner, kind="stable")
        parts.append(coords[order])
        numbers.append(np.flatnonzero(line)[owner[order]])
    polygons = geometries[~line]
    exterior = shapely.get_exterior_ring(polygons)
    clockwise = ~shapely.is_ccw(exterior)
    exterior[clockwise] = shapely.reverse(exterior[clockwise])
    coords, index = shapely.get_coordinates(exterior, return_index=True)
    if len(coords):
        last = np.append(index[1:] != index[:-1], True)
        parts.append(coords[~last])
        numbers.append(np.flatnonzero(~line)[index[~last]])
    coords = np.concatenate(parts) if parts else np.empty((0, 2))
    number = np.concatenate(numbers) if numbers else np.empty(0, dtype=np.int64)
    order = np.argsort(number, kind="stable")
    return coords[order], number[order]


def _ends(index: NDArray) -> NDArray[np.bool_]:
    """True at the first and last entry of every run of equal numbers."""
    change = index[1:] != index[:-1]
    return np.append(change, True) | np.insert(change, 0, True)
