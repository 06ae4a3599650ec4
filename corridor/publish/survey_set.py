"""Everything a survey leaves behind: surfaces, tables, contacts, page, and the new project file."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.assess.cautions import CAUTIONS
from corridor.errors import InputError
from corridor.model.project import Project
from corridor.model.survey import Contact, Region, Survey
from corridor.publish.folder import output_folder
from corridor.publish.geojson import feature, to_degrees, write_geojson
from corridor.publish.provenance import Stamp, stamp
from corridor.publish.summary import write_json
from corridor.publish.survey_files import (
    Band,
    project_text,
    safe_name,
    spoken_write_errors,
    text_beside,
    write_raster,
)
from corridor.publish.survey_page import write_page
from corridor.publish.tables import table_of_rows, write_csv
from corridor.routing.geodesy import to_wgs84
from corridor.survey.impact import Comparison
from corridor.survey.memory import rest

SEABED_FILE = "seabed.tif"

SOURCES = {0: "none", 1: "survey", 2: "gap bridged", 3: "blended with the existing seabed"}
"""Codes in source.tif."""


@dataclasses.dataclass(frozen=True, slots=True)
class SurveySet:
    """Where the survey was written: its folder, and the project file that lists it first."""

    folder: Path
    project_file: Path


def survey_places(project: Project, name: str) -> SurveySet:
    """The folder and the project file a survey of this name will have, beside the project file."""
    plain = safe_name(name)
    file = project.file.resolve()
    return SurveySet(file.parent / f"survey-{plain}", file.with_name(f"{file.stem}-{plain}.toml"))


def check_places(places: SurveySet, project: Project) -> None:
    """Refuse, before any work, a name that would overwrite the project or one of its inputs."""
    if places.project_file == project.file.resolve():
        raise InputError(
            f"{places.project_file.name} is the project itself; choose another name for the survey"
        )
    inputs = {(project.file.resolve().parent / source.file).resolve() for source in project.inputs}
    if any(places.folder in path.parents for path in inputs):
        raise InputError(
            f"{places.folder.name} holds a surface this project already uses; choose another name for "
            "the survey"
        )


def publish_survey(
    survey: Survey,
    project: Project,
    comparison: Comparison | None = None,
    line_m: NDArray[np.float64] | None = None,
) -> SurveySet:
    """Write the survey's folder and the new project file; all of it or nothing.

    Parameters
    ----------
    survey : Survey
    project : Project
        As read; its files are not touched.
    comparison : Comparison, optional
        The line before and after.
    line_m : array (n, 2), optional
        The line on the project grid, for the pictures.
    """
    places = survey_places(project, survey.name)
    check_places(places, project)
    mark = _stamp(project, survey)
    inputs = [(project.file.resolve().parent / source.file) for source in project.inputs]
    text = project_text(
        project.file.read_text(encoding="utf-8"),
        survey.name,
        {
            "file": f"{places.folder.name}/{SEABED_FILE}",
            "values": "depth",
            "vertical_datum": project.vertical_datum,
            "uncertainty": "band",
        },
    )
    with text_beside(places.project_file, text), output_folder(places.folder, inputs) as folder:
        _rasters(folder, survey)
        with spoken_write_errors(places.folder):
            _tables(folder, survey, project.crs, mark)
            content = report(survey, mark, comparison)
            write_json(folder / "survey.json", content)
            write_page(folder / "survey.html", survey, content, line_m)
        _rest(survey)
    return places


def _stamp(project: Project, survey: Survey) -> Stamp:
    own = tuple((census.name, census.sha256) for census in survey.files)
    mark = stamp(project)
    return dataclasses.replace(mark, inputs=(*mark.inputs, *own))


def _rasters(folder: Path, survey: Survey) -> None:
    surface, merged = survey.surface, survey.merged
    write_raster(
        folder / SEABED_FILE,
        merged.grid,
        {"depth_m": merged.depth_m, "uncertainty_95_m": merged.uncertainty_m},
        np.nan,
    )
    write_raster(folder / "source.tif", merged.grid, {"source": merged.source}, 0, "MODE")
    layers: dict[str, Band] = {
        "soundings": lambda rows: surface.count[rows].astype(np.float32),
        "rejected": lambda rows: surface.rejected[rows].astype(np.float32),
        "shoalest_m": surface.shoalest_m,
        "deepest_m": surface.deepest_m,
        "spread_m": surface.spread_m,
    }
    if surface.line_difference_m is not None:
        layers["line_difference_m"] = surface.line_difference_m
    write_raster(folder / "statistics.tif", surface.grid, layers, np.nan)
    _rest(survey)

    def shown(rows: slice) -> NDArray[np.float32]:
        return np.where(survey.significant[rows], survey.change_m[rows], np.float32(np.nan))

    write_raster(
        folder / "change.tif",
        surface.grid,
        {"change_m": survey.change_m, "beyond_95_percent_m": shown},
        np.nan,
    )


def _rest(survey: Survey) -> None:
    """Of a large survey: what the surface's arrays take in memory, until they are used again."""
    surface = survey.surface
    rest(surface.count, surface.rejected, surface.passes, surface.line_difference_m)
    rest(surface.depth_m, surface.shoalest_m, surface.deepest_m, surface.spread_m, surface.uncertainty_m)


