"""One window of the grid: its soundings into statistics, outliers set aside.

Windows are independent of each other, so that several threads can work at
once: each writes cells that no other writes, and all sums are of integers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import DTypeLike, NDArray

from corridor.kernels.binning import (
    COARSE_UNITS,
    DEPTH_UNITS,
    accumulate,
    accumulate_weights,
    cell_medians,
    cells_of,
    empty_records,
    finish,
    finish_weights,
    order_by_cell,
)
from corridor.kernels.survey_outliers import compare_lines, flag_outliers
from corridor.model.grid import Grid
from corridor.model.seabed import Uncertainty
from corridor.model.survey import SurveySettings, uncertainty_of
from corridor.survey.s44 import SIGMA_TO_95, TVU

WINDOW_SOUNDINGS = 2_000_000
"""A tile with more soundings than this is worked in parts."""

DIFFERENCE_BINS = 2000

FLOAT_LAYERS = ("depth_m", "shoalest_m", "deepest_m", "spread_m", "uncertainty_m")

NO_OUTLIERS = np.empty((0, 4))


@dataclass(frozen=True, slots=True)
class Window:
    """Rows and columns of the grid, and the same with a rim of one cell that lends its soundings only."""

    row0: int
    row1: int
    col0: int
    col1: int
    grid: Grid

    @property
    def top(self) -> int:
        """First row of the rim."""
        return max(self.row0 - 1, 0)

    @property
    def left(self) -> int:
        """First column of the rim."""
        return max(self.col0 - 1, 0)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns, the rim included."""
        return (
            min(self.row1 + 1, self.grid.rows) - self.top,
            min(self.col1 + 1, self.grid.cols) - self.left,
        )

    @property
    def target(self) -> tuple[slice, slice]:
        """The window in the grid."""
        return slice(self.row0, self.row1), slice(self.col0, self.col1)

    def core(self, values: NDArray) -> NDArray:
        """The window's own cells out of values for all cells, rim included."""
        rows = slice(self.row0 - self.top, self.row1 - self.top)
        cols = slice(self.col0 - self.left, self.col1 - self.left)
        return values.reshape(self.shape)[rows, cols]

    @property
    def inner(self) -> NDArray[np.bool_]:
        """True for the window's own cells, flat, rim included."""
        mask = np.zeros(self.shape, dtype=bool)
        self.core(mask)[:] = True
        return mask.ravel()


def windows_of(count: int, tile: tuple[int, int], tile_m: float, grid: Grid) -> Iterator[Window]:
    """Windows of the cells whose top left corner lies in a tile that holds `count` soundings.

    Every cell belongs to exactly one tile: the same expression gives the end
    of one and the start of the next.
    """

    def col_at(edge: int) -> int:
        return min(max(math.ceil((edge * tile_m - grid.west_m) / grid.cell_m), 0), grid.cols)

    def row_at(edge: int) -> int:
        return min(max(math.ceil((grid.north_m - edge * tile_m) / grid.cell_m), 0), grid.rows)

    row, col = tile
    parts = math.ceil(math.sqrt(max(count, 1) / WINDOW_SOUNDINGS))
    row_cuts = np.linspace(row_at(row + 1), row_at(row), parts + 1).astype(int).tolist()
    col_cuts = np.linspace(col_at(col), col_at(col + 1), parts + 1).astype(int).tolist()
    for r0, r1 in pairwise(row_cuts):
        for c0, c1 in pairwise(col_cuts):
            if r1 > r0 and c1 > c0:
                yield Window(r0, r1, c0, c1, grid)


