"""The map of the zone sheet: zones, assets, line, graticule in degrees, grid ticks, insets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.path import Path as Outline
from numpy.typing import NDArray

from corridor.model.permit import Zone, ZoneStudy
from corridor.permit.degrees import chosen_step, degrees_minutes, minute_decimals_for
from corridor.publish.lines import polyline, positions
from corridor.publish.palette import ROUTE, RULE_COLOURS, rule_colour
from corridor.publish.zones_sheet_page import INK, POINT_MM, SOFT, Page, text_mm
from corridor.routing.geodesy import from_wgs84, to_wgs84

HATCHES = {"avoid": (1.0, 2.2, "solid"), "discourage": (-1.0, 3.2, (0, (1, 2)))}
"""Slope, spacing (mm) and dash of the hatch lines of zones in force. They are drawn as lines: viewers
disagree about PDF patterns."""

DASHES = {"jurisdiction": (0, (1, 2)), "stay_within": (0, (6, 3)), "cross": "solid"}
SMALLEST_MM = 0.8
"""Zones smaller than this on the sheet are drawn as dots of this size."""

DETAIL_MM = 4.0
"""Zones smaller than this on the sheet are worth a detail."""

MOST_NAMES = 40
"""Assets and jurisdictions named on a map; more would cover it."""

PEN_MM = 0.05
"""Outlines are simplified by no more than this on the sheet: less than a pen's width."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A map window: centre and scale on the project grid, size on paper.

    Attributes
    ----------
    easting_m, northing_m : float
        Centre.
    scale : float
        Denominator: grid metres on the ground = 1000 mm / scale on paper.
    width_mm, height_mm : float
    """

    easting_m: float
    northing_m: float
    scale: float
    width_mm: float
    height_mm: float

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east, north on the grid, m."""
        half_w = self.width_mm * self.scale / 2000.0
        half_h = self.height_mm * self.scale / 2000.0
        return (
            self.easting_m - half_w, self.northing_m - half_h,
            self.easting_m + half_w, self.northing_m + half_h,
        )  # fmt: skip

    @property
    def box(self) -> Any:
        """The window as a polygon."""
        return shapely.box(*self.bounds_m)


ROUND_SCALES = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5, 8.0)


def frame_around(
    bounds_m: Sequence[float], width_mm: float, height_mm: float, scale: float | None = None
) -> Frame:
    """The largest round scale that shows `bounds_m` with a margin of 4 %, or the scale given."""
    west, south, east, north = bounds_m
    needed = 1.08 * max((east - west) / width_mm, (north - south) / height_mm, 0.1) * 1000.0
    if scale is None:
        power = 10.0 ** np.floor(np.log10(needed))
        scale = next((power * step for step in ROUND_SCALES if power * step >= needed), 10.0 * power)
    return Frame((west + east) / 2.0, (south + north) / 2.0, float(scale), width_mm, height_mm)


def prepared(page: Page, frame: Frame, x: float, y: float) -> Axes:
    """Axes for `frame` with their lower left corner at (x, y) mm, without ticks."""
    axes = page.axes(x, y, frame.width_mm, frame.height_mm)
    west, south, east, north = frame.bounds_m
    axes.set_xlim(west, east)
    axes.set_ylim(south, north)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_facecolor("#f3f7fa")
    return axes


def draw_zones(axes: Axes, frame: Frame, zones: Sequence[Zone]) -> list[Zone]:
    """Zones in the window, out of force below in force; returns those drawn."""
    if not zones:
        return []
    outlines = np.empty(len(zones), dtype=object)
    outlines[:] = [zone.outline for zone in zones]
    seen = np.flatnonzero(shapely.intersects(frame.box, outlines))
    drawn = [zones[i] for i in seen.tolist()]
    for active in (False, True):
        for rule in ("discourage", "avoid"):
            index = [i for i in seen.tolist() if zones[i].active is active and zones[i].rule == rule]
            if index:
                _draw_shapes(axes, frame, outlines[index], zone_style(rule, active))
                if active:
                    _hatch(axes, frame, outlines[index], rule)
    return drawn


def _hatch(axes: Axes, frame: Frame, shapes: NDArray[np.object_], rule: str) -> None:
    """Hatch lines inside the shapes that are large enough on the sheet to hold some."""
    bounds = shapely.bounds(shapes)
    large = np.minimum(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]) / frame.scale * 1000.0 > 1.5
    slope, spacing_mm, dash = HATCHES[rule]
    areas = shapely.intersection(shapes[large], frame.box)
    lines = hatch_lines(areas, slope, spacing_mm * frame.scale / 1000.0)
    if lines:
        style: dict[str, Any] = {
            "colors": RULE_COLOURS[rule],
            "linewidths": 0.3,
            "linestyles": dash,
            "zorder": 3,
        }
        axes.add_collection(LineCollection(lines, **style), autolim=False)


