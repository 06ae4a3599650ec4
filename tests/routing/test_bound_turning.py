"""The bound that counts changes of the turning side: exact counts, a slow reference, no line below it."""

from __future__ import annotations

import math
from dataclasses import replace
from heapq import heappop, heappush

import numpy as np
import pytest

from corridor.kernels.headings import heading_vectors
from corridor.model.rules import RouteRules
from corridor.routing.bound import lower_bound_m, optimistic
from corridor.routing.bound_turning import (
    may_pass,
    sectors_of,
    turn_between_steps,
    turning_bound,
    turning_headings,
)
from corridor.routing.fit import fit
from corridor.routing.search import search
from corridor.routing.space import search_space

from .grounds import at, price, surface

PRICE = 400.0


def rules(**more) -> RouteRules:
    given = dict(
        min_bend_radius_m=750.0, bend_cost_m=PRICE, max_slope_along_deg=35.0, max_slope_across_deg=35.0
    )
    return RouteRules(**{**given, **more})


def open_water(rows: int = 260, cols: int = 420):
    return surface(np.ones((rows, cols)), cell_m=10.0, along_deg=35.0, across_deg=35.0)


@pytest.mark.parametrize(
    ("out_deg", "in_deg", "changes"),
    [
        (90.0, 90.0, 0),  # straight on
        (60.0, None, 1),  # one bend to the right
        (60.0, 120.0, 1),  # two bends to the right: they count as one
        (60.0, 60.0, 2),  # right, then left
        (120.0, 120.0, 2),
    ],
)
def test_changes_of_side_that_two_bearings_force(out_deg, in_deg, changes):
    # By hand: the chord runs east.
    surf = open_water()
    start, end = at(surf.grid, 60, 130, out_deg), at(surf.grid, 360, 130, in_deg)
    free = lower_bound_m(surf, rules(bend_cost_m=0.0), start, end)
    bound = lower_bound_m(surf, rules(), start, end)
    assert changes * PRICE <= bound - free + 1.0
    # The bearings make the way longer, too; sectors are some degrees wide.
    assert bound - free < changes * PRICE + 100.0


@pytest.mark.parametrize("gates", [2, 3])
def test_a_slalom_is_counted_gate_by_gate(gates):
    # Walls from one side and the other, 60 cells past the middle: between two of them the line changes side.
    factor = np.ones((260, 420))
    for k in range(gates):
        rows = slice(0, 190) if k % 2 == 0 else slice(70, 260)
        factor[rows, 100 + 100 * k : 104 + 100 * k] = np.inf
    surf = surface(factor, cell_m=10.0, along_deg=35.0, across_deg=35.0)
    start, end = at(surf.grid, 20, 130), at(surf.grid, 400, 130)
    steep = rules()
    free = lower_bound_m(surf, replace(steep, bend_cost_m=0.0), start, end)
    # Around every wall's end one turn, to the side of the wall.
    assert lower_bound_m(surf, steep, start, end) >= free + gates * PRICE - 1.0


def hilly(seed: int):
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[:260, :420].astype(float)
    wave = sum(
        np.sin(col * a + row * b + c)
        for a, b, c in zip(
            rng.uniform(-0.05, 0.05, 6), rng.uniform(-0.05, 0.05, 6), rng.uniform(0, 6, 6), strict=True
        )
    )
    factor = 1.0 + 0.6 * (wave > 0.9)
    factor[150:175, 120:150] = np.inf
    factor[95:120, 250:290] = np.inf
    south, east = np.gradient(8.0 * wave, 10.0)
    return surface(factor, east, south, cell_m=10.0, along_deg=35.0, across_deg=35.0)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("out_deg", [None, 60.0])
