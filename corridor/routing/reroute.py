"""One change of an approved line: every way of leaving it and of coming back competes in one search.

The line is left on a tangent and joined on a tangent. A source of the search is
a pose on the approved line with the cost of the line kept up to it, a target is
a pose with the cost of what is kept from there on; what lies between is new
ground, every metre of which costs `new_ground_cost` more. The fit then moves the
new IPs and chooses how much of the straights at either end to keep.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from corridor.errors import NoRouteError
from corridor.kernels.ties import tie_gates
from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface, SearchResult
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.fit import FitResult, KeptEnds, fit
from corridor.routing.geometry import at_station, bends, elements, in_out_m
from corridor.routing.ground import unit_vectors
from corridor.routing.moves import MOST_TURN_DEG
from corridor.routing.portals import Gate, PortalNet, net_of
from corridor.routing.search import search_net
from corridor.routing.space import SearchSpace, search_space
from corridor.routing.tie_ins import Stretch, Tie, joined_line, kept_costs, poses, tie_at

LEAST_TURN_DEG = 0.5
"""A first bend that turns less is no way off a line."""

FIT_SAVES = 0.02
"""Share of its cost that the fit takes off a path of the search, hardly more (and two bends)."""

LATE = 1000.0
"""Price of a metre of approved line given up, where the latest departure is looked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """A line that leaves an approved one and comes back to it.

    Attributes
    ----------
    alignment : Alignment
        The whole new line.
    leave_m, rejoin_m : float
        Chainages of the approved line between which it is given up.
    new_rejoin_m : float
        Chainage of the new line where it is the approved one again; it is
        left at the same chainage on both.
    first_ip, last_ip : int
        Rows of the new line's first and last new IP.
    search : SearchResult
    fitted : bool
        False where the fit found nothing sound and the search's path stands.
    leave, join : Stretch
        Where on the approved line, and on its reverse.
    """

    alignment: Alignment
    leave_m: float
    rejoin_m: float
    new_rejoin_m: float
    first_ip: int
    last_ip: int
    search: SearchResult
    fitted: bool
    leave: Stretch
    join: Stretch


def new_ground(surface: CostSurface, price: float) -> CostSurface:
    """The ground with `price` more for every metre, equivalent m per m."""
    ground = surface.ground.copy()
    ground[..., 0] += np.float32(price)
    return replace(surface, ground=ground)


def change_line(
    approved: Alignment,
    surface: CostSurface,
    rules: RouteRules,
    leave: Sequence[Stretch],
    join: Sequence[Stretch],
    *,
    new_ground_cost: float = 0.5,
    latest: bool = False,
    at_most_m: float = math.inf,
    progress: Progress = silent,
) -> Change:
    """The cheapest change of a line, or the one that leaves it latest.

    Parameters
    ----------
    approved : Alignment
    surface : CostSurface
        With the new obstruction in it.
    rules : RouteRules
    leave, join : sequences of Stretch
        Where the line may be left, and where its reverse may be (chainages from END).
    new_ground_cost : float
        Equivalent metres more per metre off the approved line.
    latest : bool
        Look for the latest point at which a line can still leave, whatever it costs.
    at_most_m : float
        What the change may cost more than the approved line, its new ground included.

    Raises
    ------
    NoRouteError
        No line leaves and comes back within these stretches.
    TooDear
        None does for `at_most_m`, the path of the search allowed to cost a little more than its fit.
    """
    dearer = new_ground(surface, new_ground_cost)
    space = search_space(dearer, rules)
    exits = _Side(space, approved, leave, surface, LATE if latest else 0.0)
    entries = _Side(space, approved.reversed(), join, surface)
    most = math.inf
    if math.isfinite(at_most_m):
        old = float(kept_costs(approved, surface, rules, np.array([elements(approved).total_m]))[0])
        most = at_most_m + old - exits.least - entries.least
        most += FIT_SAVES * most + 2.0 * rules.bend_cost_m
    found = search_net(space, _net(space, exits, entries), at_most_m=most, progress=progress)
    out, back = exits.stretch_of(found.tags[0]), entries.stretch_of(found.tags[1])
    before = _anchor(exits, out, found.tags[0])
    after = _anchor(entries, back, found.tags[1])
    path = _path(before, found.alignment, after, approved.crs)
    prices = (LATE if latest else new_ground_cost, new_ground_cost)
    fitted = _fitted(path, dearer, rules, out, back, prices, progress)
    new = path if fitted is None else fitted
    line = joined_line(before, new, after, approved.crs)
    return _measured(approved, line, found, fitted is not None, out, back, before, after)


