"""change.json and change.csv: what a reroute replaced, and old against new."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from corridor.assess.cautions import CAUTIONS
from corridor.assess.change import Figures
from corridor.model.reroute import Clash, Reroute
from corridor.model.results import Study
from corridor.publish.provenance import Stamp, stamp
from corridor.publish.publish import Extra
from corridor.publish.summary import json_ready, write_json
from corridor.publish.tables import decimals, table_of_rows, write_csv

WHOLE_FIGURES = 3
"""Decimals of the figures compared."""


def change_content(
    found: Reroute, figures: Figures | None = None, marks: Stamp | None = None
) -> dict[str, Any]:
    """What ``change.json`` holds.

    Parameters
    ----------
    found : Reroute
    figures : Figures, optional
        Without them the members ``comparison`` and ``kp_equations`` are empty.
    marks : Stamp, optional
    """
    marks = marks or stamp(found.project)
    equations = figures.kp_equations if figures is not None else ()
    rows = figures.rows if figures is not None else ()
    laying = dataclasses.asdict(found.laying) if found.laying is not None else None
    return json_ready(
        {
            "status": "changed" if found.changed else "no change needed",
            "obstructions": [_clash(clash) for clash in found.clashes],
            "changes": [
                {
                    "old_from_kp_km": _kp(part.old_from_m),
                    "old_to_kp_km": _kp(part.old_to_m),
                    "new_from_kp_km": _kp(part.new_from_m),
                    "new_to_kp_km": _kp(part.new_to_m),
                    "first_new_ip": f"IP{part.first_ip}",
                    "last_new_ip": f"IP{part.last_ip}",
                    "obstructions": list(part.obstructions),
                    "last_departure_kp_km": _kp(part.last_departure_m),
                    "extra_cost_m": round(part.extra_cost_m, 3),
                    "least_proven": part.enough_ground,
                }
                for part in found.parts
            ],
            "kp_equations": [_rounded(row) for row in equations],
            "comparison": [_rounded(row) for row in rows],
            "laying": laying and _laying(laying),
            "new_ground_cost": found.settings.new_ground_cost,
            "notes": list(found.notes),
            "cautions": list(CAUTIONS),
            **marks.as_dict(),
            "settings": found.project.settings,
        }
    )


def change_writer(found: Reroute, figures: Figures) -> Extra:
    """A writer of both files for :func:`corridor.publish.publish.publish_study`."""

    def write(study: Study, folder: Path, marks: Stamp) -> None:
        content = change_content(found, figures, marks)
        write_json(folder / "change.json", content)
        rows = content["comparison"]
        write_csv(folder / "change.csv", "change", table_of_rows(rows, rows[0]))

    return write


def change_story(content: Mapping[str, Any]) -> list[str]:
    """The change in a few lines of text."""
    lines = [f"status           {content['status']}"]
    for clash in content["obstructions"]:
        word = "too near" if clash["hit"] else "clear"
        lines.append(
            f"obstruction      {clash['feature']}: approved line passes at {clash['distance_m']:.1f} m "
            f"at KP {clash['kp_km']:.3f}, {clash['limit_m']:.1f} m required: {word}"
        )
    for part in content["changes"]:
        shift = (part["new_to_kp_km"] - part["old_to_kp_km"]) * 1000.0
        lines.append(
            f"change           leaves at KP {part['old_from_kp_km']:.3f}, rejoins at old KP "
            f"{part['old_to_kp_km']:.3f} = new KP {part['new_to_kp_km']:.3f} ({shift:+.1f} m)"
        )
        lines.append(
            f"last departure   KP {part['last_departure_kp_km']:.3f}, "
            f"{part['extra_cost_m']:.0f} equivalent m more than the approved line"
        )
    laying = content["laying"]
    if laying is not None:
        lines.append(
            f"laying           {laying['left_m']:.0f} m left to lay from KP {laying['laid_to_kp_km']:.3f}: "
            f"{laying['joints_left']} joints of {laying['joint_length_m']:g} m "
            f"or {laying['doubles_left']} doubles, "
            f"{laying['hours_left']:.1f} h at {laying['lay_rate_km_day']:g} km a day"
            + (f" less {laying['decision_hours']:g} h to decide" if laying["decision_hours"] else "")
        )
    lines += [f"note             {text}" for text in content["notes"]]
    return lines


def _clash(clash: Clash) -> dict[str, Any]:
    return {
        "layer": clash.layer,
        "feature": clash.feature,
        "distance_m": round(clash.distance_m, 3),
        "limit_m": round(clash.limit_m, 3),
        "kp_km": _kp(clash.station_m),
        "hit": clash.hit,
        "too_near_kp_km": [[_kp(low), _kp(high)] for low, high in clash.stretches_m],
    }


def _laying(values: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "laid_to_kp_km": _kp(values["laid_to_m"]),
        "layback_m": values["layback_m"],
        "last_departure_kp_km": _kp(values["last_departure_m"]),
        "left_m": round(values["left_m"], 3),
        "lay_rate_km_day": values["lay_rate_km_day"],
        "decision_hours": values["decision_hours"],
        "hours_left": round(values["hours_left"], 2),
        "joint_length_m": values["joint_length_m"],
        "joints_left": values["joints_left"],
        "doubles_left": values["doubles_left"],
    }


def _rounded(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row at published precision."""
    return {
        key: round(value, decimals(key) if key.endswith(("_km", "_m")) else WHOLE_FIGURES) + 0.0
        if isinstance(value, float) and math.isfinite(value)
        else value
        for key, value in row.items()
    }


def _kp(station_m: float) -> float:
    return round(float(station_m) / 1000.0, 6) + 0.0
