"""Options side by side: one row of figures each, and which of them are dominated."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from corridor.model.results import Study
from corridor.routing.approach import length_m, stretches_inside
from corridor.routing.geometry import elements
from corridor.routing.options import Obstacle, sides

LAY_RATE_KM_DAY = 3.5
"""Where the project states none: 3 to 4 km a day (common practice, no source)."""

LESS_IS_BETTER = (
    "cost_m",
    "length_m",
    "bends",
    "crossings",
    "spans",
    "max_slope_along_deg",
    "max_slope_across_deg",
    "discouraged_m",
    "rules_broken",
)
"""An option is dominated when another is no worse in all of these and better in one."""


@dataclass(frozen=True, slots=True, eq=False)
class Options:
    """Distinct routes of one project, the cheapest first.

    Attributes
    ----------
    studies : tuple of Study
        Each fitted, verified and assessed on its own.
    names : tuple of str
        A, B, ... in order of cost.
    obstacles : tuple of Obstacle
        What lies on different sides of at least two of them.
    lower_bound_m : float
        No line on the gridded ground costs less.
    asked : int
        How many were asked for.
    notes : tuple of str
    """

    studies: tuple[Study, ...]
    names: tuple[str, ...]
    obstacles: tuple[Obstacle, ...]
    lower_bound_m: float
    asked: int
    notes: tuple[str, ...] = ()


def option_names(count: int) -> tuple[str, ...]:
    """A, B, ..., Z, AA, ..."""
    names = []
    for number in range(count):
        name = chr(ord("A") + number % 26)
        names.append(name if number < 26 else chr(ord("A") + number // 26 - 1) + name)
    return tuple(names)


def comparison(options: Options) -> list[dict[str, Any]]:
    """One row per option; `dominated_by` names the first option that is no worse in anything."""
    rows = [_row(options, study, name) for study, name in zip(options.studies, options.names, strict=True)]
    for row in rows:
        row["dominated_by"] = next((other["option"] for other in rows if dominates(other, row)), "")
    return rows


def dominates(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
    """Whether row `a` is no worse than `b` in everything and better in something."""
    if a["option"] == b["option"]:
        return False
    pairs = [(a[key], b[key]) for key in LESS_IS_BETTER if a[key] is not None and b[key] is not None]
    return all(x <= y + 1e-9 for x, y in pairs) and any(x < y - 1e-9 for x, y in pairs)


def _row(options: Options, study: Study, name: str) -> dict[str, Any]:
    assessed, project = study.assessment, study.project
    rate = float(project.rates.get("lay_rate_km_day", LAY_RATE_KM_DAY))
    bound = options.lower_bound_m
    zones, metres = _zones(study)
    return {
        "option": name,
        "length_m": assessed.length_m,
        "cost_m": assessed.cost_m,
        **{f"cost_{term}": value for term, value in assessed.cost_terms.items()},
        "lower_bound_m": bound,
        "gap_percent": 100.0 * (assessed.cost_m - bound) / bound if bound > 0.0 else None,
        "bends": study.alignment.bends,
        "min_radius_m": assessed.min_radius_m,
        "crossings": len(assessed.crossings["kp_km"]),
        "spans": _spans(study),
        "max_slope_along_deg": assessed.max_slope_along_deg,
        "max_slope_across_deg": assessed.max_slope_across_deg,
        "zones_entered": "; ".join(zones),
        "discouraged_m": metres,
        "joints": _joints(study),
        "lay_rate_km_day": rate,
        "lay_days": assessed.length_m / 1000.0 / rate,
        "rules_broken": sum(not check.ok for check in assessed.checks),
        "passes": _passes(study, options.obstacles),
    }


def _zones(study: Study) -> tuple[list[str], float]:
    """Discouraged areas the line enters, and the metres in them."""
    line = elements(study.alignment)
    names, total = [], 0.0
    for layer in study.project.layers:
        if layer.rule != "discourage":
            continue
        entered = [
            feature
            for feature, shape in zip(layer.features, layer.geometries, strict=True)
            if length_m(stretches_inside(line, shape)) > 0.0
        ]
        if entered:
            names += [f"{layer.name}: {feature}" for feature in entered]
            total += length_m(stretches_inside(line, shapely.union_all(layer.geometries)))
    return names, float(total)


def _spans(study: Study) -> int | None:
    spans = study.assessment.spans
    return None if spans is None else len(set(np.asarray(spans["span"]).tolist()))


def _joints(study: Study) -> int | None:
    pipe = study.project.pipe
    joint = getattr(pipe, "joint_length_m", None) if pipe is not None else None
    return None if not joint else math.ceil(study.assessment.length_m / joint - 1e-9)


def _passes(study: Study, obstacles: Sequence[Obstacle]) -> str:
    """What the line leaves on its left and on its right, of what tells the options apart."""
    where: dict[str, list[str]] = {"left": [], "right": []}
    for obstacle, side in zip(obstacles, sides(study.alignment, tuple(obstacles)), strict=True):
        where[side].append(obstacle.name)
    parts = [f"{side}: {', '.join(dict.fromkeys(names))}" for side, names in where.items() if names]
    return "; ".join(parts)
