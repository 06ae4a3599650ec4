"""The profile of a sheet: seabed, pipe, gaps, crossings and supports on the sheet's KP axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from corridor.publish.palette import GAP, PIPE, VERDICT_COLOURS, rule_colour
from corridor.publish.sheet_furniture import multiples, ratio, round_scale, round_step
from corridor.publish.sheets_data import SheetSet, inside
from corridor.publish.sheets_plan import PLAN_WIDTH_MM, Strip
from corridor.publish.zones_sheet_page import INK, SOFT, Page

PROFILE_HEIGHT_MM = 74.0
MARGIN_MM = 5.0
"""Kept free above and below the line of the profile."""

MOST_POINTS = 3000
"""Points of a profile drawn on one sheet; denser ones keep the least and greatest of every stretch."""

SEABED = "#7a5c3a"
GROUND_FILL = "#efe6d8"
FAINT = "#a9afb8"
LEAST_RANGE_M = 2.0


@dataclass(frozen=True, slots=True)
class VerticalScale:
    """Depth at the profile's upper edge, and its scale's denominator."""

    top_m: float
    scale: float

    @property
    def bottom_m(self) -> float:
        """Depth at the profile's lower edge, m."""
        return self.top_m + PROFILE_HEIGHT_MM * self.scale / 1000.0


def vertical_scale(depth_m: NDArray) -> VerticalScale:
    """The largest round scale at which the depths fit, centred."""
    known = depth_m[np.isfinite(depth_m)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, LEAST_RANGE_M)
    room = PROFILE_HEIGHT_MM - 2.0 * MARGIN_MM
    scale = round_scale(max(high - low, LEAST_RANGE_M) * 1000.0 / room)
    return VerticalScale((low + high) / 2.0 - PROFILE_HEIGHT_MM * scale / 2000.0, scale)


def profile_part(data: SheetSet, strip: Strip) -> dict[str, NDArray]:
    """Rows of the profile on a sheet, one more on either side, thinned for print."""
    table = data.study.assessment.profile
    kp = np.asarray(table["kp_km"])
    first = max(int(np.searchsorted(kp, strip.kp_from_km, "right")) - 1, 0)
    last = min(int(np.searchsorted(kp, strip.kp_to_km, "left")) + 1, len(kp))
    part = {name: np.asarray(values)[first:last] for name, values in table.items()}
    keep = thinned(part["depth_m"], MOST_POINTS)
    return {name: values[keep] for name, values in part.items()}


