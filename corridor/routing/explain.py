"""Why there is no line: the barrier, what each rule would have to give, in files and in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
import shapely
from scipy.ndimage import label

from corridor.model.alignment import Alignment
from corridor.model.project import Project
from corridor.model.results import Check, CostSurface
from corridor.progress import Progress, silent
from corridor.routing.barrier import Barrier, Piece, find_barrier, squeezed
from corridor.routing.concession import CannotHelp, Concession, least_concession
from corridor.routing.concession_bends import Asking, asking, least_by_asking
from corridor.routing.concession_best import drawn_best, published
from corridor.routing.concession_ground import ClosedGround, closed_ground, optimistic_terrain
from corridor.routing.concession_holes import ToSurvey, holes_in_the_way
from corridor.routing.concession_pass import Flood
from corridor.routing.concession_route import needs_of
from corridor.routing.concession_rules import ANGLE, BEND, SLOPE, TIE_IN, Rule, rules_of
from corridor.routing.concession_text import cannot, lenient, reason, rule_name, story
from corridor.routing.geometry import densify
from corridor.side_by_side import side_by_side
from corridor.terrain.cost import cost_surface

EXISTS = (
    "A line that obeys every rule exists after all, between the places and directions of the search's grid."
)

SLOPE_EASED = 1.5
"""Where both slope limits must give, one is first eased to this multiple."""

RULES_AT_ONCE = 4
"""Rules worked out at the same time, at most."""

MOST_PAIRS = 3
"""Pairs of rules that are worked out, those that need least on the grid."""


@dataclass(frozen=True, slots=True, eq=False)
class NoWay:
    """The explanation of a search that found no line.

    Attributes
    ----------
    explanation : mapping
        Members of ``no_route.json``: ``reasons``, ``cannot_help``, ``pair``, ``text``,
        ``survey``, ``leg``.
    barrier : tuple of (geometry, properties)
        Shapes in the project CRS for ``no_route.geojson``: closed ground
        (``kind`` "barrier"), the lines that concessions would give (``kind``
        "conceded line", ``allowed`` false) and holes to be surveyed.
    line : Alignment or None
        A line that breaks no rule after all, in directions and places that the
        search's grid does not have. There is then a route.
    concessions : tuple of Concession
    """

    explanation: Mapping[str, Any]
    barrier: tuple[Piece, ...]
    line: Alignment | None
    concessions: tuple[Concession, ...]


Judge = Callable[[Project, Alignment], Sequence[Check]]
"""Measures a line against a project's rules as any line that is handed in; the checks that fail."""


def explain_no_route(
    project: Project,
    surface: CostSurface | None = None,
    progress: Progress = silent,
    judge: Judge | None = None,
) -> NoWay:
    """Find out why no line obeys a project's rules, and what it would take.

    Parameters
    ----------
    project : Project
    surface : CostSurface, optional
        The ground on which the search failed, with the rules' own slope limits
        (``slope_margin`` 1); made anew where it is missing.
    progress : Progress
    judge : callable, optional
        A concession is called confirmed when this finds nothing else wrong with its
        line; without it by this module's own measurement alone.

    Returns
    -------
    NoWay
    """
    if surface is None or surface.slope_margin != 1.0:
        surface = cost_surface(project, progress=progress)
    ground = closed_ground(project, surface)
    flood = Flood.of(ground)
    leg = flood.blocked_leg()
    found, hopeless, as_is = _singles(ground, flood, leg is not None, progress)
    if as_is is not None:
        return NoWay({"reasons": [], "cannot_help": [], "text": EXISTS}, (), as_is, ())
    pair: tuple[Concession, ...] = ()
    if not found and leg is not None:
        pair = _cheapest_pair(ground, flood, [c.rule for c in hopeless], progress)
    if judge is not None:
        found = [_judged(project, c, (c,), judge) for c in found]
        pair = (*pair[:1], *(_judged(project, c, pair, judge) for c in pair[1:]))
    survey = holes_in_the_way(ground) if leg is not None else ()
    barrier = _barrier(ground, flood, leg, [*found, *pair])
    progress("explanation", 1.0)
    found.sort(key=lambda c: (c.rule.needs_consent, c.rule.share(c.give), c.rule.key))
    return NoWay(
        explanation=_explanation(project, found, hopeless, pair, barrier, leg, survey),
        barrier=(
            *_shown(barrier),
            *(_conceded(c) for c in found),
            *_conceded_pair(pair),
            *map(_unknown, survey),
        ),
        line=None,
        concessions=(*found, *pair),
    )


