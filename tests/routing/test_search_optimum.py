"""The search against general-purpose graph libraries and against itself."""

from __future__ import annotations

import math
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from corridor.errors import NoRouteError
from corridor.kernels.headings import direction_excess, heading_vectors
from corridor.kernels.relax import TILE, least_cone, tile_costs
from corridor.kernels.search import step_cost
from corridor.model.results import Assets
from corridor.model.rules import RouteRules
from corridor.routing.geometry import bends, elements
from corridor.routing.portals import net_of, portal_net
from corridor.routing.relaxed import RelaxedField
from corridor.routing.search import _run, search, search_net
from corridor.routing.space import search_space

from .grounds import at, rough, state_graph, step_graph, surface, turned, turned_cell


def rules(**changes) -> RouteRules:
    given = dict(min_bend_radius_m=25.0, bend_cost_m=5.0, max_slope_along_deg=12.0, max_slope_across_deg=8.0)
    return RouteRules(**{**given, **changes})


@pytest.mark.parametrize(("headings", "excess"), [(8, 1.082392), (16, 1.027486), (32, 1.013081)])
def test_direction_excess(headings, excess):
    # Source: exact, secant of half the largest gap between grid directions.
    assert direction_excess(headings) == pytest.approx(excess, abs=1e-6)


@pytest.mark.parametrize("count", [8, 16, 32, 48, 80])
def test_headings_are_coprime_and_in_order(count):
    vectors = heading_vectors(count)
    assert len(vectors) == count
    assert all(math.gcd(*map(int, v)) == 1 for v in vectors)
    assert (vectors[count // 2 :] == -vectors[: count // 2]).all()
    # A quarter of the way on, the heading points to the right: (east, south) -> (-south, east).
    right = np.roll(vectors, -count // 4, axis=0)
    assert (right == np.column_stack([-vectors[:, 1], vectors[:, 0]])).all()


@pytest.mark.parametrize("seed", [0, 2, 3])
def test_relaxed_field_equals_scipy(seed):
    # Source: scipy.sparse.csgraph.dijkstra on the same steps.
    surf = rough(seed, 60, 71)
    r = rules()
    space = search_space(surf, r)
    net = portal_net(surf, space.ground, r, at(surf.grid, 8, 9), at(surf.grid, 63, 52), ())
    field = RelaxedField(space, net)
    field.grow(math.inf)
    graph = step_graph(surf, space.moves)
    cols = surf.grid.cols
    index = {node: k for k, node in enumerate(graph)}
    edges = [(index[a], index[b], d["weight"]) for a, b, d in graph.edges(data=True)]
    source = len(index)
    edges += [(source, index[divmod(g.cell, cols)], g.cost) for g in _cheapest_per_cell(net.entries)]
    a, b, w = (np.array(x) for x in zip(*edges, strict=True))
    reference = dijkstra(csr_array((w, (a, b)), shape=(source + 1, source + 1)), indices=source)
    mine = np.array([field.ahead()[r * cols + c] for r, c in index])
    assert np.array_equal(np.isinf(mine), np.isinf(reference[:-1]))
    reached = np.isfinite(mine)
    assert reached.sum() > 1000
    # Step costs are kept in float32: 6e-8 relative.
    np.testing.assert_allclose(mine[reached], reference[:-1][reached], rtol=3e-7)


@pytest.mark.parametrize("headings", [32, 80])
def test_a_tile_of_steps_costs_what_each_step_costs(headings):
    # The slow reference: the search's own price of one step, among edges, two cables and closed cells.
    surf = rough(7, 90, 80)
    rng = np.random.default_rng(7)
    around = rng.uniform(0.0, 2.0 * np.pi, 301)
    rim = np.column_stack([rng.uniform(-0.7, 0.7, 301), np.cos(around), np.sin(around)])
    ground = surf.ground.copy()
    ground[..., 3].ravel()[rng.choice(ground[..., 3].size, 300, replace=False)] = np.arange(1, 301)
    cables = np.array([[3.3, -1.0, 41.7, 55.2], [41.7, 55.2, 44.0, 91.0], [-2.0, 70.1, 82.0, 31.4]])
    assets = Assets(
        cables, np.array([0, 0, 1], np.int32), np.array([90.0, 40.0]), np.sin([0.5, 0.9]), np.ones(2)
    )
    surf = replace(surf, ground=ground, rim=rim, assets=assets)
    space = search_space(surf, rules(headings=headings))
    field = RelaxedField(
        space,
        portal_net(
            surf, space.ground, rules(headings=headings), at(surf.grid, 8, 9), at(surf.grid, 9, 12), ()
        ),
    )
    wrong = fees = refused = 0
    for first_row, first_col in ((0, 0), (0, TILE), (TILE, 0), (TILE, TILE)):
        out = np.empty((headings, TILE, TILE), np.float32)
        tile_costs(
            space.ground, space.moves, space.crossings, field._planes, field._shifts, field._special,
            first_row, first_col, out,
        )  # fmt: skip
        for row in range(first_row, min(first_row + TILE, 90)):
            for col in range(first_col, min(first_col + TILE, 80)):
                for h in range(headings):
                    cost, crosses = step_cost(
                        space.ground, space.moves, space.crossings, row * 80 + col, col, row, h
                    )
                    mine = float(out[h, row - first_row, col - first_col])
                    wrong += not (mine == cost or abs(mine - cost) < 1e-6 * cost)
                    fees += crosses and math.isfinite(cost)
                    refused += math.isinf(cost)
    assert wrong == 0
    assert fees > 500 and refused > 5000


def test_cones_lie_below_every_way_back():
    # The slow reference: numpy, cone by cone.
    rng = np.random.default_rng(5)
    cones = np.column_stack(
        [rng.uniform(0.0, 70.0, 9), rng.uniform(0.0, 50.0, 9), rng.uniform(-9.0, 90.0, 9)]
    )
    u, v = np.meshgrid(np.arange(70) + 0.5, np.arange(50) + 0.5)
    slow = np.min([value + 1.5 * np.hypot(u - at_u, v - at_v) for at_u, at_v, value in cones], axis=0)
    np.testing.assert_allclose(least_cone(cones, 1.5, 50, 70), np.maximum(slow, 0.0), rtol=1e-5, atol=1e-4)
    # The guide is never more than a straight from any exit costs, the exit included.
    surf = rough(0, 60, 71)
    space = search_space(surf, rules())
    net = portal_net(surf, space.ground, rules(), at(surf.grid, 8, 9), at(surf.grid, 63, 52), ())
    guide = RelaxedField(space, net)._guide
    row, col = np.mgrid[:60, :71]
    for gate in net.exits[::7]:
        r, c = divmod(gate.cell, 71)
        assert (guide <= gate.cost + np.hypot(row - r, col - c) + 1e-4).all()
    assert guide.max() > 40.0


def _cheapest_per_cell(gates):
    best = {}
    for gate in gates:
        if gate.cell not in best or gate.cost < best[gate.cell].cost:
            best[gate.cell] = gate
    return best.values()


@pytest.mark.parametrize(("seed", "headings"), [(0, 16), (1, 16), (2, 32), (3, 32)])
def test_optimum_equals_networkx(seed, headings):
    # Source: networkx.dijkstra_path_length on the graph of the same moves.
    surf = rough(seed, 19, 21, closed=0.02)
    r = rules(headings=headings, min_straight_m=6.0)
    start, end = at(surf.grid, 3.2, 4.1), at(surf.grid, 16.4, 14.3)
    space = search_space(surf, r)
    net = portal_net(surf, space.ground, r, start, end, ())
    graph = state_graph(surf, space.moves, net, r)
    expected = nx.dijkstra_path_length(graph, "START", "END") * surf.grid.cell_m
    assert search(surf, r, start, end).cost_m == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("bend_cost_m", [0.0, 8.0])
def test_bound_does_not_change_the_optimum(seed, bend_cost_m):
    # A* with its bound against plain Dijkstra (weight 0) on the same moves.
    surf = rough(seed, 90, 110, closed=0.01)
    r = rules(bend_cost_m=bend_cost_m)
    start, end = at(surf.grid, 10, 12), at(surf.grid, 96, 75)
    space = search_space(surf, r)
    net = portal_net(surf, space.ground, r, start, end, ())
    plain = search_net(space, net, bound_weight=0.0)
    guided = search_net(space, net, bound_weight=1.0)
    assert guided.cost_m == pytest.approx(plain.cost_m, rel=1e-9)
    assert guided.expanded < plain.expanded
    assert guided.lower_bound_m <= guided.cost_m


def test_an_end_that_is_dear_for_the_headings_that_reach_it():
    # The bound knows END's cheapest gate, whatever its heading: here gates that only a line from beyond END
    # could use. Looking for no more than the bound and a little, the search must come to an end all the same.
    surf = rough(1, 60, 70)
    space = search_space(surf, rules())
    start, end = (replace(at(surf.grid, *place), bearing_deg=90.0) for place in ((6, 25), (62, 28)))
    net = portal_net(surf, space.ground, rules(), start, end, ())
    dear = [replace(gate, cost=gate.cost + 40.0) for gate in net.entries]
    cheap = [replace(gate, heading=(gate.heading + 16) % 32) for gate in net.entries]
    both = net_of(list(net.exits), dear + cheap, list(net.positions), 1, 1, surf, 32)
    field = RelaxedField(space, both)
    calls = 0

    def counted(step: str, done: float) -> None:
        nonlocal calls
        calls += 1
        assert calls < 1000, "the search does not end"

    most = field.optimum * 1.2
    assert _run(space, both, field, 1.0, most, counted).cost > most


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_turning_and_mirroring_leave_the_optimum(quarter_turns, mirror):
    surf = rough(11, 40, 52, closed=0.02)
    ends = [(6, 7), (44, 31)]
    expected = search(surf, rules(), at(surf.grid, *ends[0]), at(surf.grid, *ends[1])).cost_m
    other = turned(surf, quarter_turns, mirror)
    moved = [at(other.grid, *turned_cell(surf.grid.shape, *e, quarter_turns, mirror)) for e in ends]
    assert search(other, rules(), *moved).cost_m == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_swapping_the_ends_leaves_the_optimum(seed):
    surf = rough(seed, 60, 70, closed=0.02)
    a, b = at(surf.grid, 8, 9), at(surf.grid, 60, 48)
    there, back = search(surf, rules(), a, b), search(surf, rules(), b, a)
    assert there.cost_m == pytest.approx(back.cost_m, rel=1e-6)


def test_an_obstruction_never_lowers_the_optimum():
    rng = np.random.default_rng(3)
    surf = rough(5, 50, 60, closed=0.0)
    a, b = at(surf.grid, 6, 25), at(surf.grid, 52, 24)
    cost = search(surf, rules(), a, b).cost_m
    factor, risen = surf.ground[..., 0].copy(), 0
    for _ in range(12):
        row, col = rng.integers(10, 40), rng.integers(16, 44)
        factor[row : row + 4, col : col + 3] = np.inf
        after = search(surface(factor, surf.ground[..., 1], surf.ground[..., 2]), rules(), a, b).cost_m
        assert after >= cost - 1e-6
        risen += after > cost + 1e-6
        cost = after
    assert risen > 0


def test_every_path_keeps_radius_and_straights():
    r = rules(min_bend_radius_m=60.0, min_straight_m=30.0, end_straight_m=45.0)
    found = 0
    for seed in range(8):
        surf = rough(seed, 90, 90, closed=0.01)
        try:
            line = search(surf, r, at(surf.grid, 9.3, 8.8, 120.0), at(surf.grid, 78.1, 77.4, 100.0)).alignment
        except NoRouteError:
            continue
        found += 1
        curve = bends(line)
        assert line.radius_m[1:-1].min() >= 60.0 - 1e-9
        assert curve.straight_m[1:-1].min() >= 30.0 - 1e-6
        assert curve.straight_m[[0, -1]].min() >= 45.0 - 1e-6
        # Bearings at both ends are met exactly.
        assert math.degrees(curve.bearing_rad[0]) == pytest.approx(120.0, abs=1e-9)
        assert math.degrees(curve.bearing_rad[-1]) == pytest.approx(100.0, abs=1e-9)
    assert found >= 5


def test_reported_cost_is_that_of_the_line():
    # The search sums stencils, line_terms walks the finished alignment: one definition of cost.
    from corridor.routing.measure import line_cost

    surf = rough(2, 90, 110, closed=0.01)
    r = rules()
    found = search(surf, r, at(surf.grid, 10.3, 12.1), at(surf.grid, 96.6, 75.2))
    assert sum(line_cost(found.alignment, surf, r).values()) == pytest.approx(found.cost_m, rel=2e-3)
    assert elements(found.alignment).total_m == pytest.approx(line_cost(found.alignment, surf, r)["length_m"])


def test_closed_wall_has_no_route():
    factor = np.ones((40, 60))
    factor[:, 30] = np.inf
    surf = surface(factor)
    with pytest.raises(NoRouteError, match="START and END"):
        search(surf, rules(), at(surf.grid, 5, 20), at(surf.grid, 55, 20))


def test_via_point_is_passed_exactly():
    surf = surface(np.ones((80, 80)))
    r = rules(min_straight_m=20.0)
    from corridor.routing.chainage import station_of

    via = at(surf.grid, 40.4, 60.3)
    found = search(surf, r, at(surf.grid, 8, 8), at(surf.grid, 70, 10), (via,))
    _, offset = station_of(elements(found.alignment), np.array([via.easting]), np.array([via.northing]))
    assert abs(offset[0]) < 1e-6
    direct = search(surf, r, at(surf.grid, 8, 8), at(surf.grid, 70, 10)).cost_m
    assert found.cost_m > direct
