"""From chart objects to layers: which class goes where, under which rule, how far apart.

The table itself is data (``corridor/io/chart_rules.toml``, or a user's copy).
Matching is by the first rule of a class whose conditions hold; an attribute
that is absent meets no condition. So the general rule of a class, which has no
condition and stands last, decides where a chart is silent, and is written to be
the careful one: a chart without RESTRN does not say that there is no restriction.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from corridor.errors import SettingError
from corridor.model.layers import RULES

LAYER_KEYS = {
    "rule": str, "standoff_m": (int, float), "factor": (int, float), "min_angle_deg": (int, float),
    "straight_each_side_m": (int, float), "crossing_cost_m": (int, float), "needs_consent": bool,
    "legal_basis": str, "authority": str,
}  # fmt: skip
RULE_KEYS = {
    "class": str,
    "layer": str,
    "when": dict,
    "standoff_m": (int, float),
    "seasonal": bool,
    "note": str,
}
COPIED_KEYS = tuple(key for key in LAYER_KEYS if key != "standoff_m")


@dataclass(frozen=True, slots=True)
class ClassRule:
    """One line of the table.

    Attributes
    ----------
    object_class : str
        S-57 acronym.
    layer : str
    when : mapping of attribute -> codes
        All must hold; one code in common is enough for an attribute with several.
    standoff_m : float or None
        None takes the layer's.
    seasonal : bool
        PERSTA and PEREND count.
    note : str
    """

    object_class: str
    layer: str
    when: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    standoff_m: float | None = None
    seasonal: bool = True
    note: str = ""


@dataclass(frozen=True, slots=True)
class ChartTable:
    """The whole table.

    Attributes
    ----------
    layers : mapping of name -> keys of its ``[[layer]]`` table
    rules : mapping of class -> its rules in order
    not_used : frozenset of str
        Classes that have no bearing on a line on the seabed: counted and listed, not written.
    quapos, quasou, catzoc : mapping of code -> m
    posacc_factor : float
    """

    layers: Mapping[str, Mapping[str, Any]]
    rules: Mapping[str, tuple[ClassRule, ...]]
    not_used: frozenset[str]
    quapos: Mapping[int, float]
    quasou: Mapping[int, float]
    catzoc: Mapping[int, float]
    posacc_factor: float


@dataclass(frozen=True, slots=True)
class Widening:
    """What is added to a feature's standoff, with the reasons in words."""

    standoff_m: float
    position_m: float
    reasons: tuple[str, ...]


def chart_table(data: Mapping[str, Any], where: str) -> ChartTable:
    """Check a table as read from TOML; every fault at once.

    Raises
    ------
    SettingError
    """
    faults = [
        f"unknown table [{key}]: {where}; known are layer, class, not_used, widen"
        for key in data
        if key not in ("layer", "class", "not_used", "widen")
    ]
    layers = data.get("layer", {})
    for name, keys in layers.items():
        faults += _key_faults(keys, LAYER_KEYS, f"[layer.{name!r}] in {where}")
        if keys.get("rule") not in RULES:
            faults.append(
                f"rule must be one of {', '.join(RULES)} (got {keys.get('rule')!r}): "
                f"[layer.{name!r}] in {where}"
            )
    rules: dict[str, list[ClassRule]] = {}
    for i, row in enumerate(data.get("class", []), start=1):
        place = f"[[class]] number {i} ({row.get('class', '?')}) in {where}"
        problems = _key_faults(row, RULE_KEYS, place)
        if not row.get("class"):
            problems.append(f"class is required and missing: {place}")
        if row.get("layer") not in layers:
            problems.append(f"layer must be one of those in [layer] (got {row.get('layer')!r}): {place}")
        faults += problems
        if not problems:
            rules.setdefault(row["class"], []).append(_class_rule(row))
    faults += [
        f"class {name} needs a last rule without 'when', for objects whose chart is silent: {where}"
        for name, own in rules.items()
        if own[-1].when
    ]
    widen = data.get("widen", {})
    amounts, problems = _amounts(widen, where)
    faults += problems
    if faults:
        raise SettingError(faults)
    return ChartTable(
        layers=layers,
        rules={name: tuple(own) for name, own in rules.items()},
        not_used=frozenset(data.get("not_used", {}).get("classes", ())),
        posacc_factor=float(widen.get("posacc_factor", 1.0)),
        **amounts,
    )


def _class_rule(row: Mapping[str, Any]) -> ClassRule:
    when = {
        key: tuple(codes if isinstance(codes, list) else [codes])
        for key, codes in row.get("when", {}).items()
    }
    standoff = row.get("standoff_m")
    return ClassRule(
        object_class=row["class"],
        layer=row["layer"],
        when=when,
        standoff_m=None if standoff is None else float(standoff),
        seasonal=row.get("seasonal", True),
        note=row.get("note", ""),
    )


def _key_faults(row: Mapping[str, Any], known: Mapping[str, Any], place: str) -> list[str]:
    faults = []
    for key, value in row.items():
        if key not in known:
            faults.append(f"unknown key {key!r}: {place}; known keys are {', '.join(known)}")
        elif not isinstance(value, known[key]) or (isinstance(value, bool) and known[key] is not bool):
            faults.append(f"{key} has the wrong type (got {value!r}): {place}")
        elif isinstance(value, (int, float)) and value < 0:
            faults.append(f"{key} must be >= 0 (got {value!r}): {place}")
    return faults


