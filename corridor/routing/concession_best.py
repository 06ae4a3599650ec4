"""Bring a line that a search found down to the least that a rule must give.

The line is drawn by its own places and directions (`concession_draw`). Ground
that is rough has many lines that no small move betters, so the part at the pinch
is also searched anew on finer cells and in more directions (`concession_window`),
and each line found there is drawn as well. At last the search is asked for a line
with 95 % of what the best one needs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.progress import Progress, silent
from corridor.routing.concession_draw import draw, plain, worst_breach, worst_place
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_route import (
    broken_rules,
    eased_surface,
    gentle_line,
    needs_of,
    with_slope_limits,
)
from corridor.routing.concession_rules import BEND, SLOPE, Rule
from corridor.routing.concession_search import LONG_TRIES, QUICK_TRIES, Try
from corridor.routing.concession_window import eased_by, searched, window_at
from corridor.routing.fit import fit
from corridor.terrain.cost import cost_surface

STARTS = ((2.0, 48), (1.0, 32))
"""Windows: how many times finer than the search's cells, and headings."""

MORE = 1.015
"""On rough ground windows are searched with this multiple of the best limit known."""

MOST_STARTS = 3

SHARE_DENIED = 0.95
"""With this share of the reduction no line may be found."""

TIGHTENINGS_IN_WINDOW = 2

PLACES = 3
"""Further places that are drawn anew where they need most."""

MENDS = 4
"""Places elsewhere on the line that are drawn anew where they break another rule."""

HAIR = 0.1
"""Share of what a figure is known to that it is told more leniently."""

AGAIN = 1
"""Times a line that was found with 95 % of the reduction is brought down once more."""


@dataclass(frozen=True, slots=True, eq=False)
class Best:
    """The best line known for a rule.

    Attributes
    ----------
    line : Alignment
    give : float
        What it needs, as measured on all of it.
    breaks : tuple of str
        Other rules that it breaks all the same: nothing better was found.
    denied : float
        Largest give with which a search in the window found nothing; 0 where none was asked.
    """

    line: Alignment
    give: float
    breaks: tuple[str, ...] = ()
    denied: float = 0.0

    def better_than(self, other: Best) -> bool:
        """Breaks nothing else where the other does, or needs less."""
        return (bool(self.breaks), self.give) < (bool(other.breaks), other.give)


def published(rule: Rule, give: float) -> float:
    """A give as it is told: with a hair more than the line needs, so that others find such a line too."""
    return give if give <= rule.negligible else give + HAIR * rule.tolerance(give)


def drawn_best(ground: ClosedGround, rule: Rule, line: Alignment, progress: Progress = silent) -> Best:
    """The line drawn so that the rule gives least and no other is broken, as far as that can be done."""
    as_found = _measured(ground, rule, plain(line))
    best = _mended(ground, rule, draw(ground, rule, as_found.line, progress=progress).line, progress)
    best = as_found if as_found.better_than(best) else best
    for _ in range(PLACES):
        # What needs most may now lie elsewhere, out of reach of what was moved.
        if best.give <= rule.negligible:
            break
        other = _mended(ground, rule, draw(ground, rule, best.line, progress=progress).line, progress)
        gain = best.give - other.give
        if other.better_than(best):
            best = other
        if gain < 0.2 * rule.tolerance(best.give):
            break
    return best


def _mended(ground: ClosedGround, rule: Rule, line: Alignment, progress: Progress) -> Best:
    """The line drawn anew at places where it breaks another rule, as often as that helps."""
    best = _measured(ground, rule, line)
    for _ in range(MENDS):
        place = worst_breach(ground, rule, best.line) if best.breaks else None
        if place is None:
            break
        # A little more of the rule in question may be what it takes.
        enough = best.give + 0.25 * rule.tolerance(best.give) if best.give > rule.negligible else 0.0
        mended = draw(ground, rule, best.line, (place,), enough, 6, 20, progress)
        best = _measured(ground, rule, mended.line)
        if not mended.sound:
            break
    return best


def _measured(ground: ClosedGround, rule: Rule, line: Alignment) -> Best:
    give = needs_of(ground, rule, line)
    return Best(line, give, tuple(broken_rules(ground, {rule.key: give}, line)))


