"""Vector layers in: any format that holds its own features, any CRS, to a :class:`Layer`."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from corridor.io import _environment  # noqa: F401  (before pyogrio loads GDAL)

# isort: split
import numpy as np
import pyogrio
import pyproj
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from pyogrio.raw import read as read_raw

from corridor.errors import InputError, LayerError
from corridor.io.crs import horizontal, label, read_crs
from corridor.io.geometry import repair, split_kinds, to_grid
from corridor.io.guard import existing_file, refuse_vector_format, refuse_vector_reference
from corridor.io.tables import LayerSettings
from corridor.model.layers import Layer

NAME_ATTRIBUTES = (
    "name", "objnam", "nobjnam", "feature", "feature_name", "title", "label", "designation",
    "identifier", "ident", "code", "id", "objectid",
)  # fmt: skip
"""Attributes that may hold a feature's name, best first, in any case."""

_SHOWN = 5
_KINDS = {0: "points", 1: "lines", 2: "polygons"}
_NEEDS = {"stay_within": 2, "jurisdiction": 2, "cross": 1}


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """One table of a vector file as read: geometry as WKB, columns, and what the reader said."""

    wkb: NDArray[np.object_]
    fids: NDArray[np.int64]
    columns: Mapping[str, NDArray]
    crs: pyproj.CRS
    notes: tuple[str, ...]

    def rows(self, indices: NDArray[np.intp]) -> tuple[dict[str, Any], ...]:
        """Attributes of features as plain values; None where empty."""
        columns = [_plain_column(column[indices]) for column in self.columns.values()]
        if not columns:
            return tuple({} for _ in indices)
        return tuple(dict(zip(self.columns, values, strict=True)) for values in zip(*columns, strict=True))


def read_layer(
    path: str | Path,
    settings: LayerSettings,
    *,
    crs: str,
    area_m: tuple[float, float, float, float] | None = None,
    where: str | None = None,
) -> Layer:
    """Read one vector layer.

    Parameters
    ----------
    path : str or Path
        An existing regular file in a vector format that holds its own features.
    settings : LayerSettings
        Name, rule, table, filter, standoffs: see there.
    crs : str
        Projected CRS of the project; the layer comes out in it.
    area_m : (west, south, east, north), optional
        The project's ground, m. Worldwide layers are cut to its surroundings.
    where : str, optional
        Named in messages.

    Returns
    -------
    Layer
        Valid two-dimensional features; what was mended, dropped or reprojected stands in its notes.
        It is empty when the file (or the filter) holds nothing.

    Raises
    ------
    LayerError
        Everything found wrong at once: format not allowed, no CRS, unknown table or attribute, empty or
        collapsed polygons, standoffs that are missing, negative or not numbers; each names the feature.
    """
    place = where or f"layer {settings.name!r}"
    file = existing_file(str(path), Path.cwd(), place, error=LayerError)
    table = read_table(file, place, settings.table, settings.where, settings.crs)
    names = feature_names(table, settings.name)
    faults = _unknown_columns(table, settings, place)
    standoff, wrong = _lengths(table, settings.standoff_m, "standoff_m", names, place)
    faults += wrong
    position, wrong = _lengths(table, settings.position_uncertainty_m, "position_uncertainty_m", names, place)
    faults += wrong
    geometries, repaired, wrong = repair(table.wkb, names)
    faults += [f"{fault}: {place}" for fault in wrong]
    notes = [*table.notes, *_shorten(repaired)]
    missing = int(sum(geometry is None for geometry in table.wkb))
    if missing:
        notes.append(f"{missing} features without geometry left out")
    if faults:
        raise LayerError(faults)
    rows = np.flatnonzero([geometry is not None for geometry in geometries])
    parts, rows, moved = _on_grid(geometries[rows], rows, table.crs, crs, area_m, names, place)
    parts, rows, left = _fitting(parts, rows, settings, names, standoff, position, place)
    return Layer(
        name=settings.name,
        rule=settings.rule,
        geometries=parts,
        features=tuple(names[row] for row in rows),
        attributes=table.rows(rows),
        standoff_m=standoff[rows],
        position_uncertainty_m=position[rows],
        factor=settings.factor or 1.0,
        min_angle_deg=settings.min_angle_deg,
        straight_each_side_m=settings.straight_each_side_m,
        crossing_cost_m=settings.crossing_cost_m,
        needs_consent=settings.needs_consent,
        file=str(settings.file),
        table=settings.table or "",
        notes=(*notes, *moved, *left),
        settings=settings.extras,
    )


