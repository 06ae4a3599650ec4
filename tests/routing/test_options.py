"""Distinct routes on fields of round obstacles."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import shapely

from corridor.errors import NoRouteError
from corridor.model.alignment import Alignment
from corridor.routing.geometry import densify
from corridor.routing.options import (
    Obstacle,
    chains,
    closed_cells,
    different,
    pass_graph,
    swept_turns,
    walled,
)
from corridor.routing.options_table import dominates, option_names
from corridor.routing.search import search
from corridor.terrain.cost import cost_surface

from .barrier_grounds import CRS, SOUTH, WEST, flat, layer, point, project


def field(places, radius: float = 120.0):
    """Round obstacles between START in the west and END in the east."""
    return project(
        flat(62, 82),
        [layer("rocks", "avoid", [point(x, y).buffer(radius, 32) for x, y in places], 5.0)],
        start=(110.0, 610.0), end=(1510.0, 610.0), min_bend_radius_m=150.0,
    )  # fmt: skip


def routes(study, count: int, least_size_m: float = 100.0):
    surface = cost_surface(study)
    graph = pass_graph(surface, study.start, study.end, least_size_m)
    found = []
    for chain in chains(graph):
        try:
            line = search(walled(graph, chain), study.rules, study.start, study.end).alignment
        except NoRouteError:
            continue
        if all(different(line, other, graph.obstacles) for other in found):
            found.append(line)
        if len(found) == count:
            break
    return graph, found


def rings(line: Alignment, other: Alignment) -> shapely.Geometry:
    """What two lines enclose together (shapely)."""
    both = shapely.union_all([shapely.LineString(densify(x, 0.5)) for x in (line, other)])
    return shapely.union_all(shapely.get_parts(shapely.polygonize([shapely.node(both)])))


def test_one_obstacle_has_two_sides():
    study = field([(810.0, 640.0)])
    graph, found = routes(study, 4)
    assert len(graph.obstacles) == 1
    assert len(graph.passes) == 2
    assert len(found) == 2
    middle = shapely.Point(WEST + 810.0, SOUTH + 640.0)
    assert rings(*found).contains(middle)


@pytest.mark.parametrize("seed", range(3))
def test_pairwise_on_different_sides(seed):
    rng = np.random.default_rng(seed)
    places = [(500.0, 400.0), (500.0, 850.0), (1050.0, 300.0), (1050.0, 700.0)]
    places = [(x + rng.uniform(-60, 60), y + rng.uniform(-60, 60)) for x, y in places]
    study = field(places)
    graph, found = routes(study, 4)
    assert len(graph.obstacles) == 4
    assert len(found) == 4
    stones = [shapely.Point(WEST + x, SOUTH + y) for x, y in places]
    for a, b in combinations(found, 2):
        # Independently (shapely): what the two lines enclose holds at least one obstacle.
        assert any(rings(a, b).contains(stone) for stone in stones)
    for line in found:
        chain = shapely.LineString(densify(line, 0.5))
        assert min(shapely.distance(chain, stone) for stone in stones) >= 120.0


def test_shifted_lines_are_not_different():
    rock = (Obstacle("rock", 500.0, 0.0, 100.0),)
    north = Alignment.from_points([(0, 0), (500, 300), (1000, 0)], [200.0], CRS)
    further = Alignment.from_points([(0, 0), (500, 380), (1000, 0)], [200.0], CRS)
    south = Alignment.from_points([(0, 0), (500, -300), (1000, 0)], [200.0], CRS)
    assert different(north, further, rock) == ()
    assert different(north, south, rock) == (0,)
    assert swept_turns(north, rock)[0] == pytest.approx(-0.5)
    assert swept_turns(south, rock)[0] == pytest.approx(0.5)


def test_fewer_routes_than_asked_for():
    # A wall with one gap: there is but one way.
    study = project(
        flat(),
        [
            layer(
                "wall",
                "avoid",
                [
                    shapely.box(WEST + 800, SOUTH - 100, WEST + 830, SOUTH + 500),
                    shapely.box(WEST + 800, SOUTH + 800, WEST + 830, SOUTH + 1400),
                ],
                5.0,
            )
        ],
    )
    _, found = routes(study, 4)
    assert len(found) == 1


def test_order_is_stable():
    study = field([(500.0, 450.0), (900.0, 760.0)])
    first, again = routes(study, 4)[1], routes(study, 4)[1]
    assert [line.easting_m.tolist() for line in first] == [line.easting_m.tolist() for line in again]


def test_small_obstacles_do_not_count():
    study = field([(810.0, 640.0), (400.0, 300.0)], radius=120.0)
    tiny = project(
        flat(62, 82),
        [*study.layers, layer("stone", "avoid", [point(1200.0, 610.0)], 25.0)],
        start=(110.0, 610.0), end=(1510.0, 610.0), min_bend_radius_m=150.0,
    )  # fmt: skip
    surface = cost_surface(tiny)
    assert closed_cells(surface).sum() > closed_cells(cost_surface(study)).sum()
    assert len(pass_graph(surface, tiny.start, tiny.end, 100.0).obstacles) == 2
    assert len(pass_graph(surface, tiny.start, tiny.end, 20.0).obstacles) == 3


def test_domination():
    base = dict(
        cost_m=1.0,
        length_m=1.0,
        bends=2,
        crossings=1,
        spans=None,
        max_slope_along_deg=1.0,
        max_slope_across_deg=1.0,
        discouraged_m=0.0,
        rules_broken=0,
    )
    a, b = {**base, "option": "A"}, {**base, "option": "B", "length_m": 1.5}
    assert dominates(a, b) and not dominates(b, a)
    assert not dominates(a, {**base, "option": "C"})
    assert not dominates(a, {**b, "crossings": 0})
    assert option_names(28)[-3:] == ("Z", "AA", "AB")
