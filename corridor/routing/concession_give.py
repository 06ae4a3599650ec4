"""How far a rule must give at any position, by exact geometry and on the finest seabed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.kernels.clearance import signed_distance
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.routing.approach import segments_of
from corridor.routing.concession_ground import (
    HOLE,
    MEASURED,
    MOST_WORK,
    ClosedGround,
    stay_scale,
    zone_scales,
)
from corridor.routing.concession_rules import stay_inset_m
from corridor.terrain.sampling import depth_at
from corridor.terrain.zones import signed_distance_m, standoff_limits_m

HAIR_M = 1e-6
"""A line laid exactly on a limit obeys it."""

Key = tuple[str, str, str]
Give = Callable[[NDArray, NDArray], tuple[NDArray, NDArray]]
"""(easting, northing) -> how far the rule must give there, 0 where it is obeyed; and what there
is to spare beyond it, ground metres, negative where it is broken, infinite where far or no distance."""


def give_at(ground: ClosedGround, key: Key, easting_m: NDArray, northing_m: NDArray) -> NDArray[np.float64]:
    """How far a rule must give at positions; 0 where it is obeyed, infinite where it never can."""
    easting, northing = np.asarray(easting_m, float), np.asarray(northing_m, float)
    if easting.size == 0:
        return np.zeros(easting.shape)
    box = (float(easting.min()), float(northing.min()), float(easting.max()), float(northing.max()))
    return give_within(ground, key, box)(easting, northing)[0]


def give_within(
    ground: ClosedGround, key: Key, box: tuple[float, float, float, float], spare_m: float = 0.0
) -> Give:
    """A rule's give as a function of position, prepared for a box (west, south, east, north).

    What there is to spare is known up to `spare_m`.
    """
    rule, name, side = key
    project = ground.project
    if key == MEASURED:
        return _measured(ground)
    if rule == "depth_range_m" or key == HOLE:
        return _depth(project, key, side)
    layer = project.layer(name)
    return _stay(project, layer) if rule == "stay_within" else _standoff(project, layer, box, spare_m)


def _measured(ground: ClosedGround) -> Give:
    closure, grid = ground.closure(MEASURED), ground.grid
    marked = closure.cells if closure is not None else np.empty(0, dtype=np.int64)

    def give(easting: NDArray, northing: NDArray) -> tuple[NDArray, NDArray]:
        u, v = grid.to_cells(easting, northing)
        cell = np.floor(v).astype(int) * grid.cols + np.floor(u).astype(int)
        return np.where(np.isin(cell, marked), np.inf, 0.0), np.full(easting.shape, np.inf)

    return give


def _depth(project: Project, key: Key, side: str) -> Give:
    low, high = project.rules.depth_range_m

    def give(easting: NDArray, northing: NDArray) -> tuple[NDArray, NDArray]:
        far = np.full(easting.shape, np.inf)
        depth, _, _ = depth_at(project.seabed, easting, northing)
        if key == HOLE:
            return np.where(np.isnan(depth), np.inf, 0.0), far
        over = low - depth if side == "shallow" else depth - high
        return np.where(over > 0.0, over, 0.0), far

    return give


def _stay(project: Project, layer: Layer) -> Give:
    area = shapely.union_all(layer.geometries)
    scale = stay_scale(layer, project, area)
    inset = stay_inset_m(layer, project)
    distance = Distance.of(area)

    def give(easting: NDArray, northing: NDArray) -> tuple[NDArray, NDArray]:
        wanted = inset + distance(easting, northing) / scale
        return np.where(wanted > HAIR_M, wanted, 0.0), -wanted

    return give


def _standoff(project: Project, layer: Layer, box: tuple[float, float, float, float], spare_m: float) -> Give:
    limits = standoff_limits_m(layer, project.rules, project.crs)
    near = np.flatnonzero(
        shapely.distance(layer.geometries, shapely.box(*box)) < np.maximum(limits + spare_m, 1e-6)
    )
    scale = zone_scales(layer, project, limits)[near]
    extra = (layer.position_uncertainty_m + project.rules.lay_tolerance_m)[near]
    most = float(layer.standoff_m.max())
    zones = [Distance.of(geometry) for geometry in layer.geometries[near]]
    freed = [freed_ends(project, layer, layer.geometries[k], float(limits[k])) for k in near]

    def give(easting: NDArray, northing: NDArray) -> tuple[NDArray, NDArray]:
        wanted, spare = np.zeros(easting.shape), np.full(easting.shape, np.inf)
        for k, (zone, ends) in enumerate(zip(zones, freed, strict=True)):
            limit = float(limits[near[k]])
            distance = zone(easting, northing, max(limit, 0.0) + spare_m)
            bound = np.ones(easting.shape, dtype=bool)
            for e, n, reach in ends:
                bound &= np.hypot(easting - e, northing - n) > reach
            spare = np.minimum(spare, np.where(bound, (distance - limit) / scale[k], np.inf))
            short = bound & (distance < limit - HAIR_M)
            wanted[short] = np.maximum(wanted[short], most - (distance[short] / scale[k] - extra[k]))
        return wanted, spare

    return give


def freed_ends(
    project: Project, layer: Layer, geometry: shapely.Geometry, limit_m: float
) -> list[tuple[float, float, float]]:
    """(easting, northing, radius) around ends that lie in a tie-in zone."""
    if layer.name not in project.rules.tie_in_layers:
        return []
    ends = []
    for end in (project.start, project.end):
        inside = signed_distance_m(geometry, np.array([end.easting]), np.array([end.northing]))[0]
        if inside < limit_m:
            ends.append((end.easting, end.northing, project.rules.tie_in_length_m))
    return ends


@dataclass(frozen=True, slots=True, eq=False)
class Distance:
    """Signed distance from one geometry, negative inside an area."""

    geometry: shapely.Geometry
    segments: NDArray[np.float64]
    area: bool

    @classmethod
    def of(cls, geometry: shapely.Geometry) -> Distance:
        """The distance from a geometry, its edges taken out once."""
        segments, _ = segments_of(np.array([geometry], dtype=object))
        return cls(geometry, segments, bool(shapely.area(geometry) > 0.0))

    def __call__(self, easting: NDArray, northing: NDArray, most: float = math.inf) -> NDArray[np.float64]:
        if len(self.segments) * easting.size > MOST_WORK:
            flat = signed_distance_m(self.geometry, easting.ravel(), northing.ravel())
        else:
            flat = signed_distance(easting.ravel(), northing.ravel(), self.segments, self.area, most)
        return flat.reshape(easting.shape)