def _amounts(widen: Mapping[str, Any], where: str) -> tuple[dict[str, dict[int, float]], list[str]]:
    amounts: dict[str, dict[int, float]] = {}
    faults = [
        f"unknown key {key!r}: [widen] in {where}; known are posacc_factor, quapos, quasou, catzoc"
        for key in widen
        if key not in ("posacc_factor", "quapos", "quasou", "catzoc")
    ]
    for name in ("quapos", "quasou", "catzoc"):
        amounts[name] = {}
        for code, metres in widen.get(name, {}).items():
            if not str(code).isdecimal() or not isinstance(metres, (int, float)) or not 0 <= metres < 1e5:
                faults.append(
                    f"code = metres, >= 0, is needed (got {code} = {metres!r}): [widen.{name}] in {where}"
                )
            else:
                amounts[name][int(code)] = float(metres)
    return amounts, faults


def codes_of(value: Any) -> tuple[int, ...]:
    """The codes of an enumerated or list attribute: 7, "7,8", ["7", "8"]; () where absent."""
    if value is None or value != value:
        return ()
    if isinstance(value, (int, float)):
        return (int(value),)
    parts = value.split(",") if isinstance(value, str) else list(value)
    return tuple(int(part) for part in (str(part).strip() for part in parts) if part.isdecimal())


def matching_rule(table: ChartTable, object_class: str, attributes: Mapping[str, Any]) -> ClassRule | None:
    """The first rule of `object_class` whose conditions hold; None for a class without rules."""
    for rule in table.rules.get(object_class, ()):
        if all(set(codes) & set(codes_of(attributes.get(key))) for key, codes in rule.when.items()):
            return rule
    return None


def codes_without_rule(
    table: ChartTable, object_class: str, attributes: Mapping[str, Any]
) -> tuple[tuple[str, int], ...]:
    """Codes of attributes that decide about a class, for which no rule of it says anything."""
    known: dict[str, set[int]] = {}
    for rule in table.rules.get(object_class, ()):
        for key, codes in rule.when.items():
            known.setdefault(key, set()).update(codes)
    return tuple(
        (key, code)
        for key, codes in known.items()
        for code in codes_of(attributes.get(key))
        if code not in codes
    )


def widening(
    table: ChartTable,
    attributes: Mapping[str, Any],
    quapos: Iterable[int] = (),
    posacc_m: Iterable[float] = (),
    catzoc: Iterable[int] = (),
) -> Widening:
    """How much a doubtful position or an unknown least depth widens a standoff.

    The position part is the largest of the stated accuracy (POSACC, of the
    feature's own positions or of the data quality area it lies in) and of the
    amounts for its position quality codes (QUAPOS) and zones of confidence
    (CATZOC). QUASOU adds to the standoff. Codes without an amount add nothing.
    """
    position, reasons = 0.0, []
    for code in sorted(set(quapos)):
        metres = table.quapos.get(code, 0.0)
        if metres:
            reasons.append(f"QUAPOS {code}: {metres:g} m")
        position = max(position, metres)
    accuracy = max(posacc_m, default=0.0) * table.posacc_factor
    if accuracy > 0.0:
        reasons.append(f"POSACC: {accuracy:g} m")
        position = max(position, accuracy)
    for code in sorted(set(catzoc)):
        metres = table.catzoc.get(code, 0.0)
        if metres:
            reasons.append(f"CATZOC {code}: {metres:g} m")
        position = max(position, metres)
    standoff = 0.0
    for code in codes_of(attributes.get("QUASOU")):
        metres = table.quasou.get(code, 0.0)
        if metres:
            reasons.append(f"QUASOU {code}: {metres:g} m")
        standoff = max(standoff, metres)
    return Widening(standoff, position, tuple(reasons))


def layer_entry(name: str, file: str, table: str, keys: Mapping[str, Any], count: int, note: str = "") -> str:
    """One ``[[layer]]`` table of a project file, ready to paste.

    The table has columns ``standoff_m`` and ``position_uncertainty_m`` unless a
    `note` says that it has no rule yet.
    """
    lines = [f"# {counted(count)}{': ' + note if note else ''}", "[[layer]]"]
    entries: dict[str, Any] = {"name": name, "file": file, "table": table}
    entries |= {key: keys[key] for key in COPIED_KEYS if key in keys}
    if note:
        entries["standoff_m"] = 0.0
    elif keys["rule"] in ("avoid", "cross"):
        entries["standoff_m"] = "standoff_m"
    if not note and keys["rule"] != "jurisdiction":
        entries["position_uncertainty_m"] = "position_uncertainty_m"
    lines += [f"{key} = {_toml(value)}" for key, value in entries.items()]
    return "\n".join(lines) + "\n"


def counted(count: int) -> str:
    """``1 feature``, ``2 features``."""
    return f"{count} feature" if count == 1 else f"{count} features"


def commented(text: str) -> str:
    """`text` with every line made a TOML comment."""
    return "".join(f"# {line}\n" for line in text.splitlines())


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return f"{value:g}"
    # A JSON string is a TOML basic string, once DEL is escaped too (TOML 1.0, section String).
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
