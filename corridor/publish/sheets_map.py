"""The plan strip of a sheet: seabed, obstructions, the line with its KPs, IPs and crossings, match lines."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.path import Path as Outline
from numpy.typing import NDArray

from corridor.publish.palette import ROUTE, VERDICT_COLOURS, rule_colour
from corridor.publish.sheet_furniture import Labels, around, multiples, round_step
from corridor.publish.sheets_data import DrawnLayer, SheetSet, inside
from corridor.publish.sheets_ground import Ground
from corridor.publish.sheets_plan import Strip, StripFrame
from corridor.publish.zones_sheet_page import INK, SOFT, Page, text_mm
from corridor.routing.geometry import at_station

DASHES: dict[str, Any] = {
    "jurisdiction": (0, (1, 2)), "stay_within": (0, (6, 3)), "cross": "solid", "avoid": "solid",
    "discourage": (0, (4, 2, 1, 2)),
}  # fmt: skip
PEN_MM = 0.05
"""Outlines are simplified by no more than this on the sheet: less than a pen's width."""

SMALLEST_MM = 1.2
"""Features smaller than this are drawn as dots of this size."""

POINT_OFFSET_MM = 2.6
"""Names of small features stand this far above them."""

MOST_NAMES = 60
"""Names of features tried on one sheet."""

CONTOUR = "#5d6f7a"
KP_STEPS = (1.0, 2.0, 5.0)


def draw_plan(page: Page, x: float, y: float, data: SheetSet, strip: Strip) -> Ground:
    """Draw the plan of a sheet with its lower left corner at (x, y) mm; returns the ground under it."""
    frame = strip.frame
    axes = page.axes(x, y, frame.width_mm, frame.height_mm)
    axes.set_xlim(0.0, frame.width_mm)
    axes.set_ylim(0.0, frame.height_mm)
    axes.set_xticks([])
    axes.set_yticks([])
    ground = data.ground.under(frame, data.settings.contour_interval_m)
    draw_ground(axes, frame, ground)
    labels = Labels(axes, page, frame.width_mm, frame.height_mm)
    shown = line_points(data, strip)
    labels.block_line(shown, 0.9)
    _match_lines(axes, labels, data, strip)
    _grid(axes, labels, frame)
    crossed = {data.crossings["feature"][i] for i in inside(data.crossings["kp_km"], strip)}
    names = [name for drawn in data.layers for name in draw_layer(axes, frame, drawn)]
    names = [name for name in names if name[2] != "cross" or name[0] not in crossed]
    _line(axes, data, strip, shown)
    _intersection_points(axes, labels, data, strip)
    _kp_marks(axes, labels, data, strip)
    _crossings(axes, labels, data, strip)
    for _, (px, py), _ in names[:MOST_NAMES]:
        labels.block(px, py - POINT_OFFSET_MM, 0.9)
    for words, place, rule in names[:MOST_NAMES]:
        style: dict[str, Any] = {"color": rule_colour(rule), "style": "italic"}
        labels.put(words, [place, *around(*place, (2.5, 5.0, 8.0))], 5.5, 55.0, **style)
    _contour_labels(axes, labels, ground)
    return ground


def draw_ground(axes: Axes, frame: StripFrame, ground: Ground) -> None:
    """Picture and contours."""
    if ground.picture is not None:
        extent = (0.0, frame.width_mm, 0.0, frame.height_mm)
        axes.imshow(ground.picture, extent=extent, aspect="auto", interpolation="none", zorder=0)
    if ground.contours:
        lines = [points for _, points in ground.contours]
        axes.add_collection(LineCollection(lines, colors=CONTOUR, linewidths=0.3, zorder=1), autolim=False)


