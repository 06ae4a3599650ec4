"""Options: the story of several distinct lines, each found, fitted, verified and assessed."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

from corridor.assess.spans import with_pipe
from corridor.errors import NoRouteError
from corridor.model.project import Project
from corridor.model.results import CostSurface, Study
from corridor.progress import Progress, silent
from corridor.routing.options import (
    Obstacle,
    chains,
    different,
    largest_obstacle_m,
    pass_graph,
    size_steps,
    walled,
)
from corridor.routing.options_table import Options, option_names
from corridor.terrain.cost import cost_surface
from corridor.workflow import SLOPE_MARGINS, bounded, explained, in_force, measured_line, verified

TRIES_PER_OPTION = 6
"""Chains of passes searched for every option asked for, at each size of obstacle."""

MOST_DEARER = 2.0
"""Lines that cost more than this many times the cheapest are no options."""


def find_options(project: Project, count: int = 4, progress: Progress = silent) -> Options:
    """Up to `count` routes that pass something of size on different sides, the cheapest first.

    The first is the line that :func:`corridor.workflow.route` finds. Large
    obstacles are gone round first; smaller ones only when those do not yield
    enough.

    Raises
    ------
    NoRouteError
        Not even one line obeys the rules.
    """
    project = in_force(project)
    surface, first = _first(project, progress)
    found = [first]
    told: list[Obstacle] = []
    rules = project.rules
    for size in size_steps(rules.min_bend_radius_m, surface.grid.cell_m, largest_obstacle_m(surface)):
        if len(found) >= count:
            break
        graph = pass_graph(surface, project.start, project.end, size)
        told = list(graph.obstacles)
        for tried, chain in enumerate(chains(graph)):
            if tried >= TRIES_PER_OPTION * count or len(found) >= count:
                break
            study = _one(project, walled(graph, chain), progress)
            if study is None or study.assessment.cost_m > MOST_DEARER * first.assessment.cost_m:
                continue
            if all(different(study.alignment, other.alignment, graph.obstacles) for other in found):
                found.append(study)
        progress("options", min(1.0, len(found) / count))
    found = sorted(found, key=lambda study: (study.assessment.cost_m, study.assessment.length_m))
    # Passes that were closed for an option close none for the bound.
    assert first.search is not None
    bound = first.search.lower_bound_m
    finished = tuple(_with_pipe(bounded(study, bound), progress) for study in found)
    notes = () if len(found) >= count else (_fewer(len(found), count),)
    return Options(finished, option_names(len(found)), _telling(finished, told), bound, count, notes)


def _first(project: Project, progress: Progress) -> tuple[CostSurface, Study]:
    for margin in SLOPE_MARGINS:
        surface = cost_surface(project, slope_margin=margin, progress=progress)
        try:
            return surface, verified(project, surface, progress)
        except NoRouteError:
            if margin == SLOPE_MARGINS[-1]:
                return surface, explained(project, surface, progress)
    raise AssertionError("unreachable: the last margin either returns or raises")


def _one(project: Project, surface: CostSurface, progress: Progress) -> Study | None:
    """The best line with some passes closed, when it obeys every rule."""
    try:
        study = measured_line(project, surface, progress)
    except NoRouteError:
        return None
    return study if study.assessment.ok else None


def _with_pipe(study: Study, progress: Progress) -> Study:
    assessment = with_pipe(study.assessment, study.alignment, study.project, progress)
    return replace(study, assessment=assessment)


def _telling(studies: tuple[Study, ...], obstacles: list[Obstacle]) -> tuple[Obstacle, ...]:
    """Obstacles that lie on different sides of at least two of the lines."""
    apart: set[int] = set()
    for a, b in combinations(studies, 2):
        apart.update(different(a.alignment, b.alignment, tuple(obstacles)))
    return tuple(obstacles[k] for k in sorted(apart))


def _fewer(found: int, asked: int) -> str:
    lines = "one distinct route" if found == 1 else f"{found} distinct routes"
    return (
        f"{lines} found, {asked} asked for: every other way round the obstacles is closed by the rules, "
        f"or costs more than {MOST_DEARER:g} times the cheapest line"
    )
