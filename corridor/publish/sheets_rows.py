"""The data rows under the profile: figures and bands on the same KP axis."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from matplotlib.collections import LineCollection, PatchCollection
from matplotlib.patches import Rectangle

from corridor.publish.palette import VERDICT_COLOURS, rule_colour
from corridor.publish.sheet_furniture import fixed
from corridor.publish.sheets_data import SheetSet, inside
from corridor.publish.sheets_plan import PLAN_WIDTH_MM, Strip
from corridor.publish.sheets_profile import label_step_km
from corridor.publish.zones_sheet_page import INK, POINT_MM, SOFT, Page, text_mm
from corridor.routing.geometry import at_station
from corridor.terrain.sampling import depth_at

GUTTER_MM = 22.0
"""Left of the rows, for their titles."""

ROUTE_PALE = "#f3d3df"
STRAIGHT_PALE = "#eef1f4"
LONE_MM = 32.0
"""A support this far from the others is labelled with its KP, closer ones with number and height only."""

GRAVITY = ("bad", "look", "unknown", "good")
"""Spans are labelled in this order, as far as there is room."""

SOURCE_SAMPLES = 600
SOURCE_PALES = ("#dfe8ee", "#f2eadb")


def draw_rows(page: Page, x: float, top: float, data: SheetSet, strip: Strip) -> float:
    """Draw all rows, upper edge at `top` mm; returns the y of the lower edge."""
    rows: Sequence[tuple[str, float, Callable[[Page, float, float, float, SheetSet, Strip], None]]] = (
        ("KP, km", 4.8, _kp),
        ("Depth, m", 4.8, _depth),
        ("Slope along, °", 4.8, _along),
        ("Slope across, °", 4.8, _across),
        ("Alignment", 13.0, _alignment),
        ("Crossings", 11.5, _crossings),
        ("Spans", 7.5, _spans),
        ("Supports", 4.8, _supports),
        ("Seabed data", 4.8, _sources),
    )
    y = top
    for title, height, draw in rows:
        bottom = y - height
        page.text(x - GUTTER_MM + 1.0, (y + bottom) / 2.0, title, 6.0, GUTTER_MM - 1.5, va="center")
        draw(page, x, bottom, height, data, strip)
        page.line([x - GUTTER_MM, x + PLAN_WIDTH_MM], [bottom, bottom], 0.15)
        y = bottom
    page.line([x - GUTTER_MM, x - GUTTER_MM], [y, top], 0.15)
    page.line([x, x], [y, top], 0.15)
    page.line([x + PLAN_WIDTH_MM, x + PLAN_WIDTH_MM], [y, top], 0.15)
    page.line([x - GUTTER_MM, x + PLAN_WIDTH_MM], [top, top], 0.15)
    return y


def labelled(data: SheetSet, strip: Strip) -> list[int]:
    """Regular chainages whose figures are printed: at round KPs, far enough apart."""
    step = label_step_km(strip.scale)
    kp = data.regular["kp_km"]
    first = np.searchsorted(kp, strip.kp_from_km - 1e-9)
    last = np.searchsorted(kp, strip.kp_to_km + 1e-9)
    chosen, before = [], -np.inf
    for i in range(int(first), int(last)):
        whole = kp[i] / step
        near = abs(whole - round(whole)) * step < 2e-6
        if near and kp[i] - before >= step * 0.999:
            chosen.append(i)
            before = kp[i]
    return chosen


def _figures(page: Page, x: float, y: float, strip: Strip, kp: Sequence[float], words: Sequence[str]) -> None:
    for at, line in zip(strip.x_mm(list(kp)).tolist(), words, strict=True):
        page.text(x + min(max(at, 5.0), PLAN_WIDTH_MM - 5.0), y + 1.5, line, 5.8, ha="center")


def _kp(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    rows = labelled(data, strip)
    kp = [data.regular["kp_km"][i] for i in rows]
    _figures(page, x, y, strip, kp, [f"{value:.3f}" for value in kp])


def _column(page: Page, x: float, y: float, data: SheetSet, strip: Strip, name: str, decimals: int) -> None:
    rows = labelled(data, strip)
    values = [data.regular[name][i] for i in rows]
    words = [fixed(value, decimals) for value in values]
    _figures(page, x, y, strip, [data.regular["kp_km"][i] for i in rows], words)


def _depth(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    _column(page, x, y, data, strip, "depth_m", 1)


def _along(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    _column(page, x, y, data, strip, "slope_along_deg", 1)


def _across(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    _column(page, x, y, data, strip, "slope_across_deg", 1)


def _alignment(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    """Straights with length and bearing, arcs with their figures, tangent points with their KP."""
    points = data.points
    count = len(points["point"])
    for i in range(count):
        low, high = points["kp_in_km"][i], points["kp_out_km"][i]
        if 0 < i < count - 1:
            # A bend's own figures, shortest last: what does not fit is in alignment.csv.
            turn, radius = points["deflection_deg"][i] or 0.0, points["radius_m"][i] or 0.0
            words = (
                f"{points['point'][i]}: {abs(turn):.2f}° to the {'right' if turn > 0 else 'left'}",
                f"R {radius:.1f} m, arc {points['arc_m'][i] or 0.0:.1f} m",
            )
            _element(page, x, y, height, strip, (low, high), ROUTE_PALE, words, points["point"][i])
        if i < count - 1:
            ahead = points["kp_in_km"][i + 1]
            straight, bearing = points["straight_m"][i] or 0.0, points["leg_bearing_deg"][i] or 0.0
            words = (f"straight {straight:.1f} m", f"bearing {bearing:.3f}°")
            _element(page, x, y, height, strip, (high, ahead), STRAIGHT_PALE, words, "")
    for kp in sorted({*points["kp_in_km"][1:-1], *points["kp_out_km"][1:-1]}):
        if strip.kp_from_km <= kp <= strip.kp_to_km:
            at = x + float(strip.x_mm(kp))
            page.line([at, at], [y + 3.6, y + height], 0.2)
    _tangent_kps(page, x, y, data, strip)


def _element(
    page: Page, x: float, y: float, height: float, strip: Strip, kp: tuple[float, float],
    colour: str, words: tuple[str, str], short: str,
) -> None:  # fmt: skip
    low, high = max(kp[0], strip.kp_from_km), min(kp[1], strip.kp_to_km)
    if low >= high:
        return
    left, right = strip.x_mm([low, high]).tolist()
    page.box(x + left, y + 4.4, right - left, height - 4.4, 0.0, facecolor=colour, linestyle="none")
    room = right - left - 1.0
    middle = x + (left + right) / 2.0
    if max(text_mm(line, 5.8) for line in words) <= room:
        page.text(middle, y + height - 3.2, words[0], 5.8, ha="center")
        page.text(middle, y + height - 6.6, words[1], 5.8, ha="center")
    elif short and text_mm(short, 5.5) <= room:
        page.text(middle, y + height - 4.8, short, 5.5, ha="center")


def _tangent_kps(page: Page, x: float, y: float, data: SheetSet, strip: Strip) -> None:
    """KP of each tangent point, moved apart where they would touch, left out where there is no room."""
    points = data.points
    taken = -np.inf
    marks = [
        (kp, f"TP {kp:.3f}")
        for i in range(1, len(points["point"]) - 1)
        for kp in (points["kp_in_km"][i], points["kp_out_km"][i])
        if strip.kp_from_km <= kp <= strip.kp_to_km
    ]
    for kp, words in marks:
        half = text_mm(words, 5.5) / 2.0 + 0.7
        at = min(max(float(strip.x_mm(kp)), half, taken + half), PLAN_WIDTH_MM - half)
        if at < taken + half or abs(at - float(strip.x_mm(kp))) > 2.5 * half:
            continue
        page.text(x + at, y + 1.3, words, 5.5, ha="center")
        taken = at + half


def _crossings(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    """Name, KP and angle beside a tick, and a count of the crossings that found no room."""
    table = data.crossings
    rows = inside(table["kp_km"], strip)
    end = -np.inf
    left_out = 0
    if not rows:
        _nothing(page, x, y, height)
    for i in rows:
        at = float(strip.x_mm(table["kp_km"][i]))
        colour = rule_colour("cross") if table["ok"][i] else VERDICT_COLOURS["bad"]
        page.line([x + at, x + at], [y, y + height], 0.35, colour)
        words = f"{table['feature'][i]}"
        broken = "" if table["ok"][i] else ", BROKEN"
        figures = f"KP {table['kp_km'][i]:.3f}, {table['angle_deg'][i]:.1f}°{broken}"
        words = page.fitted(words, 5.8, 62.0)
        wide = max(text_mm(words, 5.8), text_mm(figures, 5.8)) + 2.5
        right = at + wide < PLAN_WIDTH_MM
        start = at + 1.0 if right else at - wide + 1.5
        if start < end:
            left_out += 1
            continue
        end = max(start + wide, at + 1.0)
        page.text(x + start, y + height - 4.2, words, 5.8, 62.0)
        page.text(x + start, y + height - 8.2, figures, 5.8)
    if left_out:
        words = f"{left_out} more: crossings.csv"
        page.text(x + PLAN_WIDTH_MM - 1.0, y + 0.8, words, 5.0, ha="right", color=SOFT)


def _nothing(page: Page, x: float, y: float, height: float) -> None:
    page.text(x + 2.0, y + height / 2.0, "none on this sheet", 5.8, va="center", color=SOFT)


def _spans(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    """Spans as bars in the colour of their verdict, with number and length where there is room."""
    if data.study.assessment.spans is None:
        page.text(x + 2.0, y + height / 2.0, "not assessed", 5.8, va="center", color=SOFT)
        return
    bars: dict[str, list[Rectangle]] = {}
    seen = [m for m in data.spans if m.kp_end_km > strip.kp_from_km and m.kp_start_km < strip.kp_to_km]
    if not seen:
        _nothing(page, x, y, height)
    taken: list[tuple[float, float]] = []
    for mark in sorted(seen, key=lambda mark: GRAVITY.index(mark.look)):
        ends = [max(mark.kp_start_km, strip.kp_from_km), min(mark.kp_end_km, strip.kp_to_km)]
        left, right = strip.x_mm(ends).tolist()
        bar = Rectangle((x + left, y + height - 2.6), max(right - left, 0.5), 2.0)
        bars.setdefault(mark.look, []).append(bar)
        words = f"{mark.number}: {mark.length_m:.0f} m"
        half = text_mm(words, 5.2) / 2.0 + 0.5
        middle = min(max((left + right) / 2.0, half), PLAN_WIDTH_MM - half)
        if all(middle + half <= low or middle - half >= high for low, high in taken):
            colour = VERDICT_COLOURS["bad"] if mark.look == "bad" else INK
            page.text(x + middle, y + 1.2, words, 5.2, ha="center", color=colour)
            taken.append((middle - half, middle + half))
    for look, shapes in bars.items():
        page.paper.add_collection(PatchCollection(shapes, facecolor=VERDICT_COLOURS[look], linewidth=0))


def _supports(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    table = data.supports
    if data.study.assessment.supports is None:
        page.text(x + 2.0, y + height / 2.0, "not assessed", 5.8, va="center", color=SOFT)
        return
    taken = -np.inf
    ticks = []
    rows = inside(table["kp_km"], strip)
    places = strip.x_mm([table["kp_km"][i] for i in rows]).tolist()
    for number, (i, at) in enumerate(zip(rows, places, strict=True)):
        ticks.append([(x + at, y + 3.4), (x + at, y + height)])
        near = min((abs(at - other) for k, other in enumerate(places) if k != number), default=np.inf)
        kp = f" KP {table['kp_km'][i]:.3f}," if near > LONE_MM else ""
        words = f"{table['support'][i]}:{kp} {table['height_m'][i]:.2f} m"
        half = text_mm(words, 5.2) / 2.0 + 0.5
        middle = min(max(at, half, taken + half), PLAN_WIDTH_MM - half)
        if middle - half >= taken and abs(middle - at) < 2.5 * half:
            page.text(x + middle, y + 1.0, words, 5.2, ha="center")
            taken = middle + half
    if not ticks:
        _nothing(page, x, y, height)
    else:
        page.paper.add_collection(LineCollection(ticks, colors=INK, linewidths=0.25 / POINT_MM))


def _sources(page: Page, x: float, y: float, height: float, data: SheetSet, strip: Strip) -> None:
    """Which surface of the seabed the depths come from, with its cell size."""
    kp = np.linspace(strip.kp_from_km, strip.kp_to_km, SOURCE_SAMPLES)
    seabed = data.study.project.seabed
    _, source, _ = depth_at(seabed, *at_station(data.line, kp * 1000.0)[:2])
    changes = np.flatnonzero(np.diff(source)) + 1
    for run in np.split(np.arange(len(kp)), changes):
        low = kp[run[0]] if run[0] == 0 else (kp[run[0]] + kp[run[0] - 1]) / 2.0
        high = kp[run[-1]] if run[-1] == len(kp) - 1 else (kp[run[-1]] + kp[run[-1] + 1]) / 2.0
        left, right = strip.x_mm([low, high]).tolist()
        index = int(source[run[0]])
        if index < 0:
            words, colour = "no data", "#ffffff"
        else:
            surface = seabed.surfaces[index]
            words = f"{surface.name}, {surface.grid.cell_m:g} m cells"
            colour = SOURCE_PALES[index % 2]
        page.box(x + left, y, right - left, height, 0.0, facecolor=colour, linestyle="none")
        if right - left > 14.0:
            page.text(x + (left + right) / 2.0, y + 1.5, words, 5.5, right - left - 1.5, ha="center")
