"""Any line that obeys the rules, quickly: a guide instead of a bound, and no crowds.

To know whether a line exists the cheapest one is not needed. The relaxed field
is taken `greed` times: the search then heads for the end. Where it does not get
on, crowded places wait (:mod:`corridor.kernels.explore`), so that it looks
elsewhere. What stands in the way may be near either end: both are searched from, in turns.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from corridor.kernels.explore import BLOCK, explore
from corridor.model.alignment import Alignment
from corridor.progress import Progress, silent
from corridor.routing.buffers import Heap
from corridor.routing.portals import PortalNet
from corridor.routing.relaxed import RelaxedField
from corridor.routing.search import Found, trace
from corridor.routing.space import SearchSpace


@dataclass(frozen=True, slots=True)
class Try:
    """How one try to find a line is made.

    Attributes
    ----------
    greed : float
        Factor on the field.
    crowding : float
        Cells that a state waits longer for each that was settled in its block and heading.
    most_states : int
        Settled from each end before it is given up. A try that is given up has found
        no line and disproved none.
    """

    greed: float
    crowding: float
    most_states: int


LONG_TRIES = (Try(2.0, 50.0, 150_000), Try(2.0, 200.0, 150_000), Try(1.5, 10.0, 300_000))
QUICK_TRIES = (Try(2.0, 50.0, 40_000), Try(2.0, 200.0, 40_000))
"""For a first look at many places: a line is mostly found after a few thousand states."""

TURN = 20_000
"""States settled from one end before it is the other's turn."""

BATCH = 2_000


def any_line(
    space: SearchSpace, net: PortalNet, stages: int = 1, *, turned: Callable[[], PortalNet] | None = None,
    tries: Sequence[Try] = LONG_TRIES, progress: Progress = silent,
) -> tuple[Alignment | None, bool]:  # fmt: skip
    """A line between the portals of a net.

    Parameters
    ----------
    turned : callable, optional
        Makes the net of the same line from its end to its beginning, when it is asked for.

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
    ways = [(net, field)]
    for one in tries:
        probes = [_Probe(space, *way, one) for way in ways]
        turn = 0
        while any(probe.settled < one.most_states for probe in probes):
            probe = probes[turn % len(probes)]
            probe.settle(min(probe.settled + TURN, one.most_states), progress)
            if probe.found:
                line = probe.line()
                return (line if probe.net is net else line.reversed()), True
            if probe.exhausted:
                return None, True
            if turned is not None and len(ways) == 1:
                back = turned()
                if not back.exits or not back.entries:
                    return None, True
                ways.append((back, RelaxedField(space, back, stages, progress)))
                probes.append(_Probe(space, *ways[1], one))
            turn += 1
    return None, False


class _Probe:
    """One try from one end, settled a number of states at a time."""

    def __init__(self, space: SearchSpace, net: PortalNet, field: RelaxedField, how: Try):
        self.space, self.net, self.field, self.how = space, net, field, how
        self.settled, self.found, self.exhausted = 0, False, False
        self._begin()

    def _begin(self) -> None:
        headings, ground = self.space.rules.headings, self.space.ground
        states = self.field.stages * self.field.cells * headings
        blocks = -(-ground.rows // BLOCK) * -(-ground.cols // BLOCK)
        self._ahead = self.field.ahead()
        self._crowd = np.zeros(self.field.stages * blocks * headings, dtype=np.int32)
        self._best = np.empty(states)
        self._came = np.zeros(states, dtype=np.uint32)
        self._portal_best = np.full(len(self.net.positions), np.inf)
        self._portal_best[0] = 0.0
        self._portal_came = np.full(len(self.net.positions), -1, dtype=np.int64)
        self._heap = Heap.empty()
        self._heap.add(0.0, -1)

    def settle(self, up_to: int, progress: Progress) -> None:
        """Settle states until so many are settled in all, the end is reached or nothing is left."""
        space, heap = self.space, self._heap
        per_state = len(space.bends) // space.rules.headings + len(space.crossings.levels) + 4
        counts = np.array([self.settled, 0], dtype=np.int64)
        while not counts[1] and heap.size and counts[0] < up_to:
            heap.room(BATCH * per_state + len(self.net.exits) + len(self.net.entries))
            heap.size = explore(
                space.ground, space.moves, space.crossings, self.net.kernel, self._ahead, self.how.greed,
                self.how.crowding, self._crowd, self._best, self._came, self._portal_best, self._portal_came,
                heap.keys, heap.items, heap.size, min(BATCH, up_to - counts[0]), counts,
            )  # fmt: skip
            progress("search", min(1.0, counts[0] / up_to))
        self.settled, self.found = int(counts[0]), bool(counts[1])
        if self.found or heap.size:
            return
        if math.isfinite(self.field.limit):
            # The only way may leave the part of the field that is known.
            limit, optimum = self.field.limit, self.field.optimum
            self.field.grow(limit * 1.5 if limit < 4.0 * optimum else math.inf)
            self._begin()
        else:
            self.exhausted = True

    def line(self) -> Alignment:
        """The line that was found."""
        cost = float(self._portal_best[self.net.kernel.goal])
        found = Found(cost, self.settled, np.empty(0), self._came, self._portal_came)
        return trace(self.space, self.net, found)[0]
