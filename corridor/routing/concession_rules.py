"""The rules that could give way, one by one: what each limits, and the project with it eased.

A rule is eased by a *give*: 0 leaves it as it is, more allows more, in the
rule's own measure (metres, degrees; tangents for slopes while they are
computed). :meth:`Rule.needed` turns a give into the new limit that people read.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.routing.geodesy import scale_factor
from corridor.terrain.zones import standoff_limits_m

AREA, SLOPE, ANGLE, BEND, TIE_IN = "area", "slope", "angle", "bend", "tie-in"
"""Kinds of rule: closes ground, limits a slope, limits a crossing's angle, limits the line itself,
limits how far an end's own zone may be entered."""

STEEPEST_DEG = 60.0
"""Slope limits are not eased beyond this."""

LEAST_SHARE = 0.05
"""A bend radius is not eased below this share of its limit."""

FAR_M = 1e6

DEEPEST_M = 12000.0
"""A depth limit beyond every sea limits nothing."""

CONSENT_WORDS = re.compile(
    r"\b(safety zones?|munitions?|ordnance|uxo|mines?|minefields?|heritage|historic|war graves?"
    r"|protected|reserves?|military)\b"
)
"""Words in a layer's name or table that mark a limit of law or safety where the project does not say so."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule that could give way.

    Attributes
    ----------
    rule : str
        Key of the project file.
    layer : str
        Its layer, "" for rules of the route table.
    side : str
        ``depth_range_m``: "shallow" or "deep"; else "".
    kind : {"area", "slope", "angle", "bend", "tie-in"}
    limit : float
        As the project states it, m or degrees.
    sign : int
        +1 where easing raises the figure (slopes), -1 where it lowers it (standoffs).
    most : float
        Largest give worth trying.
    needs_consent : bool
        A limit of law or safety: relaxing it is not the engineer's choice.
    may_enter : bool
        The layer has areas: beyond a standoff of 0 the line could only enter them.
    """

    rule: str
    layer: str
    side: str
    kind: str
    limit: float
    sign: int
    most: float
    needs_consent: bool = False
    may_enter: bool = False

    @property
    def key(self) -> tuple[str, str, str]:
        """(rule, layer, side)."""
        return self.rule, self.layer, self.side

    def needed(self, give: float) -> float:
        """The new limit that a give amounts to."""
        if self.kind == SLOPE:
            return math.degrees(math.atan(math.tan(math.radians(self.limit)) + give))
        return self.limit + self.sign * give

    def give(self, needed: float) -> float:
        """Inverse of :meth:`needed`."""
        if self.kind == SLOPE:
            return math.tan(math.radians(needed)) - math.tan(math.radians(self.limit))
        return self.sign * (needed - self.limit)

    def share(self, give: float) -> float:
        """The give as a share of the limit, to compare rules with each other."""
        size = abs(self.limit) or 100.0
        return abs(self.needed(give) - self.limit) / size

    def tolerance(self, give: float) -> float:
        """How closely a give is worth knowing: 1 % of the new limit, 0.1 degree or 1 m, the largest."""
        needed = self.needed(give)
        if self.kind == SLOPE:
            step = max(0.1, 0.01 * needed)
            return self.give(needed + step) - give
        if self.kind == ANGLE:
            return 0.1
        return max(1.0, 0.01 * abs(needed))

    @property
    def negligible(self) -> float:
        """A give that is only rounding: a centimetre, a thousandth of a degree."""
        return {SLOPE: 1e-5, ANGLE: 1e-3}.get(self.kind, 0.01)

    def eased(self, project: Project, give: float) -> Project:
        """The project with this rule giving way."""
        needed = self.needed(give)
        rules = project.rules
        if self.rule == "depth_range_m":
            low, high = rules.depth_range_m
            pair = (needed, high) if self.side == "shallow" else (low, needed)
            return replace(project, rules=replace(rules, depth_range_m=pair))
        if not self.layer:
            changed: dict[str, Any] = {self.rule: needed}
            return replace(project, rules=replace(rules, **changed))
        layers = tuple(
            self._eased_layer(layer, needed, give, project) if layer.name == self.layer else layer
            for layer in project.layers
        )
        return replace(project, layers=layers)

    def _eased_layer(self, layer: Layer, needed: float, give: float, project: Project) -> Layer:
        if self.rule == "standoff_m":
            return _nearer(layer, needed, project)
        if self.rule == "stay_within":
            area = shapely.union_all(layer.geometries)
            scale = _scale(area, project.crs)
            wider = area.buffer(needed * scale, quad_segs=64)
            geometries = np.empty(1, dtype=object)
            geometries[0] = wider
            return replace(
                layer, geometries=geometries, features=(layer.name,), attributes=({},),
                standoff_m=np.zeros(1), position_uncertainty_m=np.zeros(1),
            )  # fmt: skip
        changed: dict[str, Any] = {self.rule: needed}
        return replace(layer, **changed)


