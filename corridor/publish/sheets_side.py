"""The column at the right of every sheet: legend, north, scale, key plan, revisions, title block."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.patches import Polygon

from corridor.assess.cautions import CAUTIONS
from corridor.permit.ground import horizontal_crs
from corridor.publish.palette import GAP, PIPE, ROUTE, RULE_WORDS, VERDICT_COLOURS, depth_rgb, rule_colour
from corridor.publish.sheet_furniture import CAUTION_COLOUR, fixed, north_arrow, ratio, scale_bar
from corridor.publish.sheets_data import SheetSet
from corridor.publish.sheets_ground import PALE, Ground
from corridor.publish.sheets_map import DASHES
from corridor.publish.sheets_plan import Strip, StripFrame
from corridor.publish.sheets_profile import SEABED
from corridor.publish.zones_sheet_page import BORDER_MM, HEIGHT_MM, INK, POINT_MM, SOFT, WIDTH_MM, Page
from corridor.routing.geodesy import convergence_deg, scale_factor
from corridor.routing.geometry import at_station

SIDE_MM = 74.0
SIDE_X = WIDTH_MM - BORDER_MM - SIDE_MM
TEXT_X, TEXT_MM = SIDE_X + 3.0, SIDE_MM - 6.0
TITLE_MM = 50.0
KEY_MM = 44.0
SMALLEST_WINDOW_MM = 2.5
"""A sheet's window smaller than this on the key plan gets a ring."""

REVISIONS_SHOWN = 4
ROW_MM = 4.3


def draw_side(page: Page, data: SheetSet, strip: Strip, ground: Ground) -> None:
    """Draw the column of one sheet."""
    page.line([SIDE_X, SIDE_X], [BORDER_MM, HEIGHT_MM - BORDER_MM], 0.4)
    y = legend(page, data, HEIGHT_MM - BORDER_MM - 5.5)
    y = _scales(page, data, strip.frame, ground, y - 2.0)
    y = _key_plan(page, data, strip, y - 1.0)
    y = _geodesy(page, data, strip.frame, y - 1.5)
    _points(page, data, strip, y - 3.0)
    revisions(page, data, BORDER_MM + TITLE_MM)
    head = f"Sheet {strip.number} of {len(data.strips)}"
    span = f"KP {strip.kp_from_km:.3f} to KP {strip.kp_to_km:.3f}"
    title_block(page, data, head, span, ratio(strip.frame.scale))


def legend(page: Page, data: SheetSet, y: float) -> float:
    """Symbols of what the study has; returns the y below."""
    page.text(TEXT_X, y, "Legend", 8.0, weight="bold")
    y -= ROW_MM + 0.8
    for symbol, words in _symbols(data):
        _symbol(page, symbol, TEXT_X, y + 1.0)
        page.text(TEXT_X + 13.0, y, words, 6.2, TEXT_MM - 13.0)
        y -= ROW_MM
    return y


def _symbols(data: SheetSet) -> list[tuple[dict[str, Any], str]]:
    """Style and words of each row of the legend."""
    assessed = data.study.assessment
    rows: list[tuple[dict[str, Any], str]] = [
        ({"color": ROUTE, "lw": 1.3}, "Route, this sheet"),
        ({"color": ROUTE, "lw": 0.5, "ls": (0, (4, 2))}, "Route, neighbouring sheets"),
        ({"color": INK, "lw": 0.7, "ls": (0, (8, 2, 2, 2))}, "Match line"),
        ({"marker": "^", "ms": 4.0, "mfc": "#ffffff", "mec": INK}, "Intersection point (IP), with tangents"),
        ({"marker": "o", "ms": 2.6, "mfc": "#ffffff", "mec": ROUTE}, "Tangent point (TP)"),
        ({"marker": "o", "ms": 6.0, "mfc": "none", "mec": INK}, "Crossing, with its angle"),
    ]
    if assessed.supports is not None:
        rows.append(({"marker": "s", "ms": 3.4, "mfc": "#ffffff", "mec": INK}, "Support (profile: triangle)"))
    rules = {drawn.layer.rule for drawn in data.layers}
    for rule in ("avoid", "discourage", "cross", "stay_within", "jurisdiction"):
        if rule in rules:
            words = RULE_WORDS[rule] + (", dashed: standoff" if rule == "avoid" else "")
            rows.append(({"color": rule_colour(rule), "lw": 1.0, "ls": DASHES[rule]}, words))
    if any(drawn.layer.rule == "avoid" and drawn.has_points for drawn in data.layers):
        rows.append(
            ({"marker": "x", "ms": 4.5, "mec": rule_colour("avoid")}, "Keep out: a point, dashed: standoff")
        )
    rows.append(({"color": SEABED, "lw": 0.9}, "Seabed, in the profile"))
    if assessed.spans is not None:
        rows.append(({"color": PIPE, "lw": 0.55}, "Underside of the pipe as laid"))
        rows.append(({"patch": GAP}, "Gap under the pipe"))
        looks = {mark.look: mark.verdict for mark in data.spans}
        for look, words in (("good", "Span: ok"), ("look", "Span: assess"), ("bad", "Span: support"),
                            ("unknown", "Span: not assessed")):  # fmt: skip
            if look in looks:
                rows.append(({"patch": VERDICT_COLOURS[look]}, words))
    return rows