def _singles(
    ground: ClosedGround, flood: Flood, separated: bool, progress: Progress
) -> tuple[list[Concession], list[CannotHelp], Alignment | None]:
    """Every rule by itself; and a line that needs none of them to give, should there be one."""
    proven = separated and not np.isfinite(flood.least_need(()))
    rules = rules_of(ground.project)
    found: list[Concession] = []
    hopeless: list[CannotHelp] = []
    ask: Asking | None = None
    by_ground = _by_ground(ground, flood, rules, progress) if separated else {}
    for number, rule in enumerate(rules):
        progress("explanation", number / len(rules))
        if separated and proven and rule.kind == BEND:
            hopeless.append(CannotHelp(rule, True, "the ground itself is closed, however the line bends"))
            continue
        result: Concession | CannotHelp | None = by_ground.get(rule.key)
        if result is None or (isinstance(result, CannotHelp) and not result.proven):
            if ask is None:
                ask, line = asking(ground)
                line = None if line is None else _clean(ground, rules, line)
                if line is not None:
                    return [], [], line
            result = least_by_asking(ground, ask, rule)
            if rule.kind == ANGLE and isinstance(result, Concession):
                # The search has few angles: the straight across the asset by itself may do with less.
                exact = least_concession(ground, flood, rule)
                if isinstance(exact, Concession) and exact.give < result.give:
                    result = exact
        if isinstance(result, Concession):
            found.append(result)
            if result.give <= result.rule.negligible and not result.breaks:
                return [], [], result.line
        else:
            hopeless.append(result)
    return found, hopeless, None


def _by_ground(
    ground: ClosedGround, flood: Flood, rules: Sequence[Rule], progress: Progress
) -> dict[tuple[str, str, str], Concession | CannotHelp]:
    """What every rule that closes ground would have to give, side by side."""
    chosen = [rule for rule in rules if rule.kind not in (BEND, TIE_IN)]

    def least(rule: Rule) -> Concession | CannotHelp:
        return least_concession(ground, flood, rule)

    found = side_by_side(least, chosen, RULES_AT_ONCE, "explanation", progress)
    return {rule.key: result for rule, result in zip(chosen, found, strict=True)}


def _clean(ground: ClosedGround, rules: Sequence[Rule], line: Alignment) -> Alignment | None:
    """The line, drawn anew where it breaks a rule when it is measured; None where that does not help."""
    worst = next((rule for rule in rules if needs_of(ground, rule, line) > rule.negligible), None)
    if worst is None:
        return line
    best = drawn_best(ground, worst, line)
    return best.line if best.give <= worst.negligible and not best.breaks else None


def _judged(project: Project, found: Concession, all_of: Sequence[Concession], judge: Judge) -> Concession:
    """The concession with what its line breaks, measured as any line; its give raised to what that needs."""
    for _ in range(2):
        eased = project
        for one in all_of:
            give = found.give if one.rule.key == found.rule.key else one.give
            eased = one.rule.eased(eased, one.rule.give(lenient(one.rule, one.rule.needed(give))))
        failing = judge(eased, found.line)
        measured = [c for c in failing if c.rule == found.rule.rule and c.worst is not None]
        if not measured or found.rule.kind not in (SLOPE, TIE_IN):
            break
        own = measured[0]
        found = replace(
            found, give=max(found.give, published(found.rule, found.rule.give(float(own.worst or 0.0))))
        )
    return replace(found, breaks=tuple(sorted({f"{c.rule} {c.layer}".strip() for c in failing})))


def _cheapest_pair(
    ground: ClosedGround, flood: Flood, rules: list[Rule], progress: Progress
) -> tuple[Concession, ...]:
    """The two rules that open a way together for the least sum of shares of their limits."""
    ranked = []
    for a, b in combinations([rule for rule in rules if rule.kind not in (BEND, TIE_IN)], 2):
        if sum(rule.kind in ("slope", "angle") for rule in (a, b)) > 1 or not _joined_by(
            ground, flood, (a, b)
        ):
            continue
        weights = tuple(
            rule.give(rule.limit * 1.01) if rule.kind == "slope" else abs(rule.limit) / 100.0 or 1.0
            for rule in (a, b)
        )
        way = flood.way((a, b), weights)
        if way is not None:
            ranked.append((way.need, a, b, weights))
    ranked.sort(key=lambda item: (item[0], item[1].key, item[2].key))
    best: tuple[Concession, ...] = ()
    for need, a, b, weights in ranked[:MOST_PAIRS]:
        progress("explanation", 0.9)
        for first, second, weight in ((a, b, weights[0]), (b, a, weights[1])):
            pair = _one_after_other(ground, first, second, min(need * weight * 1.02, first.most))
            if pair and (not best or _sum(pair) < _sum(best)):
                best = pair
    return best or _both_slopes(ground, rules)


def _both_slopes(ground: ClosedGround, rules: list[Rule]) -> tuple[Concession, ...]:
    """The two slope limits together: one is eased by half, then each to what it needs beside the other."""
    slopes = [rule for rule in rules if rule.kind == SLOPE]
    if len(slopes) < 2:
        return ()
    for first, second in (slopes, slopes[::-1]):
        rough = _one_after_other(ground, first, second, first.give(SLOPE_EASED * first.limit))
        if rough:
            exact = _one_after_other(ground, second, first, rough[1].give)
            return exact or rough
    return ()


