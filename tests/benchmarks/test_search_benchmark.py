"""The search and the fit timed against scikit-image's full least-cost field, in the same run.

Run with ``pytest -n 0 -m benchmark -s tests/benchmarks/test_search_benchmark.py``.
Ratios are printed; what is asserted is that the results are right and that the
memory stays bounded, never a time.
"""

from __future__ import annotations

import resource
import time

import numpy as np
import pytest
from skimage.graph import MCP_Geometric

from corridor.model.rules import RouteEnd, RouteRules
from corridor.routing.fit import fit
from corridor.routing.geometry import bends
from corridor.routing.search import search

from ..routing.grounds import surface

pytestmark = pytest.mark.benchmark


def ground(size: int = 1000, cell_m: float = 25.0, seed: int = 1):
    """Rolling ground with 60 round obstacles, R = 60 cells: the case named in the issue."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0.0, 6.0 * np.pi, size)
    depth = 40.0 * np.sin(x)[None, :] * np.cos(x)[:, None]
    south, east = np.gradient(depth, cell_m)
    factor = np.ones((size, size))
    row, col = np.mgrid[:size, :size]
    for _ in range(60):
        r, c, radius = rng.uniform(0, size), rng.uniform(0, size), rng.uniform(10, 45)
        if min(np.hypot(r - 50, c - 50), np.hypot(r - 950, c - 950)) > radius + 70:
            factor[(row - r) ** 2 + (col - c) ** 2 < radius**2] = np.inf
    return surface(factor, east, south, cell_m=cell_m)


def median_s(work, runs: int = 5) -> float:
    work()
    times = []
    for _ in range(runs):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return float(np.median(times))


@pytest.mark.parametrize("bend_cost_m", [0.0, 150.0])
def test_search_against_full_field(bend_cost_m, capsys):
    surf = ground()
    rules = RouteRules(
        min_bend_radius_m=1500.0, min_straight_m=200.0, max_slope_along_deg=12.0,
        max_slope_across_deg=8.0, bend_cost_m=bend_cost_m,
    )  # fmt: skip
    start, end = RouteEnd(1250.0, 23750.0), RouteEnd(23755.0, 1240.0)
    price = surf.ground[..., 0].astype(float) + (surf.ground[..., 1:3] ** 2).sum(axis=-1) / surf.tan_across**2
    price[~np.isfinite(price)] = -1.0
    reference = median_s(lambda: MCP_Geometric(price).find_costs([(50, 50)]))
    mine = median_s(lambda: search(surf, rules, start, end))
    found = search(surf, rules, start, end)
    fitting = median_s(lambda: fit(found.alignment, surf, rules, start, end), 3)
    memory_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    with capsys.disabled():
        print(
            f"\nbend cost {bend_cost_m:g} m: full field {reference:.3f} s, search {mine:.3f} s: "
            f"{mine / reference:.1f} times; {found.expanded} states settled; fit {fitting:.2f} s; "
            f"peak {memory_gb:.2f} GB"
        )
    assert found.alignment.radius_m[1:-1].min() >= 1500.0 - 1e-6
    assert bends(found.alignment).straight_m[1:-1].min() >= 200.0 - 1e-6
    assert found.lower_bound_m <= found.cost_m
    assert memory_gb < 1.5
