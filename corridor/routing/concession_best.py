"""Bring a line that a search found down to the least that a rule must give.

The line is drawn by its own places and directions (`concession_draw`). Ground
that is rough has many lines that no small move betters, so the part at the pinch
is also searched anew on finer cells and in more directions (`concession_window`),
and each line found there is drawn as well. At last the search is asked for a line
with 95 % of what the best one needs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from corridor.model.alignment import Alignment
from corridor.progress import Progress, silent
from corridor.routing.concession_draw import draw, plain, worst_breach, worst_place
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_route import broken_rules, needs_of
from corridor.routing.concession_rules import SLOPE, Rule
from corridor.routing.concession_window import eased_by, searched, window_at, window_surface

STARTS = ((1.0, 32), (1.0, 48), (2.0, 48))
"""Windows: how many times finer than the search's cells, and headings."""

MORE = (1.01, 1.08)
"""On rough ground windows are searched with these multiples of the best limit known."""

SHARE_DENIED = 0.95
"""With this share of the reduction no line may be found."""

MENDS = 4
"""Places elsewhere on the line that are drawn anew where they break another rule."""

AGAIN = 2
"""Times a line that was found with 95 % of the reduction is brought down once more."""


@dataclass(frozen=True, slots=True, eq=False)
class Best:
    """The best line known for a rule.

    Attributes
    ----------
    line : Alignment
    give : float
        What it needs, as measured on all of it.
    denied : float
        Largest give with which a search in the window found nothing; 0 where none was asked.
    """

    line: Alignment
    give: float
    denied: float = 0.0


def sound_with(ground: ClosedGround, rule: Rule, line: Alignment, progress: Progress = silent) -> Best | None:
    """The line drawn so that the rule gives least and no other is broken; None where that cannot be done."""
    line = draw(ground, rule, plain(line), progress=progress).line
    for _ in range(MENDS):
        place = worst_breach(ground, rule, line)
        if place is None:
            break
        mended = draw(ground, rule, line, (place,), progress=progress)
        if not mended.sound:
            return None
        line = mended.line
    give = needs_of(ground, rule, line)
    return None if broken_rules(ground, {rule.key: give}, line) else Best(line, give)


def brought_down(
    ground: ClosedGround, rule: Rule, line: Alignment, least: float, progress: Progress = silent
) -> Best | None:
    """The least that a rule must give for lines like the one given."""
    best = sound_with(ground, rule, line, progress)
    if best is not None and (best.give <= rule.negligible or best.give <= least + 0.5 * rule.tolerance(least)):
        return best
    if ground.project.via:
        return best
    if rule.kind == SLOPE:
        for finer, headings in STARTS:
            for more in MORE:
                best = _other(ground, rule, best, line, more, finer, headings, progress)
    for _ in range(AGAIN):
        if best is None or best.give <= rule.negligible:
            return best
        denied = SHARE_DENIED * best.give
        other = _searched(ground, rule, best.line, denied, 2.0, 48, progress)
        if other is None:
            return Best(best.line, best.give, denied)
        again = sound_with(ground, rule, other, progress)
        if again is None or again.give >= best.give:
            return best
        best = again
    return best


def _other(
    ground: ClosedGround, rule: Rule, best: Best | None, line: Alignment, more: float, finer: float,
    headings: int, progress: Progress,
) -> Best | None:  # fmt: skip
    """The best line, or one found in a window with a little more than it needs and drawn, if that is better."""
    known = best.line if best is not None else line
    give = best.give if best is not None else needs_of(ground, rule, line)
    found = _searched(
        ground, rule, known, rule.give(rule.needed(give) * more), finer, headings, progress
    )
    other = sound_with(ground, rule, found, progress) if found is not None else None
    return other if other is not None and (best is None or other.give < best.give) else best


def _searched(
    ground: ClosedGround, rule: Rule, line: Alignment, give: float, finer: float, headings: int,
    progress: Progress,
) -> Alignment | None:  # fmt: skip
    """The line with the part around its worst place searched anew with a give."""
    window = window_at(ground, line, worst_place(ground, rule, line), finer)
    eased = eased_by(ground, rule, give)
    found, _ = searched(window, line, eased, window_surface(window, eased), headings, progress=progress)
    return None if found is None or not np.isfinite(found.easting_m).all() else found
