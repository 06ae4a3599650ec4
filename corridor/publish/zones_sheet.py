"""zones.pdf: an A3 map sheet and the tables that belong to it, to be attached to an application."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import shapely
from matplotlib.backends.backend_pdf import PdfPages

from corridor.model.permit import Zone, ZoneStudy
from corridor.permit.ground import horizontal_crs
from corridor.publish.palette import ROUTE, RULE_COLOURS, RULE_WORDS
from corridor.publish.provenance import Stamp
from corridor.publish.zones_rows import ALL_CAUTIONS, shown
from corridor.publish.zones_sheet_map import (
    HATCHES,
    Frame,
    detail_windows,
    draw_graticule,
    draw_grid_ticks,
    draw_line,
    draw_references,
    draw_zones,
    frame_around,
    hatch_lines,
    label_references,
    number_zones,
    prepared,
    reference_style,
    zone_style,
)
from corridor.publish.zones_sheet_page import (
    BORDER_MM,
    HEIGHT_MM,
    POINT_MM,
    ROW_MM,
    SETTINGS,
    SOFT,
    WIDTH_MM,
    Page,
    table_rows,
)
from corridor.publish.zones_sheet_tables import Section, note_lines, sections
from corridor.routing.geodesy import convergence_deg

SIDE_MM = 92.0
"""Width of the column with legend, insets and title block."""

MAP_X, MAP_Y = BORDER_MM + 8.0, BORDER_MM + 8.0
MAP_WIDTH = WIDTH_MM - 2 * BORDER_MM - SIDE_MM - 16.0
MAP_HEIGHT = HEIGHT_MM - 2 * BORDER_MM - 15.0
SIDE_X = WIDTH_MM - BORDER_MM - SIDE_MM
TITLE_HEIGHT = 56.0
MOST_NUMBERED = 400
MOST_INSETS = 4


def write_zones_sheet(path: Path, study: ZoneStudy, stamp: Stamp) -> None:
    """Write map sheet and tables as one PDF."""
    with matplotlib.rc_context(SETTINGS):  # type: ignore[arg-type]
        missing: set[str] = set()
        frame = sheet_frame(study)
        pages = [map_page(study, stamp, frame, missing)]
        pages += table_pages(sections(study, frame.box), missing)
        pages.append(_note_page(study, missing))
        for number, page in enumerate(pages, start=1):
            _title_strip(page, study, stamp, number, len(pages))
        metadata = {"Title": stamp.project, "Subject": study.settings.title, "Creator": stamp.line()}
        with PdfPages(path, metadata={**metadata, "CreationDate": stamp.time}) as document:
            for page in pages:
                document.savefig(page.figure)


def sheet_frame(study: ZoneStudy) -> Frame:
    """The main map's window: the scale asked for, or the largest round one that fits."""
    return frame_around(_extent(study), MAP_WIDTH, MAP_HEIGHT, study.settings.sheet_scale)


def map_page(study: ZoneStudy, stamp: Stamp, frame: Frame, missing: set[str]) -> Page:
    """The map sheet: main map, insets, legend, scale, north, projection, cautions, title block."""
    page = Page(missing)
    axes = prepared(page, frame, MAP_X, MAP_Y)
    draw_references(axes, frame, study)
    drawn = draw_zones(axes, frame, study.zones)
    draw_line(axes, frame, study)
    spacing = draw_graticule(page, axes, frame, study.crs, MAP_X, MAP_Y)
    draw_grid_ticks(page, frame, MAP_X, MAP_Y)
    label_references(page, axes, frame, study)
    left = number_zones(axes, frame, drawn[:MOST_NUMBERED]) + max(len(drawn) - MOST_NUMBERED, 0)
    page.line([SIDE_X, SIDE_X], [BORDER_MM, HEIGHT_MM - BORDER_MM], 0.4)
    y = _legend(page, study, HEIGHT_MM - BORDER_MM - 5.0)
    y = _scale_and_north(page, frame, study.crs, y - 3.0)
    y = _geodesy(page, frame, study, stamp, spacing, y - 2.0)
    y = _insets(page, frame, study, drawn, axes, y - 2.0)
    _cautions(page, left, y - 2.0)
    _title_block(page, study, stamp, frame)
    return page


