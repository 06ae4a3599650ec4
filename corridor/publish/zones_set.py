"""All files about zones as one set: what `corridor zones` leaves behind."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np

from corridor.errors import SettingError
from corridor.model.permit import ZoneStudy
from corridor.model.project import Project
from corridor.progress import Progress, silent
from corridor.publish.folder import output_folder
from corridor.publish.provenance import Stamp, stamp
from corridor.publish.publish import project_inputs
from corridor.publish.tables import rows
from corridor.publish.zones_csv import write_permit_tables, write_zone_list, write_zone_vertices
from corridor.publish.zones_geojson import write_zones_geojson
from corridor.publish.zones_gpkg import write_zones_geopackage
from corridor.publish.zones_kml import write_zones_kml
from corridor.publish.zones_page import write_zones_page
from corridor.publish.zones_rows import ALL_CAUTIONS, harmless, outline_degrees
from corridor.publish.zones_sheet import write_zones_sheet

FORMATS = ("geojson", "gpkg", "kml", "csv", "html", "pdf")


def publish_zones(
    study: ZoneStudy,
    project: Project,
    folder: str | Path,
    *,
    formats: Iterable[str] = FORMATS,
    inputs: Iterable[str | Path] = (),
    progress: Progress = silent,
) -> dict[str, Any]:
    """Write everything about zones; the folder appears or is replaced as a whole.

    Parameters
    ----------
    study : ZoneStudy
        What :func:`corridor.workflow.permit_zones` found.
    project : Project
        As read: its name, revision and inputs stand on every file.
    folder : path
        An older set in it is kept beside it as ``<folder>.previous``.
    formats : iterable of str
        Some of ``geojson, gpkg, kml, csv, html, pdf``; all by default.
    inputs : iterable of path
        Files the run read besides those of the project.

    Returns
    -------
    dict
        What ``zones_summary.json`` holds.

    Raises
    ------
    SettingError
        A format that is not known.
    InputError
        A folder that must not be replaced.
    """
    wanted = tuple(formats)
    unknown = [name for name in wanted if name not in FORMATS]
    if unknown or not wanted:
        named = ", ".join(map(repr, unknown)) or "none"
        raise SettingError(f"format must be one of {', '.join(FORMATS)} (got {named})")
    marks = stamp(project)
    with output_folder(folder, [*project_inputs(project), *inputs]) as fresh:
        return write_zone_set(fresh, study, marks, wanted, progress)


def write_zone_set(
    folder: Path,
    study: ZoneStudy,
    marks: Stamp,
    formats: Iterable[str] = FORMATS,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Write the files of some formats, and the summary, into an existing folder; the summary."""
    wanted = [name for name in FORMATS if name in set(formats)]
    degrees = outline_degrees(study) if {"geojson", "kml"} & set(wanted) else np.empty(0, dtype=object)
    writers: dict[str, Callable[[], object]] = {
        "geojson": lambda: write_zones_geojson(folder / "zones.geojson", study, marks, degrees),
        "gpkg": lambda: write_zones_geopackage(folder / "zones.gpkg", study, marks),
        "kml": lambda: write_zones_kml(folder / "zones.kml", study, marks, degrees),
        "csv": lambda: _write_tables(folder, study),
        "html": lambda: write_zones_page(folder / "zones.html", study, marks),
        "pdf": lambda: write_zones_sheet(folder / "zones.pdf", study, marks),
    }
    for done, name in enumerate(wanted):
        progress(f"writing zones.{name}", done / len(wanted))
        writers[name]()
    content = zone_summary(study, marks)
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=2)
    (folder / "zones_summary.json").write_text(text + "\n", encoding="utf-8")
    progress("writing zones", 1.0)
    return content


def _write_tables(folder: Path, study: ZoneStudy) -> None:
    write_zone_vertices(folder / "zones.csv", study)
    write_zone_list(folder / "zones_list.csv", study)
    write_permit_tables(folder, study)


def zone_summary(study: ZoneStudy, marks: Stamp) -> dict[str, Any]:
    """What came out, in short, for machines: counts, conditions, notes, cautions."""
    conditions = rows(study.tables["conditions"]) if "conditions" in study.tables else []
    by_rule = {
        rule: {
            "zones": sum(zone.rule == rule for zone in study.zones),
            "in_force": sum(zone.rule == rule and zone.active for zone in study.zones),
        }
        for rule in ("avoid", "discourage")
    }
    return {
        **marks.as_dict(),
        "zones": by_rule,
        "conditions": conditions,
        "conditions_hold": all(entry["yes"] for entry in conditions) if conditions else None,
        "notes": [harmless(note) for note in study.notes],
        "columns_left_out": [[harmless(part) for part in entry] for entry in study.left_out],
        "cautions": list(ALL_CAUTIONS),
    }
