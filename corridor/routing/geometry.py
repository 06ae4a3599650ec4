"""An alignment as straights and arcs: exact positions, tangent points, setting out.

Signs: bearings are grid bearings, clockwise from grid north; deflections and
curvatures are positive to the right. With deflection ``D`` and radius ``R`` an
IP has tangent length ``T = R tan(|D| / 2)`` and arc length ``R |D|`` (circular
curve geometry, any surveying handbook; exact).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.model.alignment import Alignment
from corridor.model.results import Table
from corridor.routing.geodesy import to_wgs84

SHORTEST_M = 1e-9
"""Elements shorter than this are left out: they have no direction of their own."""

NO_BEND_RAD = 1e-5
"""A turn of less than this (1 m in 100 km) is rounding of coordinates, not a bend or a corner."""

TURN_BACK_RAD = np.pi - 1e-9
"""A deflection of this much turns the line back on itself: no arc can touch both legs."""


@dataclass(frozen=True, slots=True, eq=False)
class Bends:
    """What follows from the points and radii of an alignment of n points.

    Attributes
    ----------
    bearing_rad, leg_m : array (n - 1,)
        Bearing and length of each leg, point to point. A leg of no length has
        the bearing of the leg before it.
    deflection_rad : array (n,)
        Turn at each point, positive to the right, in (-pi, pi]; 0 at the ends.
    tangent_m, arc_m : array (n,)
        Tangent length and arc length; 0 at the ends and at sharp corners.
    straight_m : array (n - 1,)
        What the tangents leave of each leg; negative where arcs overlap.
    """

    bearing_rad: NDArray[np.float64]
    leg_m: NDArray[np.float64]
    deflection_rad: NDArray[np.float64]
    tangent_m: NDArray[np.float64]
    arc_m: NDArray[np.float64]
    straight_m: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Elements:
    """The line as a chain of straights and arcs, in order of chainage.

    Where arcs overlap (a broken rule) the straight between them runs backwards,
    so that the chain stays connected and its length is that of the path drawn.

    Attributes
    ----------
    start_easting_m, start_northing_m : array (m,), m
    bearing_rad : array (m,)
        Grid bearing at the element's start, clockwise from north.
    length_m : array (m,), m, > 0 (a line of no length has one element of length 0)
    curvature_1_m : array (m,), 1/m
        Positive to the right, 0 on straights.
    station_m : array (m,), m
        Chainage at the element's start.
    ip : array (m,) int
        Index of the IP (its row in the alignment) for arcs, -1 for straights.
    """

    start_easting_m: NDArray[np.float64]
    start_northing_m: NDArray[np.float64]
    bearing_rad: NDArray[np.float64]
    length_m: NDArray[np.float64]
    curvature_1_m: NDArray[np.float64]
    station_m: NDArray[np.float64]
    ip: NDArray[np.int64]

    def __post_init__(self) -> None:
        for field in fields(self):
            getattr(self, field.name).setflags(write=False)

    def __len__(self) -> int:
        return len(self.length_m)

    @property
    def end_m(self) -> float:
        """Chainage at the end of the last element, m."""
        return float(self.station_m[-1] + self.length_m[-1])

    @property
    def total_m(self) -> float:
        """Length on the grid, m; of a whole line also the chainage of END."""
        return self.end_m - float(self.station_m[0])

    @property
    def end_bearing_rad(self) -> NDArray[np.float64]:
        """Grid bearing at each element's end."""
        return self.bearing_rad + self.curvature_1_m * self.length_m


def bends(alignment: Alignment) -> Bends:
    """Leg bearings and lengths, deflections, tangent, arc and straight lengths of `alignment`."""
    east = np.diff(alignment.easting_m)
    north = np.diff(alignment.northing_m)
    leg = np.hypot(east, north)
    bearing = _bearings(east, north, leg)
    turn = np.zeros(len(leg) + 1)
    change = bearing[1:] - bearing[:-1]
    turn[1:-1] = np.arctan2(np.sin(change), np.cos(change))
    radius = np.nan_to_num(alignment.radius_m)
    radius = np.where(np.abs(turn) < TURN_BACK_RAD, radius, 0.0)
    tangent = radius * np.tan(np.abs(turn) / 2.0)
    arc = radius * np.abs(turn)
    return Bends(bearing, leg, turn, tangent, arc, leg - tangent[:-1] - tangent[1:])


