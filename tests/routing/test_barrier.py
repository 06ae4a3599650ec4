"""The explanation as a whole: what parts the ends, what it says, what goes into the files."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
import shapely

from corridor.kernels.bottleneck import bottleneck, thinnest_wall, trace
from corridor.publish.publish import publish_no_route
from corridor.routing.barrier import cells_outline
from corridor.routing.concession_ground import (
    closed_ground,
    neighbours,
    optimistic_terrain,
    steps_of,
    terrain,
)
from corridor.routing.concession_pass import Flood
from corridor.routing.concession_rules import rules_of
from corridor.routing.explain import explain_no_route
from corridor.routing.geometry import densify, elements
from corridor.terrain.cost import cost_surface

from .barrier_grounds import SOUTH, WEST, box, flat, layer, point, project, scarp, wall


def blocked(gap: float = 90.0, **more):
    return project(flat(), [layer("wall", "avoid", wall(803.0, 617.3, gap), 100.0, **more)])


@pytest.mark.parametrize("seed", range(4))
def test_bottleneck_equals_networkx(seed):
    # Source: networkx.minimum_spanning_tree: its paths are minimax paths (any algorithms textbook).
    rng = np.random.default_rng(seed)
    study = project(flat(15, 18), start=(50.0, 50.0), end=(310.0, 250.0))
    ground = closed_ground(study, cost_surface(study))
    floor = optimistic_terrain(ground)
    need = np.round(rng.uniform(0.0, 1.0, 270), 3).astype(np.float32)
    floor = floor._replace(need=need, closed=rng.random(270) < 0.15)
    steps = neighbours(18)
    start, target = 20, 250
    floor.closed[[start, target]] = False
    graph = nx.Graph()
    for cell in np.flatnonzero(~floor.closed):
        for dc, dr in steps.vectors:
            row, col = cell // 18 + dr, cell % 18 + dc
            if 0 <= row < 15 and 0 <= col < 18 and not floor.closed[row * 18 + col]:
                graph.add_edge(
                    int(cell), int(row * 18 + col), weight=float(max(need[cell], need[row * 18 + col]))
                )
    label, came = np.empty(270, np.float32), np.empty(270, np.int8)
    found = bottleneck(floor, steps, start, target, np.inf, label, came)
    tree = nx.minimum_spanning_tree(graph)
    if start not in tree or target not in tree or not nx.has_path(tree, start, target):
        assert not np.isfinite(found)
        return
    path = nx.shortest_path(tree, start, target)
    assert found == pytest.approx(max(tree[a][b]["weight"] for a, b in pairwise(path)))
    way = trace(came, steps.vectors, 18, target)
    assert way[0] == start and way[-1] == target
    assert need[way].max() == pytest.approx(found)


def test_thinnest_wall_by_hand():
    # Two walls part the ends, one of 3 cells from edge to edge and one of 2: the thinner is found.
    price = np.full((3, 9), np.inf, dtype=np.float32)
    price[:, 2] = 1.0
    price[0, 6], price[1, 6], price[2, 6] = 0.5, 0.5, 0.5
    cut = np.array([0.1234, 1.0717, 8.0917, 1.1371])
    chain, total = thinnest_wall(price.ravel(), 3, 9, cut, -1)
    assert sorted(chain.tolist()) == [6, 15, 24]
    assert total == pytest.approx(1.5)


@pytest.mark.slow
def test_a_ring_around_the_start_is_found():
    ring = shapely.Point(WEST + 810.0, SOUTH + 610.0).buffer(260.0).boundary
    study = project(
        flat(),
        [layer("ring", "avoid", [ring], 30.0)],
        start=(810.0, 610.0),
        end=(1510.0, 610.0),
        min_bend_radius_m=60.0,
    )
    found = explain_no_route(study)
    pieces = [shape for shape, words in found.barrier if words["kind"] == "barrier"]
    assert parted(study, pieces)


def parted(study, pieces) -> bool:
    """The shapes cut the sheet into parts with START and END in different ones (shapely)."""
    sheet = shapely.box(*study.seabed.bounds_m).buffer(-1.0)
    rest = shapely.get_parts(
        shapely.difference(sheet, shapely.union_all([p.buffer(0.6 * 20.0) for p in pieces]))
    )
    places = [shapely.Point(end.easting, end.northing) for end in (study.start, study.end)]
    owners = [int(np.argmin(shapely.distance(rest, place))) for place in places]
    return owners[0] != owners[1]


@pytest.mark.parametrize(
    "study",
    [
        blocked(),
        project(
            scarp(18.0),
            [layer("sheet", "stay_within", [box(50, 50, 1590, 1190)])],
            max_slope_along_deg=12.0,
            max_slope_across_deg=8.0,
        ),
    ],
    ids=["wall", "scarp"],
)
def test_barrier_parts_the_ends(study):
    found = explain_no_route(study)
    pieces = [(shape, words) for shape, words in found.barrier if words["kind"] == "barrier"]
    assert parted(study, [shape for shape, _ in pieces])
    assert all(words["rule"] for _, words in pieces)


def test_barrier_names_what_matters_and_nothing_else():
    study = project(
        flat(),
        [
            layer("wall", "avoid", wall(803.0, 617.3, 90.0), 100.0),
            layer("far rocks", "avoid", [point(200.0, 1100.0)], 60.0),
        ],
    )
    found = explain_no_route(study)
    named = {words["layer"] for _, words in found.barrier if words["kind"] == "barrier"}
    assert named == {"wall"}
    wrecks = next(words for _, words in found.barrier if words["kind"] == "barrier")
    assert set(wrecks["features"]) == {"wall 1", "wall 2"}


def test_the_contract_of_the_explanation(tmp_path):
    study = blocked()
    found = explain_no_route(study)
    content = publish_no_route(study, found.explanation, tmp_path / "out", barrier=found.barrier)
    assert content["status"] == "no route"
    (reason,) = content["reasons"]
    assert {"rule", "layer", "limit", "needed", "easting_m", "northing_m", "text", "needs_consent"} <= set(
        reason
    )
    assert (reason["rule"], reason["limit"], reason["confirmed"]) == ("standoff_m", 100.0, True)
    assert reason["needed"] < 45.02
    # The pinch lies in the gap.
    assert math.hypot(reason["easting_m"] - (WEST + 808.0), reason["northing_m"] - (SOUTH + 617.3)) < 60.0
    assert {entry["rule"] for entry in content["cannot_help"]} >= {"max_slope_along_deg", "min_bend_radius_m"}
    assert all(entry["proven"] for entry in content["cannot_help"])
    shapes = json.loads((tmp_path / "out" / "no_route.geojson").read_text(encoding="utf-8"))["features"]
    lines = [f for f in shapes if f["properties"]["kind"] == "conceded line"]
    assert len(lines) == 1 and lines[0]["properties"]["allowed"] is False
    assert "NOT ALLOWED" in lines[0]["properties"]["text"]


def test_text_for_a_manager():
    text = explain_no_route(blocked()).explanation["text"]
    assert text.startswith("No line keeps 100 m from wall.")
    assert "It would take 4" in text and "from wall 1 and wall 2 (500 8" in text
    assert "No other rule helps by itself: the slope along the line" in text


def test_limits_of_law_are_no_mere_choice():
    found = explain_no_route(blocked(needs_consent=True))
    (reason,) = found.explanation["reasons"]
    assert reason["needs_consent"] is True
    assert "needs the authority's consent" in reason["text"]
    assert "An authority would have to allow" in found.explanation["text"]


@pytest.mark.slow
def test_two_rules_at_once_where_none_helps_alone():
    study = project(
        scarp(18.0),
        [
            layer("sheet", "stay_within", [box(50, 50, 1590, 1190)]),
            layer("wall", "avoid", wall(500.0, 617.3, 90.0), 100.0),
        ],
        max_slope_along_deg=12.0,
        max_slope_across_deg=8.0,
    )
    found = explain_no_route(study)
    assert found.explanation["reasons"] == []
    pair = {entry["rule"]: entry for entry in found.explanation["pair"]}
    assert "standoff_m" in pair and len(pair) == 2
    slope = next(entry for rule, entry in pair.items() if rule.startswith("max_slope"))
    g = math.tan(math.radians(18.0))
    other = 8.0 if slope["rule"] == "max_slope_along_deg" else 12.0
    # Exact: as for the scarp alone; the wall is passed in the middle of its gap.
    exact = math.degrees(math.atan(math.sqrt(g * g - math.tan(math.radians(other)) ** 2)))
    assert slope["needed"] == pytest.approx(exact, rel=0.02)
    # The first of the two is eased by what the grid needs, at most a cell more than exact.
    assert 45.0 - 22.0 <= pair["standoff_m"]["needed"] <= 45.1


def test_radius_in_a_lane_that_turns():
    # Exact: the largest arc that touches the two outer edges of an L-shaped lane of width w and passes its
    # inner corner has sqrt2 (R - w) = R, so R = sqrt2 w / (sqrt2 - 1).
    area = shapely.union_all([box(100, 100, 1500, 300), box(1300, 100, 1500, 1500)])
    study = project(
        flat(80, 80),
        [layer("lane", "stay_within", [area])],
        start=(110, 100.5),
        end=(1499.5, 1490),
        min_bend_radius_m=1000.0,
    )
    found = explain_no_route(study)
    radius = next(r for r in found.explanation["reasons"] if r["rule"] == "min_bend_radius_m")
    assert radius["needed"] == pytest.approx(200.0 * math.sqrt(2.0) / (math.sqrt(2.0) - 1.0), rel=0.02)
    # With what it was said to take, a line exists.
    eased = replace(study, rules=replace(study.rules, min_bend_radius_m=radius["needed"]))
    again = explain_no_route(eased)
    assert again.line is not None and again.line.radius_m[1:-1].min() >= radius["needed"] - 0.01


def test_a_line_between_the_grid_s_directions_is_found_after_all():
    # The gap lies between cell centres: the plain search misses it, the finer look does not.
    found = explain_no_route(project(flat(), [layer("wall", "avoid", wall(803.0, 620.0, 90.0), 44.5)]))
    assert found.line is not None
    assert elements(found.line).total_m > 1000.0
    assert found.explanation["reasons"] == []
    line = shapely.LineString(densify(found.line, 0.01))
    assert shapely.distance(shapely.union_all(wall(803.0, 620.0, 90.0)), line) >= 44.5 * 0.9996


def test_outline_of_cells_covers_them_exactly():
    rng = np.random.default_rng(1)
    grid = cost_surface(project(flat(12, 14), start=(50.0, 50.0), end=(200.0, 150.0))).grid
    cells = rng.random(grid.shape) < 0.4
    shape = cells_outline(cells, grid)
    assert shape.area == pytest.approx(cells.sum() * grid.cell_m**2)


def test_steps_pass_what_the_search_passes():
    # The flood's steps are the search's: same stencils, so that an open sheet is reached whole.
    study = project(flat(30, 40), start=(310.0, 310.0), end=(500.0, 310.0))
    ground = closed_ground(study, cost_surface(study))
    flood = Flood.of(ground)
    assert flood.blocked_leg() is None
    assert steps_of(32, 40).row[-1] > 32
    assert terrain(ground).closed.sum() == (ground.count > 0).sum()
    assert {rule.rule for rule in rules_of(study)} == {
        "max_slope_along_deg",
        "max_slope_across_deg",
        "min_bend_radius_m",
    }


@pytest.mark.slow
def test_both_slope_limits_where_neither_helps_alone():
    # A lane along a side slope of 11.5 degrees, then up one of 17: so it needs 11.5 across and 17 along.
    x, y = (np.arange(82) + 0.5) * 20.0, (62 - np.arange(62) - 0.5) * 20.0
    ramp = np.clip((x - 450.0) / 100.0, 0.0, 1.0) * np.clip((850.0 - x) / 100.0, 0.0, 1.0)
    side = np.tan(np.radians(11.5)) * (y[:, None] - 610.0) * ramp
    climb = np.tan(np.radians(17.0)) * np.clip(x - 1000.0, 0.0, 120.0)
    study = project(
        200.0 + side - climb,
        [layer("lane", "stay_within", [box(100.0, 575.0, 1540.0, 645.0)])],
        max_slope_along_deg=12.0,
        max_slope_across_deg=8.0,
    )
    found = explain_no_route(study)
    assert found.explanation["reasons"] == []
    pair = {entry["rule"]: entry["needed"] for entry in found.explanation["pair"]}
    assert pair["max_slope_along_deg"] == pytest.approx(17.0, abs=0.3)
    assert pair["max_slope_across_deg"] == pytest.approx(11.5, abs=0.3)