def thinned(values: NDArray, most: int) -> NDArray[np.int64]:
    """Indices that keep the least and greatest value of every stretch, and all unknown stretches."""
    count = len(values)
    if count <= most:
        return np.arange(count)
    edges = np.linspace(0, count, most // 4 + 1).astype(int)
    kept = {0, count - 1}
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        stretch = values[a:b]
        kept.update((a, b - 1))
        if np.isfinite(stretch).any():
            kept.update((a + int(np.nanargmin(stretch)), a + int(np.nanargmax(stretch))))
    return np.array(sorted(kept))


def draw_profile(page: Page, x: float, y: float, data: SheetSet, strip: Strip) -> VerticalScale:
    """Draw the profile with its lower left corner at (x, y) mm; returns its vertical scale."""
    part = profile_part(data, strip)
    depth = part["depth_m"]
    scale = vertical_scale(depth)
    axes = page.axes(x, y, PLAN_WIDTH_MM, PROFILE_HEIGHT_MM)
    axes.set_xlim(0.0, PLAN_WIDTH_MM)
    axes.set_ylim(scale.bottom_m, scale.top_m)
    axes.set_xticks([])
    axes.set_yticks([])
    at = strip.x_mm(part["kp_km"])
    _depth_lines(page, axes, x, y, scale)
    _kp_lines(axes, strip)
    axes.fill_between(at, depth, scale.bottom_m, color=GROUND_FILL, lw=0, zorder=1)
    axes.plot(at, depth, color=SEABED, lw=1.3, zorder=3)
    _holes(axes, at, depth, scale)
    if "pipe_depth_m" in part:
        pipe = part["pipe_depth_m"]
        axes.fill_between(at, pipe, depth, where=depth > pipe, color=GAP, lw=0, zorder=2, interpolate=True)
        axes.plot(at, pipe, color=PIPE, lw=0.55, zorder=4)
    _crossings(axes, data, strip, scale)
    _supports(axes, data, strip)
    low, high = strip.x_mm([strip.kp_from_km, strip.kp_to_km]).tolist()
    for edge in (low, high):
        axes.plot(
            [edge, edge], [scale.top_m, scale.bottom_m], color=INK, lw=0.7, ls=(0, (8, 2, 2, 2)), zorder=5
        )
    _words(page, x, y, data, strip, scale, "pipe_depth_m" in part)
    return scale


def _depth_lines(page: Page, axes: Axes, x: float, y: float, scale: VerticalScale) -> None:
    """Level lines at round depths, labelled at the left and the right."""
    step = round_step(9.0 * scale.scale / 1000.0)
    decimals = 0 if step >= 1.0 else 1
    for depth in multiples(scale.top_m, scale.bottom_m, step).tolist():
        axes.axhline(depth, color=FAINT, lw=0.25, zorder=0.5)
        place = y + (scale.bottom_m - depth) / scale.scale * 1000.0
        if y + 0.8 < place < y + PROFILE_HEIGHT_MM - 0.8:
            page.text(x - 1.5, place, f"{depth:.{decimals}f}", 5.5, ha="right", va="center")


def _kp_lines(axes: Axes, strip: Strip) -> None:
    for kp in multiples(strip.kp_from_km, strip.kp_to_km, label_step_km(strip.scale)).tolist():
        axes.axvline(float(strip.x_mm(kp)), color=FAINT, lw=0.25, zorder=0.5)


def label_step_km(scale: float) -> float:
    """Round KP step of the figures along the sheet: 17 mm of paper at least."""
    return round_step(17.0 * scale / 1e6)


def _holes(axes: Axes, at: NDArray, depth: NDArray, scale: VerticalScale) -> None:
    """Say where no seabed is known."""
    unknown = np.flatnonzero(~np.isfinite(depth))
    if not unknown.size:
        return
    for run in np.split(unknown, np.flatnonzero(np.diff(unknown) > 1) + 1):
        low, high = float(at[max(run[0] - 1, 0)]), float(at[min(run[-1] + 1, len(at) - 1)])
        style: dict[str, Any] = {"facecolor": "#ffffff", "edgecolor": SOFT, "hatch": "///", "lw": 0.0}
        axes.fill_betweenx([scale.top_m, scale.bottom_m], low, high, zorder=2.5, **style)
        if high - low > 22.0:
            middle = (scale.top_m + scale.bottom_m) / 2.0
            axes.text((low + high) / 2.0, middle, "no seabed data", fontsize=6.0, ha="center", zorder=6)


def _crossings(axes: Axes, data: SheetSet, strip: Strip, scale: VerticalScale) -> None:
    table = data.crossings
    for i in inside(table["kp_km"], strip):
        at = float(strip.x_mm(table["kp_km"][i]))
        colour = rule_colour("cross") if table["ok"][i] else VERDICT_COLOURS["bad"]
        axes.plot([at, at], [scale.top_m, scale.bottom_m], color=colour, lw=0.6, ls=(0, (3, 2)), zorder=2.6)
        if table["depth_m"][i] is not None:
            axes.plot(at, table["depth_m"][i], "o", ms=4.5, mfc="#ffffff", mec=colour, mew=1.0, zorder=5)


def _supports(axes: Axes, data: SheetSet, strip: Strip) -> None:
    kp = data.supports["kp_km"]
    rows = inside(kp, strip)
    if rows:
        crest = [data.supports["crest_depth_m"][i] for i in rows]
        at = strip.x_mm([kp[i] for i in rows])
        axes.plot(at, crest, "^", ms=4.0, mfc="#ffffff", mec=INK, mew=0.7, zorder=5)


def _words(
    page: Page, x: float, y: float, data: SheetSet, strip: Strip, scale: VerticalScale, pipe: bool
) -> None:
    """Title, datum, scales and the exaggeration that follows from them."""
    datum = data.stamp.vertical_datum or "a datum not stated"
    page.text(x - 13.0, y + PROFILE_HEIGHT_MM / 2.0, f"Depth, m below {datum}", 6.0, PROFILE_HEIGHT_MM,
              rotation=90, ha="center", va="center")  # fmt: skip
    words = (
        f"Profile: horizontal {ratio(strip.scale)}, vertical {ratio(scale.scale)}, "
        f"vertical exaggeration {exaggeration(strip.scale, scale.scale)}"
    )
    page.text(x, y + PROFILE_HEIGHT_MM + 1.4, words, 6.5, 200.0, weight="bold")
    shown = "seabed, and underside of the pipe as laid" if pipe else "seabed (no pipe laid)"
    page.text(x + PLAN_WIDTH_MM, y + PROFILE_HEIGHT_MM + 1.4, shown, 6.0, 100.0, ha="right", color=SOFT)


def exaggeration(horizontal: float, vertical: float) -> str:
    """Vertical exaggeration as text, three significant figures."""
    return (
        f"{horizontal / vertical:.3g}" if horizontal / vertical < 1000.0 else f"{horizontal / vertical:.0f}"
    )


def depth_range(depth_m: NDArray) -> tuple[float, float]:
    """Least and greatest depth, NaN where none is known."""
    known = depth_m[np.isfinite(depth_m)]
    return (float(known.min()), float(known.max())) if known.size else (math.nan, math.nan)
