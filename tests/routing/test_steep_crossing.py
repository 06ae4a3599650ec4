"""Crossings of ground that is too steep: the gentlest on the grid, and what is told of them."""

from __future__ import annotations

import math
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from corridor.kernels.least_worst import BEHIND, LEVEL
from corridor.model.rules import RouteRules
from corridor.routing.concession_crossing import _Search, sides
from corridor.routing.concession_draw import held_by_via, leg_at
from corridor.routing.concession_ground import closed_ground
from corridor.routing.concession_pass import Flood
from corridor.routing.space import search_space
from corridor.terrain.cost import cost_surface

from .barrier_grounds import end_at, project, scarp
from .grounds import price, rough, surface
from .test_concession import concession, inner, rule_of


def tangent(surf, moves, row: int, col: int, first: int, last: int, across: bool) -> float:
    """Slow reference: the steepest slope along or across a stencil, cell by cell."""
    worst = 0.0
    for k in range(first, last):
        cell = row * surf.grid.cols + col + int(moves.offsets[k])
        east, south = (float(x) for x in moves.pieces[k, 1:])
        g_east, g_south = (float(x) for x in surf.ground[divmod(cell, surf.grid.cols)][1:3])
        worst = max(
            worst, abs(g_south * east - g_east * south if across else g_east * east + g_south * south)
        )
    return worst


def all_moves(surf, moves, side):
    """(from, to, steepest along, steepest across) of every step and bend that no way back is."""
    rows, cols = surf.grid.shape
    for row in range(rows):
        for col in range(cols):
            for h, (east, south) in enumerate(moves.vectors):
                ways = [(int(row + south), int(col + east), h, moves.step_row[h], moves.step_row[h + 1])]
                for b in range(moves.bend_first[h], moves.bend_first[h + 1]):
                    left, right, above, below = moves.bend_box[b]
                    if min(col + left, row + above) < 0 or col + right >= cols or row + below >= rows:
                        continue
                    end = moves.bend_end[b]
                    to = int(row + end[1]), int(col + end[0])
                    ways.append((*to, int(moves.bend_to[b]), moves.bend_row[b], moves.bend_row[b + 1]))
                for r, c, heading, first, last in ways:
                    inside = 0 <= r < rows and 0 <= c < cols
                    if not inside or side[r, c] == 1 or math.isinf(price(surf, moves, row, col, first, last)):
                        continue
                    both = [tangent(surf, moves, row, col, first, last, across) for across in (False, True)]
                    yield (row, col, h), (r, c, heading), both


@pytest.mark.parametrize("across", [False, True])
def test_no_crossing_is_gentler_than_the_one_that_is_found(across):
    # Reference: networkx on the graph of all moves gentler than a limit.
    surf = rough(4, 18, 32, closed=0.02)
    ground = surf.ground.copy()
    ground[..., 1:3] *= 1.5
    surf = replace(surf, ground=ground, tan_along=0.35, tan_across=0.35)
    side = np.zeros(surf.grid.shape, np.uint8)
    side[:, :5], side[:, 27:] = 1, BEHIND
    space = search_space(surf, RouteRules(min_bend_radius_m=25.0, headings=16))
    graph = nx.DiGraph()
    for here, there, both in all_moves(surf, space.moves, side):
        graph.add_edge(here, there, tangent=both[across])
    for node in list(graph):
        if side[node[:2]] == 1:
            graph.add_edge("before", node, tangent=0.0)
        elif side[node[:2]] == BEHIND:
            graph.add_edge(node, "behind", tangent=0.0)

    def passes(limit: float) -> bool:
        gentle = nx.subgraph_view(graph, filter_edge=lambda a, b: graph[a][b]["tangent"] <= limit)
        return nx.has_path(gentle, "before", "behind")

    found = _Search(space, across, side.ravel()).next(lambda stage, share: None)
    # Levels are told upwards, to LEVEL; float32 figures.
    assert passes(found.tangent + 1e-6)
    assert not passes(found.tangent - 2.0 * LEVEL - 1e-6)
    assert 0.01 < found.tangent < 0.3


def test_a_crossing_starts_before_the_steep_ground_and_ends_behind_it():
    study = project(scarp(18.0), [inner()], max_slope_along_deg=12.0, max_slope_across_deg=8.0)
    ground = closed_ground(study, cost_surface(study))
    rule = rule_of(study, "max_slope_along_deg")
    side = sides(ground, Flood.of(ground), 0, rule).reshape(ground.grid.shape)
    # The scarp falls between x = 820 and 1020 m; 20 m cells, one of them on START.
    west, east = np.flatnonzero((side == 1).any(axis=0)), np.flatnonzero((side == BEHIND).any(axis=0))
    cols = ground.grid.cols
    x = ground.grid.to_map(np.arange(cols) + 0.5, np.full(cols, 0.5))[0] - 500_000.0
    assert 760.0 < x[west].max() < 820.0
    assert 1020.0 < x[east].min() < 1080.0


def bumpy_scarp(seed: int) -> np.ndarray:
    depth = scarp(18.0)
    bumps = gaussian_filter(np.random.default_rng(seed).normal(size=depth.shape), 2.0)
    return depth + 1.2 * bumps / bumps.std()


def test_what_a_slope_must_be_does_not_hang_on_how_far_the_limit_is_off():
    # 0.1 degree is what a slope is to be known to; no outside figure exists for rough ground.
    needed = [
        concession(
            project(bumpy_scarp(3), [inner()], max_slope_along_deg=limit, max_slope_across_deg=8.0),
            "max_slope_along_deg",
        ).needed
        for limit in (12.0, 15.0)
    ]
    assert max(needed) - min(needed) < 0.1
    assert min(needed) > 15.0


@pytest.mark.parametrize("via", [(560.0, 800.0), (1060.0, 800.0)])
def test_lines_with_via_points_are_drawn_and_keep_them(via):
    # Exact, as without via points: sqrt(tan^2 g - tan^2 limit) on a plane. The search's own directions
    # alone are some 2 % off.
    study = project(scarp(18.0), [inner()], max_slope_along_deg=12.0, max_slope_across_deg=8.0)
    point = end_at(*via)
    found = concession(replace(study, via=(point,)), "max_slope_along_deg")
    g, c = math.tan(math.radians(18.0)), math.tan(math.radians(8.0))
    assert found.needed == pytest.approx(math.degrees(math.atan(math.sqrt(g * g - c * c))), abs=0.02)
    assert not found.breaks
    leg = leg_at(found.line, point)
    e, n = found.line.easting_m[leg : leg + 2], found.line.northing_m[leg : leg + 2]
    off = (e[1] - e[0]) * (point.northing - n[0]) - (n[1] - n[0]) * (point.easting - e[0])
    assert abs(off) / np.hypot(e[1] - e[0], n[1] - n[0]) < 1e-6
    held = held_by_via(found.line, (point,))
    assert {leg, leg + 1} & set(range(1, found.line.bends + 1)) <= set(held.tolist())


def test_level_ground_has_no_sides_to_cross_between():
    flat_ground = surface(np.ones((20, 20)))
    space = search_space(flat_ground, RouteRules(min_bend_radius_m=25.0))
    assert _Search(space, True, np.zeros(400, np.uint8)).next(lambda stage, share: None) is None
