"""The least that one rule would have to give for a line to exist, confirmed by routing with it.

For a rule that closes ground or limits slopes:

1. *Can it help at all?* On the ground at its most favourable no curve passes
   with less than some need; where there is none at any need, the rule alone
   cannot help: that is proven.
2. *Where?* The way over grid steps that needs least, and its pinches.
3. *How much, exactly?* The best straight across each pinch, by exact geometry
   on the finest seabed. Other passes that might need less are looked at too.
4. *Does it give a line?* The search joins the straights to the ends under the
   eased rule; what the line needs is then measured on the line.

Rules on the line itself (radius, straights) close no ground: see
:mod:`corridor.routing.concession_bends`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.kernels.bottleneck import bottleneck, passed
from corridor.model.alignment import Alignment
from corridor.progress import Progress, silent
from corridor.routing.concession_fit import drawn_tighter, fitted
from corridor.routing.concession_ground import ClosedGround, terrain
from corridor.routing.concession_pass import Flood, Pinch, Way
from corridor.routing.concession_pose import Pose, best_poses
from corridor.routing.concession_route import (
    WINDOW_CELLS,
    boxes_around,
    broken,
    eased_surface,
    needs_of,
    route_through,
    sound_line,
)
from corridor.routing.concession_rules import ANGLE, AREA, SLOPE, Rule

OTHER_PASSES = 4
"""Passes looked at beyond the first."""

STEPS_UP = (1.03, 1.1, 1.3, 1.8, 3.0, 6.0)
"""Where no line is found at the exact need: tried with these multiples of it."""

STEPS_DOWN = 4
"""Bisections between a need that failed and one that gave a line."""

ROOMS = (0.0, 0.06, 0.12, 0.24, 0.5)
"""Room left beyond the straights for the line to bend into them, in bend radii, one after the other."""


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
    poses : tuple of Pose
        Straights across pinches that the line was led through.
    failed : float
        Largest give with which no line was found; `least` when none was tried.
    """

    rule: Rule
    give: float
    least: float
    easting_m: float
    northing_m: float
    line: Alignment
    poses: tuple[Pose, ...] = ()
    failed: float = 0.0

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
    way = flood.way((rule,), most=rule.most) or flood.way((rule,), most=rule.most, optimistic=True)
    if way is None:
        return CannotHelp(rule, False, "no way was found on the search grid even without it")
    radius = ground.project.rules.min_bend_radius_m
    tried: list[Passage] = []
    failed = least
    for room in ROOMS:
        passages = _passages(ground, flood, rule, way, least, room * radius)
        for passage in passages:
            if any(abs(passage.give - other.give) < 1e-9 and passage.poses == other.poses for other in tried):
                continue
            tried.append(passage)
            found = _routed(ground, rule, passage, passage.give, least, progress)
            if found is not None:
                exact = room == 0.0 and passage is passages[0]
                return (
                    replace(found, failed=min(failed, found.give))
                    if exact
                    else _tighter(ground, found, progress)
                )
        if not any(passage.poses for passage in passages):
            break
    return _with_more(ground, rule, tried[0], least, progress)


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


def _with_more(
    ground: ClosedGround, rule: Rule, cheapest: Passage, least: float, progress: Progress
) -> Concession | CannotHelp:
    """A line with more give than the passage needs by itself, drawn back by bisection."""
    failed = least
    for step in STEPS_UP:
        give = min(max(cheapest.give, rule.tolerance(0.0)) * step, rule.most)
        for passage in _with_and_without(cheapest):
            found = _routed(ground, rule, passage, give, least, progress)
            if found is not None:
                return _sharpened(ground, rule, passage, found, failed, least, progress)
        failed = give
        if give >= rule.most:
            break
    return CannotHelp(rule, False, "ground would open, but no line of the least radius was found through it")


def _tighter(ground: ClosedGround, found: Concession, progress: Progress) -> Concession:
    """The fit's line where it needs less; not for slopes, which it sees cell by cell, and angles."""
    if found.rule.kind != AREA:
        return found
    line, give = drawn_tighter(ground, found.rule, found.line, found.least, found.give, progress)
    return replace(found, line=line, give=give, failed=min(found.failed, give))


def _with_and_without(passage: Passage) -> list[Passage]:
    """A passage with its straights, and as the grid finds its own way."""
    return [passage, replace(passage, poses=())] if passage.poses else [passage]


def _sharpened(
    ground: ClosedGround, rule: Rule, passage: Passage, found: Concession, failed: float, least: float,
    progress: Progress,
) -> Concession:  # fmt: skip
    """Bisect between a give that failed and one that gave a line."""
    for _ in range(STEPS_DOWN):
        if found.give - failed <= rule.tolerance(found.give):
            break
        middle = 0.5 * (found.give + failed)
        other = _routed(ground, rule, passage, middle, least, progress)
        if other is None:
            failed = middle
        else:
            found = other
    return replace(found, failed=min(failed, found.give))


def _routed(
    ground: ClosedGround, rule: Rule, passage: Passage, give: float, least: float, progress: Progress
) -> Concession | None:
    """A line under the eased rule, and what it needs as measured on it."""
    give = max(give, 0.0)
    eased = rule.eased(ground.project, give + 0.02 * rule.tolerance(give) if give > 0.0 else 0.0)
    margin = max(WINDOW_CELLS * ground.grid.cell_m, 0.5 * ground.project.rules.min_bend_radius_m)
    boxes = boxes_around(passage.poses, margin)
    boxes += [_box(pinch, margin) for pinch in passage.pinches]
    surface = eased_surface(ground, eased, boxes)
    line = sound_line(
        ground, surface, eased, {rule.key: give + rule.tolerance(give)}, passage.poses, progress
    )
    if line is None and passage.poses and rule.kind != SLOPE and not ground.project.via:
        # The straights lead through, the bends into them cut a zone's edge: the fit may mend that.
        rough = route_through(surface, eased, passage.poses, progress=progress)
        line = (
            None
            if rough is None
            else fitted(ground, rule, rough, give + 0.5 * rule.tolerance(give), progress)
        )
    if line is None:
        return None
    needed = max(give if rule.kind != AREA else 0.0, needs_of(ground, rule, line, passage.poses))
    if needed > give + max(2.0 * rule.tolerance(give), 0.02 * give):
        return None
    if broken(ground, {rule.key: needed}, line, passage.poses):
        return None
    place = _place(ground, rule, line, passage)
    return Concession(rule, needed, least, *place, line, passage.poses)


def _box(pinch: Pinch, margin: float) -> tuple[float, float, float, float]:
    west, south, east, north = pinch.box
    return west - margin, south - margin, east + margin, north + margin


def _place(ground: ClosedGround, rule: Rule, line: Alignment, passage: Passage) -> tuple[float, float]:
    """Where the line needs most of the rule."""
    if passage.poses:
        return max(passage.poses, key=lambda pose: pose.give).worst_m
    chain = shapely.LineString(np.column_stack([line.easting_m, line.northing_m]))
    worst = max(passage.pinches, key=lambda pinch: pinch.need, default=None)
    if worst is not None:
        return worst.easting_m, worst.northing_m
    middle = chain.interpolate(0.5, normalized=True)
    return float(middle.x), float(middle.y)
