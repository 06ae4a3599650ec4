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
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import NoRouteError
from corridor.kernels.fit import Course, holds, polish, price_all
from corridor.kernels.fit_moves import FALLING, kick, lengthen, shorten, slide
from corridor.kernels.strip import strip_index
from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.dubins import words
from corridor.routing.geometry import densify
from corridor.routing.ground import grid_direction, kernel_ground

SPARE = 24
"""IPs that the fit may add to those it starts from."""

SOFT, HARD = 20.0, 1e5
"""Penalty per cell of breach on the way, and at the end."""

SOFTENED = [SOFT, 5.0 * SOFT, 50.0 * SOFT, HARD, HARD]
"""Penalties, round by round, for a start that breaks rules."""

LEAST_BEND_M = 1.0
"""A bend costs at least this inside the fit: free bends would leave arbitrary IPs."""

MENDING = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Distances, cells, by which a path that breaks rules is thinned out."""

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
    guide: Alignment | None = None,
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
        The line stays within this distance of the guide.
    guide : Alignment, optional
        Default: the path.
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
    result = attempt(
        path, surface, rules, start, end,
        fixed_ips=fixed_ips, within_m=within_m, guide=guide, kept=kept, progress=progress,
    )  # fmt: skip
    fixed = np.asarray(fixed_ips, dtype=int).ravel()
    if not result.feasible and fixed.size:
        raise NoRouteError(
            "No line near the path keeps the rules and the fixed IPs "
            f"({', '.join(f'IP{i}' for i in fixed)}): "
            "free one of them or ease the rule named by `corridor assess`."
        )
    return result


def attempt(
    path: Alignment,
    surface: CostSurface,
    rules: RouteRules,
    start: RouteEnd | None = None,
    end: RouteEnd | None = None,
    *,
    fixed_ips: ArrayLike = (),
    within_m: float | None = None,
    guide: Alignment | None = None,
    straights_m: tuple[float, float] | None = None,
    kept: KeptEnds | None = None,
    progress: Progress = silent,
) -> FitResult:
    """As :func:`fit`; where no line keeps rules and fixed IPs, the one that breaks them least.

    `straights_m`: least straights at START and END, where they are not the rules'.
    """
    course = _course(guide or path, surface, rules, start, end, within_m, straights_m, kept)
    given = _line(path, surface, fixed_ips)
    given.price = _price(course, given, HARD) if _keeps_bearings(course, given) else math.inf
    candidates = [given]
    if not given.locked.any() and within_m is None:
        candidates += _words(course, given)
    sound = any(_feasible(course, line) for line in candidates)
    if not sound:
        candidates += _mended(course, given)
    best = given
    for number, candidate in enumerate(_promising(course, candidates, 1 if sound else 2)):

        def report(share: float, number: int = number) -> None:
            progress("fit", min(1.0, 0.5 * (number + share)))

        improved = _improve(course, candidate, report)
        if improved.price < best.price:
            best = improved
    progress("fit", 1.0)
    return FitResult(
        alignment=_alignment(best, surface, path),
        cost_m=_price(course, best, 0.0, rules.bend_cost_m / surface.grid.cell_m) * surface.grid.cell_m,
        feasible=_feasible(course, best),
        bends_before=path.bends,
        bends=best.count,
    )


def polished(
    line: Alignment, surface: CostSurface, rules: RouteRules, start: RouteEnd, end: RouteEnd,
    straights_m: tuple[float, float],
) -> FitResult:  # fmt: skip
    """A line turned onto the bearings of its ends and polished; no IP comes or goes."""
    course = _course(line, surface, rules, start, end, None, straights_m)
    mine = _line(line, surface, ())
    if not holds(course, mine.points, mine.count, mine.locked) or not math.isfinite(
        _price(course, mine, HARD)
    ):
        return FitResult(line, math.inf, False, line.bends, line.bends)
    _polish(course, mine, FALLING[3:], HARD)
    return FitResult(
        _alignment(mine, surface, line),
        _price(course, mine, 0.0, rules.bend_cost_m / surface.grid.cell_m) * surface.grid.cell_m,
        _feasible(course, mine), line.bends, mine.count,
    )  # fmt: skip


def keeps_rules(
    line: Alignment, surface: CostSurface, rules: RouteRules,
    start: RouteEnd | None = None, end: RouteEnd | None = None,
) -> bool:  # fmt: skip
    """Whether a line as it stands breaks no rule that the gridded ground shows."""
    return _feasible(_course(line, surface, rules, start, end, None), _line(line, surface, ()))


def _course(
    path: Alignment, surface: CostSurface, rules: RouteRules,
    start: RouteEnd | None, end: RouteEnd | None, within_m: float | None,
    straights_m: tuple[float, float] | None = None, kept: KeptEnds | None = None,
) -> Course:  # fmt: skip
    straights_m = straights_m or (rules.straight_at_ends_m, rules.straight_at_ends_m)
    if kept is None:
        kept = KeptEnds(*straights_m, 0.0, 0.0, 0.0, 0.0)
    cell = surface.grid.cell_m
    assets = surface.assets
    free = np.zeros(2)
    first = grid_direction(start.bearing_deg) if start and start.bearing_deg is not None else None
    last = grid_direction(end.bearing_deg) if end and end.bearing_deg is not None else None
    guide = np.empty((0, 2))
    if within_m is not None:
        line = densify(path, 0.1 * cell)
        guide = np.column_stack(surface.grid.to_cells(line[:, 0], line[:, 1]))
    strip_first, strip_pieces = strip_index(guide, *surface.grid.shape)
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
        strip_first=strip_first,
        strip_pieces=strip_pieces,
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


def _mended(course: Course, given: _Line) -> list[_Line]:
    """Starts in place of a path that breaks rules: least radii, fewer IPs, a way onto fixed bearings."""
    line = given.copy()
    line.radii[1 : line.count + 1] = np.maximum(line.radii[1 : line.count + 1], course.radius)
    _reach_bearings(course, line)
    found = [line]
    for tolerance in MENDING:
        thinned = _thinned(course, line, tolerance)
        if thinned.count < found[-1].count:
            found.append(thinned)
    for one in found:
        held = holds(course, one.points, one.count, one.locked)
        one.price = _price(course, one, SOFT) if held else math.inf
    return found


def _reach_bearings(course: Course, line: _Line) -> None:
    """An IP on the ray of each fixed bearing that a fixed IP would otherwise have to leave its place for."""
    for at_start in (True, False):
        at, inner, spot = (0, 1, 1) if at_start else (line.count + 1, line.count, line.count + 1)
        fixed = course.start_fixed if at_start else course.end_fixed
        ray = np.array([course.start_u, course.start_v] if at_start else [-course.end_u, -course.end_v])
        leg = line.points[inner] - line.points[at]
        size = float(np.hypot(*leg))
        on_ray = abs(leg[0] * ray[1] - leg[1] * ray[0]) <= 1e-7 * size and leg @ ray > 0.0
        if not fixed or not line.locked[inner] or on_ray:
            continue
        turn = math.acos(float(np.clip(leg @ ray / size, -0.5, 1.0)))
        straight = course.at_start if at_start else course.at_end
        reach = min(2.0 + straight + 1.5 * course.radius * math.tan(turn / 2.0), 0.9 * size)
        for array, value in (
            (line.points, line.points[at] + reach * ray),
            (line.radii, course.radius),
            (line.locked, False),
        ):
            array[spot + 1 : line.count + 3] = array[spot : line.count + 2].copy()
            array[spot] = value
        line.count += 1


def _thinned(course: Course, line: _Line, tolerance: float) -> _Line:
    """Fewer IPs, none further than `tolerance` (cells) from the new legs; fixed IPs stay."""
    posts = [0, *np.flatnonzero(line.locked[: line.count + 1]).tolist(), line.count + 1]
    keep = [0]
    for first, last in pairwise(posts):
        keep += [first + k for k in _outline(line.points[first : last + 1], tolerance)[1:]]
    radii = np.where(line.locked[keep], line.radii[keep], course.radius)
    radii[[0, -1]] = 0.0
    return _room(line.points[keep], radii, line.locked[keep], len(keep) - 2)


def _outline(points: NDArray, tolerance: float) -> list[int]:
    """Indices that a polyline is simplified to (D. Douglas, T. Peucker 1973, from memory)."""
    if len(points) < 3:
        return list(range(len(points)))
    along = points[-1] - points[0]
    size = float(np.hypot(*along))
    off = points[1:-1] - points[0]
    away = np.abs(off @ [-along[1], along[0]]) / size if size > 0.0 else np.hypot(off[:, 0], off[:, 1])
    far = int(np.argmax(away)) + 1
    if away[far - 1] <= tolerance:
        return [0, len(points) - 1]
    return _outline(points[: far + 1], tolerance)[:-1] + [far + k for k in _outline(points[far:], tolerance)]


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


def _promising(course: Course, candidates: list[_Line], most: int) -> list[_Line]:
    """The path, and at most `most` of the others that may do better even with their penalties.

    A path that misses a fixed bearing is put onto its ray first, where it has an
    IP to do so.
    """
    path, *others = candidates
    if not math.isfinite(path.price):
        path = path.copy()
        held = holds(course, path.points, path.count, path.locked)
        soft = _price(course, path, SOFT) if held else math.inf
    else:
        soft = _price(course, path, SOFT)
    better = sorted((line for line in others if line.price < 1.2 * soft), key=lambda line: line.price)
    return [*([path] if math.isfinite(soft) else []), *better[:most]]


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
    penalties = [HARD] * ROUNDS if sound else SOFTENED
    for number, penalty in enumerate(penalties):
        before = line.price = _price(course, line, penalty)
        line.count, line.price = shorten(
            course, line.points, line.radii, line.locked, line.count, line.price,
            legs, arcs, penalty, LONGEST_RUN,
        )  # fmt: skip
        report((number + 0.4) / len(penalties))
        line.price = _polish(course, line, FALLING[2:], penalty)
        line.count, line.price = lengthen(
            course, line.points, line.radii, line.locked, line.count, line.price, legs, arcs, penalty
        )
        report((number + 0.7) / len(penalties))
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
        report((number + 1.0) / len(penalties))
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
