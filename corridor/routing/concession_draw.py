"""Draw a line so that one rule gives as little as it can, on the finest seabed and by exact geometry.

The search knows few directions and a cell's mean slope; what it finds is a line
to start from. Here its intersection points and radii move freely. What every
place of the line asks of every rule is a function of them; its largest value is
made as small as possible by a sequence of linear programmes with a trust region
(minimax by successive linear programming, K. Madsen 1975, *J. Inst. Math. Appl.* 16,
from memory). All other rules are held as constraints, so that the result is a line
that breaks nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linprog

from corridor.model.alignment import Alignment
from corridor.model.rules import RouteEnd
from corridor.progress import Progress, silent
from corridor.routing.concession_change import change_of_terms, difference_of_terms
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_rules import ANGLE, SLOPE, Rule
from corridor.routing.concession_terms import Layout, Terms, layout_of, terms_of
from corridor.routing.geometry import NO_BEND_RAD, bends

MOST_IPS = 8
"""Intersection points that move: those nearest to where the rule gives way."""

ROUNDS = 40
FIRST_STEP_M, LAST_STEP_M = 60.0, 0.02
RADIUS_SCALE = 20.0
"""A metre of an IP counts like so many of a radius."""

AGAIN_STEP_M, AGAIN_GAIN = 4.0, 0.05
"""The trust region is opened again, m, when it gained so much before it closed, units."""

DIFFERENCE_M = 0.25
PENALTY = 20.0
"""Of a breach of any other rule, against the rule in question, in their units (see `concession_terms`)."""

LENGTH_PRICE = 2e-5
"""Among lines that need equally much the shorter one."""

IDLE_ROUNDS, IDLE_GAIN = 8, 0.05
"""It stops after so many rounds in a row that gained no more than this in all, units."""

SOUND = 2e-3
"""Breach of other rules that is rounding: mm, thousandths of a degree."""

SLOWER = 1e-3
"""Gain of a round, in units, below which the trust region shrinks."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A line and how far the rule must give on it; `sound`: it breaks nothing else where it was drawn."""

    line: Alignment
    give: float
    sound: bool


def draw(
    ground: ClosedGround, rule: Rule, line: Alignment, near: Sequence[tuple[float, float]] = (),
    enough: float = 0.0, most_ips: int = MOST_IPS, rounds: int = ROUNDS, progress: Progress = silent,
) -> Drawn:  # fmt: skip
    """Move the IPs of a line near some places until the rule gives as little as it can.

    Parameters
    ----------
    near : sequence of (easting, northing)
        Where the rule gives way; where the line needs most when empty.
    enough : float
        A give with which to stop.
    """
    line = plain(line)
    free = _free(ground, rule, line, near, most_ips)
    if free.size == 0:
        return Drawn(line, *_state(ground, rule, line, _whole(line)))
    progress("explanation", 0.0)
    unit = unit_of(rule)
    terms = terms_of(ground, rule, line, (ROUNDS + 2) * 0.25 * FIRST_STEP_M)
    now = _Point(line, *_merit(terms, line, layout_of(terms, line, free), enough * unit))
    step, before = FIRST_STEP_M, now.merit
    merits: list[float] = []
    for _ in range(rounds):
        if now.need <= enough * unit and now.breach <= SOUND:
            break
        merits.append(now.merit)
        if (
            rule.kind == SLOPE
            and len(merits) > IDLE_ROUNDS
            and merits[-1 - IDLE_ROUNDS] - now.merit < IDLE_GAIN
        ):
            break
        if step < LAST_STEP_M:
            # A crease may have stopped it: once more with a fresh region, as long as that pays.
            if before - now.merit < AGAIN_GAIN:
                break
            step, before = AGAIN_STEP_M, now.merit
        jump = _programme(terms, now, free, step, enough * unit)
        if jump is None:
            step *= 0.3
            continue
        moved = _moved(now.line, free, jump)
        if moved is None:
            step *= 0.4
            continue
        other = _Point(moved, *_merit(terms, moved, layout_of(terms, moved, free), enough * unit))
        gain = now.merit - other.merit
        if gain > 0.0:
            now = other
            step = min(step * (1.5 if gain > 20.0 * SLOWER else 0.6), 2.0 * FIRST_STEP_M)
        else:
            step *= 0.4
    return Drawn(now.line, max(now.need, 0.0) / unit, now.breach <= SOUND)