def _extent(study: ZoneStudy) -> tuple[float, float, float, float]:
    """What the sheet shows: the line and the zones within reach of it, or all zones."""
    outlines = np.empty(len(study.zones), dtype=object)
    outlines[:] = [zone.outline for zone in study.zones]
    if study.corridor is not None:
        west, south, east, north = study.corridor.bounds
        reach = 0.15 * max(east - west, north - south)
        window = shapely.box(west - reach, south - reach, east + reach, north + reach)
        near = shapely.intersection(outlines, window) if len(outlines) else outlines
        shapes = [study.corridor, *[shape for shape in near if not shape.is_empty]]
        return tuple(shapely.total_bounds(np.array(shapes, dtype=object)).tolist())
    if len(outlines):
        return tuple(shapely.total_bounds(outlines).tolist())
    shapes = [item.geometry for item in study.references]
    if shapes:
        return tuple(shapely.total_bounds(np.array(shapes, dtype=object)).tolist())
    return 4.99e5, 0.0, 5.01e5, 2000.0


def _legend(page: Page, study: ZoneStudy, y: float) -> float:
    """Symbols and what they mean, with counts."""
    x = SIDE_X + 4.0
    page.text(x, y - 2.0, "Legend", 9.0, weight="bold")
    y -= 8.0
    for rule in ("avoid", "discourage"):
        for active, words in ((True, "in force"), (False, "not in force")):
            count = sum(zone.rule == rule and zone.active is active for zone in study.zones)
            if count:
                style = zone_style(rule, active)
                page.box(x, y - 0.6, 11.0, 3.6, style.pop("linewidth") * POINT_MM, **style)
                if active:
                    _hatch_sample(page, x, y - 0.6, rule)
                page.text(x + 14.0, y, f"{RULE_WORDS[rule]}, {words} ({count})", 7.0, SIDE_MM - 22.0)
                y -= 5.2
    for rule in ("cross", "stay_within", "jurisdiction"):
        if any(item.rule == rule for item in study.references):
            page.paper.plot([x, x + 11.0], [y + 1.1, y + 1.1], **reference_style(rule))
            page.text(x + 14.0, y, RULE_WORDS[rule], 7.0, SIDE_MM - 22.0)
            y -= 5.2
    if study.alignment is not None:
        page.box(x, y - 0.6, 11.0, 3.6, 0.07, facecolor=ROUTE + "18", edgecolor=ROUTE)
        page.line([x, x + 11.0], [y + 1.2, y + 1.2], 0.4, ROUTE)
        width = f"Line and working corridor, {study.settings.working_corridor_m:g} m wide"
        page.text(x + 14.0, y, width, 7.0, SIDE_MM - 22.0)
        y -= 5.2
    page.text(x, y, "Numbers on the map are those of the schedule of zones.", 6.0, SIDE_MM - 8.0, color=SOFT)
    return y - 3.0


def _hatch_sample(page: Page, x: float, y: float, rule: str) -> None:
    slope, spacing_mm, dash = HATCHES[rule]
    box = np.array([shapely.box(x, y, x + 11.0, y + 3.6)], dtype=object)
    style: dict[str, Any] = {"color": RULE_COLOURS[rule], "linewidth": 0.3, "linestyle": dash}
    for line in hatch_lines(box, slope, spacing_mm):
        page.paper.plot(line[:, 0], line[:, 1], **style)


def _scale_and_north(page: Page, frame: Frame, crs: str, y: float) -> float:
    """Ratio, scale bar and north arrows."""
    x = SIDE_X + 4.0
    page.text(x, y - 3.0, f"Scale 1:{_grouped(frame.scale)} at A3", 8.5, weight="bold")
    length_m, unit, factor = _bar_length(frame.scale)
    part = length_m / 4.0 / frame.scale * 1000.0
    for i in range(4):
        page.box(x + i * part, y - 9.0, part, 1.6, 0.2, facecolor="#1d1f24" if i % 2 == 0 else "#ffffff")
    for i in range(0, 5, 2):
        page.text(x + i * part, y - 12.2, f"{i * length_m / 4.0 / factor:g}", 6.0, ha="center")
    page.text(x + 4 * part + 3.0, y - 9.0, unit, 6.0)
    gamma = float(convergence_deg(crs, frame.easting_m, frame.northing_m))
    _north(page, SIDE_X + SIDE_MM - 14.0, y - 14.0, gamma)
    page.text(x, y - 16.5, f"Grid convergence at the centre {gamma:+.2f}°", 6.0, SIDE_MM - 34.0, color=SOFT)
    return y - 19.0


def _bar_length(scale: float) -> tuple[float, str, float]:
    """Round length of the scale bar (m), 32 to 56 mm on paper, its unit, and metres in it."""
    most = 56.0 * scale / 1000.0
    power = 10.0 ** np.floor(np.log10(most))
    length = float(max(power * step for step in (1.0, 2.0, 4.0, 8.0) if power * step <= most))
    return (length, "km", 1000.0) if length >= 4000.0 else (length, "m", 1.0)


