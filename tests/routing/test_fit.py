"""The fit against closed forms: bounded curvature, refraction, cost 1/y, a round obstacle."""

from __future__ import annotations

import math

import numpy as np
import pytest

from corridor.errors import NoRouteError
from corridor.model.alignment import Alignment
from corridor.model.rules import RouteEnd, RouteRules
from corridor.routing.fit import fit, keeps_rules
from corridor.routing.geometry import bends, elements
from corridor.routing.measure import line_cost
from corridor.routing.search import search

from .grounds import CRS, at, rough, surface

R = 500.0


def rules(**changes) -> RouteRules:
    given = dict(min_bend_radius_m=R, bend_cost_m=0.0, max_slope_along_deg=12.0, max_slope_across_deg=8.0)
    return RouteRules(**{**given, **changes})


def straight_path(start: RouteEnd, end: RouteEnd) -> Alignment:
    return Alignment.from_points([(start.easting, start.northing), (end.easting, end.northing)], [], CRS)


def dubins_csc(x: float, y: float, a: float, b: float) -> float:
    """Shortest of LSL, RSR, LSR, RSL for unit radius, from (0, 0, a) to (x, y, b), angles from the x axis.

    Source: closed forms of A. M. Shkel, V. Lumelsky 2001, *Robotics and
    Autonomous Systems* 34 (from memory), after L. E. Dubins 1957.
    """
    d, theta = math.hypot(x, y), math.atan2(y, x)
    a, b = (a - theta) % (2 * math.pi), (b - theta) % (2 * math.pi)
    sa, sb, ca, cb, cab = math.sin(a), math.sin(b), math.cos(a), math.cos(b), math.cos(a - b)
    tau = 2 * math.pi
    found = []
    p2 = 2 + d * d - 2 * cab + 2 * d * (sa - sb)
    if p2 >= 0:
        t = math.atan2(cb - ca, d + sa - sb)
        found.append((-a + t) % tau + math.sqrt(p2) + (b - t) % tau)
    p2 = 2 + d * d - 2 * cab + 2 * d * (sb - sa)
    if p2 >= 0:
        t = math.atan2(ca - cb, d - sa + sb)
        found.append((a - t) % tau + math.sqrt(p2) + (-b + t) % tau)
    p2 = -2 + d * d + 2 * cab + 2 * d * (sa + sb)
    if p2 >= 0:
        p = math.sqrt(p2)
        t = math.atan2(-ca - cb, d + sa + sb) - math.atan2(-2.0, p)
        found.append((-a + t) % tau + p + (-b + t) % tau)
    p2 = -2 + d * d + 2 * cab - 2 * d * (sa + sb)
    if p2 >= 0:
        p = math.sqrt(p2)
        t = math.atan2(ca + cb, d - sa - sb) - math.atan2(2.0, p)
        found.append((a - t) % tau + p + (b - t) % tau)
    return min(found)


@pytest.mark.parametrize(
    ("pose", "expected"),
    [
        # Source: L. E. Dubins 1957; exact values, two of them also by the general planner library ompl.
        ((4.0, 0.0, 0.0), 4.0),
        ((4.0, 4.0, math.pi / 2), 3 * math.sqrt(2) + math.pi / 2),
        ((4.0, 0.0, math.pi), 2 * math.sqrt(3) + 4 * math.pi / 3),
        ((10.0, 4.0, 0.0), 10 + 4 * math.atan(1 / 5)),
    ],
)
def test_table_of_bounded_curvature_paths(pose, expected):
    assert dubins_csc(*pose[:2], 0.0, pose[2]) == pytest.approx(expected, abs=1e-9)
    assert fitted_length(*pose[:2], 0.0, pose[2]) == pytest.approx(expected, rel=1e-6)


OPEN = surface(np.ones((400, 400)), cell_m=50.0)


