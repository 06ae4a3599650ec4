"""From the search's path to the line an engineer draws: few IPs, fair radii, least cost.

The fit starts from the path (and, where the ends allow it, from the shortest
bounded-curvature words), replaces runs of IPs by fewer, polishes what is left
by pattern search, inserts IPs where one more pays, and kicks IPs out of local
optima. Every candidate is priced as the report prices the finished line: exact
cell traversal along straights, short chords along arcs, fees, bends. A breach
of a rule is a steep penalty on the way; what is returned breaks none that the
gridded ground shows, and is never dearer than the path it came from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import NoRouteError
from corridor.kernels.fit import Course, hold_bearings, polish, price_all
from corridor.kernels.fit_moves import kick, lengthen, shorten, slide
from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.dubins import words
from corridor.routing.ground import grid_direction, kernel_ground

SPARE = 24
"""IPs that the fit may add to those it starts from."""

SOFT, HARD = 20.0, 1e5
"""Penalty per cell of breach on the way, and at the end."""

FALLING = 8.0 * 0.5 ** np.arange(0, 9)
"""Steps of the pattern search, cells: 8 down to 1/32."""

LEAST_BEND_M = 1.0
"""A bend costs at least this inside the fit: free bends would leave arbitrary IPs."""

ROUNDS = 4
KICKS = 40
LONGEST_RUN = 8


@dataclass(frozen=True, slots=True, eq=False)
class FitResult:
    """A fitted line.

    Attributes
    ----------
    alignment : Alignment
    cost_m : float
        As :func:`corridor.routing.measure.line_cost` counts.
    feasible : bool
        It breaks no rule that the gridded ground shows.
    bends_before, bends : int
    """

    alignment: Alignment
    cost_m: float
    feasible: bool
    bends_before: int
    bends: int


@dataclass(frozen=True, slots=True)
class KeptEnds:
    """Ends of a path that lie on an approved line: the fit chooses how much of its straights to keep.

    Attributes
    ----------
    straight_at_start_m, straight_at_end_m : float
        Straight needed at the path's START and END.
    run_on_m, run_up_m : float
        How far the approved straight runs on from START, and how far it has
        come when it reaches END.
    leave_on, leave_up : float
        Equivalent metres that a metre of it costs when it is not kept.
    """

    straight_at_start_m: float
    straight_at_end_m: float
    run_on_m: float
    run_up_m: float
    leave_on: float
    leave_up: float


@dataclass(slots=True, eq=False)
class _Line:
    """A line under work: START, IPs, END in cells, with room for more."""

    points: NDArray[np.float64]
    radii: NDArray[np.float64]
    locked: NDArray[np.bool_]
    count: int
    price: float = math.inf

    def copy(self) -> _Line:
        return _Line(self.points.copy(), self.radii.copy(), self.locked.copy(), self.count, self.price)


def fit(
    path: Alignment,
    surface: CostSurface,
    rules: RouteRules,
    start: RouteEnd | None = None,
    end: RouteEnd | None = None,
    *,
    fixed_ips: ArrayLike = (),
    within_m: float | None = None,
    kept: KeptEnds | None = None,
    progress: Progress = silent,
) -> FitResult:
    """Fit the cheapest line of few IPs to a path.

    Parameters
    ----------
    path : Alignment
        From the search, or drawn by hand.
    surface : CostSurface
    rules : RouteRules
    start, end : RouteEnd, optional
        Their bearings are held exactly where given; positions are the path's.
    fixed_ips : array-like of int
        Indices (1 = IP1 ...) of IPs that stay where they are; their radii may change.
    within_m : float, optional
        The line stays within this distance of the path.
    kept : KeptEnds, optional
        The ends lie on an approved line; what is not kept of it is part of `cost_m`.
    progress : Progress

    Returns
    -------
    FitResult

    Raises
    ------
    NoRouteError
        A fixed IP cannot be part of any line that obeys the rules near the path.
    """
    course = _course(path, surface, rules, start, end, within_m, kept)
    given = _line(path, surface, fixed_ips)
    given.price = _price(course, given, HARD) if _keeps_bearings(course, given) else math.inf
    candidates = [given]
    if not given.locked.any() and within_m is None:
        candidates += _words(course, given)
    best = given
    for number, candidate in enumerate(_promising(course, candidates)):

        def report(share: float, number: int = number) -> None:
            progress("fit", min(1.0, 0.5 * (number + share)))

        improved = _improve(course, candidate, report)
        if improved.price < best.price:
            best = improved
    progress("fit", 1.0)
    feasible = _feasible(course, best)
    if not feasible and best.locked.any():
        raise NoRouteError(
            "No line near the path keeps the rules and the fixed IPs "
            f"({', '.join(f'IP{i}' for i in np.flatnonzero(given.locked[1:-1]) + 1)}): "
            "free one of them or ease the rule named by `corridor assess`."
        )
    return FitResult(
        alignment=_alignment(best, surface, path),
        cost_m=_price(course, best, 0.0, rules.bend_cost_m / surface.grid.cell_m) * surface.grid.cell_m,
        feasible=feasible,
        bends_before=path.bends,
        bends=best.count,
    )


def _course(
    path: Alignment, surface: CostSurface, rules: RouteRules,
    start: RouteEnd | None, end: RouteEnd | None, within_m: float | None, kept: KeptEnds | None = None,
) -> Course:  # fmt: skip
    if kept is None:
        at_ends = rules.straight_at_ends_m
        kept = KeptEnds(at_ends, at_ends, 0.0, 0.0, 0.0, 0.0)
    cell = surface.grid.cell_m
    assets = surface.assets
    free = np.zeros(2)
    first = grid_direction(start.bearing_deg) if start and start.bearing_deg is not None else None
    last = grid_direction(end.bearing_deg) if end and end.bearing_deg is not None else None
    guide = np.empty((0, 2))
    if within_m is not None:
        from corridor.routing.geometry import densify

        line = densify(path, 0.1 * cell)
        guide = np.column_stack(surface.grid.to_cells(line[:, 0], line[:, 1]))
    return Course(
        ground=kernel_ground(surface),
        segments=assets.segments,
        asset=assets.asset,
        fee=assets.fee_m / cell,
        sin_min=assets.sin_min_angle,
        straight=assets.straight_m / cell,
        radius=rules.min_bend_radius_m / cell,
        between=rules.min_straight_m / cell,
        at_start=kept.straight_at_start_m / cell,
        at_end=kept.straight_at_end_m / cell,
        bend_price=max(rules.bend_cost_m, LEAST_BEND_M) / cell,
        start_fixed=first is not None,
        start_u=float((free if first is None else first)[0]),
        start_v=float((free if first is None else first)[1]),
        end_fixed=last is not None,
        end_u=float((free if last is None else last)[0]),
        end_v=float((free if last is None else last)[1]),
        # Points along the line are tested a few cells apart: a quarter of a cell covers what lies between.
        near=math.inf if within_m is None else max(within_m / cell - 0.25, 0.0),
        guide=guide,
        run_start=kept.run_on_m / cell,
        run_end=kept.run_up_m / cell,
        leave_start=kept.leave_on,
        leave_end=kept.leave_up,
    )


def _line(path: Alignment, surface: CostSurface, fixed_ips: ArrayLike) -> _Line:
    u, v = surface.grid.to_cells(path.easting_m, path.northing_m)
    locked = np.zeros(path.bends + 2, dtype=bool)
    locked[np.asarray(fixed_ips, dtype=int)] = True
    return _room(
        np.column_stack([u, v]), np.nan_to_num(path.radius_m) / surface.grid.cell_m, locked, path.bends
    )


def _room(points: NDArray, radii: NDArray, locked: NDArray, count: int) -> _Line:
    """A line with spare room behind its END."""
    room = count + 2 + SPARE
    big = np.zeros((room, 2))
    big[: count + 2] = points
    wide = np.zeros(room)
    wide[: count + 2] = radii
    held = np.zeros(room, dtype=bool)
    held[: count + 2] = locked
    return _Line(big, wide, held, count)


def _words(course: Course, given: _Line) -> list[_Line]:
    """Bounded-curvature words between the ends, as if the water were open."""
    start, end = given.points[0], given.points[given.count + 1]
    first = np.array([course.start_u, course.start_v]) if course.start_fixed else None
    last = np.array([course.end_u, course.end_v]) if course.end_fixed else None
    begin = start if first is None else start + course.at_start * first
    finish = end if last is None else end - course.at_end * last
    lines = []
    for points, radii in words(begin, first, finish, last, course.radius, course.between > 0.0):
        count = len(points)
        line = _room(
            np.vstack([start, points, end]),
            np.concatenate([[0.0], radii, [0.0]]),
            np.zeros(count + 2, bool),
            count,
        )
        line.price = _price(course, line, SOFT)
        lines.append(line)
    return lines


def _promising(course: Course, candidates: list[_Line]) -> list[_Line]:
    """The path, and the one word that may do better even with its penalties.

    A path that misses a fixed bearing is put onto its ray first, where it has an
    IP to do so.
    """
    path, *others = candidates
    if not math.isfinite(path.price):
        path = path.copy()
        soft = _price(course, path, SOFT) if hold_bearings(course, path.points, path.count) else math.inf
    else:
        soft = _price(course, path, SOFT)
    better = sorted((line for line in others if line.price < 1.2 * soft), key=lambda line: line.price)
    return [*([path] if math.isfinite(soft) else []), *better[:1]]


def _price(course: Course, line: _Line, penalty: float, bend_price: float | None = None) -> float:
    legs, arcs = np.zeros(len(line.points)), np.zeros(len(line.points))
    if bend_price is not None:
        course = course._replace(bend_price=bend_price)
    return float(price_all(course, line.points, line.radii, line.count, legs, arcs, penalty))


def _keeps_bearings(course: Course, line: _Line) -> bool:
    """Whether the first and last legs run along the fixed bearings."""
    first, last = line.points[1] - line.points[0], line.points[line.count + 1] - line.points[line.count]
    for fixed, leg, u, v in (
        (course.start_fixed, first, course.start_u, course.start_v),
        (course.end_fixed, last, course.end_u, course.end_v),
    ):
        size = float(np.hypot(*leg))
        if fixed and (abs(leg[0] * v - leg[1] * u) > 1e-7 * size or leg[0] * u + leg[1] * v <= 0.0):
            return False
    return True


def _feasible(course: Course, line: _Line) -> bool:
    if not _keeps_bearings(course, line):
        return False
    hard = _price(course, line, HARD)
    return math.isfinite(hard) and hard - _price(course, line, 0.0) < 1e-6


def _improve(course: Course, given: _Line, report) -> _Line:
    """All moves, round after round, until none helps."""
    line = given.copy()
    legs, arcs = np.zeros(len(line.points)), np.zeros(len(line.points))
    kicked = 0
    sound = _feasible(course, line)
    # A sound start stays sound; a broken one is first mended with penalties it can climb over.
    penalties = [HARD] * ROUNDS if sound else [SOFT, SOFT, HARD, HARD]
    for number, penalty in enumerate(penalties):
        before = line.price = _price(course, line, penalty)
        line.count, line.price = shorten(
            course, line.points, line.radii, line.locked, line.count, line.price,
            legs, arcs, penalty, LONGEST_RUN,
        )  # fmt: skip
        report((number + 0.4) / ROUNDS)
        line.price = _polish(course, line, FALLING[2:], penalty)
        line.count, line.price = lengthen(
            course, line.points, line.radii, line.locked, line.count, line.price, legs, arcs, penalty
        )
        report((number + 0.7) / ROUNDS)
        line.price = kick(
            course, line.points, line.radii, line.locked, line.count, line.price,
            legs, arcs, penalty, kicked, KICKS,
        )  # fmt: skip
        kicked += KICKS
        if course.run_start > 0.0 or course.run_end > 0.0:
            line.price = slide(
                course, line.points, line.radii, line.locked, line.count, line.price,
                legs, arcs, penalty,
            )  # fmt: skip
        line.price = _polish(course, line, FALLING, penalty)
        report((number + 1.0) / ROUNDS)
        if penalty == HARD and before - line.price < 2e-5 * before:
            break
    line.price = _price(course, line, HARD) if _keeps_bearings(course, line) else math.inf
    return line


def _polish(course: Course, line: _Line, steps: NDArray, penalty: float) -> float:
    legs, arcs = np.zeros(len(line.points)), np.zeros(len(line.points))
    return float(
        polish(
            course, line.points, line.radii, line.count, 1, line.count, line.locked,
            legs, arcs, steps, 30, penalty,
        )
    )  # fmt: skip


def _alignment(line: _Line, surface: CostSurface, path: Alignment) -> Alignment:
    """Back to the map; the ends are the path's own, to the digit."""
    cell = surface.grid.cell_m
    inner = slice(1, line.count + 1)
    easting, northing = surface.grid.to_map(line.points[inner, 0], line.points[inner, 1])
    return Alignment(
        np.concatenate([path.easting_m[:1], easting, path.easting_m[-1:]]),
        np.concatenate([path.northing_m[:1], northing, path.northing_m[-1:]]),
        np.concatenate([[np.nan], line.radii[inner] * cell, [np.nan]]),
        path.crs,
    )