def _contour_labels(axes: Axes, labels: Labels, ground: Ground) -> None:
    """Depth on contours where there is room, the longest contours first."""
    order = sorted(ground.contours, key=lambda item: -len(item[1]))
    done: dict[float, int] = {}
    decimals = 0 if ground.interval_m >= 1.0 else 1
    for level, points in order[:80]:
        if done.get(level, 0) >= 3:
            continue
        for share in (0.5, 0.25, 0.75):
            i = min(int(len(points) * share), len(points) - 2)
            step = points[i + 1] - points[max(i - 1, 0)]
            angle = math.degrees(math.atan2(step[1], step[0]))
            angle = (angle + 90.0) % 180.0 - 90.0
            style: dict[str, Any] = {"color": CONTOUR, "rotation": angle, "rotation_mode": "anchor"}
            if labels.put(f"{level:.{decimals}f}", [tuple(points[i])], 4.5, **style):
                done[level] = done.get(level, 0) + 1
                break


def line_points(data: SheetSet, strip: Strip) -> NDArray[np.float64]:
    """The sheet's part of the line (n, 2), mm, cut every half millimetre or so."""
    length_mm = (strip.kp_to_km - strip.kp_from_km) * 1e6 / strip.scale
    kp = np.linspace(strip.kp_from_km, strip.kp_to_km, max(2, math.ceil(2.0 * length_mm)))
    return _on_paper(data, strip.frame, kp)


def _on_paper(data: SheetSet, frame: StripFrame, kp_km: Any) -> NDArray[np.float64]:
    kp = np.clip(np.asarray(kp_km, dtype=float) * 1000.0, 0.0, data.line.total_m)
    easting, northing, _ = at_station(data.line, kp)
    return frame.to_paper(easting, northing)


def _across(data: SheetSet, frame: StripFrame, kp_km: float) -> tuple[NDArray, NDArray]:
    """A point of the line on paper and the unit vector to its left."""
    easting, northing, bearing = at_station(data.line, np.array([kp_km * 1000.0]))
    turn = float(bearing[0]) - math.radians(frame.up_deg)
    return frame.to_paper(easting, northing)[0], np.array([-math.cos(turn), math.sin(turn)])


def _line(axes: Axes, data: SheetSet, strip: Strip, shown: NDArray) -> None:
    """The line of this sheet, its neighbours' parts thinner, spans that need a look in colour."""
    reach = (strip.kp_to_km - strip.kp_from_km) * 1.5
    for low, high in (
        (strip.kp_from_km - reach, strip.kp_from_km), (strip.kp_to_km, strip.kp_to_km + reach),
    ):  # fmt: skip
        beyond = _on_paper(data, strip.frame, np.linspace(low, high, 300))
        axes.plot(beyond[:, 0], beyond[:, 1], color=ROUTE, lw=0.5, ls=(0, (4, 2)), zorder=4)
    axes.plot(shown[:, 0], shown[:, 1], color="#ffffff", lw=2.6, zorder=4)
    axes.plot(shown[:, 0], shown[:, 1], color=ROUTE, lw=1.3, zorder=5)
    for mark in data.spans:
        low, high = max(mark.kp_start_km, strip.kp_from_km), min(mark.kp_end_km, strip.kp_to_km)
        if low < high and mark.look != "good":
            part = _on_paper(data, strip.frame, np.linspace(low, high, 12))
            axes.plot(part[:, 0], part[:, 1], color=VERDICT_COLOURS[mark.look], lw=3.0, zorder=4.5)
    at = [data.supports["kp_km"][i] for i in inside(data.supports["kp_km"], strip)]
    if at:
        place = _on_paper(data, strip.frame, at)
        axes.plot(place[:, 0], place[:, 1], "s", ms=3.2, mfc="#ffffff", mec=INK, mew=0.7, zorder=6)


