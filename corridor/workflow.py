"""The story, told once: project in, verified line out."""

from __future__ import annotations

from corridor.assess.assess import assess
from corridor.errors import NoRouteError
from corridor.model.alignment import Alignment
from corridor.model.project import Project
from corridor.model.results import Assessment, CostSurface, SearchResult, Study
from corridor.progress import Progress, silent
from corridor.routing.search import search
from corridor.terrain.cost import cost_surface, tighten

SLOPE_MARGINS = (0.92, 1.0)
"""Shares of the slope limits that the search holds, in order of trial: a cell's mean hides its steepest place."""


def route(project: Project, progress: Progress = silent) -> Study:
    """Find, verify and assess one line.

    The line is measured on the finest seabed against every rule, independently
    of the search; a place where it breaks one is closed, or made as steep as it
    was found, and the search runs again, at most `breach_rounds` times. What
    remains broken is reported as broken.

    Raises
    ------
    NoRouteError
        No line obeys the rules.
    """
    for margin in SLOPE_MARGINS:
        surface = cost_surface(project, slope_margin=margin, progress=progress)
        try:
            return _verified(project, surface, progress)
        except NoRouteError:
            if margin == SLOPE_MARGINS[-1]:
                raise
    raise AssertionError("unreachable: the last margin either returns or raises")


def assess_line(project: Project, alignment: Alignment, progress: Progress = silent) -> Study:
    """Assess a line somebody hands in."""
    surface = cost_surface(project, progress=progress)
    assessment = assess(alignment, project, surface, progress)
    return Study(project, alignment, assessment, surface)


def _verified(project: Project, surface: CostSurface, progress: Progress) -> Study:
    """Search, measure, tighten; the best line of all rounds when none is clean."""
    best: tuple[int, Alignment, Assessment, CostSurface, SearchResult] | None = None
    notes: list[str] = []
    for number in range(project.rules.breach_rounds + 1):
        try:
            found = search(surface, project.rules, project.start, project.end, project.via, progress=progress)
        except NoRouteError:
            if best is None:
                raise
            notes.append(f"round {number + 1}: no other line is left")
            break
        assessment = assess(found.alignment, project, surface, progress)
        broken = sum(not check.ok for check in assessment.checks)
        if best is None or broken < best[0]:
            best = (broken, found.alignment, assessment, surface, found)
        if assessment.ok:
            break
        rules = ", ".join(sorted({check.rule for check in assessment.checks if not check.ok}))
        notes.append(f"round {number + 1}: the finest seabed breaks {rules}; searched again")
        surface = tighten(surface, assessment.breaches)
    assert best is not None
    _, alignment, assessment, surface, found = best
    return Study(project, alignment, assessment, surface, found, notes=tuple(notes))