@dataclass(frozen=True, slots=True, eq=False)
class Layers:
    """The result's arrays, and the rules that all windows share.

    `new_array` makes the arrays. `passes` and `apart` are None where the survey has a single line.
    """

    grid: Grid
    settings: SurveySettings
    counted: bool
    weighted: bool
    lines: int
    bin_m: float
    new_array: Callable[[tuple[int, int], DTypeLike, float], NDArray]
    floats: dict[str, NDArray[np.float32]] = field(init=False)
    count: NDArray[np.uint32] = field(init=False)
    rejected: NDArray[np.uint16] = field(init=False)
    passes: NDArray[np.uint8] | None = field(init=False)
    apart: NDArray[np.float32] | None = field(init=False)

    def __post_init__(self) -> None:
        shape = self.grid.shape
        several = self.counted and self.lines > 1
        for name, value in (
            ("floats", {name: self.new_array(shape, np.float32, np.nan) for name in FLOAT_LAYERS}),
            ("count", self.new_array(shape, np.uint32, 0)),
            ("rejected", self.new_array(shape, np.uint16, 0)),
            ("passes", self.new_array(shape, np.uint8, 0) if several else None),
            ("apart", self.new_array(shape, np.float32, np.nan) if several else None),
        ):
            object.__setattr__(self, name, value)

    @property
    def outlier_floor(self) -> Uncertainty:
        """Least distance of an outlier: as set, or half the TVU of the order."""
        if self.settings.outlier_floor_m is not None:
            return Uncertainty(self.settings.outlier_floor_m, 0.0)
        tvu = TVU[self.settings.order]
        return Uncertainty(0.5 * tvu.a_m, 0.5 * tvu.b)


class Worker:
    """One thread's share of the work, and its own tally of survey lines."""

    def __init__(self, layers: Layers):
        self.layers = layers
        self.declared = uncertainty_of(layers.settings.uncertainty, TVU) or TVU[layers.settings.order]
        self.table = np.zeros((layers.lines, 2), dtype=np.int64)
        self.histogram = np.zeros((layers.lines, DIFFERENCE_BINS), dtype=np.int64)
        self.scratch = np.zeros((2, layers.lines), dtype=np.int64)

    def work(self, window: Window, stretches: Iterator[list[NDArray]]) -> NDArray[np.float64]:
        """Write the window's cells; returns the rejected soundings (n, 4): easting, northing, depth, line."""
        layers = self.layers
        columns, cell = _load(window, stretches)
        if not len(cell):
            return NO_OUTLIERS
        depth = columns[2]
        uncertainty = columns[4].astype(np.float64) if layers.weighted else np.ones(1)
        weight_one = float(np.median(uncertainty))
        rows, cols = window.shape
        start, order = order_by_cell(cell, rows * cols)
        bad = np.zeros(len(cell), dtype=bool)

        def binned(leave_out: NDArray[np.bool_]) -> _Figures:
            return _binned(window, columns, uncertainty if layers.weighted else None, weight_one, leave_out)

        figures = binned(np.zeros(1, dtype=bool))
        if layers.counted:
            self._flag(window, columns, start, order, figures, bad)
            if bad.any():
                figures = binned(bad)
        estimate = figures.weighted if layers.settings.estimator == "weighted" else figures.mean
        if layers.settings.estimator == "median":
            estimate = np.empty(rows * cols)
            cell_medians(depth, bad, start, order, estimate)
        self._store(window, figures, estimate, weight_one)
        if layers.passes is not None and layers.apart is not None:
            self._lines(window, columns, bad, start, order, layers.passes, layers.apart)
        index = np.flatnonzero(bad & window.inner[cell])
        return np.column_stack([column[index] for column in columns[:4]])

    def _flag(
        self,
        window: Window,
        columns: list[NDArray],
        start: NDArray,
        order: NDArray,
        figures: _Figures,
        bad: NDArray[np.bool_],
    ) -> None:
        grid, settings, floor = window.grid, self.layers.settings, self.layers.outlier_floor
        rows, cols = window.shape
        medians = np.empty(rows * cols)
        cell_medians(columns[2], bad, start, order, medians)
        u = (columns[0] - grid.west_m) / grid.cell_m - window.left
        v = (grid.north_m - columns[1]) / grid.cell_m - window.top
        flag_outliers(
            u, v, columns[2], start, order, medians, figures.shoalest, figures.deepest, rows, cols,
            floor.a_m, floor.b, settings.outlier_factor, settings.outlier_support, bad,
        )  # fmt: skip

    def _store(
        self,
        window: Window,
        figures: _Figures,
        estimate: NDArray,
        weight_one: float,
    ) -> None:
        layers, count = self.layers, figures.count
        uncertainty = self._uncertainty(estimate, count, figures.spread, figures.weight, weight_one)
        columns = (estimate, figures.shoalest, figures.deepest, figures.spread, uncertainty)
        for name, values in zip(FLOAT_LAYERS, columns, strict=True):
            layers.floats[name][window.target] = window.core(values)
        layers.count[window.target] = window.core(count)
        layers.rejected[window.target] = np.minimum(window.core(figures.rejected), 65535)

    def _uncertainty(
        self, depth: NDArray, count: NDArray, spread: NDArray, weight: NDArray, weight_one: float
    ) -> NDArray:
        """95 %: what is declared of a sounding, not lessened by averaging, and the mean's standard error.

        Of several uncertainties in a cell, ``sqrt(n / sum(1 / u**2))``.
        """
        if self.layers.weighted:
            with np.errstate(divide="ignore", invalid="ignore"):
                declared = np.sqrt(count / weight) * weight_one
        else:
            declared = self.declared.at(depth)
        error = np.zeros_like(depth)
        several = np.isfinite(spread)
        error[several] = SIGMA_TO_95 * spread[several] / np.sqrt(count[several])
        return np.hypot(declared, error)

    def _lines(
        self,
        window: Window,
        columns: list[NDArray],
        bad: NDArray,
        start: NDArray,
        order: NDArray,
        passes: NDArray,
        apart: NDArray,
    ) -> None:
        rows, cols = window.shape
        own_passes = np.zeros(rows * cols, dtype=np.uint8)
        own_apart = np.full(rows * cols, np.nan)
        compare_lines(
            columns[2], columns[3], bad, start, order, window.inner, self.scratch[0], self.scratch[1],
            own_passes, own_apart, self.table, self.histogram, self.layers.bin_m,
        )  # fmt: skip
        passes[window.target] = window.core(own_passes)
        apart[window.target] = window.core(own_apart)