def fitted_length(x: float, y: float, a: float, b: float) -> float:
    """Length of the fit in open water between two poses, in radii."""
    c_e, c_n = 10000.0 - x * R / 2, 10000.0 - y * R / 2
    start = RouteEnd(c_e, c_n, 90.0 - math.degrees(a))
    end = RouteEnd(c_e + x * R, c_n + y * R, (90.0 - math.degrees(b)) % 360.0)
    result = fit(straight_path(start, end), OPEN, rules(), start, end)
    assert result.feasible
    curve = bends(result.alignment)
    for bearing, wanted in (
        (curve.bearing_rad[0], start.bearing_deg),
        (curve.bearing_rad[-1], end.bearing_deg),
    ):
        assert math.remainder(math.degrees(bearing) - wanted, 360.0) == pytest.approx(0.0, abs=1e-6)
    if result.bends:
        assert result.alignment.radius_m[1:-1].min() >= R * (1 - 1e-9)
    return elements(result.alignment).total_m / R


def random_poses(count: int, seed: int):
    rng = np.random.default_rng(seed)
    for _ in range(count):
        distance, theta = rng.uniform(4.0, 14.0), rng.uniform(0, 2 * math.pi)
        yield distance * math.cos(theta), distance * math.sin(theta), *rng.uniform(0, 2 * math.pi, 2)


def check_open_water(count: int, seed: int) -> None:
    for pose in random_poses(count, seed):
        best = dubins_csc(*pose)
        length = fitted_length(*pose)
        assert length >= best * (1 - 1e-9), pose
        assert length <= best * 1.001, pose


def test_open_water_is_the_bounded_curvature_path():
    check_open_water(60, 1)


@pytest.mark.slow
def test_open_water_thousands():
    check_open_water(3000, 2)


@pytest.mark.parametrize(
    ("c1", "c2", "h1", "h2", "d", "cost"),
    [
        # Source: Snell's law for the cheapest path across two half-planes, exact (Mitchell and
        # Papadimitriou 1991, J. ACM 38, citation from memory).
        (1.0, 2.0, 1000.0, 800.0, 1500.0, 3269.90192),
        (1.0, 3.0, 1000.0, 1000.0, 2000.0, 5104.40024),
    ],
)
def test_refraction(c1, c2, h1, h2, d, cost):
    cell = 10.0
    rows, cols = int((h1 + h2) / cell) + 40, int(d / cell) + 60
    factor = np.ones((rows, cols))
    border = 20 + int(h1 / cell)
    factor[:border], factor[border:] = c1, c2
    surf = surface(factor, cell_m=cell)
    top = rows * cell - 200.0
    start, end = RouteEnd(300.0, top), RouteEnd(300.0 + d, top - h1 - h2)
    r = rules(min_bend_radius_m=20.0)
    found = search(surf, r, start, end)
    result = fit(found.alignment, surf, r, start, end)
    assert result.feasible
    assert cost * (1 - 1e-6) <= result.cost_m <= cost * 1.003
    assert result.cost_m <= found.cost_m + 1e-6


@pytest.mark.parametrize(
    ("x1", "y1", "x2", "y2", "expected"),
    [
        # Source: geodesics of the Poincare half-plane, d = arcosh(1 + |D|^2 / (2 y1 y2)), exact.
        (-1.0, 1.0, 1.0, 1.0, 1.762747174),
        (0.0, 1.0, 3.0, 1.0, 2.389526435),
        (-3.0, 1.0, 3.0, 1.0, 3.636892918),
    ],
)
def test_cost_one_over_y(x1, y1, x2, y2, expected):
    # Scaled so that the least price is 1: factor = top / y on a strip 0.5 < y < 4.
    cell, top = 0.01 * 1000.0, 4.0
    cols, rows = int((x2 - x1 + 2.0) * 1000 / cell), int(3.5 * 1000 / cell)
    y = 4.0 - (np.arange(rows) + 0.5) * cell / 1000.0
    surf = surface(np.repeat((top / y)[:, None], cols, axis=1), cell_m=cell)
    start = RouteEnd(1000.0, (y1 - 0.5) * 1000.0)
    end = RouteEnd((1.0 + x2 - x1) * 1000.0, (y2 - 0.5) * 1000.0)
    r = rules(min_bend_radius_m=100.0)
    result = fit(search(surf, r, start, end).alignment, surf, r, start, end)
    assert result.feasible
    assert expected * 0.998 <= result.cost_m / 1000.0 / top <= expected * 1.005


