"""How an approved line lies to new obstructions, and which stretches of it must be given up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.reroute import Clash
from corridor.routing.approach import nearest_approach, stretches_within
from corridor.routing.geodesy import scale_factor
from corridor.routing.geometry import Elements, at_station
from corridor.terrain.zones import standoff_limits_m

MOST_CLUSTERS = 6
"""Clashes are gathered into this many groups at most, the nearest ones first."""


@dataclass(frozen=True, slots=True)
class Cluster:
    """Chainages between which an approved line must be given up, and the obstructions there."""

    low_m: float
    high_m: float
    names: tuple[str, ...]


def clashes_with(line: Elements, layer: Layer, project: Project) -> tuple[Clash, ...]:
    """How a line lies to every feature of a layer, exact."""
    limits = standoff_limits_m(layer, project.rules, project.crs)
    distance, station = nearest_approach(line, layer.geometries)
    easting, northing, _ = at_station(line, station)
    scale = scale_factor(project.crs, easting, northing)
    found = []
    for k, feature in enumerate(layer.features):
        near = distance[k] < limits[k] - 1e-9 or distance[k] == 0.0
        stretches = (
            stretches_within(line, layer.geometries[k], float(limits[k])) if near else np.empty((0, 2))
        )
        if near and len(stretches) == 0:  # touched in a single point
            stretches = np.array([[station[k], station[k]]])
        scaled = float(scale[k])
        near_m, limit_m = float(distance[k]) / scaled, float(limits[k]) / scaled
        found.append(Clash(layer.name, feature, near_m, limit_m, float(station[k]), stretches))
    return tuple(found)


def clusters_of(clashes: Sequence[Clash]) -> tuple[Cluster, ...]:
    """Clashes in order of chainage, those that overlap as one."""
    every = [
        Cluster(float(low), float(high), (clash.feature,))
        for clash in clashes
        for low, high in clash.stretches_m
    ]
    found = sorted(every, key=lambda cluster: cluster.low_m)
    joined: list[Cluster] = []
    for one in found:
        if joined and one.low_m <= joined[-1].high_m:
            joined[-1] = _both(joined[-1], one)
        else:
            joined.append(one)
    while len(joined) > MOST_CLUSTERS:
        gaps = [b.low_m - a.high_m for a, b in pairwise(joined)]
        k = int(np.argmin(gaps))
        joined[k : k + 2] = [_both(joined[k], joined[k + 1])]
    return tuple(joined)


def _both(a: Cluster, b: Cluster) -> Cluster:
    names = tuple(dict.fromkeys((*a.names, *b.names)))
    return Cluster(min(a.low_m, b.low_m), max(a.high_m, b.high_m), names)


def half_size(project: Project, clashes: Sequence[Clash]) -> float:
    """Half the extent of the largest obstruction that is hit, m."""
    hit = {(clash.layer, clash.feature) for clash in clashes if clash.hit}
    sizes = [0.0]
    for layer in project.layers:
        for feature, shape in zip(layer.features, layer.geometries, strict=True):
            if (layer.name, feature) in hit:
                west, south, east, north = shape.bounds
                sizes.append(0.5 * math.hypot(east - west, north - south))
    return max(sizes)
