"""A figure that no line on the gridded ground can beat.

What is bounded
---------------
Any curve from START to END (through the via points in order) over the gridded
ground, with any bends and in any direction, that uses no cell which is closed
as a whole and crosses assets at their fee. Of bend prices it knows one for every
run of bends to one side (:mod:`corridor.routing.bound_turning`) where the bend radius is
44 cells or more, else the first at most. It does not know straights,
crossing angles, and slope limits along and across by themselves: the bound sees a
slope only where no heading at all could pass.

Why it holds
------------
1. Every cell gets the least price that any direction pays in it:
   ``factor + slope_cost (|g| / tan(larger limit))^2``, and is open unless even
   the best heading breaks a limit: ``|g|^2 > tan^2 along + tan^2 across``.
2. Then every cell gets the least price among itself and its eight neighbours.
   A curve may so be followed from cell centre to cell centre within one cell
   without paying more per metre than the curve does.
3. A curve is followed by grid steps along the two headings beside its direction,
   whichever brings the chain back to it: by less than a cell it strays, so that
   step 2 holds. Along two headings with a gap g between them the chain is at most
   1 / cos(g / 2) longer than the curve. Every step therefore counts cos(G / 2) of
   its length only, with G the wider of the two gaps beside its heading: no chain
   counts for more than its curve. The bound is the cheapest chain's cost, less
   a cell for its end and the distances of both ends from the centres of their cells.
4. Where the straight line from START to END is closed, or a bearing forbids it,
   the line has a bend, whose price is added: once, however many it has. The bound that counts changes
   of the turning side takes its place where it is larger.

Step 3 is proven for curves that turn slowly against the steps (bends of some
cells and more, as all lines here have) and tested against random lines.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.headings import heading_gaps
from corridor.kernels.stencils import trace_polyline
from corridor.model.results import Assets, CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.bound_turning import cell_of, turning_bound, turning_headings
from corridor.routing.portals import Gate, net_of
from corridor.routing.relaxed import SLACK, RelaxedField
from corridor.routing.space import SearchSpace, search_space

END_CELLS = 1.0
"""By so much the chain may miss END, cells."""

FEW_BENDS = 8.0
"""Lines that cost this many bends more than the cheapest without bends are first left out."""

BOUND_HEADINGS = 80
MOST_CELLS = 3_000_000
"""Headings of the bound's field on grids of up to this many cells; larger ones take the search's own."""

STRAIGHT_DEG = 0.01
"""A bearing that differs by more from that of the straight line forbids it."""

ROUNDING = 1e-6
"""Step costs are summed from float32 figures."""

TRIM_CELLS = 5.0
"""Assets are shortened by this at free ends: a chain of steps beside a curve may pass the other way."""


def optimistic(surface: CostSurface) -> CostSurface:
    """The ground as steps 1 and 2 of the module's text make it."""
    from scipy.ndimage import minimum_filter  # slow to import; a reroute does without

    margin = surface.slope_margin
    along, across = surface.tan_along / margin, surface.tan_across / margin
    ground = np.zeros_like(surface.ground)
    ground[..., 0] = minimum_filter(least_price(surface), size=3, mode="nearest")
    return replace(
        surface,
        ground=ground,
        rim=np.zeros((1, 3)),
        assets=_trimmed(surface.assets),
        tan_along=along,
        tan_across=across,
        slope_margin=1.0,
    )


def least_price(surface: CostSurface) -> NDArray[np.float32]:
    """(rows, cols) the least that a metre costs in each cell in any direction; infinite where closed."""
    margin = surface.slope_margin
    along, across = surface.tan_along / margin, surface.tan_across / margin
    steep = surface.ground[..., 1] ** 2 + surface.ground[..., 2] ** 2
    price = surface.ground[..., 0] + surface.slope_cost * steep / max(along, across) ** 2
    if surface.hold_along and surface.hold_across:
        price[steep > (along**2 + across**2) * (1.0 + 1e-6)] = np.inf
    return price


def lower_bound_m(
    surface: CostSurface,
    rules: RouteRules,
    start: RouteEnd,
    end: RouteEnd,
    via: tuple[RouteEnd, ...] = (),
    progress: Progress = silent,
) -> float:
    """Lower bound of the cost of any line, equivalent metres; see the module's text.

    Infinite when not even a curve without rules on its bends joins the ends.
    """
    ground = optimistic(surface)
    cells = ground.grid.rows * ground.grid.cols
    headings = BOUND_HEADINGS if cells <= MOST_CELLS else rules.headings
    space = search_space(ground, replace(rules, bend_cost_m=0.0, headings=headings))
    stops = (start, *via, end)
    legs = list(pairwise(stops))
    bends = 0 if via else least_bends(ground, start, end)
    fields = [_field(space, ground, *leg, progress) for leg in legs]
    least = [_less_ends(field.optimum, ground, *leg) for leg, field in zip(legs, fields, strict=True)]
    plain = bends * rules.bend_cost_m + sum(least)
    turning = turning_headings(rules.min_bend_radius_m / ground.grid.cell_m)
    if turning is None or cells > MOST_CELLS or rules.bend_cost_m <= 0.0 or not math.isfinite(plain):
        return plain
    if turning != headings:
        space = search_space(ground, replace(rules, bend_cost_m=0.0, headings=turning))
        fields = [_field(space, ground, *leg, progress) for leg in legs]
    turned = [
        _with_turns(space, ground, rules, field, *leg, progress)
        for leg, field in zip(legs, fields, strict=True)
    ]
    return max(plain, sum(turned))