def _bearings(east: NDArray, north: NDArray, leg: NDArray) -> NDArray[np.float64]:
    """Bearings of legs; a leg of no length takes that of the last leg with one (or the first)."""
    bearing = np.arctan2(east, north)
    sound = np.flatnonzero(leg > SHORTEST_M)
    if len(sound) in (0, len(leg)):
        return bearing
    before = np.searchsorted(sound, np.arange(len(leg)), side="right") - 1
    return bearing[sound[np.maximum(before, 0)]]


def straight_runs(alignment: Alignment) -> list[tuple[int, int, float, float]]:
    """Straights between bends, with points that hardly turn the line passed over.

    Returns
    -------
    list of (from, to, start_m, length_m)
        Rows of the alignment at which the straight begins and ends, the chainage
        where it begins (a tangent point or START), and its length: negative
        where the arcs at its ends overlap.
    """
    curve = bends(alignment)
    _, kp_out = in_out_m(curve)
    last = len(curve.leg_m)
    stops = [i for i in range(last + 1) if i in (0, last) or abs(curve.deflection_rad[i]) >= NO_BEND_RAD]
    runs = []
    for begin, end in pairwise(stops):
        between = curve.straight_m[begin:end].sum() + curve.arc_m[begin + 1 : end].sum()
        runs.append((begin, end, float(kp_out[begin]), float(between)))
    return runs


def straights(alignment: Alignment) -> NDArray[np.float64]:
    """Straight left of each leg, (n - 1,), m; negative where the arcs at its ends overlap."""
    return bends(alignment).straight_m


def elements(alignment: Alignment) -> Elements:
    """Cut `alignment` into its straights and arcs.

    A sharp corner (radius 0, or a turn straight back) joins two straights.
    """
    curve = bends(alignment)
    n = len(alignment.easting_m)
    unit = np.column_stack([np.sin(curve.bearing_rad), np.cos(curve.bearing_rad)])
    points = np.column_stack([alignment.easting_m, alignment.northing_m])
    # Interleaved: straight of leg 0, arc at IP1, straight of leg 1, ... straight of the last leg.
    count = 2 * (n - 1) - 1
    start = np.empty((count, 2))
    bearing = np.empty(count)
    length = np.empty(count)
    curvature = np.zeros(count)
    ip = np.full(count, -1, dtype=np.int64)
    start[0::2] = points[:-1] + curve.tangent_m[:-1, None] * unit
    back = curve.straight_m < 0.0
    bearing[0::2] = curve.bearing_rad + np.where(back, np.pi, 0.0)
    length[0::2] = np.abs(curve.straight_m)
    start[1::2] = points[1:-1] - curve.tangent_m[1:-1, None] * unit[:-1]
    bearing[1::2] = curve.bearing_rad[:-1]
    length[1::2] = curve.arc_m[1:-1]
    bent = curve.arc_m[1:-1] > 0.0
    curvature[1::2][bent] = (np.sign(curve.deflection_rad) / np.maximum(alignment.radius_m, 1e-300))[1:-1][
        bent
    ]
    ip[1::2] = np.arange(1, n - 1)
    keep = length > SHORTEST_M
    if not keep.any():
        keep[0] = True
    start, bearing, length = start[keep], bearing[keep], length[keep]
    station = np.concatenate([[0.0], np.cumsum(length)[:-1]])
    return Elements(
        start[:, 0].copy(), start[:, 1].copy(), bearing, length, curvature[keep], station, ip[keep]
    )


def at_station(line: Elements, station_m: ArrayLike) -> tuple[NDArray, NDArray, NDArray]:
    """Position and bearing at chainages; exact on arcs.

    Parameters
    ----------
    line : Elements
    station_m : array-like, m
        Held between the chainages of the line's two ends.

    Returns
    -------
    easting_m, northing_m, bearing_rad : arrays of the shape of `station_m`
        Bearings in [0, 2 pi). At a sharp corner the bearing is that of the leg that starts there.
    """
    station = np.clip(np.asarray(station_m, dtype=float), line.station_m[0], line.end_m)
    index = np.clip(np.searchsorted(line.station_m, station, side="right") - 1, 0, len(line) - 1)
    along = station - line.station_m[index]
    turned = line.curvature_1_m[index] * along
    # The chord of an arc of length s that turns by a is s sin(a/2)/(a/2) long and bears half the turn.
    chord = along * np.sinc(turned / (2.0 * np.pi))
    bearing = line.bearing_rad[index]
    easting = line.start_easting_m[index] + chord * np.sin(bearing + turned / 2.0)
    northing = line.start_northing_m[index] + chord * np.cos(bearing + turned / 2.0)
    return easting, northing, np.mod(bearing + turned, 2.0 * np.pi)