def test_no_fitted_line_is_below_the_bound(seed, out_deg):
    # The fit is the best that is known to be feasible; its result is checked on its own elsewhere.
    surf = hilly(seed)
    start, end = at(surf.grid, 40, 130, out_deg), at(surf.grid, 380, 130)
    for bend_cost_m in (20.0, PRICE):
        own = rules(bend_cost_m=bend_cost_m)
        line = fit(search(surf, own, start, end).alignment, surf, own, start, end)
        assert line.feasible
        bound = lower_bound_m(surf, own, start, end)
        plain = lower_bound_m(surf, replace(own, bend_cost_m=0.0), start, end)
        assert plain < bound <= line.cost_m
        assert bound > 0.85 * line.cost_m


def slow_bound(surf, space, bend, start_cell, end_cell, out_deg) -> float:
    """Slow reference: Dijkstra in plain Python over (cell, sector, how it turned)."""
    headings, cols = space.rules.headings, surf.grid.cols
    vectors = heading_vectors(headings)
    bearing = np.arctan2(vectors[:, 0], -vectors[:, 1]) % (2.0 * np.pi)
    order = np.argsort(bearing)
    bearing = bearing[order]
    gap = np.diff(np.append(bearing, bearing[0] + 2.0 * np.pi))
    radius = space.rules.min_bend_radius_m / surf.grid.cell_m
    again = may_pass(bearing, turn_between_steps(headings, radius))
    begin = [(start_cell, int(s), None, 0) for s in np.flatnonzero(sectors_of(bearing, out_deg))]
    best = dict.fromkeys(begin, 0.0)
    heap = [(0.0, k, state) for k, state in enumerate(begin)]
    number = len(heap)
    while heap:
        cost, _, state = heappop(heap)
        if cost > best[state]:
            continue
        cell, sector, side, passed = state
        if cell == end_cell:
            return cost
        row, col = divmod(cell, cols)
        following = []
        for k in (sector, (sector + 1) % headings):
            heading = int(order[k])
            first, last = space.moves.step_row[heading], space.moves.step_row[heading + 1]
            to_row, to_col = row + vectors[heading, 1], col + vectors[heading, 0]
            piece = price(surf, space.moves, row, col, first, last)
            if 0 <= to_row < surf.grid.rows and 0 <= to_col < cols and math.isfinite(piece):
                share = math.cos(gap[sector] / 2.0)
                following.append((piece * share, (int(to_row * cols + to_col), sector, side, 0)))
        for to_side, to_sector, heading in (
            ("left", (sector - 1) % headings, sector),
            ("right", (sector + 1) % headings, (sector + 1) % headings),
        ):
            if side != to_side:
                following.append((bend, (cell, to_sector, to_side, 1)))
            elif passed == 0 or again[int(to_side == "right"), heading, passed]:
                following.append((0.0, (cell, to_sector, to_side, min(passed + 1, 2))))
        for more, to in following:
            if cost + more < best.get(to, math.inf) - 1e-12:
                best[to] = cost + more
                number += 1
                heappush(heap, (cost + more, number, to))
    return math.inf


@pytest.mark.parametrize("out_deg", [None, 40.0])
def test_the_kernel_is_the_slow_reference(out_deg):
    rng = np.random.default_rng(2)
    factor = 1.0 + rng.integers(0, 4, (34, 44)) / 4.0
    factor[12:22, 20:23] = np.inf
    surf = optimistic(surface(factor, cell_m=10.0, along_deg=35.0, across_deg=35.0))
    own = rules(min_bend_radius_m=550.0, headings=32)
    space = search_space(surf, replace(own, bend_cost_m=0.0))
    start, end = at(surf.grid, 4, 17, out_deg), at(surf.grid, 40, 15)
    slow = slow_bound(surf, space, 3.0, 17 * 44 + 4, 15 * 44 + 40, out_deg)
    fast = turning_bound(space, np.zeros(34 * 44), 3.0, start, end, lambda stage, share: None)
    assert fast == pytest.approx(slow, rel=1e-4)
    assert fast <= slow


def test_headings_get_fewer_as_the_radius_gets_smaller():
    # By hand: longest steps of 6.40, 5 and 3.61 cells and the cell beside them, within 6 degrees of a turn.
    assert [turning_headings(r) for r in (75.0, 71.0, 60.0, 50.0, 40.0)] == [80, 80, 48, 32, None]
