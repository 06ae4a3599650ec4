"""Settings as dataclass fields that know their own limits.

A settings class is a frozen dataclass whose fields are made with
:func:`setting`. The limits live beside the field, are checked when an object
is built (:func:`validate`) and serve the project reader, which collects every
fault of a file before it stops. One place, one wording.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Mapping
from typing import Any

from corridor.errors import SettingError

REQUIRED = dataclasses.MISSING


def setting(
    default: Any = REQUIRED,
    *,
    above: float | None = None,
    below: float | None = None,
    least: float | None = None,
    most: float | None = None,
    choices: tuple[str, ...] | None = None,
    remedy: str = "",
) -> Any:
    """Declare one setting of a settings class.

    Parameters
    ----------
    default : any
        Value when the key is absent; without it the key is required.
    above, below : float, optional
        Open limits: the value must be > `above`, < `below`.
    least, most : float, optional
        Closed limits: the value must be >= `least`, <= `most`.
    choices : tuple of str, optional
        The words allowed.
    remedy : str
        What to do about a wrong value, appended to the message.
    """
    metadata = {
        "above": above,
        "below": below,
        "least": least,
        "most": most,
        "choices": choices,
        "remedy": remedy,
    }
    if default is REQUIRED:
        return dataclasses.field(metadata=metadata)
    return dataclasses.field(default=default, metadata=metadata)


def validate(instance: Any, where: str = "") -> None:
    """Raise :class:`SettingError` with every field of `instance` that is out of range."""
    faults = []
    hints = typing.get_type_hints(type(instance))
    for field in dataclasses.fields(instance):
        value = getattr(instance, field.name)
        faults += _faults(field, hints[field.name], value, where)
    if faults:
        raise SettingError(faults)


def build(cls: type, table: Mapping[str, Any], where: str, **given: Any) -> tuple[Any, list[str]]:
    """Build a settings object from a table of a project file.

    Parameters
    ----------
    cls : type
        Dataclass whose fields are made with :func:`setting`.
    table : mapping
        Keys and values as read from TOML.
    where : str
        Named in every message, for example ``[route] in project.toml``.
    **given
        Fields that do not come from the table.

    Returns
    -------
    instance : cls or None
        None when there are faults.
    faults : list of str
        Every unknown key, missing key, wrong type and value out of range.
    """
    fields = {field.name: field for field in dataclasses.fields(cls) if field.init}
    hints = typing.get_type_hints(cls)
    faults = []
    values = dict(given)
    for key, value in table.items():
        if key not in fields or key in given:
            known = ", ".join(sorted(set(fields) - set(given)))
            faults.append(f"unknown key {key!r}: {where}; known keys are {known}")
            continue
        value = _widen(hints[key], value)
        problems = _faults(fields[key], hints[key], value, where)
        faults += problems
        if not problems:
            values[key] = value
    for name, field in fields.items():
        absent = name not in table and name not in given
        if absent and field.default is REQUIRED and field.default_factory is REQUIRED:
            faults.append(f"{name} is required and missing: {where}")
    if faults:
        return None, faults
    try:
        return cls(**values), []
    except SettingError as error:
        return None, [f"{fault}: {where}" if where not in fault else fault for fault in error.faults]


def _widen(hint: Any, value: Any) -> Any:
    """Turn TOML's int into float and list into tuple where the field wants that."""
    kinds = _kinds(hint)
    if isinstance(value, bool):
        return value
    if isinstance(value, int) and float in kinds:
        return float(value)
    if isinstance(value, list) and tuple in kinds:
        return tuple(float(v) if isinstance(v, int) and not isinstance(v, bool) else v for v in value)
    return value


def _kinds(hint: Any) -> tuple[type, ...]:
    origin = typing.get_origin(hint)
    if origin in (typing.Union, types.UnionType):
        return tuple(kind for part in typing.get_args(hint) for kind in _kinds(part))
    return (int, float) if hint is float else (origin or hint,)


def _faults(field: dataclasses.Field, hint: Any, value: Any, where: str) -> list[str]:
    limits = field.metadata
    if "remedy" not in limits:
        return []
    place = f": {where}" if where else ""
    remedy = f"; {limits['remedy']}" if limits["remedy"] else ""

    def fault(requirement: str) -> list[str]:
        return [f"{field.name} must be {requirement} (got {value!r}){place}{remedy}"]

    kinds = _kinds(hint)
    if value is None and type(None) in kinds:
        return []
    if (isinstance(value, bool) and bool not in kinds) or not isinstance(value, kinds):
        names = " or ".join(
            _word(kind) for kind in kinds if kind is not type(None) and not (kind is int and float in kinds)
        )
        return fault(f"{names}")
    if limits["choices"] and isinstance(value, str) and value not in limits["choices"]:
        return fault("one of " + ", ".join(limits["choices"]))
    for number in value if isinstance(value, tuple) else (value,):
        if isinstance(number, bool) or not isinstance(number, (int, float)):
            continue
        if not math.isfinite(number):
            return fault("a finite number")
        if limits["above"] is not None and not number > limits["above"]:
            return fault(f"> {limits['above']:g}")
        if limits["below"] is not None and not number < limits["below"]:
            return fault(f"< {limits['below']:g}")
        if limits["least"] is not None and not number >= limits["least"]:
            return fault(f">= {limits['least']:g}")
        if limits["most"] is not None and not number <= limits["most"]:
            return fault(f"<= {limits['most']:g}")
    return []


def _word(kind: type) -> str:
    words = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}
    return words.get(kind, "a list" if kind in (tuple, list) else "a table")