def part(line: Elements, from_m: float, to_m: float) -> Elements:
    """The piece of `line` between two chainages (from_m < to_m); chainages stay those of the whole line."""
    begin = np.maximum(line.station_m, from_m)
    end = np.minimum(line.station_m + line.length_m, to_m)
    keep = end - begin > SHORTEST_M
    if not keep.any():
        keep[np.clip(np.searchsorted(line.station_m, from_m, side="right") - 1, 0, len(line) - 1)] = True
    begin, end = begin[keep], np.maximum(end, begin)[keep]
    easting, northing, _ = at_station(line, begin)
    turned = line.curvature_1_m[keep] * (begin - line.station_m[keep])
    return Elements(
        easting,
        northing,
        line.bearing_rad[keep] + turned,
        end - begin,
        line.curvature_1_m[keep],
        begin,
        line.ip[keep],
    )


def curvature_at(line: Elements, station_m: ArrayLike) -> NDArray[np.float64]:
    """Signed curvature (1/m, positive to the right) at chainages; at a joint that of the next element."""
    index = np.searchsorted(line.station_m, np.asarray(station_m, dtype=float), side="right") - 1
    return line.curvature_1_m[np.clip(index, 0, len(line) - 1)]


def end_to_end(lines: list[Alignment]) -> Alignment:
    """One line of several whose ends meet in the same direction: the points between them are no IPs."""
    first, last = lines[0], lines[-1]
    easting = [first.easting_m[:1], *[line.easting_m[1:-1] for line in lines], last.easting_m[-1:]]
    northing = [first.northing_m[:1], *[line.northing_m[1:-1] for line in lines], last.northing_m[-1:]]
    radius = [first.radius_m[:1], *[line.radius_m[1:-1] for line in lines], last.radius_m[-1:]]
    return Alignment(np.concatenate(easting), np.concatenate(northing), np.concatenate(radius), first.crs)


def tangent_points(line: Elements) -> NDArray[np.float64]:
    """Chainages of all joints between elements, START and END included, sorted, m."""
    return np.append(line.station_m, line.end_m)


def stations(line: Elements, spacing_m: float) -> NDArray[np.float64]:
    """Chainages every `spacing_m` from 0, plus every tangent point and the end; sorted, no doubles."""
    total = line.total_m
    regular = np.arange(int(np.floor(total / spacing_m)) + 1) * spacing_m
    joints = tangent_points(line)
    nearest = np.clip(np.searchsorted(joints, regular), 1, len(joints) - 1)
    gap = np.minimum(np.abs(regular - joints[nearest]), np.abs(regular - joints[nearest - 1]))
    return np.unique(np.concatenate([regular[gap > 1e-6], joints]))


def densify(alignment: Alignment, max_sagitta_m: float = 0.05) -> NDArray[np.float64]:
    """Points (n, 2) on the line whose chords stray no more than `max_sagitta_m` from it.

    The sagitta of a chord that subtends ``a`` on radius R is ``R (1 - cos(a/2))``.
    """
    line = elements(alignment)
    at = densify_stations(line, max_sagitta_m)
    easting, northing, _ = at_station(line, at)
    return np.column_stack([easting, northing])


def densify_stations(line: Elements, max_sagitta_m: float = 0.05) -> NDArray[np.float64]:
    """Chainages of the points of :func:`densify`."""
    curved = np.abs(line.curvature_1_m) * max_sagitta_m / 2.0
    most = 4.0 * np.arcsin(np.sqrt(np.minimum(curved, 0.5)))
    turn = np.abs(line.curvature_1_m) * line.length_m
    pieces = np.ones(len(line), dtype=np.int64)
    bent = turn > 0.0
    pieces[bent] = np.maximum(np.ceil(turn[bent] / most[bent] * (1.0 - 1e-12)), 1.0).astype(np.int64)
    return cut(line, pieces)


