"""Any line at all: the same answer as the full search, dead ends left early; how drawn lines change."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from corridor.errors import NoRouteError
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import silent
from corridor.routing.concession_change import change_of_terms, difference_of_terms
from corridor.routing.concession_draw import DIFFERENCE_M, _moved
from corridor.routing.concession_ground import closed_ground
from corridor.routing.concession_rules import rules_of
from corridor.routing.concession_search import Try, _Probe, any_line
from corridor.routing.concession_terms import layout_of, terms_of
from corridor.routing.fit import keeps_rules
from corridor.routing.portals import portal_net
from corridor.routing.relaxed import RelaxedField
from corridor.routing.search import search
from corridor.routing.space import search_space
from corridor.terrain.cost import cost_surface

from .barrier_grounds import flat, layer, point, project
from .grounds import at, surface

RULES = RouteRules(min_bend_radius_m=100.0, min_straight_m=20.0, bend_cost_m=30.0)


def nets(surf, start, end):
    """The search space, the net from START to END, and what makes the one from END to START."""
    space = search_space(surf, RULES)

    def net(first: RouteEnd, last: RouteEnd):
        return portal_net(surf, space.ground, RULES, first, last, ())

    return space, net(start, end), lambda: net(turned(end), turned(start))


def walls(seed: int):
    """Three walls with a gap each: whether a line bends through all of them is a matter of cells."""
    rng = np.random.default_rng(seed)
    factor = np.maximum(np.exp(rng.normal(0.0, 0.4, (48, 60))), 1.0)
    for col in (24, 30, 36):
        gap = int(rng.integers(8, 34))
        factor[:gap, col], factor[gap + int(rng.integers(3, 9)) :, col] = np.inf, np.inf
    return surface(factor)


def turned(end: RouteEnd) -> RouteEnd:
    return end if end.bearing_deg is None else replace(end, bearing_deg=end.bearing_deg - 180.0)


@pytest.mark.parametrize("seed", range(16))
@pytest.mark.parametrize("crowding", [0.0, 50.0])
def test_a_line_is_found_if_and_only_if_the_full_search_finds_one(seed, crowding):
    # Reference: the search for the cheapest line, itself tested against networkx on the same moves.
    surf = walls(seed)
    start, end = at(surf.grid, 6, 6, 110.0 if seed % 2 else None), at(surf.grid, 53, 41)
    try:
        cheapest = search(surf, RULES, start, end).cost_m
    except NoRouteError:
        cheapest = math.inf
    for both in (False, True):
        space, net, back = nets(surf, start, end)
        line, whole = any_line(
            space, net, turned=back if both else None, tries=(Try(2.0, crowding, 10_000_000),)
        )
        assert whole and (line is not None) == math.isfinite(cheapest)
        assert line is None or keeps_rules(line, surf, RULES, start, end)


def test_the_answers_above_are_not_all_the_same():
    found = []
    for seed in range(16):
        surf = walls(seed)
        space, net, _ = nets(surf, at(surf.grid, 6, 6), at(surf.grid, 53, 41))
        found.append(any_line(space, net)[0] is not None)
    assert 3 <= sum(found) <= 13


def test_a_dead_end_is_left_early():
    """A deep bay in the way, open towards START; the way round it begins behind the start."""
    factor = np.ones((120, 160))
    factor[20:23, 30:120] = factor[97:100, 30:120] = factor[20:100, 117:120] = np.inf
    surf = surface(factor)
    start, end = at(surf.grid, 60, 60, 90.0), at(surf.grid, 150, 60)
    space, net, _ = nets(surf, start, end)
    settled = []
    for crowding in (0.0, 50.0):
        probe = _Probe(space, net, RelaxedField(space, net), Try(1.5, crowding, 0))
        while not probe.found:
            probe.settle(probe.settled + 10_000, silent)
        assert keeps_rules(probe.line(), surf, RULES, start, end)
        settled.append(probe.settled)
    assert settled[1] < 0.5 * settled[0]


def test_a_search_that_is_given_up_says_so():
    factor = np.ones((120, 160))
    factor[20:23, 30:120] = factor[97:100, 30:120] = factor[20:100, 117:120] = np.inf
    surf = surface(factor)
    space, net, _ = nets(surf, at(surf.grid, 60, 60, 90.0), at(surf.grid, 150, 60))
    assert any_line(space, net, tries=(Try(2.0, 0.0, 50),)) == (None, False)


def test_how_terms_change_equals_the_difference_of_the_terms():
    """Slow reference: all terms worked out anew for every line that has moved.

    On smooth ground both agree up to second order.
    """
    east, north = np.meshgrid(np.arange(164) * 10.0, np.arange(124) * 10.0)
    depth = 100.0 + 6.0 * np.sin(east / 300.0) + 4.0 * np.cos(north / 250.0)
    study = project(flat(), [layer("wrecks", "avoid", [point(700.0, 560.0)], 60.0)])
    deep = study.seabed.surfaces[0]
    depth = depth[: deep.depth_m.shape[0], : deep.depth_m.shape[1]].astype(np.float32)
    study = replace(study, seabed=replace(study.seabed, surfaces=(replace(deep, depth_m=depth),)))
    ground = closed_ground(study, cost_surface(study))
    rule = next(rule for rule in rules_of(study) if rule.rule == "max_slope_across_deg")
    line = search(ground.surface, study.rules, study.start, study.end).alignment
    free = np.arange(1, line.bends + 1)
    assert len(free) >= 2
    terms = terms_of(ground, rule, line, 100.0)
    layout = layout_of(terms, line, free)
    moves = []
    for k in range(3 * len(free)):
        jump = np.zeros(3 * len(free))
        jump[k] = DIFFERENCE_M
        moves.append((int(free[k // 3]), _moved(line, free, jump, check=False)))
    value, _ = terms.values(line, layout)
    change = change_of_terms(terms, line, layout, value, moves, DIFFERENCE_M)
    slowly = difference_of_terms(terms, line, layout, value, moves, DIFFERENCE_M)
    for k, (_, moved) in enumerate(moves):
        exact = (terms.values(moved, layout)[0] - value) / DIFFERENCE_M
        near = np.abs(exact) < 1e3  # a term that begins or ceases to matter jumps
        scale = np.abs(exact[near]).max()
        assert np.abs(change[near, k] - exact[near]).max() < 0.05 * scale + 1e-3
        assert np.abs(slowly[near, k] - exact[near]).max() < 1e-6