def _kp_marks(axes: Axes, labels: Labels, data: SheetSet, strip: Strip) -> None:
    """Ticks across the line at round KPs, every fifth or so with its number to the left."""
    minor = round_step(9.0 * strip.frame.scale / 1e6, KP_STEPS)
    major = round_step(35.0 * strip.frame.scale / 1e6, KP_STEPS)
    ticks = []
    for kp in multiples(strip.kp_from_km, strip.kp_to_km, minor).tolist():
        place, left = _across(data, strip.frame, kp)
        named = abs(kp / major - round(kp / major)) < 1e-6
        reach = 1.8 if named else 0.9
        ticks.append([place - left * reach, place + left * reach])
        if named:
            places = [tuple(place + left * d) for d in (4.0, -4.0, 6.5, -6.5)]
            labels.put(f"KP {kp:.{_kp_decimals(major)}f}", places, 6.0, color=ROUTE, weight="bold")
    axes.add_collection(LineCollection(ticks, colors=ROUTE, linewidths=0.7, zorder=6), autolim=False)


def _kp_decimals(step_km: float) -> int:
    return max(0, -math.floor(math.log10(step_km) + 1e-9))


def _intersection_points(axes: Axes, labels: Labels, data: SheetSet, strip: Strip) -> None:
    """Tangents to the IP, the IP with its name and figures, tangent points as dots."""
    points = data.points
    for i in range(1, len(points["point"]) - 1):
        low, high = points["kp_in_km"][i], points["kp_out_km"][i]
        if high < strip.kp_from_km or low > strip.kp_to_km:
            continue
        corner = strip.frame.to_paper(points["easting_m"][i], points["northing_m"][i])
        ends = _on_paper(data, strip.frame, [low, high])
        chain = np.vstack([ends[0], corner, ends[1]])
        axes.plot(chain[:, 0], chain[:, 1], color=INK, lw=0.35, ls=(0, (6, 2)), zorder=3)
        axes.plot(ends[:, 0], ends[:, 1], "o", ms=2.6, mfc="#ffffff", mec=ROUTE, mew=0.8, zorder=6)
        axes.plot(*corner, "^", ms=4.0, mfc="#ffffff", mec=INK, mew=0.7, zorder=6)
        side = 1.0 if (points["deflection_deg"][i] or 0.0) > 0 else -1.0  # the IP lies outside the arc
        _, left = _across(data, strip.frame, (low + high) / 2.0)
        outer = [tuple(corner + side * left * d) for d in (3.5, 6.0, 9.0, 13.0)]
        if _within(corner, strip.frame):
            labels.block(float(corner[0]), float(corner[1]), 1.2)
            words = f"{points['point'][i]}, R {points['radius_m'][i] or 0.0:.0f} m"
            labels.put(words, outer, 6.0, weight="bold", leader=tuple(corner))


def _within(point: NDArray, frame: StripFrame) -> bool:
    return bool(0.0 <= point[0] <= frame.width_mm and 0.0 <= point[1] <= frame.height_mm)


def _crossings(axes: Axes, labels: Labels, data: SheetSet, strip: Strip) -> None:
    """A ring where the line crosses an asset, with the asset's name and the angle."""
    table = data.crossings
    for i in inside(table["kp_km"], strip):
        place = strip.frame.to_paper(table["easting_m"][i], table["northing_m"][i])
        colour = INK if table["ok"][i] else VERDICT_COLOURS["bad"]
        axes.plot(*place, "o", ms=6.0, mfc="none", mec=colour, mew=1.1, zorder=6)
        words = f"{table['feature'][i]}, {table['angle_deg'][i]:.1f}°"
        _, left = _across(data, strip.frame, table["kp_km"][i])
        places = [
            tuple(place + left * d + np.array([dx, 0.0]))
            for d in (9, -9, 13, -13, 17, -17)
            for dx in (0, 22, -22)
        ]
        labels.put(words, places, 5.5, 70.0, leader=tuple(place), color=rule_colour("cross"), weight="bold")


