"""The relaxed cost-to-go: what is left to pay when a line may turn as it likes.

It bounds every line of moves from below, up to the corners that bends cut (see
:mod:`corridor.routing.search`), and is completed only as far as a search needs.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.headings import ORDERS
from corridor.kernels.relax import PAD, TILE, least_cone, planes_of, relax, special_cells
from corridor.progress import Progress, silent
from corridor.routing.portals import PortalNet
from corridor.routing.space import SearchSpace

SLACK = 1.02
"""The field is first completed up to this multiple of the relaxed optimum and a few bends."""

TILES_PER_BATCH = 64

BLOCK = 24
"""Exits within a block of this many cells squared guide as one."""


class RelaxedField:
    """Relaxed cost-to-go of every stage of a search, in cells.

    Attributes
    ----------
    optimum : float
        Relaxed cost of the whole line; infinite when not even that exists.
    limit : float
        No relaxed line through a cell still unknown costs less than this.
    """

    def __init__(self, space: SearchSpace, net: PortalNet, stages: int = 1, progress: Progress = silent):
        self.space, self.net, self.stages, self.progress = space, net, stages, progress
        ground = space.ground
        self.cells = ground.rows * ground.cols
        reach = ORDERS[space.rules.headings]
        self._planes = planes_of(ground.cells, ground.rows, ground.cols)
        self._special = special_cells(ground.cells, space.crossings.row, ground.rows, ground.cols, reach)
        self._shifts = _shifts(space)
        tiles = (-(-ground.rows // TILE), -(-ground.cols // TILE))
        self._known = np.zeros(tiles, dtype=np.int64)
        self._slot = np.zeros(1, dtype=np.int64)
        self._costs = np.empty((0, space.rules.headings, TILE, TILE), dtype=np.float32)
        shape = (stages, ground.rows + 2 * PAD, ground.cols + 2 * PAD)
        self._field = np.full(shape, np.inf)
        self._waiting = np.full((stages, *tiles), np.inf)
        self._guide = self._straight_back()
        self._portal_value = np.full(len(net.positions), np.inf)
        self._portal_value[net.kernel.goal] = 0.0
        for stage in reversed(range(stages)):
            self._seed(stage)
            self._complete(stage, math.inf if stages > 1 else 0.0)
        self.optimum = float(self._portal_value[0])

    @property
    def limit(self) -> float:
        """See the class."""
        return float(self._waiting.min())

    def grow(self, limit: float) -> None:
        """Complete the field at least up to `limit`."""
        for stage in range(self.stages):
            self._complete(stage, limit)

    def lower(self, values: NDArray) -> bool:
        """Lower the field to `values` (stages * cells,) where they are less; True if any was.

        What bends between those cells save is then part of the field, which
        remains a lower bound for steps and for all bends that were walked.
        """
        limit = self.limit
        values = values.reshape(self.stages, self.space.ground.rows, self.space.ground.cols)
        inner = self._field[:, PAD:-PAD, PAD:-PAD]
        less = values < inner - 1e-6
        for stage, row, col in np.argwhere(less):
            inner[stage, row, col] = values[stage, row, col]
            tile = (stage, row // TILE, col // TILE)
            key = values[stage, row, col] + self._guide[row, col]
            self._waiting[tile] = min(self._waiting[tile], key)
        if less.any():
            for stage in reversed(range(self.stages)):
                self._complete(stage, limit)
            self.optimum = float(self._portal_value[0])
        return bool(less.any())

    def ahead(self) -> NDArray[np.float64]:
        """(stages * cells,) the field; infinity where it is not final yet."""
        inner = self._field[:, PAD:-PAD, PAD:-PAD]
        final = inner + self._guide[None] <= self.limit
        return np.where(final, inner, np.inf).ravel()

    def _straight_back(self) -> NDArray:
        """(rows, cols) what the way back to the start costs at least: the straight at the least price.

        Exits are gathered in blocks, each a cone that lies below those of its exits. Only where all
        exits belong to one portal; otherwise 0, which guides nowhere.
        """
        ground, exits = self.space.ground, self.net.exits
        price = float(ground.cells[:, 0].min())
        if self.stages > 1 or len({gate.portal for gate in exits}) != 1 or not math.isfinite(price):
            return np.zeros((ground.rows, ground.cols))
        cells = np.array([gate.cell for gate in exits])
        costs = np.array([gate.cost for gate in exits])
        row, col = np.divmod(cells, ground.cols)
        block, member = np.unique(np.column_stack([row // BLOCK, col // BLOCK]), axis=0, return_inverse=True)
        v, u = ((block + 0.5) * BLOCK).T
        member = member.ravel()
        off = np.hypot(col + 0.5 - u[member], row + 0.5 - v[member])
        value = np.full(len(block), np.inf)
        np.minimum.at(value, member, costs - price * off)
        return least_cone(np.column_stack([u, v, value]), price, ground.rows, ground.cols)

    def _seed(self, stage: int) -> None:
        for gate in self.net.entries:
            if gate.stage != stage:
                continue
            value = gate.cost + self._portal_value[gate.portal]
            row, col = divmod(gate.cell, self.space.ground.cols)
            if value < self._field[stage, row + PAD, col + PAD]:
                self._field[stage, row + PAD, col + PAD] = value
                tile = (stage, row // TILE, col // TILE)
                self._waiting[tile] = min(self._waiting[tile], value + self._guide[row, col])

    def _complete(self, stage: int, limit: float) -> None:
        """Settle tiles up to `limit`, and far enough for every way into the stage to be final."""
        space = self.space
        gates = [gate for gate in self.net.exits if gate.stage == stage]
        cells = np.array([gate.cell for gate in gates], dtype=np.int64)
        rows, cols = cells // space.ground.cols, cells % space.ground.cols
        costs = np.array([gate.cost for gate in gates])
        field = self._field[stage]
        while True:
            values = costs + field[rows + PAD, cols + PAD]
            best = float(values.min()) if values.size else -math.inf
            wanted = max(limit, best * SLACK + 3.0 * space.moves.bend_cost)
            least = float(self._waiting[stage].min())
            if not (least <= wanted and math.isfinite(least)):
                break
            if self._slot[0] == len(self._costs):
                self._more_costs()
            relax(
                space.ground, space.moves, space.crossings, self._planes, self._shifts, self._special,
                field, self._guide, self._waiting[stage], self._known, self._slot, self._costs,
                TILES_PER_BATCH, wanted,
            )  # fmt: skip
            self.progress("relaxed field", min(1.0, self._slot[0] / self._known.size))
        for gate, value in zip(gates, values, strict=True):
            self._portal_value[gate.portal] = min(self._portal_value[gate.portal], value)

    def _more_costs(self) -> None:
        room = min(max(64, 2 * len(self._costs)), self._known.size)
        grown = np.empty((room, *self._costs.shape[1:]), dtype=np.float32)
        grown[: len(self._costs)] = self._costs
        self._costs = grown


def _shifts(space: SearchSpace) -> NDArray[np.int64]:
    """(m, 2) columns and rows of the cells of all step stencils, relative."""
    last = space.moves.step_row[-1]
    cols = space.ground.cols
    offsets = space.moves.offsets[:last]
    # Steps reach a few columns at most, far less than half a row: the split is unique.
    row = np.floor_divide(offsets + cols // 2, cols)
    return np.column_stack([offsets - row * cols, row])
