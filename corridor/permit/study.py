"""One call from layers, and a line where there is one, to everything that is published about zones."""

from __future__ import annotations

from collections.abc import Sequence

from corridor.model.alignment import Alignment
from corridor.model.layers import Layer
from corridor.model.permit import Reference, Zone, ZoneSettings, ZoneStudy
from corridor.model.results import Table
from corridor.model.rules import RouteRules
from corridor.permit.conditions import condition_table
from corridor.permit.line_tables import (
    approach_table,
    corridor_of,
    jurisdiction_table,
    overlap_table,
    party_table,
    stretch_table,
)
from corridor.permit.zones import make_references, make_zones
from corridor.progress import Progress, silent
from corridor.routing.geometry import elements


def zone_study(
    layers: Sequence[Layer],
    crs: str,
    rules: RouteRules,
    settings: ZoneSettings,
    alignment: Alignment | None = None,
    progress: Progress = silent,
) -> ZoneStudy:
    """Zones of `layers` and, for a line, its permit tables.

    Parameters
    ----------
    layers : sequence of Layer
        All layers of the project, in and out of force.
    crs : str
        Project CRS.
    rules : RouteRules
    settings : ZoneSettings
    alignment : Alignment, optional
    progress : Progress
    """
    zones, left_out, notes = make_zones(layers, crs, rules, settings, progress)
    references, more_left_out = make_references(layers, settings)
    if settings.period is None and any(zone.season or zone.valid_from or zone.valid_to for zone in zones):
        notes += ("no study_date or laying_season is set: zones with seasons or dates count as in force",)
    study = ZoneStudy(
        crs=crs,
        settings=settings,
        zones=zones,
        references=references,
        left_out=(*left_out, *more_left_out),
        notes=notes,
    )
    if alignment is None:
        return study
    return _with_line(study, layers, rules, alignment, progress)


def _with_line(
    study: ZoneStudy, layers: Sequence[Layer], rules: RouteRules, alignment: Alignment, progress: Progress
) -> ZoneStudy:
    line = elements(alignment)
    corridor = corridor_of(study.crs, line, study.settings.working_corridor_m)
    zones: tuple[Zone, ...] = study.zones
    references: tuple[Reference, ...] = study.references
    angles = {layer.name: layer.min_angle_deg for layer in layers if layer.rule == "cross"}
    progress("permit tables", 0.0)
    tables: dict[str, Table] = {
        "stretches": stretch_table(line, zones),
        "jurisdiction": jurisdiction_table(line, references),
        "overlap": overlap_table(study.crs, corridor, zones),
        "approach": approach_table(study.crs, line, zones, rules.proximity_m),
        "parties": party_table(study.crs, line, zones, references, angles),
    }
    tables["conditions"] = condition_table(line, zones, references, tables, rules, study.settings)
    progress("permit tables", 1.0)
    return ZoneStudy(
        crs=study.crs,
        settings=study.settings,
        zones=zones,
        references=references,
        alignment=alignment,
        corridor=corridor,
        tables=tables,
        left_out=study.left_out,
        notes=(
            *study.notes,
            f"nearest approaches are listed up to {rules.proximity_m:g} m from the line (proximity_m)",
        ),
    )