def test_round_obstacle_between_the_ends():
    # Source: tangent, arc, tangent around a circle: 2 sqrt(d^2 - r^2) + 2 r asin(r / d), exact.
    from shapely import Point

    from corridor.terrain.zones import clearance

    cell, radius, half = 20.0, 700.0, 3000.0
    rows, cols = 200, 360
    plain = surface(np.ones((rows, cols)), cell_m=cell)
    zone = clearance(Point(3600.0, 2000.0), radius, plain.grid)
    ground = plain.ground.copy().reshape(-1, 4)
    ground[zone.closed, 0] = np.inf
    ground[zone.rim, 3] = np.arange(1, zone.rim.size + 1)
    rim = np.zeros((zone.rim.size + 1, 3))
    rim[1:, 0], rim[1:, 1:] = zone.value, zone.grow
    from dataclasses import replace

    surf = replace(plain, ground=ground.reshape(rows, cols, 4), rim=rim)
    start, end = RouteEnd(3600.0 - half, 2000.0), RouteEnd(3600.0 + half, 2000.0)
    r = rules()
    result = fit(search(surf, r, start, end).alignment, surf, r, start, end)
    assert result.feasible
    exact = 2 * math.sqrt(half**2 - radius**2) + 2 * radius * math.asin(radius / half)
    assert exact * (1 - 2e-4) <= result.cost_m <= exact * 1.002


@pytest.mark.parametrize("seed", range(5))
def test_never_dearer_than_the_path_and_no_rule_broken(seed):
    surf = rough(seed, 120, 140, closed=0.002, cell_m=10.0)
    r = rules(min_bend_radius_m=120.0, bend_cost_m=15.0, min_straight_m=20.0)
    start, end = at(surf.grid, 8, 8), at(surf.grid, 130, 110)
    try:
        found = search(surf, r, start, end)
    except NoRouteError:
        pytest.fail("the ground of this seed should be passable")
    result = fit(found.alignment, surf, r, start, end)
    assert result.cost_m <= found.cost_m + 1e-6
    assert result.cost_m == pytest.approx(sum(line_cost(result.alignment, surf, r).values()), rel=1e-6)
    line = result.alignment
    if result.bends:
        assert line.radius_m[1:-1].min() >= 120.0 - 1e-6
        assert bends(line).straight_m[1:-1].min(initial=1e9) >= 20.0 - 1e-6
    # Independent of the kernels: samples every fifth of a cell on open ground within the limits.
    from corridor.routing.geometry import at_station

    along = elements(line)
    easting, northing, bearing = at_station(along, np.arange(0.0, along.total_m, 2.0))
    u, v = surf.grid.to_cells(easting, northing)
    cell = surf.ground[np.floor(v).astype(int), np.floor(u).astype(int)]
    assert np.isfinite(cell[:, 0]).all()
    t = cell[:, 1] * np.sin(bearing) - cell[:, 2] * np.cos(bearing)
    n = cell[:, 2] * np.sin(bearing) + cell[:, 1] * np.cos(bearing)
    assert np.abs(t).max() <= surf.tan_along * 1.01
    assert np.abs(n).max() <= surf.tan_across * 1.01


def test_many_bends_become_few():
    surf = rough(4, 200, 220, closed=0.0, cell_m=10.0)
    free = rules(min_bend_radius_m=80.0, bend_cost_m=0.0)
    start, end = at(surf.grid, 8, 8), at(surf.grid, 210, 190)
    path = search(surf, free, start, end).alignment
    result = fit(path, surf, rules(min_bend_radius_m=80.0, bend_cost_m=150.0), start, end)
    assert path.bends >= 6
    assert result.bends <= path.bends / 3


def test_fixed_ips_stay():
    start, end = RouteEnd(2000.0, 2000.0), RouteEnd(16000.0, 2000.0)
    path = Alignment.from_points([(2000, 2000), (6000, 6000), (11000, 7000), (16000, 2000)], [R, R], CRS)
    result = fit(path, OPEN, rules(), start, end, fixed_ips=[1])
    ips = np.column_stack([result.alignment.easting_m, result.alignment.northing_m])
    assert np.hypot(*(ips - [6000, 6000]).T).min() < 1e-6
    assert result.cost_m < line_cost(path, OPEN, rules())["length_m"]


