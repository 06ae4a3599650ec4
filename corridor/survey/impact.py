"""What a new survey means for the line: where it is affected, and the two assessments side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from corridor.model.results import Assessment, Check, Table

DEPTH_STEP_M = 0.01
"""Profiles that differ by less are the same."""

SPAN_STEP_M = 1.0
"""A span counts as grown or shrunk when its length changes by more."""

Ranges = tuple[tuple[float, float], ...]


def affected_ranges(
    geometries: Iterable[shapely.Geometry],
    station_m: ArrayLike,
    easting_m: ArrayLike,
    northing_m: ArrayLike,
    margin_m: float,
) -> Ranges:
    """KP ranges of a line that pass within `margin_m` of any of the geometries.

    Parameters
    ----------
    geometries : shapely geometries on the project grid
    station_m, easting_m, northing_m : array (n,), m
        Points along the line in order, close together (a few metres).
    margin_m : float, m

    Returns
    -------
    tuple of (from km, to km)
        Sorted, none overlapping; each reaches half a step beyond its points.
    """
    station = np.asarray(station_m, dtype=float)
    shapes = [shape for shape in geometries if not shape.is_empty]
    if not shapes or len(station) < 2:
        return ()
    # One buffered shape at a time: a union of many would be far slower than the tree.
    tree = shapely.STRtree([shape.buffer(margin_m) for shape in shapes])
    points = shapely.points(np.asarray(easting_m, dtype=float), np.asarray(northing_m, dtype=float))
    hit = np.zeros(len(station), dtype=bool)
    hit[np.unique(tree.query(points, predicate="intersects")[0])] = True
    edges = np.flatnonzero(np.diff(np.concatenate([[False], hit, [False]]).astype(np.int8)))
    middle = 0.5 * (station[1:] + station[:-1])
    borders = np.concatenate([[station[0]], middle, [station[-1]]]) / 1000.0
    return tuple((float(borders[a]), float(borders[b])) for a, b in zip(edges[::2], edges[1::2], strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Two assessments of one line, before and after.

    Attributes
    ----------
    rules : tuple of mapping
        Per rule and layer: limit, old and new worst, where, and `verdict`:
        "now broken", "mended", "still broken", "ok" or "new rule" / "rule gone".
    figures : mapping of name -> (old, new)
    spans : tuple of mapping
        `change` is "appeared", "gone", "grown", "shrunk" or "same".
    depth_changed_km : ranges whose depth along the line differs
    before, after : Assessment
        The two themselves: profiles, spans, checks, ...
    """

    rules: tuple[Mapping[str, Any], ...]
    figures: Mapping[str, tuple[float | None, float | None]]
    spans: tuple[Mapping[str, Any], ...]
    depth_changed_km: Ranges
    largest_depth_change_m: float
    before: Assessment
    after: Assessment

    @property
    def now_broken(self) -> tuple[Mapping[str, Any], ...]:
        """Rules that held before and do not any more."""
        return tuple(rule for rule in self.rules if rule["verdict"] == "now broken")


def compare_assessments(old: Assessment, new: Assessment) -> Comparison:
    """Hold the assessment on the new seabed against that on the old.

    A pure function of the two; both must be of the same alignment.
    """
    ranges, largest = _profile_changes(old.profile, new.profile)
    return Comparison(
        rules=_rules(old.checks, new.checks),
        figures=_figures(old, new),
        spans=_spans(old.spans, new.spans),
        depth_changed_km=ranges,
        largest_depth_change_m=largest,
        before=old,
        after=new,
    )


def _rules(old: tuple[Check, ...], new: tuple[Check, ...]) -> tuple[Mapping[str, Any], ...]:
    before, after = ({(c.rule, c.layer): c for c in checks} for checks in (old, new))
    rows = []
    for key in dict.fromkeys([*before, *after]):
        was, now = before.get(key), after.get(key)
        last = after[key] if key in after else before[key]
        rows.append(
            {
                "rule": key[0],
                "layer": key[1],
                "limit": last.limit,
                "old_worst": was.worst if was else None,
                "new_worst": now.worst if now else None,
                "kp_km": last.kp_km,
                "verdict": _verdict(was, now),
                "detail": last.detail,
            }
        )
    return tuple(rows)


def _verdict(was: Check | None, now: Check | None) -> str:
    if now is None:
        return "rule gone"
    if was is None:
        return "new rule" if now.ok else "now broken"
    return {(True, True): "ok", (True, False): "now broken", (False, True): "mended"}.get(
        (was.ok, now.ok), "still broken"
    )