class _Side:
    """All ways off one line (approved, or its reverse) onto the grid."""

    def __init__(
        self, space: SearchSpace, line: Alignment, stretches: Sequence[Stretch], surface: CostSurface,
        late: float = 0.0,
    ):  # fmt: skip
        self.line, self.stretches = line, tuple(stretches)
        # The fit moves the new bends along the straights: two cells are near enough, one for the latest.
        station, owner = poses(self.stretches, surface.grid.cell_m * (1.0 if late else 2.0))
        easting, northing, bearing = at_station(elements(line), station)
        u, v = surface.grid.to_cells(easting, northing)
        inside = (u >= 0.0) & (v >= 0.0) & (u < surface.grid.cols) & (v < surface.grid.rows)
        self.station, self.owner = station[inside], owner[inside]
        self.u, self.v, self.bearing = u[inside], v[inside], bearing[inside]
        cost = kept_costs(line, surface, space.rules, self.station)
        if late and len(self.station):
            cost = cost + late * (self.station.max() - self.station)
        self.least = float(cost.min()) if len(cost) else 0.0
        self.cost = cost - self.least
        self.ways = self._ways(space)

    def _ways(self, space: SearchSpace) -> NDArray[np.float64]:
        """The cheapest way into every state: rows of :func:`corridor.kernels.ties.tie_gates`."""
        rules, cell = space.rules, space.surface.grid.cell_m
        straight = np.array([self.stretches[k].straight_m for k in self.owner], dtype=float) / cell
        ways = tie_gates(
            space.ground, space.surface.assets.segments,
            np.column_stack([self.u, self.v]), np.column_stack([np.sin(self.bearing), -np.cos(self.bearing)]),
            straight, unit_vectors(rules.headings), rules.min_bend_radius_m / cell,
            rules.min_straight_m / cell / 2.0, math.radians(LEAST_TURN_DEG), math.radians(MOST_TURN_DEG),
        )  # fmt: skip
        if len(ways) == 0:
            return ways
        ways[:, 7] += (self.cost[ways[:, 0].astype(int)] + rules.bend_cost_m) / cell
        order = np.lexsort((ways[:, 7], ways[:, 1], ways[:, 2], ways[:, 3]))
        ways = ways[order]
        fresh = np.ones(len(ways), dtype=bool)
        fresh[1:] = (np.diff(ways[:, 1:4], axis=0) != 0.0).any(axis=1)
        return ways[fresh]

    def gates(self, space: SearchSpace, *, arriving: bool) -> list[Gate]:
        cols, headings = space.surface.grid.cols, space.rules.headings
        turned = headings // 2 if arriving else 0
        radius = space.rules.min_bend_radius_m / space.surface.grid.cell_m
        return [
            Gate(
                portal=1 if arriving else 0,
                stage=0,
                cell=int(way[3] * cols + way[2]),
                heading=int((way[1] + turned) % headings),
                ip=(float(way[4]), float(way[5])),
                radius=radius,
                cost=float(way[7]),
                tag=int(way[0]),
            )
            for way in self.ways
        ]

    def stretch_of(self, pose: int) -> Stretch:
        """The stretch of a pose, as far as it lies on the grid."""
        mine = self.station[self.owner == self.owner[pose]]
        return replace(self.stretches[self.owner[pose]], low_m=float(mine.min()), high_m=float(mine.max()))


def _net(space: SearchSpace, exits: _Side, entries: _Side) -> PortalNet:
    grid = space.surface.grid
    if len(exits.ways) == 0 or len(entries.ways) == 0:
        raise NoRouteError(
            "No line leaves the approved one on a tangent."
            if len(exits.ways) == 0
            else "No line comes back to the approved one on a tangent."
        )
    first, last = (grid.to_map(side.u[-1], side.v[-1]) for side in (exits, entries))
    positions = [(float(first[0]), float(first[1])), (float(last[0]), float(last[1]))]
    return net_of(
        exits.gates(space, arriving=False), entries.gates(space, arriving=True), positions, 1, 1,
        space.surface, space.rules.headings,
    )  # fmt: skip


