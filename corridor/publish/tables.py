"""Tables as CSV: the contract's columns and decimals, one place for both.

The decimals chosen here are the published precision of every figure: GeoJSON,
GeoPackage, XLSX and the map take their values through :func:`rounded`, so that
one figure reads the same in every file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import CorridorError

COLUMNS: dict[str, tuple[str, ...]] = {
    "alignment": (
        "point", "easting_m", "northing_m", "radius_m", "deflection_deg", "tangent_m", "arc_m",
        "kp_in_km", "kp_out_km", "latitude_deg", "longitude_deg",
    ),
    "chainage": (
        "kp_km", "easting_m", "northing_m", "latitude_deg", "longitude_deg", "depth_m",
        "bearing_deg", "radius_m", "slope_along_deg", "slope_across_deg", "event",
    ),
    "profile": (
        "kp_km", "depth_m",
    ),
    "crossings": (
        "kp_km", "layer", "feature", "owner", "kind", "status", "easting_m", "northing_m",
        "latitude_deg", "longitude_deg", "angle_deg", "depth_m", "straight_before_m",
        "straight_after_m", "separation_m", "ok",
    ),
    "spans": (
        "span", "kp_start_km", "kp_end_km", "length_m", "max_gap_m", "kp_max_gap_km", "depth_m",
        "seabed_cell_m", "max_moment_kNm", "max_stress_MPa", "frequency_inline_hz",
        "frequency_crossflow_hz", "allowable_length_m", "probability", "verdict", "load_case",
        "governs",
    ),
    "proximity": (
        "layer", "feature", "kp_km", "distance_m", "side", "limit_m", "ok",
    ),
}  # fmt: skip
"""The columns of CONTRACT's files, in order."""

_EXACT = {
    "easting_m": 4,
    "northing_m": 4,
    "radius_m": 4,
    "tangent_m": 4,
    "arc_m": 4,
    "latitude_deg": 9,
    "longitude_deg": 9,
    "probability": 4,
}
_BY_PATTERN = (
    (re.compile(r"(^|_)kp_(.*_)?km$|^kp_km$"), 6),
    (re.compile(r"(easting|northing)(_.*)?_m$"), 4),
    (re.compile(r"(bearing|deflection|convergence)(_.*)?_deg$"), 6),
    (re.compile(r"_deg$"), 4),
    (re.compile(r"_hz$"), 4),
    (re.compile(r"(^|_)(factor|ratio|scale)(_|$)"), 6),
)
_DEFAULT_DECIMALS = 3

_FORMULA = re.compile(r"[=+\-@\t\r\n\uFF1D\uFF0B\uFF0D\uFF20]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def decimals(column: str) -> int:
    """Published decimals of a numeric column, by its name and unit."""
    if column in _EXACT:
        return _EXACT[column]
    return next((places for pattern, places in _BY_PATTERN if pattern.search(column)), _DEFAULT_DECIMALS)


def rounded(column: str, values: ArrayLike) -> NDArray:
    """`values` at the published precision; text, whole numbers and booleans as they are."""
    array = np.asarray(values)
    if array.dtype.kind != "f":
        return array
    return np.round(array.astype(float), decimals(column)) + 0.0  # + 0.0 turns -0.0 into 0.0


def guarded(text: str) -> str:
    """`text` safe in a spreadsheet: a leading formula sign gets an apostrophe before it.

    Signs as in OWASP's description of CSV injection (from memory): = + - @,
    tab, carriage return, and their full-width forms. Real numbers stay.
    """
    if _FORMULA.match(text) and not _NUMBER.fullmatch(text):
        return "'" + text
    return text


def ordered(name: str, table: Mapping[str, ArrayLike]) -> dict[str, NDArray]:
    """`table` with the contract's columns of file `name` first, further ones after them."""
    agreed = COLUMNS.get(name, ())
    missing = [column for column in agreed if column not in table]
    if missing:
        raise CorridorError(f"table {name} lacks the agreed columns {', '.join(missing)}")
    further = [column for column in table if column not in agreed]
    result = {column: np.asarray(table[column]) for column in (*agreed, *further)}
    lengths = {len(values) for values in result.values()}
    if len(lengths) > 1:
        raise CorridorError(f"table {name} has columns of different lengths {sorted(lengths)}")
    return result


def rows(table: Mapping[str, ArrayLike]) -> list[dict[str, Any]]:
    """`table` as one dict per row: published precision, plain Python values, None for NaN."""
    columns = {name: plain(name, values) for name, values in table.items()}
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def plain(column: str, values: ArrayLike) -> list[Any]:
    """One column as Python values ready for JSON: float, int, bool, str or None."""
    array = rounded(column, values)
    if array.dtype.kind == "f":
        return [value if np.isfinite(value) else None for value in array.tolist()]
    return [_plain_value(column, value) for value in array.tolist()]


def _plain_value(column: str, value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return round(value, decimals(column)) + 0.0 if np.isfinite(value) else None
    return str(value)


def write_csv(path: Path, name: str, table: Mapping[str, ArrayLike]) -> None:
    """Write `table` as the contract's file `name`: UTF-8, comma, LF, NaN as an empty cell.

    Parameters
    ----------
    path : Path
    name : str
        File the columns are agreed for ("chainage", ...); any other name has
        its columns in the table's own order.
    table : mapping of column name -> array (n,)
    """
    columns = ordered(name, table)
    cells = [column_text(column, values) for column, values in columns.items()]
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(",".join(map(_quoted, columns)) + "\n")
        file.writelines(",".join(row) + "\n" for row in zip(*cells, strict=True))


def column_text(column: str, values: ArrayLike) -> list[str]:
    """The CSV cells of one column, quoted where needed."""
    array = np.asarray(values)
    if array.dtype.kind == "f":
        form = f"%.{decimals(column)}f"
        return [form % v if v - v == 0.0 else "" for v in rounded(column, array).tolist()]
    if array.dtype.kind in "iu":
        return list(map(str, array.tolist()))
    return [_cell(column, value) for value in plain(column, array)]


def _cell(column: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.{decimals(column)}f}"
    return _quoted(guarded(str(value)))


def _quoted(text: str) -> str:
    """Quote by RFC 4180, section 2: commas, quotes and line breaks need it."""
    if any(sign in text for sign in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


def table_of_rows(entries: Iterable[Mapping[str, Any]], columns: Iterable[str]) -> dict[str, NDArray]:
    """The reverse of :func:`rows`: a table from dicts, missing values as None."""
    entries = list(entries)
    return {column: np.array([entry.get(column) for entry in entries], dtype=object) for column in columns}