def _tables(folder: Path, survey: Survey, crs: str, mark: Stamp) -> None:
    contacts = contact_rows(survey.contacts, crs)
    write_csv(folder / "contacts.csv", "contacts", table_of_rows(contacts, CONTACT_COLUMNS))
    for name, chosen in (
        ("contacts", survey.new_objects),
        ("known_contacts", [c for c in survey.contacts if c.kind == "object" and c.status == "known"]),
        ("pits", [c for c in survey.contacts if c.kind == "pit"]),
    ):
        rows = contact_rows(chosen, crs)
        _features(folder / f"{name}.geojson", [c.geometry for c in chosen], rows, crs, mark)
    for name, regions in (("holes", survey.quality.holes), ("changes", survey.changes)):
        rows = region_rows(regions)
        _features(folder / f"{name}.geojson", [region.geometry for region in regions], rows, crs, mark)
    columns = ("kind", "area_m2", "easting_m", "northing_m", *CHANGE_FIGURES)
    write_csv(folder / "changes.csv", "changes", table_of_rows(region_rows(survey.changes), columns))
    write_csv(folder / "quality.csv", "quality", table_of_rows(quality_rows(survey), QUALITY_COLUMNS))
    write_csv(folder / "rejected.csv", "rejected", survey.rejected)


def _features(
    path: Path,
    geometries: Iterable[shapely.Geometry],
    rows: Iterable[Mapping[str, Any]],
    crs: str,
    mark: Stamp,
) -> None:
    features = (feature(to_degrees(shape, crs), row) for shape, row in zip(geometries, rows, strict=True))
    write_geojson(path, features, mark)


CONTACT_COLUMNS = (
    "name", "kind", "status", "known_as", "known_distance_m", "kp_km", "offset_m",
    "easting_m", "northing_m", "latitude_deg", "longitude_deg", "length_m",
    "width_m", "bearing_deg", "height_m", "height_uncertainty_m",
    "size_uncertainty_m", "least_depth_m", "seabed_depth_m", "soundings",
)  # fmt: skip
CHANGE_FIGURES = ("mean_change_m", "extreme_change_m", "volume_m3", "volume_uncertainty_m3", "cells")
QUALITY_COLUMNS = ("order", "criterion", "value", "limit", "unit", "ok", "detail")


def contact_rows(contacts: Iterable[Contact], crs: str) -> list[dict[str, Any]]:
    """Contacts as rows of contacts.csv."""
    rows = []
    for contact in contacts:
        longitude, latitude = (
            float(np.ravel(v)[0])
            for v in to_wgs84(crs, np.array([contact.easting_m]), np.array([contact.northing_m]))
        )
        place = {"longitude_deg": longitude, "latitude_deg": latitude}
        rows.append(
            {name: _rounded(name, place.get(name, getattr(contact, name, None))) for name in CONTACT_COLUMNS}
        )
    return rows


