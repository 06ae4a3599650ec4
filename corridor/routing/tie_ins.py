"""Where an approved line may be left on a tangent, and what of it is then kept.

Everything here speaks of leaving. A line is rejoined where its reverse is left:
callers reverse the approved line, ask the same, and reverse the answer.

A straight may be left anywhere behind the straight that its last bend needs;
the new bend begins there. An arc may be left after any part of it: that part
remains as a smaller bend of the same radius and centre, and the new line
follows its tangent. What is kept is the approved line's own points and radii,
to the last digit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.terms import line_terms
from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.model.rules import RouteRules
from corridor.routing.geometry import at_station, bends, elements, in_out_m
from corridor.routing.ground import kernel_ground
from corridor.routing.measure import line_crossings

CLEAR_M = 1.0
"""A line is left this much before a crossing or not at all: a bend that begins on the asset itself crosses it
without a straight, and which side it lies on is a matter of rounding."""

Ranges = Sequence[tuple[float, float]]
"""Chainages (from, to), m."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of one straight or arc of a line on which the line may be left.

    Attributes
    ----------
    row : int
        Row of the alignment: where the straight begins, or the IP of the arc.
    arc : bool
    low_m, high_m : float
        Chainages.
    straight_m : float
        Straight needed between the point where the line is left and a new bend.
    """

    row: int
    arc: bool
    low_m: float
    high_m: float
    straight_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Tie:
    """A pose on an approved line with what is kept of the line before it.

    Attributes
    ----------
    station_m, easting, northing : float
    bearing_rad : float
    points : array (n, 2), m
        START and the IPs kept; the last may be a part of an approved bend.
    radii : array (n - 1,), m
    """

    station_m: float
    easting: float
    northing: float
    bearing_rad: float
    points: NDArray[np.float64]
    radii: NDArray[np.float64]


def stretches_to_leave(
    alignment: Alignment, rules: RouteRules, from_m: float, to_m: float, crossings: Ranges = ()
) -> tuple[Stretch, ...]:
    """Every stretch of a line between two chainages on which it may be left on a tangent.

    Parameters
    ----------
    alignment : Alignment
    rules : RouteRules
    from_m, to_m : float
        Chainages.
    crossings : sequence of (chainage, straight), m
        Where the line crosses assets, and the straight needed behind each: a bend begins no earlier.
    """
    curve = bends(alignment)
    kp_in, kp_out = in_out_m(curve)
    last = len(alignment.easting_m) - 1
    found = []
    for row in range(last):
        if row and curve.arc_m[row] > 0.0:
            low, high = max(kp_in[row], from_m), min(kp_out[row], to_m)
            if high > low:
                found.append(Stretch(row, True, low, high, rules.min_straight_m))
        need = rules.min_straight_m if row else rules.straight_at_ends_m
        low, high = max(kp_out[row] + need, from_m), min(kp_in[row + 1], to_m)
        for piece in _clear_of(crossings, low, high):
            found.append(Stretch(row, False, *piece, 0.0))
    return tuple(found)


def _clear_of(crossings: Ranges, low: float, high: float) -> list[tuple[float, float]]:
    """Pieces of (low, high) without the straights behind crossings, which end just before them."""
    pieces = []
    for station, straight in sorted(crossings):
        if station + straight <= low or station >= high:
            continue
        if station - CLEAR_M > low:
            pieces.append((low, station - CLEAR_M))
        low = max(low, station + straight)
    if high > low:
        pieces.append((low, high))
    return pieces


def poses(stretches: Sequence[Stretch], spacing_m: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Chainages at which to leave, at most `spacing_m` apart, and the stretch of each."""
    station, owner = [], []
    for number, stretch in enumerate(stretches):
        count = max(1, math.ceil((stretch.high_m - stretch.low_m) / spacing_m))
        at = stretch.low_m + (stretch.high_m - stretch.low_m) * np.arange(count + 1) / count
        if stretch.arc:
            at = at[1:]  # before the arc begins nothing of it is kept: that is the straight's affair
        station.append(at)
        owner.append(np.full(len(at), number))
    if not station:
        return np.empty(0), np.empty(0, dtype=np.int64)
    return np.concatenate(station), np.concatenate(owner).astype(np.int64)


def tie_at(alignment: Alignment, stretch: Stretch, station_m: float) -> Tie:
    """The pose at a chainage of a stretch, and the kept line before it."""
    line = elements(alignment)
    easting, northing, bearing = (float(x[0]) for x in at_station(line, [station_m]))
    kept = stretch.row if stretch.arc else stretch.row + 1
    points = np.column_stack([alignment.easting_m, alignment.northing_m])[:kept]
    radii = alignment.radius_m[1:kept]
    if stretch.arc:
        curve = bends(alignment)
        radius = float(alignment.radius_m[stretch.row])
        turned = (station_m - in_out_m(curve)[0][stretch.row]) / radius
        back = radius * math.tan(turned / 2.0)
        # The bend that remains has its IP where the tangents at its two ends meet.
        ip = [easting - back * math.sin(bearing), northing - back * math.cos(bearing)]
        points, radii = np.vstack([points, ip]), np.append(radii, radius)
    return Tie(station_m, easting, northing, bearing, points, radii)


def joined_line(before: Tie, new: Alignment | None, after: Tie, crs: str) -> Alignment:
    """Kept line, new IPs, kept line.

    Parameters
    ----------
    before : Tie
    new : Alignment or None
        Its START and END are the two poses and no points of the line; None has no IPs.
    after : Tie
        On the reverse of the approved line.
    """
    points, radii = [before.points], [before.radii]
    if new is not None:
        points.append(np.column_stack([new.easting_m, new.northing_m])[1:-1])
        radii.append(new.radius_m[1:-1])
    points.append(after.points[::-1])
    radii.append(after.radii[::-1])
    return Alignment.from_points(np.vstack(points), np.concatenate(radii), crs)


def kept_costs(
    alignment: Alignment, surface: CostSurface, rules: RouteRules, station_m: NDArray
) -> NDArray[np.float64]:
    """Cost of a line from its START to chainages, equivalent m, as the search and the fit count.

    A bend is paid where its arc begins, a crossing where it lies. Off the grid a metre costs a metre.
    """
    line = elements(alignment)
    marks = np.unique(np.concatenate([[0.0], station_m, line.station_m, [line.total_m]]))
    cell = surface.grid.cell_m
    pieces = np.maximum(np.ceil(np.diff(marks) / (0.5 * cell)), 1.0).astype(np.int64)
    step = np.repeat(np.diff(marks) / pieces, pieces)
    first = np.cumsum(pieces) - pieces
    at = np.repeat(marks[:-1], pieces) + (np.arange(pieces.sum()) - np.repeat(first, pieces)) * step
    at = np.append(at, marks[-1])
    easting, northing, _ = at_station(line, at)
    points = np.column_stack(surface.grid.to_cells(easting, northing))
    terms = line_terms(kernel_ground(surface), points, np.diff(at) / cell).sum(axis=1) * cell
    running = np.concatenate([[0.0], np.cumsum(terms)])
    total = np.interp(station_m, at, running)
    for where, fee in line_crossings(alignment, surface):
        total = total + fee * (station_m >= where)
    for where in line.station_m[line.ip >= 0]:
        total = total + rules.bend_cost_m * (station_m > where)
    return total
