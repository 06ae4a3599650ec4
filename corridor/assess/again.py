"""One line on two seabeds, the second differing from the first in places only.

Three parts of an assessment take time; each is cut down to what can differ:

* The pipe is laid again around the stations where the seabed differs
  (:mod:`corridor.pipe.again`: it says why that is enough, and checks it).
* The gridded ground is only there to price the line: only the cells on the line
  are looked up, on both seabeds (bit for bit as on the whole grid).
* All else, from the profile to the crossings, is a matter of some milliseconds
  for every ten kilometres and done anew: totals and extremes need no care then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.assess.assess import assess
from corridor.assess.spans import bed_under, with_result
from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.project import Project
from corridor.model.results import Assessment
from corridor.pipe.again import Bed, laid_on, lay_again
from corridor.pipe.study import PipeResult
from corridor.progress import Progress, silent
from corridor.routing.geometry import Elements, at_station, elements, stations
from corridor.terrain.cost import cost_surface, search_grid


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """An assessment, and what is needed to bring it up to date with a new seabed.

    Attributes
    ----------
    assessment : Assessment
        The same as :func:`corridor.workflow.assess_line` gives.
    alignment : Alignment
    bed, pipe : Bed, PipeResult, or None where the project describes no pipe.
    """

    assessment: Assessment
    alignment: Alignment
    bed: Bed | None = None
    pipe: PipeResult | None = None


def measure(
    alignment: Alignment, project: Project, before: Measured | None = None, progress: Progress = silent
) -> Measured:
    """Assess a line, the pipe included.

    Parameters
    ----------
    before : Measured, optional
        The same line, pipe and environment on another seabed: where both seabeds are
        the same the pipe is not laid again. The result is the same without it,
        to the tolerances of :mod:`corridor.pipe.again`.
    """
    assessment = _without_pipe(alignment, project, progress)
    pipe, environment = project.pipe, project.environment
    if pipe is None or environment is None:
        return Measured(assessment, alignment)
    bed, unknown = bed_under(assessment, alignment, project)
    radius = project.rules.min_bend_radius_m
    if before is None or before.pipe is None or before.bed is None:
        result = laid_on(bed, pipe, environment, radius, progress)
    else:
        result = lay_again(before.pipe, before.bed, bed, pipe, environment, radius, progress)
    return Measured(with_result(assessment, bed, result, unknown, project), alignment, bed, result)


def _without_pipe(alignment: Alignment, project: Project, progress: Progress) -> Assessment:
    """The assessment with the line priced on the gridded ground, as much of it as the line passes."""
    grid = search_grid(project.seabed, project.rules, project.start)
    surface = cost_surface(project, grid=grid, only=cells_near(elements(alignment), grid), progress=progress)
    assessment = assess(alignment, project, surface, progress)
    if math.isfinite(assessment.cost_m):
        return assessment
    return assess(alignment, project, cost_surface(project, grid=grid, progress=progress), progress)


def cells_near(line: Elements, grid: Grid) -> NDArray[np.bool_]:
    """Cells of a grid that a line passes, and two more on every side (rows, cols)."""
    easting, northing, _ = at_station(line, stations(line, 0.5 * grid.cell_m))
    u, v = grid.to_cells(easting, northing)
    near = np.zeros(grid.shape, dtype=bool)
    for shift_row in range(-2, 3):
        for shift_col in range(-2, 3):
            row = np.floor(v).astype(np.int64) + shift_row
            col = np.floor(u).astype(np.int64) + shift_col
            inside = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
            near[row[inside], col[inside]] = True
    return near
