"""Which changes of a line together: dynamic programming over the groups of obstructions along it.

One change may clear several neighbouring groups. What one costs is known only
after a search, so the order of asking matters: short ranges first, each only as
far as it can still be cheaper than what is known.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Generic, Protocol, TypeVar

from corridor.errors import NoRouteError
from corridor.routing.search import TooDear

LIKELY_TIMES = 1.5
"""Where there is a choice, a change is first looked for up to this many times its likely cost."""


class Priced(Protocol):
    """A change with what it costs more than the line it changes, equivalent m."""

    @property
    def extra_cost_m(self) -> float:
        """See the class."""


T = TypeVar("T", bound=Priced)


@dataclass(frozen=True, slots=True, eq=False)
class Asked(Generic[T]):
    """The questions about changes that clear the groups first..last, both included.

    Attributes
    ----------
    solve : callable (first, last, at_most_m)
        The cheapest one. Raises TooDear where it costs more than `at_most_m`, NoRouteError where none exists.
    at_least, likely : callables (first, last)
        What it costs at least, and a guess, equivalent m.
    follows : callable (before, after)
        Whether two changes may follow each other.
    """

    solve: Callable[[int, int, float], T]
    at_least: Callable[[int, int], float]
    likely: Callable[[int, int], float]
    follows: Callable[[T, T], bool]


def cheapest_set(count: int, ask: Asked[T]) -> tuple[list[T] | None, NoRouteError | None]:
    """The cheapest changes that clear `count` groups between them, in order along the line.

    Where there is a choice, changes are at first looked for up to a likely cost
    only: proving that there is none at all takes far longer than finding the one
    about two groups that does without it.

    Returns
    -------
    changes : list, or None
    failed : NoRouteError or None
        Why one of the changes does not exist.
    """
    solved: dict[tuple[int, int], T] = {}

    def solve(first: int, last: int, at_most_m: float) -> T:
        if (first, last) not in solved:
            solved[first, last] = ask.solve(first, last, at_most_m)
        return solved[first, last]

    known = replace(ask, solve=solve)
    answer, cut_m, failed = _programme(count, known, LIKELY_TIMES if count > 1 else math.inf, math.inf)
    total = math.inf if answer is None else sum(one.extra_cost_m for one in answer)
    if cut_m < total:
        again, _, failed = _programme(count, known, math.inf, total)
        answer = again or answer
    return answer, failed


def _programme(
    count: int, ask: Asked[T], likely_times: float, total_m: float
) -> tuple[list[T] | None, float, NoRouteError | None]:
    """The cheapest set below `total_m`; sets with a change that was not looked for cost at least `cut_m`."""
    best: list[tuple[float, list[T]] | None] = [None] * (count + 1)
    best[0] = (0.0, [])
    cut_m, failed = math.inf, None
    for last in range(1, count + 1):
        for first in reversed(range(last)):
            before, known = best[first], best[last]
            if before is None:
                continue
            most = min(total_m, math.inf if known is None else known[0]) - before[0]
            if ask.at_least(first, last - 1) >= most:
                continue
            cap = likely_times * ask.likely(first, last - 1)
            try:
                one = ask.solve(first, last - 1, min(most, cap))
            except TooDear:
                if cap < most:
                    cut_m = min(cut_m, before[0] + cap)
                continue
            except NoRouteError as error:
                failed = error
                continue
            total = before[0] + one.extra_cost_m
            if before[1] and not ask.follows(before[1][-1], one):
                continue
            if total < total_m and (known is None or total < known[0]):
                best[last] = (total, [*before[1], one])
    answer = best[count]
    return (None if answer is None else answer[1]), cut_m, failed
