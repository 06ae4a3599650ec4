"""What a rule costs the line: the rules that can be dropped, and the ground and rules without each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd, RouteRules

SHARPEST_CELLS = 0.5
"""Radius of bends, cells of the search, where min_bend_radius_m is dropped: as good as a corner."""

ANYWHERE_M = (-12000.0, 12000.0)


@dataclass(frozen=True, slots=True)
class Dropped:
    """One thing that is dropped to see what it costs.

    Attributes
    ----------
    rule : str
        Key of the project file; "layer" for all that a layer asks for.
    layer : str
        Its layer, "" for the route table.
    limit : float or None
        As the project states it, in the unit of the key.
    needs_consent : bool
        A limit of law or safety: its price is a figure, no offer.
    """

    rule: str
    layer: str = ""
    limit: float | None = None
    needs_consent: bool = False

    @property
    def name(self) -> str:
        """In words, for tables."""
        return (
            f"layer {self.layer}" if self.rule == "layer" else " ".join(filter(None, (self.layer, self.rule)))
        )


@dataclass(frozen=True, slots=True)
class Price:
    """What one rule costs.

    Attributes
    ----------
    dropped : Dropped
    binding : bool
        Without it a cheaper line exists (or the same line costs less).
    price_m : float
        Cost of the cheapest line found with it, less that without it, equivalent m.
    cost_without_m, length_without_m : float
    bends_without : int
    moved_m : float
        How far the line without it runs from the line with it.
    kp_km : float or None
        Where it is furthest away: there the rule holds it.
    """

    dropped: Dropped
    binding: bool
    price_m: float
    cost_without_m: float
    length_without_m: float
    bends_without: int
    moved_m: float
    kp_km: float | None


def droppable(project: Project, ends_included: bool) -> Iterator[Dropped]:
    """Every layer and every limit of the route table that could bind, in the project's order."""
    rules = project.rules
    for layer in project.layers:
        if layer.rule != "jurisdiction" and len(layer):
            yield Dropped("layer", layer.name, None, layer.needs_consent)
    yield Dropped("max_slope_along_deg", "", rules.max_slope_along_deg)
    yield Dropped("max_slope_across_deg", "", rules.max_slope_across_deg)
    yield Dropped("depth_range_m")
    yield Dropped("min_bend_radius_m", "", rules.min_bend_radius_m)
    if rules.min_straight_m > 0.0:
        yield Dropped("min_straight_m", "", rules.min_straight_m)
    if rules.lay_tolerance_m > 0.0:
        yield Dropped("lay_tolerance_m", "", rules.lay_tolerance_m)
    if not ends_included:
        return
    if rules.end_straight_m > rules.min_straight_m:
        yield Dropped("end_straight_m", "", rules.end_straight_m)
    for name, end in (("start", project.start), ("end", project.end)):
        if end.bearing_deg is not None:
            yield Dropped(f"{name}.bearing_deg", "", end.bearing_deg)


def parts(project: Project, name: str) -> Iterator[Dropped]:
    """What a layer that binds consists of: standoff, angle, straight, fee."""
    layer = _layer(project, name)
    if layer.rule != "cross" and float((layer.standoff_m + layer.position_uncertainty_m).max()) > 0.0:
        yield Dropped("standoff_m", name, float(layer.standoff_m.max()), layer.needs_consent)
    if layer.rule == "cross":
        yield Dropped("min_angle_deg", name, layer.min_angle_deg, layer.needs_consent)
        if layer.straight_each_side_m > 0.0:
            yield Dropped("straight_each_side_m", name, layer.straight_each_side_m, layer.needs_consent)
        if layer.crossing_cost_m > 0.0:
            yield Dropped("crossing_cost_m", name, layer.crossing_cost_m, layer.needs_consent)


def project_without(project: Project, dropped: Dropped, cell_m: float) -> Project:
    """The project with one thing dropped (slope limits are dropped from the ground instead)."""
    rules, layers = project.rules, project.layers
    if dropped.rule == "layer":
        return replace(project, layers=tuple(layer for layer in layers if layer.name != dropped.layer))
    if dropped.layer:
        eased = _eased(_layer(project, dropped.layer), dropped.rule)
        return replace(
            project, layers=tuple(eased if layer.name == eased.name else layer for layer in layers)
        )
    if dropped.rule.endswith(".bearing_deg"):
        name = dropped.rule.split(".")[0]
        end: RouteEnd = getattr(project, name)
        free = replace(end, bearing_deg=None)
        return replace(project, start=free) if name == "start" else replace(project, end=free)
    return replace(project, rules=_eased_rules(rules, dropped.rule, cell_m))


def ground_without(surface: CostSurface, dropped: Dropped) -> CostSurface:
    """The ground with a slope limit dropped; its price stays."""
    if dropped.rule == "max_slope_along_deg":
        return replace(surface, hold_along=False)
    if dropped.rule == "max_slope_across_deg":
        return replace(surface, hold_across=False)
    return surface


def same_ground(one: CostSurface, other: CostSurface) -> bool:
    """Whether two surfaces ask the same of every line."""
    arrays = (
        (one.ground, other.ground),
        (one.rim, other.rim),
        (one.assets.segments, other.assets.segments),
        (one.assets.fee_m, other.assets.fee_m),
        (one.assets.sin_min_angle, other.assets.sin_min_angle),
        (one.assets.straight_m, other.assets.straight_m),
    )
    held = (one.hold_along, one.hold_across) == (other.hold_along, other.hold_across)
    return held and all(np.array_equal(a, b) for a, b in arrays)


def _layer(project: Project, name: str) -> Layer:
    return next(layer for layer in project.layers if layer.name == name)


def _eased(layer: Layer, rule: str) -> Layer:
    if rule == "standoff_m":
        nothing = np.zeros(len(layer))
        return replace(layer, standoff_m=nothing, position_uncertainty_m=nothing)
    if rule == "min_angle_deg":
        return replace(layer, min_angle_deg=0.0)
    if rule == "straight_each_side_m":
        return replace(layer, straight_each_side_m=0.0)
    return replace(layer, crossing_cost_m=0.0)


def _eased_rules(rules: RouteRules, rule: str, cell_m: float) -> RouteRules:
    if rule == "depth_range_m":
        return replace(rules, depth_range_m=ANYWHERE_M)
    if rule == "min_bend_radius_m":
        return replace(rules, min_bend_radius_m=SHARPEST_CELLS * cell_m)
    if rule == "min_straight_m":
        return replace(rules, min_straight_m=0.0)
    if rule == "lay_tolerance_m":
        return replace(rules, lay_tolerance_m=0.0)
    if rule == "end_straight_m":
        return replace(rules, end_straight_m=0.0)
    return rules