def hatch_lines(areas: NDArray[np.object_], slope: float, spacing_m: float) -> list[NDArray[np.float64]]:
    """Parallel lines of `slope` (+1 or -1), `spacing_m` apart, where they run inside `areas`."""
    lines: list[NDArray[np.float64]] = []
    step = spacing_m * np.sqrt(2.0)
    for area in areas:
        if area.is_empty or shapely.get_dimensions(area) < 2:
            continue
        west, south, east, north = area.bounds
        # A line y = slope * x + c passes the box for c between its values at the corners.
        values = [south - slope * west, south - slope * east, north - slope * west, north - slope * east]
        c = np.arange(np.ceil(min(values) / step), np.floor(max(values) / step) + 1) * step
        ends = np.stack([np.column_stack([np.full(len(c), x), slope * x + c]) for x in (west, east)], axis=1)
        inside = shapely.get_parts(shapely.intersection(shapely.linestrings(ends), area))
        lines += [shapely.get_coordinates(part) for part in inside if part.geom_type == "LineString"]
    return lines


def zone_style(rule: str, active: bool) -> dict[str, Any]:
    """How zones look, by colour and by hatch: readable without colour too."""
    colour = RULE_COLOURS[rule]
    if active:
        return {"edgecolor": colour, "facecolor": colour + "1c", "linewidth": 0.7}
    return {"edgecolor": colour, "facecolor": "none", "linestyle": (0, (2, 2)), "linewidth": 0.6}


def reference_style(rule: str) -> dict[str, Any]:
    """How assets and jurisdictions look."""
    return {"color": rule_colour(rule), "linestyle": DASHES.get(rule, "solid"), "linewidth": 0.9}


def _draw_shapes(axes: Axes, frame: Frame, shapes: NDArray[np.object_], style: dict[str, Any]) -> None:
    bounds = shapely.bounds(shapes)
    size_mm = np.maximum(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]) / frame.scale * 1000.0
    small = size_mm < SMALLEST_MM
    simple = shapely.simplify(shapes[~small], PEN_MM * frame.scale / 1000.0)
    paths = [path for path in map(_path, simple) if path is not None]
    if paths:
        axes.add_collection(PathCollection(paths, zorder=3, **style), autolim=False)
    if small.any():
        centre = (bounds[small, :2] + bounds[small, 2:]) / 2.0
        points = SMALLEST_MM / POINT_MM
        axes.scatter(
            centre[:, 0], centre[:, 1], s=points**2, color=style["edgecolor"], linewidths=0, zorder=4
        )


def _path(shape: Any) -> Outline | None:
    """A polygon with its holes, or a line, as one path."""
    parts = []
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon":
            parts += [
                Outline(shapely.get_coordinates(ring), closed=True)
                for ring in (part.exterior, *part.interiors)
            ]
        elif part.geom_type == "LineString":
            parts.append(Outline(shapely.get_coordinates(part)))
    return Outline.make_compound_path(*parts) if parts else None


def draw_references(axes: Axes, frame: Frame, study: ZoneStudy) -> None:
    """Assets, grounds to stay within and jurisdictions as lines."""
    for rule in ("jurisdiction", "stay_within", "cross"):
        shapes = [item.geometry for item in study.references if item.rule == rule]
        lines = [
            shapely.get_coordinates(ring)
            for shape in shapes
            if shapely.intersects(frame.box, shape)
            for ring in _edges(shape)
        ]
        if lines:
            style = reference_style(rule)
            colour = style.pop("color")
            axes.add_collection(LineCollection(lines, colors=colour, zorder=2, **style), autolim=False)


def _edges(shape: Any) -> list[Any]:
    if shapely.get_dimensions(shape) == 2:
        shape = shape.boundary
    return [part for part in shapely.get_parts(shape) if part.geom_type in ("LineString", "LinearRing")]