def heading_shares(count: int) -> NDArray[np.float64]:
    """(count,) what a step along each heading counts of its length: cos of half its wider gap."""
    after = heading_gaps(count)
    return np.cos(np.maximum(after, np.roll(after, 1)) / 2.0)


def shortened(space: SearchSpace) -> SearchSpace:
    """The search space with steps that count their share of :func:`heading_shares`."""
    moves = space.moves
    pieces, length = moves.pieces.copy(), moves.step_length.copy()
    for heading, share in enumerate(heading_shares(space.rules.headings)):
        pieces[moves.step_row[heading] : moves.step_row[heading + 1], 0] *= share
        length[heading] *= share
    return replace(space, moves=moves._replace(pieces=pieces, step_length=length))


def least_bends(ground: CostSurface, start: RouteEnd, end: RouteEnd) -> int:
    """1 where the straight from START to END is no line: a bearing forbids it, or it meets a cell
    that is closed with its neighbours (`ground` as :func:`optimistic` makes it)."""
    east, north = end.easting - start.easting, end.northing - start.northing
    bearing = math.degrees(math.atan2(east, north))
    for one in (start, end):
        if (
            one.bearing_deg is not None
            and abs(math.remainder(one.bearing_deg - bearing, 360.0)) > STRAIGHT_DEG
        ):
            return 1
    u, v = ground.grid.to_cells(
        np.array([start.easting, end.easting]), np.array([start.northing, end.northing])
    )
    points = np.column_stack([u, v])
    passed, trace = trace_polyline(points, np.hypot(*np.diff(points, axis=0).T))
    inside = (
        (passed[:, 0] >= 0)
        & (passed[:, 1] >= 0)
        & (passed[:, 0] < ground.grid.cols)
        & (passed[:, 1] < ground.grid.rows)
    )
    if not inside.all():
        return 1
    closed = ~np.isfinite(ground.ground[passed[:, 1], passed[:, 0], 0])
    return int((trace[closed, 0] > 1e-6).any())


def _with_turns(
    space: SearchSpace, ground: CostSurface, rules: RouteRules, field: RelaxedField, first: RouteEnd,
    last: RouteEnd, progress: Progress,
) -> float:  # fmt: skip
    """Bound between two positions that counts changes of the turning side."""
    bend = rules.bend_cost_m / ground.grid.cell_m
    for bends in (FEW_BENDS, 4.0 * FEW_BENDS):
        # What costs more than so many bends is not looked at: the cheapest chain rarely does.
        most = field.optimum + bends * bend
        field.grow(SLACK * most)
        cost = turning_bound(space, field.ahead(), bend, first, last, progress)
        if cost <= most:
            return _less_ends(cost, ground, first, last)
    return _less_ends(most, ground, first, last)


def _field(
    space: SearchSpace, ground: CostSurface, first: RouteEnd, last: RouteEnd, progress: Progress
) -> RelaxedField:
    """The relaxed field of steps that count their share."""
    headings = space.rules.headings
    gates = []
    for portal, end in ((0, first), (1, last)):
        cell = cell_of(ground.grid, end)
        gates.append([Gate(portal, 0, cell, h, None, np.nan, 0.0) for h in range(headings)])
    positions = [(end.easting, end.northing) for end in (first, last)]
    net = net_of(gates[0], gates[1], positions, 1, 1, ground, headings)
    # The field's guide takes a metre for a metre; the shares are within its slack.
    return RelaxedField(shortened(space), net, 1, progress)


def _less_ends(cost: float, ground: CostSurface, first: RouteEnd, last: RouteEnd) -> float:
    """A chain's cost between the centres of the ends' cells, cells, as a bound in equivalent metres."""
    off = 0.0
    for end in (first, last):
        u, v = ground.grid.to_cells(end.easting, end.northing)
        off += math.hypot(u - math.floor(u) - 0.5, v - math.floor(v) - 0.5)
    return max(cost - END_CELLS - off, 0.0) * ground.grid.cell_m * (1.0 - ROUNDING)


def _trimmed(assets: Assets) -> Assets:
    """Assets without angle limits, shortened where they end."""
    segments = assets.segments.copy()
    keep = np.ones(len(segments), dtype=bool)
    for number in range(len(assets.fee_m)):
        mine = np.flatnonzero(assets.asset == number)
        for tip, other in ((mine[:1], (0, 1, 2, 3)), (mine[-1:], (2, 3, 0, 1))):
            for s in tip:
                a, b = segments[s, list(other[:2])], segments[s, list(other[2:])]
                size = float(np.hypot(*(b - a)))
                keep[s] = keep[s] and size > TRIM_CELLS
                segments[s, list(other[:2])] = a + (b - a) * min(TRIM_CELLS / max(size, 1e-9), 1.0)
    return replace(
        assets, segments=segments[keep], asset=assets.asset[keep], sin_min_angle=np.zeros_like(assets.fee_m)
    )
