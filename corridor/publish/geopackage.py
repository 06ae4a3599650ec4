"""route.gpkg: the line, every table and every layer in the project CRS, with styles and provenance.

Written through GDAL. The styles stand in a table ``layer_styles``, the open
convention by which desktop GIS keep styles inside a GeoPackage; they load them
by themselves.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray

from corridor.model.results import Study
from corridor.publish.features import FeatureTable, layer_tables, result_tables
from corridor.publish.provenance import Stamp
from corridor.publish.styles import layer_style
from corridor.publish.tables import plain, rounded

GEOMETRY_COLUMN = "geom"


def write_geopackage(path: Path, study: Study, stamp: Stamp) -> None:
    """Write `study` as a GeoPackage (OGC 12-128r18 as GDAL implements it).

    Running twice on the same study writes the same tables; time stamps inside
    come from `stamp`.
    """
    tables = [*result_tables(study), *layer_tables(study)]
    names = table_names([table.name for table in result_tables(study)], [t.name for t in layer_tables(study)])
    styles = []
    for name, table in zip(names, tables, strict=True):
        if not len(next(iter(table.columns.values()), ())):
            continue
        write_table(path, name, table, study.alignment.crs)
        if table.geometry is not None:
            styles.append((name, *layer_style(table)))
    write_table(path, "provenance", provenance_table(stamp), study.alignment.crs)
    with closing(sqlite3.connect(path)) as database, database:
        add_styles(database, styles, stamp)
        describe_tables(database, dict(zip(names, (table.name for table in tables), strict=True)), stamp)


def write_table(path: Path, name: str, table: FeatureTable, crs: str) -> None:
    """Append one table to the GeoPackage at `path` (made where missing), text and numbers as published."""
    columns = {column: field_values(column, values) for column, values in table.columns.items()}
    shapes = None if table.geometry is None else shapely.force_2d(table.geometry)
    options: dict[str, Any] = {"layer_options": {"GEOMETRY_NAME": GEOMETRY_COLUMN, "SPATIAL_INDEX": "YES"}}
    if shapes is None:
        options = {"layer_options": {"ASPATIAL_VARIANT": "GPKG_ATTRIBUTES"}}
    pyogrio.raw.write(
        str(path),
        None if shapes is None else shapely.to_wkb(shapes),
        list(columns.values()),
        list(columns),
        layer=name,
        driver="GPKG",
        geometry_type=None if shapes is None else geometry_type(shapes),
        crs=None if shapes is None else crs,
        append=path.exists(),
        dataset_options=None if path.exists() else {"VERSION": "1.3"},
        **options,
    )


def geometry_type(shapes: NDArray[np.object_]) -> str:
    """The one type of all geometries, or ``Unknown`` where they are mixed (GDAL's name for any)."""
    kinds = {shape.geom_type for shape in shapes if shape is not None}
    return kinds.pop() if len(kinds) == 1 else "Unknown"


def field_values(column: str, values: NDArray) -> NDArray:
    """A column as GDAL takes it: published precision, text free of NUL, one type, None where absent."""
    array = rounded(column, values)
    if array.dtype.kind in "fiub":
        return array
    items = plain(column, array)
    present = [item for item in items if item is not None]
    if present and all(isinstance(item, bool) for item in present) and len(present) == len(items):
        return np.array(items, dtype=bool)
    if present and all(isinstance(item, (int, float)) for item in present):
        return np.array([np.nan if item is None else float(item) for item in items])
    return np.array([None if item is None else str(item).replace("\0", "") for item in items], dtype=object)


def table_names(results: list[str], layers: list[str]) -> list[str]:
    """Names of the tables: ours as they are, layers as ``layer_<name>`` in plain letters, no two alike."""
    names = list(results)
    for layer in layers:
        plain_name = re.sub(r"\W+", "_", layer, flags=re.ASCII).strip("_").lower()[:50] or "unnamed"
        name, number = f"layer_{plain_name}", 1
        while name in names:
            number += 1
            name = f"layer_{plain_name}_{number}"
        names.append(name)
    return names


def provenance_table(stamp: Stamp) -> FeatureTable:
    """Project, revision, version, time and the inputs' hashes as a table of item and value."""
    entries = [(key, str(value)) for key, value in stamp.as_dict().items() if key != "inputs"]
    entries += [(f"input {file}", digest) for file, digest in stamp.inputs]
    columns = {
        "item": np.array([entry[0] for entry in entries], dtype=object),
        "value": np.array([entry[1] for entry in entries], dtype=object),
    }
    return FeatureTable("provenance", "", columns, None)


def add_styles(database: sqlite3.Connection, styles: list[tuple[str, str, str]], stamp: Stamp) -> None:
    """Embed styles, (table, QML, SLD) each, in the ``layer_styles`` table that desktop GIS read."""
    database.execute(
        "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),"
        " f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30),"
        " styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),"
        " update_time DATETIME)"
    )
    database.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column,"
        " styleName, styleQML, styleSLD, useAsDefault, description, owner, ui, update_time)"
        " VALUES ('', '', ?, ?, 'corridor', ?, ?, 1, ?, '', NULL, ?)",
        [(name, GEOMETRY_COLUMN, qml, sld, stamp.line(), stamp.time_text) for name, qml, sld in styles],
    )
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)"
        " VALUES ('layer_styles', 'attributes', 'layer_styles', '', ?)",
        (stamp.time_text,),
    )


def describe_tables(database: sqlite3.Connection, identifiers: Mapping[str, str], stamp: Stamp) -> None:
    """Say in ``gpkg_contents`` what each table is and where it comes from."""
    time = stamp.time.strftime("%Y-%m-%dT%H:%M:%S.000Z")
    database.execute("UPDATE gpkg_contents SET last_change = ?, description = ?", (time, stamp.line()))
    seen: set[str] = set()
    for table, name in identifiers.items():
        identifier = name if name not in seen else table
        seen.add(identifier)
        database.execute(
            "UPDATE gpkg_contents SET identifier = ? WHERE table_name = ?"
            " AND NOT EXISTS (SELECT 1 FROM gpkg_contents WHERE identifier = ? AND table_name <> ?)",
            (identifier, table, identifier, table),
        )