def region_rows(regions: Iterable[Region]) -> list[dict[str, Any]]:
    """Holes or areas of change as rows."""
    return [
        {
            name: _rounded(name, value)
            for name, value in {
                "kind": region.kind,
                "area_m2": region.area_m2,
                "easting_m": region.easting_m,
                "northing_m": region.northing_m,
                **region.figures,
            }.items()
        }
        for region in regions
    ]


def quality_rows(survey: Survey) -> list[dict[str, Any]]:
    """Every criterion of every order."""
    return [
        {"order": result.order, **dataclasses.asdict(check)}
        for result in survey.quality.orders
        for check in result.checks
    ]


def _rounded(name: str, value: Any) -> Any:
    if not isinstance(value, float):
        return value
    if not np.isfinite(value):
        return None
    places = 9 if name.endswith("titude_deg") or name == "longitude_deg" else 6 if name == "kp_km" else 3
    return round(value, places) + 0.0


def report(survey: Survey, mark: Stamp, comparison: Comparison | None) -> dict[str, Any]:
    """survey.json: every figure of the survey, plain values."""
    quality, surface = survey.quality, survey.surface
    soundings = int(surface.count.sum(dtype=np.int64))
    rejected = int(surface.rejected.sum(dtype=np.int64))
    return {
        "survey": survey.name,
        "status": "ok" if quality.ok else "order not met",
        "order_required": quality.order_required,
        "order_met": quality.order_met,
        "next_order": quality.next_order,
        "holds_back": [dataclasses.asdict(check) for check in quality.holds_back],
        "cell_m": surface.grid.cell_m,
        "cell_reason": survey.cell_reason,
        "estimator": survey.settings.estimator,
        "uncertainty": surface.uncertainty_note,
        "soundings": soundings,
        "rejected": rejected,
        "rejected_percent": 100.0 * rejected / max(soundings + rejected, 1),
        "outlier_rule": outlier_rule(survey),
        "coverage_percent": quality.coverage_percent,
        "outline_area_m2": quality.outline_area_m2,
        "density_per_m2": quality.density_per_m2,
        "holes": quality.holes_total,
        "cells_filled": int((surface.state == 2).sum()),
        "overlap": quality.overlap,
        "line_agreement": quality.line_agreement,
        "lines": list(quality.lines),
        "orders": quality_rows(survey),
        "files": [{name: getattr(census, name) for name in CENSUS_FIELDS} for census in survey.files],
        "edge": survey.merged.edge,
        "sources": {str(code): text for code, text in SOURCES.items()},
        "changes": region_rows(survey.changes),
        "contacts": contact_rows(survey.contacts, mark.crs),
        "new_contacts": len(survey.new_objects),
        "affected_km": [list(pair) for pair in survey.affected_km],
        "line": None if comparison is None else dataclasses.asdict(comparison),
        "notes": list(survey.notes),
        "cautions": list(CAUTIONS),
        "settings": survey.settings,
        **mark.as_dict(),
    }


CENSUS_FIELDS = (
    "name", "sha256", "kind", "read", "kept", "not_finite", "absurd", "outside", "shoalest_m",
    "deepest_m", "notes",
)  # fmt: skip


def outlier_rule(survey: Survey) -> str:
    """The rule by which soundings were rejected, in words."""
    settings = survey.settings
    floor = (
        f"half the TVU of order {settings.order}"
        if settings.outlier_floor_m is None
        else f"{settings.outlier_floor_m:g} m"
    )
    return (
        f"a sounding is rejected when it lies farther from the median of its 3 x 3 cells (slope taken off) "
        f"than {settings.outlier_factor:g} robust standard deviations and than {floor}, and fewer than "
        f"{settings.outlier_support} other soundings there lie as far"
    )