def _joined_by(ground: ClosedGround, flood: Flood, rules: tuple[Rule, ...]) -> bool:
    """Whether two rules together could open a way on the ground at its most favourable."""
    if any(not np.isfinite(give) for give in flood.end_gives(rules)):
        return False
    floor = optimistic_terrain(ground, rules)
    closed = floor.closed.copy()
    closed[flood.cells()] = False
    parts, _ = label(~closed.reshape(ground.grid.shape), structure=np.ones((3, 3)))
    return len({int(parts.ravel()[cell]) for cell in flood.cells()}) == 1


def _one_after_other(ground: ClosedGround, first: Rule, second: Rule, give: float) -> tuple[Concession, ...]:
    """Ease one rule by a given amount, then find the least of the other."""
    eased = first.eased(ground.project, give)
    surface = cost_surface(eased, grid=ground.grid, slope_margin=ground.surface.slope_margin)
    other = closed_ground(eased, surface)
    flood = Flood.of(other)
    rule = next((rule for rule in rules_of(eased) if rule.key == second.key), None)
    if rule is None:
        return ()
    if flood.blocked_leg() is not None:
        result = least_concession(other, flood, rule)
    else:
        # The ground is open, and only the bends do not fit.
        ask, line = asking(other)
        result = CannotHelp(rule, False, "") if line is not None else least_by_asking(other, ask, rule)
    if not isinstance(result, Concession) or result.give <= result.rule.negligible:
        return ()
    # The line may need less of the first than it was given.
    give = min(give, published(first, needs_of(ground, first, result.line)))
    held = replace(result, rule=first, give=give, least=0.0, failed=0.0)
    return held, replace(result, rule=second)


def _sum(pair: tuple[Concession, ...]) -> float:
    return sum(c.rule.share(c.give) for c in pair)


def _barrier(ground: ClosedGround, flood: Flood, leg: int | None, found: list[Concession]) -> Barrier:
    if leg is not None:
        return find_barrier(ground, flood, leg)
    tightest = next((c for c in found), None)
    if tightest is None:
        return Barrier((), ())
    reach = min(ground.project.rules.min_bend_radius_m, 100.0 * ground.grid.cell_m)
    return squeezed(ground, tightest.easting_m, tightest.northing_m, reach)


def _explanation(
    project: Project, found: list[Concession], hopeless: list[CannotHelp], pair: tuple[Concession, ...],
    barrier: Barrier, leg: int | None, survey: Sequence[ToSurvey],
) -> dict[str, Any]:  # fmt: skip
    content: dict[str, Any] = {
        "text": story(
            project,
            found,
            hopeless,
            pair,
            barrier.names,
            leg is not None,
            _ends(project, leg),
            [hole.text for hole in survey],
        ),
        "reasons": [reason(project, c) for c in found],
        "cannot_help": [cannot(c) for c in hopeless],
        "barrier": list(barrier.names),
    }
    if leg is not None and project.via:
        content["leg"] = _ends(project, leg).replace(" from ", " to ")
    if pair:
        content["pair"] = [reason(project, c) for c in pair]
    if survey:
        content["survey"] = [
            {
                "easting_m": round(hole.easting_m, 2),
                "northing_m": round(hole.northing_m, 2),
                "width_m": round(hole.width_m, 1),
                "text": hole.text,
            }
            for hole in survey
        ]
    return content


def _ends(project: Project, leg: int | None) -> str:
    """The ends of a leg, "START from END"."""
    names = ["START", *(f"via point {k + 1}" for k in range(len(project.via))), "END"]
    return f"{names[0]} from {names[-1]}" if leg is None else f"{names[leg]} from {names[leg + 1]}"


def _unknown(hole: ToSurvey) -> Piece:
    return hole.shape, {"kind": "to be surveyed", "width_m": round(hole.width_m, 1), "text": hole.text}


def _shown(barrier: Barrier) -> list[Piece]:
    return [(shape, {"kind": "barrier", **properties}) for shape, properties in barrier.pieces]


def _conceded(found: Concession) -> Piece:
    """The line a concession would give, marked as not allowed."""
    return shapely.LineString(densify(found.line)), {
        "kind": "conceded line",
        "allowed": False,
        "rule": found.rule.rule,
        "layer": found.rule.layer,
        "limit": found.rule.limit,
        "needed": found.needed,
        "needs_consent": found.rule.needs_consent,
        "text": f"NOT ALLOWED: breaks {rule_name(found.rule)}",
    }


def _conceded_pair(pair: tuple[Concession, ...]) -> list[Piece]:
    if not pair:
        return []
    shape, properties = _conceded(pair[1])
    both = " and ".join(rule_name(c.rule) for c in pair)
    return [
        (
            shape,
            {
                **properties,
                "rule": ", ".join(c.rule.rule for c in pair),
                "text": f"NOT ALLOWED: breaks {both}",
            },
        )
    ]
