"""All tables and layers of a study as features on the project grid: what GIS, CAD and KML share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.alignment import Alignment
from corridor.model.results import Study, Table
from corridor.publish.lines import polyline, positions, stretches
from corridor.publish.summary import check_row
from corridor.publish.tables import ordered, table_of_rows


@dataclass(frozen=True, slots=True, eq=False)
class FeatureTable:
    """One table of features.

    Attributes
    ----------
    name : str
    kind : str
        What the features are, for styling: "route", "points", "crossings", "spans",
        "layer:<rule>", or "" for everything plain.
    columns : mapping of column -> array (n,)
    geometry : array (n,) of shapely geometries in the project CRS, or None for a plain table
    """

    name: str
    kind: str
    columns: Mapping[str, NDArray]
    geometry: NDArray[np.object_] | None


def result_tables(study: Study) -> list[FeatureTable]:
    """The line and every table of the assessment, in a fixed order."""
    assessed, line = study.assessment, study.alignment
    tables: list[tuple[str, str, Table | None]] = [
        ("alignment", "points", assessed.points),
        ("setting_out", "", assessed.setting_out),
        ("chainage", "chainage", assessed.chainage),
        ("profile", "", assessed.profile),
        ("crossings", "crossings", assessed.crossings),
        ("spans", "spans", assessed.spans),
        ("supports", "", assessed.supports),
        ("proximity", "", assessed.proximity),
    ]
    result = [centreline(study)]
    for name, kind, table in tables:
        if table is not None:
            columns = ordered(name, table)
            result.append(FeatureTable(name, kind, columns, geometry_of(name, columns, line)))
    result.append(FeatureTable("checks", "", checks_table(study), None))
    return result


def layer_tables(study: Study) -> list[FeatureTable]:
    """The project's layers as read: feature name, rule, standoff and what the rule needs."""
    result = []
    for layer in study.project.layers:
        count = len(layer)
        columns = {
            "feature": np.array(layer.features, dtype=object),
            "layer": np.array([layer.name] * count, dtype=object),
            "rule": np.array([layer.rule] * count, dtype=object),
            "standoff_m": layer.standoff_m,
            "position_uncertainty_m": layer.position_uncertainty_m,
            "file": np.array([layer.file] * count, dtype=object),
        }
        result.append(FeatureTable(layer.name, f"layer:{layer.rule}", columns, layer.geometries))
    return result


def centreline(study: Study) -> FeatureTable:
    """The line itself, arcs as chords that stray less than 0.05 m, and the alternatives beside it."""
    lines = {study.project.name: study.alignment, **study.others}
    columns = {
        "name": np.array(list(lines), dtype=object),
        "current": np.array([line is study.alignment for line in lines.values()]),
        "bends": np.array([line.bends for line in lines.values()]),
    }
    shapes = [shapely.LineString(polyline(line).grid) for line in lines.values()]
    return FeatureTable("centreline", "route", columns, _objects(shapes))


def checks_table(study: Study) -> dict[str, NDArray]:
    """The checks as a table."""
    names = ("rule", "layer", "limit", "worst", "kp_km", "ok", "detail")
    return table_of_rows([check_row(check) for check in study.assessment.checks], names)


def geometry_of(name: str, columns: Mapping[str, NDArray], line: Alignment) -> NDArray[np.object_] | None:
    """Where the rows of a table lie: coordinates, stretch of KP or KP; None for a profile."""
    if name == "profile":
        return None
    if "easting_m" in columns and "northing_m" in columns:
        return shapely.points(
            np.asarray(columns["easting_m"], dtype=float), np.asarray(columns["northing_m"], dtype=float)
        )
    if "kp_start_km" in columns and "kp_end_km" in columns:
        chains = stretches(line, columns["kp_start_km"], columns["kp_end_km"])
        return _objects([shapely.LineString(chain.grid) for chain in chains])
    if "kp_km" in columns:
        places = positions(line, np.asarray(columns["kp_km"], dtype=float))
        return shapely.points(places.easting_m, places.northing_m)
    return None


def _objects(shapes: list) -> NDArray[np.object_]:
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return array
