"""From the project grid to longitude and latitude, as RFC 7946 wants it.

Exterior rings counter-clockwise, holes clockwise (section 3.1.6), nothing
across the antimeridian (section 3.1.9), WGS 84 (section 4). Long edges are cut
first: a reader draws straight lines between longitudes and latitudes, the
project draws them on its grid, and the two must not part.
"""

from __future__ import annotations

import numpy as np
import pyproj
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from corridor.permit.ground import geod_of, horizontal_crs, to_geodetic

LONGEST_M = 200.0
"""An edge of this length on the grid and its straight line in longitude and latitude part by
1.4 mm at 60 degrees of latitude (chord of a parallel: L**2 tan(lat) / (8 R), on a sphere)."""

PLACES = 9
"""Decimals of published degrees: 0.1 mm."""


def cut_edges(geometries: ArrayLike, longest_m: float | NDArray = LONGEST_M) -> NDArray[np.object_]:
    """`geometries` with edges cut to `longest_m`; the shape is the same."""
    shapes = np.asarray(geometries, dtype=object)
    return shapely.segmentize(shapes, longest_m)


def longest_edge_m(buffer_m: ArrayLike, latitude_deg: ArrayLike) -> NDArray[np.float64]:
    """How long edges may be so that the outline still contains the zone when drawn in degrees.

    Zones of a small buffer have a small allowance for rounding, and parallels
    curve more towards the poles: both need closer vertices.
    """
    buffer = np.asarray(buffer_m, float)
    by_size = np.where(buffer > 0.0, np.clip(20.0 * buffer, 20.0, LONGEST_M), LONGEST_M)
    steep = np.tan(np.radians(np.clip(np.abs(latitude_deg), 60.0, 89.9))) / np.tan(np.radians(60.0))
    return by_size / np.sqrt(steep)


def to_lonlat(crs: str, geometries: ArrayLike) -> NDArray[np.object_]:
    """Grid geometries -> WGS 84 longitude and latitude, rounded, oriented and split at 180 degrees.

    Parameters
    ----------
    crs : str
    geometries : array (n,) of shapely geometries, project CRS
        Cut long edges first (:func:`cut_edges`).
    """
    shapes = shapely.force_2d(np.asarray(geometries, dtype=object))
    transformer = pyproj.Transformer.from_crs(horizontal_crs(crs), "EPSG:4326", always_xy=True)
    moved = _mapped(shapes, lambda c: np.column_stack(transformer.transform(c[:, 0], c[:, 1])))
    bounds = shapely.bounds(moved)
    for i in np.flatnonzero(bounds[:, 2] - bounds[:, 0] > 180.0):
        moved[i] = split_at_antimeridian(unwrapped(moved[i]))
    rounded = _mapped(moved, lambda c: np.round(c, PLACES))
    return oriented(rounded)


def _mapped(shapes: NDArray[np.object_], function) -> NDArray[np.object_]:
    return np.asarray(shapely.transform(shapes, function), dtype=object)


def oriented(geometries: NDArray[np.object_]) -> NDArray[np.object_]:
    """Right-hand rule of RFC 7946: exterior rings counter-clockwise, holes clockwise."""
    result = np.array(geometries, dtype=object)
    kinds = shapely.get_type_id(result)
    plain = (kinds == shapely.GeometryType.POLYGON) & (shapely.get_num_interior_rings(result) == 0)
    index = np.flatnonzero(plain)
    clockwise = index[~shapely.is_ccw(shapely.get_exterior_ring(result[index]))]
    result[clockwise] = shapely.reverse(result[clockwise])
    for i in np.flatnonzero((kinds >= shapely.GeometryType.POLYGON) & ~plain):
        result[i] = _oriented_parts(result[i])
    return result


def _oriented_parts(geometry: BaseGeometry) -> BaseGeometry:
    if geometry.geom_type == "Polygon":
        return shapely.geometry.polygon.orient(geometry)
    if geometry.geom_type in ("MultiPolygon", "GeometryCollection"):
        return type(geometry)([_oriented_parts(part) for part in geometry.geoms])
    return geometry


def unwrapped(geometry: BaseGeometry) -> BaseGeometry:
    """`geometry` with longitudes that run on past 180 degrees instead of jumping.

    Parts and rings are brought to the same turn of the globe as the first vertex.
    """
    first = float(shapely.get_coordinates(geometry)[0, 0])

    def ring(coords: NDArray[np.float64]) -> NDArray[np.float64]:
        lon = np.unwrap(coords[:, 0], period=360.0)
        lon = lon + 360.0 * np.round((first - lon.mean()) / 360.0)
        return np.column_stack([lon, coords[:, 1]])

    return _rebuilt(geometry, ring)


