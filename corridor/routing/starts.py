"""The better of several fits: a line's price has many local optima, and each start finds another.

The fit runs from the path and from the path reversed, so that swapping the ends
changes little, and each time first with cheaper bends, which follow the ground better,
before they get their price.
"""

from __future__ import annotations

from dataclasses import replace

from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.fit import FitResult, fit

BEND_SHARES = (0.1, 0.3)
"""Shares of the price of a bend that the fit begins with, one start each."""


def best_fit(
    path: Alignment,
    surface: CostSurface,
    rules: RouteRules,
    start: RouteEnd,
    end: RouteEnd,
    *,
    progress: Progress = silent,
) -> FitResult:
    """Fit a path from several starts, and return the cheapest sound line.

    Parameters
    ----------
    path : Alignment
    surface : CostSurface
    rules : RouteRules
    start, end : RouteEnd
    progress : Progress
    """
    ways = (
        (path, start, end, False),
        (path.reversed(), _turned(end), _turned(start), True),
    )
    found: list[FitResult] = []
    for line, first, last, back in ways:
        for share in BEND_SHARES:

            def report(_: str, done: float) -> None:
                progress("fit", (len(found) + done) / (len(ways) * len(BEND_SHARES)))

            cheap = replace(rules, bend_cost_m=share * rules.bend_cost_m)
            loose = fit(line, surface, cheap, first, last, progress=report)
            result = fit(
                loose.alignment if loose.feasible else line, surface, rules, first, last, progress=report
            )
            found.append(replace(result, alignment=result.alignment.reversed()) if back else result)
    best = min(found, key=lambda result: (not result.feasible, result.cost_m))
    return replace(best, bends_before=path.bends)


def _turned(end: RouteEnd) -> RouteEnd:
    """The same end passed the other way."""
    return end if end.bearing_deg is None else replace(end, bearing_deg=(end.bearing_deg + 180.0) % 360.0)