def brought_down(
    ground: ClosedGround, rule: Rule, line: Alignment, least: float, progress: Progress = silent
) -> Best:
    """The least that a rule must give for lines like the one given."""
    best = drawn_best(ground, rule, line, progress)
    if rule.kind == BEND and not ground.project.via:
        # Few large bends give most room to all; the fit knows how to drop some.
        eased = eased_by(ground, rule, needs_of(ground, rule, line))
        surface = eased_surface(ground, eased)
        simple = fit(line, surface, eased.rules, eased.start, eased.end, progress=progress).alignment
        other = drawn_best(ground, rule, simple, progress)
        best = other if other.better_than(best) else best
    return asked_for_less(ground, rule, best, least, progress)


def brought_down_on_slopes(
    ground: ClosedGround, rule: Rule, line: Alignment, least: float, rival: Best | None,
    progress: Progress = silent,
) -> Best:  # fmt: skip
    """The least slope for lines like the one given, not yet asked whether 95 % would do.

    It is given up where it breaks another rule, which a `rival` does not, or stays dearer than
    that after the first window.
    """
    best = drawn_best(ground, rule, line, progress)
    beaten = rival is not None and bool(best.breaks) and not rival.breaks
    if beaten or is_least(rule, best, least):
        return best
    return _other_ways(ground, rule, best, least, rival, progress)


def is_least(rule: Rule, best: Best, least: float) -> bool:
    """Whether a line needs no more than any line must."""
    enough = max(rule.negligible, least + 0.5 * rule.tolerance(least) if least > 0.0 else 0.0)
    return best.give <= enough and not best.breaks


def asked_for_less(
    ground: ClosedGround, rule: Rule, best: Best, least: float, progress: Progress = silent
) -> Best:
    """A line that was brought down, and whether 95 % of what it needs would do."""
    if is_least(rule, best, least):
        return best
    for _ in range(AGAIN):
        if best.give <= rule.negligible:
            break
        denied = SHARE_DENIED * best.give
        found = _window_search(ground, rule, best.line, 2.0, 48, LONG_TRIES, progress)(denied)
        if found is None:
            return replace(best, denied=denied)
        other = drawn_best(ground, rule, found, progress)
        if not other.better_than(best):
            break
        best = other
    return best


def _other_ways(
    ground: ClosedGround, rule: Rule, best: Best, least: float, rival: Best | None, progress: Progress
) -> Best:
    """The best of lines found in windows, one kind of window after the other until none betters it."""
    idle = 0
    for number in range(MOST_STARTS):
        finer, headings = STARTS[number % len(STARTS)]
        found = _halved(ground, rule, best, least, finer, headings, progress)
        other = None if found is None else drawn_best(ground, rule, found, progress)
        idle += 1
        if other is not None and other.better_than(best):
            best, idle = other, 0
        hopeless = rival is not None and best.give > rival.give + rule.tolerance(rival.give)
        if idle == len(STARTS) or hopeless:
            break
    return best


def _halved(
    ground: ClosedGround, rule: Rule, best: Best, least: float, finer: float, headings: int,
    progress: Progress,
) -> Alignment | None:  # fmt: skip
    """The line that a window lets through with the smallest give, by halving towards what none needs."""
    low, high = least, rule.give(rule.needed(best.give) * MORE)
    search = _window_search(ground, rule, best.line, finer, headings, QUICK_TRIES, progress)
    found = search(high)
    while found is not None and high - low > rule.tolerance(high):
        give = 0.5 * (low + high)
        line = search(give)
        if line is None:
            low = give
        else:
            found, high = line, give
    return found


def _window_search(
    ground: ClosedGround, rule: Rule, line: Alignment, finer: float, headings: int,
    tries: Sequence[Try], progress: Progress,
) -> Callable[[float], Alignment | None]:  # fmt: skip
    """A search for the line with the part around its worst place searched anew, as a function of the give."""
    window = window_at(ground, line, worst_place(ground, rule, line), finer)
    # Slope limits close no cell: one ground serves all of them. Drawing mends what mean slopes hide.
    base = cost_surface(ground.project, grid=window.grid) if rule.kind == SLOPE else None

    def search(give: float) -> Alignment | None:
        eased = eased_by(ground, rule, give)
        if base is not None:
            surface = with_slope_limits(base, eased.rules)
        else:
            surface = cost_surface(eased, grid=window.grid)

        def find(ground_now: CostSurface) -> Alignment | None:
            return searched(window, line, eased, ground_now, headings, tries, progress)[0]

        return gentle_line(surface, eased, find, TIGHTENINGS_IN_WINDOW)

    return search
