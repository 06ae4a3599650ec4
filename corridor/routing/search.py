"""The cheapest line on the search grid: relaxed cost-to-go, then A* on headings.

Every path of moves is made of straights and of arcs no tighter than the least
radius, so the line found can be laid as it is; nothing is smoothed afterwards.

The relaxed field drops the turning limits. It would bound every line from
below were it not that a bend cuts the corner which grid steps must walk. So the
search multiplies it by `bound_weight` and checks it on every bend it walks; where
one shows the field to be too large, as on ground so rough that an arc passes
where no step does, the field is lowered there and the search runs again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from corridor.errors import CorridorError, NoRouteError
from corridor.kernels.headings import direction_excess
from corridor.kernels.search import BEND, EXIT, LONG, STEP, expand, resume
from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface, SearchResult
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.buffers import Heap, Later
from corridor.routing.portals import Gate, PortalNet, portal_net
from corridor.routing.relaxed import RelaxedField
from corridor.routing.space import SearchSpace, open_water_weight, search_space

BATCH = 5_000
"""States settled between two reports of progress."""

LIMIT_STEP = 0.0015
"""The search's limit rises by this share of the relaxed optimum, a little faster each time."""

DIJKSTRA_STATES = 400_000
"""Up to this many states the search runs without a bound: exact whatever the ground."""

RERUN_STATES = 8_000_000
"""Up to this many states it runs again until no bend contradicts the bound."""

MOST_RERUNS = 12


class TooDear(CorridorError):
    """Every line costs more than its caller would pay. For callers that set such a limit; no user sees it."""


def search(
    surface: CostSurface,
    rules: RouteRules,
    start: RouteEnd,
    end: RouteEnd,
    via: tuple[RouteEnd, ...] = (),
    *,
    bound_weight: float | None = None,
    reruns: int | None = None,
    progress: Progress = silent,
) -> SearchResult:
    """Find the cheapest line from START through the via points to END.

    Parameters
    ----------
    surface : CostSurface
    rules : RouteRules
    start, end : RouteEnd
        Positions are met exactly, bearings where given.
    via : tuple of RouteEnd
        Passed exactly, in order, on a straight of at least `min_straight_m`.
    bound_weight : float, optional
        Factor on the relaxed field. Default: 0 on small grids (plain Dijkstra),
        else the largest that no bend contradicts in open water.
    reruns : int, optional
        Most repetitions after a bend contradicted the bound. Default: as many
        as it takes up to 8 million states, none on larger grids, where the
        first answer is then optimal only up to what those bends save
        (`SearchResult.proven` says whether any did).
    progress : Progress

    Returns
    -------
    SearchResult

    Raises
    ------
    NoRouteError
        No line of moves joins the ends.
    """
    space = search_space(surface, rules)
    net = portal_net(surface, space.ground, rules, start, end, via)
    return search_net(
        space, net, stages=len(via) + 1, bound_weight=bound_weight, reruns=reruns, progress=progress
    )


