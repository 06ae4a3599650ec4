"""zones.gpkg: zones and everything about them in the project CRS, with styles and provenance."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.permit import ZONE_RULES, ZoneStudy
from corridor.publish.features import FeatureTable
from corridor.publish.geopackage import add_styles, describe_tables, provenance_table, write_table
from corridor.publish.lines import polyline
from corridor.publish.provenance import Stamp
from corridor.publish.styles import layer_style
from corridor.publish.tables import table_of_rows
from corridor.publish.zones_rows import ALL_CAUTIONS, TABLE_TITLES, attributes_text, harmless, zone_table

RULE_TABLES = {"avoid": "zones_keep_out", "discourage": "zones_discouraged"}


def write_zones_geopackage(path: Path, study: ZoneStudy, stamp: Stamp) -> None:
    """Write zones by rule, their source features, assets, jurisdictions, the line and the permit tables."""
    tables = [*_zone_tables(study), *_reference_tables(study), *_line_tables(study), *_plain_tables(study)]
    styles, titles = [], {}
    for name, table in tables:
        write_table(path, name, table, study.crs)
        titles[name] = table.name
        if table.geometry is not None:
            styles.append((name, *layer_style(table)))
    write_table(path, "provenance", provenance_table(stamp), study.crs)
    with closing(sqlite3.connect(path)) as database, database:
        add_styles(database, styles, stamp)
        describe_tables(database, titles, stamp)


def _zone_tables(study: ZoneStudy) -> list[tuple[str, FeatureTable]]:
    tables = []
    for rule in ZONE_RULES:
        chosen = [zone for zone in study.zones if zone.rule == rule]
        outline = _objects([zone.outline for zone in chosen])
        with_area = shapely.get_dimensions(outline) == 2
        for ending, title, index in (
            ("", f"Zones: {rule}", np.flatnonzero(with_area)),
            ("_without_area", f"Zones without area: {rule}", np.flatnonzero(~with_area)),
        ):
            if len(index):
                columns = zone_table([chosen[i] for i in index])
                shapes = outline[index] if ending else _multi(outline[index])
                tables.append(
                    (RULE_TABLES[rule] + ending, FeatureTable(title, f"layer:{rule}", columns, shapes))
                )
    if study.zones:
        columns = {name: zone_table(study.zones)[name] for name in ("zone", "id", "layer", "feature", "rule")}
        source = _objects([zone.source for zone in study.zones])
        tables.append(
            ("zone_sources", FeatureTable("Features the zones are about", "layer:avoid", columns, source))
        )
    return tables


def _multi(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """All as MultiPolygon: one geometry type in a table."""
    return _objects(
        [shape if shape.geom_type == "MultiPolygon" else shapely.MultiPolygon([shape]) for shape in shapes]
    )


def _reference_tables(study: ZoneStudy) -> list[tuple[str, FeatureTable]]:
    tables = []
    for rule, name, title in (
        ("cross", "assets", "Assets that may be crossed"),
        ("stay_within", "stay_within", "Ground to stay within"),
        ("jurisdiction", "jurisdictions", "Jurisdictions"),
    ):
        chosen = [item for item in study.references if item.rule == rule]
        if chosen:
            rows = [
                {
                    "layer": harmless(item.layer),
                    "feature": harmless(item.feature),
                    "owner": harmless(item.owner),
                    "attributes": attributes_text(item.attributes),
                }
                for item in chosen
            ]
            columns = table_of_rows(rows, ("layer", "feature", "owner", "attributes"))
            shapes = _objects([item.geometry for item in chosen])
            tables.append((name, FeatureTable(title, f"layer:{rule}", columns, shapes)))
    return tables


def _line_tables(study: ZoneStudy) -> list[tuple[str, FeatureTable]]:
    if study.alignment is None:
        return []
    name = {"name": np.array(["line"], dtype=object)}
    width = {"width_m": np.array([study.settings.working_corridor_m])}
    line = _objects([shapely.LineString(polyline(study.alignment).grid)])
    return [
        ("centreline", FeatureTable("Line", "route", name, line)),
        (
            "working_corridor",
            FeatureTable("Working corridor", "layer:jurisdiction", width, _objects([study.corridor])),
        ),
    ]


def _plain_tables(study: ZoneStudy) -> list[tuple[str, FeatureTable]]:
    tables = [
        (f"permit_{name}", FeatureTable(TABLE_TITLES.get(name, name), "", table, None))
        for name, table in study.tables.items()
        if len(next(iter(table.values())))
    ]
    words = [("caution", text) for text in ALL_CAUTIONS] + [("note", harmless(text)) for text in study.notes]
    words += [
        ("column left out", harmless(f"{layer}: {column}: {why}")) for layer, column, why in study.left_out
    ]
    columns = table_of_rows([{"kind": kind, "text": text} for kind, text in words], ("kind", "text"))
    return [*tables, ("notes", FeatureTable("Cautions and notes", "", columns, None))]


def _objects(shapes: list) -> NDArray[np.object_]:
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return array
