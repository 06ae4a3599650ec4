"""A line handed in: our own alignment.csv, or a line of any vector file."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from corridor.io import _environment  # noqa: F401  (before pyogrio loads GDAL)

# isort: split
import numpy as np
import pyogrio
import shapely

from corridor.errors import AlignmentError, InputError
from corridor.io.crs import is_same, label, read_crs, transformer
from corridor.io.guard import existing_file, refuse_vector_reference
from corridor.io.vectors import feature_names, list_tables, read_table
from corridor.model.alignment import Alignment

COLUMNS = ("point", "easting_m", "northing_m", "radius_m")
"""Columns that define a line; all others of an alignment.csv follow from them."""

STRAY_M = 1e-3
"""Vertices whose removal moves the line by no more than this are no intersection points."""

_TEXT = (".csv", ".txt", ".tsv")


def read_alignment(
    path: str | Path,
    crs: str,
    default_radius_m: float | None = None,
    *,
    table: str | None = None,
    where: str = "alignment",
) -> Alignment:
    """Read an alignment.

    Parameters
    ----------
    path : str or Path
        ``alignment.csv`` with at least the columns point, easting_m, northing_m, radius_m in any order
        (grid of the project), or a vector file with exactly one line, whose vertices become IPs.
    crs : str
        Projected CRS of the project.
    default_radius_m : float, optional
        Radius of IPs that state none. Without it they are sharp corners (radius 0), which the
        assessment reports as broken rules.
    table : str, optional
        For vector files with several tables of lines.
    where : str
        Named in messages.

    Returns
    -------
    Alignment

    Raises
    ------
    AlignmentError
        Names file, row, column and value, or the features that stand in the way.
    """
    if default_radius_m is not None and not (math.isfinite(default_radius_m) and default_radius_m >= 0.0):
        raise AlignmentError(
            f"default radius must be a finite number >= 0 m (got {default_radius_m}): {where}"
        )
    file = existing_file(str(path), Path.cwd(), where, key="alignment", error=AlignmentError)
    radius = 0.0 if default_radius_m is None else default_radius_m
    if file.suffix.lower() in _TEXT:
        return _from_csv(file, crs, radius)
    try:
        return _from_vector(file, crs, radius, table, where)
    except AlignmentError:
        raise
    except InputError as error:
        raise AlignmentError(error.faults) from error


def _from_csv(file: Path, crs: str, default_radius_m: float) -> Alignment:
    """Rows START, IP1 ... IPn, END -> Alignment; every fault of the file at once."""
    header, rows = _rows(file)
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        raise AlignmentError(
            f"{file.name} lacks the column {', '.join(missing)} (it has {', '.join(header) or 'none'}); "
            f"give at least {', '.join(COLUMNS)}"
        )
    places = {name: header.index(name) for name in COLUMNS}
    faults: list[str] = []
    points, radii = [], []
    for number, (line, row) in enumerate(rows):
        at_end = number in (0, len(rows) - 1)
        cells = {name: row[place].strip() if place < len(row) else "" for name, place in places.items()}
        spot = f"{file.name}, row {line}"
        faults += _misplaced(cells["point"], number, len(rows), spot)
        points.append([_number(cells[name], name, spot, faults) for name in ("easting_m", "northing_m")])
        radii.append(_radius(cells["radius_m"], at_end, default_radius_m, spot, faults))
    if len(rows) < 2:
        faults.append(f"{file.name} needs START and END (got {len(rows)} rows of points)")
    if not faults:
        faults += _repeated(points, [line for line, _ in rows], file)
    if faults:
        raise AlignmentError(faults)
    return Alignment.from_points(points, radii[1:-1], crs)


def _rows(file: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Header (lower case) and the rows below it with their line numbers; blank and # lines left out."""
    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise AlignmentError(f"{file.name} is not UTF-8 text ({error}); save it as UTF-8 CSV") from error
    first = next(
        (line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), ""
    )
    delimiter = max(",;\t", key=first.count)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        lines = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise AlignmentError(f"{file.name} is not CSV ({error}); check its quotes and delimiters") from error
    kept = [
        (n, row) for n, row in lines if any(c.strip() for c in row) and not row[0].lstrip().startswith("#")
    ]
    if not kept:
        raise AlignmentError(f"{file.name} is empty; give at least the columns {', '.join(COLUMNS)}")
    return [name.strip().casefold() for name in kept[0][1]], kept[1:]


def _number(text: str, column: str, spot: str, faults: list[str]) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        faults.append(
            f"{column} must be a finite number (got {text!r}): {spot}; use a decimal point, no units"
        )
    return value


