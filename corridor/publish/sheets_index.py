"""The first pages of a set: where every sheet lies, what is on it, cautions and what was not assessed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.patches import Polygon

from corridor.assess.cautions import CAUTIONS
from corridor.publish.palette import ROUTE, rule_colour
from corridor.publish.sheet_furniture import (
    CAUTION_COLOUR,
    Labels,
    multiples,
    north_arrow,
    ratio,
    round_scale,
    round_step,
    scale_bar,
)
from corridor.publish.sheets_data import SheetSet, inside
from corridor.publish.sheets_map import draw_ground, draw_layer
from corridor.publish.sheets_plan import Strip, StripFrame
from corridor.publish.sheets_profile import (
    GROUND_FILL,
    LEAST_RANGE_M,
    MOST_POINTS,
    SEABED,
    depth_range,
    profile_part,
    thinned,
)
from corridor.publish.sheets_side import (
    SIDE_MM,
    SIDE_X,
    TEXT_MM,
    TEXT_X,
    TITLE_MM,
    foot,
    legend,
    overview_frame,
    overview_line,
    revisions,
    title_block,
)
from corridor.publish.zones_sheet_page import (
    BORDER_MM,
    HEIGHT_MM,
    INK,
    SOFT,
    Column,
    Page,
    table_rows,
)
from corridor.routing.geodesy import convergence_deg

MAP_X, MAP_Y = BORDER_MM + 3.0, 128.0
MAP_WIDTH, MAP_HEIGHT = SIDE_X - MAP_X - 3.0, HEIGHT_MM - BORDER_MM - 4.0 - MAP_Y
TABLE_TOP = MAP_Y - 4.0
TABLE_ROWS = 22
"""Rows in one column of the first page's table; longer sets go on over pages of their own."""

PAGE_ROWS = 54
COLUMNS = (
    Column("Sheet", 11, True), Column("KP from", 17, True), Column("KP to", 17, True),
    Column("Plan", 20, True), Column("Depth m", 28, True), Column("IPs", 20), Column("Cross.", 12, True),
    Column("File", 28),
)  # fmt: skip
TABLE_GAP_MM = 5.0
MOST_WINDOWS = 400
"""Windows of sheets drawn on the overview; of more, every n-th."""


def index_pages(data: SheetSet) -> list[Page]:
    """The index sheet, and further pages where the table of sheets is long."""
    rows = sheet_rows(data)
    first = _first_page(data, rows[: 2 * TABLE_ROWS])
    pages = [first]
    rest = rows[2 * TABLE_ROWS :]
    while rest:
        pages.append(_table_page(data, rest[: 2 * PAGE_ROWS]))
        rest = rest[2 * PAGE_ROWS :]
    return pages


def sheet_rows(data: SheetSet) -> list[tuple[str, ...]]:
    """One row per sheet: number, KP range, plan scale, depths, IPs, crossings, file."""
    rows: list[tuple[str, ...]] = []
    names = {strip.number: data.file_name(part) for part, strips in enumerate(data.files) for strip in strips}
    for strip in data.strips:
        low, high = depth_range(profile_part(data, strip)["depth_m"])
        depths = "no data" if np.isnan(low) else f"{low:.1f} to {high:.1f}"
        crossings = len(inside(data.crossings["kp_km"], strip))
        rows.append(
            (
                str(strip.number), f"{strip.kp_from_km:.3f}", f"{strip.kp_to_km:.3f}",
                ratio(strip.frame.scale), depths, _bends_on(data, strip), str(crossings),
                names[strip.number],
            )
        )  # fmt: skip
    return rows


def _bends_on(data: SheetSet, strip: Strip) -> str:
    points = data.points
    found = [
        i
        for i in range(1, len(points["point"]) - 1)
        if points["kp_in_km"][i] <= strip.kp_to_km and points["kp_out_km"][i] >= strip.kp_from_km
    ]
    if not found:
        return "-"
    first, last = points["point"][found[0]], points["point"][found[-1]]
    return first if first == last else f"{first} to {last[2:]}"