def _symbol(page: Page, style: dict[str, Any], x: float, y: float) -> None:
    if "patch" in style:
        page.box(x, y - 1.1, 10.0, 2.2, 0.0, facecolor=style["patch"], linestyle="none")
    elif "marker" in style:
        page.paper.plot([x + 5.0], [y], ls="none", mew=0.9, **style)
    else:
        page.paper.plot([x, x + 10.0], [y, y], solid_capstyle="butt", **style)


def _scales(page: Page, data: SheetSet, frame: StripFrame, ground: Ground, y: float) -> float:
    """Plan scale and bar, north arrow with the convergence, depth colours."""
    crs = data.study.project.crs
    gamma = float(convergence_deg(crs, frame.easting_m, frame.northing_m))
    page.text(TEXT_X, y - 3.0, f"Plan {ratio(frame.scale)} at A3", 8.0, weight="bold")
    scale_bar(page, TEXT_X, y - 8.0, frame.scale, 40.0)
    if not math.isnan(ground.interval_m):
        page.text(TEXT_X, y - 15.5, f"Contours every {ground.interval_m:g} m", 6.0, color=SOFT)
    page.text(TEXT_X, y - 18.7, f"Grid convergence {gamma:+.2f}°", 6.0, color=SOFT)
    north_arrow(page, SIDE_X + SIDE_MM - 13.0, y - 11.0, frame.up_deg, gamma, 13.0)
    if math.isnan(ground.shallow_m) or ground.picture is None:
        return y - 21.0
    shallow, deep = ground.shallow_m, ground.deep_m
    ramp = depth_rgb(np.linspace(shallow, deep, 64)[None, :], shallow, deep)
    ramp = np.clip(ramp * (1.0 - PALE) + 255.0 * PALE, 0, 255).astype(np.uint8)
    bar = page.axes(TEXT_X, y - 24.5, 34.0, 2.6)
    bar.imshow(ramp, aspect="auto", extent=(0.0, 1.0, 0.0, 1.0))
    bar.set_xticks([])
    bar.set_yticks([])
    page.text(TEXT_X, y - 27.6, f"{shallow:g} m", 5.8)
    page.text(TEXT_X + 34.0, y - 27.6, f"{deep:g} m", 5.8, ha="right")
    page.text(TEXT_X + 36.0, y - 24.3, "depth, this sheet", 5.8, TEXT_MM - 36.0, color=SOFT)
    return y - 29.0