def _grouped(value: float) -> str:
    return f"{value:,.0f}".replace(",", " ")


def _north(page: Page, x: float, y: float, convergence: float) -> None:
    """True north as an arrow, grid north as a thin line beside it (straight up the sheet)."""
    angle = np.radians(-convergence)
    tip = (x + 13.0 * np.sin(angle), y + 13.0 * np.cos(angle))
    style = {"arrowstyle": "-|>", "linewidth": 1.0, "color": "#1d1f24", "shrinkA": 0, "shrinkB": 0}
    page.paper.annotate("", tip, (x, y), arrowprops=style)
    page.text(tip[0], tip[1] + 0.8, "N true", 6.0, ha="center", weight="bold")
    page.line([x, x], [y, y + 9.0], 0.15, SOFT)
    page.text(x + 1.0, y - 0.5, "grid", 5.0, color=SOFT)


def _geodesy(page: Page, frame: Frame, study: ZoneStudy, stamp: Stamp, spacing: str, y: float) -> float:
    """Projection, datums, graticule and grid in words."""
    crs = horizontal_crs(study.crs)
    lines = [
        f"Projection: {crs.name} ({study.crs})",
        f"Geodetic datum of the grid: {crs.datum.name if crs.datum is not None else 'not stated'}",
        f"Graticule: WGS 84, every {spacing}, labelled above and right. Ticks: project grid, m.",
        f"Vertical datum: {stamp.vertical_datum or 'not stated'} (no depths on this sheet)",
        "Buffers are ground metres; areas are on the ellipsoid.",
    ]
    for line in lines:
        y = page.paragraph(SIDE_X + 4.0, y - 2.0, line, SIDE_MM - 8.0, 6.0) + 1.6
    return y


