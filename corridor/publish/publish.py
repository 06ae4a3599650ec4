"""Write the whole set of a study, or of a search that found no line, into a folder."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

from corridor.model.project import Project
from corridor.model.results import Assessment, Study
from corridor.progress import Progress, silent
from corridor.publish.dxf import write_dxf
from corridor.publish.folder import output_folder
from corridor.publish.geojson import (
    feature,
    point_features,
    route_features,
    span_features,
    to_degrees,
    write_geojson,
)
from corridor.publish.geopackage import write_geopackage
from corridor.publish.kml import write_kml
from corridor.publish.map import write_map
from corridor.publish.no_route_page import no_route_page
from corridor.publish.provenance import Stamp, stamp
from corridor.publish.summary import json_ready, no_route_summary, summary, write_json
from corridor.publish.tables import write_csv
from corridor.publish.xlsx import write_xlsx

Extra = Callable[[Study, Path, Stamp], None]
"""Writes further files of a study into the folder that is being filled."""

_OPTIONAL = {"route.dxf": "ezdxf", "listings.xlsx": "openpyxl"}


def publish_study(
    study: Study,
    folder: str | Path,
    *,
    inputs: Iterable[str | Path] = (),
    allowed: Iterable[str | Path] = (),
    others: Mapping[str, Assessment] | None = None,
    extras: Iterable[Extra] = (),
    command: str = "",
    progress: Progress = silent,
) -> dict[str, Any]:
    """Write every file of `study`; the folder appears or is replaced as a whole.

    Parameters
    ----------
    study : Study
    folder : path
    inputs : iterable of path
        Files the run read besides those of the project.
    allowed : iterable of path
        Inputs that may lie in the folder (see :func:`corridor.publish.folder.output_folder`).
    others : mapping of name -> Assessment, optional
        Assessments of ``study.others``, for the map.
    extras : iterable of callable
        Further writers (sheets, ...), each called with the study, the folder
        being filled and the stamp.
    command : str
        The command as it was typed, for the reader of the report who wants to repeat it.
    progress : Progress

    Returns
    -------
    dict
        What ``summary.json`` holds.

    Raises
    ------
    InputError
        When the folder must not be replaced; nothing was written.
    """
    project = study.project
    marks = stamp(project)
    study = replace(study, notes=(*study.notes, *_absent_libraries()))
    content = json_ready(summary(study, marks))
    steps = [*_writers(study, others, command), *extras]
    with output_folder(folder, [*project_inputs(project), *inputs], allowed) as fresh:
        for number, write in enumerate(steps):
            progress("writing files", number / len(steps))
            write(study, fresh, marks)
        write_json(fresh / "summary.json", content)
    progress("writing files", 1.0)
    return content


def publish_no_route(
    project: Project,
    explanation: Mapping[str, Any],
    folder: str | Path,
    *,
    barrier: Iterable[tuple[BaseGeometry, Mapping[str, Any]]] = (),
    inputs: Iterable[str | Path] = (),
    allowed: Iterable[str | Path] = (),
) -> dict[str, Any]:
    """Write ``no_route.json``, ``no_route.geojson`` and ``no_route.html`` in place of a line.

    Parameters
    ----------
    explanation : mapping
        Members of ``no_route.json``: ``reasons`` (each with ``easting_m,
        northing_m`` where it has a place), ``cannot_help``, ``text``, ...
    barrier : iterable of (geometry, properties)
        Shapes in the project CRS that show why: pinches, closed ground.

    Returns
    -------
    dict
        What ``no_route.json`` holds.
    """
    marks = stamp(project)
    content = json_ready(no_route_summary(explanation, project.settings, marks))
    with output_folder(folder, [*project_inputs(project), *inputs], allowed) as fresh:
        write_json(fresh / "no_route.json", content)
        barrier = list(barrier)
        features = [*_ends(project), *_reasons(project, content["reasons"])]
        for shape, properties in barrier:
            known = json_ready({"kind": "barrier", **properties})
            features.append(feature(to_degrees(shape, project.crs), known))
        write_geojson(fresh / "no_route.geojson", features, marks, status="no route")
        page = no_route_page(project, content, barrier, marks)
        (fresh / "no_route.html").write_text(page, encoding="utf-8")
    return content


def project_inputs(project: Project) -> list[Path]:
    """The project file and everything it was read from, as paths."""
    base = project.file.parent
    return [project.file, *(base / source.file for source in project.inputs)]


def _writers(study: Study, others: Mapping[str, Assessment] | None, command: str) -> list[Extra]:
    """Everything but the summary, one function per file or family of files."""
    from corridor.publish.report import report_writer  # its drawings load matplotlib

    def write_page(study: Study, fresh: Path, marks: Stamp) -> None:
        write_map(fresh / "map.html", study, marks, others)

    writers: list[Extra] = [_tables, _geojson, _package, _earth]
    if _present("ezdxf"):
        writers.append(_drawing)
    if _present("openpyxl"):
        writers.append(_listings)
    return [*writers, write_page, report_writer(command)]


def _package(study: Study, fresh: Path, marks: Stamp) -> None:
    write_geopackage(fresh / "route.gpkg", study, marks)


def _earth(study: Study, fresh: Path, marks: Stamp) -> None:
    write_kml(fresh / "route.kml", study, marks)


def _drawing(study: Study, fresh: Path, marks: Stamp) -> None:
    write_dxf(fresh / "route.dxf", study, marks)


def _listings(study: Study, fresh: Path, marks: Stamp) -> None:
    write_xlsx(fresh / "listings.xlsx", study, marks)


def _tables(study: Study, fresh: Path, marks: Stamp) -> None:
    assessed = study.assessment
    named = {
        "alignment": assessed.points,
        "setting_out": assessed.setting_out,
        "chainage": assessed.chainage,
        "profile": assessed.profile,
        "crossings": assessed.crossings,
        "spans": assessed.spans,
        "supports": assessed.supports,
        "proximity": assessed.proximity,
        "cost_by_kp": assessed.cost_by_kp,
    }
    for name, table in named.items():
        if table:
            write_csv(fresh / f"{name}.csv", name, table)


def _geojson(study: Study, fresh: Path, marks: Stamp) -> None:
    assessed, line = study.assessment, study.alignment
    write_geojson(fresh / "route.geojson", route_features(line, assessed.points, assessed.length_m), marks)
    write_geojson(fresh / "chainage.geojson", point_features(assessed.chainage), marks)
    write_geojson(fresh / "crossings.geojson", point_features(assessed.crossings), marks)
    if assessed.spans is not None:
        write_geojson(fresh / "spans.geojson", span_features(assessed.spans, line), marks)


def _ends(project: Project) -> list[dict[str, Any]]:
    places = [("START", project.start), *(("via", end) for end in project.via), ("END", project.end)]
    return [
        feature(to_degrees(shapely.Point(end.easting, end.northing), project.crs), {"kind": kind})
        for kind, end in places
    ]


def _reasons(project: Project, reasons: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """One feature per reason, without geometry where it has no place."""
    features = []
    for reason in reasons:
        easting, northing = reason.get("easting_m"), reason.get("northing_m")
        placed = easting is not None and northing is not None
        point = to_degrees(shapely.Point(easting, northing), project.crs) if placed else None
        features.append(feature(point, {"kind": "reason", **reason}))
    return features


def _present(library: str) -> bool:
    return importlib.util.find_spec(library) is not None


def _absent_libraries() -> list[str]:
    return [
        f"{file} was not written: the package {library} is not installed"
        for file, library in _OPTIONAL.items()
        if not _present(library)
    ]
