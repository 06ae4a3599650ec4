"""Concessions in words that a manager understands."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import shapely

from corridor.model.project import Project
from corridor.routing.concession import CannotHelp, Concession
from corridor.routing.concession_rules import ANGLE, SLOPE, Rule
from corridor.routing.geodesy import scale_factor
from corridor.routing.geometry import elements

NAMES = {
    "max_slope_along_deg": "the slope along the line",
    "max_slope_across_deg": "the slope across the line",
    "min_bend_radius_m": "the bend radius",
    "min_straight_m": "the straight between bends",
    "end_straight_m": "the straight at the ends",
    "tie_in_length_m": "the length within an end's own zone",
}

CONSENT = "needs the authority's consent"


def rule_name(rule: Rule) -> str:
    """A rule as people speak of it."""
    if rule.rule == "depth_range_m":
        return "the least depth" if rule.side == "shallow" else "the greatest depth"
    if rule.rule == "standoff_m":
        return f"the standoff from {rule.layer}"
    if rule.rule == "stay_within":
        return f"keeping within {rule.layer}"
    if rule.rule == "min_angle_deg":
        return f"the crossing angle of {rule.layer}"
    if rule.rule == "straight_each_side_m":
        return f"the straight on both sides of crossings of {rule.layer}"
    return NAMES[rule.rule]


def limit_words(rule: Rule) -> str:
    """What a rule asks for."""
    value = number(rule.limit)
    words = {
        "standoff_m": f"keeps {value} m from {rule.layer}",
        "stay_within": f"stays within {rule.layer}",
        "max_slope_along_deg": f"climbs no more than {value} degrees",
        "max_slope_across_deg": f"lies on cross slopes of no more than {value} degrees",
        "min_bend_radius_m": f"bends at {value} m",
        "min_straight_m": f"has {value} m of straight between bends",
        "end_straight_m": f"has {value} m of straight at its ends",
        "tie_in_length_m": f"leaves an end's own zone within {value} m",
        "min_angle_deg": f"crosses {rule.layer} at {value} degrees",
        "straight_each_side_m": f"has {value} m of straight on both sides of {rule.layer}",
        "depth_range_m": f"lies {'deeper' if rule.side == 'shallow' else 'no deeper'} than {value} m",
    }
    return words[rule.rule]


def number(value: float) -> str:
    """A figure with spaces between thousands and no needless decimals."""
    if abs(value - round(value)) < 0.05 or abs(value) >= 100.0:
        text = f"{round(value):,}".replace(",", " ")
        return "0" if text == "-0" else text
    return f"{value:.1f}"


def place(easting_m: float, northing_m: float) -> str:
    """A position in words."""
    return f"{number(round(easting_m))} E, {number(round(northing_m))} N"


def lenient(rule: Rule, needed: float) -> float:
    """`needed` as published: rounded to the side that allows a hair more."""
    step = 0.01 if rule.rule.endswith("_m") or rule.rule == "stay_within" else 0.001
    return round((math.ceil if rule.sign > 0 else math.floor)(needed / step) * step, 6) + 0.0


def told(rule: Rule, needed: float) -> float:
    """`needed` as it is told, never stricter: metres from 100 on, else tenths; hundredths of degrees."""
    degrees = rule.kind in (SLOPE, ANGLE)
    step = 0.01 if degrees else 1.0 if abs(needed) >= 100.0 else 0.1
    exact = lenient(rule, needed)
    return (
        round((math.ceil if rule.sign > 0 else math.floor)(exact / step - 1e-9 * rule.sign) * step, 6) + 0.0
    )


def features_at(project: Project, found: Concession) -> list[str]:
    """Features of the rule's layer that bind at the place of a concession."""
    if not found.rule.layer:
        return []
    layer = project.layer(found.rule.layer)
    point = shapely.Point(found.easting_m, found.northing_m)
    if found.rule.rule != "standoff_m":
        away = shapely.distance(layer.geometries, point)
        return [layer.features[int(np.argmin(away))]]
    scale = float(scale_factor(project.crs, found.easting_m, found.northing_m))
    left = shapely.distance(layer.geometries, point) / scale - layer.position_uncertainty_m
    left = left - project.rules.lay_tolerance_m
    near = np.flatnonzero(left <= left.min() + max(2.0, 0.05 * abs(found.needed)))
    near = (
        near[left[near] < layer.standoff_m[near]] if (left[near] < layer.standoff_m[near]).any() else near[:1]
    )
    return [layer.features[int(k)] for k in near[:4]]


def concession_words(project: Project, found: Concession) -> str:
    """One concession as a clause: what it would take, where."""
    rule, needed = found.rule, told(found.rule, found.needed)
    at = place(found.easting_m, found.northing_m)
    value, limit = number(needed), number(rule.limit)
    names = " and ".join(features_at(project, found))
    if rule.rule == "standoff_m":
        words = _standoff_words(project, found, names, needed, at)
    elif rule.rule == "stay_within":
        out = needed if needed > 0.0 else 0.0
        words = (
            f"leaving {rule.layer} by up to {number(out)} m ({at})"
            if out
            else f"keeping only {number(-needed)} m inside {rule.layer} ({at}), not {number(-rule.limit)} m"
        )
    elif rule.rule == "depth_range_m":
        deep = "shallow" if rule.side == "shallow" else "deep"
        words = f"water as {deep} as {value} m instead of {limit} m ({at})"
    elif rule.kind == "slope":
        way = "along" if "along" in rule.rule else "across"
        words = f"a slope of {needed:.2f} degrees {way} the line instead of {limit} ({at})"
    elif rule.rule == "min_bend_radius_m":
        words = f"a bend of {value} m radius instead of {limit} m ({at})"
    elif rule.rule == "tie_in_length_m":
        words = f"{value} m within the zone around the end at {at} instead of {limit} m"
    elif rule.rule == "min_angle_deg":
        words = f"crossing {names} at {needed:.2f} degrees instead of {limit} ({at})"
    elif rule.rule == "straight_each_side_m":
        words = f"{value} m of straight on both sides of the crossing of {names} instead of {limit} m ({at})"
    else:
        where = "between bends" if rule.rule == "min_straight_m" else "at the ends"
        words = f"{value} m of straight {where} instead of {limit} m ({at})"
    if found.breaks:
        words += f" - not confirmed: the best line found with it also breaks {_listed(found.breaks, 3)}"
    return f"{words} - {CONSENT}" if rule.needs_consent else words


