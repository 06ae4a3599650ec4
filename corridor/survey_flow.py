"""A new survey: gridded and judged, laid over the seabed, and a line assessed before and after."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from corridor.assess.again import measure
from corridor.model.alignment import Alignment
from corridor.model.project import Project
from corridor.model.survey import Declaration, Survey, SurveySettings
from corridor.progress import Progress, silent
from corridor.routing.chainage import station_of
from corridor.routing.geometry import at_station, elements, stations
from corridor.survey.impact import Comparison, compare_assessments
from corridor.survey.study import LinePoints, sampled_alike, sampling_note, study_survey, with_survey
from corridor.workflow import in_force


def add_survey(
    project: Project,
    files: Iterable[str | Path],
    name: str,
    *,
    declared: Declaration | None = None,
    settings: SurveySettings | None = None,
    alignment: Alignment | None = None,
    progress: Progress = silent,
) -> tuple[Survey, Comparison | None]:
    """Grid and judge new soundings, lay them over the seabed, and assess a line before and after.

    The line is assessed after as :func:`corridor.assess_line` would on the new seabed, but its
    pipe is laid again only where that differs (:mod:`corridor.assess.again`). It is
    assessed before at the same stations, those of the finer of the two seabeds, so that
    a difference is one of the seabed and not of the sampling.

    Nothing is written; see :func:`corridor.publish_survey`.
    """
    from corridor.io.soundings import open_soundings  # text and LAS readers load slowly
    from corridor.io.survey_store import TileStore

    settings = settings or project.tables.get("survey") or SurveySettings()
    opened = open_soundings(files, project, declared, progress)
    line = None if alignment is None else _line_points(alignment)
    with TileStore() as store:
        survey = study_survey(project, opened, store, settings, name, line, progress)
    if alignment is None:
        return survey, None
    survey = replace(survey, notes=(*survey.notes, *sampling_note(project, survey)))
    project = in_force(project)
    before = measure(alignment, sampled_alike(project, survey), progress=progress)
    after = measure(alignment, with_survey(project, survey), before, progress)
    return survey, compare_assessments(before.assessment, after.assessment)


def _line_points(alignment: Alignment) -> LinePoints:
    """A line as the survey's study wants it: points every 5 m, and chainage of any position."""
    line = elements(alignment)
    station = stations(line, 5.0)
    easting, northing, _ = at_station(line, station)
    return LinePoints(station, easting, northing, lambda e, n: station_of(line, e, n))
