"""What the study of the pipe says at a glance: counts, weights, volumes, settings, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.model.pipe import SOURCES, Environment, Pipe
from corridor.model.results import Table
from corridor.pipe.ground import Ground
from corridor.pipe.lay import LayAdvice
from corridor.pipe.section import LoadCase, section
from corridor.pipe.supports import Cure
from corridor.pipe.tables import count_verdicts

CAUTIONS = (
    "Span screening aid: not for construction. Governing codes, local law and a licensed engineer decide.",
    "ok means only that a span passes this screening with the settings listed.",
)

NOT_ASSESSED = (
    "local buckling",
    "on-bottom stability",
    "trawl impact",
    "scour",
    "fatigue",
    "lateral and upheaval buckling away from spans",
    "interaction of vibration in-line and cross-flow",
)


def warnings(
    pipe: Pipe, environment: Environment, ground: Ground, tvu: NDArray | None, cured: Cure
) -> list[str]:
    """What was not given or not found, in words."""
    found = []
    if environment.soil_stiffness_dynamic_kN_m2 is None:
        found.append(
            "soil_stiffness_dynamic_kN_m2 is not given: the static one is used, frequencies come out low"
        )
    if pipe.yield_strength_MPa is None:
        found.append("yield_strength_MPa is not given: static stress is not assessed")
    for name in ("current_m_s", "wave_velocity_m_s"):
        if getattr(environment, name) is None:
            found.append(f"{name} is not given: onset of vibration is not assessed")
    if tvu is None:
        found.append("the seabed's uncertainty is not given: no probabilities")
    inside = ground.inside
    coarse = np.mean(ground.cell_m[inside] > pipe.span_max_cell_m * (1 + 1e-6))
    if coarse > 0:
        found.append(
            f"{100 * coarse:.1f} % of the line lies on seabed cells coarser than span_max_cell_m = "
            f"{pipe.span_max_cell_m:g} m: spans there are not assessed"
        )
    if ground.hole[inside].any():
        found.append(
            f"{ground.hole[inside].sum() * ground.h:.0f} m of the line lie in holes of the survey: "
            "not assessed there"
        )
    if cured.uncured:
        numbers = ", ".join(map(str, cured.uncured))
        found.append(
            f"spans {numbers}: supports_per_span_most = {pipe.supports_per_span_most} supports and fewer "
            "did not cure them"
        )
    return found


def summary(
    spans: Table,
    supports: Table,
    trenches: list[dict],
    advice: LayAdvice,
    cured: Cure,
    cases: Sequence[LoadCase],
    pipe: Pipe,
    environment: Environment,
    warned: Sequence[str],
) -> dict[str, Any]:
    """What the statics found, as plain numbers and text for ``summary.json``.

    Lengths in m, volumes in m3, radii in m; every setting stands beside its source.
    """
    tube = section(pipe, environment)
    return {
        "spans": count_verdicts(spans),
        "supports": len(supports["support"]),
        "rock_m3": float(np.sum(supports["rock_m3"])),
        "uncured_spans": list(cured.uncured),
        "trenches": trenches,
        "lay_advice": {
            "friction_radius_m": advice.friction_radius_m,
            "bending_radius_m": advice.bending_radius_m,
            "least_radius_m": advice.least_radius_m,
            "catenary": {key: column.tolist() for key, column in advice.catenary.items()},
        },
        "section": {field.name: getattr(tube, field.name) for field in fields(tube)},
        "load_cases": [
            {
                "load_case": case.name,
                "dry_kg_m": case.dry_kg_m,
                "submerged_N_m": case.submerged_N_m,
                "effective_kg_m": case.effective_kg_m,
                "axial_force_kN": case.axial_force_N / 1e3,
            }
            for case in cases
        ],
        "settings": _settings(pipe) | _settings(environment),
        "warnings": list(warned),
        "not_assessed": list(NOT_ASSESSED),
        "cautions": list(CAUTIONS),
    }


def _settings(table: Pipe | Environment) -> dict[str, dict[str, Any]]:
    """Every setting with its value and where it comes from: the project, or the default's source."""
    settings = {}
    for field in fields(table):
        value = getattr(table, field.name)
        source = SOURCES.get(field.name, "default") if value == field.default else "project"
        settings[field.name] = {"value": value, "source": source}
    return settings
