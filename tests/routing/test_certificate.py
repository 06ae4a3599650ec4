"""The certificate: its condition checked anew, and no line below it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from corridor.model.rules import RouteRules
from corridor.routing.bound import least_price
from corridor.routing.certificate import certificate, slope_excess, value_at
from corridor.routing.fit import fit
from corridor.routing.search import search

from .grounds import at, rough, surface
from .test_bound import smooth


def test_the_slope_of_a_plane_is_its_gradient():
    # u = 0.6 x + 0.8 y has slope 1 everywhere, on both kinds of triangles.
    row, col = np.mgrid[:7, :9].astype(float)
    plane = 0.6 * col + 0.8 * row
    assert np.allclose(slope_excess(plane, np.full(plane.shape, 2.0)), 0.5)
    surf = surface(np.ones((7, 9)), cell_m=10.0)
    assert value_at(plane, surf.grid, at(surf.grid, 3.3, 4.9)) == pytest.approx(0.6 * 3.3 + 0.8 * 4.9)


def test_open_water_is_certified_closely():
    surf = surface(np.ones((80, 100)), cell_m=10.0)
    start, end = at(surf.grid, 6, 9), at(surf.grid, 90, 66)
    found = certificate(surf, RouteRules(min_bend_radius_m=50.0), start, end)
    length = 10.0 * math.hypot(84, 57)
    # The field is cut off some cells around END, on a line of 101 cells.
    assert 0.87 * length <= found.bound_m <= length


@pytest.mark.parametrize("ground", ["smooth", "rough"])
def test_it_bounds_the_best_line_found(ground):
    surf = smooth(1) if ground == "smooth" else rough(1, 50, 60, closed=0.0)
    rules = RouteRules(
        min_bend_radius_m=40.0, bend_cost_m=0.0, max_slope_along_deg=35.0, max_slope_across_deg=35.0
    )
    rows, cols = surf.grid.shape
    start, end = at(surf.grid, 8, 9), at(surf.grid, cols - 9, rows - 10)
    found = certificate(surf, rules, start, end, rounds=5)
    path = search(surf, rules, start, end)
    line = fit(path.alignment, surf, rules, start, end)
    assert found.bound_m <= min(line.cost_m, path.cost_m)
    assert found.bound_m >= 0.6 * line.cost_m
    # The condition, triangle by triangle, in plain Python.
    price, field = least_price(surf), found.field
    for row in range(0, field.shape[0] - 1, 3):
        for col in range(field.shape[1] - 1):
            for (r, c), (r2, c2), (r3, c3) in (
                ((row, col), (row, col + 1), (row + 1, col)),
                ((row + 1, col + 1), (row + 1, col), (row, col + 1)),
            ):
                slope = math.hypot(field[r2, c2] - field[r, c], field[r3, c3] - field[r, c])
                least = min(price[r, c], price[r2, c2], price[r3, c3])
                assert slope <= found.worst * least * (1.0 + 1e-6) or not math.isfinite(least)
