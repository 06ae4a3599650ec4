"""Fit a line through via points: stretch by stretch, the bearing at each via point common to both sides.

The search passes a via point on a straight. Each stretch between two of them is
fitted with its ends held there, position and bearing, and half the least
straight on either side; then the bearings that nobody prescribes are turned,
a little less each time, as long as both stretches together become cheaper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.chainage import station_of
from corridor.routing.fit import FitResult, attempt, polished
from corridor.routing.geometry import bends, elements, end_to_end, in_out_m
from corridor.routing.measure import line_cost

TURNS_DEG = (3.0, 1.0, 0.3, 0.1)
"""Turns that are tried at a via point, one after the other."""

MOST_TURNS = 8
"""Of one size, in a row."""

ON_LINE_M = 0.01
"""A path that misses a via point by more is not one through it."""


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """A piece of line between two poses, and the straights it needs there."""

    line: Alignment
    start: RouteEnd
    end: RouteEnd
    straights_m: tuple[float, float]
    cost_m: float = math.inf


def fit_via(
    path: Alignment,
    surface: CostSurface,
    rules: RouteRules,
    start: RouteEnd,
    end: RouteEnd,
    via: tuple[RouteEnd, ...],
    progress: Progress = silent,
) -> FitResult:
    """Fit a line of few IPs that passes every via point, in order, on a straight.

    Parameters
    ----------
    path : Alignment
        Passes the via points on straights, as the search's path does.
    surface : CostSurface
    rules : RouteRules
    start, end : RouteEnd
    via : tuple of RouteEnd
        Bearings are held where given.
    progress : Progress

    Returns
    -------
    FitResult
        Not feasible where the path passes a via point on a bend or not at all,
        or where a stretch cannot be fitted.
    """
    stretches = _stretches(path, rules, start, end, via)
    if stretches is None:
        return FitResult(path, math.inf, False, path.bends, path.bends)
    fitted = []
    for number, one in enumerate(stretches):

        def report(_: str, share: float, number: int = number) -> None:
            progress("fit", (number + share) / (len(stretches) + 1))

        result = attempt(
            one.line, surface, rules, one.start, one.end, straights_m=one.straights_m, progress=report
        )
        if not result.feasible:
            return FitResult(path, math.inf, False, path.bends, path.bends)
        fitted.append(replace(one, line=result.alignment, cost_m=result.cost_m))
    for number, point in enumerate(via):
        if point.bearing_deg is None:
            fitted[number : number + 2] = _turned(fitted[number], fitted[number + 1], surface, rules)
    progress("fit", 1.0)
    line = end_to_end([one.line for one in fitted])
    cost = sum(line_cost(line, surface, rules).values())
    return FitResult(line, cost, True, path.bends, line.bends)


def _stretches(
    path: Alignment, rules: RouteRules, start: RouteEnd, end: RouteEnd, via: tuple[RouteEnd, ...]
) -> list[_Stretch] | None:
    """The path cut at the via points; None where it does not pass one on a straight."""
    curve, line = bends(path), elements(path)
    kp_in, kp_out = in_out_m(curve)
    bearing = np.degrees(curve.bearing_rad) % 360.0
    half = rules.min_straight_m / 2.0
    cuts = [(0, start)]
    for point in via:
        station, offset = station_of(line, point.easting, point.northing)
        leg = int(np.searchsorted(kp_in, float(station), side="left")) - 1
        on_straight = 0 <= leg < path.bends + 1 and float(station) >= kp_out[leg] - 1e-6
        if abs(float(offset)) > ON_LINE_M or not on_straight or leg < cuts[-1][0]:
            return None
        given = point if point.bearing_deg is not None else replace(point, bearing_deg=float(bearing[leg]))
        cuts.append((leg, given))
    cuts.append((path.bends, end))
    found = []
    for number, ((first, begin), (last, finish)) in enumerate(pairwise(cuts)):
        inner = slice(first + 1, last + 1)
        piece = Alignment(
            np.concatenate([[begin.easting], path.easting_m[inner], [finish.easting]]),
            np.concatenate([[begin.northing], path.northing_m[inner], [finish.northing]]),
            np.concatenate([[np.nan], path.radius_m[inner], [np.nan]]),
            path.crs,
        )
        straights = (
            rules.straight_at_ends_m if number == 0 else half,
            rules.straight_at_ends_m if number == len(via) else half,
        )
        found.append(_Stretch(piece, begin, finish, straights))
    return found


def _turned(before: _Stretch, after: _Stretch, surface: CostSurface, rules: RouteRules) -> list[_Stretch]:
    """Both stretches with the bearing between them turned to where they cost least together."""
    for turn in TURNS_DEG:
        for side in (1.0, -1.0):
            for _ in range(MOST_TURNS):
                assert before.end.bearing_deg is not None
                # Within the range that RouteEnd allows.
                bearing = (before.end.bearing_deg + side * turn) % 360.0
                pose = replace(before.end, bearing_deg=bearing)
                one = _polished(replace(before, end=pose), surface, rules)
                two = _polished(replace(after, start=pose), surface, rules) if one else None
                if one is None or two is None:
                    break
                if one.cost_m + two.cost_m >= before.cost_m + after.cost_m - 1e-3:
                    break
                before, after = one, two
    return [before, after]


def _polished(one: _Stretch, surface: CostSurface, rules: RouteRules) -> _Stretch | None:
    result = polished(one.line, surface, rules, one.start, one.end, one.straights_m)
    return replace(one, line=result.alignment, cost_m=result.cost_m) if result.feasible else None
