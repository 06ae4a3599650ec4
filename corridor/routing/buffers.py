"""Arrays that the search kernels fill and the caller makes larger between batches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.queue import push


def _longer(array: NDArray, used: int, room: int) -> NDArray:
    grown = np.empty(room, dtype=array.dtype)
    grown[:used] = array[:used]
    return grown


@dataclass(slots=True, eq=False)
class Heap:
    """A binary heap (see :mod:`corridor.kernels.queue`)."""

    keys: NDArray[np.float64]
    items: NDArray[np.int64]
    size: int = 0

    @classmethod
    def empty(cls) -> Heap:
        """A heap with room for a first batch."""
        return cls(np.empty(1 << 16), np.empty(1 << 16, dtype=np.int64))

    def room(self, more: int) -> None:
        """Make room for `more` entries."""
        if self.size + more > len(self.keys):
            room = 2 * (self.size + more)
            self.keys = _longer(self.keys, self.size, room)
            self.items = _longer(self.items, self.size, room)

    def add(self, key: float, item: int) -> None:
        """Push one entry."""
        self.room(1)
        self.size = push(self.keys, self.items, self.size, key, item)


@dataclass(slots=True, eq=False)
class Later:
    """Bends put off by A* until its limit rises."""

    state: NDArray[np.int64]
    bend: NDArray[np.int32]
    cost: NDArray[np.float64]
    key: NDArray[np.float64]

    @classmethod
    def empty(cls) -> Later:
        """A list with room for a first batch."""
        room = 1 << 16
        return cls(
            np.empty(room, dtype=np.int64), np.empty(room, dtype=np.int32), np.empty(room), np.empty(room)
        )

    def room(self, total: int) -> None:
        """Make room for `total` entries."""
        used = len(self.state)
        if total > used:
            self.state, self.bend, self.cost, self.key = (
                _longer(array, used, 2 * total) for array in (self.state, self.bend, self.cost, self.key)
            )
