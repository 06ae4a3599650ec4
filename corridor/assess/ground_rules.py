"""Slopes, depth and holes along the finished line, on the finest seabed."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from corridor.assess.findings import (
    BREACH_SPACING_M,
    LENGTH_M,
    SHARE,
    Findings,
    breaches_at,
    kp,
    runs,
    together,
)
from corridor.model.project import Project
from corridor.model.results import Check
from corridor.model.rules import RouteRules
from corridor.model.seabed import Seabed
from corridor.routing.geometry import Elements
from corridor.routing.profile import Profile

LONGEST_STEP_M = 5.0
"""Slopes are looked at no further apart than this, however coarse the seabed."""


def check_spacing_m(seabed: Seabed, rules: RouteRules) -> float:
    """Distance between the samples of the checks: finest cell, quarter of the baseline or 5 m.

    Rounded down so that a whole number of samples makes a kilometre.
    """
    longest = min(seabed.finest_cell_m, rules.slope_baseline_m / 4.0, LONGEST_STEP_M)
    return 1000.0 / math.ceil(1000.0 / longest - 1e-9)


def check_ground(line: Elements, project: Project, ground: Profile) -> Findings:
    """All rules on the ground under the line; `ground` as sampled at :func:`check_spacing_m`."""
    rules = project.rules
    return together(
        [
            _slope("max_slope_along_deg", rules.max_slope_along_deg, ground.along, line, ground, rules),
            _slope("max_slope_across_deg", rules.max_slope_across_deg, ground.across, line, ground, rules),
            _depth(line, ground, rules),
            _holes(line, ground),
            _unknown_slopes(ground),
            _coarse(project.seabed, ground, rules),
        ]
    )


def _slope(
    rule: str, limit: float, tangent: NDArray, line: Elements, ground: Profile, rules: RouteRules
) -> Findings:
    known = np.isfinite(tangent)
    if not known.any():
        return Findings((Check(rule, limit, None, None, True, "no seabed under the line"),))
    steep = np.where(known, np.abs(tangent), 0.0)
    worst = int(np.argmax(steep))
    found = math.degrees(math.atan(steep[worst]))
    # Depths are held in single precision: their rounding must not break a slope that is on its limit.
    rounding = 2.4e-7 * float(np.nanmax(np.abs(ground.depth_m), initial=0.0)) / rules.slope_baseline_m
    most = math.tan(math.radians(limit)) * (1.0 + SHARE) + rounding
    broken = steep > most
    detail = (
        f"{found:.2f} degrees at {kp(ground.station_m[worst])}, averaged over {rules.slope_baseline_m:g} m"
    )
    if broken.any():
        detail += (
            f"; too steep over {ground.length_m[broken].sum():.0f} m of line in {len(runs(broken))} place(s)"
        )
    check = Check(rule, limit, found, float(ground.station_m[worst]) / 1000.0, not broken.any(), detail)
    degrees = np.degrees(np.arctan(steep))
    return Findings((check,), _at_samples(line, rule, ground, broken, degrees, limit))


def _at_samples(
    line: Elements, rule: str, ground: Profile, broken: NDArray, value: NDArray, limit: float
) -> tuple:
    """Breaches on each run of broken samples: its first, last and worst, and one every 10 m between."""
    chosen = []
    for first, end in runs(broken):
        step = max(1, int(BREACH_SPACING_M / max(ground.length_m[first], 1e-9)))
        worst = first + int(np.argmax(np.abs(value[first:end] - limit)))
        chosen.append(np.unique(np.append(np.arange(first, end, step), [end - 1, worst])))
    if not chosen:
        return ()
    index = np.concatenate(chosen)
    return breaches_at(line, rule, ground.station_m[index], value[index], limit)


def _depth(line: Elements, ground: Profile, rules: RouteRules) -> Findings:
    """The shallowest and the deepest place, each against its own limit."""
    depth = ground.depth_m
    if not np.isfinite(depth).any():
        return Findings()
    low, high = rules.depth_range_m
    found = []
    for word, limit, worst, broken in (
        ("shallowest", low, int(np.nanargmin(depth)), depth < low - LENGTH_M),
        ("deepest", high, int(np.nanargmax(depth)), depth > high + LENGTH_M),
    ):
        detail = f"{word}: {depth[worst]:.2f} m at {kp(ground.station_m[worst])}"
        if broken.any():
            detail += f"; out of range over {ground.length_m[broken].sum():.0f} m of line"
        check = Check(
            "depth_range_m",
            limit,
            float(depth[worst]),
            float(ground.station_m[worst]) / 1000.0,
            not broken.any(),
            detail,
        )
        found.append(Findings((check,), _at_samples(line, "depth_range_m", ground, broken, depth, limit)))
    return together(found)


def _holes(line: Elements, ground: Profile) -> Findings:
    """Metres of line over no data."""
    hole = np.isnan(ground.depth_m)
    length = float(ground.length_m[hole].sum())
    if not hole.any():
        return Findings((Check("holes", 0.0, 0.0, None, True, "all of the line lies over seabed data"),))
    first = int(np.argmax(hole))
    detail = (
        f"{length:.0f} m of line in {len(runs(hole))} place(s) over no seabed data, "
        f"the first at {kp(ground.station_m[first])}"
    )
    check = Check("holes", 0.0, length, float(ground.station_m[first]) / 1000.0, False, detail)
    return Findings(
        (check,), _at_samples(line, "holes", ground, hole, np.where(hole, ground.length_m, 0.0), 0.0)
    )


def _unknown_slopes(ground: Profile) -> Findings:
    """Where depth is known but an end of the slope's baseline lies on no data."""
    unknown = np.isfinite(ground.depth_m) & (np.isnan(ground.along) | np.isnan(ground.across))
    if not unknown.any():
        return Findings()
    first = int(np.argmax(unknown))
    return Findings(
        warnings=(
            f"slopes could not be measured over {ground.length_m[unknown].sum():.0f} m of line next to holes "
            f"or the edge of the seabed, the first at {kp(ground.station_m[first])}",
        )
    )


def _coarse(seabed: Seabed, ground: Profile, rules: RouteRules) -> Findings:
    """Surfaces too coarse for the slope baseline asked for."""
    remarks = []
    for index, surface in enumerate(seabed.surfaces):
        length = float(ground.length_m[ground.surface == index].sum())
        if length > 0.0 and surface.grid.cell_m > rules.slope_baseline_m:
            remarks.append(
                f"{length:.0f} m of line lie on {surface.name} with cells of {surface.grid.cell_m:g} m, "
                f"coarser than slope_baseline_m {rules.slope_baseline_m:g}: steeper places do not show"
            )
    return Findings(warnings=tuple(remarks))