def _first_page(data: SheetSet, rows: Sequence[tuple[str, ...]]) -> Page:
    page = Page(set())
    page.line([SIDE_X, SIDE_X], [BORDER_MM, HEIGHT_MM - BORDER_MM], 0.4)
    frame = _overview(page, data)
    _tables(page, rows, TABLE_TOP, TABLE_ROWS)
    if len(rows) <= TABLE_ROWS:
        _whole_profile(page, data)
    y = legend(page, data, HEIGHT_MM - BORDER_MM - 5.5)
    page.text(TEXT_X, y - 4.0, f"Overview {ratio(frame.scale)} at A3", 8.0, weight="bold")
    scale_bar(page, TEXT_X, y - 9.0, frame.scale, 40.0)
    gamma = float(convergence_deg(data.study.project.crs, frame.easting_m, frame.northing_m))
    north_arrow(page, SIDE_X + SIDE_MM - 13.0, y - 11.0, frame.up_deg, gamma, 13.0)
    _notes(page, data, y - 21.0)
    revisions(page, data, BORDER_MM + TITLE_MM)
    total = f"KP 0.000 to KP {data.strips[-1].kp_to_km:.3f}"
    title_block(page, data, f"Index of {len(data.strips)} sheets", total, ratio(frame.scale))
    foot(page, data, page.missing)
    return page


