"""Whether the ends of the line, and the points it passes, lie where a line may lie."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from corridor.io.crs import MAX_SCALE_ERROR, utm_code
from corridor.model.layers import Layer
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed
from corridor.routing.geodesy import scale_factor, to_wgs84
from corridor.terrain.sampling import depth_at
from corridor.terrain.zones import signed_distance_m, standoff_limits_m, stay_within_limit_m

SCALE_WARNING = 0.002
"""Beyond this share of stretch a CRS is far from home: UTM stays below it 400 km from its meridian."""


def position_faults(
    name: str,
    end: RouteEnd,
    seabed: Seabed,
    layers: Sequence[Layer],
    rules: RouteRules | None,
    where: str,
    *,
    tie_in: bool = True,
) -> list[str]:
    """Every reason why the line may not begin, end or pass there.

    Parameters
    ----------
    name : str
        "start", "end", "via[1]".
    end : RouteEnd
    seabed : Seabed
    layers : sequence of Layer
    rules : RouteRules or None
        None when they are at fault themselves: depth and zones are then not judged.
    where : str
    tie_in : bool
        Whether the zones of ``tie_in_layers`` may hold this point: True for ends, False on the way.
    """
    title = f"{name} ({end.easting:.1f} E, {end.northing:.1f} N)"
    faults = _depth_faults(title, end, seabed, rules, where)
    if rules is None:
        return faults
    for layer in layers:
        if layer.rule == "avoid" and len(layer):
            allowed = tie_in and layer.name in rules.tie_in_layers
            faults += _zone_faults(title, end, layer, rules, seabed.crs, where, allowed, tie_in)
        elif layer.rule == "stay_within" and len(layer):
            faults += _within_faults(title, end, layer, rules, seabed.crs, where)
    return faults


def _depth_faults(
    title: str, end: RouteEnd, seabed: Seabed, rules: RouteRules | None, where: str
) -> list[str]:
    west, south, east, north = seabed.bounds_m
    if not any(_in_box(surface.grid.bounds_m, end.easting, end.northing) for surface in seabed.surfaces):
        remedy = "move it, or add a surface that covers it"
        if _in_box(seabed.bounds_m, end.northing, end.easting):
            remedy = "easting and northing look exchanged"
        elif abs(end.easting) <= 180.0 and abs(end.northing) <= 90.0:
            remedy = f"these look like degrees; give eastings and northings in {seabed.crs}"
        return [
            f"{title} must lie on the seabed ({west:.0f} to {east:.0f} E, {south:.0f} to {north:.0f} N): "
            f"{where}; {remedy}"
        ]
    depth = float(depth_at(seabed, [end.easting], [end.northing])[0][0])
    if math.isnan(depth):
        return [
            f"{title} lies on a hole of the seabed (no depth there or in a cell beside it): {where}; "
            "move it, or add a surface that covers it"
        ]
    if rules is not None and not rules.depth_range_m[0] <= depth <= rules.depth_range_m[1]:
        limits = f"{rules.depth_range_m[0]:g} to {rules.depth_range_m[1]:g} m"
        return [
            f"{title} must lie within depth_range_m, {limits} (got {depth:.2f} m): {where}; "
            "move it, or widen the range"
        ]
    return []


def _in_box(bounds: tuple[float, float, float, float], easting: float, northing: float) -> bool:
    return bounds[0] <= easting <= bounds[2] and bounds[1] <= northing <= bounds[3]


def _zone_faults(
    title: str,
    end: RouteEnd,
    layer: Layer,
    rules: RouteRules,
    crs: str,
    where: str,
    allowed: bool,
    may_tie_in: bool,
) -> list[str]:
    """Zones of an avoid layer that hold a point, unless it may lie in them and can leave them."""
    limits = standoff_limits_m(layer, rules, crs)
    point = shapely.Point(end.easting, end.northing)
    near = np.flatnonzero(shapely.distance(layer.geometries, point) <= limits)
    scale = float(scale_factor(crs, end.easting, end.northing))
    x, y = np.array([end.easting]), np.array([end.northing])
    faults = []
    for i in near:
        distance = float(signed_distance_m(layer.geometries[i], x, y)[0])
        if not distance < limits[i]:
            continue
        zone = f"feature {layer.features[i]!r} of layer {layer.name!r}"
        depth_inside, needed = (limits[i] - distance) / scale, limits[i] / scale
        if not allowed:
            ways = [f"move it by {depth_inside:.1f} m or more"]
            if may_tie_in:
                ways.append(f"list {layer.name!r} in tie_in_layers if the line is meant to join it there")
            faults.append(
                f"{title} must keep {needed:.1f} m from {zone}, standoff, position uncertainty and "
                f"lay tolerance together (got {_apart(distance / scale)}): {where}; {', or '.join(ways)}"
            )
        elif depth_inside > rules.tie_in_length_m:
            faults.append(
                f"tie_in_length_m must be > {depth_inside:.1f} m, the shortest way from {title} out of "
                f"{zone} (got {rules.tie_in_length_m:g} m): {where}; lengthen it"
            )
    return faults


def _apart(distance_m: float) -> str:
    return f"{distance_m:.1f} m" if distance_m >= 0.0 else f"{-distance_m:.1f} m inside"


def _within_faults(
    title: str, end: RouteEnd, layer: Layer, rules: RouteRules, crs: str, where: str
) -> list[str]:
    limit = stay_within_limit_m(layer, rules, crs)
    ground = shapely.union_all(layer.geometries)
    distance = float(signed_distance_m(ground, np.array([end.easting]), np.array([end.northing]))[0])
    if distance <= -limit:
        return []
    return [
        f"{title} must lie inside layer {layer.name!r} (rule stay_within), {limit:.1f} m from its edge "
        f"(got {abs(distance):.1f} m {'inside' if distance < 0.0 else 'outside'}): {where}; "
        "move it, or widen the layer's ground"
    ]


def scale_faults(ends: Sequence[RouteEnd], crs: str, where: str) -> tuple[list[str], list[str]]:
    """Faults and warnings about how far the project CRS stretches lengths at the ends.

    Lengths, radii and slopes are computed on the grid; where a metre on it is
    not a metre on the ground they are wrong by that much.
    """
    scales = np.array([float(scale_factor(crs, end.easting, end.northing)) for end in ends])
    worst = int(np.nanargmax(np.where(np.isfinite(scales), np.abs(scales - 1.0), np.inf)))
    scale = scales[worst]
    if abs(scale - 1.0) <= SCALE_WARNING:
        return [], []
    lon, lat = to_wgs84(crs, ends[worst].easting, ends[worst].northing)
    place = f"({ends[worst].easting:.1f} E, {ends[worst].northing:.1f} N)"
    remedy = "check the coordinates"
    if math.isfinite(float(lon)) and abs(float(lat)) < 84.0:
        code = utm_code(float(lon), float(lat))
        remedy = f"use the UTM zone of the site, 'EPSG:{code}', or check the coordinates"
    text = (
        f"a grid metre of {crs} must be a ground metre to {MAX_SCALE_ERROR:.0%} "
        f"(got scale {scale:.5f} at {place})"
    )
    if not abs(scale - 1.0) <= MAX_SCALE_ERROR:
        return [f"{text}: {where}; {remedy}"], []
    return [], [f"{crs} stretches lengths by {scale - 1.0:+.2%} at {place}: {where}; {remedy}"]


def rule_faults(
    rules: RouteRules, layers: Sequence[Layer], names: Sequence[str], where: str
) -> tuple[list[str], list[str]]:
    """Faults and warnings about the tie-in settings.

    Parameters
    ----------
    layers : sequence of Layer
        Those that could be read.
    names : sequence of str
        Of all layers in the project file.
    """
    faults, warnings = [], []
    known = ", ".join(repr(name) for name in names) or "none"
    read = {layer.name: layer for layer in layers}
    for name in rules.tie_in_layers:
        if name not in names:
            faults.append(f"tie_in_layers names {name!r}, which is no layer: {where}; the layers are {known}")
        elif name in read and read[name].rule != "avoid":
            warnings.append(
                f"tie_in_layers names {name!r}, whose rule is {read[name].rule!r}: {where}; no effect"
            )
    if rules.tie_in_length_m > 0.0 and not rules.tie_in_layers:
        warnings.append(f"tie_in_length_m has no effect without tie_in_layers: {where}")
    return faults, warnings