def label_references(page: Page, axes: Axes, frame: Frame, study: ZoneStudy) -> None:
    """Names of assets and jurisdictions in the window, where they are few."""
    seen = [item for item in study.references if shapely.intersects(frame.box, item.geometry)]
    if len(seen) > MOST_NAMES:
        return
    mm = frame.scale / 1000.0
    for item in seen:
        part = shapely.intersection(item.geometry, frame.box)
        if shapely.get_dimensions(part) == 2:
            easting, northing = part.bounds[0] + 3.0 * mm, part.bounds[3] - 4.5 * mm
        elif shapely.get_dimensions(part) == 1:
            longest = max(shapely.get_parts(part), key=shapely.length)
            point = longest.interpolate(0.12, normalized=True)
            easting, northing = point.x + 1.5 * mm, point.y
        else:
            continue
        name = page.fitted(item.feature, 5.5, 60.0)
        _, south, east, north = frame.bounds_m
        easting = min(easting, east - (text_mm(name, 5.5) + 1.0) * mm)  # all of it on the map
        northing = min(max(northing, south + 1.0 * mm), north - 2.5 * mm)
        style: dict[str, Any] = {
            "color": rule_colour(item.rule),
            "style": "italic",
            "zorder": 6,
            "clip_on": True,
        }
        axes.text(easting, northing, name, fontsize=5.5, **style)


def draw_line(axes: Axes, frame: Frame, study: ZoneStudy, labels: bool = True) -> None:
    """The line with its working corridor and KP marks."""
    if study.alignment is None:
        return
    grid = polyline(study.alignment).grid
    path = _path(study.corridor)
    if path is not None:
        axes.add_collection(
            PathCollection([path], facecolor=ROUTE + "18", edgecolor=ROUTE, linewidth=0.2, zorder=4)
        )
    axes.plot(grid[:, 0], grid[:, 1], color=ROUTE, linewidth=1.1, zorder=5)
    if not labels:
        return
    total = float(polyline(study.alignment).kp_km[-1])
    every = next(
        (step for step in (0.1, 0.5, 1, 2, 5, 10, 20, 50, 100) if step * 1e6 / frame.scale > 18.0), 200
    )
    kp = np.arange(0.0, total + 1e-9, every)
    place = positions(study.alignment, kp)
    axes.plot(place.easting_m, place.northing_m, "|", color=ROUTE, markersize=5, zorder=6)
    for value, e, n in zip(kp, place.easting_m, place.northing_m, strict=True):
        if frame.box.contains(shapely.Point(e, n)):
            axes.annotate(
                f"KP {value:g}", (e, n), xytext=(0, 6), textcoords="offset points", fontsize=5.5, color=ROUTE,
                ha="center", va="bottom", zorder=7,
                bbox={"boxstyle": "square,pad=0.1", "facecolor": "#ffffffb0", "edgecolor": "none"},
            )  # fmt: skip


def number_zones(axes: Axes, frame: Frame, zones: Sequence[Zone], size: float = 6.5) -> int:
    """Write each zone's number where there is room; returns how many found none."""
    taken: list[tuple[float, float, float, float]] = []
    left = 0
    west, south, _, _ = frame.bounds_m
    for zone in sorted(zones, key=lambda zone: (not zone.active, -zone.area_m2)):
        inside = shapely.intersection(zone.outline, frame.box)
        point = shapely.point_on_surface(inside)
        bounds = shapely.bounds(inside)
        x = (shapely.get_x(point) - west) / frame.scale * 1000.0
        y = (shapely.get_y(point) - south) / frame.scale * 1000.0
        wide = 1.35 * len(str(zone.number)) + 0.8
        if (bounds[3] - bounds[1]) / frame.scale * 1000.0 < 3.5:
            x += wide / 2.0 + (bounds[2] - bounds[0]) / frame.scale * 500.0 + 0.4
        box = (x - wide / 2.0, y - 1.3, x + wide / 2.0, y + 1.3)
        if not _free(box, taken, frame):
            left += 1
            continue
        taken.append(box)
        axes.text(
            west + x * frame.scale / 1000.0, south + y * frame.scale / 1000.0, str(zone.number),
            fontsize=size, ha="center", va="center", color=INK, zorder=8, weight="bold", clip_on=True,
            bbox={"boxstyle": "square,pad=0.1", "facecolor": "#ffffffcc", "edgecolor": "none"},
        )  # fmt: skip
    return left


def _free(box: tuple[float, float, float, float], taken: Sequence[tuple[float, ...]], frame: Frame) -> bool:
    if box[0] < 0.0 or box[1] < 0.0 or box[2] > frame.width_mm or box[3] > frame.height_mm:
        return False
    return all(box[0] > t[2] or box[2] < t[0] or box[1] > t[3] or box[3] < t[1] for t in taken)


def grid_step_m(frame: Frame) -> float:
    """A round spacing of grid ticks, 30 to 75 mm on paper."""
    least = 30.0 * frame.scale / 1000.0
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(power * step for step in (1.0, 2.0, 5.0, 10.0) if power * step >= least))


