"""The yes/no table: what an authority asks first, answered from the other tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from corridor.model.permit import Reference, Zone, ZoneSettings
from corridor.model.results import Table
from corridor.model.rules import RouteRules
from corridor.permit.line_tables import gaps, table_of
from corridor.routing.approach import stretches_inside
from corridor.routing.geometry import Elements

COLUMNS = ("condition", "yes", "detail")
NAMED = 5
"""Names spelled out in a detail; the rest is counted, the tables have all."""


def condition_table(
    line: Elements,
    zones: Sequence[Zone],
    references: Sequence[Reference],
    tables: Mapping[str, Table],
    rules: RouteRules,
    settings: ZoneSettings,
) -> Table:
    """One row per condition: its text, whether it holds, and what stands behind the answer."""
    near = {int(number) for number in tables["approach"]["zone"]}
    close = [zone for zone in zones if zone.number in near]
    rows = [
        *_entered(tables["stretches"], line.total_m, rules),
        _corridor(tables["overlap"], settings, rules),
        *_assets(tables["parties"], references),
        *_inside_grounds(line, references),
        *_jurisdictions(tables["jurisdiction"]),
        *_papers(close),
    ]
    return table_of(COLUMNS, rows)


def _entered(stretches: Table, total_m: float, rules: RouteRules) -> list[tuple[str, bool, str]]:
    tie_in = np.isin(stretches["layer"], rules.tie_in_layers) & (stretches["rule"] == "avoid")
    avoid = (stretches["rule"] == "avoid") & ~tie_in
    in_force = avoid & stretches["in_force"]
    consent = stretches["needs_consent"]
    rows = [
        ("The line stays outside every zone to keep out of that is in force", not in_force.any(),
         _ranges(stretches, in_force)),
        ("The line stays outside zones to keep out of that are not in force in this period",
         not (avoid & ~stretches["in_force"]).any(), _ranges(stretches, avoid & ~stretches["in_force"])),
        ("The line enters no zone whose limit only an authority can relax",
         not (consent & ~tie_in).any(), _ranges(stretches, consent & ~tie_in)),
        ("The line stays outside discouraged ground", not (stretches["rule"] == "discourage").any(),
         _ranges(stretches, stretches["rule"] == "discourage")),
    ]  # fmt: skip
    if rules.tie_in_layers:
        low, high = stretches["kp_start_km"] * 1000.0, stretches["kp_end_km"] * 1000.0
        at_end = (high <= rules.tie_in_length_m + 1e-3) | (low >= total_m - rules.tie_in_length_m - 1e-3)
        text = f"Tie-in zones are entered only within {rules.tie_in_length_m:g} m of an end of the line"
        rows.append((text, not (tie_in & ~at_end).any(), _ranges(stretches, tie_in)))
    return rows


def _ranges(stretches: Table, chosen: Any) -> str:
    index = np.flatnonzero(chosen)
    parts = [
        f"{_short(stretches['feature'][i])} KP {stretches['kp_start_km'][i]:.3f} to "
        f"{stretches['kp_end_km'][i]:.3f} ({stretches['length_m'][i]:.0f} m)"
        for i in index[:NAMED]
    ]
    return _listed(parts, len(index)) or "none"


def _corridor(overlap: Table, settings: ZoneSettings, rules: RouteRules) -> tuple[str, bool, str]:
    tie_in = np.isin(overlap["layer"], rules.tie_in_layers)
    hit = np.flatnonzero((overlap["rule"] == "avoid") & overlap["in_force"] & ~tie_in)
    parts = [f"{_short(overlap['feature'][i])} {overlap['overlap_ha'][i]:.2f} ha" for i in hit[:NAMED]]
    text = (
        f"The working corridor, {settings.working_corridor_m:g} m wide, "
        "stays outside every zone to keep out of that is in force"
    )
    return text, not len(hit), _listed(parts, len(hit)) or "no overlap"


def _assets(parties: Table, references: Sequence[Reference]) -> list[tuple[str, bool, str]]:
    if not any(item.rule == "cross" for item in references):
        return []
    crossed = parties["role"] == "owner of a crossed asset"
    unnamed = np.flatnonzero(crossed & (parties["party"] == "(not stated)"))
    flat = np.flatnonzero(crossed & (parties["angle_deg"] < parties["min_angle_deg"] - 1e-4))
    where = [f"{_short(parties['feature'][i])} KP {parties['kp_km'][i]:.3f}" for i in unnamed[:NAMED]]
    angles = [
        f"{_short(parties['feature'][i])} KP {parties['kp_km'][i]:.3f} {parties['angle_deg'][i]:.1f} degrees"
        for i in flat[:NAMED]
    ]
    count = int(crossed.sum())
    return [
        ("Every asset crossed has a named owner", not len(unnamed),
         _listed(where, len(unnamed)) or f"{count} crossings"),
        ("Every asset is crossed at no less than its least angle", not len(flat),
         _listed(angles, len(flat)) or f"{count} crossings"),
    ]  # fmt: skip


def _inside_grounds(line: Elements, references: Sequence[Reference]) -> list[tuple[str, bool, str]]:
    rows = []
    for layer in dict.fromkeys(item.layer for item in references if item.rule == "stay_within"):
        grounds = [item.geometry for item in references if item.layer == layer]
        outside = gaps(stretches_inside(line, shapely.union_all(grounds)), line.total_m)
        parts = [f"KP {low / 1000.0:.3f} to {high / 1000.0:.3f}" for low, high in outside[:NAMED]]
        text = f"The line lies wholly within {_short(layer)}"
        rows.append((text, not outside, _listed(parts, len(outside)) or "whole line"))
    return rows


def _jurisdictions(table: Table) -> list[tuple[str, bool, str]]:
    rows = []
    for layer in dict.fromkeys(table["layer"].tolist()):
        outside = np.flatnonzero((table["layer"] == layer) & (table["feature"] == "(in none)"))
        parts = [f"KP {table['kp_start_km'][i]:.3f} to {table['kp_end_km'][i]:.3f}" for i in outside[:NAMED]]
        text = f"The whole line lies in a stated area of {_short(layer)}"
        rows.append((text, not len(outside), _listed(parts, len(outside)) or "whole line"))
    return rows


def _papers(zones: Sequence[Zone]) -> list[tuple[str, bool, str]]:
    """What is stated about the zones near the line."""
    questions = [
        ("Every zone near the line names its authority", [zone for zone in zones if not zone.authority]),
        ("Every zone near the line names its legal basis", [zone for zone in zones if not zone.legal_basis]),
        (
            "Every zone near the line rests on a position without stated uncertainty",
            [zone for zone in zones if zone.uncertainty_m > 0.0],
        ),
        (
            "Every zone near the line has dates that could be read",
            [zone for zone in zones if zone.activity.startswith("counted as in force")],
        ),
    ]
    return [
        (
            text,
            not missing,
            _listed([_short(zone.feature) for zone in missing[:NAMED]], len(missing)) or "all",
        )
        for text, missing in questions
    ]


def _short(name: str) -> str:
    return name if len(name) <= 60 else name[:57] + "..."


def _listed(parts: Sequence[str], count: int) -> str:
    more = f" and {count - len(parts)} more" if count > len(parts) else ""
    return "; ".join(parts) + more