def _anchor(side: _Side, stretch: Stretch, pose: int) -> Tie:
    """Where the fit's path begins: on a straight as early as it may bend, on an arc at the pose."""
    return tie_at(side.line, stretch, float(side.station[pose]) if stretch.arc else stretch.low_m)


def _path(before: Tie, found: Alignment, after: Tie, crs: str) -> Alignment:
    """The search's IPs between the two anchors."""
    easting = np.concatenate([[before.easting], found.easting_m[1:-1], [after.easting]])
    northing = np.concatenate([[before.northing], found.northing_m[1:-1], [after.northing]])
    return Alignment(easting, northing, found.radius_m, crs)


def _fitted(
    path: Alignment, surface: CostSurface, rules: RouteRules, out: Stretch, back: Stretch,
    prices: tuple[float, float], progress: Progress,
) -> Alignment | None:  # fmt: skip
    line = elements(path)
    start = RouteEnd(
        float(path.easting_m[0]), float(path.northing_m[0]), math.degrees(float(line.bearing_rad[0]))
    )
    end = RouteEnd(
        float(path.easting_m[-1]), float(path.northing_m[-1]), math.degrees(float(line.end_bearing_rad[-1]))
    )
    kept = KeptEnds(
        straight_at_start_m=out.straight_m,
        straight_at_end_m=back.straight_m,
        run_on_m=0.0 if out.arc else out.high_m - out.low_m,
        run_up_m=0.0 if back.arc else back.high_m - back.low_m,
        leave_on=prices[0],
        leave_up=prices[1],
    )

    def fit_of(one: Alignment) -> FitResult:
        return fit(one, surface, rules, start, end, kept=kept, progress=progress)

    # The fits know nothing of each other, and their kernels leave the interpreter free.
    with ThreadPoolExecutor(2) as side_by_side:
        found = list(side_by_side.map(fit_of, (path, *_swings(path, rules))))
    sound = [one for one in found if one.feasible]
    return min(sound, key=lambda one: one.cost_m).alignment if sound else None


def _swings(path: Alignment, rules: RouteRules) -> list[Alignment]:
    """Off the line, one bend or two abreast of what is passed, back onto the line: starts for the fit.

    The search's path has more bends than that, and its grid of directions keeps
    the fit from merging them one at a time. These may break rules; the fit mends them.
    """
    points = np.column_stack([path.easting_m, path.northing_m])
    if len(points) < 5:
        return []
    first, last, inner = points[1], points[-2], points[2:-2]
    along = (last - first) / np.hypot(*(last - first))
    off = (inner - first) @ np.array([along[1], -along[0]])
    far = int(np.argmax(np.abs(off)))
    side = float(off[far]) * np.array([along[1], -along[0]])
    at = (inner - first) @ along
    low, high = float(at.min()), float(at.max())
    middles = [[0.5 * (low + high)], [low, high]] if high - low > 1.0 else [[low]]
    lines = []
    for middle in middles:
        ips = np.vstack([first, *(first + x * along + side for x in middle), last])
        radii = np.full(len(ips), rules.min_bend_radius_m)
        lines.append(Alignment.from_points(np.vstack([points[0], ips, points[-1]]), radii, path.crs))
    return lines


def _measured(
    approved: Alignment, line: Alignment, found: SearchResult, fitted: bool, out: Stretch, back: Stretch,
    before: Tie, after: Tie,
) -> Change:  # fmt: skip
    """Where the finished line leaves the approved one and is it again."""
    first, last = len(before.points), len(line.easting_m) - 1 - len(after.points)
    kp_in, kp_out = in_out_m(bends(line))
    old_total, new_total = elements(approved).total_m, elements(line).total_m
    leave = before.station_m if out.arc else min(float(kp_in[first]), out.high_m)
    to_end = after.station_m if back.arc else min(new_total - float(kp_out[last]), back.high_m)
    return Change(line, leave, old_total - to_end, new_total - to_end, first, last, found, fitted, out, back)
