"""Buffers true to the ground: what is published and what the search keeps clear of.

``true zone ⊆ published outline ⊆ everything within grid_distance_m of the feature``

The true zone is every point within the distance, in ground metres on the
ellipsoid, of the feature as drawn on the project grid. The outline contains it
and exceeds it by less than 0.1 % in area (measured in the tests: 0.064 % for
arcs of 5 degrees a side, and the allowances below). A line that stays
`grid_distance_m` away, on the grid, is outside every published outline.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from corridor.permit.ground import frames_in_boxes
from corridor.permit.hulls import geodesic_circles, hull
from corridor.permit.offsets import SECANT, circles, outlines, rings_of

ROUNDING_M = 0.002
ROUNDING_SHARE = 1e-4
"""Outlines are drawn wider by the lesser of these two (m, share of the distance),
so that coordinates rounded to the published decimals still contain the zone."""

EVEN_SPREAD = 4e-5
"""A feature in whose surroundings the scale varies by less is treated in one frame."""

REPEATED_M = 1e-6


def drawn_distance_m(ground_m: ArrayLike) -> NDArray[np.float64]:
    """Distance outlines are drawn at: `ground_m` and the allowance for rounding."""
    ground = np.asarray(ground_m, float)
    return ground + np.minimum(ROUNDING_M, ROUNDING_SHARE * ground)


def ground_buffers(crs: str, geometries: ArrayLike, ground_m: ArrayLike) -> NDArray[np.object_]:
    """Published outlines: `geometries` widened by `ground_m` ground metres each.

    Parameters
    ----------
    crs : str
        Projected CRS of the geometries, m.
    geometries : array (n,) of shapely geometries, valid, not empty
    ground_m : array (n,), ground metres, >= 0

    Returns
    -------
    array (n,) of shapely geometries, project CRS
        Where the distance is 0 the feature itself, unchanged.
    """
    shapes = np.asarray(geometries, dtype=object)
    ground = np.broadcast_to(np.asarray(ground_m, float), shapes.shape)
    result = shapes.copy()
    wide = np.flatnonzero(ground > 0.0)
    if not len(wide):
        return result
    distance = drawn_distance_m(ground[wide])
    reach = 1.1 * distance[:, None] * np.array([-1.0, -1.0, 1.0, 1.0])
    frames, spread, _ = frames_in_boxes(crs, shapely.bounds(shapes[wide]) + reach)
    even = spread < EVEN_SPREAD
    kinds = shapely.get_type_id(shapes[wide])
    holes = shapely.get_num_interior_rings(shapes[wide]) > 0
    points = kinds == shapely.GeometryType.POINT
    chains = (
        ((kinds == shapely.GeometryType.LINESTRING) | (kinds == shapely.GeometryType.POLYGON)) & ~holes & even
    )
    drawn = np.empty(len(wide), dtype=object)
    near = points & even
    drawn[near] = _even_circles(shapes[wide][near], frames[near], distance[near] * (1.0 + spread[near]))
    drawn[chains] = _even_outlines(
        shapes[wide][chains], frames[chains], distance[chains] * (1.0 + spread[chains])
    )
    for i in np.flatnonzero(points & ~even):
        drawn[i] = geodesic_circles(crs, shapely.get_coordinates(shapes[wide][i]), distance[i])[0]
    for i in np.flatnonzero(shapely.is_missing(drawn)):
        frame = (frames[i], float(spread[i])) if even[i] else None
        drawn[i] = hull(crs, shapes[wide][i], float(distance[i]), frame)
    result[wide] = drawn
    return result


def _even_circles(
    points: NDArray[np.object_], frames: NDArray[np.float64], distance_m: NDArray[np.float64]
) -> NDArray[np.object_]:
    rings = np.einsum("nij,nkj->nki", frames, circles(distance_m))
    return shapely.polygons(shapely.get_coordinates(points)[:, None, :] + rings)


def _even_outlines(
    shapes: NDArray[np.object_], frames: NDArray[np.float64], distance_m: NDArray[np.float64]
) -> NDArray[np.object_]:
    """Outlines of lines and simple polygons, each in one frame; None where the general method is needed."""
    result = np.empty(len(shapes), dtype=object)
    tidy = shapely.remove_repeated_points(shapes, REPEATED_M)
    usable = np.flatnonzero(shapely.is_valid(tidy) & (shapely.length(tidy) > 0.0))
    if not len(usable):
        return result
    coords, ring = rings_of(tidy[usable])
    origin = shapely.bounds(tidy[usable])[:, :2]
    frame = frames[usable]
    local = np.einsum("nij,nj->ni", np.linalg.inv(frame)[ring], coords - origin[ring])
    source = _in_frame(tidy[usable], origin, np.linalg.inv(frame))
    drawn, owner, sound = outlines(local, ring, distance_m[usable])
    rings = shapely.linearrings(drawn, indices=owner)
    outline = shapely.polygons(rings)
    sound &= shapely.is_valid(outline)
    # The outline is the zone's when no part of it comes nearer to the feature than the distance.
    nearest = np.zeros(len(usable))
    nearest[sound] = shapely.distance(rings[sound], source[sound])
    sound &= nearest > distance_m[usable] * (1.0 - 1e-9) - 1e-9
    sound &= shapely.contains_xy(outline, *_first_points(source))
    back = np.einsum("nij,nj->ni", frame[owner], drawn) + origin[owner]
    grid = shapely.polygons(shapely.linearrings(back, indices=owner))
    result[usable[sound]] = grid[sound]
    return result


def _in_frame(
    shapes: NDArray[np.object_], origin: NDArray[np.float64], inverse: NDArray[np.floating]
) -> NDArray[np.object_]:
    """`shapes` in their own ground frames."""
    coords, index = shapely.get_coordinates(shapes, return_index=True)
    moved = np.einsum("nij,nj->ni", inverse[index], coords - origin[index])
    return shapely.set_coordinates(shapely.force_2d(shapes), moved)


def _first_points(shapes: NDArray[np.object_]) -> tuple[NDArray, NDArray]:
    coords, index = shapely.get_coordinates(shapes, return_index=True)
    first = np.searchsorted(index, np.arange(len(shapes)))
    return coords[first, 0], coords[first, 1]


def grid_distance_m(crs: str, geometries: ArrayLike, ground_m: ArrayLike) -> NDArray[np.float64]:
    """Grid metres to keep from each feature so that the line stays outside its published outline.

    Parameters
    ----------
    crs, geometries, ground_m
        As for :func:`ground_buffers`; `ground_m` from
        :func:`corridor.model.permit.zone_distance_m`.

    Returns
    -------
    array (n,), grid metres
        The ground distance times the largest scale factor about the feature,
        and the corners of the outline's arcs (0.1 %). 0 where the ground distance is 0.
    """
    shapes = np.asarray(geometries, dtype=object)
    ground = np.broadcast_to(np.asarray(ground_m, float), shapes.shape)
    result = np.zeros(len(shapes))
    wide = np.flatnonzero(ground > 0.0)
    if len(wide):
        distance = drawn_distance_m(ground[wide])
        reach = 1.1 * distance[:, None] * np.array([-1.0, -1.0, 1.0, 1.0])
        _, spread, largest = frames_in_boxes(crs, shapely.bounds(shapes[wide]) + reach)
        result[wide] = distance * SECANT * largest * (1.0 + spread)
    return result