def cut(line: Elements, pieces: NDArray[np.int64]) -> NDArray[np.float64]:
    """Chainages that cut element i into ``pieces[i]`` equal parts, the end included, m."""
    step = np.repeat(line.length_m / pieces, pieces)
    number = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.append(np.repeat(line.station_m, pieces) + number * step, line.end_m)


def in_out_m(curve: Bends) -> tuple[NDArray, NDArray]:
    """Chainage of the tangent points in and out of every point of the alignment, m."""
    kp_out = np.zeros(len(curve.arc_m))
    kp_in = np.zeros(len(curve.arc_m))
    passed = np.cumsum(np.abs(curve.straight_m) + curve.arc_m[1:])
    kp_out[1:] = passed
    kp_in[1:] = passed - curve.arc_m[1:]
    return kp_in, kp_out


def points(alignment: Alignment) -> Table:
    """The alignment table: one row per point, columns as in alignment.csv (see the README).

    Radius, deflection, tangent and arc are NaN at START and END.
    """
    curve = bends(alignment)
    kp_in, kp_out = in_out_m(curve)
    longitude, latitude = to_wgs84(alignment.crs, alignment.easting_m, alignment.northing_m)
    return {
        "point": np.array(alignment.names),
        "easting_m": alignment.easting_m.copy(),
        "northing_m": alignment.northing_m.copy(),
        "radius_m": alignment.radius_m.copy(),
        "deflection_deg": _inner(np.degrees(curve.deflection_rad)),
        "tangent_m": _inner(curve.tangent_m),
        "arc_m": _inner(curve.arc_m),
        "kp_in_km": kp_in / 1000.0,
        "kp_out_km": kp_out / 1000.0,
        "latitude_deg": latitude,
        "longitude_deg": longitude,
    }


def setting_out(alignment: Alignment) -> Table:
    """What a surveyor sets out: per point its tangent points, arc centre, and the leg that follows.

    Columns: ``point, easting_m, northing_m, radius_m, deflection_deg,
    tangent_m, arc_m, kp_in_km, kp_out_km, in_easting_m, in_northing_m,
    out_easting_m, out_northing_m, centre_easting_m, centre_northing_m,
    leg_bearing_deg, leg_length_m, straight_m``. `leg_*` is the leg from this
    point to the next, `straight_m` what the tangents leave of it. Tangent
    points coincide with the point at START, END and sharp corners; there is no
    centre there (NaN), and no leg after END.
    """
    curve = bends(alignment)
    kp_in, kp_out = in_out_m(curve)
    east, north = alignment.easting_m, alignment.northing_m
    unit = np.column_stack([np.sin(curve.bearing_rad), np.cos(curve.bearing_rad)])
    before = np.vstack([unit[:1], unit])
    after = np.vstack([unit, unit[-1:]])
    touch_in = np.column_stack([east, north]) - curve.tangent_m[:, None] * before
    touch_out = np.column_stack([east, north]) + curve.tangent_m[:, None] * after
    # The centre lies R to the side of the turn, square to the leg before, from the tangent point in.
    side = np.sign(curve.deflection_rad) * np.where(curve.arc_m > 0.0, alignment.radius_m, np.nan)
    centre = touch_in + side[:, None] * np.column_stack([before[:, 1], -before[:, 0]])
    return {
        "point": np.array(alignment.names),
        "easting_m": east.copy(),
        "northing_m": north.copy(),
        "radius_m": alignment.radius_m.copy(),
        "deflection_deg": _inner(np.degrees(curve.deflection_rad)),
        "tangent_m": _inner(curve.tangent_m),
        "arc_m": _inner(curve.arc_m),
        "kp_in_km": kp_in / 1000.0,
        "kp_out_km": kp_out / 1000.0,
        "in_easting_m": touch_in[:, 0],
        "in_northing_m": touch_in[:, 1],
        "out_easting_m": touch_out[:, 0],
        "out_northing_m": touch_out[:, 1],
        "centre_easting_m": centre[:, 0],
        "centre_northing_m": centre[:, 1],
        "leg_bearing_deg": np.append(np.mod(np.degrees(curve.bearing_rad), 360.0), np.nan),
        "leg_length_m": np.append(curve.leg_m, np.nan),
        "straight_m": np.append(curve.straight_m, np.nan),
    }


def _inner(values: NDArray) -> NDArray[np.float64]:
    """Copy of `values` with NaN at START and END."""
    out = np.array(values, dtype=float)
    out[[0, -1]] = np.nan
    return out
