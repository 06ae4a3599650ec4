"""The tables of a project file and what may stand in them.

Every table is a dataclass whose fields know their limits
(:mod:`corridor.model.fields`). To add a table to the project file, write its
dataclass and add one line to :data:`EXTRA_TABLES`: the reader then checks it
like the others, and ``project.tables["name"]`` holds the result.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from corridor.errors import InputError
from corridor.model.fields import build, setting
from corridor.model.layers import RULES
from corridor.model.permit import ZoneSettings
from corridor.model.publication import QuantitySettings, SheetSettings
from corridor.model.reroute import RerouteSettings
from corridor.model.survey import SurveySettings

EXTRA_TABLES: Mapping[str, type] = {
    "quantities": QuantitySettings,
    "reroute": RerouteSettings,
    "sheets": SheetSettings,
    "survey": SurveySettings,
    "zones": ZoneSettings,
}
"""Further tables of the project file: name -> settings dataclass. One line adds one."""


@dataclass(frozen=True, slots=True)
class ProjectSettings:
    """The ``[project]`` table."""

    name: str = setting()
    crs: str = setting(remedy="give a projected CRS in metres, for example 'EPSG:32740'")
    vertical_datum: str = setting("")


@dataclass(frozen=True, slots=True)
class SeabedSettings:
    """One ``[[seabed]]`` table.

    `vertical_offset_m` is added to the depths of the file to bring them to the
    project's vertical datum; it is positive where the project's datum lies
    above the file's. `crs` and `nodata` are for files that do not say it
    themselves, `band` and `variable` for files with several rasters.
    """

    file: str = setting()
    values: str = setting(
        choices=("elevation", "depth"),
        remedy="elevation is positive up, depth positive down; it is never guessed",
    )
    name: str | None = setting(None)
    vertical_datum: str | None = setting(None)
    vertical_offset_m: float | None = setting(None, least=-1000.0, most=1000.0)
    vertical_offset_source: str | None = setting(None)
    uncertainty: Mapping[str, Any] | str | None = setting(None)
    band: int = setting(1, least=1)
    variable: str | None = setting(None)
    nodata: float | None = setting(None)
    crs: str | None = setting(None)


@dataclass(frozen=True, slots=True)
class LayerSettings:
    """One ``[[layer]]`` table.

    Attributes
    ----------
    name, file, table : str
        `table` only for files with several.
    rule : {"avoid", "discourage", "cross", "stay_within", "jurisdiction"}
    where : str, optional
        Filter over the attributes, as in SQL: ``status = 'active'``.
    crs : str, optional
        Of a file that does not say it itself.
    standoff_m, position_uncertainty_m : float or str
        Ground metres, or the name of the attribute that holds them.
    factor : float
        discourage: a metre inside counts this many times; required there.
    min_angle_deg, straight_each_side_m, crossing_cost_m : float
        cross: least angle (45 degrees: cable-protection guidance, from memory),
        straight on both sides, price in equivalent metres.
    needs_consent : bool
        A limit of law or safety: relaxing it needs an authority.
    season, valid_from, valid_to, authority, legal_basis, owner, kind, status : str, optional
        Carried to the outputs; dates as ``YYYY-MM-DD``.
    diameter_m, cover_m, separation_m : float, optional
        Of the assets in the layer, and the vertical distance to keep from them.
    publish_columns : tuple of str
        Attributes that may be published although they look personal.
    """

    name: str = setting()
    file: str = setting()
    rule: str = setting(choices=RULES)
    table: str | None = setting(None)
    where: str | None = setting(None)
    crs: str | None = setting(None)
    standoff_m: float | str = setting(0.0, least=0.0)
    position_uncertainty_m: float | str = setting(0.0, least=0.0)
    factor: float | None = setting(None, least=1.0, remedy="2.5 makes a metre inside count as 2.5 metres")
    min_angle_deg: float = setting(45.0, least=0.0, most=90.0)
    straight_each_side_m: float = setting(0.0, least=0.0)
    crossing_cost_m: float = setting(0.0, least=0.0)
    needs_consent: bool = setting(False)
    season: str | None = setting(None)
    valid_from: str | None = setting(None, remedy="write the date as YYYY-MM-DD")
    valid_to: str | None = setting(None, remedy="write the date as YYYY-MM-DD")
    authority: str | None = setting(None)
    legal_basis: str | None = setting(None)
    owner: str | None = setting(None)
    kind: str | None = setting(None)
    status: str | None = setting(None)
    diameter_m: float | None = setting(None, above=0.0)
    cover_m: float | None = setting(None, least=0.0)
    separation_m: float | None = setting(None, least=0.0)
    publish_columns: tuple[str, ...] = setting(())

    @property
    def extras(self) -> dict[str, Any]:
        """The keys that travel with the layer, where given."""
        return {key: getattr(self, key) for key in _CARRIED if getattr(self, key) not in (None, ())}


_CARRIED = (
    "season", "valid_from", "valid_to", "authority", "legal_basis", "owner", "kind", "status",
    "diameter_m", "cover_m", "separation_m", "publish_columns",
)  # fmt: skip

_ONLY_FOR = {
    "factor": ("discourage",),
    "min_angle_deg": ("cross",),
    "straight_each_side_m": ("cross",),
    "crossing_cost_m": ("cross",),
    "standoff_m": ("avoid", "cross", "discourage", "stay_within"),
    "position_uncertainty_m": ("avoid", "cross", "discourage", "stay_within"),
}


def idle_keys(table: Mapping[str, Any], rule: str) -> list[str]:
    """Keys of a layer's table that its rule does not use."""
    return [key for key, rules in _ONLY_FOR.items() if key in table and rule not in rules]


