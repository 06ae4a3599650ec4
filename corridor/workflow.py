"""The story, told once: project in, verified line out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from threading import Event

from corridor.assess.assess import assess
from corridor.assess.spans import with_pipe
from corridor.errors import NoRouteError
from corridor.model.alignment import Alignment
from corridor.model.permit import ZoneSettings, ZoneStudy
from corridor.model.project import Project
from corridor.model.results import Assessment, Check, CostSurface, SearchResult, Study
from corridor.permit.season import active_layers
from corridor.permit.study import zone_study
from corridor.progress import Progress, silent
from corridor.routing.bound import lower_bound_m
from corridor.routing.fit import FitResult, fit
from corridor.routing.search import search
from corridor.routing.starts import best_fit
from corridor.routing.via_fit import fit_via
from corridor.terrain.cost import cost_surface, tighten

SLOPE_MARGINS = (0.92, 1.0)
"""Shares of the slope limits that the search holds, in order: a cell's mean hides its worst place."""


def route(project: Project, progress: Progress = silent) -> Study:
    """Find, fit, verify and assess one line.

    The line is measured on the finest seabed against every rule, independently
    of the search and the fit; a place where it breaks one is closed, or made as
    steep as it was found, and the work is done again, at most `breach_rounds`
    times. What remains broken is reported as broken.

    Raises
    ------
    NoRouteError
        No line obeys the rules.
    """
    project = in_force(project)
    for margin in SLOPE_MARGINS:
        surface = cost_surface(project, slope_margin=margin, progress=progress)
        try:
            study = verified(project, surface, progress)
        except NoRouteError:
            if margin != SLOPE_MARGINS[-1]:
                continue
            study = explained(project, surface, progress)
        return replace(study, assessment=with_pipe(study.assessment, study.alignment, project, progress))
    raise AssertionError("unreachable: the last margin either returns or raises")


def assess_line(project: Project, alignment: Alignment, progress: Progress = silent) -> Study:
    """Assess a line somebody hands in."""
    project = in_force(project)
    surface = cost_surface(project, progress=progress)
    assessment = with_pipe(assess(alignment, project, surface, progress), alignment, project, progress)
    return Study(project, alignment, assessment, surface)


def in_force(project: Project) -> Project:
    """The project with the features that are in force in the study's period (the ``[zones]`` table)."""
    settings = project.tables.get("zones")
    if settings is None:
        return project
    layers, notes = active_layers(project.layers, settings)
    return replace(project, layers=layers, warnings=(*project.warnings, *notes))


def explained(project: Project, surface: CostSurface, progress: Progress = silent) -> Study:
    """Raise NoRouteError with the barrier and the least concession of every rule.

    A line may exist all the same, in places and directions that the search's
    grid does not have: it is then measured like any other and returned.
    """
    from corridor.routing.explain import explain_no_route  # slow to import, seldom needed

    way = explain_no_route(project, surface, progress, failing_checks)
    if way.line is None:
        text = str(way.explanation["text"])
        raise NoRouteError(text, way.explanation["reasons"], way.explanation, way.barrier)
    assessment = assess(way.line, project, surface, progress)
    return Study(project, way.line, assessment, surface, notes=("found off the search's grid",))


def failing_checks(project: Project, line: Alignment) -> tuple[Check, ...]:
    """What the assessment finds wrong with a line."""
    return tuple(check for check in assess(line, project).checks if not check.ok)


def permit_zones(
    project: Project,
    alignment: Alignment | None = None,
    progress: Progress = silent,
    *,
    settings: ZoneSettings | None = None,
) -> ZoneStudy:
    """Exclusion zones of the project and, for a line, its permit tables.

    Nothing is written; see :func:`corridor.publish_zones`. `settings` count
    instead of the project's ``[zones]`` table.
    """
    settings = settings or project.tables.get("zones") or ZoneSettings()
    return zone_study(project.layers, project.crs, project.rules, settings, alignment, progress)


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """One round: a line, what was measured on it, and the ground it was found on."""

    alignment: Alignment
    assessment: Assessment
    surface: CostSurface
    search: SearchResult

    @property
    def broken(self) -> int:
        return sum(not check.ok for check in self.assessment.checks)


