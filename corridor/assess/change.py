"""Old line against new: what a change does to every figure that people ask for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from corridor.assess.spans import spans_by_verdict
from corridor.model.reroute import Reroute
from corridor.model.results import Assessment
from corridor.routing.approach import length_m, stretches_outside
from corridor.routing.geometry import densify, elements

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Figures:
    """The comparison.

    Attributes
    ----------
    rows : tuple of mapping
        ``quantity, unit, old, new, change``: numbers, None where not known or not there.
    kp_equations : tuple of mapping
        ``old_from_kp_km, old_to_kp_km, new_from_kp_km, new_to_kp_km, old_length_m, new_length_m,
        kp_shift_km``: from each rejoin on, new KP = old KP + shift.
    """

    rows: tuple[Row, ...]
    kp_equations: tuple[Row, ...]


def compare(found: Reroute, old: Assessment, new: Assessment) -> Figures:
    """Both lines measured the same way, on the finest seabed and with the new obstructions."""
    rows = [
        _row("length", "m", old.length_m, new.length_m),
        _row("cost", "equivalent m", old.cost_m, new.cost_m),
        *(
            _row(f"cost: {name.removesuffix('_m')}", "equivalent m", old.cost_terms[name], value)
            for name, value in new.cost_terms.items()
        ),
        _row("bends", "", found.approved.bends, found.alignment.bends),
        _row("least radius", "m", old.min_radius_m, new.min_radius_m),
        _row("steepest slope along", "deg", old.max_slope_along_deg, new.max_slope_along_deg),
        _row("steepest slope across", "deg", old.max_slope_across_deg, new.max_slope_across_deg),
        _row("crossings", "", len(old.crossings["kp_km"]), len(new.crossings["kp_km"])),
        *_spans(old, new),
        *_approaches(old, new),
        _outside(found),
        _row("rules broken", "", _broken(old), _broken(new)),
    ]
    return Figures(tuple(rows), tuple(_equations(found)))


def _row(quantity: str, unit: str, old: float | None, new: float | None) -> Row:
    known = [value for value in (old, new) if value is not None and np.isfinite(value)]
    change = known[1] - known[0] if len(known) == 2 else None
    return {"quantity": quantity, "unit": unit, "old": old, "new": new, "change": change}


def _broken(assessed: Assessment) -> int:
    return sum(not check.ok for check in assessed.checks)


def _spans(old: Assessment, new: Assessment) -> list[Row]:
    """Spans by verdict, each by the load case that governs it."""
    before, after = spans_by_verdict(old), spans_by_verdict(new)
    if before is None or after is None:
        return []
    verdicts = sorted({*before, *after})
    return [
        _row("free spans", "", sum(before.values()), sum(after.values())),
        *(_row(f"free spans: {name}", "", before.get(name, 0), after.get(name, 0)) for name in verdicts),
    ]


def _approaches(old: Assessment, new: Assessment) -> list[Row]:
    """The nearest approach to each layer, as far as proximity_m reaches."""
    nearest = [{}, {}]  # type: list[dict[str, float]]
    for known, assessed in zip(nearest, (old, new), strict=True):
        for layer, distance in zip(
            assessed.proximity["layer"], assessed.proximity["distance_m"], strict=True
        ):
            known[str(layer)] = min(known.get(str(layer), np.inf), float(distance))
    layers = list(dict.fromkeys([*nearest[0], *nearest[1]]))
    return [
        _row(f"nearest approach: {layer}", "m", nearest[0].get(layer), nearest[1].get(layer))
        for layer in layers
    ]


def _outside(found: Reroute) -> Row:
    """Metres farther from the approved line than half its corridor."""
    half = found.settings.corridor_half_width_m
    area = shapely.LineString(densify(found.approved)).buffer(half, quad_segs=64)
    outside = length_m(stretches_outside(elements(found.alignment), area)) if found.changed else 0.0
    return _row(f"outside the approved corridor of {half:g} m either side", "m", 0.0, outside)


def _equations(found: Reroute) -> list[Row]:
    return [
        {
            "old_from_kp_km": part.old_from_m / 1000.0,
            "old_to_kp_km": part.old_to_m / 1000.0,
            "new_from_kp_km": part.new_from_m / 1000.0,
            "new_to_kp_km": part.new_to_m / 1000.0,
            "old_length_m": part.old_to_m - part.old_from_m,
            "new_length_m": part.new_to_m - part.new_from_m,
            "kp_shift_km": (part.new_to_m - part.old_to_m) / 1000.0,
        }
        for part in found.parts
    ]
