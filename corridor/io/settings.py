"""The text of a project file -> settings objects, with every fault found."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from pathlib import Path
from typing import Any

from corridor.errors import SettingError
from corridor.io.crs import project_crs_faults
from corridor.io.tables import (
    EXTRA_TABLES,
    LayerSettings,
    ProjectSettings,
    SeabedSettings,
    build_layer,
    build_rates,
    build_table,
    idle_keys,
    unknown_keys,
)
from corridor.io.uncertainty import parse_uncertainty
from corridor.model.pipe import Environment, Pipe
from corridor.model.project import OutputSettings
from corridor.model.rules import RouteEnd, RouteRules

_LISTS = ("seabed", "layer")
_ENDS = ("start", "end", "via")
TABLES = ("project", *_LISTS, "route", "pipe", "environment", "output", "rates")
"""Tables of every project file; :data:`corridor.io.tables.EXTRA_TABLES` adds to them."""


@dataclass(slots=True)
class Settings:
    """What a project file says. None stands where a table is missing or at fault.

    `seabeds` and `layers` pair each table with its place in the file, for messages.
    """

    document: dict[str, Any]
    head: ProjectSettings | None = None
    crs_ok: bool = False
    seabeds: list[tuple[SeabedSettings, str]] = field(default_factory=list)
    layers: list[tuple[LayerSettings, str]] = field(default_factory=list)
    rules: RouteRules | None = None
    start: RouteEnd | None = None
    end: RouteEnd | None = None
    via: tuple[RouteEnd, ...] = ()
    pipe: Pipe | None = None
    environment: Environment | None = None
    output: OutputSettings | None = None
    rates: dict[str, float] = field(default_factory=dict)
    tables: dict[str, Any] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def parse(file: Path) -> dict[str, Any]:
    """TOML text as a table; dates become text, so that it can go into JSON.

    Raises
    ------
    SettingError
        Not UTF-8, not TOML: with line and column.
    """
    try:
        document = tomllib.loads(file.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise SettingError(f"{file.name} is not UTF-8 text ({error}); save it as UTF-8") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingError(
            f"{file.name} is not valid TOML: {error}; compare with the example in the README"
        ) from error
    return _plain(document)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, (date, time)) else value


def read_settings(document: dict[str, Any], file: str) -> Settings:
    """Check every table of a project file; faults and warnings are collected, nothing is raised.

    Parameters
    ----------
    document : dict
        From :func:`parse`.
    file : str
        Name of the project file, for messages.
    """
    found = Settings(document)
    found.faults += unknown_keys(document, (*TABLES, *EXTRA_TABLES), file)
    _read_route(found, file)
    _read_head(found, file)
    _read_seabeds(found, file)
    _read_layers(found, file)
    found.pipe = _optional(found, "pipe", Pipe, file)
    found.environment = _optional(found, "environment", Environment, file)
    found.output = _optional(found, "output", OutputSettings, file, always=True)
    for name, cls in EXTRA_TABLES.items():
        instance = _optional(found, name, cls, file, always=_all_defaults(cls))
        if instance is not None:
            found.tables[name] = instance
    if "rates" in document and (table := _table(found, "rates", file)) is not None:
        found.rates, faults = build_rates(table, f"[rates] in {file}")
        found.faults += faults
    return found


def _all_defaults(cls: type) -> bool:
    missing = dataclasses.MISSING
    return all(f.default is not missing or f.default_factory is not missing for f in dataclasses.fields(cls))


def _table(found: Settings, name: str, file: str) -> Mapping[str, Any] | None:
    """A table of the document, {} when absent, None (and a fault) when it is something else."""
    value = found.document.get(name, {})
    if isinstance(value, dict):
        return value
    found.faults.append(
        f"{name} must be a table (got {value!r}): {file}; write [{name}] on a line of its own"
    )
    return None


def _optional(found: Settings, name: str, cls: type, file: str, always: bool = False) -> Any:
    """Settings of a table that may be absent; `always`: the defaults then."""
    if name not in found.document and not always:
        return None
    table = _table(found, name, file)
    if table is None:
        return None
    instance, faults = build_table(cls, table, f"[{name}] in {file}")
    found.faults += faults
    return instance


def _read_head(found: Settings, file: str) -> None:
    if "project" not in found.document:
        found.faults.append(f"[project] is required and missing: {file}; give name, crs and vertical_datum")
        return
    table = _table(found, "project", file)
    if table is None:
        return
    where = f"[project] in {file}"
    found.head, faults = build_table(ProjectSettings, table, where)
    found.faults += faults
    text = table.get("crs")
    if isinstance(text, str):
        near = None if found.start is None else (found.start.easting, found.start.northing)
        faults = project_crs_faults(text, where, near)
        found.faults += faults
        found.crs_ok = not faults
    if found.head is not None and not found.head.vertical_datum.strip():
        found.warnings.append(f"vertical_datum is not stated: {where}; depths then have no stated zero")


def _list(found: Settings, name: str, file: str) -> list[Mapping[str, Any]]:
    """The tables of an array of tables; a fault when it is something else."""
    value = found.document.get(name, [])
    if isinstance(value, list) and all(isinstance(item, dict) for item in value):
        return value
    found.faults.append(f"{name} must be a list of tables: {file}; write [[{name}]] with double brackets")
    return []


def _read_seabeds(found: Settings, file: str) -> None:
    tables = _list(found, "seabed", file)
    if not found.document.get("seabed"):
        found.faults.append(f"[[seabed]] is required and missing: {file}; name at least one raster of depths")
    for number, table in enumerate(tables, 1):
        where = f"[[seabed]] {_title(table, 'file', number)} in {file}"
        seabed, faults = build_table(SeabedSettings, table, where)
        faults += parse_uncertainty(table.get("uncertainty"), where)[1] if seabed is not None else []
        if seabed is not None and found.head is not None:
            faults += datum_faults(seabed, found.head.vertical_datum, where)
        found.faults += faults
        if seabed is not None:
            found.seabeds.append((seabed, where))


def datum_faults(seabed: SeabedSettings, project_datum: str, where: str) -> list[str]:
    """Refuse to mix vertical datums without a declared offset and its source."""
    own = seabed.vertical_datum
    differs = own is not None and own.strip().casefold() != project_datum.strip().casefold()
    source = (seabed.vertical_offset_source or "").strip()
    faults = []
    if seabed.vertical_offset_m is None:
        if differs:
            faults.append(
                f"vertical_datum must be the project's, {project_datum!r} (got {own!r}): {where}; give "
                "vertical_offset_m (added to the depths of this file) and vertical_offset_source"
            )
        elif source:
            faults.append(
                f"vertical_offset_m is missing beside vertical_offset_source: {where}; give the figure"
            )
        return faults
    if not source:
        faults.append(
            f"vertical_offset_source is missing beside vertical_offset_m = {seabed.vertical_offset_m:g}: "
            f"{where}; say where the figure comes from"
        )
    if own is not None and not differs and seabed.vertical_offset_m != 0.0:
        faults.append(
            f"vertical_offset_m must be 0 on the project's own datum {own!r} "
            f"(got {seabed.vertical_offset_m:g}): {where}; mend vertical_datum or drop the offset"
        )
    return faults


def _read_layers(found: Settings, file: str) -> None:
    seen: set[str] = set()
    for number, table in enumerate(_list(found, "layer", file), 1):
        where = f"[[layer]] {_title(table, 'name', number)} in {file}"
        layer, faults = build_layer(table, where)
        found.faults += faults
        name, rule = table.get("name"), table.get("rule")
        if isinstance(name, str) and name in seen:
            found.faults.append(f"name must be used once (got {name!r} twice): {where}; rename one layer")
        seen.add(str(name))
        if isinstance(rule, str):
            idle = idle_keys(table, rule)
            found.warnings += [f"{key} has no effect with rule = {rule!r}: {where}" for key in idle]
        if layer is not None:
            found.layers.append((layer, where))


def _title(table: Mapping[str, Any], key: str, number: int) -> str:
    """What a table of a list is called in messages: its name, else its number."""
    value = table.get(key)
    return repr(value) if isinstance(value, str) and value else f"number {number}"


def _read_route(found: Settings, file: str) -> None:
    if "route" not in found.document:
        found.faults.append(f"[route] is required and missing: {file}; give start, end and min_bend_radius_m")
        return
    table = _table(found, "route", file)
    if table is None:
        return
    where = f"[route] in {file}"
    rules = {key: value for key, value in table.items() if key not in _ENDS}
    found.rules, faults = build_table(RouteRules, rules, where, _ENDS)
    found.faults += faults
    for name in ("start", "end"):
        if name not in table:
            found.faults.append(
                f"{name} is required and missing: {where}; give {{easting = ..., northing = ...}}"
            )
    found.start = _end(found, table.get("start"), "start", where)
    found.end = _end(found, table.get("end"), "end", where)
    via = table.get("via", [])
    if not isinstance(via, list):
        found.faults.append(
            f"via must be a list of positions: {where}; write [{{easting = ..., northing = ...}}]"
        )
        return
    points = [_end(found, value, f"via[{number}]", where) for number, value in enumerate(via, 1)]
    found.via = tuple(point for point in points if point is not None)


def _end(found: Settings, value: Any, name: str, where: str) -> RouteEnd | None:
    if value is None:
        return None
    if not isinstance(value, dict):
        found.faults.append(
            f"{name} must be a table (got {value!r}): {where}; {{easting = ..., northing = ...}}"
        )
        return None
    end, faults = build_table(RouteEnd, value, f"{name} of {where}")
    found.faults += faults
    return end