def _overview(page: Page, data: SheetSet) -> StripFrame:
    """The whole line on the seabed with the sheets' windows and numbers."""
    close = overview_frame(data, MAP_WIDTH, MAP_HEIGHT)
    scale = round_scale(close.scale)
    frame = StripFrame(close.easting_m, close.northing_m, 90.0, scale, MAP_WIDTH, MAP_HEIGHT)
    axes = page.axes(MAP_X, MAP_Y, MAP_WIDTH, MAP_HEIGHT)
    axes.set_xlim(0.0, MAP_WIDTH)
    axes.set_ylim(0.0, MAP_HEIGHT)
    axes.set_xticks([])
    axes.set_yticks([])
    draw_ground(axes, frame, data.ground.under(frame, None))
    for drawn in data.layers:
        for _ in draw_layer(axes, frame, drawn):
            pass
    line = overview_line(data, frame)
    axes.plot(line[:, 0], line[:, 1], color=ROUTE, lw=1.2, zorder=5)
    labels = Labels(axes, page, MAP_WIDTH, MAP_HEIGHT)
    labels.block_line(line)
    step = max(1, -(-len(data.strips) // MOST_WINDOWS))
    for strip in data.strips[::step]:
        corners = frame.to_paper(*strip.frame.corners_m.T)
        axes.add_patch(Polygon(corners, facecolor="none", edgecolor=INK, linewidth=0.4, zorder=6))
        centre = corners.mean(axis=0)
        up = (corners[3] - corners[0]) / 2.0
        reach = up / max(float(np.hypot(*up)), 1e-9)
        places = [tuple(centre + up + reach * d) for d in (-2.2, 2.2)]
        places += [tuple(centre - up - reach * d) for d in (-2.2, 2.2, 5.0)]
        labels.put(str(strip.number), places, 6.5, weight="bold")
    _kp_labels(axes, labels, data, line)
    return frame


def _kp_labels(axes: Any, labels: Labels, data: SheetSet, line: np.ndarray) -> None:
    """Round KPs along the line."""
    total = data.strips[-1].kp_to_km
    long_mm = float(np.hypot(*np.diff(line, axis=0).T).sum())
    step = round_step(max(22.0 / max(long_mm, 1.0) * total, 1e-3))
    ticks = []
    for kp in multiples(0.0, total, step).tolist():
        at = min(int(kp / total * (len(line) - 1)), len(line) - 2)
        ahead = line[at + 1] - line[at]
        left = np.array([-ahead[1], ahead[0]]) / max(float(np.hypot(*ahead)), 1e-9)
        ticks.append([line[at] - left * 1.2, line[at] + left * 1.2])
        labels.put(f"KP {kp:g}", [tuple(line[at] + left * d) for d in (3.2, -3.2, 5.0)], 5.5, color=ROUTE)
    axes.add_collection(LineCollection(ticks, colors=ROUTE, linewidths=0.8, zorder=6), autolim=False)


def _tables(page: Page, rows: Sequence[tuple[str, ...]], top: float, most: int) -> None:
    """The table of sheets in two columns."""
    width = sum(column.width_mm for column in COLUMNS)
    for i in range(2):
        part = rows[i * most : (i + 1) * most]
        if part:
            table_rows(page, BORDER_MM + 3.0 + i * (width + TABLE_GAP_MM), top, COLUMNS, part)


def _whole_profile(page: Page, data: SheetSet) -> None:
    """The seabed along the whole line beside a short table, with the sheets' limits and the crossings."""
    x = BORDER_MM + 3.0 + sum(column.width_mm for column in COLUMNS) + TABLE_GAP_MM + 8.0
    width, height, y = SIDE_X - 4.0 - x, 78.0, TABLE_TOP - 84.0
    total = data.strips[-1].kp_to_km
    table = data.study.assessment.profile
    keep = thinned(np.asarray(table["depth_m"]), MOST_POINTS)
    kp, depth = np.asarray(table["kp_km"])[keep], np.asarray(table["depth_m"])[keep]
    low, high = depth_range(depth)
    if np.isnan(low):
        return
    room = max(high - low, LEAST_RANGE_M) * 0.05
    axes = page.axes(x, y, width, height)
    axes.set_xlim(0.0, total)
    axes.set_ylim(high + room, low - room)
    axes.plot(kp, depth, color=SEABED, lw=0.8)
    axes.fill_between(kp, depth, high + room, color=GROUND_FILL, lw=0)
    if len(data.strips) <= TABLE_ROWS:
        for strip in data.strips[1:]:
            axes.axvline(strip.kp_from_km, color=INK, lw=0.4, ls=(0, (8, 2, 2, 2)))
    for at in data.crossings["kp_km"]:
        axes.axvline(at, color=rule_colour("cross"), lw=0.6, ls=(0, (3, 2)))
    axes.tick_params(labelsize=5.5, width=0.4, length=2.0, pad=1.5)
    times = (height / (high - low + 2.0 * room)) / (width / (total * 1000.0))
    words = f"Seabed along the line, m below {data.stamp.vertical_datum or 'a datum not stated'}; KP in km"
    page.text(x, y + height + 1.4, f"{words}; vertical exaggeration {times:.3g}", 6.0, width)


def _table_page(data: SheetSet, rows: Sequence[tuple[str, ...]]) -> Page:
    page = Page(set())
    page.text(BORDER_MM + 4.0, HEIGHT_MM - BORDER_MM - 6.0, "Index of sheets (continued)", 9.0, weight="bold")
    page.line([SIDE_X, SIDE_X], [BORDER_MM, HEIGHT_MM - BORDER_MM], 0.4)
    _tables(page, rows, HEIGHT_MM - BORDER_MM - 10.0, PAGE_ROWS)
    revisions(page, data, BORDER_MM + TITLE_MM)
    total = f"KP 0.000 to KP {data.strips[-1].kp_to_km:.3f}"
    title_block(page, data, f"Index of {len(data.strips)} sheets", total, "-")
    foot(page, data, page.missing)
    return page


def _notes(page: Page, data: SheetSet, y: float) -> None:
    """Status, cautions, what was not assessed, warnings: as many as find room."""
    assessed = data.study.assessment
    broken = [check for check in assessed.checks if not check.ok]
    state = f"{len(broken)} of {len(assessed.checks)} checks BROKEN: see the report" if broken else (
        f"all {len(assessed.checks)} checks pass")  # fmt: skip
    warnings = [*data.study.project.warnings, *assessed.warnings]
    lines: list[tuple[str, str]] = [(f"Checks: {state}", CAUTION_COLOUR if broken else INK)]
    lines += [(text, CAUTION_COLOUR) for text in CAUTIONS]
    lines.append(("Not assessed: " + "; ".join(assessed.not_assessed), INK))
    lines += [(f"Warning: {text}", SOFT) for text in warnings]
    bottom = BORDER_MM + TITLE_MM + 26.0
    for number, (line, colour) in enumerate(lines):
        if y < bottom + 6.0:
            page.text(TEXT_X, y, f"{len(lines) - number} further notes: see summary.json", 5.4, TEXT_MM)
            return
        y = page.paragraph(TEXT_X, y, line, TEXT_MM, 5.4, color=colour) - 0.5
