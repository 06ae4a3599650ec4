"""GeoJSON by RFC 7946: WGS 84, right-hand rule, split at the antimeridian, no NaN."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from corridor.model.alignment import Alignment
from corridor.publish.lines import polyline, stretches
from corridor.publish.provenance import Stamp
from corridor.publish.tables import ordered, rows
from corridor.routing.geodesy import to_wgs84

PLACES = 9
"""Decimals of degrees: 0.1 mm on the ground, as in the CSV files."""


def feature(geometry: BaseGeometry | None, properties: Mapping[str, Any]) -> dict[str, Any]:
    """One feature from a geometry in WGS 84 degrees (longitude, latitude)."""
    shape = None if geometry is None or geometry.is_empty else _ruled(geometry)
    return {"type": "Feature", "geometry": shape, "properties": dict(properties)}


def write_geojson(path: Path, features: Iterable[Mapping[str, Any]], stamp: Stamp, **members: Any) -> None:
    """Write a FeatureCollection; `stamp` and `members` become foreign members (RFC 7946, section 6.1).

    The text holds one feature a line and is the same for the same content.
    """
    head = {"type": "FeatureCollection", "provenance": stamp.as_dict(), **members}
    with path.open("w", encoding="utf-8") as file:
        file.write(_text(head)[:-1] + ',"features":[\n')
        for number, item in enumerate(features):
            file.write((",\n" if number else "") + _text(item))
        file.write("\n]}\n")


def point_features(table: Mapping[str, ArrayLike]) -> list[dict[str, Any]]:
    """Points at a table's ``longitude_deg, latitude_deg``; every column becomes a property."""
    return [feature(_point(entry["longitude_deg"], entry["latitude_deg"]), entry) for entry in rows(table)]


def span_features(table: Mapping[str, ArrayLike], alignment: Alignment) -> list[dict[str, Any]]:
    """The stretch of line under each row's ``kp_start_km .. kp_end_km``."""
    chains = stretches(alignment, table["kp_start_km"], table["kp_end_km"])
    return [
        feature(split_line(chain.degrees), entry) for chain, entry in zip(chains, rows(table), strict=True)
    ]


def route_features(
    alignment: Alignment, points: Mapping[str, ArrayLike], length_m: float
) -> list[dict[str, Any]]:
    """The centreline, then its points as in alignment.csv."""
    line = split_line(polyline(alignment).degrees)
    head = {"kind": "centreline", "length_m": round(length_m, 3), "bends": alignment.bends}
    return [feature(line, head), *point_features(ordered("alignment", points))]


def to_degrees(geometry: BaseGeometry, crs: str) -> BaseGeometry:
    """A geometry of the project grid in WGS 84 degrees, split at the antimeridian.

    Vertices are moved, not added: a caller that needs long edges to keep their
    place cuts them first (:func:`shapely.segmentize`).
    """
    moved = shapely.transform(geometry, lambda xy: np.column_stack(to_wgs84(crs, xy[:, 0], xy[:, 1])))
    longitudes = shapely.get_coordinates(moved)[:, 0]
    if not len(longitudes) or np.ptp(longitudes) <= 180.0:
        return moved
    # A projected study spans far less than half the globe: this much means it lies across 180 degrees.
    east = shapely.transform(moved, lambda xy: np.column_stack([np.mod(xy[:, 0], 360.0), xy[:, 1]]))
    return _cut_at_180(east)


def split_line(degrees: NDArray) -> BaseGeometry:
    """A chain (n, 2) of longitude, latitude as LineString, MultiLineString across 180 degrees, or Point."""
    if len(degrees) < 2 or (degrees == degrees[0]).all():
        return shapely.Point(degrees[0])
    unwrapped = degrees.copy()
    unwrapped[:, 0] = np.unwrap(degrees[:, 0], period=360.0)
    line = shapely.LineString(unwrapped)
    if unwrapped[:, 0].max() <= 180.0 and unwrapped[:, 0].min() >= -180.0:
        return line
    return _cut_at_180(shapely.transform(line, _from_zero))


def _from_zero(xy: NDArray) -> NDArray:
    """Shift by whole turns so that the least longitude lies in [0, 360)."""
    return np.column_stack([xy[:, 0] - 360.0 * np.floor(xy[:, 0].min() / 360.0), xy[:, 1]])


def _cut_at_180(geometry: BaseGeometry) -> BaseGeometry:
    """Cut a geometry given in [0, 540) degrees at 180 and move the far part back (section 3.1.9)."""
    near = shapely.intersection(geometry, shapely.box(-180.0, -90.0, 180.0, 90.0))
    far = shapely.intersection(geometry, shapely.box(180.0, -90.0, 540.0, 90.0))
    back = shapely.transform(far, lambda xy: np.column_stack([xy[:, 0] - 360.0, xy[:, 1]]))
    parts = [part for whole in (near, back) for part in shapely.get_parts(whole) if not part.is_empty]
    widest = max((shapely.get_dimensions(part) for part in parts), default=0)
    parts = [part for part in parts if shapely.get_dimensions(part) == widest]
    if len(parts) == 1:
        return parts[0]
    kind = {0: shapely.MultiPoint, 1: shapely.MultiLineString, 2: shapely.MultiPolygon}[widest]
    return kind(parts)


def _point(longitude: float | None, latitude: float | None) -> BaseGeometry | None:
    return None if longitude is None or latitude is None else shapely.Point(longitude, latitude)


def _ruled(geometry: BaseGeometry) -> dict[str, Any]:
    """As a GeoJSON object: two dimensions, outer rings counter-clockwise (section 3.1.6)."""
    flat = shapely.force_2d(geometry)
    if flat.geom_type == "Polygon":
        flat = orient(flat, 1.0)
    elif flat.geom_type == "MultiPolygon":
        flat = shapely.MultiPolygon([orient(part, 1.0) for part in flat.geoms])
    return _rounded(mapping(flat))


def _rounded(shape: Any) -> Any:
    if isinstance(shape, Mapping):
        return {key: _rounded(value) for key, value in shape.items()}
    if isinstance(shape, (tuple, list)):
        return [_rounded(value) for value in shape]
    return round(shape, PLACES) + 0.0 if isinstance(shape, float) else shape


def _text(value: Any) -> str:
    """Compact JSON; a NaN or infinity is a fault of ours and raises ValueError."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
