"""The fit through via points: exact, on a straight, never dearer than the search's path."""

from __future__ import annotations

import math

import numpy as np
import pytest

from corridor.model.rules import RouteEnd, RouteRules
from corridor.routing.chainage import station_of
from corridor.routing.fit import keeps_rules
from corridor.routing.geometry import bends, curvature_at, elements
from corridor.routing.measure import line_cost
from corridor.routing.search import search
from corridor.routing.via_fit import fit_via

from .grounds import at, rough, surface


def fitted(surf, rules: RouteRules, start: RouteEnd, end: RouteEnd, via: tuple[RouteEnd, ...]):
    found = search(surf, rules, start, end, via)
    return found, fit_via(found.alignment, surf, rules, start, end, via)


def check(surf, rules, start, end, via, found, result) -> None:
    assert result.feasible
    assert result.cost_m <= found.cost_m + 1e-6
    assert result.cost_m == pytest.approx(sum(line_cost(result.alignment, surf, rules).values()), rel=1e-9)
    assert keeps_rules(result.alignment, surf, rules, start, end)
    line, last = elements(result.alignment), 0.0
    assert bends(result.alignment).straight_m.min() >= rules.min_straight_m - 1e-6
    for point in via:
        station, offset = (float(x) for x in station_of(line, point.easting, point.northing))
        assert abs(offset) < 1e-3
        assert station > last
        last = station
        half = rules.min_straight_m / 2.0
        near = np.linspace(station - half + 0.01, station + half - 0.01, 21)
        assert np.all(curvature_at(line, near) == 0.0)


@pytest.mark.parametrize("seed", range(3))
def test_via_points_on_rough_ground(seed):
    surf = rough(seed, 120, 140, closed=0.0, cell_m=10.0)
    rules = RouteRules(
        min_bend_radius_m=100.0, min_straight_m=40.0, bend_cost_m=15.0,
        max_slope_along_deg=30.0, max_slope_across_deg=30.0,
    )  # fmt: skip
    start, end = at(surf.grid, 8, 8), at(surf.grid, 130, 110)
    via = (at(surf.grid, 45.3, 60.2), at(surf.grid, 95.1, 50.4))
    found, result = fitted(surf, rules, start, end, via)
    check(surf, rules, start, end, via, found, result)
    assert result.cost_m < found.cost_m - 1.0


def test_open_water_with_one_via_point_is_two_tangents_and_an_arc():
    # Three points that a line of bounded curvature passes: with the via point on a straight the
    # least length lies between the polyline through the three points and the search's path.
    surf = surface(np.ones((160, 200)), cell_m=20.0)
    rules = RouteRules(min_bend_radius_m=300.0, min_straight_m=100.0, bend_cost_m=0.0)
    start, end = at(surf.grid, 10, 20), at(surf.grid, 190, 20)
    via = (at(surf.grid, 100, 70),)
    found, result = fitted(surf, rules, start, end, via)
    check(surf, rules, start, end, via, found, result)
    polyline = 2.0 * math.hypot(90 * 20.0, 50 * 20.0)
    assert polyline < result.cost_m < found.cost_m
    # By symmetry the bearing at the via point is due east, and the line is that of two mirrored halves:
    # START - IP - level straight of 50 m half length. Exact by the tangent from a point to a circle.
    x, y, r, half = 1800.0, 1000.0, 300.0, 50.0
    c_x, c_y = x - half, y - r  # centre of the arc beside the via point, from START
    d = math.hypot(c_x, c_y)
    tangent = math.sqrt(d * d - r * r)
    angle = math.atan2(c_y, c_x) + math.asin(r / d)
    exact = 2.0 * (tangent + r * angle + half)
    assert result.cost_m == pytest.approx(exact, rel=1e-4)


def test_a_given_bearing_is_kept():
    surf = surface(np.ones((160, 200)), cell_m=20.0)
    rules = RouteRules(min_bend_radius_m=300.0, min_straight_m=100.0, bend_cost_m=50.0)
    start, end = at(surf.grid, 10, 20), at(surf.grid, 190, 40)
    via = (at(surf.grid, 100, 70, 117.0),)
    found, result = fitted(surf, rules, start, end, via)
    check(surf, rules, start, end, via, found, result)
    from corridor.routing.geometry import at_station

    line = elements(result.alignment)
    station, _ = station_of(line, via[0].easting, via[0].northing)
    assert math.degrees(float(at_station(line, station)[2])) == pytest.approx(117.0, abs=1e-6)