def read_table(
    path: Path,
    where: str,
    table: str | None = None,
    filter_text: str | None = None,
    declared_crs: str | None = None,
) -> Table:
    """Read one table of a vector file, guarded; see :func:`read_layer` for what is refused."""
    refuse_vector_reference(path, where)
    with _teaching(path, where, filter_text):
        # GML otherwise leaves a .gfs file beside the input
        options = {"WRITE_GFS": "NO"} if path.suffix.lower() == ".gml" else {}
        chosen = _choose_table(path, table, where, options)
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            refuse_vector_format(pyogrio.read_info(path, layer=chosen, **options)["driver"], path, where)
            meta, fids, wkb, fields = read_raw(
                path,
                layer=chosen,
                where=filter_text,
                return_fids=True,
                force_2d=True,
                datetime_as_string=True,
                **options,
            )
    if wkb is None:
        raise LayerError(f"{path.name} has no geometry: {where}; give a file with points, lines or polygons")
    crs, notes = _crs_of(meta["crs"], declared_crs, path, where)
    heard = _shorten(list(dict.fromkeys(f"the reader said: {warning.message}" for warning in said)))
    columns = dict(zip(meta["fields"].tolist(), fields, strict=True))
    return Table(np.asarray(wkb, dtype=object), np.asarray(fids), columns, crs, (*notes, *heard))


@contextmanager
def _teaching(path: Path, where: str, filter_text: str | None) -> Iterator[None]:
    """Turn the reader's errors into ones that say where and what to do."""
    try:
        yield
    except LayerError:
        raise
    except (DataLayerError, DataSourceError, ValueError, RuntimeError) as problem:
        remedy = (
            f"check the filter where = {filter_text!r}"
            if filter_text
            else "is it whole, and of the format it says?"
        )
        raise LayerError(f"{path.name} cannot be read: {where}; {remedy} ({problem})") from problem


