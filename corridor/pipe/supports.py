"""The fewest supports that cure a span, found by laying the pipe on them again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.model.pipe import Environment, Pipe
from corridor.model.results import Table
from corridor.pipe.cases import CaseResult, run_case
from corridor.pipe.earthworks import berm_volume_m3
from corridor.pipe.ground import Ground
from corridor.pipe.onbottom import BucklingError
from corridor.pipe.screening import CROSSFLOW, STRESS
from corridor.pipe.section import equivalent_stress, section, stress_parts
from corridor.pipe.verdict import SUPPORT, verdicts
from corridor.progress import Progress, silent

WINDOW_M = 250.0
"""Seabed laid again beyond a span while supports for it are tried."""

REACH_M = 30.0
"""A support is answerable for spans this far beyond its own, and for half a length at least."""

LIFTS = (0.25, 0.5, 0.75, 1.0)
"""Heights tried: shares of the way from the pipe as it hangs up to the line between its shoulders."""

LEAST_LIFT_M = 0.02
HOPELESS = 2.5
"""A worst use above this is not mended by moving supports: take one more."""

WORSE = 1.02
"""A neighbouring span that fails already may use this much more of its limit than before."""

APART_M = 100.0
"""Places nearer to each other than this are not cured in the same round."""

ROUNDS = 10
"""The whole line is laid again after each round."""


@dataclass(frozen=True, slots=True)
class Support:
    """A berm under the pipe: its place, the elevation of its crest and the span it is for."""

    station_m: float
    top_m: float
    span: int


@dataclass(frozen=True, slots=True)
class Place:
    """A stretch of the line, in stations, and the number of its span."""

    span: int
    left_m: float
    right_m: float

    @property
    def length_m(self) -> float:
        """Its length."""
        return self.right_m - self.left_m

    def overlap_m(self, left_m: float, right_m: float) -> float:
        """Length shared with another stretch; negative: the distance to it."""
        return min(self.right_m, right_m) - max(self.left_m, left_m)

    def joined(self, left_m: float, right_m: float) -> Place:
        """The stretch from the first to the last end of both."""
        return Place(self.span, min(self.left_m, left_m), max(self.right_m, right_m))


@dataclass(frozen=True, slots=True, eq=False)
class Cure:
    """Supports found, the line laid on them, and the spans they could not cure.

    `buckled`: the whole line buckled on supports of one round, which took back all of that round.
    """

    supports: tuple[Support, ...]
    results: tuple[CaseResult, ...]
    uncured: tuple[int, ...]
    buckled: bool = False


def cure(
    results: Sequence[CaseResult],
    listed: Sequence[Place],
    pipe: Pipe,
    environment: Environment,
    progress: Progress = silent,
) -> Cure:
    """Find supports for every span with the verdict *support*, and lay the whole line on them.

    For each place the number of supports grows from one; for each number they are
    spread evenly at several heights, then moved one at a time while the worst use
    of a limit falls. The first number with which every span there is acceptable in
    every load case is taken: the fewest this search finds. The worst places come
    first; places close to one of them wait, since its cure may be theirs. Then the
    whole line is laid again and what still fails is searched again, a place that
    has supports already with one more than before.

    Parameters
    ----------
    results : sequence of CaseResult
        The load cases, laid without supports.
    listed : sequence of Place
        All listed spans.
    """
    placed: dict[int, list[Support]] = {}
    uncured: set[int] = set()
    current, buckled = tuple(results), False
    for _ in range(ROUNDS):
        failing = [place for place in _failing(current, listed, pipe) if place.span not in uncured]
        if not failing:
            break
        turn = _far_apart(failing)
        for number, place in enumerate(turn):
            progress("supports", number / len(turn))
            fewest = 1 + len(placed.pop(place.span, []))
            fixed = [support for group in placed.values() for support in group]
            others = [other for other in failing if other is not place]
            found = _Trial(results, place, others, fixed, pipe, environment).fewest(fewest)
            if found is None:
                uncured.add(place.span)
            else:
                placed[place.span] = found
        supports = [support for group in placed.values() for support in group]
        try:
            current = tuple(_lay_on(result, supports, pipe, environment) for result in results)
        except BucklingError:
            # Raised on these supports the compressed pipe buckles somewhere: they are no cure.
            buckled = True
            for place in turn:
                placed.pop(place.span, None)
                uncured.add(place.span)
    uncured.update(place.span for place in _failing(current, listed, pipe))
    supports = sorted((s for group in placed.values() for s in group), key=lambda s: s.station_m)
    return Cure(tuple(supports), current, tuple(sorted(uncured)), buckled)


def support_table(cured: Cure, bare: Sequence[CaseResult], pipe: Pipe) -> Table:
    """Supports in the order of the line.

    Columns: support, span, kp_km, height_m (crest over the lowest seabed under
    it), crest_depth_m, reaction_kN (largest of the load cases), rock_m3.
    """
    ground = bare[0].ground
    reach = math.ceil(pipe.berm_crest_m / 2 / ground.h)
    heights, reactions = [], []
    for support in cured.supports:
        node = ground.node(support.station_m)
        under = slice(max(node - reach, 0), node + reach + 1)
        heights.append(support.top_m - ground.z[under].min())
        reactions.append(max(float(result.laid.reaction[under].sum()) for result in cured.results))
    height = np.array(heights, dtype=float)
    return {
        "support": np.arange(1, len(height) + 1),
        "span": np.array([support.span for support in cured.supports], dtype=np.int64),
        "kp_km": np.array([support.station_m for support in cured.supports], dtype=float) / 1e3,
        "height_m": height,
        "crest_depth_m": -np.array([support.top_m for support in cured.supports], dtype=float),
        "reaction_kN": np.array(reactions, dtype=float) / 1e3,
        "rock_m3": berm_volume_m3(height, pipe.berm_crest_m, pipe.berm_side_slope),
    }


def _failing(results: Sequence[CaseResult], listed: Sequence[Place], pipe: Pipe) -> list[Place]:
    """Places with a span to support in some load case, the worst first.

    Each is joined to the listed span nearest to it.
    """
    places: dict[int, Place] = {}
    worst: dict[int, float] = {}
    starts = np.array([place.left_m for place in listed])
    ends = np.array([place.right_m for place in listed])
    for result in results:
        codes, _ = verdicts(result, pipe)
        left, right, use = _uses(result, pipe)
        for s in np.flatnonzero(codes == SUPPORT):
            overlap = np.minimum(ends, right[s]) - np.maximum(starts, left[s])
            nearest = listed[int(np.argmax(overlap))]
            place = places.get(nearest.span, nearest)
            places[nearest.span] = place.joined(float(left[s]), float(right[s]))
            worst[nearest.span] = max(worst.get(nearest.span, 0.0), float(use[s]))
    return sorted(places.values(), key=lambda place: -worst[place.span])


def _far_apart(places: Sequence[Place]) -> list[Place]:
    """The places that are not close to an earlier one."""
    chosen: list[Place] = []
    for place in places:
        if all(place.overlap_m(other.left_m, other.right_m) < -APART_M for other in chosen):
            chosen.append(place)
    return chosen


def _lay_on(
    result: CaseResult, supports: Sequence[Support], pipe: Pipe, environment: Environment
) -> CaseResult:
    return run_case(
        _with_berms(result.ground, supports, pipe),
        result.case,
        pipe,
        environment,
        tension_N=result.laid.tension_N,
        guess=result.laid.touching,
    )


def _with_berms(ground: Ground, supports: Sequence[Support], pipe: Pipe) -> Ground:
    stations = [support.station_m for support in supports]
    tops = [support.top_m for support in supports]
    return ground.with_humps(stations, tops, pipe.berm_crest_m, pipe.berm_side_slope)


_Uses = tuple[NDArray, NDArray, NDArray]
"""Ends of spans, in stations, and the largest share of a limit each uses."""


def _uses(result: CaseResult, pipe: Pipe) -> _Uses:
    screened, ground = result.screened, result.ground
    ok_wanted = pipe.supports_reach == "ok"
    limits = screened.use if ok_wanted else screened.use[:, [STRESS, CROSSFLOW]]
    use = np.nan_to_num(limits, nan=0.0, posinf=np.inf).max(axis=1, initial=0.0)
    if ok_wanted:
        # A span without a mode of its own would read "assess": just not good enough.
        use = np.where(np.isnan(screened.inline_hz), np.maximum(use, 1.01), use)
    return ground.station_m(result.spans.left), ground.station_m(result.spans.right), use


class _Trial:
    """One place, cut out of the line, on which supports are tried."""

    def __init__(
        self,
        results: Sequence[CaseResult],
        place: Place,
        others: Sequence[Place],
        fixed: Sequence[Support],
        pipe: Pipe,
        environment: Environment,
    ):
        self.place, self.others, self.pipe, self.environment = place, others, pipe, environment
        self.reach_m = max(REACH_M, place.length_m / 2)
        whole = results[0].ground
        first = max(whole.node(place.left_m - WINDOW_M), 0)
        last = min(whole.node(place.right_m + WINDOW_M), len(whole.z))
        ground = whole.cut(first, last)
        near = [s for s in fixed if ground.station_m(0) < s.station_m < ground.station_m(last - first - 1)]
        self.ground = _with_berms(ground, near, pipe)
        self.cases = [
            (r.case, r.laid.tension_N[first : last - 1], r.laid.touching[first:last], _uses(r, pipe))
            for r in results
        ]
        self.hanging = results[0].laid.w[first:last]

    def fewest(self, least: int) -> list[Support] | None:
        """The supports of the first number that cures the place; None if none does."""
        for count in range(least, self.pipe.supports_per_span_most + 1):
            even = self.place.left_m + self.place.length_m * np.arange(1, count + 1) / (count + 1)
            use, lift = min((self._use(even, lift), lift) for lift in LIFTS)
            stations = even
            if 1 < use < HOPELESS:
                use, stations, lift = self._moved(use, even, lift)
            if use <= 1:
                return self._supports(stations, self._lowest(stations, lift))
        return None

    def _lowest(self, stations: NDArray, lift: float) -> float:
        """The least of the heights tried that still cures: less rock."""
        return next((low for low in LIFTS if low < lift and self._use(stations, low) <= 1), lift)

    def _moved(self, use: float, stations: NDArray, lift: float) -> tuple[float, NDArray, float]:
        """Move one support at a time, by less and less, and change the height, while that helps."""
        step = self.place.length_m / (len(stations) + 1) / 4
        while use > 1 and step > self.ground.h:
            better = False
            moves = [(j, sign * step) for j in range(len(stations)) for sign in (1, -1)]
            for j, move in moves:
                trial = stations.copy()
                trial[j] += move
                tried = self._use(trial, lift, use)
                if tried < use:
                    use, stations, better = tried, trial, True
            for other in LIFTS:
                tried = self._use(stations, other, use) if other != lift else np.inf
                if tried < use:
                    use, lift, better = tried, other, True
            if not better:
                step /= 2
        return use, stations, lift

    def _supports(self, stations: NDArray, lift: float) -> list[Support]:
        left, right = self.ground.node(self.place.left_m), self.ground.node(self.place.right_m)
        supports = []
        for station in stations:
            node = self.ground.node(float(station))
            straight = np.interp(node, [left, right], self.hanging[[left, right]])
            raised = max(lift * (straight - self.hanging[node]), LEAST_LIFT_M)
            at = float(self.ground.station_m(node))
            supports.append(Support(at, float(self.hanging[node] + raised), self.place.span))
        return supports

    def _use(self, stations: NDArray, lift: float, enough: float = np.inf) -> float:
        """Largest share of a limit used near the place, over all load cases, on these supports.

        Load cases are left out once `enough` is reached: such supports are no improvement.
        """
        ground = _with_berms(self.ground, self._supports(stations, lift), self.pipe)
        reach = self.place.left_m - self.reach_m, self.place.right_m + self.reach_m
        worst = 0.0
        for case, tension, touching, bare in self.cases:
            try:
                result = run_case(
                    ground,
                    case,
                    self.pipe,
                    self.environment,
                    tension_N=tension,
                    guess=touching,
                    stations_m=reach,
                )
            except BucklingError:
                return np.inf
            worst = max(worst, self._worst_span(result, bare), self._worst_bend(result))
            if worst >= enough:
                break
        return worst

    def _worst_span(self, result: CaseResult, bare: _Uses) -> float:
        """Worst use of a limit: by the place's own spans, and by neighbours beyond what they had before."""
        left, right, use = _uses(result, self.pipe)
        mine = (right > self.place.left_m) & (left < self.place.right_m)
        near = ~mine
        for other in self.others:
            near &= (right <= other.left_m) | (left >= other.right_m)
        worst = use[mine].max(initial=0.0)
        for s in np.flatnonzero(near):
            before = bare[2][(bare[1] > left[s]) & (bare[0] < right[s])].max(initial=0.0)
            worst = max(worst, use[s] / max(1.0, WORSE * before))
        return float(worst)

    def _worst_bend(self, result: CaseResult) -> float:
        """Stress over the supports themselves, also where the spans beside them are too short to list."""
        if self.pipe.yield_strength_MPa is None:
            return 0.0
        ground, laid = result.ground, result.laid
        near = slice(ground.node(self.place.left_m), ground.node(self.place.right_m) + 1)
        depth = -ground.z[near]
        pressure = result.case.overpressure_Pa(depth, self.environment.water_density_kg_m3)
        tension = laid.tension_N[near.start : near.stop]
        parts = stress_parts(section(self.pipe, self.environment), laid.moment[near], tension, pressure)
        limit = self.pipe.stress_fraction_of_yield * self.pipe.yield_strength_MPa * 1e6
        return float(equivalent_stress(*parts).max()) / limit