def _standoff_words(project: Project, found: Concession, names: str, needed: float, at: str) -> str:
    if needed >= 0.0:
        return f"{number(needed)} m from {names} ({at}) instead of {number(found.rule.limit)} m"
    layer = project.layer(found.rule.layer)
    spare = float(layer.position_uncertainty_m.max()) + project.rules.lay_tolerance_m
    inside = -(needed + spare)
    if inside <= 0.0:
        return (
            f"passing {number(-inside)} m from the edge of {names} ({at}), inside the tolerances kept to it"
        )
    return f"entering {names} up to {number(inside)} m inside its edge ({at})"


def reason(project: Project, found: Concession) -> dict[str, Any]:
    """One concession as it goes into ``no_route.json``."""
    rule = found.rule
    entry: dict[str, Any] = {
        "rule": rule.rule,
        "layer": rule.layer,
        "limit": rule.limit + 0.0,
        "needed": lenient(rule, found.needed),
        "unit": "deg" if rule.kind in ("slope", "angle") else "m",
        "easting_m": round(found.easting_m, 2),
        "northing_m": round(found.northing_m, 2),
        "features": features_at(project, found),
        "needs_consent": rule.needs_consent,
        "text": "It would take " + concession_words(project, found) + ".",
        "confirmed": not found.breaks,
        "no_line_found_at": round(rule.needed(found.failed), 3),
        "line_length_m": round(elements(found.line).total_m, 1),
    }
    if found.least > 0.0:
        entry["proven_limit"] = round(rule.needed(found.least), 3)
    if rule.side:
        entry["side"] = rule.side
    if found.breaks:
        entry["also_breaks"] = list(found.breaks)
    if rule.rule == "standoff_m":
        entry["enters"] = found.needed < 0.0
    return entry


def cannot(found: CannotHelp) -> dict[str, Any]:
    """A rule that cannot help alone, as it goes into ``no_route.json``."""
    rule = found.rule
    return {
        "rule": rule.rule,
        "layer": rule.layer,
        "side": rule.side,
        "limit": rule.limit + 0.0,
        "proven": found.proven,
        "needs_consent": rule.needs_consent,
        "text": f"Giving way on {rule_name(rule)} alone does not help: {found.text}.",
    }


def story(
    project: Project,
    found: Sequence[Concession],
    hopeless: Sequence[CannotHelp],
    pair: Sequence[Concession],
    barrier: Sequence[str],
    separated: bool,
    ends: str = "START from END",
    survey: Sequence[str] = (),
) -> str:
    """The whole explanation as one paragraph.

    `ends` names the closed leg, "START from END"; `survey` says where ground without data stands in the way.
    """
    asked = [concession.rule for concession in (found or pair)]
    head = f"No line from {ends.replace(' from ', ' to ')} obeys every rule."
    if asked:
        head = f"No line {_joined([limit_words(rule) for rule in asked[:3]])}" + (
            " and obeys the other rules." if len(asked) > 3 else "."
        )
    sentences = [head]
    if barrier:
        between = (
            f"Closed ground parts {ends}: " if separated else "The ground is open, but too narrow to bend at "
        )
        sentences.append(f"{between}{_listed(barrier, 6)}.")
    free = [c for c in found if not c.rule.needs_consent]
    bound = [c for c in found if c.rule.needs_consent]
    if free:
        sentences.append("It would take " + ", or ".join(concession_words(project, c) for c in free) + ".")
    if bound:
        lead = "An authority would have to allow " if not free else "Or an authority would have to allow "
        sentences.append(lead + ", or ".join(concession_words(project, c) for c in bound) + ".")
    if pair:
        sentences.append(
            "No single rule that gives way opens a line. The cheapest two together: "
            + " and ".join(concession_words(project, c) for c in pair)
            + "."
        )
    elif not found:
        sentences.append(
            "No single rule that gives way opens a line, and no pair of rules was found that does."
        )
    sentences += survey
    if hopeless and not pair:
        sentences.append(_no_others(hopeless, bool(found)))
    return " ".join(sentences)


def _no_others(hopeless: Sequence[CannotHelp], others: bool) -> str:
    """What does not help, by name where it is short."""
    which = "No other rule helps by itself" if others else "What does not help by itself"
    names = [rule_name(c.rule) for c in hopeless]
    return f"{which}: " + (", ".join(names) if len(names) <= 5 else f"{len(names)} were tried") + "."


def _joined(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def _listed(words: Iterable[str], most: int) -> str:
    words = list(words)
    more = f" and {len(words) - most} more" if len(words) > most else ""
    return ", ".join(words[:most]) + more
