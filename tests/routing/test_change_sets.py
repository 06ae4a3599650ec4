"""The cheapest set of changes, against trying every way of dividing the groups."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.errors import NoRouteError
from corridor.routing.change_sets import Asked, cheapest_set
from corridor.routing.search import TooDear


@dataclass(frozen=True)
class Priced:
    """A change that costs something and clears some groups."""

    extra_cost_m: float
    groups: tuple[int, int]


def least_by_trying(count: int, costs: dict[tuple[int, int], float]) -> float:
    """Every way of cutting the groups into ranges: 2 ** (count - 1) of them."""
    least = math.inf
    for cuts in range(1 << (count - 1)):
        edges = [0, *(k + 1 for k in range(count - 1) if cuts >> k & 1), count]
        least = min(least, sum(costs[a, b - 1] for a, b in pairwise(edges)))
    return least


@settings(deadline=None, max_examples=200)
@given(
    count=st.integers(1, 5),
    drawn=st.lists(st.one_of(st.floats(1.0, 100.0), st.just(math.inf)), min_size=15, max_size=15),
    guesses=st.lists(st.floats(0.5, 100.0), min_size=15, max_size=15),
)
def test_the_cheapest_set_equals_trying_all(count, drawn, guesses) -> None:
    ranges = [(a, b) for a in range(count) for b in range(a, count)]
    costs, likely = dict(zip(ranges, drawn, strict=False)), dict(zip(ranges, guesses, strict=False))

    def solve(first: int, last: int, at_most_m: float) -> Priced:
        cost = costs[first, last]
        if cost > at_most_m:
            raise TooDear("dearer")
        if math.isinf(cost):
            raise NoRouteError("none")
        return Priced(cost, (first, last))

    ask = Asked(
        solve,
        lambda a, b: 0.5 * costs[a, b] if costs[a, b] < math.inf else 1.0,
        lambda a, b: likely[a, b],
        lambda before, after: True,
    )
    answer, failed = cheapest_set(count, ask)
    least = least_by_trying(count, costs)
    if math.isinf(least):
        assert answer is None and failed is not None
        return
    assert answer is not None
    assert [k for one in answer for k in range(one.groups[0], one.groups[1] + 1)] == list(range(count))
    assert math.isclose(sum(one.extra_cost_m for one in answer), least)
