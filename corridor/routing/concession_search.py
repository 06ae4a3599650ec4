"""Any line that obeys the rules, quickly: the search with a bound that is no bound but a guide.

To know whether a line exists the cheapest one is not needed. The relaxed field
is taken `greed` times: the search then heads for the end and settles few states.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from corridor.kernels.search import expand
from corridor.model.alignment import Alignment
from corridor.progress import Progress, silent
from corridor.routing.buffers import Heap
from corridor.routing.portals import PortalNet
from corridor.routing.relaxed import RelaxedField
from corridor.routing.search import Found, trace
from corridor.routing.space import SearchSpace

GREED = ((1.5, 300_000), (2.5, 400_000))
"""Factor on the field, and states settled before the search is given up, one try after the other.

A search that is given up has found no line and disproved none: greed of one
kind runs into dead ends that another passes by.
"""

QUICK = ((1.5, 60_000), (2.5, 60_000))
"""For a first look at many places: a line is mostly found after a few thousand states."""

BATCH = 2_000

UNREACHED = 1e15
"""Keys beyond this belong to states from which the end cannot be reached."""


def any_line(
    space: SearchSpace, net: PortalNet, stages: int = 1, *, tries: Sequence[tuple[float, int]] = GREED,
    progress: Progress = silent,
) -> tuple[Alignment | None, bool]:  # fmt: skip
    """A line between the portals of a net.

    Returns
    -------
    line : Alignment or None
    whole : bool
        False when the search was given up: there may be a line all the same.
    """
    if not net.exits or not net.entries:
        return None, True
    field = RelaxedField(space, net, stages, progress)
    if not math.isfinite(field.optimum):
        return None, True
    for greed, most_states in tries:
        while True:
            found, given_up = _run(space, net, field, greed, most_states, progress)
            if math.isfinite(found.cost):
                return trace(space, net, found)[0], True
            if given_up or not math.isfinite(field.limit):
                break
            # The only way may leave the part of the field that is known.
            field.grow(field.limit * 1.5 if field.limit < 4.0 * field.optimum else math.inf)
        if not given_up:
            return None, True
    return None, False


def _run(
    space: SearchSpace,
    net: PortalNet,
    field: RelaxedField,
    greed: float,
    most_states: int,
    progress: Progress,
) -> tuple[Found, bool]:
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
    counts = np.zeros(3, dtype=np.int64)
    lowered = np.full(len(ahead), np.inf)
    nothing = np.empty(0, dtype=np.int64)
    per_state = len(space.bends) // headings + len(space.crossings.levels) + 4
    while not counts[1] and heap.size and counts[0] < most_states:
        heap.room(BATCH * per_state + len(net.exits))
        heap.size = expand(
            space.ground, space.moves, space.crossings, net.kernel, ahead, greed, UNREACHED, UNREACHED,
            best, came, portal_best, portal_came, heap.keys, heap.items, heap.size,
            nothing, nothing.astype(np.int32), np.empty(0), np.empty(0), BATCH, counts, lowered,
        )  # fmt: skip
        progress("search", min(1.0, counts[0] / most_states))
    found = Found(float(portal_best[net.kernel.goal]), int(counts[0]), lowered, came, portal_came)
    if not counts[1]:
        found = Found(math.inf, int(counts[0]), lowered, came, portal_came)
    return found, bool(not counts[1] and heap.size)