def _rebuilt(geometry: BaseGeometry, ring) -> BaseGeometry:
    """Apply `ring` to the vertices of every part on its own."""
    if geometry.geom_type == "Polygon":
        shell = ring(shapely.get_coordinates(geometry.exterior))
        if abs(shell[-1, 0] - shell[0, 0]) > 1e-6:
            shell = _around_pole(shell)
        return shapely.Polygon(shell, [ring(shapely.get_coordinates(hole)) for hole in geometry.interiors])
    if hasattr(geometry, "geoms"):
        return type(geometry)([_rebuilt(part, ring) for part in geometry.geoms])
    return type(geometry)(ring(shapely.get_coordinates(geometry)))


def _around_pole(shell: NDArray[np.float64]) -> NDArray[np.float64]:
    """Close a ring that goes once around a pole along that pole's parallel of 90 degrees."""
    pole = 90.0 if shell[:, 1].mean() > 0.0 else -90.0
    over = np.array([[shell[-1, 0], pole], [shell[0, 0], pole], shell[0]])
    return np.concatenate([shell, over])


def split_at_antimeridian(geometry: BaseGeometry) -> BaseGeometry:
    """Cut a geometry whose longitudes run on past +-180 and bring every part into [-180, 180]."""
    west, _, east, _ = geometry.bounds
    parts: list[BaseGeometry] = []
    for turn in range(int(np.floor((west + 180.0) / 360.0)), int(np.floor((east + 180.0) / 360.0)) + 1):
        middle = 360.0 * turn
        part = shapely.intersection(geometry, shapely.box(middle - 180.0, -90.0, middle + 180.0, 90.0))
        part = shapely.transform(part, lambda c, m=middle: c - np.array([m, 0.0]))
        parts += [piece for piece in _flat(part) if piece.geom_type.endswith(_kind(geometry))]
    if len(parts) == 1:
        return parts[0]
    return {
        "Point": shapely.MultiPoint,
        "LineString": shapely.MultiLineString,
        "Polygon": shapely.MultiPolygon,
    }[_kind(geometry)](parts)


def _flat(geometry: BaseGeometry) -> list[BaseGeometry]:
    if hasattr(geometry, "geoms"):
        return [part for member in geometry.geoms for part in _flat(member)]
    return [] if geometry.is_empty else [geometry]


def _kind(geometry: BaseGeometry) -> str:
    """Point, LineString or Polygon: what the parts of `geometry` are."""
    dimension = int(shapely.get_dimensions(geometry))
    return ("Point", "LineString", "Polygon")[dimension]


def ellipsoidal_areas(crs: str, geometries: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Area (m²) and perimeter (m) on the ellipsoid of `crs`, geodesic edges; lengths for lines.

    Cut long edges first. Source: pyproj.Geod (C. F. F. Karney 2013, *J. Geodesy* 87).
    """
    shapes = np.asarray(geometries, dtype=object)
    lonlat = _mapped(shapely.force_2d(shapes), lambda c: np.column_stack(to_geodetic(crs, c[:, 0], c[:, 1])))
    geod = geod_of(crs)
    figures = [_area_perimeter(geod, geometry) for geometry in lonlat]
    values = np.array(figures, dtype=float).reshape(len(shapes), 2)
    return values[:, 0], values[:, 1]


def _area_perimeter(geod: pyproj.Geod, geometry: BaseGeometry) -> tuple[float, float]:
    if geometry.geom_type == "Polygon":
        area, perimeter = _ring(geod, geometry.exterior)
        for hole in geometry.interiors:
            hole_area, hole_perimeter = _ring(geod, hole)
            area, perimeter = area - hole_area, perimeter + hole_perimeter
        return area, perimeter
    if hasattr(geometry, "geoms"):
        parts = [_area_perimeter(geod, part) for part in geometry.geoms]
        return sum(part[0] for part in parts), sum(part[1] for part in parts)
    if geometry.geom_type == "LineString":
        return 0.0, float(geod.line_length(*shapely.get_coordinates(geometry).T))
    return 0.0, 0.0


def _ring(geod: pyproj.Geod, ring: BaseGeometry) -> tuple[float, float]:
    area, perimeter = geod.polygon_area_perimeter(*shapely.get_coordinates(ring).T)
    return abs(area), perimeter