def _insets(page: Page, frame: Frame, study: ZoneStudy, drawn: Sequence[Zone], axes: Any, y: float) -> float:
    """Key plan of everything, and details where zones are small on the main map, as many as fit."""
    side = (SIDE_MM - 11.0) / 2.0
    rows = int((y - BORDER_MM - TITLE_HEIGHT - 22.0) / (side + 6.0))
    if rows < 1:
        return y
    windows = [("Key plan", frame_around(_whole(study, frame), side, side))]
    details = detail_windows(drawn, frame, side, min(2 * rows, MOST_INSETS) - 1)
    windows += [(f"Detail {name}", window) for name, window in zip("ABCDEFG", details, strict=False)]
    for i, (title, window) in enumerate(windows):
        x, top = SIDE_X + 4.0 + (i % 2) * (side + 3.0), y - (i // 2) * (side + 6.0)
        inset = prepared(page, window, x, top - side - 4.0)
        draw_references(inset, window, study)
        seen = draw_zones(inset, window, study.zones)
        draw_line(inset, window, study, labels=False)
        page.text(x, top - 2.8, f"{title} 1:{_grouped(window.scale)}", 6.0, side)
        if i:
            number_zones(inset, window, seen[:MOST_NUMBERED], 6.0)
            _outline(axes, window, title[-1])
        else:
            _outline(inset, frame, "")
    return y - (len(windows) + 1) // 2 * (side + 6.0)


def _whole(study: ZoneStudy, frame: Frame) -> tuple[float, float, float, float]:
    shapes = [frame.box, *[zone.outline for zone in study.zones]]
    return tuple(shapely.total_bounds(np.array(shapes, dtype=object)).tolist())


def _outline(axes: Any, window: Frame, name: str) -> None:
    west, south, east, north = window.bounds_m
    axes.plot(
        [west, east, east, west, west], [south, south, north, north, south], color="#1d1f24", lw=0.6, zorder=9
    )
    if name:
        axes.text(west, north, name, fontsize=6.0, va="bottom", weight="bold", zorder=9)


def _cautions(page: Page, left: int, y: float) -> None:
    """Cautions, as many as there is room for: the last page has all of them."""
    lines = [*ALL_CAUTIONS[:3]]
    if left:
        lines.append(f"{left} zone numbers found no room on the map: see the schedule, or zones_list.csv.")
    for line in lines:
        if y < BORDER_MM + TITLE_HEIGHT + 5.0:
            break
        y = page.paragraph(SIDE_X + 4.0, y, line, SIDE_MM - 8.0, 5.8, color="#a82512") - 0.4


def _title_block(page: Page, study: ZoneStudy, stamp: Stamp, frame: Frame) -> None:
    """Who, what, which revision, when."""
    settings = study.settings
    top = BORDER_MM + TITLE_HEIGHT
    page.line([SIDE_X, WIDTH_MM - BORDER_MM], [top, top], 0.4)
    x, most = SIDE_X + 4.0, SIDE_MM - 8.0
    page.paragraph(x, top - 5.5, shown(settings.title, 90), most, 9.0, weight="bold")
    page.text(x, top - 13.5, stamp.project, 8.0, most)
    page.text(x, top - 17.5, f"Applicant: {settings.applicant or 'not stated'}", 7.0, most)
    period = settings.period
    days = "not set" if period is None else " to ".join(dict.fromkeys(day.isoformat() for day in period))
    page.text(x, top - 21.3, f"Study period: {days}", 7.0, most)
    cells = (
        ("Drawing", settings.drawing_number or "not stated"), ("Revision", stamp.revision),
        ("Date", settings.sheet_date or stamp.time.date().isoformat()),
        ("Scale", f"1:{_grouped(frame.scale)} (A3)"), ("Drawn", settings.drawn_by or "-"),
        ("Checked", settings.checked_by or "-"), ("Approved", settings.approved_by or "-"),
        ("CRS", study.crs),
    )  # fmt: skip
    width, height = SIDE_MM / 4.0, 11.0
    for i, (label, value) in enumerate(cells):
        left, base = SIDE_X + (i % 4) * width, top - 35.0 - (i // 4) * height
        page.box(left, base, width, height, 0.2)
        page.text(left + 1.2, base + 7.6, label, 5.0, width - 2.0, color=SOFT)
        page.text(left + 1.2, base + 2.6, value, 7.0, width - 2.0, weight="bold")


def _title_strip(page: Page, study: ZoneStudy, stamp: Stamp, number: int, pages: int) -> None:
    """Foot of every page: what it belongs to, its number, the first caution."""
    page.text(BORDER_MM, 3.5, stamp.line(), 5.5, 230.0, color=SOFT)
    page.text(250.0, 3.5, ALL_CAUTIONS[0], 5.5, 110.0, color="#a82512")
    page.text(WIDTH_MM - BORDER_MM, 3.5, f"Sheet {number} of {pages}", 6.5, ha="right")
    if number > 1:
        page.text(
            BORDER_MM + 4.0, HEIGHT_MM - BORDER_MM - 6.5, study.settings.title, 9.0, 200.0, weight="bold"
        )
        right = f"{study.settings.drawing_number}  revision {stamp.revision}".strip()
        page.text(WIDTH_MM - BORDER_MM - 4.0, HEIGHT_MM - BORDER_MM - 6.5, right, 8.0, 120.0, ha="right")


def table_pages(tables: Iterable[Section], missing: set[str]) -> list[Page]:
    """Tables one after the other over as many pages as they need; narrow ones stand side by side."""
    top, bottom = HEIGHT_MM - BORDER_MM - 12.0, BORDER_MM + 4.0
    pages: list[Page] = []
    y = bottom
    for title, columns, rows, beside in tables:
        first = 0
        while first < len(rows):
            if y - bottom < 5 * ROW_MM or (beside > 1 and y < top):
                pages.append(Page(missing))
                y = top
            page = pages[-1]
            page.text(BORDER_MM + 4.0, y - 4.0, title + (" (continued)" if first else ""), 9.0, 200.0)
            fit = int((y - 6.0 - bottom) / ROW_MM) - 1
            ends = [
                table_rows(page, BORDER_MM + 4.0 + i * 135.0, y - 6.0, columns, part)
                for i in range(beside)
                if (part := rows[first + i * fit : first + (i + 1) * fit])
            ]
            first += fit * beside
            y = min(ends) - 4.0
    return pages


def _note_page(study: ZoneStudy, missing: set[str]) -> Page:
    """All cautions and notes; as far as they fit, the rest is counted."""
    page = Page(missing)
    page.text(BORDER_MM + 4.0, HEIGHT_MM - BORDER_MM - 14.0, "Cautions and notes", 9.0)
    y = HEIGHT_MM - BORDER_MM - 22.0
    lines = note_lines(study)
    if missing:
        lines.insert(
            len(ALL_CAUTIONS),
            "Note: the font of these sheets has Latin, Greek and Cyrillic letters. Other characters are "
            f"shown as \ufffd ({len(missing)} different ones here); the data files hold every name in full.",
        )
    for i, line in enumerate(lines):
        if y < BORDER_MM + 12.0:
            page.text(
                BORDER_MM + 4.0, y, f"{len(lines) - i} further notes stand in zones.gpkg, table notes", 7.0
            )
            break
        y = page.paragraph(BORDER_MM + 4.0, y, line, WIDTH_MM - 2 * BORDER_MM - 8.0, 7.0) - 1.2
    return page
