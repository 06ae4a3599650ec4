"""Layers for the map: shapes in degrees, packed, with names as plain text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.permit.columns import publishable
from corridor.publish.packing import packed_numbers
from corridor.publish.palette import RULE_WORDS
from corridor.publish.summary import json_ready
from corridor.routing.geodesy import to_wgs84
from corridor.terrain.zones import standoff_limits_m

DEGREE_PLACES = 7
"""Decimals of degrees on the map: a centimetre."""

MOST_VERTICES = 80_000
MOST_ATTRIBUTES = 20
MOST_FEATURES_WITH_ATTRIBUTES = 3_000
_CORNERS = 16  # of a quarter circle
_TOLERANCES_M = (0.0, 0.5, 2.0, 5.0, 10.0, 25.0, 50.0, 100.0, 250.0, 500.0, 1000.0)


def map_layers(project: Project) -> dict[str, Any]:
    """All layers that hold features.

    Returns
    -------
    dict with ``layers`` and ``tolerance_m``: shapes with very many vertices are
    drawn this much simpler than they are; the files keep every vertex.
    """
    layers = [layer for layer in project.layers if len(layer)]
    vertices = sum(int(shapely.get_num_coordinates(layer.geometries).sum()) for layer in layers)
    for tolerance in _TOLERANCES_M:
        drawn = [_simplified(layer.geometries, tolerance) for layer in layers]
        vertices = sum(int(shapely.get_num_coordinates(shapes).sum()) for shapes in drawn)
        if vertices <= MOST_VERTICES:
            break
    entries = (
        [_layer(project, layer, shapes) for layer, shapes in zip(layers, drawn, strict=True)]
        if layers
        else []
    )
    return {"layers": entries, "tolerance_m": tolerance if layers else 0.0}


def ring_shapes(layer: Layer, project: Project) -> NDArray[np.object_]:
    """Outline of the ground within the standoff of each feature; empty where there is none.

    The circle's corners lie outside the true circle by its own sagitta, so that
    the outline always contains the true zone.
    """
    limit = standoff_limits_m(layer, project.rules, project.crs)
    if layer.rule != "avoid":
        limit = np.zeros(len(layer))
    wide = limit / np.cos(np.pi / (4.0 * _CORNERS))
    rings = shapely.buffer(layer.geometries, wide, quad_segs=_CORNERS)
    rings[~(limit > 0.0)] = shapely.Polygon()
    return rings


def _simplified(shapes: NDArray[np.object_], tolerance: float) -> NDArray[np.object_]:
    return shapes if tolerance == 0.0 else shapely.simplify(shapes, tolerance)


def _layer(project: Project, layer: Layer, shapes: NDArray[np.object_]) -> dict[str, Any]:
    with_attributes = len(layer) <= MOST_FEATURES_WITH_ATTRIBUTES
    zones = project.tables.get("zones")
    columns, _ = publishable(layer, zones.publish_columns if zones else ())
    return {
        "name": layer.name,
        "rule": layer.rule,
        "word": RULE_WORDS.get(layer.rule, layer.rule),
        "facts": layer_facts(layer),
        "names": list(layer.features),
        "standoff_m": json_ready(np.round(layer.standoff_m, 3)),
        "attributes": [_attributes(item, columns) for item in layer.attributes] if with_attributes else [],
        "shapes": packed_shapes(shapes, project.crs),
        "rings": packed_shapes(ring_shapes(layer, project), project.crs),
    }


def layer_facts(layer: Layer) -> dict[str, Any]:
    """What its rule asks for, in the words of the project file."""
    facts: dict[str, Any] = {"file": layer.file, "features": len(layer)}
    if layer.rule == "discourage":
        facts["factor"] = layer.factor
    if layer.rule == "cross":
        facts["min_angle_deg"] = layer.min_angle_deg
        facts["straight_each_side_m"] = layer.straight_each_side_m
        facts["crossing_cost_m"] = layer.crossing_cost_m
    if layer.needs_consent:
        facts["needs_consent"] = True
    return facts


def _attributes(item: Mapping[str, Any], columns: tuple[str, ...]) -> dict[str, Any]:
    """A feature's attributes, without columns that look like personal data."""
    kept = [(key, item[key]) for key in columns if item.get(key) is not None][:MOST_ATTRIBUTES]
    return {str(key): json_ready(value) for key, value in kept}


def packed_shapes(shapes: NDArray[np.object_], crs: str) -> dict[str, Any]:
    """Geometries as chains of vertices.

    Returns
    -------
    dict with ``chains``: one list per feature of [kind, vertices], kind 0 point,
    1 line, 2 outer ring, 3 hole of the ring before; ``lon``, ``lat``: all
    vertices in that order, packed.
    """
    chains: list[list[list[int]]] = []
    pieces: list[NDArray] = []
    for shape in shapes:
        parts = list(_chains(shape))
        chains.append([[kind, len(coordinates)] for kind, coordinates in parts])
        pieces += [coordinates for _, coordinates in parts]
    grid = np.concatenate(pieces) if pieces else np.zeros((0, 2))
    lon, lat = to_wgs84(crs, grid[:, 0], grid[:, 1])
    if len(lon):
        lon = lon[0] + (lon - lon[0] + 180.0) % 360.0 - 180.0
    return {
        "chains": chains,
        "lon": packed_numbers(lon, DEGREE_PLACES),
        "lat": packed_numbers(lat, DEGREE_PLACES),
    }


def _chains(shape: shapely.Geometry):
    """(kind, vertices) of every part of a geometry."""
    for part in shapely.get_parts(shape):
        if part.is_empty:
            continue
        if part.geom_type == "Polygon":
            yield 2, shapely.get_coordinates(part.exterior)[:-1]
            for hole in part.interiors:
                yield 3, shapely.get_coordinates(hole)[:-1]
        elif part.geom_type == "Point":
            yield 0, shapely.get_coordinates(part)
        elif part.geom_type in ("LineString", "LinearRing"):
            yield 1, shapely.get_coordinates(part)
        else:
            yield from _chains(part)
