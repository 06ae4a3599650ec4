"""The straight that crosses a pinch and needs least of a rule there, by exact geometry.

The search's lines run through cell centres in few directions; where a gap is as
wide as a cell, or a slope can only be crossed at one angle, that misses what a
line may do. So the straight across the pinch is found by itself: any offset, any
bearing, measured on the finest seabed and against exact distances. The search
then joins it to the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import minimize

from corridor.routing.approach import segments_of
from corridor.routing.concession_give import Give, give_within
from corridor.routing.concession_ground import ClosedGround
from corridor.routing.concession_pass import Pinch
from corridor.routing.concession_rules import ANGLE, AREA, Rule
from corridor.terrain.sampling import slopes_at

BEARING_STEP_DEG = 4.0
KEPT = 6
POLISHED = 3
"""Straights of the first sweep that are compared; the best of them are polished."""

SPARE_CELLS = 1.5
"""Beyond its ends a straight has so much to spare that the search's grid can take over, cells."""

OTHERS_CELLS = 4.0
"""Where other rules leave little room, a straight is drawn on by at most so much, cells."""

MOST_SAMPLES = 160
BAD = 1e6
"""Counts for a straight that breaks another rule, above any need."""


@dataclass(frozen=True, slots=True)
class Pose:
    """A straight across a pinch.

    Attributes
    ----------
    leg : int
    from_m, to_m : (easting, northing)
        Its ends in the direction of increasing KP.
    bearing_deg : float
    give : float
        How far the rule in question must give on it.
    worst_m : (easting, northing)
        Where it needs that much.
    """

    leg: int
    from_m: tuple[float, float]
    to_m: tuple[float, float]
    bearing_deg: float
    give: float
    worst_m: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """Straights through one pinch: offset across the way at its middle, and bearing.

    `gives`: of every rule that closes ground, whether it is the one in question.
    """

    ground: ClosedGround
    rule: Rule
    pinch: Pinch
    reach_m: float
    spacing_m: float
    room_m: float
    sides: NDArray[np.uint8]
    gives: tuple[tuple[bool, Give], ...]
    segments: NDArray[np.float64]
    least_deg: NDArray[np.float64]
    straight_m: NDArray[np.float64]
    own: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Measured:
    """Straights as measured: (n,) arrays; `first`, `last` are samples, `score` ranks them.

    `forward`: samples run from the side of START to that of END.
    """

    score: NDArray[np.float64]
    give: NDArray[np.float64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    worst: NDArray[np.int64]
    at: NDArray[np.float64]
    forward: NDArray[np.bool_]


def best_poses(
    ground: ClosedGround,
    rule: Rule,
    pinch: Pinch,
    sides: NDArray[np.uint8],
    count: int = 3,
    room_m: float = 0.0,
) -> list[Pose]:
    """Straights across a pinch that break no other rule, the one that needs least first.

    Parameters
    ----------
    sides : array (cells,)
        Bit 1: ground before the pinch, bit 2: ground behind it. A straight counts
        as crossing when it joins the two.
    room_m : float
        So much further a straight must run without breaking a rule, for the line
        to bend into it.

    Returns
    -------
    list of Pose
        Up to `count` that differ; empty when no straight crosses without breaking another rule.
    """
    cell = ground.grid.cell_m
    reach = min(0.75 * pinch.length_m + 12.0 * cell + _widest(ground, rule), 4000.0)
    rough = _frame(ground, rule, pinch, sides, room_m, reach, max(2.0 * reach / MOST_SAMPLES, cell / 4.0))
    width = max(8.0 * cell, 0.25 * pinch.length_m)
    offsets = np.arange(-width, width + 0.1 * cell, cell / 2.0)
    if len(offsets) > 81:
        offsets = np.linspace(-width, width, 81)
    bearings = np.radians(np.arange(0.0, 180.0, BEARING_STEP_DEG))
    tried = np.array([(o, b) for b in bearings for o in offsets])
    chosen = _distinct(tried, _measure(rough, tried).score, cell)
    fine = _frame(ground, rule, pinch, sides, room_m, reach, max(2.0 * reach / (4 * MOST_SAMPLES), 0.5))
    poses = []
    for start in chosen[:POLISHED]:
        polished = _polish(fine, start, cell)
        measured = _measure(fine, polished[None, :])
        if measured.score[0] < BAD:
            poses.append(_pose(fine, polished, measured))
    poses.sort(key=lambda pose: pose.give)
    return poses[:count]


def _widest(ground: ClosedGround, rule: Rule) -> float:
    """How far beyond a pinch its rule may still be felt, m."""
    if rule.rule == "standoff_m":
        layer = ground.project.layer(rule.layer)
        spare = layer.position_uncertainty_m + ground.project.rules.lay_tolerance_m
        return float((layer.standoff_m + spare).max())
    if rule.kind == ANGLE:
        return 2.0 * ground.project.layer(rule.layer).straight_each_side_m
    return 0.0


def _frame(
    ground: ClosedGround,
    rule: Rule,
    pinch: Pinch,
    sides: NDArray,
    room_m: float,
    reach_m: float,
    spacing_m: float,
) -> _Frame:
    box = shapely.Point(pinch.easting_m, pinch.northing_m).buffer(reach_m * 1.5)
    gives = tuple(
        (
            closure.key == rule.key,
            give_within(ground, closure.key, box.bounds, SPARE_CELLS * ground.grid.cell_m),
        )
        for closure in ground.closures
    )
    segments, least, straight, own = [], [], [], []
    for layer in ground.project.layers:
        if layer.rule != "cross" or len(layer) == 0:
            continue
        pieces, _ = segments_of(layer.geometries)
        if len(pieces):
            lines = shapely.linestrings(pieces.reshape(-1, 2, 2))
            pieces = pieces[shapely.intersects(lines, box)]
        segments.append(pieces)
        least.append(np.full(len(pieces), layer.min_angle_deg))
        straight.append(np.full(len(pieces), layer.straight_each_side_m))
        own.append(np.full(len(pieces), layer.name == rule.layer and rule.kind == ANGLE))
    if not segments:
        empty = np.empty(0)
        return _Frame(
            ground,
            rule,
            pinch,
            reach_m,
            spacing_m,
            room_m,
            sides,
            gives,
            np.empty((0, 4)),
            empty,
            empty,
            np.empty(0, bool),
        )
    return _Frame(
        ground, rule, pinch, reach_m, spacing_m, room_m, sides, gives, np.concatenate(segments),
        np.concatenate(least), np.concatenate(straight), np.concatenate(own).astype(bool),
    )  # fmt: skip


def _measure(frame: _Frame, straights: NDArray) -> _Measured:
    """Measure straights (n, 2) of offset (m) and bearing (rad)."""
    ground, rule, pinch = frame.ground, frame.rule, frame.pinch
    half = int(math.ceil(frame.reach_m / frame.spacing_m))
    t = np.arange(-half, half + 1) * frame.spacing_m
    across = np.array([pinch.direction[1], -pinch.direction[0]])
    base = np.array([pinch.easting_m, pinch.northing_m]) + straights[:, :1] * across
    unit = np.column_stack([np.sin(straights[:, 1]), np.cos(straights[:, 1])])
    easting = base[:, :1] + t * unit[:, :1]
    northing = base[:, 1:] + t * unit[:, 1:]
    give, bad, own, other = _needs(frame, easting, northing, straights[:, 1:])
    must = np.zeros(give.shape, dtype=bool)
    _crossings(frame, base, unit, t, give, bad, must)
    first, last = _extent((give > 0.0) | bad, must, half)
    crossing, forward = _joins(frame, easting, northing, first, last)
    inside = _inside(give.shape, first, last)
    broken = (bad & inside).sum(axis=1)
    need = np.where(inside, give, 0.0).max(axis=1)
    # Straight as long as there is little to spare, so that the search's grid can take over beyond.
    little = SPARE_CELLS * ground.grid.cell_m
    tight = bad.copy()
    if rule.kind == AREA and rule.rule != "depth_range_m":
        tight |= own + need[:, None] < little
    else:
        tight |= give > 0.0
    first, last = _extent(tight, must, half)
    beyond = int((1.0 if rule.kind == ANGLE else OTHERS_CELLS) * ground.grid.cell_m / frame.spacing_m)
    tight |= (other < little) & _inside(give.shape, first - beyond, last + beyond)
    first, last = _extent(tight, must, half)
    inside = _inside(give.shape, first, last)
    more = int(math.ceil(frame.room_m / frame.spacing_m))
    inside |= _inside(give.shape, first - more, last + more)
    within = np.where(inside, give, 0.0)
    need = within.max(axis=1)
    broken = np.maximum(broken, (bad & inside).sum(axis=1))
    # Among equals the shortest, and the one nearest to the way.
    short = 1e-4 * (last - first) * frame.spacing_m / ground.grid.cell_m
    short += 1e-4 * np.abs(straights[:, 0]) / ground.grid.cell_m
    score = need / max(rule.tolerance(0.0), 1e-9) + short + BAD * (broken + 10.0 * ~crossing)
    return _Measured(
        score, need, first, last, within.argmax(axis=1), np.stack([easting, northing], axis=-1), forward
    )


def _joins(
    frame: _Frame, easting: NDArray, northing: NDArray, first: NDArray, last: NDArray
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether straights join the ground before the pinch and behind it, and whether in this direction."""
    grid, each = frame.ground.grid, np.arange(len(first))[:, None]
    # A free place may lie in a cell whose centre is not: look on outwards a little.
    further = int(math.ceil(2.0 * grid.cell_m / frame.spacing_m))
    steps = np.arange(0, further + 1, max(1, further // 4))
    sides = []
    for sample, way in ((first, -1), (last, 1)):
        at = np.minimum(np.maximum(sample[:, None] + way * steps, 0), easting.shape[1] - 1)
        u, v = grid.to_cells(easting[each, at], northing[each, at])
        col = np.minimum(np.maximum(np.floor(u).astype(int), 0), grid.cols - 1)
        row = np.minimum(np.maximum(np.floor(v).astype(int), 0), grid.rows - 1)
        sides.append(np.bitwise_or.reduce(frame.sides[row * grid.cols + col], axis=1))
    found = (first > 0) & (last < easting.shape[1] - 1)
    forward = (sides[0] & 1 > 0) & (sides[1] & 2 > 0)
    back = (sides[0] & 2 > 0) & (sides[1] & 1 > 0)
    return found & (forward | back), forward


def _needs(
    frame: _Frame, easting: NDArray, northing: NDArray, bearing: NDArray
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """At samples: how far the rule in question must give, where another rule is broken, and what
    there is to spare beyond the zones of the rule in question and of the others (m)."""
    ground, rule = frame.ground, frame.rule
    give = np.zeros(easting.shape)
    bad = np.zeros(easting.shape, dtype=bool)
    own, other = np.full(easting.shape, np.inf), np.full(easting.shape, np.inf)
    for mine, give_of in frame.gives:
        here, left = give_of(easting, northing)
        if mine:
            give, own = np.maximum(give, here), np.minimum(own, left)
        else:
            bad |= here > 1e-6
            other = np.minimum(other, left)
    surface, rules = ground.surface, ground.project.rules
    along, across = slopes_at(
        ground.project.seabed,
        easting,
        northing,
        np.broadcast_to(bearing, easting.shape),
        rules.slope_baseline_m,
    )
    for tangent, limit, name in (
        (along, surface.tan_along, "max_slope_along_deg"),
        (across, surface.tan_across, "max_slope_across_deg"),
    ):
        over = np.nan_to_num(np.abs(tangent)) - limit
        over[over <= 1e-6 * limit] = 0.0
        if rule.rule == name:
            give = np.maximum(give, over)
        else:
            bad |= over > 0.0
    return give, bad, own, other


def _crossings(
    frame: _Frame, base: NDArray, unit: NDArray, t: NDArray, give: NDArray, bad: NDArray, must: NDArray
) -> None:
    """Enter the crossings of assets: their angles, and the straight that each needs (in place)."""
    for (e1, n1, e2, n2), least, straight, own in zip(
        frame.segments, frame.least_deg, frame.straight_m, frame.own, strict=True
    ):
        de, dn = e2 - e1, n2 - n1
        size = math.hypot(de, dn)
        area = unit[:, 0] * dn - unit[:, 1] * de
        with np.errstate(divide="ignore", invalid="ignore"):
            along = ((e1 - base[:, 0]) * dn - (n1 - base[:, 1]) * de) / area
            part = ((e1 - base[:, 0]) * unit[:, 1] - (n1 - base[:, 1]) * unit[:, 0]) / area
        hit = np.flatnonzero((part >= 0.0) & (part <= 1.0) & (np.abs(along) <= t[-1]) & (area != 0.0))
        if hit.size == 0:
            continue
        angle = np.degrees(np.arcsin(np.minimum(np.abs(area[hit]) / size, 1.0)))
        sample = np.clip(np.round((along[hit] - t[0]) / (t[1] - t[0])).astype(int), 0, len(t) - 1)
        short = np.maximum(least - angle, 0.0)
        short[short < 1e-9] = 0.0
        if own:
            give[hit, sample] = np.maximum(give[hit, sample], short)
        else:
            bad[hit, sample] |= short > 0.0
        must[hit] |= np.abs(t[None, :] - along[hit, None]) <= straight + (t[1] - t[0])


def _extent(tight: NDArray, must: NDArray, middle: int) -> tuple[NDArray, NDArray]:
    """First and last sample of the stretch around the middle that must be straight.

    It starts from the sample nearest to the middle that is tight or must be
    straight, and reaches to the first free ones on both sides.
    """
    count = tight.shape[1]
    hold = tight | must
    index = np.arange(count)
    near = np.abs(index - middle) <= max(4, count // 3)
    some = (hold & near).any(axis=1)
    anchor = np.where(some, np.where(hold & near, -np.abs(index - middle), -count).argmax(axis=1), middle)
    free = ~hold
    before = np.where(free & (index[None, :] < anchor[:, None]), index, -1).max(axis=1)
    after = np.where(free & (index[None, :] > anchor[:, None]), index, count).min(axis=1)
    return np.maximum(before, 0), np.minimum(after, count - 1)


def _inside(shape: tuple[int, ...], first: NDArray, last: NDArray) -> NDArray[np.bool_]:
    index = np.arange(shape[1])[None, :]
    return (index >= first[:, None]) & (index <= last[:, None])


def _distinct(straights: NDArray, score: NDArray, cell: float) -> list[NDArray]:
    """The best straights that differ from each other by more than a cell or a few steps of bearing."""
    chosen: list[NDArray] = []
    for k in np.argsort(score, kind="stable")[: 40 * KEPT]:
        if score[k] >= 10.0 * BAD:
            break
        apart = [
            abs(straights[k, 0] - other[0]) > 2.0 * cell
            or abs((straights[k, 1] - other[1] + math.pi / 2) % math.pi - math.pi / 2)
            > math.radians(3.0 * BEARING_STEP_DEG)
            for other in chosen
        ]
        if all(apart):
            chosen.append(straights[k])
        if len(chosen) == KEPT:
            break
    return chosen


_AROUND = np.array(
    [(i, j) for i in (-1.0, -0.5, 0.0, 0.5, 1.0) for j in (-1.0, -0.5, 0.0, 0.5, 1.0) if i or j]
)

SIMPLEX = ((0.1, 1.0), (0.01, 0.1))
"""First steps of the simplex search: share of a cell, degrees."""


def _polish(frame: _Frame, start: NDArray, cell: float) -> NDArray:
    """The best straight near a first one: a pattern search, then Nelder and Mead's simplex.

    Straights are turned about their worst place, where a turn by itself costs
    least, and shifted. At the best one several places need equally much, so the
    need has a crease there that a fixed pattern cannot follow; a simplex can.
    (J. A. Nelder, R. Mead 1965, *Comput. J.* 7, as in scipy.)
    """
    best = start.copy()
    measured = _measure(frame, best[None, :])
    step = np.array([cell / 2.0, math.radians(BEARING_STEP_DEG / 2.0)])
    for _ in range(8):
        for _ in range(6):
            pivot = measured.at[0, measured.worst[0]]
            around = _turned(frame, pivot, best[1], _AROUND * step)
            if around.size == 0:
                break
            others = _measure(frame, around)
            k = int(others.score.argmin())
            if others.score[k] >= measured.score[0]:
                break
            best, measured = around[k], _measure(frame, around[k][None, :])
        step = step / 2.0
    for share, degrees in SIMPLEX:
        best = _simplex(frame, best, share * cell, math.radians(degrees))
    return best


def _simplex(frame: _Frame, start: NDArray, offset: float, turn: float) -> NDArray:
    measured = _measure(frame, start[None, :])
    pivot, value = measured.at[0, measured.worst[0]], measured.score[0]

    def score(change: NDArray) -> float:
        straight = _turned(frame, pivot, start[1], (change * (offset, turn))[None, :])
        return float(_measure(frame, straight).score[0]) if len(straight) else 20.0 * BAD

    result = minimize(
        score, np.zeros(2), method="Nelder-Mead",
        options={
            "initial_simplex": [[0.0, 0.0], [1.0, 0.3], [-0.3, 1.0]],
            "maxfev": 90, "xatol": 1e-3, "fatol": 1e-4,
        },
    )  # fmt: skip
    if result.fun >= value:
        return start
    return _turned(frame, pivot, start[1], (result.x * (offset, turn))[None, :])[0]


def _turned(frame: _Frame, pivot: NDArray, bearing: float, change: NDArray) -> NDArray[np.float64]:
    """Straights (n, 2) through a place shifted sideways, with the bearing changed by so much."""
    to = bearing + change[:, 1]
    unit = np.column_stack([np.sin(to), np.cos(to)])
    through = pivot + change[:, :1] * np.column_stack([unit[:, 1], -unit[:, 0]])
    across = np.array([frame.pinch.direction[1], -frame.pinch.direction[0]])
    away = through - np.array([frame.pinch.easting_m, frame.pinch.northing_m])
    area = across[0] * unit[:, 1] - across[1] * unit[:, 0]
    good = np.abs(area) > 1e-3
    offset = (away[:, 0] * unit[:, 1] - away[:, 1] * unit[:, 0])[good] / area[good]
    return np.column_stack([offset, to[good]])


def _pose(frame: _Frame, straight: NDArray, measured: _Measured) -> Pose:
    """The straight from its first to its last sample, in the direction of the way."""
    a, b = measured.at[0, measured.first[0]], measured.at[0, measured.last[0]]
    unit = np.array([math.sin(straight[1]), math.cos(straight[1])])
    if not measured.forward[0]:
        a, b, unit = b, a, -unit
    worst = measured.at[0, measured.worst[0]]
    return Pose(
        leg=frame.pinch.leg,
        from_m=(float(a[0]), float(a[1])),
        to_m=(float(b[0]), float(b[1])),
        bearing_deg=math.degrees(math.atan2(unit[0], unit[1])) % 360.0,
        give=float(measured.give[0]),
        worst_m=(float(worst[0]), float(worst[1])),
    )
