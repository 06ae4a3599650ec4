"""What every place of a line asks of every rule: the terms that drawing a line makes small.

A term is 0 where the rule is just kept, positive where it is broken, in units
in which about 1 matters equally: metres; tangents in thousandths; degrees of
crossing angles in fifths. Terms of the rule in question are told from those of
all others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.alignment import Alignment
from corridor.model.layers import Layer
from corridor.routing.approach import segments_of
from corridor.routing.concession_give import Distance, freed_ends
from corridor.routing.concession_ground import ClosedGround, stay_scale, zone_scales
from corridor.routing.concession_route import spacing_m
from corridor.routing.concession_rules import Rule, stay_inset_m
from corridor.routing.geometry import Bends, bends, densify
from corridor.terrain.sampling import depth_at, slopes_at
from corridor.terrain.zones import standoff_limits_m

PER_TANGENT, PER_DEGREE = 1000.0, 5.0

MOST_SAMPLES = 9_000

SPARE_TANGENT, SPARE_M = 0.15, 0.05
"""Other rules are kept with so much to spare, for what lies between two samples (units)."""

SPARE_LINE = 0.01
"""And rules on the line itself, for rounding."""

CORNER_M = 60.0
"""Corners of areas count so far from the line."""

FELT_M = 130.0
"""A zone counts so far beyond its edge, grid metres."""

FAR = -1e9
"""A term that cannot matter."""


@dataclass(frozen=True, slots=True, eq=False)
class _Zone:
    """One feature of an avoid layer: signed distance, and how it is asked for."""

    distance: Distance
    own: bool
    scale: float
    extra_m: float
    standoff_m: float
    most_m: float
    freed: tuple[tuple[float, float, float], ...]
    box: tuple[float, float, float, float]
    """Beyond it the zone is not felt."""


@dataclass(frozen=True, slots=True, eq=False)
class _Area:
    distance: Distance
    own: bool
    scale: float
    inset_m: float
    corners: NDArray[np.float64]
    """(k, 4): corners that point into the area, and the unit vector towards its inside."""


@dataclass(frozen=True, slots=True, eq=False)
class _Assets:
    """Segments of one layer that may be crossed."""

    segments: NDArray[np.float64]
    angle_deg: float
    straight_m: float
    own_angle: bool
    own_straight: bool


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Where a line is looked at: fixed while it is moved a little.

    Attributes
    ----------
    element : array (m,) int64
        2 j for the straight of leg j, 2 j - 1 for the arc at row j.
    share : array (m,)
        Place within the element, 0 to 1.
    crossings : array (c, 3) int64
        Layer of assets, segment, leg.
    zone, at : arrays (p,) int64
        Zones and the samples near them, zone by zone.
    corners : array (k, 3) int64
        Area, corner, and the nearest sample.
    need : float
        What the rule gives on the line: standoffs smaller than what is left need not give.
    """

    element: NDArray[np.int64]
    share: NDArray[np.float64]
    crossings: NDArray[np.int64]
    zone: NDArray[np.int64]
    at: NDArray[np.int64]
    corners: NDArray[np.int64]
    need: float


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """All rules of a project prepared for one line; see the module."""

    ground: ClosedGround
    rule: Rule
    zones: tuple[_Zone, ...]
    areas: tuple[_Area, ...]
    assets: tuple[_Assets, ...]
    start_direction: tuple[float, float] | None
    end_direction: tuple[float, float] | None

    @property
    def per_sample(self) -> int:
        """Terms of one sample."""
        return 4 + len(self.areas)

    def values(self, line: Alignment, layout: Layout) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """All terms (samples, zones at samples, the line) and which belong to the rule in question."""
        curve = bends(line)
        places = positions(line, curve, layout.element, layout.share)
        on_ground, own_ground = self.at_samples(*places)
        at_zones, own_zones = self.at_zones(places[0], places[1], layout)
        of_line, own_line = self.of_line(line, curve, layout)
        return (
            np.concatenate([on_ground.ravel(), at_zones, of_line]),
            np.concatenate([np.tile(own_ground, len(layout.element)), own_zones, own_line]),
        )

    def worst_place(
        self, line: Alignment, layout: Layout, others: bool = False, beyond: float | None = None
    ) -> tuple[float, float] | None:
        """Where the rule in question (or any other) needs most; None where no term is `beyond`."""
        value, own = self.values(line, layout)
        value = np.where(own ^ others, value, FAR)
        k = int(value.argmax())
        if beyond is not None and value[k] <= beyond:
            return None
        first = len(layout.element) * self.per_sample
        if k >= first + len(layout.zone):
            return self._place_of_line(line, layout, k - first - len(layout.zone))
        east, north, _ = positions(line, bends(line), layout.element, layout.share)
        sample = k // self.per_sample if k < first else int(layout.at[k - first])
        if value[k] == FAR:
            sample = len(east) // 2
        return float(east[sample]), float(north[sample])

    def _place_of_line(self, line: Alignment, layout: Layout, k: int) -> tuple[float, float]:
        """Where the k-th term of radii, straights and crossings belongs."""
        count = line.bends
        if k < count:
            return float(line.easting_m[k + 1]), float(line.northing_m[k + 1])
        k -= count
        if k < count + 1:
            row = slice(k, k + 2)
            return float(line.easting_m[row].mean()), float(line.northing_m[row].mean())
        k -= count + 1
        if k >= 3 * len(layout.crossings):
            which, corner, _ = layout.corners[k - 3 * len(layout.crossings)]
            east, north, _, _ = self.areas[which].corners[corner]
            return float(east), float(north)
        which, segment, leg = layout.crossings[k // 3]
        crossed = shapely.LineString(self.assets[which].segments[segment].reshape(2, 2))
        row = slice(leg, leg + 2)
        chord = shapely.LineString(np.column_stack([line.easting_m[row], line.northing_m[row]]))
        met = crossed.intersection(chord)
        return float(met.centroid.x), float(met.centroid.y)

    def at_samples(
        self, easting: NDArray, northing: NDArray, bearing: NDArray
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Terms (samples, per_sample), and which columns are the rule's own."""
        project, rules = self.ground.project, self.ground.project.rules
        columns, own = [], []
        along, across = slopes_at(project.seabed, easting, northing, bearing, rules.slope_baseline_m)
        for name, tangent, limit in (
            ("max_slope_along_deg", along, rules.max_slope_along_deg),
            ("max_slope_across_deg", across, rules.max_slope_across_deg),
        ):
            over = (np.abs(tangent) - math.tan(math.radians(limit))) * PER_TANGENT
            own.append(self.rule.rule == name)
            columns.append(np.nan_to_num(over, nan=FAR) + (0.0 if own[-1] else SPARE_TANGENT))
        depth, _, _ = depth_at(project.seabed, easting, northing)
        low, high = rules.depth_range_m
        columns += [np.nan_to_num(low - depth, nan=FAR), np.nan_to_num(depth - high, nan=FAR)]
        own += [self.rule.key == ("depth_range_m", "", side) for side in ("shallow", "deep")]
        for area in self.areas:
            spare = 0.0 if area.own else SPARE_M
            columns.append(area.inset_m + spare + area.distance(easting, northing) / area.scale)
            own.append(area.own)
        return np.column_stack(columns), np.array(own, dtype=bool)

    def at_zones(
        self, easting: NDArray, northing: NDArray, layout: Layout
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Terms of zones at those of the samples (all given) that are near them."""
        easting, northing = easting[layout.at], northing[layout.at]
        value, own = np.full(len(layout.at), FAR), np.zeros(len(layout.at), dtype=bool)
        edges = np.searchsorted(layout.zone, np.arange(len(self.zones) + 1))
        for zone, first, last in zip(self.zones, edges[:-1], edges[1:], strict=True):
            if first == last:
                continue
            here = slice(first, last)
            left = zone.distance(easting[here], northing[here]) / zone.scale - zone.extra_m
            for e, n, reach in zone.freed:
                left[np.hypot(easting[here] - e, northing[here] - n) <= reach] = -FAR
            gives = zone.own and zone.standoff_m >= zone.most_m - layout.need - 1e-9
            value[here] = (zone.most_m if gives else zone.standoff_m + SPARE_M) - left
            own[here] = gives
        return value, own

    def of_line(
        self, line: Alignment, curve: Bends, layout: Layout
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Terms of radii, straights and crossings."""
        rules, rule = self.ground.project.rules, self.rule.rule
        least = np.full(len(curve.straight_m), rules.min_straight_m)
        own_straight = np.full(len(least), rule == "min_straight_m")
        for end in (0, -1):
            if rules.end_straight_m >= least[end]:
                least[end] = rules.end_straight_m
                own_straight[end] = rule == "end_straight_m"
        radius = rules.min_bend_radius_m - line.radius_m[1:-1]
        crossing, own_crossing = self._of_crossings(line, curve, layout)
        corner, own_corner = self._of_corners(line, curve, layout)
        own_radius = np.full(len(radius), rule == "min_bend_radius_m")
        value = np.concatenate([radius, least - curve.straight_m, crossing, corner])
        own = np.concatenate([own_radius, own_straight, own_crossing, own_corner])
        return np.where(own, value, value + SPARE_LINE), own

    def _of_corners(
        self, line: Alignment, curve: Bends, layout: Layout
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """How far the line cuts corners of areas, which may lie between two samples."""
        value, own = np.full(len(layout.corners), FAR), np.zeros(len(layout.corners), dtype=bool)
        for k, (which, corner, sample) in enumerate(layout.corners):
            area = self.areas[which]
            at = np.array([sample])
            east, north, bearing = positions(line, curve, layout.element[at], layout.share[at])
            e, n, inward_e, inward_n = area.corners[corner]
            right_e, right_n = math.cos(bearing[0]), -math.sin(bearing[0])
            offset = (e - east[0]) * right_e + (n - north[0]) * right_n
            inside = -offset * np.sign(right_e * inward_e + right_n * inward_n)
            value[k], own[k] = area.inset_m - inside / area.scale, area.own
        return value, own

    def _of_crossings(
        self, line: Alignment, curve: Bends, layout: Layout
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        value = np.full(3 * len(layout.crossings), FAR)
        own = np.zeros(len(value), dtype=bool)
        for k, (which, segment, leg) in enumerate(layout.crossings):
            assets = self.assets[which]
            e1, n1, e2, n2 = assets.segments[segment]
            unit = np.array([math.sin(curve.bearing_rad[leg]), math.cos(curve.bearing_rad[leg])])
            de, dn = e2 - e1, n2 - n1
            area = unit[0] * dn - unit[1] * de
            sine = min(abs(area) / math.hypot(de, dn), 1.0)
            value[3 * k] = (assets.angle_deg - math.degrees(math.asin(sine))) * PER_DEGREE
            own[3 * k], own[3 * k + 1 : 3 * k + 3] = assets.own_angle, assets.own_straight
            if abs(area) > 1e-9:
                at = ((e1 - line.easting_m[leg]) * dn - (n1 - line.northing_m[leg]) * de) / area
                before = at - curve.tangent_m[leg]
                after = curve.leg_m[leg] - curve.tangent_m[leg + 1] - at
                value[3 * k + 1 : 3 * k + 3] = assets.straight_m - before, assets.straight_m - after
        return value, own


def terms_of(ground: ClosedGround, rule: Rule, line: Alignment, reach_m: float) -> Terms:
    """Prepare all rules for a line that moves by no more than about `reach_m`."""
    project = ground.project
    chain = shapely.LineString(densify(line, 1.0))
    zones: list[_Zone] = []
    areas: list[_Area] = []
    assets: list[_Assets] = []
    for layer in project.layers:
        if len(layer) == 0:
            continue
        mine = layer.name == rule.layer
        if layer.rule == "avoid":
            zones += _zones(ground, layer, mine and rule.rule == "standoff_m", chain, reach_m)
        elif layer.rule == "stay_within":
            shape = shapely.union_all(layer.geometries)
            areas.append(
                _Area(
                    Distance.of(shape),
                    mine and rule.rule == "stay_within",
                    stay_scale(layer, project, shape),
                    stay_inset_m(layer, project),
                    inward_corners(shape),
                )
            )
        elif layer.rule == "cross":
            pieces, _ = segments_of(layer.geometries)
            long = np.hypot(pieces[:, 2] - pieces[:, 0], pieces[:, 3] - pieces[:, 1]) > 0.0
            assets.append(
                _Assets(
                    pieces[long],
                    layer.min_angle_deg,
                    layer.straight_each_side_m,
                    mine and rule.rule == "min_angle_deg",
                    mine and rule.rule == "straight_each_side_m",
                )
            )
    return Terms(
        ground, rule, tuple(zones), tuple(areas), tuple(assets),
        project.start.direction, project.end.direction,
    )  # fmt: skip


def _zones(
    ground: ClosedGround, layer: Layer, mine: bool, chain: shapely.Geometry, reach_m: float
) -> list[_Zone]:
    project = ground.project
    limits = standoff_limits_m(layer, project.rules, project.crs)
    scale = zone_scales(layer, project, limits)
    extra = layer.position_uncertainty_m + project.rules.lay_tolerance_m
    near = np.flatnonzero(shapely.distance(layer.geometries, chain) < np.maximum(limits, 0.0) + reach_m + 1.0)
    return [
        _Zone(
            Distance.of(layer.geometries[k]),
            mine,
            float(scale[k]),
            float(extra[k]),
            float(layer.standoff_m[k]),
            float(layer.standoff_m.max()) if mine else float(layer.standoff_m[k]),
            tuple(freed_ends(project, layer, layer.geometries[k], float(limits[k]))),
            layer.geometries[k].buffer(max(float(limits[k]), 0.0) + FELT_M).bounds,
        )
        for k in near
    ]


def layout_of(terms: Terms, line: Alignment, free: NDArray[np.int64]) -> Layout:
    """Samples on every straight and arc that a move of the free IPs can change, and the crossings there."""
    curve = bends(line)
    first, last = max(int(free[0]) - 2, 0), min(int(free[-1]) + 1, line.bends)
    elements = np.arange(2 * first, 2 * last + 1)
    length = np.empty(len(elements))
    straight = elements % 2 == 0
    length[straight] = np.maximum(curve.straight_m[elements[straight] // 2], 0.0)
    length[~straight] = curve.arc_m[(elements[~straight] + 1) // 2]
    spacing = max(spacing_m(terms.ground.project), float(length.sum()) / MOST_SAMPLES)
    count = np.maximum(np.ceil(length / spacing).astype(int), 1) + 1
    element = np.repeat(elements, count)
    number = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    share = number / np.repeat(count - 1, count)
    crossings = _crossings(terms, line, curve, first, last)
    places = positions(line, curve, element, share)
    zone, at = _near_zones(terms, places)
    corners = _corners(terms, places)
    layout = Layout(element, share, crossings, zone, at, corners, 0.0)
    value, own = terms.values(line, layout)
    need = float(value[own].max(initial=0.0))
    return Layout(element, share, crossings, zone, at, corners, need)


def _near_zones(
    terms: Terms, positions: tuple[NDArray, NDArray, NDArray]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Zones and the samples that feel them."""
    easting, northing, _ = positions
    zones, samples = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for number, zone in enumerate(terms.zones):
        west, south, east, north = zone.box
        near = np.flatnonzero((easting > west) & (easting < east) & (northing > south) & (northing < north))
        zones.append(np.full(near.size, number, np.int64))
        samples.append(near)
    return np.concatenate(zones), np.concatenate(samples)


def _corners(terms: Terms, positions: tuple[NDArray, NDArray, NDArray]) -> NDArray[np.int64]:
    """Corners of areas near the samples."""
    east, north, _ = positions
    found = []
    for which, area in enumerate(terms.areas):
        for k, (e, n, _, _) in enumerate(area.corners):
            away = np.hypot(east - e, north - n)
            nearest = int(away.argmin())
            if away[nearest] < CORNER_M:
                found.append((which, k, nearest))
    return np.array(found, dtype=np.int64).reshape(-1, 3)


def inward_corners(area: shapely.Geometry) -> NDArray[np.float64]:
    """Corners (k, 4) of an area that point into it, and the unit vector from each to its inside."""
    rings = []
    for part in shapely.get_parts(shapely.normalize(area)):
        if part.geom_type == "Polygon":
            rings += [part.exterior, *part.interiors]
    found = [np.empty((0, 4))]
    shapely.prepare(area)
    for ring in rings:
        xy = shapely.get_coordinates(ring)[:-1]
        to, back = np.roll(xy, -1, axis=0) - xy, np.roll(xy, 1, axis=0) - xy
        to /= np.maximum(np.hypot(to[:, 0], to[:, 1]), 1e-9)[:, None]
        back /= np.maximum(np.hypot(back[:, 0], back[:, 1]), 1e-9)[:, None]
        middle = to + back
        size = np.hypot(middle[:, 0], middle[:, 1])
        bent = size > 0.05
        middle[bent] /= size[bent, None]
        probe = xy + 1e-3 * middle
        inward = bent & ~shapely.contains_xy(area, probe[:, 0], probe[:, 1])
        found.append(np.column_stack([xy, -middle])[inward])
    return np.concatenate(found)


def _crossings(terms: Terms, line: Alignment, curve: Bends, first: int, last: int) -> NDArray[np.int64]:
    """(layer of assets, segment, leg) where legs, drawn to their IPs, meet segments."""
    found = []
    for which, assets in enumerate(terms.assets):
        seg = assets.segments
        for leg in range(first, last + 1):
            p = np.array([line.easting_m[leg], line.northing_m[leg]])
            d = np.array([line.easting_m[leg + 1], line.northing_m[leg + 1]]) - p
            de, dn = seg[:, 2] - seg[:, 0], seg[:, 3] - seg[:, 1]
            area = d[0] * dn - d[1] * de
            with np.errstate(divide="ignore", invalid="ignore"):
                along = ((seg[:, 0] - p[0]) * dn - (seg[:, 1] - p[1]) * de) / area
                part = ((seg[:, 0] - p[0]) * d[1] - (seg[:, 1] - p[1]) * d[0]) / area
            hit = np.flatnonzero((along >= 0.0) & (along < 1.0) & (part >= 0.0) & (part < 1.0))
            found += [(which, int(k), leg) for k in hit]
    return np.array(found, dtype=np.int64).reshape(-1, 3)


def positions(
    line: Alignment, curve: Bends, element: NDArray[np.int64], share: NDArray[np.float64]
) -> tuple[NDArray, NDArray, NDArray]:
    """Position and bearing at shares of elements."""
    leg = element // 2
    on_arc = element % 2 == 1
    row = np.where(on_arc, leg + 1, leg)
    bearing = curve.bearing_rad[leg]
    sine, cosine = np.sin(bearing), np.cos(bearing)
    # A straight begins a tangent beyond its first point, an arc a tangent before its IP.
    ahead = np.where(on_arc, -curve.tangent_m[row], curve.tangent_m[row])
    length = np.where(on_arc, curve.arc_m[row], curve.straight_m[leg])
    turn = np.where(on_arc, curve.deflection_rad[row], 0.0) * share
    chord = length * share * np.sinc(turn / (2.0 * np.pi))
    easting = line.easting_m[row] + ahead * sine + chord * np.sin(bearing + turn / 2.0)
    northing = line.northing_m[row] + ahead * cosine + chord * np.cos(bearing + turn / 2.0)
    return easting, northing, bearing + turn
