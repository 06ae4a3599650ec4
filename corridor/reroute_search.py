"""The search behind a reroute: which changes, on how much ground, verified on the finest seabed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from copy import copy
from dataclasses import dataclass, replace
from threading import Lock
from typing import NoReturn

import numpy as np
import shapely

from corridor.assess.assess import assess
from corridor.assess.cost import line_cost
from corridor.assess.crossings import find_crossings
from corridor.assess.ground_rules import check_spacing_m
from corridor.errors import NoRouteError
from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.project import Project
from corridor.model.reroute import Clash, RerouteSettings
from corridor.model.results import Assessment, Breach, CostSurface
from corridor.model.rules import RouteEnd
from corridor.progress import Progress, silent
from corridor.routing import measure
from corridor.routing.chainage import station_of
from corridor.routing.change_sets import Asked, cheapest_set
from corridor.routing.clashes import clusters_of, half_size
from corridor.routing.geometry import Elements, at_station, densify, elements
from corridor.routing.profile import ground_profile
from corridor.routing.reroute import Change, change_line
from corridor.routing.reroute_ground import GROWTH, least_cost_between, outside_costs_more, window
from corridor.routing.tie_ins import Stretch, stretches_to_leave
from corridor.terrain.cost import GEOMETRY_RULES, cost_surface, part_of, search_grid, tighten
from corridor.workflow import SLOPE_MARGINS, failing_checks

LATEST_ROUNDS = 3
"""Times the latest change is mended where the finest seabed breaks a rule, at most."""

MOST_CELLS = 4_000_000
"""A larger window is not searched only to prove that nothing cheaper lies there."""


@dataclass(frozen=True, slots=True)
class Late:
    """Where a line can leave latest, and whether that line held on the finest seabed."""

    station_m: float
    held: bool


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """The change that clears one group of clashes."""

    change: Change
    extra_cost_m: float
    names: tuple[str, ...]
    enough: bool
    notes: tuple[str, ...]
    clusters: tuple[int, int]
    grid: Grid
    late: Late | None = None
    """The latest departure, where it has been looked for."""

    @property
    def last_departure_m(self) -> float:
        """The latest departure that held on the finest seabed: never before that of the change itself."""
        if self.late is None or not self.late.held:
            return self.change.leave_m
        return max(self.late.station_m, self.change.leave_m)


class ChangeSearch:
    """Everything one reroute works with."""

    def __init__(
        self, project: Project, approved: Alignment, line: Elements, settings: RerouteSettings,
        can_leave_m: float, to_m: float, clashes: Sequence[Clash], progress: Progress,
    ):  # fmt: skip
        self.project, self.approved, self.line, self.settings = project, approved, line, settings
        self.can_leave_m, self.to_m, self.progress = can_leave_m, to_m, progress
        self.clusters = clusters_of(clashes)
        self.one_at_a_time = Lock()
        self.seen: CostSurface | None = None
        self.aside_m = max(clash.limit_m for clash in clashes if clash.hit) + half_size(project, clashes)
        self.whole = search_grid(project.seabed, project.rules, project.start)
        crossings = find_crossings(approved, line, project.layers)
        ground = ground_profile(
            line,
            project.seabed,
            check_spacing_m(project.seabed, project.rules),
            project.rules.slope_baseline_m,
        )
        priced = line_cost(approved, line, project, ground, crossings, interval_m=100.0).by_kp
        self.marks_m = np.append(0.0, priced["kp_to_km"] * 1000.0)
        self.running_m = np.append(0.0, np.cumsum(priced["total_m"]))
        self.needs = needs = [(c.station_m, c.layer.straight_each_side_m) for c in crossings]
        total = line.total_m
        self.leave = stretches_to_leave(approved, project.rules, can_leave_m, to_m, needs)
        self.join = stretches_to_leave(
            approved.reversed(), project.rules, total - to_m, total - can_leave_m,
            [(total - station, straight) for station, straight in needs],
        )  # fmt: skip

    def cheapest(self) -> list[Solved]:
        """The cheapest set of changes that clears every cluster.

        A change may clear several neighbouring clusters at once. Changes that
        follow each other must leave the approved line between them in order.
        """
        ask = Asked(self._solve, self._at_least, self._likely, self._follows)
        answer, failed = cheapest_set(len(self.clusters), ask)
        if answer is None:
            self._no_way(failed)
        with ThreadPoolExecutor(2) as side_by_side:
            return list(side_by_side.map(self._with_latest, answer))

    def _at_least(self, first: int, last: int) -> float:
        """What one change that clears the clusters first..last costs at least."""
        low, high = self.clusters[first].low_m, self.clusters[last].high_m
        return least_cost_between(
            self.line, low, high, self.marks_m, self.running_m, self.settings.new_ground_cost
        )

    def _follows(self, before: Solved, after: Solved) -> bool:
        """Whether the line is the approved one for long enough between two changes."""
        back, out = before.change.rejoin_m, after.change.leave_m
        arcs = before.change.join.arc and after.change.leave.arc
        same = len(self.approved.easting_m) - 1 - before.change.join.row == after.change.leave.row
        return out - back >= max(self.project.rules.min_straight_m, 1.0) and not (arcs and same)

    def _between(self, first: int, last: int) -> tuple[tuple[Stretch, ...], tuple[Stretch, ...]]:
        """Where the line may be left before cluster `first` and rejoined behind cluster `last`."""
        total = self.line.total_m
        floor = self.clusters[first - 1].high_m if first else 0.0
        ceiling = self.clusters[last + 1].low_m if last + 1 < len(self.clusters) else total
        leave = _within(self.leave, floor, self.clusters[first].low_m)
        join = _within(self.join, total - ceiling, total - self.clusters[last].high_m)
        return leave, join

    def _solve(self, first: int, last: int, at_most_m: float = math.inf) -> Solved:
        """One change about the clusters first..last, on as much ground as it takes.

        Raises TooDear where every change costs more than `at_most_m` over the approved line.
        """
        low, high = self.clusters[first].low_m, self.clusters[last].high_m
        failed = NoRouteError("No line leaves the approved one and comes back to it.")
        leave, join = self._between(first, last)
        names = tuple(name for cluster in self.clusters[first : last + 1] for name in cluster.names)
        times = self._enough(low, high, 1.0, min(self._likely(first, last), at_most_m)) or 1.0
        if not (leave and join):
            raise failed
        late = None
        # The latest departure is a search of its own, near the obstruction: it runs beside the other
        # where there is no choice to be made first.
        with ThreadPoolExecutor(1) as beside:
            if len(self.clusters) == 1:
                self._ground(self._window(low, high, times))
                late = beside.submit(self._latest, self._window(low, high, 1.0), leave, join)
            while True:
                grid = self._window(low, high, times)
                try:
                    change, surface, notes = self._verified(grid, leave, join, at_most_m=at_most_m)
                except NoRouteError as error:
                    if grid == self.whole:
                        raise error from None
                    times *= GROWTH
                    continue
                extra = self._extra(change, surface)
                needed = self._enough(low, high, times, extra)
                if needed is None or needed <= times:
                    break
                times = needed
        found = None if late is None else late.result()
        return Solved(change, extra, names, needed is not None, notes, (first, last), grid, found)

    def _with_latest(self, one: Solved) -> Solved:
        """A change with the latest chainage at which the line can still be left for the like of it."""
        first, last = one.clusters
        leave, join = self._between(first, last)
        near = self._window(self.clusters[first].low_m, self.clusters[last].high_m, 1.0)
        late = one.late or self._latest(near, leave, join) or self._latest(one.grid, leave, join)
        if late is not None and not late.held:
            late = self._held_between(one.change.leave_m, late.station_m, one.grid, leave, join)
        return replace(one, late=late)

    def _held_between(
        self, held_m: float, broken_m: float, grid: Grid, leave: Sequence[Stretch], join: Sequence[Stretch]
    ) -> Late:
        """The latest departure that holds on the finest seabed, to a cell, where the latest of all does not.

        Bisection: the cheapest change that leaves behind the middle holds, or none does there.
        """
        while broken_m - held_m > grid.cell_m:
            middle = 0.5 * (held_m + broken_m)
            later = _within(leave, middle, broken_m)
            try:
                change, _, notes = self._verified(grid, later, join)
            except NoRouteError:
                broken_m = middle
                continue
            if notes:
                broken_m = middle
            else:
                held_m = max(change.leave_m, middle)
        return Late(held_m, True)

    def _window(self, low_m: float, high_m: float, times: float) -> Grid:
        return window(self.whole, self.line, low_m, high_m, self.aside_m, self.project.rules, times)

    def _likely(self, first: int, last: int) -> float:
        """A guess of what a change about the clusters first..last costs more: one window is mostly enough.

        New ground at its price and a tenth for slopes, over two shifts of 2 sqrt(R d) each; three bends.
        """
        rules, price = self.project.rules, self.settings.new_ground_cost
        given_up_m = self.clusters[last].high_m - self.clusters[first].low_m
        length = (
            given_up_m + 4.0 * math.sqrt(rules.min_bend_radius_m * self.aside_m) + 3.0 * rules.min_straight_m
        )
        return (price + 0.1) * length + 3.0 * rules.bend_cost_m

    def _enough(self, low_m: float, high_m: float, times: float, extra_cost_m: float) -> float | None:
        """The least width of window outside which nothing cheaper can lie; None where it is not worth it."""
        for step in range(12):
            wider = times * 1.25**step
            grid = self._window(low_m, high_m, wider)
            if outside_costs_more(
                grid, self.whole, self.line, low_m, high_m, self.marks_m, self.running_m,
                self.settings.new_ground_cost, extra_cost_m,
            ):  # fmt: skip
                return wider if grid.rows * grid.cols <= MOST_CELLS or step == 0 else None
        return None

    def _verified(
        self,
        grid: Grid,
        leave: Sequence[Stretch],
        join: Sequence[Stretch],
        latest: bool = False,
        at_most_m: float = math.inf,
    ) -> tuple[Change, CostSurface, tuple[str, ...]]:
        """A change measured on the finest seabed; places where it breaks a rule are tightened."""
        progress = silent if latest else self.progress
        surface = self._ground(grid)
        try:
            return self._rounds(surface, leave, join, latest, at_most_m, progress)
        except NoRouteError:
            wider = SLOPE_MARGINS[-1] / SLOPE_MARGINS[0]
            surface = replace(
                surface, tan_along=surface.tan_along * wider, tan_across=surface.tan_across * wider,
                slope_margin=SLOPE_MARGINS[-1],
            )  # fmt: skip
            return self._rounds(surface, leave, join, latest, at_most_m, progress)

    def _ground(self, grid: Grid) -> CostSurface:
        """The ground of a window: a part of what has been looked at before where that holds it."""
        with self.one_at_a_time:
            if self.seen is None or not _holds(self.seen.grid, grid):
                several = len(self.clusters) > 1 and self.whole.rows * self.whole.cols <= MOST_CELLS
                wide = self.whole if several else grid
                self.seen = cost_surface(self._nearby(wide), grid=wide, slope_margin=SLOPE_MARGINS[0])
            return part_of(self.seen, grid, self.project.layers)

    def _rounds(
        self,
        surface: CostSurface,
        leave: Sequence[Stretch],
        join: Sequence[Stretch],
        latest: bool,
        at_most_m: float,
        progress: Progress,
    ) -> tuple[Change, CostSurface, tuple[str, ...]]:
        best: tuple[int, Change, CostSurface] | None = None
        last: Alignment | None = None
        rounds = self.project.rules.breach_rounds
        if latest:
            rounds = min(rounds, LATEST_ROUNDS)
        for number in range(rounds + 1):
            try:
                change = change_line(
                    self.approved, surface, self.project.rules, leave, join,
                    new_ground_cost=self.settings.new_ground_cost, latest=latest, at_most_m=at_most_m,
                    progress=progress,
                )  # fmt: skip
            except NoRouteError:
                if best is None:
                    raise
                break
            with self.one_at_a_time:
                assessment = assess(change.alignment, self.project, progress=progress)
            breaches = _of_part(assessment, change)
            if best is None or len(breaches) < best[0]:
                best = (len(breaches), change, surface)
            again = last is not None and _same_line(last, change.alignment)
            if not breaches or again or all(b.rule in GEOMETRY_RULES for b in breaches):
                break
            last = change.alignment
            surface = tighten(surface, breaches)
            progress("verification", number / (rounds + 1))
        assert best is not None
        notes = () if not best[0] else ("the new part breaks rules on the finest seabed: see the checks",)
        return best[1], best[2], notes

    def _nearby(self, grid: Grid) -> Project:
        """The project with those features only that can matter within a grid."""
        west, south, east, north = grid.bounds_m
        layers = []
        for layer in self.project.layers:
            if layer.rule in ("stay_within", "jurisdiction") or not len(layer):
                layers.append(layer)
                continue
            reach = 1.01 * float(
                (layer.standoff_m + layer.position_uncertainty_m).max() + self.project.rules.lay_tolerance_m
            )
            box = shapely.box(west - reach, south - reach, east + reach, north + reach)
            near = np.flatnonzero(shapely.intersects(layer.geometries, box))
            layers.append(layer.chosen(near))
        return replace(self.project, layers=tuple(layers))

    def _extra(self, change: Change, surface: CostSurface) -> float:
        """What a change costs more than the approved line, the price of new ground included."""
        rules = self.project.rules
        new = sum(measure.line_cost(change.alignment, surface, rules).values())
        old = sum(measure.line_cost(self.approved, surface, rules).values())
        return new - old + self.settings.new_ground_cost * (change.new_rejoin_m - change.leave_m)

    def _latest(self, grid: Grid, leave: Sequence[Stretch], join: Sequence[Stretch]) -> Late | None:
        """The latest chainage at which a line can still leave: None where none does on this ground."""
        try:
            late, _, notes = self._verified(grid, leave, join, latest=True)
        except NoRouteError:
            return None
        return Late(late.leave_m, not notes)

    def _no_way(self, failed: NoRouteError | None) -> NoReturn:
        """Raise NoRouteError with what is known: too late to leave, or what stands in the way."""
        from corridor.routing.explain import explain_no_route  # slow to import, seldom needed

        if self.can_leave_m > 0.0:
            try:
                free = self._from_the_start()
                solved = free._with_latest(free._solve(0, len(self.clusters) - 1))
            except NoRouteError:
                pass
            else:
                raise _too_late(self.can_leave_m, solved, self.approved)
        start, end = self._poses()
        between = replace(self.project, start=start, end=end, via=())
        way = explain_no_route(
            between, cost_surface(between, progress=self.progress), self.progress, judge=failing_checks
        )
        text = str(way.explanation["text"])
        if way.line is not None:
            text = (
                "No line of the search's grid leaves the approved one on a tangent and comes back to it, "
                "though one exists between its ends: widen --from-kp and --to-kp."
            )
        raise NoRouteError(text, way.explanation["reasons"], way.explanation, way.barrier) from failed

    def _from_the_start(self) -> ChangeSearch:
        """The same search, free to leave the line anywhere: what is laid is taken up again."""
        free = copy(self)
        free.can_leave_m = 0.0
        free.leave = stretches_to_leave(self.approved, self.project.rules, 0.0, self.to_m, self.needs)
        return free

    def _poses(self) -> tuple[RouteEnd, RouteEnd]:
        """The first place where the line may be left and the last where it may be rejoined, with bearings."""
        out = min((stretch.low_m for stretch in self.leave), default=self.can_leave_m)
        back = self.line.total_m - min((stretch.low_m for stretch in self.join), default=0.0)
        easting, northing, bearing = at_station(self.line, [out, back])
        return tuple(
            RouteEnd(float(e), float(n), math.degrees(float(b)))
            for e, n, b in zip(easting, northing, bearing, strict=True)
        )  # type: ignore[return-value]


def _too_late(can_leave_m: float, solved: Solved, approved: Alignment) -> NoRouteError:
    """The line would have to be left before the first place where it still can."""
    late, back = solved.last_departure_m, can_leave_m - solved.last_departure_m
    text = (
        f"It is too late to leave the approved line: it can be left from KP {can_leave_m / 1000:.3f} on, "
        f"a line that clears {', '.join(solved.names)} must leave it by KP {late / 1000:.3f}. "
        f"{back:.0f} m of line would have to be recovered."
    )
    line = elements(approved)
    easting, northing, _ = at_station(line, [late])
    reason = {
        "rule": "last_departure_kp_km", "limit": round(late / 1000, 6),
        "needed": round(can_leave_m / 1000, 6),
        "easting_m": float(easting[0]), "northing_m": float(northing[0]), "text": text,
    }  # fmt: skip
    explanation = {
        "reasons": [reason],
        "cannot_help": [],
        "text": text,
        "last_departure_kp_km": round(late / 1000, 6),
        "recover_m": round(back, 3),
    }
    shape = shapely.LineString(densify(solved.change.alignment))
    properties = {
        "kind": "line after recovery",
        "allowed": False,
        "text": "NOT ALLOWED: needs pipe recovered",
    }
    return NoRouteError(text, [reason], explanation, [(shape, properties)])


def _holds(wide: Grid, part: Grid) -> bool:
    """Whether a grid holds all cells of another of the same cells."""
    west, south, east, north = part.bounds_m
    slack = 0.01 * wide.cell_m
    return (
        wide.west_m <= west + slack
        and wide.south_m <= south + slack
        and wide.east_m >= east - slack
        and wide.north_m >= north - slack
    )


def _within(stretches: Sequence[Stretch], low_m: float, high_m: float) -> tuple[Stretch, ...]:
    """The parts of stretches between two chainages."""
    cut = (replace(s, low_m=max(s.low_m, low_m), high_m=min(s.high_m, high_m)) for s in stretches)
    return tuple(s for s in cut if s.high_m > s.low_m)


def _same_line(one: Alignment, other: Alignment) -> bool:
    return np.array_equal(one.easting_m, other.easting_m) and np.array_equal(one.northing_m, other.northing_m)


def _of_part(assessment: Assessment, change: Change) -> tuple[Breach, ...]:
    """The breaches that lie on the new part of a line."""
    breaches = assessment.breaches
    if not breaches:
        return ()
    station, _ = station_of(
        elements(change.alignment),
        np.array([b.easting_m for b in breaches]),
        np.array([b.northing_m for b in breaches]),
    )
    return tuple(
        b for b, at in zip(breaches, station, strict=True)
        if change.leave_m - 1.0 <= at <= change.new_rejoin_m + 1.0
    )  # fmt: skip