def _match_lines(axes: Axes, labels: Labels, data: SheetSet, strip: Strip) -> None:
    """Where the sheet ends: a dashed line across with its KP and the neighbour's number, START or END."""
    last = data.strips[-1].number
    for kp, neighbour, end, inward in (
        (strip.kp_from_km, strip.number - 1, "START", 1.0), (strip.kp_to_km, strip.number + 1, "END", -1.0),
    ):  # fmt: skip
        place, left = _across(data, strip.frame, kp)
        if not 1 <= neighbour <= last:
            axes.plot(*place, "D", ms=4.5, mfc="#ffffff", mec=ROUTE, mew=1.2, zorder=7)
            places = [tuple(place + left * d + np.array([inward * 9.0, 0.0])) for d in (6.5, -6.5, 10.0)]
            labels.put(f"{end}, KP {kp:.3f}", places, 6.5, color=ROUTE, weight="bold")
            continue
        pair = np.vstack([place - left * 60.0, place + left * 60.0])
        axes.plot(pair[:, 0], pair[:, 1], color=INK, lw=0.7, ls=(0, (8, 2, 2, 2)), zorder=6)
        labels.block_line(pair, 0.5)
        ahead = np.array([left[1], -left[0]]) * inward
        angle = math.degrees(math.atan2(left[1], left[0]))
        words = f"MATCH LINE KP {kp:.3f}, sheet {neighbour}"
        half = text_mm(words, 5.5) / 2.0 + 0.5
        for side, inset in ((1.0, 2.2), (-1.0, 2.2), (1.0, -2.2), (-1.0, -2.2)):
            centre = _text_place(place, left * side, ahead * inset, half, strip.frame)
            if centre is not None:
                axes.text(
                    float(centre[0]), float(centre[1]), words, fontsize=5.5, color=INK, zorder=8,
                    rotation=(angle + 90.0) % 180.0 - 90.0, ha="center", va="center", parse_math=False,
                    bbox={"boxstyle": "square,pad=0.12", "facecolor": "#ffffffd0", "edgecolor": "none"},
                )  # fmt: skip
                for step in np.arange(-half, half + 1.0, 3.5).tolist():
                    labels.block(float(centre[0] + left[0] * step), float(centre[1] + left[1] * step), 2.0)
                break


def _text_place(
    place: NDArray, side: NDArray, inset: NDArray, half_mm: float, frame: StripFrame
) -> NDArray | None:
    """Where the words beside a match line stand wholly within the plan; None where they do not."""
    for beyond in (16.0, 12.0, 8.0, 20.0, 26.0):
        centre = place + side * (half_mm + beyond) + inset
        ends = np.array([centre - side * half_mm, centre + side * half_mm])
        low, high = ends.min(axis=0) - 1.2, ends.max(axis=0) + 1.2
        if (low >= 0.0).all() and high[0] <= frame.width_mm and high[1] <= frame.height_mm:
            return centre
    return None


def _grid(axes: Axes, labels: Labels, frame: StripFrame) -> None:
    """Lines of the project grid, with their values along the frame."""
    step = round_step(55.0 * frame.scale / 1000.0)
    corners = frame.corners_m
    lines: list[NDArray] = []
    for axis, letter in ((0, "E"), (1, "N")):
        low, high = corners[:, axis].min(), corners[:, axis].max()
        other = corners[:, 1 - axis]
        for value in multiples(low, high, step).tolist():
            ends = np.empty((2, 2))
            ends[:, axis] = value
            ends[:, 1 - axis] = other.min(), other.max()
            pair = frame.to_paper(ends[:, 0], ends[:, 1])
            cut = _clipped(pair, frame)
            if cut is None:
                continue
            lines.append(cut)
            step_xy = cut[1] - cut[0]
            angle = (math.degrees(math.atan2(step_xy[1], step_xy[0])) + 90.0) % 180.0 - 90.0
            unit = step_xy / max(float(np.hypot(*step_xy)), 1e-9)
            for place in (cut[0] + unit * 9.0, cut[1] - unit * 9.0):
                style: dict[str, Any] = {"color": SOFT, "rotation": angle, "zorder": 3}
                if labels.put(f"{value:.0f} {letter}", [tuple(place)], 4.8, **style):
                    break
    axes.add_collection(LineCollection(lines, colors=SOFT, linewidths=0.2, zorder=1), autolim=False)


