"""A figure that no line on the gridded ground can beat.

What is bounded
---------------
Any curve from START to END (through the via points in order) over the gridded
ground, with any bends and in any direction, that uses no cell which is closed
as a whole and crosses assets at their fee. Bend prices are not part of it, nor
are the bend radius, straights, bearings, and slope limits along and across by
themselves: the bound sees a slope only where no heading at all could pass.

Why it holds
------------
1. Every cell gets the least price that any direction pays in it:
   ``factor + slope_cost (|g| / tan(larger limit))^2``, and is open unless even
   the best heading breaks a limit: ``|g|^2 > tan^2 along + tan^2 across``.
2. Then every cell gets the least price among itself and its eight neighbours.
   A curve may so be followed from cell centre to cell centre within one cell
   without paying more per metre than the curve does.
3. The cheapest chain of grid steps costs at most the direction excess (1.0131
   for 32 headings, exact) more than the curve it follows, and two cells more at
   its ends. The bound is that chain's cost less two cells over the excess.

Step 3 is exact on uniform ground and conservative on ground that varies slowly
against the cell; it is tested, not proven, on ground rough at cell level.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import minimum_filter

from corridor.kernels.headings import direction_excess
from corridor.model.results import Assets, CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.progress import Progress, silent
from corridor.routing.portals import Gate, net_of
from corridor.routing.relaxed import RelaxedField
from corridor.routing.space import search_space

ENDS_CELLS = 2.0
"""From the ends to the centres of their cells and back, cells."""

TRIM_CELLS = 3.0
"""Assets are shortened by this at free ends: a chain of steps beside a curve may pass the other way."""


def optimistic(surface: CostSurface) -> CostSurface:
    """The ground as steps 1 and 2 of the module's text make it."""
    margin = surface.slope_margin
    along, across = surface.tan_along / margin, surface.tan_across / margin
    steep = surface.ground[..., 1] ** 2 + surface.ground[..., 2] ** 2
    price = surface.ground[..., 0] + surface.slope_cost * steep / max(along, across) ** 2
    price[steep > (along**2 + across**2) * (1.0 + 1e-6)] = np.inf
    ground = np.zeros_like(surface.ground)
    ground[..., 0] = minimum_filter(price, size=3, mode="nearest")
    return replace(
        surface,
        ground=ground,
        rim=np.zeros((1, 3)),
        assets=_trimmed(surface.assets),
        tan_along=along,
        tan_across=across,
        slope_margin=1.0,
    )


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
    space = search_space(ground, replace(rules, bend_cost_m=0.0))
    stops = (start, *via, end)
    return sum(_between(space, ground, first, last, progress) for first, last in pairwise(stops))


def _between(space, ground: CostSurface, first: RouteEnd, last: RouteEnd, progress: Progress) -> float:
    """Bound between two positions."""
    headings = space.rules.headings
    gates = []
    for portal, end in ((0, first), (1, last)):
        u, v = ground.grid.to_cells(end.easting, end.northing)
        cell = int(np.floor(v)) * ground.grid.cols + int(np.floor(u))
        gates.append([Gate(portal, 0, cell, h, None, np.nan, 0.0) for h in range(headings)])
    positions = [(end.easting, end.northing) for end in (first, last)]
    net = net_of(gates[0], gates[1], positions, 1, 1, ground, headings)
    field = RelaxedField(space, net, 1, progress)
    cells = max(field.optimum - ENDS_CELLS, 0.0)
    # Step costs are summed from float32 figures: 1e-6 covers their rounding.
    return cells * ground.grid.cell_m / direction_excess(headings) * (1.0 - 1e-6)


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