def list_tables(path: Path, options: Mapping[str, str]) -> list[tuple[str, str | None]]:
    """Name and geometry type (None: no geometry) of every table, read with the driver's `options`."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if not options:
            return [(str(name), kind) for name, kind in pyogrio.list_layers(path)]
        found: list[tuple[str, str | None]] = []
        while True:  # the listing function takes no options
            try:
                info = pyogrio.read_info(path, layer=len(found), **options)
            except DataLayerError:
                return found
            found.append((str(info["layer_name"]), info["geometry_type"]))


def _choose_table(path: Path, table: str | None, where: str, options: Mapping[str, str]) -> str:
    """The one table with geometry, or the one asked for."""
    listed = list_tables(path, options)
    everything = [str(name) for name, _ in listed]
    spatial = [str(name) for name, kind in listed if kind is not None]
    if table is not None:
        if table not in everything:
            shown = ", ".join(everything) or "none"
            raise LayerError(
                f"table must be one of {shown} (got {table!r}): {where}; {path.name} has no other"
            )
        return table
    if len(spatial) == 1:
        return spatial[0]
    if not spatial:
        raise LayerError(f"{path.name} has no geometry: {where}; give a file with points, lines or polygons")
    raise LayerError(f"table is required, {path.name} holds {', '.join(spatial)}: {where}; name one of them")


def _crs_of(
    text: str | None, declared: str | None, path: Path, where: str
) -> tuple[pyproj.CRS, tuple[str, ...]]:
    """CRS of a table; the reader already gives GeoJSON its WGS 84 (RFC 7946)."""
    try:
        stated = None if declared is None else horizontal(read_crs(declared))
        found = None if not text else horizontal(read_crs(text))
    except InputError as error:
        raise LayerError([f"{fault}: {where}" for fault in error.faults]) from error
    if found is None and stated is None:
        raise LayerError(
            f"{path.name} has no CRS: {where}; state it in the layer's table, for example crs = 'EPSG:4326', "
            "once you know it from whoever made the file"
        )
    if found is None or stated is None:
        used = stated if found is None else found
        assert used is not None
        note = () if found is not None else (f"CRS {declared} as declared, the file has none",)
        return used, note
    if not found.equals(stated, ignore_axis_order=True):
        raise LayerError(
            f"crs = {declared!r} contradicts {path.name}, which says {label(found)}: {where}; drop one"
        )
    return found, ()


def feature_names(table: Table, layer: str) -> tuple[str, ...]:
    """What each feature is called: the first attribute of :data:`NAME_ATTRIBUTES` that says something."""
    lower = {name.casefold(): name for name in reversed(list(table.columns))}
    sources = [table.columns[lower[name]] for name in NAME_ATTRIBUTES if name in lower]
    names = []
    for index, fid in enumerate(table.fids):
        found = (_plain(column[index]) for column in sources)
        words = (_word(value) for value in found if value is not None)
        names.append(next((word for word in words if word), f"{layer} #{fid}"))
    return tuple(names)


def _word(value: Any) -> str:
    """A value as a name; whole numbers without decimals, since a column with gaps holds floats."""
    whole = isinstance(value, float) and value.is_integer()
    return str(int(value)) if whole else str(value).strip()


def _plain_column(column: NDArray) -> list[Any]:
    """Every value of a column as :func:`_plain` has it, the common kinds all at once."""
    if column.dtype.kind in "iub":
        return column.tolist()
    if column.dtype.kind == "f":
        return [None if value != value else value for value in column.tolist()]
    return [value if isinstance(value, str) else _plain(value) for value in column]


def _plain(value: Any) -> Any:
    """A value as Python knows it: text, number, True or False, list, None."""
    if isinstance(value, np.ndarray):
        return [_plain(item) for item in value.tolist()]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and math.isnan(value):
        return None
    if isinstance(value, bytes):
        return value.hex()
    return value


def _unknown_columns(table: Table, settings: LayerSettings, where: str) -> list[str]:
    known = ", ".join(table.columns) or "none"
    return [
        f"publish_columns names {name!r}, which is no attribute: {where}; the attributes are {known}"
        for name in settings.publish_columns
        if name not in table.columns
    ]


def _lengths(
    table: Table, value: float | str, key: str, names: tuple[str, ...], where: str
) -> tuple[NDArray[np.float64], list[str]]:
    """A length for every feature, from a number or an attribute."""
    if not isinstance(value, str):
        return np.full(len(names), float(value)), []
    if value not in table.columns:
        known = ", ".join(table.columns) or "none"
        return np.zeros(len(names)), [
            f"{key} must be a number or an attribute (got {value!r}): {where}; the attributes are {known}"
        ]
    lengths = np.array([_length(_plain(item)) for item in table.columns[value]], dtype=float)
    bad = np.flatnonzero(~(np.isfinite(lengths) & (lengths >= 0.0)))
    faults = [
        f"{key} of feature {names[i]!r} must be a finite number >= 0 "
        f"(got {_plain(table.columns[value][i])!r} in attribute {value!r}): {where}; fill it in"
        for i in bad[:_SHOWN]
    ]
    if len(bad) > _SHOWN:
        faults.append(f"{key}: {len(bad) - _SHOWN} further features without a usable {value!r}: {where}")
    return lengths, faults


def _length(value: Any) -> float:
    if value is None or isinstance(value, (bool, list)):
        return math.nan
    try:
        return float(value)
    except ValueError:
        return math.nan


def _on_grid(
    geometries: NDArray[np.object_],
    rows: NDArray[np.intp],
    source: pyproj.CRS,
    crs: str,
    area_m: tuple[float, float, float, float] | None,
    names: tuple[str, ...],
    where: str,
) -> tuple[NDArray[np.object_], NDArray[np.intp], list[str]]:
    """Reproject, drop what lies on the other side of the Earth, split collections."""
    if not len(geometries):
        return geometries, rows, []
    try:
        moved, notes = to_grid(geometries, source, read_crs(crs), area_m)
    except InputError as error:
        raise LayerError([f"{fault}: {where}" for fault in error.faults]) from error
    lost = [names[row] for row, geometry in zip(rows, moved, strict=True) if geometry is None]
    if lost:
        raise LayerError(
            f"feature {lost[0]!r} ({len(lost)} in all) cannot be shown in {crs}: {where}; "
            "is its CRS right? if so, cut the layer to the project area"
        )
    near = np.array([not geometry.is_empty for geometry in moved], dtype=bool)
    if not near.all():
        notes = [*notes, f"{int((~near).sum())} features far from the project left out"]
    parts = split_kinds(moved[near])
    return parts.geometries, rows[near][parts.rows], notes


def _fitting(
    parts: NDArray[np.object_],
    rows: NDArray[np.intp],
    settings: LayerSettings,
    names: tuple[str, ...],
    standoff_m: NDArray[np.float64],
    position_m: NDArray[np.float64],
    where: str,
) -> tuple[NDArray[np.object_], NDArray[np.intp], list[str]]:
    """Leave out parts on which the rule cannot act: a point cannot be crossed or stayed within."""
    dimensions = np.array([_dimension(part) for part in parts], dtype=int)
    if settings.rule in _NEEDS:
        fits = dimensions == _NEEDS[settings.rule]
        needed = _KINDS[_NEEDS[settings.rule]]
    elif settings.rule == "discourage":
        fits = (dimensions == 2) | (standoff_m[rows] + position_m[rows] > 0.0)
        needed = "polygons, or points and lines with a standoff_m"
    else:
        return parts, rows, []
    if fits.all():
        return parts, rows, []
    first = names[rows[~fits][0]]
    what = f"{int((~fits).sum())} parts ({first!r} first) on which rule {settings.rule!r} cannot act"
    if not fits.any():
        raise LayerError(
            f"rule {settings.rule!r} needs {needed}, the layer has none: {where}; choose another rule"
        )
    return parts[fits], rows[fits], [f"left out {what}: it needs {needed}"]


def _dimension(geometry: Any) -> int:
    return {"Point": 0, "MultiPoint": 0, "LineString": 1, "MultiLineString": 1}.get(geometry.geom_type, 2)


def _shorten(texts: list[str]) -> list[str]:
    """The first few, and how many more there are."""
    rest = len(texts) - _SHOWN
    return texts if rest <= 0 else [*texts[:_SHOWN], f"and {rest} more like these"]