def build_layer(table: Mapping[str, Any], where: str) -> tuple[LayerSettings | None, list[str]]:
    """A ``[[layer]]`` table, checked: as :func:`build_table`, with what depends on the rule and the dates."""
    plain = {key: value.isoformat() if isinstance(value, date) else value for key, value in table.items()}
    layer, faults = build_table(LayerSettings, plain, where)
    if plain.get("rule") == "discourage" and "factor" not in plain:
        faults.append(f"factor is required with rule = 'discourage': {where}; 2.5 makes a metre count as 2.5")
    for key in ("valid_from", "valid_to"):
        text = plain.get(key)
        if isinstance(text, str) and not _is_date(text):
            faults.append(f"{key} must be a date (got {text!r}): {where}; write it as YYYY-MM-DD")
    return (None if faults else layer), faults


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text[:10])
    except ValueError:
        return False
    return True


def build_table(
    cls: type, table: Mapping[str, Any], where: str, also: Iterable[str] = ()
) -> tuple[Any, list[str]]:
    """Build a settings object from a table, with every fault at once.

    As :func:`corridor.model.fields.build`; unknown keys come with the nearest
    known one, keys in `also` are left to the caller, the entries of lists are
    checked too, and a key at fault hides no other fault.

    Returns
    -------
    instance : cls or None
    faults : list of str
    """
    known = {field.name for field in dataclasses.fields(cls) if field.init}
    faults = unknown_keys(table, known | set(also), where)
    rest = {key: value for key, value in table.items() if key in known}
    entries = _entry_faults(cls, rest, where)
    for key in entries:
        del rest[key]
    faults += entries.values()
    try:
        instance, others = build(cls, rest, where)
    except InputError as error:  # what the class itself finds wrong in the combination of values
        instance, others = None, [fault if where in fault else f"{fault}: {where}" for fault in error.faults]
    faults += others
    return (None if entries else instance), faults


def unknown_keys(table: Mapping[str, Any], known: Iterable[str], where: str) -> list[str]:
    """One fault for each key of `table` that is not in `known`."""
    names = sorted(known)
    faults = []
    for key in table:
        if key not in names:
            near = difflib.get_close_matches(key, names, n=1, cutoff=0.75)
            hint = f"did you mean {near[0]!r}?" if near else f"known keys are {', '.join(names)}"
            faults.append(f"unknown key {key!r}: {where}; {hint}")
    return faults


def _entry_faults(cls: type, table: Mapping[str, Any], where: str) -> dict[str, str]:
    """Lists whose entries are of the wrong type: key -> fault."""
    hints = typing.get_type_hints(cls)
    faults = {}
    for key, value in table.items():
        if typing.get_origin(hints[key]) is not tuple or not isinstance(value, list):
            continue
        kind = typing.get_args(hints[key])[0]
        kind = typing.get_origin(kind) or kind
        if kind is float:
            good = all(_is_number(item) for item in value)
            word = "finite numbers"
        else:
            good = all(isinstance(item, kind) for item in value)
            word = "texts" if kind is str else "tables"
        if not good:
            faults[key] = f"{key} must be a list of {word} (got {value!r}): {where}"
    return faults


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def build_rates(table: Mapping[str, Any], where: str) -> tuple[dict[str, float], list[str]]:
    """The ``[rates]`` table: free names, each with a number."""
    faults = [
        f"{key} must be a finite number (got {value!r}): {where}; give a price per unit"
        for key, value in table.items()
        if not _is_number(value)
    ]
    return {key: float(value) for key, value in table.items() if _is_number(value)}, faults