def search_net(
    space: SearchSpace, net: PortalNet, *, stages: int = 1, bound_weight: float | None = None,
    reruns: int | None = None, at_most_m: float = math.inf, progress: Progress = silent,
) -> SearchResult:  # fmt: skip
    """Search between the portals of a net; see :func:`search`.

    Raises TooDear where no line costs `at_most_m` or less, as soon as that is known.
    """
    cells = space.ground.rows * space.ground.cols
    if bound_weight is None:
        small = stages * cells * space.rules.headings <= DIJKSTRA_STATES
        bound_weight = 0.0 if small else open_water_weight(space)
    if not net.exits or not net.entries:
        _no_way(space, "START" if not net.exits else "END", net)
    field = RelaxedField(space, net, stages, progress)
    if not math.isfinite(field.optimum):
        # Not even a line without turning limits joins the ends.
        _no_way(space, "between the ends", net)
    most = at_most_m / space.surface.grid.cell_m
    if bound_weight * field.optimum > most:
        raise _too_dear(at_most_m)
    expanded = 0
    if reruns is None:
        reruns = MOST_RERUNS if stages * cells * space.rules.headings <= RERUN_STATES else 0
    proven = False
    for _ in range(reruns + 1):
        found = _astar(space, net, field, bound_weight, most, progress)
        expanded += found.expanded
        proven = bound_weight == 0.0 or not field.lower(found.lowered)
        if proven:
            break
    if found.cost > most:
        raise _too_dear(at_most_m)
    if not math.isfinite(found.cost):
        _no_way(space, "between the ends", net)
    alignment, first, last = trace(space, net, found)
    cell = space.surface.grid.cell_m
    return SearchResult(
        alignment=alignment,
        cost_m=found.cost * cell,
        lower_bound_m=field.optimum * cell / direction_excess(space.rules.headings),
        expanded=expanded,
        bound_weight=bound_weight,
        proven=proven,
        tags=(first.tag, last.tag),
    )


def _too_dear(at_most_m: float) -> TooDear:
    return TooDear(f"Every line between START and END costs more than {at_most_m:.0f} equivalent m.")


