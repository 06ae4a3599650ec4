"""The least that one rule would have to give for a line to exist, confirmed by routing with it.

For a rule that closes ground or limits slopes:

1. *Can it help at all?* On the ground at its most favourable no curve passes
   with less than some need; where there is none at any need, the rule alone
   cannot help: that is proven.
2. *Where?* The way over grid steps that needs least, and its pinches.
3. *How much, exactly?* The best straight across each pinch, by exact geometry
   on the finest seabed. Other passes that might need less are looked at too.
4. *Does it give a line?* The search joins the straights to the ends under the
   eased rule. The line is then drawn so that the rule gives least by exact
   geometry, and the pinch is searched anew on finer cells
   (:mod:`corridor.routing.concession_best`).

On slopes steps 2 and 3 are exact where the pinch is smooth. On rough ground the
gentlest crossings by moves of the search take their place
(:mod:`corridor.routing.concession_crossing`).

Rules on the line itself (radius, straights) close no ground: see
:mod:`corridor.routing.concession_bends`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import chain, islice, repeat

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.bottleneck import bottleneck, passed
from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.progress import Progress, silent
from corridor.routing.concession_best import (
    Best,
    asked_for_less,
    brought_down,
    brought_down_on_slopes,
    is_least,
    published,
)
from corridor.routing.concession_crossing import crossing_lines
from corridor.routing.concession_draw import worst_place
from corridor.routing.concession_ground import ClosedGround, terrain
from corridor.routing.concession_pass import Flood, Pinch, Way
from corridor.routing.concession_pose import Pose, best_poses
from corridor.routing.concession_route import (
    TIGHTENINGS,
    WINDOW_CELLS,
    boxes_around,
    eased_surface,
    gentle_line,
    route_through,
)
from corridor.routing.concession_rules import ANGLE, SLOPE, Rule
from corridor.routing.concession_search import LONG_TRIES, QUICK_TRIES, Try

OTHER_PASSES = 4
"""Passes looked at beyond the first."""

ROOMS = (0.12, 0.5)
"""Room left beyond the straights for the line to bend into them, in bend radii, one after the other."""

STEPS_UP = (1.0, 1.15, 2.0, 6.0)
"""Where no line is found with the exact need of a passage: tried with these multiples of it."""

SLOPE_STEPS = (1.0, 1.05, 1.15, 1.4, 2.0, 6.0)
"""Slope limits rise by these multiples of what a passage needs."""

MOST_LINES = 3
"""Lines that are brought down before one is told that breaks another rule as well."""


@dataclass(frozen=True, slots=True, eq=False)
class Concession:
    """What one rule would have to give.

    Attributes
    ----------
    rule : Rule
    give : float
        In the rule's measure; :attr:`needed` is the new limit.
    least : float
        No line can do with a smaller give: the ground at its most favourable
        on the search grid.
    easting_m, northing_m : float
        The place where the line needs it.
    line : Alignment
        The line that it gives: it breaks the rule as it stands.
    failed : float
        Largest give with which no line was found; `least` when none was tried.
    breaks : tuple of str
        Other rules that the line breaks as well; none when it is confirmed.
    """

    rule: Rule
    give: float
    least: float
    easting_m: float
    northing_m: float
    line: Alignment
    failed: float = 0.0
    breaks: tuple[str, ...] = ()

    @property
    def needed(self) -> float:
        """The new limit."""
        return self.rule.needed(self.give)


@dataclass(frozen=True, slots=True, eq=False)
class CannotHelp:
    """A rule that cannot open a way alone.

    Attributes
    ----------
    proven : bool
        Not even the ground at its most favourable has a way; else none was found.
    text : str
    """

    rule: Rule
    proven: bool
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """One way across all pinches: the give it needs and the straights it takes."""

    give: float
    poses: tuple[Pose, ...]
    pinches: tuple[Pinch, ...]


def least_concession(
    ground: ClosedGround, flood: Flood, rule: Rule, progress: Progress = silent
) -> Concession | CannotHelp:
    """The least that a rule on the ground must give, or why it cannot help alone."""
    if any(not np.isfinite(give) for give in flood.end_gives((rule,))):
        return CannotHelp(rule, True, "an end of the line breaks another rule")
    least = flood.least_need((rule,))
    if least > rule.most:
        return CannotHelp(rule, True, "other rules leave no way even without it")
    way = flood.way((rule,), most=rule.most)
    if way is None and (rule.kind == SLOPE or least > rule.negligible):
        # Otherwise the way on the ground at its most favourable owes nothing to this rule.
        way = flood.way((rule,), most=rule.most, optimistic=True)
    if way is None:
        return CannotHelp(rule, False, "no way was found on the search grid even without it")
    if rule.kind == SLOPE:
        best = _least_slope(ground, flood, rule, way, least, progress)
    else:
        first = _first_lines(ground, flood, rule, way, least, progress)
        best = _first_sound(ground, rule, islice(first, MOST_LINES), least, progress)
    if best is None:
        return CannotHelp(
            rule, False, "ground would open, but no line of the least radius was found through it"
        )
    place = worst_place(ground, rule, best.line)
    return Concession(
        rule, published(rule, best.give), least, *place, best.line, max(best.denied, least), best.breaks
    )


def _first_sound(
    ground: ClosedGround, rule: Rule, lines: Iterable[Alignment], least: float, progress: Progress
) -> Best | None:
    """The first line that breaks no other rule once it is brought down; else the best of them."""
    best: Best | None = None
    for line in lines:
        other = brought_down(ground, rule, line, least, progress)
        best = other if best is None or other.better_than(best) else best
        if not best.breaks:
            break
    return best


def _least_slope(
    ground: ClosedGround, flood: Flood, rule: Rule, way: Way, least: float, progress: Progress
) -> Best | None:
    """The best of several lines, each brought down.

    Where straights across the pinches need no more than any line must, one over them is
    exact. Rough ground has many lines that no small move betters, which differ by tenths of
    a degree: there the gentlest crossings are looked for. The pinches of ways over the grid
    are gone through where no such line holds.
    """
    exact = [p for p in _crossed(ground, flood, rule, way, 0.0) if p.give <= least + rule.tolerance(least)]
    lines = chain(
        _through(ground, exact, rule, SLOPE_STEPS[:1], QUICK_TRIES, progress),
        crossing_lines(ground, flood, rule, least, progress),
    )
    best = _best_on_slopes(ground, rule, lines, least, None, progress)
    if best is None or best.breaks:
        first = islice(_through_pinches(ground, flood, rule, way, least, progress), 1)
        best = _best_on_slopes(ground, rule, first, least, best, progress)
    return None if best is None else asked_for_less(ground, rule, best, least, progress)


def _best_on_slopes(
    ground: ClosedGround, rule: Rule, lines: Iterable[Alignment], least: float, best: Best | None,
    progress: Progress,
) -> Best | None:  # fmt: skip
    """The best of the lines, brought down, and of one known before; no more are asked for than it takes."""
    for line in lines:
        other = brought_down_on_slopes(ground, rule, line, least, best, progress)
        best = other if best is None or other.better_than(best) else best
        if is_least(rule, best, least):
            break
    return best


def _through_pinches(
    ground: ClosedGround, flood: Flood, rule: Rule, way: Way, least: float, progress: Progress
) -> Iterator[Alignment]:  # fmt: skip
    """Lines through the pinches of ways over the grid, under a slope limit that rises in steps."""
    passages = _passages(ground, flood, rule, way, least, 0.0)
    for tries in (QUICK_TRIES, LONG_TRIES):
        yield from _through(ground, passages, rule, SLOPE_STEPS[:1], tries, progress)
        yield from _through(ground, passages[:1], rule, SLOPE_STEPS[1:], tries, progress)


def _first_lines(
    ground: ClosedGround, flood: Flood, rule: Rule, way: Way, least: float, progress: Progress
) -> Iterator[Alignment]:  # fmt: skip
    """Lines through the passages, searched for only when asked for; they may break rules by a little.

    Every place is looked at for a short while before one is searched at length.
    """

    @cache
    def passages(room: float) -> list[Passage]:
        """With room to bend into the straights, in least radii; worked out when first asked for."""
        return _passages(ground, flood, rule, way, least, room * ground.project.rules.min_bend_radius_m)

    for tries in (QUICK_TRIES, LONG_TRIES):
        for room in (0.0, *ROOMS):
            yield from _through(ground, passages(room), rule, STEPS_UP[:1], tries, progress)
        yield from _through(ground, passages(0.0)[:1], rule, STEPS_UP[1:], tries, progress)


def _through(
    ground: ClosedGround, passages: list[Passage], rule: Rule, steps: Sequence[float],
    tries: Sequence[Try], progress: Progress,
) -> Iterator[Alignment]:  # fmt: skip
    """A line through each of the passages with some multiples of what it needs, where one is found."""
    for step in steps:
        for passage in passages:
            for through in _with_and_without(passage):
                give = min(max(through.give, rule.tolerance(0.0) if step > 1.0 else 0.0) * step, rule.most)
                line = _routed(ground, rule, through, give, tries, progress)
                if line is not None:
                    yield line


def _passages(
    ground: ClosedGround, flood: Flood, rule: Rule, way: Way, least: float, room_m: float
) -> list[Passage]:
    """The way that needs least on the grid and others that might need less, the cheapest first."""
    found = _crossed(ground, flood, rule, way, room_m)
    raised: list[tuple[float, float, float, float]] = []
    for _ in range(OTHER_PASSES):
        best = min(passage.give for passage in found)
        if best <= least + rule.tolerance(best):
            break
        raised += [_disc(ground, pinch, best) for pinch in found[-1].pinches]
        other = flood.way((rule,), most=best - rule.tolerance(best), optimistic=True, raised=tuple(raised))
        if other is None or not other.pinches:
            break
        found += _crossed(ground, flood, rule, other, room_m)
    return sorted(found, key=lambda passage: passage.give)


def _disc(ground: ClosedGround, pinch: Pinch, need: float) -> tuple[float, float, float, float]:
    return pinch.easting_m, pinch.northing_m, 0.5 * pinch.length_m + 6.0 * ground.grid.cell_m, need


def _crossed(ground: ClosedGround, flood: Flood, rule: Rule, way: Way, room_m: float) -> list[Passage]:
    """A way with the best straights across its pinches; and as the grid crosses them."""
    at_ends = max(flood.end_gives((rule,)))
    give, poses = at_ends, {}
    for pinch in sorted(way.pinches, key=lambda p: -p.need):
        if pinch.need <= give or pinch.at_end:
            continue
        options = best_poses(ground, rule, pinch, _sides(ground, flood, pinch, rule), 1, room_m)
        if options:
            poses[way.pinches.index(pinch)] = options[0]
            give = max(give, options[0].give)
        else:
            give = max(give, pinch.need)
    straight = Passage(give, tuple(poses[k] for k in sorted(poses)), way.pinches)
    if poses and way.need < give:
        return [straight, Passage(max(way.need, at_ends), (), way.pinches)]
    return [straight]


def _sides(ground: ClosedGround, flood: Flood, pinch: Pinch, rule: Rule) -> NDArray[np.uint8]:
    """Ground before a pinch (bit 1) and behind it (bit 2) under the rules as they stand."""
    floor = terrain(ground)
    if rule.kind == ANGLE:
        # Before and behind are the two sides of what is crossed.
        floor = terrain(ground, (rule,))._replace(mode=0)
    sides = np.zeros(floor.rows * floor.cols, dtype=np.uint8)
    label, came = np.empty(sides.size, np.float32), np.empty(sides.size, np.int8)
    for bit, cell in ((1, pinch.before), (2, pinch.after)):
        floor.closed[cell] = False
        bottleneck(floor, flood.fine, cell, -1, np.float32(0.0), label, came)
        sides[passed(label, floor, flood.fine, np.float32(0.0))] |= bit
    return sides


def _with_and_without(passage: Passage) -> list[Passage]:
    """A passage with its straights, and as the grid finds its own way."""
    return [passage, replace(passage, poses=())] if passage.poses else [passage]


def _routed(
    ground: ClosedGround, rule: Rule, passage: Passage, give: float, tries: Sequence[Try], progress: Progress
) -> Alignment | None:
    """A line under the eased rule; it may still break rules by a little."""
    give = max(give, 0.0)
    eased = rule.eased(ground.project, give + 0.02 * rule.tolerance(give) if give > 0.0 else 0.0)
    margin = max(WINDOW_CELLS * ground.grid.cell_m, 0.5 * ground.project.rules.min_bend_radius_m)
    boxes = boxes_around(passage.poses, margin)
    boxes += [_box(pinch, margin) for pinch in passage.pinches]
    surface = eased_surface(ground, eased, boxes)

    # Where there is a line at all, mending its slopes is worth a long search.
    patience = chain([tries], repeat(LONG_TRIES))

    def find(ground_now: CostSurface) -> Alignment | None:
        return route_through(ground_now, eased, passage.poses, tries=next(patience), progress=progress)

    # Where a slope gives way, drawing mends slopes better than the search does.
    return gentle_line(surface, eased, find, 1 if rule.kind == SLOPE else TIGHTENINGS)


def _box(pinch: Pinch, margin: float) -> tuple[float, float, float, float]:
    west, south, east, north = pinch.box
    return west - margin, south - margin, east + margin, north + margin
