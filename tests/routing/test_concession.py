"""What a rule must give, against exact figures of simple ground."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from corridor.errors import NoRouteError
from corridor.routing import concession as concession_module
from corridor.routing.concession import MOST_LINES, CannotHelp, Concession, least_concession
from corridor.routing.concession_ground import closed_ground
from corridor.routing.concession_pass import Flood
from corridor.routing.concession_rules import Rule, consent_needed, rules_of
from corridor.routing.explain import explain_no_route
from corridor.routing.geometry import densify
from corridor.routing.search import search
from corridor.terrain.cost import cost_surface

from .barrier_grounds import box, flat, layer, point, project, scale, scarp, wall


def inner():
    """Keeps lines off the seabed's edge, where slopes are unknown."""
    return layer("sheet", "stay_within", [box(50.0, 50.0, 1590.0, 1190.0)])


def rule_of(study, key: str, name: str = "") -> Rule:
    return next(rule for rule in rules_of(study) if rule.rule == key and rule.layer == name)


def concession(study, key: str, name: str = "") -> Concession | CannotHelp:
    ground = closed_ground(study, cost_surface(study))
    return least_concession(ground, Flood.of(ground), rule_of(study, key, name))


def has_route(study) -> bool:
    """A line exists: the plain search finds one, or the finer look at the pinches does."""
    surface = cost_surface(study)
    try:
        search(surface, study.rules, study.start, study.end)
    except NoRouteError:
        return explain_no_route(study, surface).line is not None
    return True


def eased(study, found: Concession, share: float):
    """The project with a share of the reduction conceded."""
    needed = found.rule.limit + share * (found.needed - found.rule.limit)
    return found.rule.eased(study, found.rule.give(needed))


def chain(found: Concession) -> shapely.LineString:
    return shapely.LineString(densify(found.line, 0.01))


@pytest.mark.parametrize(
    ("gap", "middle"),
    [
        (70.0, 610.0),
        (90.0, 617.3),
        (133.0, 624.9),
        *(
            pytest.param(gap, middle, marks=pytest.mark.slow)
            for gap, middle in [(70.0, 617.3), (70.0, 624.9), (90.0, 610.0), (90.0, 624.9), (133.0, 610.0)]
        ),
    ],
)
def test_gap_in_a_wall_needs_half_its_width(gap, middle):
    # Exact: the best line passes in the middle of the gap, half its width from either wall;
    # a standoff is in ground metres, hence the scale factor.
    study = project(flat(), [layer("wall", "avoid", wall(803.0, middle, gap), 100.0)])
    found = concession(study, "standoff_m", "wall")
    exact = gap / 2.0 / scale(803.0, middle)
    assert found.needed == pytest.approx(exact, rel=0.01)
    assert found.needed <= exact + 1e-6
    # The line keeps it, by exact geometry of a general-purpose library (shapely).
    for part in study.layer("wall").geometries:
        assert shapely.distance(part, chain(found)) / scale(803.0, middle) >= found.needed - 0.02


@pytest.mark.parametrize(("unsound", "tried"), [(0, 1), (1, 2), (9, MOST_LINES)])
def test_a_line_that_breaks_another_rule_as_well_is_not_the_last_word(unsound, tried, monkeypatch):
    study = project(flat(), [layer("wall", "avoid", wall(803.0, 610.0, 70.0), 100.0)])
    real, lines = concession_module.brought_down, []

    def sometimes_unsound(ground, rule, line, least, progress):
        lines.append(line)
        best = real(ground, rule, line, least, progress)
        return replace(best, breaks=("another",)) if len(lines) <= unsound else best

    monkeypatch.setattr(concession_module, "brought_down", sometimes_unsound)
    found = concession(study, "standoff_m", "wall")
    assert len(lines) == tried
    assert found.breaks == (("another",) if unsound == 9 else ())


def test_uncertainty_and_tolerance_come_on_top():
    study = project(
        flat(), [layer("wall", "avoid", wall(803.0, 613.0, 120.0), 80.0, 12.0)], lay_tolerance_m=8.0
    )
    found = concession(study, "standoff_m", "wall")
    # Exact: half the gap less 12 m of uncertainty and 8 m of tolerance.
    assert found.needed == pytest.approx(60.0 / scale(803.0, 613.0) - 20.0, rel=0.015)


def test_scarp_too_steep_is_crossed_at_the_best_angle():
    # Exact: on a plane of slope tan g a line has tan along = tan g cos a and tan across = tan g sin a;
    # the gentlest line that keeps one limit needs sqrt(tan^2 g - tan^2 limit) of the other.
    study = project(scarp(18.0), [inner()], max_slope_along_deg=12.0, max_slope_across_deg=8.0)
    g, a, c = (math.tan(math.radians(x)) for x in (18.0, 12.0, 8.0))
    along = concession(study, "max_slope_along_deg")
    across = concession(study, "max_slope_across_deg")
    assert along.needed == pytest.approx(math.degrees(math.atan(math.sqrt(g * g - c * c))), abs=0.02)
    assert across.needed == pytest.approx(math.degrees(math.atan(math.sqrt(g * g - a * a))), abs=0.02)


def routes_with_all_and_with_95_percent(study, key: str, name: str) -> tuple[bool, bool]:
    found = concession(study, key, name)
    return has_route(eased(study, found, 1.0)), has_route(eased(study, found, 0.95))


def test_conceding_the_amount_gives_a_route_and_95_percent_never_does():
    study = project(flat(), [layer("wall", "avoid", wall(803.0, 617.3, 90.0), 100.0)])
    assert routes_with_all_and_with_95_percent(study, "standoff_m", "wall") == (True, False)