def _key_plan(page: Page, data: SheetSet, strip: Strip, y: float) -> float:
    """The whole line, grid north up, with this sheet's window."""
    page.text(TEXT_X, y - 2.5, "Key plan", 6.5, weight="bold")
    frame = overview_frame(data, TEXT_MM, KEY_MM)
    axes = page.axes(TEXT_X, y - 4.0 - KEY_MM, TEXT_MM, KEY_MM)
    axes.set_xlim(0.0, TEXT_MM)
    axes.set_ylim(0.0, KEY_MM)
    axes.set_xticks([])
    axes.set_yticks([])
    line = overview_line(data, frame)
    axes.plot(line[:, 0], line[:, 1], color=ROUTE, lw=0.8)
    low, high = (int(share * (len(line) - 1)) for share in (
        strip.kp_from_km / data.strips[-1].kp_to_km, strip.kp_to_km / data.strips[-1].kp_to_km))  # fmt: skip
    axes.plot(line[low : high + 2, 0], line[low : high + 2, 1], color=ROUTE, lw=2.2)
    corners = frame.to_paper(*strip.frame.corners_m.T)
    axes.add_patch(Polygon(corners, facecolor=ROUTE + "20", edgecolor=INK, linewidth=0.7))
    if np.ptp(corners, axis=0).max() < SMALLEST_WINDOW_MM:
        axes.plot(*corners.mean(axis=0), "o", ms=SMALLEST_WINDOW_MM / POINT_MM, mfc="none", mec=INK, mew=0.9)
    for place, words in ((line[0], "KP 0"), (line[-1], f"KP {data.strips[-1].kp_to_km:.3f}")):
        _end_label(axes, place, words)
    return y - 4.0 - KEY_MM


def _end_label(axes: Any, place: Any, words: str) -> None:
    axes.plot(*place, "o", ms=2.5, color=ROUTE)
    side = "left" if place[0] < TEXT_MM / 2.0 else "right"
    up = 3.4 if place[1] < KEY_MM / 2.0 else -3.4
    box = {"boxstyle": "square,pad=0.1", "facecolor": "#ffffffd0", "edgecolor": "none"}
    at = (min(max(place[0], 1.0), TEXT_MM - 1.0), place[1] + up)
    axes.text(*at, words, fontsize=5.0, ha=side, va="center", zorder=5, bbox=box)


def overview_frame(data: SheetSet, width_mm: float, height_mm: float) -> StripFrame:
    """A window, grid north up, that holds the line and the sheets' windows."""
    corners = np.vstack([strip.frame.corners_m for strip in data.strips])
    low, high = corners.min(axis=0), corners.max(axis=0)
    size = high - low
    scale = max(size[0] / (width_mm - 4.0), size[1] / (height_mm - 4.0)) * 1000.0
    centre = (low + high) / 2.0
    return StripFrame(float(centre[0]), float(centre[1]), 90.0, float(scale), width_mm, height_mm)


def overview_line(data: SheetSet, frame: StripFrame) -> np.ndarray:
    """The whole line as at most 3,000 points in mm."""
    easting, northing, _ = at_station(data.line, np.linspace(0.0, data.line.total_m, 3000))
    return frame.to_paper(easting, northing)


def _geodesy(page: Page, data: SheetSet, frame: StripFrame, y: float) -> float:
    """CRS, datums and scale factor in words."""
    crs = horizontal_crs(data.study.project.crs)
    factor = float(scale_factor(data.study.project.crs, frame.easting_m, frame.northing_m))
    lines = (
        f"Grid: {crs.name} ({data.study.project.crs}); grid/ground scale here {factor:.6f}",
        f"Vertical datum: {data.stamp.vertical_datum or 'not stated'}; depths positive down",
        "KP: km along the centreline on the grid, arcs by arc length",
    )
    for line in lines:
        y = page.paragraph(TEXT_X, y - 2.2, line, TEXT_MM, 5.6) + 1.4
    return y


def _points(page: Page, data: SheetSet, strip: Strip, y: float) -> None:
    """Coordinates of the points of the alignment on this sheet, as many as find room."""
    table = data.points
    last = len(table["point"]) - 1
    rows = [
        i
        for i in range(last + 1)
        if table["kp_in_km"][i] <= strip.kp_to_km and table["kp_out_km"][i] >= strip.kp_from_km
    ]
    room = int((y - (BORDER_MM + TITLE_MM + ROW_MM * (REVISIONS_SHOWN + 1))) / 3.0) - 2
    if not rows or room < 1:
        return
    columns = ((0.0, "left"), (29.0, "right"), (50.0, "right"), (TEXT_MM, "right"))
    for (offset, side), words in zip(columns, ("Point", "Easting", "Northing", "Radius m"), strict=True):
        page.text(TEXT_X + offset, y, words, 5.4, ha=side, color=SOFT)
    for i in rows[:room]:
        y -= 3.0
        radius = fixed(table["radius_m"][i], 3, "")
        cells = (table["point"][i], fixed(table["easting_m"][i], 2), fixed(table["northing_m"][i], 2), radius)
        for (offset, side), words in zip(columns, cells, strict=True):
            page.text(TEXT_X + offset, y, words, 5.8, ha=side)
    if len(rows) > room:
        page.text(TEXT_X, y - 3.0, f"{len(rows) - room} more: alignment.csv", 5.4, color=SOFT)