@dataclass(frozen=True, slots=True, eq=False)
class _Figures:
    """Statistics of a window's cells, rim included, arrays (cells,); depths in m.

    `weighted` and `weight` are the mean and the count where soundings have no weights.
    """

    count: NDArray[np.uint32]
    rejected: NDArray[np.uint32]
    mean: NDArray[np.float64]
    shoalest: NDArray[np.float64]
    deepest: NDArray[np.float64]
    spread: NDArray[np.float64]
    weighted: NDArray[np.float64]
    weight: NDArray


def _binned(
    window: Window,
    columns: list[NDArray],
    uncertainty: NDArray | None,
    weight_one: float,
    leave_out: NDArray[np.bool_],
) -> _Figures:
    rows, cols = window.shape
    grid = window.grid
    place = grid.west_m, grid.north_m, 1.0 / grid.cell_m, window.top, window.left, cols
    for units in (DEPTH_UNITS, COARSE_UNITS):
        records = empty_records(rows * cols)
        if accumulate(*columns[:3], leave_out, units, *place, records):
            break
    mean, shoalest, deepest, spread = (np.empty(rows * cols) for _ in range(4))
    finish(records, units, mean, shoalest, deepest, spread)
    count = records["count"]
    if uncertainty is None:
        return _Figures(count, records["rejected"], mean, shoalest, deepest, spread, mean, count)
    weights = np.zeros((rows * cols, 2), dtype=np.int64)
    accumulate_weights(*columns[:3], uncertainty, leave_out, weight_one, units, *place, weights)
    weighted, weight = np.empty(rows * cols), np.empty(rows * cols)
    finish_weights(records, weights, units, weighted, weight)
    return _Figures(count, records["rejected"], mean, shoalest, deepest, spread, weighted, weight)


def _load(window: Window, stretches: Iterator[list[NDArray]]) -> tuple[list[NDArray], NDArray[np.int64]]:
    """The soundings of a window with its rim, and the cell of each."""
    grid = window.grid
    rows, cols = window.shape
    kept: list[list[NDArray]] = []
    cells: list[NDArray] = []
    for columns in stretches:
        cell = np.empty(len(columns[0]), dtype=np.int64)
        cells_of(
            columns[0], columns[1], grid.west_m, grid.north_m, 1.0 / grid.cell_m, window.top, window.left,
            rows, cols, cell,
        )  # fmt: skip
        within = np.flatnonzero(cell >= 0)
        kept.append([column[within] for column in columns])
        cells.append(cell[within])
    if not kept:
        return [], np.empty(0, dtype=np.int64)
    return [np.concatenate(parts) for parts in zip(*kept, strict=True)], np.concatenate(cells)