def _figures(old: Assessment, new: Assessment) -> dict[str, tuple[float | None, float | None]]:
    names = ("length_m", "cost_m", "max_slope_along_deg", "max_slope_across_deg")
    figures: dict[str, tuple[float | None, float | None]]
    figures = {name: (getattr(old, name), getattr(new, name)) for name in names}
    depths = old.profile["depth_m"], new.profile["depth_m"]
    for name, pick in (("least_depth_m", np.nanmin), ("greatest_depth_m", np.nanmax)):
        figures[name] = (_of_profile(pick, depths[0]), _of_profile(pick, depths[1]))
    figures["spans"] = (_span_count(old.spans), _span_count(new.spans))
    return figures


def _span_count(spans: Table | None) -> int | None:
    """None where spans were not assessed, which is not the same as none found."""
    return None if spans is None else len(_governing(spans)["kp_start_km"])


def _of_profile(pick: Any, depth: ArrayLike) -> float | None:
    values = np.asarray(depth, dtype=float)
    return float(pick(values)) if np.isfinite(values).any() else None


def _governing(spans: Table | None) -> dict[str, NDArray]:
    """One row per span: the load case that decides; all rows where no case is marked."""
    if spans is None:
        return {"kp_start_km": np.empty(0)}
    columns = {name: np.asarray(values) for name, values in spans.items()}
    keep = (
        columns["governs"].astype(bool)
        if "governs" in columns
        else np.ones(len(columns["kp_start_km"]), bool)
    )
    return {name: values[keep] for name, values in columns.items()}


def _spans(old: Table | None, new: Table | None) -> tuple[Mapping[str, Any], ...]:
    """Match spans by overlapping KP ranges: each with the one it shares most metres with."""
    if old is None and new is None:
        return ()
    before, after = _governing(old), _governing(new)
    partner: dict[int, int] = {}
    for i in range(len(after["kp_start_km"])):
        if not len(before["kp_start_km"]):
            break
        shared = np.minimum(before["kp_end_km"], after["kp_end_km"][i]) - np.maximum(
            before["kp_start_km"], after["kp_start_km"][i]
        )
        best = int(np.argmax(shared))
        if shared[best] > 0.0:
            partner[i] = best
    rows = [_span_row(before, partner.get(i), after, i) for i in range(len(after["kp_start_km"]))]
    gone = set(range(len(before["kp_start_km"]))) - set(partner.values())
    rows += [_span_row(before, i, after, None) for i in sorted(gone)]
    return tuple(sorted(rows, key=lambda row: row["kp_start_km"]))


def _span_row(before: Mapping, was: int | None, after: Mapping, now: int | None) -> dict[str, Any]:
    table, index = (after, now) if now is not None else (before, was)

    def value(source: Mapping, at: int | None, column: str) -> Any:
        if at is None or column not in source:
            return None
        item = source[column][at]
        return item.item() if isinstance(item, np.generic) else item

    old_length, new_length = value(before, was, "length_m"), value(after, now, "length_m")
    if was is None:
        change = "appeared"
    elif now is None:
        change = "gone"
    elif abs(new_length - old_length) <= SPAN_STEP_M:
        change = "same"
    else:
        change = "grown" if new_length > old_length else "shrunk"
    return {
        "kp_start_km": float(table["kp_start_km"][index]),
        "kp_end_km": float(table["kp_end_km"][index]),
        "change": change,
        "old_length_m": old_length,
        "new_length_m": new_length,
        "old_max_gap_m": value(before, was, "max_gap_m"),
        "new_max_gap_m": value(after, now, "max_gap_m"),
        "old_verdict": value(before, was, "verdict"),
        "new_verdict": value(after, now, "verdict"),
    }


def _profile_changes(old: Table, new: Table) -> tuple[Ranges, float]:
    """Where the depth along the line differs, at the points of both profiles."""
    kp = np.union1d(np.asarray(old["kp_km"], float), np.asarray(new["kp_km"], float))
    if len(kp) < 2:
        return (), 0.0
    before, after = (
        np.interp(kp, np.asarray(t["kp_km"], float), np.asarray(t["depth_m"], float)) for t in (old, new)
    )
    step = np.abs(after - before)
    one_sided = np.isfinite(before) != np.isfinite(after)
    differs = np.nan_to_num(step) > DEPTH_STEP_M
    edges = np.flatnonzero(np.diff(np.concatenate([[False], differs | one_sided, [False]]).astype(np.int8)))
    ranges = tuple((float(kp[a]), float(kp[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True))
    return ranges, float(np.nanmax(step)) if np.isfinite(step).any() else 0.0