def verified(project: Project, surface: CostSurface, progress: Progress) -> Study:
    """The best line, measured, with the lower bound of any."""
    with bound_beside(project, surface) as bound_m:
        study = measured_line(project, surface, progress)
        progress("bound", 0.0)
        return bounded(study, bound_m())


def bounded(study: Study, lower_bound_m: float) -> Study:
    """A study with a lower bound of any line's cost."""
    assert study.search is not None
    return replace(study, search=replace(study.search, lower_bound_m=lower_bound_m))


def measured_line(project: Project, surface: CostSurface, progress: Progress) -> Study:
    """Find, measure, tighten; the best line of all rounds when none is clean."""
    best: _Trial | None = None
    notes: list[str] = []
    for number in range(project.rules.breach_rounds + 1):
        try:
            trial = _trial(project, surface, best, progress)
        except NoRouteError:
            if best is None:
                raise
            notes.append(f"round {number + 1}: no other line is left")
            break
        if best is None or trial.broken < best.broken:
            best = trial
        if trial.assessment.ok:
            break
        rules = ", ".join(sorted({check.rule for check in trial.assessment.checks if not check.ok}))
        notes.append(f"round {number + 1}: the finest seabed breaks {rules}; that place was tightened")
        surface = tighten(surface, trial.assessment.breaches)
    assert best is not None
    return Study(project, best.alignment, best.assessment, best.surface, best.search, notes=tuple(notes))


@contextmanager
def bound_beside(project: Project, surface: CostSurface) -> Iterator[Callable[[], float]]:
    """The lower bound of any line, worked out beside what is done meanwhile; asked for, it is waited for.

    It is given up when what is done meanwhile fails.
    """
    stopped = Event()

    def heard(stage: str, share: float) -> None:
        if stopped.is_set():
            raise _Stopped

    with ThreadPoolExecutor(1) as beside:
        bound = beside.submit(
            lower_bound_m, surface, project.rules, project.start, project.end, project.via, heard
        )
        try:
            yield bound.result
        finally:
            stopped.set()


class _Stopped(Exception):
    """Nobody waits for the bound any more."""


def _trial(project: Project, surface: CostSurface, before: _Trial | None, progress: Progress) -> _Trial:
    """Mend the line of the round before where the fit can, else search again; then measure it."""
    if before is not None:
        mended = _fitted(project, before.alignment, surface, progress)
        if mended.feasible:
            assessment = assess(mended.alignment, project, surface, progress)
            if assessment.ok:
                return _Trial(mended.alignment, assessment, surface, before.search)
    found, alignment = find(project, surface, progress)
    return _Trial(alignment, assess(alignment, project, surface, progress), surface, found)


def find(
    project: Project, surface: CostSurface, progress: Progress = silent
) -> tuple[SearchResult, Alignment]:
    """The search's cheapest path, and the best line fitted to it.

    The fit starts from the path with free bends, which follows the ground best
    and leaves it to the fit how many bends are worth their price; only where
    nothing sound comes of that is a path with bends at their price searched.
    """
    rules, ends = project.rules, (project.start, project.end)
    fitter = _fitted if project.via else _best_fitted
    loose = search(surface, replace(rules, bend_cost_m=0.0), *ends, project.via, progress=progress)
    fitted = fitter(project, loose.alignment, surface, progress)
    if fitted.feasible:
        return loose, fitted.alignment
    found = search(surface, rules, *ends, project.via, progress=progress)
    fitted = fitter(project, found.alignment, surface, progress)
    if fitted.feasible and fitted.cost_m <= found.cost_m:
        return found, fitted.alignment
    return found, found.alignment


def _fitted(project: Project, path: Alignment, surface: CostSurface, progress: Progress) -> FitResult:
    """The fit of a path, through the via points where there are any."""
    ends = (project.start, project.end)
    if project.via:
        return fit_via(path, surface, project.rules, *ends, project.via, progress)
    return fit(path, surface, project.rules, *ends, progress=progress)


def _best_fitted(project: Project, path: Alignment, surface: CostSurface, progress: Progress) -> FitResult:
    return best_fit(path, surface, project.rules, project.start, project.end, progress=progress)