def test_within_a_distance_of_the_drawn_line():
    from corridor.routing.chainage import station_of
    from corridor.routing.geometry import densify

    start, end = RouteEnd(2000.0, 2000.0), RouteEnd(16000.0, 2000.0)
    path = Alignment.from_points([(2000, 2000), (6000, 4000), (11000, 4200), (16000, 2000)], [R, R], CRS)
    result = fit(path, OPEN, rules(), start, end, within_m=300.0)
    points = densify(result.alignment, 1.0)
    _, offset = station_of(elements(path), points[:, 0], points[:, 1])
    assert np.abs(offset).max() <= 310.0
    assert result.cost_m < line_cost(path, OPEN, rules())["length_m"]


def test_the_strip_knows_its_distance():
    # Against shapely, over the whole grid, the guide's bends and its surroundings.
    import shapely

    from corridor.kernels.strip import strip_excess
    from corridor.routing.fit import _course

    path = Alignment.from_points([(2000, 2000), (6000, 4000), (11000, 4200), (16000, 2000)], [R, R], CRS)
    course = _course(path, OPEN, rules(), None, None, 300.0)
    guide = shapely.LineString(course.guide)
    rng = np.random.default_rng(5)
    for u, v in rng.uniform(0.0, 400.0, (500, 2)):
        assert strip_excess(course, u, v) == pytest.approx(
            guide.distance(shapely.Point(u, v)) - course.near, abs=1e-9
        )


def test_a_path_that_breaks_rules_is_mended():
    # A zigzag with corners every 400 m, on which no bend of 500 m radius fits.
    start, end = RouteEnd(2000.0, 2000.0), RouteEnd(12000.0, 2000.0)
    points = [(2000.0 + 400.0 * k, 2000.0 + 150.0 * (k % 2)) for k in range(25)] + [(12000.0, 2000.0)]
    path = Alignment.from_points(points, np.full(24, 10.0), CRS)
    result = fit(path, OPEN, rules(bend_cost_m=50.0), start, end)
    assert result.feasible and result.bends == 0
    assert result.cost_m == pytest.approx(10000.0, abs=1e-6)


def test_a_fixed_ip_beside_a_fixed_bearing_stays():
    start, end = RouteEnd(2000.0, 2000.0, 90.0), RouteEnd(16000.0, 2000.0)
    path = Alignment.from_points([(2000, 2000), (8000, 5000), (16000, 2000)], [R], CRS)
    result = fit(path, OPEN, rules(), start, end, fixed_ips=[1])
    ips = np.column_stack([result.alignment.easting_m, result.alignment.northing_m])
    assert np.hypot(*(ips - [8000, 5000]).T).min() < 1e-6
    assert math.degrees(bends(result.alignment).bearing_rad[0]) == pytest.approx(90.0, abs=1e-6)


def test_swapping_the_ends_changes_little():
    from corridor.routing.starts import best_fit

    surf = rough(2, 60, 70, closed=0.0, cell_m=10.0)
    r = rules(min_bend_radius_m=100.0, bend_cost_m=40.0, max_slope_along_deg=30.0, max_slope_across_deg=30.0)
    start, end = at(surf.grid, 8, 8, 100.0), at(surf.grid, 62, 52)
    path = search(surf, r, start, end).alignment
    one = best_fit(path, surf, r, start, end)
    other = best_fit(path.reversed(), surf, r, end, RouteEnd(start.easting, start.northing, 280.0))
    assert one.feasible and other.feasible
    assert one.cost_m == pytest.approx(other.cost_m, rel=2e-3)
    assert one.cost_m <= fit(path, surf, r, start, end).cost_m * 1.01


def test_a_bend_of_next_to_no_turn_hides_no_ground():
    # The chord passes closed cells; a vast radius at an IP that turns by 1e-10 makes all of the line an arc.
    factor = np.ones((60, 200))
    factor[20:40, 90:110] = np.inf
    surf = surface(factor)
    start, end = at(surf.grid, 10, 30), at(surf.grid, 190, 30)
    middle = (0.5 * (start.easting + end.easting), start.northing + 1e-7)
    ends = [(p.easting, p.northing) for p in (start, end)]
    line = Alignment.from_points([ends[0], middle, ends[1]], [4e12], CRS)
    assert not keeps_rules(line, surf, rules())