def test_conceding_the_slope_gives_a_route_and_95_percent_never_does():
    study = project(scarp(18.0), [inner()], max_slope_along_deg=12.0, max_slope_across_deg=8.0)
    assert routes_with_all_and_with_95_percent(study, "max_slope_along_deg", "") == (True, False)


@pytest.mark.parametrize("seed", [0, *(pytest.param(k, marks=pytest.mark.slow) for k in range(1, 8))])
def test_rows_of_wrecks_property(seed):
    # Exact by exhaustion: across a straight row of points from edge to edge the best line takes
    # the widest gap, in its middle.
    rng = np.random.default_rng(seed)
    y = np.cumsum(rng.uniform(90.0, 170.0, 14)) - 150.0
    y = np.append(y[y < 1150.0], 1240.0)
    study = project(flat(), [layer("wrecks", "avoid", [point(805.0, v) for v in y], 120.0)])
    found = concession(study, "standoff_m", "wrecks")
    inner = np.diff(y[(y > -10.0)]).max() / 2.0
    best = inner / scale(805.0, 600.0)
    assert found.needed == pytest.approx(best, rel=0.02, abs=0.5)
    assert has_route(eased(study, found, 1.0))
    assert not has_route(eased(study, found, 0.95))


def test_a_belt_can_only_be_entered():
    # Exact: the deepest a line gets into a belt of 100 m is 50 m.
    study = project(flat(), [layer("belt", "avoid", [box(790.0, -200.0, 890.0, 5000.0)], 60.0)])
    found = concession(study, "standoff_m", "belt")
    assert found.needed == pytest.approx(-50.0 / scale(840.0, 600.0), abs=1.0)


def test_sill_needs_its_least_depth():
    # Exact: a ridge from edge to edge whose crest lies at 20 m, with a saddle at 27 m.
    depth = flat()
    rows = np.arange(62)
    crest = 20.0 + 7.0 * np.exp(-(((rows - 31.5) / 9.0) ** 2))
    for k, share in enumerate((0.5, 1.0, 1.0, 0.5)):
        depth[:, 38 + k] = 50.0 - share * (50.0 - crest)
    study = project(depth, depth_range_m=(35.0, 400.0), max_slope_along_deg=60.0, max_slope_across_deg=60.0)
    found = concession(study, "depth_range_m")
    # Cells are sampled at their centres: 27 m less the fall over half a cell.
    assert found.needed == pytest.approx(crest.max(), abs=0.3)


def test_leaving_an_area_to_reach_the_next():
    # Exact: two areas 160 m apart; in the middle between them a line is 80 m outside both.
    areas = [box(0.0, 0.0, 700.0, 1240.0), box(860.0, 0.0, 1640.0, 1240.0)]
    study = project(flat(), [layer("licence", "stay_within", areas)])
    found = concession(study, "stay_within", "licence")
    assert found.needed == pytest.approx(80.0 / scale(780.0, 600.0), abs=1.0)


def test_crossing_angle_in_a_lane():
    # Exact: in a lane of width w a straight of length l turns by at most asin(w / l) against the axis; a
    # cable at 30 degrees to the axis is then crossed at 30 plus that, less what the bends into it take.
    length, width = 400.0, 120.0
    lane = box(0.0, 613.0 - width / 2.0, 1640.0, 613.0 + width / 2.0)
    rise = 300.0 * math.tan(math.radians(30.0))
    cable = shapely.LineString([point(500.0, 613.0 - rise), point(1100.0, 613.0 + rise)])
    more = dict(min_angle_deg=60.0, straight_each_side_m=length / 2.0, crossing_cost_m=10.0)
    study = project(flat(), [layer("lane", "stay_within", [lane]), layer("cable", "cross", [cable], **more)])
    found = concession(study, "min_angle_deg", "cable")
    most = 30.0 + math.degrees(math.asin(width / length))
    # The bends of 200 m take about 6 degrees: a straight whose ends lie a sagitta inside the lane.
    turn = next(
        t
        for t in np.arange(25.0, 0.0, -0.01)
        if length * math.sin(math.radians(t)) + 400.0 * (1.0 - math.cos(math.radians(t))) <= width
    )
    assert isinstance(found, Concession)
    assert 30.0 + turn - 0.15 <= found.needed <= most


def test_rules_that_cannot_help_are_proven():
    study = project(flat(), [layer("wall", "avoid", wall(803.0, 613.0, 90.0), 100.0)])
    for key in ("max_slope_along_deg", "max_slope_across_deg"):
        found = concession(study, key)
        assert isinstance(found, CannotHelp) and found.proven


def test_limits_of_law_are_known():
    assert consent_needed(layer("munitions dump", "avoid", [point(0, 0)]))
    assert consent_needed(layer("platform safety zone", "avoid", [point(0, 0)]))
    assert consent_needed(layer("wrecks", "avoid", [point(0, 0)], needs_consent=True))
    assert consent_needed(layer("area 7", "avoid", [point(0, 0)], settings={"authority": "someone"}))
    assert not consent_needed(layer("wrecks", "avoid", [point(0, 0)]))
    assert not consent_needed(layer("mineral rights", "avoid", [point(0, 0)]))


def test_easing_a_rule_leaves_the_others():
    study = project(
        flat(),
        [
            layer("wall", "avoid", wall(803.0, 613.0, 90.0), 100.0),
            layer("rocks", "avoid", [point(0, 0)], 30.0),
        ],
    )
    after = rule_of(study, "standoff_m", "wall").eased(study, 40.0)
    assert after.layer("wall").standoff_m.max() == 60.0
    assert after.layer("rocks").standoff_m.max() == 30.0
    assert after.rules == study.rules
    assert rule_of(study, "min_bend_radius_m").eased(study, 50.0).rules == replace(
        study.rules, min_bend_radius_m=150.0
    )
