"""summary.json and, where no line obeys the rules, no_route.json."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from corridor.assess.cautions import CAUTIONS
from corridor.assess.spans import spans_by_verdict
from corridor.model.results import Assessment, Check, Study
from corridor.publish.provenance import Stamp


def summary(study: Study, stamp: Stamp) -> dict[str, Any]:
    """The figures of a study as the contract's ``summary.json`` holds them."""
    assessed = study.assessment
    bound = study.search.lower_bound_m if study.search else None
    return {
        "status": "ok" if assessed.ok else "rules broken",
        "length_m": _metres(assessed.length_m, 4),
        "length_ellipsoid_m": _metres(assessed.length_ellipsoid_m, 4),
        "cost_m": _metres(assessed.cost_m),
        "lower_bound_m": _metres(bound),
        "grid_optimum_proven": study.search.proven if study.search else None,
        "gap_percent": _gap_percent(assessed.cost_m, bound),
        "cost_terms": {name: _metres(value) for name, value in assessed.cost_terms.items()},
        "bends": study.alignment.bends,
        "crossings": _count(assessed.crossings),
        "spans": span_count(assessed),
        "spans_by_verdict": spans_by_verdict(assessed),
        "min_radius_m": _metres(assessed.min_radius_m, 4),
        "max_slope_along_deg": _metres(assessed.max_slope_along_deg, 4),
        "max_slope_across_deg": _metres(assessed.max_slope_across_deg, 4),
        "checks": [check_row(check) for check in assessed.checks],
        "pipe": assessed.pipe_summary,
        "geodesy": dict(assessed.geodesy),
        "cautions": list(CAUTIONS),
        "not_assessed": list(assessed.not_assessed),
        "warnings": [*study.project.warnings, *assessed.warnings],
        "notes": list(study.notes),
        **stamp.as_dict(),
        "settings": study.project.settings,
    }


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write JSON for people and programs: UTF-8, two spaces, NaN and infinity as null."""
    text = json.dumps(json_ready(content), ensure_ascii=False, allow_nan=False, indent=2)
    path.write_text(text + "\n", encoding="utf-8")


def json_ready(value: Any) -> Any:
    """`value` as JSON types: arrays as lists, dates and paths as text, NaN and infinity as None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): json_ready(item) for key, item in value.items()}
    if isinstance(value, (np.ndarray, np.generic)):
        value = value.tolist()
    if isinstance(value, (list, tuple)):
        return [json_ready(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, (bool, int, str)):
        return value
    return str(value)


def check_row(check: Check) -> dict[str, Any]:
    """One check as published: KP to six decimals, the rest to four."""
    return {
        "rule": check.rule,
        "layer": check.layer,
        "limit": _metres(check.limit, 4),
        "worst": _metres(check.worst, 4),
        "kp_km": _metres(check.kp_km, 6),
        "ok": bool(check.ok),
        "detail": check.detail,
    }


def span_count(assessed: Assessment) -> int | None:
    """Spans, each counted once whatever its load cases; None where not assessed."""
    if assessed.spans is None:
        return None
    return len(set(np.asarray(assessed.spans["span"]).tolist()))


def no_route_summary(
    explanation: Mapping[str, Any], settings: Mapping[str, Any], stamp: Stamp
) -> dict[str, Any]:
    """``no_route.json``: the explanation's own members, with cautions and provenance."""
    head = {"status": "no route", "reasons": [], "cannot_help": []}
    return {**head, **explanation, "cautions": list(CAUTIONS), **stamp.as_dict(), "settings": settings}


def _metres(value: float | None, places: int = 3) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), places) + 0.0


def _gap_percent(cost_m: float, bound_m: float | None) -> float | None:
    if bound_m is None or not bound_m > 0.0:
        return None
    return _metres(100.0 * (cost_m - bound_m) / bound_m, 3)


def _count(table: Mapping[str, Any]) -> int:
    return len(next(iter(table.values()), ()))