def _no_way(space: SearchSpace, where: str, net: PortalNet) -> NoReturn:
    """Raise NoRouteError in words that say where every way is closed."""
    if where in ("START", "END"):
        radius = space.rules.min_bend_radius_m
        text = (
            f"No line of straights and bends of at least {radius:g} m radius leaves {where}: "
            "every way onto the grid is closed."
        )
    else:
        text = "Every way between START and END is closed by the rules as they stand."
    easting, northing = net.positions[0 if where == "START" else -1]
    place = {"easting_m": easting, "northing_m": northing}
    raise NoRouteError(text, [{"rule": "unknown", "limit": None, "needed": None, **place, "text": text}])


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What one A* left behind: cost in cells (inf: no way), states settled, and where each was come from."""

    cost: float
    expanded: int
    lowered: NDArray
    came: NDArray
    portal_came: NDArray


def _astar(
    space: SearchSpace, net: PortalNet, field: RelaxedField, weight: float, at_most: float, progress: Progress
) -> Found:
    """A* with the field as far as it goes, which grows until the result is proven or dearer than asked."""
    expanded = 0
    while True:
        most = min(field.limit * (weight if weight > 0.0 else 1.0), at_most)
        found = _run(space, net, field, weight, most, progress)
        expanded += found.expanded
        if found.cost <= most or most == at_most or not math.isfinite(field.limit):
            return replace(found, expanded=expanded)
        # Something cheaper, or the only way, may run outside the field: make it larger.
        field.grow(min(found.cost / weight if weight > 0.0 else math.inf, field.limit * 1.5) * (1.0 + 1e-9))


def _run(
    space: SearchSpace, net: PortalNet, field: RelaxedField, weight: float, most: float, progress: Progress
) -> Found:
    """One A* over the field, with a limit that rises in small steps (see `expand`)."""
    headings = space.rules.headings
    states = field.stages * field.cells * headings
    ahead = field.ahead()
    best = np.empty(states)
    came = np.zeros(states, dtype=np.uint32)
    portal_best = np.full(len(net.positions), np.inf)
    portal_best[0] = 0.0
    portal_came = np.full(len(net.positions), -1, dtype=np.int64)
    heap = Heap.empty()
    heap.add(0.0, -1)
    later = Later.empty()
    counts = np.zeros(3, dtype=np.int64)
    lowered = np.full(len(ahead), np.inf)
    step = LIMIT_STEP * field.optimum
    limit = weight * field.optimum + step if weight > 0.0 else math.inf
    per_state = len(space.bends) // headings + len(space.crossings.levels) + 4
    while not counts[1]:
        heap.room(BATCH * per_state + len(net.exits))
        later.room(int(counts[2]) + BATCH * per_state)
        heap.size = expand(
            space.ground, space.moves, space.crossings, net.kernel, ahead, weight, limit, most,
            best, came, portal_best, portal_came, heap.keys, heap.items, heap.size,
            later.state, later.bend, later.cost, later.key, BATCH, counts, lowered,
        )  # fmt: skip
        progress("search", min(1.0, counts[0] / (0.02 * states)))
        if heap.size == 0 and counts[2] == 0:
            break
        if not counts[1] and (heap.size == 0 or heap.keys[0] > limit):
            if limit == most:
                # What is left is END itself, reached at more than the field vouches for.
                break
            limit = min(limit + step, most)
            heap.room(int(counts[2]))
            heap.size = resume(
                space.ground, space.moves, space.crossings, net.kernel, ahead, weight, limit, most,
                best, came, heap.keys, heap.items, heap.size, later.state, later.bend, later.cost,
                later.key, counts, lowered,
            )  # fmt: skip
            step *= 1.15
    return Found(float(portal_best[net.kernel.goal]), int(counts[0]), lowered, came, portal_came)


def trace(space: SearchSpace, net: PortalNet, found: Found) -> tuple[Alignment, Gate, Gate]:
    """Trace the moves back from END: intersection points with radii, and the first and the last gate."""
    grid, headings = space.surface.grid, space.rules.headings
    cells = grid.rows * grid.cols
    points: list[tuple[float, float]] = [net.positions[net.kernel.goal]]
    radii: list[float] = []
    used: list[Gate] = []

    def add(u: float, v: float, radius: float) -> None:
        easting, northing = grid.to_map(u, v)
        points.append((float(easting), float(northing)))
        radii.append(radius * grid.cell_m)

    portal = net.kernel.goal
    while portal != 0:
        state = int(found.portal_came[portal])
        gate = _entry_gate(net, portal, state, cells, headings)
        used.append(gate)
        if gate.ip is not None:
            add(gate.ip[0], gate.ip[1], gate.radius)
        while True:
            code = int(found.came[state])
            node, heading = divmod(state, headings)
            stage, cell = divmod(node, cells)
            row, col = divmod(cell, grid.cols)
            if code >= EXIT:
                leaving = net.exits[code - EXIT]
                used.append(leaving)
                if leaving.ip is not None:
                    add(leaving.ip[0], leaving.ip[1], leaving.radius)
                portal = leaving.portal
                break
            row, col, heading, ip = before_move(space, code, row, col, heading)
            if ip is not None:
                add(*ip)
            state = int((stage * cells + row * grid.cols + col) * headings + heading)
    points.append(net.positions[0])
    return Alignment.from_points(points[::-1], radii[::-1], grid.crs), used[-1], used[0]


def before_move(
    space: SearchSpace, code: int, row: int, col: int, heading: int
) -> tuple[int, int, int, tuple[float, float, float] | None]:
    """Where a move to a state came from: row, column, heading, and (u, v, radius) of the IP of a bend."""
    vectors = space.moves.vectors
    if code == STEP or code >= LONG:
        steps = 1 if code == STEP else code - LONG
        return int(row - steps * vectors[heading, 1]), int(col - steps * vectors[heading, 0]), heading, None
    bend = space.bends[code - BEND]
    back = vectors[bend.heading_out] * bend.steps_out
    ip = (col + 0.5 - back[0], row + 0.5 - back[1], bend.radius)
    move = space.moves.bend_end[code - BEND]
    return int(row - move[1]), int(col - move[0]), bend.heading_in, ip


def _entry_gate(net: PortalNet, portal: int, state: int, cells: int, headings: int) -> Gate:
    """The cheapest gate from a state into a portal."""
    candidates = [
        gate
        for gate in net.entries
        if gate.portal == portal and (gate.stage * cells + gate.cell) * headings + gate.heading == state
    ]
    return min(candidates, key=lambda gate: gate.cost)