def draw_grid_ticks(page: Page, frame: Frame, x: float, y: float) -> None:
    """Ticks and values of easting (below) and northing (left) around a map at (x, y) mm."""
    west, south, east, north = frame.bounds_m
    step = grid_step_m(frame)
    for easting in np.arange(np.ceil(west / step), np.floor(east / step) + 1) * step:
        place = x + (easting - west) / frame.scale * 1000.0
        for edge, way in ((y, -1.0), (y + frame.height_mm, 1.0)):
            page.line([place, place], [edge, edge + way * 1.5], 0.2)
        page.text(place, y - 4.0, f"{easting:.0f} E", 5.5, ha="center")
    for northing in np.arange(np.ceil(south / step), np.floor(north / step) + 1) * step:
        place = y + (northing - south) / frame.scale * 1000.0
        for edge, way in ((x, -1.0), (x + frame.width_mm, 1.0)):
            page.line([edge, edge + way * 1.5], [place, place], 0.2)
        page.text(x - 2.2, place, f"{northing:.0f} N", 5.5, ha="right", va="center", rotation=90)


def draw_graticule(page: Page, axes: Axes, frame: Frame, crs: str, x: float, y: float) -> str:
    """Meridians and parallels of WGS 84, labelled above and to the right; returns the spacing in words."""
    west, south, east, north = frame.bounds_m
    edge = np.linspace(0.0, 1.0, 25)
    around_e = np.concatenate([west + edge * (east - west)] * 2 + [np.full(25, west), np.full(25, east)])
    around_n = np.concatenate([np.full(25, south), np.full(25, north)] + [south + edge * (north - south)] * 2)
    lon, lat = to_wgs84(crs, around_e, around_n)
    lon = lon[0] + (lon - lon[0] + 180.0) % 360.0 - 180.0
    step = chosen_step(max(float(np.ptp(lon)) * np.cos(np.radians(lat.mean())), float(np.ptp(lat)), 1e-4))
    decimals = minute_decimals_for(step)
    along = np.linspace(-0.1, 1.1, 80)
    for value in np.arange(np.ceil(lon.min() / step), np.floor(lon.max() / step) + 1) * step:
        line = from_wgs84(crs, np.full(80, (value + 180) % 360 - 180), lat.min() + along * np.ptp(lat))
        axes.plot(*line, color=SOFT, linewidth=0.25, zorder=1)
        e = _crossing(line[1], line[0], north)
        if west < e < east:
            label = degrees_minutes([(value + 180.0) % 360.0 - 180.0], "longitude", decimals)[0]
            page.text(
                x + (e - west) / frame.scale * 1000.0, y + frame.height_mm + 2.4, label, 5.5, ha="center"
            )
    for value in np.arange(np.ceil(lat.min() / step), np.floor(lat.max() / step) + 1) * step:
        turn = lon.min() + along * np.ptp(lon)
        line = from_wgs84(crs, (turn + 180.0) % 360.0 - 180.0, np.full(80, value))
        axes.plot(*line, color=SOFT, linewidth=0.25, zorder=1)
        n = _crossing(line[0], line[1], east)
        if south < n < north:
            label = degrees_minutes([value], "latitude", decimals)[0]
            place = y + (n - south) / frame.scale * 1000.0
            page.text(x + frame.width_mm + 3.6, place, label, 5.5, ha="right", va="center", rotation=90)
    return f"{step:g} degree" if step >= 1.0 else f"{step * 60.0:g} minutes"


def _crossing(along: NDArray, across: NDArray, value: float) -> float:
    """`across` where `along` passes `value`; NaN where it does not."""
    order = np.argsort(along)
    if not along.min() <= value <= along.max():
        return float("nan")
    return float(np.interp(value, along[order], across[order]))


def detail_windows(zones: Sequence[Zone], frame: Frame, side_mm: float, most: int) -> list[Frame]:
    """Windows about the places with most zones too small for the main map, fullest first."""
    centres = [
        ((b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0)
        for zone in zones
        for b in [shapely.bounds(zone.outline)]
        if max(b[2] - b[0], b[3] - b[1]) / frame.scale * 1000.0 < DETAIL_MM
    ]
    points = np.array(centres[:2000]).reshape(-1, 2)
    side_m = side_mm * frame.scale / 1000.0 / 4.0
    windows: list[Frame] = []
    while len(points) and len(windows) < most:
        near = np.abs(points[:, None, :] - points[None, :, :]).max(axis=2) <= side_m / 2.0
        chosen = near[np.argmax(near.sum(axis=1))]
        low, high = points[chosen].min(axis=0), points[chosen].max(axis=0)
        half = np.maximum((high - low) / 2.0, side_m / 4.0) * 1.2
        centre = (low + high) / 2.0
        window = frame_around((*(centre - half), *(centre + half)), side_mm, side_mm)
        if window.scale < frame.scale:
            windows.append(window)
        points = points[~chosen]
    return windows