def unit_of(rule: Rule) -> float:
    """Units of the terms for each unit of give: metres as they are, tangents in thousandths."""
    return {SLOPE: 1000.0, ANGLE: 5.0}.get(rule.kind, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """A line under work: what the rule needs, what else is broken (units), and both with the length."""

    line: Alignment
    need: float
    breach: float
    merit: float


def plain(line: Alignment) -> Alignment:
    """The line without points that hardly turn it."""
    turn = np.abs(bends(line).deflection_rad)
    keep = turn >= 10.0 * NO_BEND_RAD
    keep[[0, -1]] = True
    if keep.all():
        return line
    return Alignment(line.easting_m[keep], line.northing_m[keep], line.radius_m[keep], line.crs)


def worst_place(ground: ClosedGround, rule: Rule, line: Alignment) -> tuple[float, float]:
    """Where on the line the rule needs most; its middle where it needs nothing."""
    terms = terms_of(ground, rule, line, 0.0)
    place = terms.worst_place(line, layout_of(terms, line, _whole(line)))
    return place or (float(line.easting_m.mean()), float(line.northing_m.mean()))


def worst_breach(ground: ClosedGround, rule: Rule, line: Alignment) -> tuple[float, float] | None:
    """Where on the line another rule is broken most; None where none is."""
    terms = terms_of(ground, rule, line, 0.0)
    return terms.worst_place(line, layout_of(terms, line, _whole(line)), others=True, beyond=SOUND)


def _whole(line: Alignment) -> NDArray[np.int64]:
    return np.arange(1, max(line.bends, 1) + 1)


def _state(ground: ClosedGround, rule: Rule, line: Alignment, free: NDArray) -> tuple[float, bool]:
    terms = terms_of(ground, rule, line, 0.0)
    need, breach, _ = _merit(terms, line, layout_of(terms, line, free))
    return max(need, 0.0) / unit_of(rule), breach <= SOUND


def _free(
    ground: ClosedGround, rule: Rule, line: Alignment, near: Sequence[tuple[float, float]],
    most: int = MOST_IPS,
) -> NDArray[np.int64]:  # fmt: skip
    """Rows of the IPs that move: a run of them around the places, none that a via point holds."""
    if line.bends == 0:
        return _whole(line)[:0]
    loose = np.setdiff1d(_whole(line), held_by_via(line, ground.project.via))
    runs = np.split(loose, np.flatnonzero(np.diff(loose) > 1) + 1)
    near = near or (worst_place(ground, rule, line),)
    places = np.asarray(near, dtype=float).mean(axis=0)
    away = np.hypot(line.easting_m - places[0], line.northing_m - places[1])
    # The run of IPs whose furthest is nearest; where all runs are short, the one with the nearest IP.
    run = min(runs, key=lambda rows: away[rows].min(initial=np.inf))
    spans = [run[first : first + most] for first in range(max(len(run) - most, 0) + 1)]
    return min(spans, key=lambda rows: away[rows].max(initial=0.0))


def held_by_via(line: Alignment, via: Sequence[RouteEnd]) -> NDArray[np.int64]:
    """Rows of the IPs on which the straights through via points hang: both ends' arcs hang on four."""
    if not via:
        return _whole(line)[:0]
    held = set()
    for point in via:
        leg = leg_at(line, point)
        held |= set(range(leg - 1, leg + 3))
    return np.array(sorted(held & set(range(1, line.bends + 1))), dtype=np.int64)


def leg_at(line: Alignment, point: RouteEnd) -> int:
    """Row at which the leg through a via point begins."""
    ips = np.column_stack([line.easting_m, line.northing_m])
    legs = shapely.linestrings(np.stack([ips[:-1], ips[1:]], axis=1))
    return int(np.argmin(shapely.distance(legs, shapely.Point(point.easting, point.northing))))


def _merit(terms: Terms, line: Alignment, layout: Layout, enough: float = 0.0) -> tuple[float, float, float]:
    """What the rule needs, the largest breach of another, and the figure to make small (units)."""
    value, own = terms.values(line, layout)
    need = float(value[own].max(initial=0.0))
    breach = float(value[~own].max(initial=0.0))
    return need, breach, max(need, enough) + PENALTY * breach + LENGTH_PRICE * _length_m(line)


def _length_m(line: Alignment) -> float:
    curve = bends(line)
    return float(curve.straight_m.sum() + curve.arc_m.sum())


def _programme(
    terms: Terms, now: _Point, free: NDArray[np.int64], step: float, enough: float
) -> NDArray[np.float64] | None:
    """The best jump within the trust region of the linearised terms; (east, north, radius) per IP."""
    layout = layout_of(terms, now.line, free)
    value, own = terms.values(now.line, layout)
    count = 3 * len(free)
    moves: list[tuple[int, Alignment]] = []
    for k in range(count):
        jump = np.zeros(count)
        jump[k] = DIFFERENCE_M
        other = _moved(now.line, free, jump, check=False)
        if other is None:
            return None
        moves.append((int(free[k // 3]), other))
    # Where slopes are in question they are looked at along most of the line.
    change = change_of_terms if terms.rule.kind == SLOPE else difference_of_terms
    slope = change(terms, now.line, layout, value, moves, DIFFERENCE_M)
    base = _length_m(now.line)
    length = np.array([_length_m(other) - base for _, other in moves]) / DIFFERENCE_M
    reach = np.abs(slope).sum(axis=1) * step
    low = max(enough, 0.0)
    kept = np.isfinite(value) & (value + reach > np.where(own, low, 0.0) - 1e-9)
    # Unknowns: the jump, then the need, then the largest breach.
    rows = np.column_stack([slope[kept], -own[kept].astype(float), -(~own[kept]).astype(float)])
    cost = np.concatenate([LENGTH_PRICE * length, [1.0, PENALTY]])
    bounds = [(-step, step)] * count + [(low, None), (0.0, None)]
    equal, zero = _rays(terms, now.line, free)
    result = linprog(
        cost, A_ub=rows, b_ub=-value[kept], A_eq=equal, b_eq=zero, bounds=bounds, method="highs-ds"
    )
    return result.x[:count] if result.status == 0 else None


def _rays(
    terms: Terms, line: Alignment, free: NDArray[np.int64]
) -> tuple[NDArray[np.float64] | None, NDArray[np.float64] | None]:
    """The first and the last IP stay on the rays of fixed bearings."""
    count = 3 * len(free)
    found = []
    for direction, row in ((terms.start_direction, 1), (terms.end_direction, line.bends)):
        where = np.flatnonzero(free == row)
        if direction is not None and where.size:
            equation = np.zeros(count + 2)
            equation[3 * where[0]] = direction[1]
            equation[3 * where[0] + 1] = -direction[0]
            found.append(equation)
    return (np.array(found), np.zeros(len(found))) if found else (None, None)


def _moved(
    line: Alignment, free: NDArray[np.int64], jump: NDArray[np.float64], check: bool = True
) -> Alignment | None:
    """The line with its free IPs moved; None where a leg would turn back."""
    east, north, radius = line.easting_m.copy(), line.northing_m.copy(), line.radius_m.copy()
    change = jump.reshape(-1, 3)
    east[free] += change[:, 0]
    north[free] += change[:, 1]
    radius[free] = np.maximum(radius[free] + RADIUS_SCALE * change[:, 2], 1.0)
    moved = Alignment(east, north, radius, line.crs)
    if check:
        curve = bends(moved)
        if (np.abs(curve.deflection_rad) > 2.9).any() or (curve.straight_m < -50.0).any():
            return None
    return moved