def revisions(page: Page, data: SheetSet, y: float) -> None:
    """The revision block, newest on top, standing on y."""
    rows = [dict(row) for row in data.settings.revisions]
    current = data.stamp.revision
    if not any(row.get("revision") == current for row in rows):
        rows.append({"revision": current, "date": data.stamp.time.date().isoformat(), "text": "this issue"})
    shown = rows[-REVISIONS_SHOWN:]
    columns = (("revision", 2.0, 9.0), ("date", 12.0, 18.0), ("text", 31.0, 42.0))
    for title, offset, _ in columns:
        page.text(SIDE_X + offset, y + 1.2, {"revision": "Rev.", "date": "Date", "text": "Revision"}[title],
                  5.0, color=SOFT)  # fmt: skip
    for row in shown:
        y += ROW_MM
        page.line([SIDE_X, SIDE_X + SIDE_MM], [y, y], 0.15)
        for key, offset, most in columns:
            page.text(SIDE_X + offset, y + 1.2, row.get(key, ""), 6.0, most)
    page.line([SIDE_X, SIDE_X + SIDE_MM], [y + ROW_MM, y + ROW_MM], 0.4)


def title_block(page: Page, data: SheetSet, head: str, span: str, scale: str) -> None:
    """Project, title, which sheet, who, which revision."""
    settings, stamp = data.settings, data.stamp
    top = BORDER_MM + TITLE_MM
    page.line([SIDE_X, SIDE_X + SIDE_MM], [top, top], 0.4)
    page.text(TEXT_X, top - 5.0, stamp.project, 8.5, TEXT_MM, weight="bold")
    page.text(TEXT_X, top - 9.5, settings.title, 7.5, TEXT_MM)
    page.text(TEXT_X, top - 13.3, f"Client: {settings.client or 'not stated'}", 6.0, TEXT_MM)
    page.text(TEXT_X, top - 19.0, head, 9.0, weight="bold")
    page.text(TEXT_X, top - 23.0, span, 7.0, TEXT_MM, weight="bold")
    day = settings.sheet_date or stamp.time.date().isoformat()
    cells = (
        ("Drawing", settings.drawing_number or "not stated"), ("Revision", stamp.revision),
        ("Date", day), ("Plan (A3)", scale),
        ("Drawn", settings.drawn_by or "-"), ("Checked", settings.checked_by or "-"),
        ("Approved", settings.approved_by or "-"), ("CRS", data.study.project.crs),
    )  # fmt: skip
    width, height = SIDE_MM / 4.0, 9.5
    for i, (label, value) in enumerate(cells):
        left, base = SIDE_X + (i % 4) * width, top - 35.5 - (i // 4) * height
        page.box(left, base, width, height, 0.2)
        page.text(left + 1.0, base + 6.4, label, 4.8, width - 1.5, color=SOFT)
        page.text(left + 1.0, base + 2.2, value, 6.2, width - 1.5, weight="bold")


def foot(page: Page, data: SheetSet, missing: set[str]) -> None:
    """Cautions within the border, origin of the sheet below it."""
    x, most = BORDER_MM + 2.0, SIDE_X - BORDER_MM - 4.0
    y = BORDER_MM + 6.2
    for line in (CAUTIONS[0] + " " + CAUTIONS[1], CAUTIONS[2] + " " + CAUTIONS[3]):
        page.text(x, y, line, 5.6, most, color=CAUTION_COLOUR)
        y -= 2.9
    words = data.stamp.line()
    if missing:
        words += f"; {len(missing)} characters that these sheets cannot print are shown as \ufffd"
    page.text(BORDER_MM, 3.5, words, 5.5, 300.0, color=SOFT)
    page.text(WIDTH_MM - BORDER_MM, 3.5, f"{data.settings.drawing_number}  A3".strip(), 5.5, 60.0, ha="right",
              color=SOFT)  # fmt: skip