def _nearer(layer: Layer, needed: float, project: Project) -> Layer:
    """An avoid layer with standoffs of at most `needed`; drawn in where that lies inside its edge."""
    standoff = np.minimum(layer.standoff_m, needed)
    extra = layer.position_uncertainty_m + project.rules.lay_tolerance_m
    inside = standoff + extra < 0.0
    if not inside.any():
        return replace(layer, standoff_m=standoff)
    geometries = np.array(layer.geometries)
    for k in np.flatnonzero(inside):
        depth = float(standoff[k] + extra[k]) * _scale(geometries[k], project.crs)
        geometries[k] = geometries[k].buffer(depth, quad_segs=32)
    kept = np.flatnonzero(~shapely.is_empty(geometries))
    return replace(
        layer,
        geometries=geometries[kept],
        features=tuple(layer.features[k] for k in kept),
        attributes=tuple(layer.attributes[k] for k in kept),
        standoff_m=np.where(inside, -extra, standoff)[kept],
        position_uncertainty_m=np.array(layer.position_uncertainty_m)[kept],
    )


def _scale(geometry: shapely.Geometry, crs: str) -> float:
    centre = shapely.centroid(geometry)
    return float(scale_factor(crs, centre.x, centre.y))


def rules_of(project: Project) -> tuple[Rule, ...]:
    """Every rule of a project that limits anything, in the order of the project file's sections."""
    found: list[Rule] = []
    for layer in project.layers:
        if len(layer):
            found += _of_layer(layer, project)
    rules = project.rules
    low, high = rules.depth_range_m
    radius = rules.min_bend_radius_m
    slopes = {name: getattr(rules, name) for name in ("max_slope_along_deg", "max_slope_across_deg")}
    found += [
        *(Rule(name, "", "", SLOPE, limit, 1, _most_slope(limit)) for name, limit in slopes.items()),
        *([Rule("depth_range_m", "", "shallow", AREA, low, -1, low)] if low > 0.0 else []),
        *([Rule("depth_range_m", "", "deep", AREA, high, 1, FAR_M)] if high < DEEPEST_M else []),
        Rule("min_bend_radius_m", "", "", BEND, radius, -1, radius * (1.0 - LEAST_SHARE)),
    ]  # fmt: skip
    for name in ("min_straight_m", "end_straight_m"):
        value = getattr(rules, name)
        if value > 0.0:
            found.append(Rule(name, "", "", BEND, value, -1, value))
    reach = _tie_in_reach_m(project)
    if reach > rules.tie_in_length_m:
        length = rules.tie_in_length_m
        found.append(Rule("tie_in_length_m", "", "", TIE_IN, length, 1, reach - length))
    return tuple(found)


def _tie_in_reach_m(project: Project) -> float:
    """Furthest place, from the end that lies in it, of any zone that may be entered to reach that end, m."""
    reach = 0.0
    for layer in project.layers:
        if layer.name not in project.rules.tie_in_layers or layer.rule != "avoid":
            continue
        limits = np.maximum(standoff_limits_m(layer, project.rules, project.crs), 0.0)
        for geometry, limit in zip(layer.geometries, limits, strict=True):
            for end in (project.start, project.end):
                place = shapely.Point(end.easting, end.northing)
                if shapely.distance(geometry, place) <= limit:
                    corners = shapely.points(shapely.get_coordinates(geometry))
                    reach = max(reach, float(shapely.distance(corners, place).max()) + float(limit))
    return reach


def _most_slope(limit_deg: float) -> float:
    steepest = max(STEEPEST_DEG, limit_deg)
    return math.tan(math.radians(steepest)) - math.tan(math.radians(limit_deg))


def _of_layer(layer: Layer, project: Project) -> list[Rule]:
    consent = consent_needed(layer)
    if layer.rule == "avoid":
        standoff = float(layer.standoff_m.max())
        areas = bool((shapely.area(layer.geometries) > 0.0).any())
        most = FAR_M if areas else standoff
        if most <= 0.0:
            return []
        return [Rule("standoff_m", layer.name, "", AREA, standoff, -1, most, consent, areas)]
    if layer.rule == "stay_within":
        inset = stay_inset_m(layer, project)
        return [Rule("stay_within", layer.name, "", AREA, -inset, 1, FAR_M, consent)]
    if layer.rule == "cross":
        found = []
        if layer.min_angle_deg > 0.0:
            found.append(
                Rule(
                    "min_angle_deg",
                    layer.name,
                    "",
                    ANGLE,
                    layer.min_angle_deg,
                    -1,
                    layer.min_angle_deg - 1.0,
                    consent,
                )
            )
        if layer.straight_each_side_m > 0.0:
            found.append(
                Rule(
                    "straight_each_side_m",
                    layer.name,
                    "",
                    BEND,
                    layer.straight_each_side_m,
                    -1,
                    layer.straight_each_side_m,
                    consent,
                )
            )
        return found  # fmt: skip
    return []


def stay_inset_m(layer: Layer, project: Project) -> float:
    """How far inside a stay_within layer the line must keep, ground m (0 unless it declares a standoff)."""
    if len(layer) == 0 or layer.standoff_m.max() <= 0.0:
        return 0.0
    return float((layer.standoff_m + layer.position_uncertainty_m + project.rules.lay_tolerance_m).max())


def consent_needed(layer: Layer) -> bool:
    """True where relaxing a layer's rule is for an authority to allow.

    The project says so (`needs_consent`), names an authority or a legal basis,
    or the layer's name says what it is (safety zones, munitions, heritage, ...).
    """
    if layer.needs_consent or any(layer.settings.get(key) for key in ("authority", "legal_basis")):
        return True
    words = f"{layer.name} {layer.table}".lower().replace("_", " ").replace("-", " ")
    return CONSENT_WORDS.search(words) is not None
