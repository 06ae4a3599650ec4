"""The lower bound: what steps count, what the first bend adds, and no feasible line below it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from corridor.kernels.headings import heading_vectors
from corridor.model.alignment import Alignment
from corridor.model.rules import RouteEnd, RouteRules
from corridor.routing.bound import heading_shares, least_bends, lower_bound_m, optimistic
from corridor.routing.fit import keeps_rules
from corridor.routing.geometry import bends
from corridor.routing.measure import line_cost

from .grounds import CRS, at, rough, surface


@pytest.mark.parametrize("count", [16, 32, 48, 80])
def test_steps_never_count_more_than_the_line_they_follow(count):
    # Plane geometry, no other source: t = a h1 + b h2 with the headings beside it.
    vectors = heading_vectors(count).astype(float)
    size, share = np.hypot(*vectors.T), heading_shares(count)
    most = 0.0
    for k in range(count):
        one, two = vectors[k], vectors[(k + 1) % count]
        for mix in np.linspace(0.0, 1.0, 101):
            way = mix * one / size[k] + (1.0 - mix) * two / size[(k + 1) % count]
            length = float(np.hypot(*way))
            counted = mix * share[k] + (1.0 - mix) * share[(k + 1) % count]
            most = max(most, counted / length)
    assert most == pytest.approx(1.0, abs=1e-9)  # reached in the middle of a gap, exceeded nowhere


@pytest.mark.parametrize("bearing_deg", [0.0, 10.0, 17.0, 45.0, 72.0])
def test_open_water_is_bounded_closely(bearing_deg):
    surf = surface(np.ones((300, 300)), cell_m=10.0)
    angle = math.radians(bearing_deg)
    length = 2400.0
    start = at(surf.grid, 150 - 115 * math.sin(angle), 150 + 115 * math.cos(angle))
    end = RouteEnd(start.easting + length * math.sin(angle), start.northing + length * math.cos(angle))
    bound = lower_bound_m(surf, RouteRules(min_bend_radius_m=50.0), start, end)
    # 0.49 % in the widest gap of 80 headings (exact: 1 / cos(5.65 degrees)), and two cells.
    assert length * 0.9951 - 35.0 <= bound <= length


def test_the_first_bend_is_part_of_the_bound():
    surf = surface(np.ones((60, 80)), cell_m=10.0)
    rules = RouteRules(min_bend_radius_m=50.0, bend_cost_m=120.0)
    start, end = at(surf.grid, 5, 30), at(surf.grid, 75, 30)
    free = lower_bound_m(surf, rules, start, end)
    turned = lower_bound_m(surf, rules, replace(start, bearing_deg=60.0), end)
    assert turned == pytest.approx(free + 120.0)
    straight = lower_bound_m(surf, rules, replace(start, bearing_deg=90.0), end)
    assert straight == pytest.approx(free)
    wall = np.ones((60, 80))
    wall[20:40, 38:42] = np.inf
    assert least_bends(optimistic(surface(wall, cell_m=10.0)), start, end) == 1
    thin = np.ones((60, 80))
    thin[30, 40] = np.inf  # one closed cell: a line beside its centre may still pass it on finer ground
    assert least_bends(optimistic(surface(thin, cell_m=10.0)), start, end) == 0


def smooth(seed: int):
    """Ground that varies over some ten cells, with a closed island."""
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[:90, :110].astype(float)
    wave = sum(
        rng.uniform(0.2, 1.0) * np.sin(col * a + row * b + c)
        for a, b, c in zip(
            rng.uniform(-0.3, 0.3, 6), rng.uniform(-0.3, 0.3, 6), rng.uniform(0, 6, 6), strict=True
        )
    )
    south, east = np.gradient(3.0 * wave, 10.0)
    factor = 1.0 + 0.8 * (wave > 0.8)
    factor[35:55, 50:62] = np.inf
    return surface(factor, east, south, cell_m=10.0, along_deg=35.0, across_deg=35.0)


@pytest.mark.parametrize("ground", ["rough", "smooth"])
@pytest.mark.parametrize("seed", range(2))
def test_no_feasible_line_is_below_the_bound(ground, seed):
    surf = rough(seed, 90, 110, closed=0.0) if ground == "rough" else smooth(seed)
    rng = np.random.default_rng(100 + seed)
    rules = RouteRules(
        min_bend_radius_m=40.0, bend_cost_m=30.0, max_slope_along_deg=35.0, max_slope_across_deg=35.0
    )
    surf = replace(surf, tan_along=math.tan(math.radians(35.0)), tan_across=math.tan(math.radians(35.0)))
    first, last = np.array([8.5, 9.5]), np.array([101.5, 80.5])
    start, end = at(surf.grid, 8, 9), at(surf.grid, 101, 80)
    bound = lower_bound_m(surf, rules, start, end)
    least, tried = math.inf, 0
    for _ in range(300 if ground == "rough" else 1500):
        count = int(rng.integers(1, 4))
        share = np.sort(rng.uniform(0.1, 0.9, count))[:, None]
        inner = first + share * (last - first) + rng.normal(0, 9, (count, 2))
        radii = rng.uniform(40.0, 400.0, count)
        easting, northing = surf.grid.to_map(*np.vstack([first, inner, last]).T)
        line = Alignment.from_points(np.column_stack([easting, northing]), radii, CRS)
        if bends(line).straight_m.min() < 0.0 or not keeps_rules(line, surf, rules, start, end):
            continue
        tried += 1
        least = min(least, sum(line_cost(line, surf, rules).values()))
    assert tried > 40
    assert bound <= least
    assert bound > 0.6 * least  # a bound of nothing would pass the line above
