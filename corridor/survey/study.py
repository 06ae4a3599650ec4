"""One survey from its files to what it means: the steps, in order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from corridor.errors import SeabedError
from corridor.model.grid import Grid
from corridor.model.project import Project
from corridor.model.seabed import Seabed, Surface
from corridor.model.survey import SoundingFile, Survey, SurveySettings
from corridor.progress import Progress, silent
from corridor.survey import change, contacts, contradictions, merge, quality
from corridor.survey.collect import Collected, Store, check_screened, collect
from corridor.survey.contacts import StationOf
from corridor.survey.existing import existing_on
from corridor.survey.gridding import Gridded, grid_for, grid_tiles
from corridor.survey.impact import affected_ranges
from corridor.survey.s44 import TVU, feature_size_m
from corridor.survey.tiles import SOUNDINGS_PER_CELL, propose_cell

REGION_SHARE = 0.5
"""Soundings count as inside the project up to this share of its size beyond its seabed."""


@dataclass(frozen=True, slots=True, eq=False)
class LinePoints:
    """The line as the survey needs it.

    Attributes
    ----------
    station_m, easting_m, northing_m : array (n,), m
        Points along it in order, a few metres apart.
    station_of : callable
        (easting, northing) -> (station m, offset m).
    """

    station_m: NDArray[np.float64]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    station_of: StationOf


def study_survey(
    project: Project,
    files: Sequence[SoundingFile],
    store: Store,
    settings: SurveySettings,
    name: str,
    line: LinePoints | None = None,
    progress: Progress = silent,
) -> Survey:
    """Grid the soundings, judge them, lay them over the seabed, say what changed and what is new.

    Nothing is read but through `files`, nothing written but into `store`.

    Parameters
    ----------
    project : Project
    files : sequence of SoundingFile
        See :func:`corridor.io.soundings.open_soundings`.
    store : Store
        See :class:`corridor.io.survey_store.TileStore`.
    settings : SurveySettings
    name : str
        What the survey is called.
    line : LinePoints, optional
        The line to report KPs on.

    Raises
    ------
    SeabedError
        Unusable soundings, or soundings that contradict the existing seabed.
    """
    collected = collect(files, store, settings, project.crs, _region(project), progress)
    census = {entry.sha256: entry for entry in collected.files}
    notes = contradictions.check([(file, census[file.sha256]) for file in files], project.seabed, settings)
    check_screened(collected.files, settings)
    gridded, reason = _grid(files, collected, store, settings, project.crs, progress)
    surface = gridded.surface
    store.rest()
    # In an order that keeps few rasters alive at once: a large survey's are what fills the memory.
    found = contacts.find(
        surface,
        quality.noise_level(surface),
        contacts.local_surface(surface, settings, progress),
        settings,
        project.layers,
        line.station_of if line is not None else None,
    )
    store.rest()
    existing = existing_on(project.seabed, surface.grid, settings, progress)
    notes = (*notes, *existing.notes, *_uncertainty_notes(files), *_rejection_notes(gridded))
    judged = quality.judge(surface, existing, gridded.lines, settings, notes)
    store.rest()
    changed = change.difference(surface, existing)
    significant = change.beyond_doubt(changed, surface, existing)
    store.rest()
    areas = change.areas(changed, significant, surface, existing, settings, found)
    ranges: tuple[tuple[float, float], ...] = ()
    if line is not None:
        shapes = [region.geometry for region in areas] + [c.geometry for c in found if c.status == "new"]
        ranges = affected_ranges(
            shapes, line.station_m, line.easting_m, line.northing_m, settings.impact_margin_m
        )
    merged = merge.merge(surface, existing, settings)
    store.rest()
    return Survey(
        name=name,
        settings=settings,
        files=collected.files,
        surface=surface,
        cell_reason=reason,
        quality=judged,
        merged=merged,
        change_m=changed,
        significant=significant,
        changes=areas,
        contacts=found,
        affected_km=ranges,
        rejected=gridded.rejected,
        notes=notes,
    )


def with_survey(project: Project, survey: Survey) -> Project:
    """The project with the survey's surface on top of its seabed: what the new project file reads as.

    The old project stays as it is; an assessment of a line on both says what
    the survey means for it (:func:`corridor.survey.impact.compare_assessments`).
    """
    merged = survey.merged
    top = Surface(f"survey {survey.name}", merged.grid, merged.depth_m, merged.uncertainty_m)
    seabed = Seabed((top, *project.seabed.surfaces), project.seabed.vertical_datum)
    return replace(project, seabed=seabed)


def sampled_alike(project: Project, survey: Survey) -> Project:
    """The project with its seabed as it is, to be looked at as closely as :func:`with_survey`'s.

    A line is measured at the spacing of the finest surface. One of the merged
    surface's cells that holds no depth makes that the same for both, and changes no depth.
    """
    grid = project.seabed.surfaces[0].grid
    cell = min(survey.merged.grid.cell_m, grid.cell_m)
    nowhere = Grid(1, 1, grid.west_m, grid.north_m, cell, grid.crs)
    blank = Surface(
        f"survey {survey.name}", nowhere, np.full((1, 1), np.nan, np.float32), TVU[survey.settings.order]
    )
    seabed = Seabed((blank, *project.seabed.surfaces), project.seabed.vertical_datum)
    return replace(project, seabed=seabed)


def sampling_note(project: Project, survey: Survey) -> tuple[str, ...]:
    """A note where :func:`sampled_alike` measures the line more closely than the project by itself."""
    old, new = project.seabed.finest_cell_m, survey.merged.grid.cell_m
    if new >= old * (1.0 - 1e-9):
        return ()
    return (
        f"the line was measured every {new:g} m on both seabeds, so that they compare; an assessment of the "
        f"old one by itself measures every {old:g} m and may differ a little from the figures before",
    )


def _region(project: Project) -> tuple[float, float, float, float]:
    west, south, east, north = project.seabed.bounds_m
    margin = REGION_SHARE * max(east - west, north - south)
    return west - margin, south - margin, east + margin, north + margin


def _grid(
    files: Sequence[SoundingFile],
    collected: Collected,
    store: Store,
    settings: SurveySettings,
    crs: str,
    progress: Progress,
) -> tuple[Gridded, str]:
    if collected.plan is None:
        raise SeabedError("no sounding can be used: the files hold none inside the project")
    own = files[0] if len(files) == 1 and files[0].kind == "grid" else None
    counted = not all(file.kind == "grid" for file in files)
    anchor = (0.0, 0.0)
    if settings.cell_m is not None:
        cell, reason = settings.cell_m, f"{settings.cell_m:g} m, as given"
    elif own is not None and own.crs == crs and own.cell_m is not None:
        cell, anchor = own.cell_m, own.anchor_m or anchor
        reason = f"{cell:g} m, the grid's own"
    elif collected.kept < SOUNDINGS_PER_CELL:
        raise SeabedError(
            f"only {collected.kept} sounding(s) inside the project: no cell size can be proposed from "
            f"fewer than {SOUNDINGS_PER_CELL:g}; give cell_m, or more soundings"
        )
    else:
        depth = _median_depth(files, collected)
        feature = float(feature_size_m(settings.order, depth))
        cell, reason = propose_cell(collected.density_per_m2, depth, feature, collected.plan.largest_cell_m)
    grid = grid_for(collected, cell, crs, anchor, settings.max_cells)
    return grid_tiles(store, collected, grid, settings, counted, progress), reason


def _median_depth(files: Sequence[SoundingFile], collected: Collected) -> float:
    by_hash = {file.sha256: file for file in files}
    depths = []
    for census in collected.files:
        file = by_hash[census.sha256]
        depths.append(file.sign * file.unit_m * census.sample[:, 2] + file.offset_m)
    return float(np.median(np.concatenate(depths)))


def _uncertainty_notes(files: Sequence[SoundingFile]) -> tuple[str, ...]:
    with_it = [file.name for file in files if file.has_uncertainty]
    if len(with_it) in (0, len(files)):
        return ()
    return (f"the uncertainties in {', '.join(with_it)} were not used: the other files have none",)


def _rejection_notes(gridded: Gridded) -> tuple[str, ...]:
    surface = gridded.surface
    rejected = int(surface.rejected.sum(dtype=np.int64))
    total = int(surface.count.sum(dtype=np.int64)) + rejected
    if not rejected:
        return ()
    listed = len(gridded.rejected["depth_m"])
    note = f"{rejected} of {total} soundings ({100.0 * rejected / total:.3g} %) were rejected as outliers"
    if listed < rejected and not math.isclose(listed, rejected):
        note += f"; the first {listed} are listed one by one"
    return (note,)
