"""What the finished line costs, in equivalent metres, by term and by KP.

cost = sum over metres of line of (factor + slope_cost * ((tan along / tan limit along)**2
+ (tan across / tan limit across)**2)) + crossing fees + bend_cost_m per IP.

`factor` is the product of the factors of all discouraged layers whose areas
hold the place (each layer once, however many of its features overlap there),
and of the factor near assets where the standoff of a cross layer is not kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.assess.crossings import Crossing
from corridor.model.alignment import Alignment
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.results import CostSurface, Table
from corridor.model.rules import RouteRules
from corridor.routing import measure
from corridor.routing.approach import joined, stretches_inside, stretches_within
from corridor.routing.geometry import Elements, bends, in_out_m
from corridor.routing.profile import Profile
from corridor.terrain.cost import NEAR_ASSET_FACTOR, discouraged
from corridor.terrain.zones import standoff_limits_m

TERMS = ("length_m", "slope_m", "discouraged_m", "crossings_m", "bends_m")


@dataclass(frozen=True, slots=True, eq=False)
class LineCost:
    """Cost of a line: `terms` add up to `total_m`; `by_kp` holds the same per kilometre."""

    total_m: float
    terms: Mapping[str, float]
    by_kp: Table


def line_cost(
    alignment: Alignment,
    line: Elements,
    project: Project,
    ground: Profile,
    crossings: Sequence[Crossing],
    interval_m: float = 1000.0,
) -> LineCost:
    """Cost of the finished line on the finest seabed and the exact polygons.

    Slopes of `ground` are integrated by the midpoint rule; a slope that is
    unknown costs nothing. Areas are exact. A crossing belongs to the interval
    in which it lies, a bend to that of the middle of its arc.
    """
    marks = np.append(np.arange(0.0, line.total_m, interval_m), line.total_m)
    if len(marks) == 1:
        marks = np.array([0.0, line.total_m])
    kp_in, kp_out = in_out_m(bends(alignment))
    middle = 0.5 * (kp_in + kp_out)[1:-1]
    fee_at = np.array([crossing.station_m for crossing in crossings], dtype=float)
    fee = np.array([crossing.layer.crossing_cost_m for crossing in crossings], dtype=float)
    per_km = {
        "length_m": np.diff(marks),
        "slope_m": _binned(marks, ground.station_m, _slope_cost(ground, project)),
        "discouraged_m": _extra(line, project, marks),
        "crossings_m": _binned(marks, fee_at, fee),
        "bends_m": _binned(marks, middle, np.full(len(middle), project.rules.bend_cost_m)),
    }
    terms = {name: float(per_km[name].sum()) for name in TERMS}
    table = {"kp_from_km": marks[:-1] / 1000.0, "kp_to_km": marks[1:] / 1000.0, **per_km}
    table["total_m"] = np.sum([per_km[name] for name in TERMS], axis=0)
    return LineCost(float(sum(terms.values())), terms, table)


def gridded_cost(alignment: Alignment, surface: CostSurface, rules: RouteRules) -> LineCost:
    """Cost of the line on the gridded ground: what the search, the fit and the bound count."""
    terms = measure.line_cost(alignment, surface, rules)
    return LineCost(float(sum(terms.values())), terms, measure.cost_by_kp(alignment, surface, rules))


def _binned(marks: NDArray, station: NDArray, value: NDArray) -> NDArray[np.float64]:
    """Sum of values at chainages per interval between `marks`."""
    interval = np.clip(np.searchsorted(marks, station, side="right") - 1, 0, len(marks) - 2)
    return np.bincount(interval, weights=value, minlength=len(marks) - 1).astype(float)


def _slope_cost(ground: Profile, project: Project) -> NDArray[np.float64]:
    """Price of the slope that each sample of the profile stands for, equivalent m."""
    rules = project.rules
    along = np.nan_to_num(ground.along) / np.tan(np.radians(rules.max_slope_along_deg))
    across = np.nan_to_num(ground.across) / np.tan(np.radians(rules.max_slope_across_deg))
    return rules.slope_cost * (along**2 + across**2) * ground.length_m


def _extra(line: Elements, project: Project, marks: NDArray) -> NDArray[np.float64]:
    """Metres that discouraged ground adds, per interval between `marks`: the integral of factor - 1."""
    zones = [(stretches, factor) for stretches, factor in _zones(line, project) if len(stretches)]
    edges = np.unique(np.concatenate([marks, *[stretches.ravel() for stretches, _ in zones]]))
    middle = 0.5 * (edges[:-1] + edges[1:])
    factor = np.ones(len(middle))
    for stretches, value in zones:
        inside = np.searchsorted(stretches.ravel(), middle, side="right") % 2 == 1
        factor[inside] *= value
    return _binned(marks, middle, (factor - 1.0) * np.diff(edges))


def _zones(line: Elements, project: Project) -> list[tuple[NDArray, float]]:
    """Stretches of line on discouraged ground, with the factor there."""
    zones: list[tuple[NDArray, float]] = []
    for layer in project.layers:
        if len(layer) == 0:
            continue
        if layer.rule == "discourage":
            zones.append(
                (
                    stretches_inside(line, shapely.union_all(discouraged(layer, project.rules, project.crs))),
                    layer.factor,
                )
            )
        elif layer.rule == "cross" and layer.standoff_m.max() > 0.0:
            zones.append((_near_assets(line, layer, project), NEAR_ASSET_FACTOR))
    return zones


def _near_assets(line: Elements, layer: Layer, project: Project) -> NDArray[np.float64]:
    limits = standoff_limits_m(layer, project.rules, project.crs)
    pieces = [
        stretches_within(line, geometry, float(limit))
        for geometry, limit in zip(layer.geometries, limits, strict=True)
    ]
    return joined(np.vstack(pieces))
