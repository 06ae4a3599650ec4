"""The report's drawings, as SVG inside the page: plan, profile, cost by KP."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image

from corridor.model.results import Study
from corridor.publish.palette import ROUTE, VERDICT_COLOURS, rule_colour
from corridor.publish.report_html import text
from corridor.publish.sheet_furniture import multiples, round_step
from corridor.publish.sheets_data import DrawnLayer, SpanMark
from corridor.publish.sheets_ground import SeabedOnSheets
from corridor.publish.sheets_plan import StripFrame
from corridor.publish.sheets_profile import FAINT, GROUND_FILL, SEABED, depth_range, thinned
from corridor.publish.zones_sheet_page import text_mm
from corridor.routing.geometry import Elements, at_station

WIDTH = 1000.0
INK, SOFT = "#1d1f24", "#555b66"
PLAN_DPI = 96
MM = 180.0 / WIDTH
"""The plan is sampled as if printed 180 mm wide."""

TERM_COLOURS = {
    "slope_m": "#3a6a9f", "discouraged_m": "#d08a00", "crossings_m": "#5b3da6", "bends_m": "#8fc3c5",
}  # fmt: skip
OTHER_COLOUR = "#8b9098"
MOST_PATH_POINTS = 200_000
MOST_BARS = 300


def plan_svg(study: Study, line: Elements, layers: list[DrawnLayer]) -> str:
    """The line on the seabed with the obstructions about it, grid north up."""
    frame = _frame(line)
    height = frame.height_mm / MM
    parts = [_picture(study, frame)]
    parts += _layer_paths(frame, layers)
    at = np.linspace(0.0, line.total_m, 1500)
    easting, northing, _ = at_station(line, at)
    points = _points(frame, easting, northing)
    parts.append(_path(points, "none", "#ffffff", 5.0))
    parts.append(_path(points, "none", ROUTE, 2.4))
    labels = _Labels(WIDTH, height, points)
    parts += _kp_ticks(frame, line, labels)
    parts += _crossing_marks(study, frame, labels)
    parts += _ends(points, labels)
    parts += _scale(frame, height)
    return _svg(WIDTH, height, "Plan of the line, grid north up", parts)


def profile_svg(study: Study, spans: list[SpanMark]) -> str:
    """Seabed along KP with crossings and the spans that need a look."""
    table = study.assessment.profile
    keep = thinned(np.asarray(table["depth_m"]), 2400)
    kp, depth = np.asarray(table["kp_km"])[keep], np.asarray(table["depth_m"])[keep]
    low, high = depth_range(depth)
    if math.isnan(low):
        return ""
    left, top, width, height = 56.0, 10.0, WIDTH - 66.0, 210.0
    total = study.assessment.length_m / 1000.0
    room = max(high - low, 1.0) * 0.06
    low, high = low - room, high + room

    def x(value: Any) -> Any:
        return left + np.asarray(value) / total * width

    def y(value: Any) -> Any:
        return top + (np.asarray(value) - low) / (high - low) * height

    parts = _axes(left, top, width, height, total, low, high)
    for run in _known_runs(depth):
        chain = np.column_stack([x(kp[run]), y(depth[run])])
        ground = np.vstack([chain, [chain[-1, 0], top + height], [chain[0, 0], top + height]])
        parts.append(_path(ground, GROUND_FILL, "none", 0.0, closed=True))
        parts.append(_path(chain, "none", SEABED, 1.6))
    for at, ok in zip(study.assessment.crossings["kp_km"], study.assessment.crossings["ok"], strict=True):
        colour = rule_colour("cross") if ok else VERDICT_COLOURS["bad"]
        parts.append(
            f'<line x1="{x(at):.1f}" x2="{x(at):.1f}" y1="{top}" y2="{top + height}" stroke="{colour}" '
            'stroke-width="1.2" stroke-dasharray="5 3"/>'
        )
    for mark in spans:
        if mark.look != "good":
            start, end = float(x(mark.kp_start_km)), float(x(mark.kp_end_km))
            parts.append(
                f'<rect x="{start:.1f}" y="{top + height - 7:.1f}" width="{max(end - start, 1.5):.1f}" '
                f'height="7" fill="{VERDICT_COLOURS[mark.look]}"/>'
            )
    return _svg(WIDTH, top + height + 34.0, "Seabed along the line", parts)


def cost_svg(cost_by_kp: dict[str, list[Any]]) -> tuple[str, list[tuple[str, str]]]:
    """What stands above the length, per KP range, as stacked bars; the terms drawn with their colours."""
    ranges = [name for name in cost_by_kp if name.startswith("kp_")]
    terms = [
        name
        for name in cost_by_kp
        if name not in (*ranges, "total_m", "length_m", "pipe") and any(cost_by_kp[name])
    ]
    if not terms or len(ranges) != 2:
        return "", []
    start, end = (np.array(cost_by_kp[name], dtype=float) for name in ranges)
    values = np.array([cost_by_kp[name] for name in terms], dtype=float)
    start, end, values = _merged(start, end, values)
    left, top, width, height = 56.0, 10.0, WIDTH - 66.0, 150.0
    total, most = float(end[-1]), max(float(values.sum(axis=0).max()), 1.0)
    parts = _axes(left, top, width, height, total, most, 0.0)
    base = np.zeros(len(start))
    for term, row in zip(terms, values, strict=True):
        colour = TERM_COLOURS.get(term, OTHER_COLOUR)
        for i in np.flatnonzero(row > 0.0).tolist():
            x0, x1 = left + start[i] / total * width, left + end[i] / total * width
            tall = row[i] / most * height
            y0 = top + height - (base[i] + row[i]) / most * height
            parts.append(
                f'<rect x="{x0 + 0.5:.1f}" y="{y0:.1f}" width="{max(x1 - x0 - 1.0, 0.4):.1f}" '
                f'height="{tall:.1f}" fill="{colour}"/>'
            )
        base += row
    colours = [(term, TERM_COLOURS.get(term, OTHER_COLOUR)) for term in terms]
    return _svg(WIDTH, top + height + 34.0, "Cost above the length, by KP", parts), colours


def swatches(colours: Iterable[tuple[str, str]]) -> str:
    """A legend: coloured squares and their words."""
    return " ".join(
        '<span class="swatch"><svg width="11" height="11" viewBox="0 0 11 11" aria-hidden="true">'
        f'<rect width="11" height="11" fill="{colour}"/></svg> {text(words)}</span>'
        for words, colour in colours
    )


def _merged(
    start: NDArray, end: NDArray, values: NDArray, most: int = 300
) -> tuple[NDArray, NDArray, NDArray]:
    """At most some hundred bars: neighbouring ranges of a long line are added up."""
    times = -(-len(start) // most)
    if times == 1:
        return start, end, values
    cuts = np.arange(0, len(start), times)
    last = np.append(cuts[1:], len(start)) - 1
    return start[cuts], end[last], np.add.reduceat(values, cuts, axis=1)


def _frame(line: Elements) -> StripFrame:
    easting, northing, _ = at_station(line, np.linspace(0.0, line.total_m, 1500))
    low = np.array([easting.min(), northing.min()])
    high = np.array([easting.max(), northing.max()])
    reach = 0.08 * float((high - low).max())
    size = high - low + 2.0 * reach
    width_mm = WIDTH * MM
    height_mm = min(max(size[1] / size[0] * width_mm, 0.35 * width_mm), 1.1 * width_mm)
    scale = max(size[0] / width_mm, size[1] / height_mm) * 1000.0
    centre = (low + high) / 2.0
    return StripFrame(float(centre[0]), float(centre[1]), 90.0, float(scale), width_mm, float(height_mm))


def _picture(study: Study, frame: StripFrame) -> str:
    """The shaded seabed as a picture inside the drawing."""
    ground = SeabedOnSheets(study.project.seabed, PLAN_DPI * 2).under(frame, None)
    if ground.picture is None:
        return ""
    buffer = io.BytesIO()
    Image.fromarray(ground.picture).save(buffer, "WEBP", quality=80, method=4)
    data = base64.b64encode(buffer.getvalue()).decode("ascii")
    return (
        f'<image x="0" y="0" width="{WIDTH:.0f}" height="{frame.height_mm / MM:.1f}" '
        f'preserveAspectRatio="none" href="data:image/webp;base64,{data}"/>'
    )


def _points(frame: StripFrame, easting: Any, northing: Any) -> NDArray[np.float64]:
    paper = frame.to_paper(easting, northing) / MM
    paper[..., 1] = frame.height_mm / MM - paper[..., 1]
    return paper


def _layer_paths(frame: StripFrame, layers: list[DrawnLayer]) -> list[str]:
    """Outlines of the features in the window, simplified to less than a pixel."""
    parts: list[str] = []
    drawn = 0
    window = frame.box
    for held in layers:
        index = held.near(window)
        rule, colour = held.layer.rule, rule_colour(held.layer.rule)
        shapes = shapely.intersection(
            shapely.simplify(held.layer.geometries[index], frame.scale * 2e-4), window
        )
        fill = colour if rule in ("avoid", "discourage") else "none"
        dash = {"stay_within": "8 4", "jurisdiction": "2 3", "discourage": "6 3 2 3"}.get(rule, "")
        for part in shapely.get_parts(shapes):
            coords = _points(frame, *shapely.get_coordinates(part).T)
            drawn += len(coords)
            if drawn > MOST_PATH_POINTS:
                return parts
            if part.geom_type == "Point" or np.ptp(coords, axis=0).max() < 3.0:
                x, y = coords.mean(axis=0)
                parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.4" fill="{colour}"/>')
            elif part.geom_type == "Polygon":
                rings = [part.exterior, *part.interiors]
                chains = [_points(frame, *shapely.get_coordinates(ring).T) for ring in rings]
                d = " ".join(_d(chain) + "Z" for chain in chains)
                parts.append(
                    f'<path d="{d}" fill="{fill}" fill-opacity="0.22" fill-rule="evenodd" stroke="{colour}" '
                    f'stroke-width="1.3" stroke-dasharray="{dash or "none"}"/>'
                )
            elif part.geom_type == "LineString":
                parts.append(_path(coords, "none", colour, 1.6, dash=dash))
    return parts


class _Labels:
    """Places for labels that hide neither each other nor the line; pixels from the upper left."""

    def __init__(self, width: float, height: float, line: NDArray):
        self._size = (width, height)
        self._taken = [(x - 4.0, y - 4.0, x + 4.0, y + 4.0) for x, y in line[::4].tolist()]

    def put(self, words: str, places: Iterable[tuple[float, float]], size: float, **style: str) -> str:
        """The label at the first free place, or nothing."""
        half = text_mm(words, 10.0) / (10.0 * 25.4 / 72.0) * size / 2.0 + 3.0
        for x, y in places:
            box = (x - half, y - size * 0.7, x + half, y + size * 0.7)
            if box[0] < 2 or box[1] < 2 or box[2] > self._size[0] - 2 or box[3] > self._size[1] - 2:
                continue
            if all(box[0] >= t[2] or box[2] <= t[0] or box[1] >= t[3] or box[3] <= t[1] for t in self._taken):
                self._taken.append(box)
                attributes = "".join(f' {name}="{value}"' for name, value in style.items())
                return (
                    f'<text x="{x:.1f}" y="{y + size * 0.35:.1f}" font-size="{size:g}" text-anchor="middle" '
                    'stroke="#ffffff" stroke-width="3.5" stroke-opacity="0.85" paint-order="stroke" '
                    f'stroke-linejoin="round"{attributes}>{text(words, 60)}</text>'
                )
        return ""


def _kp_ticks(frame: StripFrame, line: Elements, labels: _Labels) -> list[str]:
    step = round_step(max(80.0 * MM * frame.scale / 1e6, 1e-3))
    kp = multiples(0.0, line.total_m / 1000.0, step)
    easting, northing, bearing = at_station(line, kp * 1000.0)
    parts = []
    places = _points(frame, easting, northing)
    for value, (x, y), turn in zip(kp.tolist(), places.tolist(), bearing.tolist(), strict=True):
        left = np.array([-math.cos(turn), -math.sin(turn)])
        (x0, y0), (x1, y1) = (x, y) - 5.0 * left, (x, y) + 5.0 * left
        parts.append(f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke="{ROUTE}" stroke-width="1.4"/>')
        tries = [tuple((x, y) + left * d) for d in (17.0, -17.0, 26.0, -26.0)]
        parts.append(labels.put(f"KP {value:g}", tries, 12.0, fill=ROUTE))
    return parts


def _crossing_marks(study: Study, frame: StripFrame, labels: _Labels) -> list[str]:
    table = study.assessment.crossings
    parts = []
    places = _points(frame, table["easting_m"], table["northing_m"])
    for i, (x, y) in enumerate(places.tolist()):
        colour = INK if table["ok"][i] else VERDICT_COLOURS["bad"]
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5.5" fill="none" stroke="{colour}" stroke-width="1.8"/>'
        )
        words = str(table["feature"][i])[:40]
        tries = [(x + dx, y + dy) for dy in (22.0, -22.0, 34.0, -34.0) for dx in (0.0, 60.0, -60.0)]
        parts.append(labels.put(words, tries, 11.0, fill=rule_colour("cross")))
    return parts


def _ends(points: NDArray, labels: _Labels) -> list[str]:
    parts = []
    for (x, y), words in ((points[0], "START"), (points[-1], "END")):
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="#fff" stroke="{ROUTE}" stroke-width="2"/>'
        )
        tries = [(x + dx, y + dy) for dy in (18.0, -18.0, 30.0) for dx in (0.0, 24.0, -24.0)]
        parts.append(labels.put(words, tries, 12.0, fill=ROUTE, **{"font-weight": "700"}))
    return parts


def _scale(frame: StripFrame, height: float) -> list[str]:
    """A scale bar and a grid north arrow in the lower left corner."""
    metres = round_step(120.0 * MM * frame.scale / 1000.0)
    long = metres * 1000.0 / frame.scale / MM
    words = f"{metres / 1000.0:g} km" if metres >= 1000.0 else f"{metres:g} m"
    y = height - 16.0
    return [
        f'<rect x="8" y="{y - 22:.1f}" width="{long + 62:.1f}" height="32" fill="#fff" fill-opacity="0.85"/>',
        f'<path d="M16 {y - 5:.1f}V{y:.1f}H{16 + long:.1f}V{y - 5:.1f}" fill="none" stroke="{INK}" '
        'stroke-width="1.6"/>',
        f'<text x="{16 + long / 2:.1f}" y="{y - 7:.1f}" font-size="12" text-anchor="middle" fill="{INK}">'
        f"{words}</text>",
        f'<path d="M{38 + long:.1f} {y + 4:.1f}V{y - 12:.1f}m-4 6l4 -8l4 8z" fill="{INK}" stroke="{INK}"/>',
        f'<text x="{48 + long:.1f}" y="{y + 3:.1f}" font-size="11" fill="{INK}">N</text>',
    ]


def _axes(
    left: float, top: float, width: float, height: float, total_km: float, low: float, high: float
) -> list[str]:
    """Frame, level lines and KP marks of a diagram; `low` at the top."""
    parts = []
    for value in multiples(min(low, high), max(low, high), round_step(abs(high - low) / 6.0)).tolist():
        y = top + (value - low) / (high - low) * height
        parts.append(
            f'<line x1="{left}" x2="{left + width}" y1="{y:.1f}" y2="{y:.1f}" stroke="{FAINT}" '
            f'stroke-width="0.6"/><text x="{left - 6}" y="{y + 4:.1f}" font-size="12" text-anchor="end" '
            f'fill="{SOFT}">{value:g}</text>'
        )
    for kp in multiples(0.0, total_km, round_step(total_km / 12.0)).tolist():
        x = left + kp / total_km * width
        parts.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{top + height}" y2="{top + height + 5}" stroke="{INK}"/>'
            f'<text x="{x:.1f}" y="{top + height + 19}" font-size="12" text-anchor="middle" fill="{SOFT}">'
            f"{kp:g}</text>"
        )
    parts.append(f'<rect x="{left}" y="{top}" width="{width}" height="{height}" fill="none" stroke="{INK}"/>')
    return parts


def _known_runs(depth: NDArray) -> list[NDArray]:
    known = np.flatnonzero(np.isfinite(depth))
    return [run for run in np.split(known, np.flatnonzero(np.diff(known) > 1) + 1) if len(run) > 1]


def _path(points: NDArray, fill: str, stroke: str, width: float, closed: bool = False, dash: str = "") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    end = "Z" if closed else ""
    return (
        f'<path d="{_d(points)}{end}" fill="{fill}" stroke="{stroke}" stroke-width="{width:g}" '
        f'stroke-linejoin="round"{dashes}/>'
    )


def _d(points: NDArray) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points.tolist())


def _svg(width: float, height: float, title: str, parts: list[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        'font-family="DejaVu Sans, Segoe UI, Helvetica, Arial, sans-serif">'
        f"<title>{text(title)}</title>{''.join(parts)}</svg>"
    )