def _clipped(pair: NDArray, frame: StripFrame) -> NDArray | None:
    """The part of a line within the window, or None."""
    part = shapely.intersection(shapely.linestrings(pair), shapely.box(0, 0, frame.width_mm, frame.height_mm))
    coords = shapely.get_coordinates(part)
    return coords if len(coords) == 2 else None


def draw_layer(
    axes: Axes, frame: StripFrame, drawn: DrawnLayer
) -> Iterator[tuple[str, tuple[float, float], str]]:
    """Draw the features of a layer in the window; yields name, place (mm) and rule of each."""
    window, rule = frame.box, drawn.layer.rule
    index = drawn.near(window)
    if not len(index):
        return
    shapes = drawn.layer.geometries[index]
    colour = rule_colour(rule)
    keep_off = drawn.limits_m[index]
    zones = shapely.buffer(shapes[keep_off > 0], keep_off[keep_off > 0])
    _outlines(axes, frame, zones, colour, (0, (2, 2)), 0.5, colour + "10")
    fill = {"avoid": "30", "discourage": "28"}.get(rule)
    _outlines(axes, frame, shapes, colour, DASHES[rule], 1.0, colour + fill if fill else "none")
    limit = shapely.box(2.0, 2.0, frame.width_mm - 2.0, frame.height_mm - 2.0)
    for i, shape in zip(index.tolist(), shapes, strict=True):
        seen = shapely.intersection(frame.shape_to_paper(shape), limit)
        if not seen.is_empty:
            yield drawn.layer.features[i], _name_place(seen, frame), rule


def _name_place(seen: Any, frame: StripFrame) -> tuple[float, float]:
    if shapely.area(seen) > 0.9 * frame.width_mm * frame.height_mm:
        return frame.width_mm / 2.0, frame.height_mm - 4.0
    parts = shapely.get_parts(seen)
    if shapely.get_dimensions(seen) == 1:
        longest = parts[int(np.argmax(shapely.length(parts)))]
        point = shapely.line_interpolate_point(longest, 0.2, normalized=True)
        return float(shapely.get_x(point)) + 2.0, float(shapely.get_y(point))
    point = shapely.point_on_surface(seen)
    offset = 0.0 if shapely.area(seen) > 150.0 else POINT_OFFSET_MM
    return float(shapely.get_x(point)), float(shapely.get_y(point)) + offset


def _outlines(
    axes: Axes, frame: StripFrame, shapes: NDArray, colour: str, dash: Any, width: float, fill: str
) -> None:
    """Polygons, lines and points of the grid, clipped to the window."""
    if not len(shapes):
        return
    wide = shapely.box(-5.0, -5.0, frame.width_mm + 5.0, frame.height_mm + 5.0)
    paper = shapely.intersection(frame.shape_to_paper(shapes), wide)
    bounds = shapely.bounds(paper)
    with np.errstate(invalid="ignore"):
        small = np.maximum(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]) < SMALLEST_MM
    if small.any():
        x, y = (bounds[small, 0] + bounds[small, 2]) / 2.0, (bounds[small, 1] + bounds[small, 3]) / 2.0
        axes.plot(x, y, "x", ms=4.5, mec=colour, mew=1.1, zorder=3.5)
    parts = shapely.get_parts(shapely.simplify(paper[~small & ~np.isnan(bounds[:, 0])], PEN_MM))
    areas = [_path(part) for part in parts if part.geom_type == "Polygon"]
    if areas:
        style: dict[str, Any] = {"edgecolor": colour, "facecolor": fill, "linestyle": dash}
        axes.add_collection(PathCollection(areas, linewidth=width, zorder=2, **style), autolim=False)
    lines = [shapely.get_coordinates(part) for part in parts if part.geom_type == "LineString"]
    if lines:
        axes.add_collection(
            LineCollection(lines, colors=colour, linewidths=width, linestyles=[dash], zorder=2.5),
            autolim=False,
        )


def _path(polygon: Any) -> Outline:
    rings = [polygon.exterior, *polygon.interiors]
    return Outline.make_compound_path(
        *[Outline(shapely.get_coordinates(ring), closed=True) for ring in rings if not ring.is_empty]
    )