def _radius(text: str, at_end: bool, default_m: float, spot: str, faults: list[str]) -> float:
    """Radius of one row; NaN at the ends, where an empty cell or 0 is expected."""
    if not text:
        return math.nan if at_end else default_m
    value = _number(text, "radius_m", spot, faults) if text.casefold() != "nan" else math.nan
    if at_end:
        if value > 0.0:
            faults.append(
                f"radius_m must be empty at START and END (got {text!r}): {spot}; "
                "the line does not bend there"
            )
        return math.nan
    if text.casefold() == "nan":
        return default_m
    if value < 0.0:
        faults.append(f"radius_m must be >= 0 (got {text!r}): {spot}; 0 means a sharp corner")
    return value


def _misplaced(point: str, number: int, count: int, spot: str) -> list[str]:
    """START anywhere but first, END anywhere but last."""
    word = point.casefold()
    if (word == "start" and number != 0) or (word == "end" and number != count - 1):
        return [
            f"point {point!r} stands in the wrong place (point {number + 1} of {count}): {spot}; "
            "sort the rows by KP"
        ]
    return []


def _repeated(points: Sequence[Sequence[float]], lines: Sequence[int], file: Path) -> list[str]:
    steps = np.hypot(*np.diff(np.asarray(points), axis=0).T)
    return [
        f"easting_m, northing_m repeat the row above (within {STRAY_M} m): {file.name}, row {line}; delete it"
        for line, step in zip(lines[1:], steps, strict=True)
        if step <= STRAY_M
    ]


def _from_vector(file: Path, crs: str, radius_m: float, table: str | None, where: str) -> Alignment:
    """The one line of a vector file."""
    lines: list[tuple[str, Any, Any]] = []
    for name in [table] if table is not None else _tables(file, where):
        found = read_table(file, where, name)
        features = feature_names(found, name)
        for title, geometry in zip(features, shapely.from_wkb(found.wkb, on_invalid="ignore"), strict=True):
            if geometry is not None and geometry.geom_type in ("LineString", "MultiLineString"):
                lines.append((f"{title!r} in {name}", geometry, found.crs))
    if len(lines) != 1:
        listed = ", ".join(title for title, _, _ in lines[:5]) or "none"
        raise AlignmentError(
            f"{file.name} must hold exactly one line (got {len(lines)}: {listed}): {where}; "
            "save the line that is meant in a file of its own"
        )
    title, geometry, source = lines[0]
    points = shapely.get_coordinates(_joined(geometry, f"{title} of {file.name}", where))
    target = read_crs(crs)
    if not is_same(source, target, points[:, 0], points[:, 1]):
        points = np.column_stack(transformer(source, target).transform(points[:, 0], points[:, 1]))
    if not np.isfinite(points).all():
        raise AlignmentError(
            f"{title} of {file.name} cannot be shown in {label(target)}: {where}; is its CRS right?"
        )
    vertices = np.asarray(
        shapely.simplify(shapely.LineString(points), STRAY_M, preserve_topology=False).coords
    )
    if len(vertices) < 2 or math.dist(vertices[0], vertices[-1]) <= STRAY_M:
        raise AlignmentError(
            f"{title} of {file.name} begins where it ends: {where}; an alignment has two ends"
        )
    return Alignment.from_points(vertices, np.full(len(vertices) - 2, radius_m), crs)


def _tables(file: Path, where: str) -> list[str]:
    """Tables of a file that may hold lines."""
    refuse_vector_reference(file, where)
    options = {"WRITE_GFS": "NO"} if file.suffix.lower() == ".gml" else {}
    try:
        listed = list_tables(file, options)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as problem:
        raise AlignmentError(
            f"{file.name} cannot be read: {where}; "
            f"give alignment.csv or a vector file with one line ({problem})"
        ) from problem
    return [name for name, kind in listed if kind is not None and not kind.endswith(("Point", "Polygon"))]


def _joined(geometry: Any, title: str, where: str) -> Any:
    """One LineString from a line that may come in pieces which meet end to end."""
    flat = shapely.force_2d(geometry)
    merged = shapely.line_merge(flat) if flat.geom_type == "MultiLineString" else flat
    parts = [part for part in shapely.get_parts(merged) if part.length > 0.0]
    if len(parts) != 1:
        raise AlignmentError(f"{title} must be one line (got {len(parts)} pieces apart): {where}; join them")
    # merging may turn a line round: keep the direction in which it was drawn
    first = shapely.get_coordinates(flat)[0]
    line = parts[0]
    if not np.array_equal(shapely.get_coordinates(line)[0], first) and np.array_equal(
        shapely.get_coordinates(line)[-1], first
    ):
        line = shapely.reverse(line)
    return line
