"""How near the line comes to every feature, by exact geometry, and whether that is far enough."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.assess.crossings import Crossing, crossed
from corridor.assess.findings import LENGTH_M, SHARE
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.results import Table
from corridor.model.rules import RouteRules
from corridor.routing.approach import (
    length_m,
    nearest_approach,
    stretches_inside,
    stretches_within,
    without,
)
from corridor.routing.geodesy import scale_factor
from corridor.routing.geometry import Elements, at_station, part


@dataclass(frozen=True, slots=True)
class Near:
    """Where the line comes nearest to a feature: chainage, ground metres, grid per ground metre, side.

    `distance_m` is 0 where the line meets the feature; `side` is "left", "right" or "on line".
    """

    station_m: float
    distance_m: float
    scale: float
    side: str


@dataclass(frozen=True, slots=True, eq=False)
class Approach:
    """The nearest approach of one feature, judged.

    Attributes
    ----------
    layer, feature : Layer and index of the feature in it
    near : Near
    limit_m : nearest allowed distance, ground metres; NaN where there is none
    broken : array (k, 2)
        Chainages between which the line is nearer than allowed.
    ends_m : tuple
        Chainages of the line's ends for which the feature is a tie-in zone.
    reach_m : float
        Tie-in zones: longest chainage from those ends at which the line is still inside the zone.
    ok : bool
    """

    layer: Layer
    feature: int
    near: Near
    limit_m: float
    broken: NDArray[np.float64]
    ends_m: tuple[float, ...]
    reach_m: float
    ok: bool

    @property
    def name(self) -> str:
        """What the feature is called."""
        return self.layer.features[self.feature]


NOTHING = np.empty((0, 2))


def approaches(line: Elements, project: Project, crossings: Sequence[Crossing]) -> tuple[Approach, ...]:
    """Nearest approach of every feature within ``rules.proximity_m``, layer after layer.

    Layers of rule *jurisdiction* are left out: their areas are passed through,
    not approached. An asset that is crossed has a row for its first crossing
    (no limit there) and, where its layer declares a standoff, one for the rest
    of the line: what is left when, on either side of each crossing, the
    straight that it needs and the length that leads out of the standoff at the
    least angle are taken out.
    """
    found: list[Approach] = []
    for layer in project.layers:
        if layer.rule == "jurisdiction" or len(layer) == 0:
            continue
        limits = limits_m(layer, project.rules)
        reach = max(project.rules.proximity_m, float(np.nan_to_num(limits).max()))
        for feature, near in _nearest(line, project.crs, layer.geometries, reach):
            found += _feature(line, project, layer, feature, near, float(limits[feature]), crossings)
    return tuple(found)


def limits_m(layer: Layer, rules: RouteRules) -> NDArray[np.float64]:
    """Nearest allowed distance of each feature, ground metres; NaN where there is none.

    Standoff, position uncertainty and lay tolerance together. Features of cross
    layers have a limit only where a standoff is declared.
    """
    total = layer.standoff_m + layer.position_uncertainty_m + rules.lay_tolerance_m
    if layer.rule == "avoid":
        return total
    if layer.rule == "cross":
        return np.where(layer.standoff_m > 0.0, total, np.nan)
    return np.full(len(layer), np.nan)


def _nearest(line: Elements, crs: str, geometries: NDArray, reach_m: float) -> list[tuple[int, Near]]:
    """Nearest approach of each geometry within `reach_m` ground metres, with its index."""
    distance, station = nearest_approach(line, geometries, reach_m * 1.01)
    index = np.flatnonzero(np.isfinite(distance))
    easting, northing, bearing = at_station(line, station[index])
    scale = scale_factor(crs, easting, northing)
    foot = shapely.get_point(shapely.shortest_line(shapely.points(easting, northing), geometries[index]), -1)
    east, north = shapely.get_x(foot) - easting, shapely.get_y(foot) - northing
    right = east * np.cos(bearing) - north * np.sin(bearing) >= 0.0
    side = np.where(np.hypot(east, north) <= 1e-6, "on line", np.where(right, "right", "left"))
    return [
        (int(i), Near(float(s), float(d / k), float(k), str(w)))
        for i, s, d, k, w in zip(index, station[index], distance[index], scale, side, strict=True)
        if d / k <= reach_m
    ]


def _feature(
    line: Elements,
    project: Project,
    layer: Layer,
    feature: int,
    near: Near,
    limit: float,
    crossings: Sequence[Crossing],
) -> list[Approach]:
    """The rows of one feature."""
    at = crossed(crossings, layer, feature)
    within = near.distance_m <= project.rules.proximity_m
    if not at and not math.isnan(limit):
        ends = _tie_in_ends(line, project, layer, feature, limit)
        judged = _judge(line, project, layer, feature, near, limit, ends)
        return [judged] if within or not judged.ok else []
    rows = [Approach(layer, feature, near, math.nan, NOTHING, (), 0.0, True)] if within else []
    if not math.isnan(limit):
        rows += _away_from_crossings(line, project, layer, feature, limit, at)
    return rows


def _judge(
    line: Elements,
    project: Project,
    layer: Layer,
    feature: int,
    near: Near,
    limit: float,
    ends: tuple[float, ...] = (),
) -> Approach:
    """One approach against its limit (ground metres); `near` belongs to the piece of line given."""
    geometry = layer.geometries[feature]
    least = limit - max(LENGTH_M, SHARE * limit)
    broken = NOTHING
    if near.distance_m < least or (near.distance_m == 0.0 and _enters(line, geometry)):
        broken = stretches_within(line, geometry, max(least, 0.0) * near.scale)
        if len(broken) == 0:  # a line or a point without standoff, met in one place
            broken = np.array([[near.station_m, near.station_m]])
    reach = 0.0
    if ends and len(broken):
        # Furthest from the nearer of the ends: at the edge of a stretch, or halfway between two ends.
        at = np.concatenate([broken.ravel(), np.clip(np.mean(ends), broken[:, 0], broken[:, 1])])
        reach = float(np.min(np.abs(at[:, None] - np.array(ends)), axis=1).max())
        for end in ends:
            length = project.rules.tie_in_length_m + LENGTH_M
            broken = without(broken, end - length, end + length)
    return Approach(layer, feature, near, limit, broken, ends, reach, len(broken) == 0)


def _enters(line: Elements, geometry: shapely.Geometry) -> bool:
    """True unless the line only touches the outside of an area."""
    if shapely.area(geometry) > 0.0:
        return length_m(stretches_inside(line, geometry)) > LENGTH_M
    return True


def _tie_in_ends(
    line: Elements, project: Project, layer: Layer, feature: int, limit: float
) -> tuple[float, ...]:
    """Chainages of the ends that lie in a tie-in zone, its standoff included."""
    if layer.name not in project.rules.tie_in_layers:
        return ()
    at = np.array([0.0, line.total_m])
    easting, northing, _ = at_station(line, at)
    distance = shapely.distance(layer.geometries[feature], shapely.points(easting, northing))
    inside = distance < np.maximum(limit * scale_factor(project.crs, easting, northing), LENGTH_M)
    return tuple(at[inside].tolist())


def _away_from_crossings(
    line: Elements, project: Project, layer: Layer, feature: int, limit: float, at: list[float]
) -> list[Approach]:
    """The nearest approach of a crossed asset on the line away from its crossings, if near enough to list."""
    sine = math.sin(math.radians(max(layer.min_angle_deg, 30.0)))
    clear = layer.straight_each_side_m + limit / sine
    left = np.array([[0.0, line.total_m]])
    for station in at:
        left = without(left, station - clear, station + clear)
    reach = max(limit, project.rules.proximity_m)
    rows = []
    for low, high in left:
        piece = part(line, float(low), float(high))
        for _, near in _nearest(piece, project.crs, layer.geometries[feature : feature + 1], reach):
            rows.append(_judge(piece, project, layer, feature, near, limit))
    return [min(rows, key=lambda row: (row.ok, row.near.distance_m))] if rows else []


def proximity_table(rows: Sequence[Approach]) -> Table:
    """The table of nearest approaches: columns as in proximity.csv (see the README)."""
    return {
        "layer": np.array([row.layer.name for row in rows], dtype=object),
        "feature": np.array([row.name for row in rows], dtype=object),
        "kp_km": np.array([row.near.station_m for row in rows], dtype=float) / 1000.0,
        "distance_m": np.array([row.near.distance_m for row in rows], dtype=float),
        "side": np.array([row.near.side for row in rows], dtype=object),
        "limit_m": np.array([row.limit_m for row in rows], dtype=float),
        "ok": np.array([row.ok for row in rows], dtype=bool),
    }
