"""Second pass: tile by tile, soundings into cells, outliers set aside, gaps bridged."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from corridor.errors import SeabedError, SettingError
from corridor.kernels.binning import (
    COUNT,
    REJECTED,
    accumulate,
    cell_medians,
    cells_of,
    empty_records,
    finish,
    order_by_cell,
)
from corridor.kernels.survey_fill import bridge_gaps
from corridor.kernels.survey_outliers import compare_lines, flag_outliers
from corridor.model.grid import Grid
from corridor.model.seabed import Uncertainty
from corridor.model.survey import MEASURED, SurveySettings, SurveySurface, uncertainty_of
from corridor.progress import Progress, silent
from corridor.survey.collect import Collected, Store
from corridor.survey.s44 import SIGMA_TO_95, TVU

WINDOW_SOUNDINGS = 4_000_000
"""A tile with more soundings than this is worked in parts."""

REJECTED_KEPT = 2_000_000
"""Rejected soundings kept one by one; beyond that only their number per cell."""

DIFFERENCE_BINS = 2000


@dataclass(frozen=True, slots=True, eq=False)
class LineTally:
    """Differences between survey lines, as counted: see :func:`compare_lines`."""

    names: tuple[str, ...]
    table: NDArray[np.float64]
    histogram: NDArray[np.int64]
    bin_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Gridded:
    """The surface, the soundings set aside, and the tally of lines."""

    surface: SurveySurface
    rejected: dict[str, NDArray]
    lines: LineTally


def grid_for(
    collected: Collected, cell_m: float, crs: str, anchor_m: tuple[float, float], most_cells: int
) -> Grid:
    """The grid around all soundings, its lines at whole cells from `anchor_m`.

    Raises
    ------
    SeabedError
        When it would have more than `most_cells` cells.
    """
    west, south, east, north = collected.extent_m
    x0, y0 = anchor_m
    left = x0 + math.floor((west - x0) / cell_m) * cell_m
    top = y0 + math.ceil((north - y0) / cell_m) * cell_m
    cols = math.floor((east - left) / cell_m) + 1
    rows = math.floor((top - south) / cell_m) + 1
    if rows * cols > most_cells:
        raise SeabedError(
            f"a grid of {cell_m:g} m over {east - west:.0f} x {north - south:.0f} m has {rows * cols} cells, "
            f"more than max_cells = {most_cells}; survey the parts one by one, give a larger cell_m, or "
            "raise max_cells in [survey] (about 40 bytes a cell)"
        )
    return Grid(rows, cols, left, top, cell_m, crs)


def grid_tiles(
    store: Store,
    collected: Collected,
    grid: Grid,
    settings: SurveySettings,
    counted: bool,
    progress: Progress = silent,
) -> Gridded:
    """Work out the statistics of every cell.

    Parameters
    ----------
    store, collected : from the first pass
    grid : Grid
        Cells no larger than the tiles' halo serves.
    settings : SurveySettings
    counted : bool
        False for a survey that came as a grid: one value a cell, nothing to reject.
    """
    if settings.estimator == "weighted" and not collected.uncertainty:
        raise SettingError(
            "estimator = 'weighted' needs an uncertainty for every sounding; give a column of uncertainties "
            "in every file, or choose mean or median in [survey]"
        )
    plan = collected.plan
    if plan is None:
        return _Work(collected, grid, settings, counted).result()
    if grid.cell_m > plan.largest_cell_m * (1.0 + 1e-9):
        raise SettingError(f"cell_m must be <= {plan.largest_cell_m:g} for these tiles (got {grid.cell_m:g})")
    work = _Work(collected, grid, settings, counted)
    tiles = store.tiles()
    for number, tile in enumerate(tiles):
        for window in _windows(store.count(tile), tile, plan.tile_m, grid):
            work.window(window, store.stretches(tile))
        progress("gridding", (number + 1) / len(tiles))
    return work.result()


def _windows(
    count: int, tile: tuple[int, int], tile_m: float, grid: Grid
) -> Iterator[tuple[int, int, int, int]]:
    """(row from, row to, col from, col to) of the cells whose top left corner lies in a tile.

    Every cell belongs to exactly one tile: the same expression gives the end
    of one and the start of the next.
    """

    def col_at(edge: int) -> int:
        return min(max(math.ceil((edge * tile_m - grid.west_m) / grid.cell_m), 0), grid.cols)

    def row_at(edge: int) -> int:
        return min(max(math.ceil((grid.north_m - edge * tile_m) / grid.cell_m), 0), grid.rows)

    row, col = tile
    # The first and last tiles also take the cells that reach beyond the outermost edge.
    rows, cols = (row_at(row + 1), row_at(row)), (col_at(col), col_at(col + 1))
    parts = math.ceil(math.sqrt(max(count, 1) / WINDOW_SOUNDINGS))
    row_cuts = np.linspace(*rows, parts + 1).astype(int)
    col_cuts = np.linspace(*cols, parts + 1).astype(int)
    for r0, r1 in pairwise(row_cuts):
        for c0, c1 in pairwise(col_cuts):
            if r1 > r0 and c1 > c0:
                yield int(r0), int(r1), int(c0), int(c1)


class _Work:
    """Result arrays, and what one window does to them."""

    def __init__(self, collected: Collected, grid: Grid, settings: SurveySettings, counted: bool):
        self.collected, self.grid, self.settings, self.counted = collected, grid, settings, counted
        self.declared = uncertainty_of(settings.uncertainty, TVU)
        tvu = TVU[settings.order]
        floor = settings.outlier_floor_m
        self.floor = Uncertainty(0.5 * tvu.a_m, 0.5 * tvu.b) if floor is None else Uncertainty(floor, 0.0)
        self.layers = {
            name: np.full(grid.shape, np.nan, dtype=np.float32)
            for name in ("depth_m", "shoalest_m", "deepest_m", "spread_m", "uncertainty_m")
        }
        self.count = np.zeros(grid.shape, dtype=np.uint32)
        self.rejected = np.zeros(grid.shape, dtype=np.uint16)
        several = counted and len(collected.lines) > 1
        self.passes = np.zeros(grid.shape, dtype=np.uint8) if several else None
        self.apart = np.full(grid.shape, np.nan, dtype=np.float32) if several else None
        lines = len(collected.lines)
        deepest = max(census.deepest_m for census in collected.files if census.kept)
        self.bin_m = max(4.0 * float(tvu.at(deepest)) / DIFFERENCE_BINS, 1e-3)
        self.table = np.zeros((lines, 2))
        self.histogram = np.zeros((lines, DIFFERENCE_BINS), dtype=np.int64)
        self.scratch = np.zeros((2, lines), dtype=np.int64)
        self.outliers: list[NDArray] = []
        self.outliers_kept = 0

    def window(self, window: tuple[int, int, int, int], stretches: Iterator[list[NDArray]]) -> None:
        """Statistics of one window's cells; a rim of one cell around it lends its soundings only."""
        grid = self.grid
        r0, r1, c0, c1 = window
        top, left = max(r0 - 1, 0), max(c0 - 1, 0)
        rows, cols = min(r1 + 1, grid.rows) - top, min(c1 + 1, grid.cols) - left
        columns, cell = self._load(stretches, top, left, rows, cols)
        if not len(cell):
            return
        easting, northing, depth, line = columns[:4]
        uncertainty = columns[4].astype(np.float64) if len(columns) > 4 else np.ones(1)
        start, order = order_by_cell(cell, rows * cols)
        place = (grid.west_m, grid.north_m, 1.0 / grid.cell_m, top, left, cols)
        weight_one = float(np.median(uncertainty))
        bad = np.zeros(len(cell), dtype=bool)
        records = empty_records(rows * cols)
        accumulate(
            easting, northing, depth, uncertainty, np.zeros(1, dtype=bool), weight_one, *place, records
        )
        figures = _finished(records)
        if self.counted:
            self._flag(columns, start, order, figures, (top, left, rows, cols), bad)
            if bad.any():
                records = empty_records(rows * cols)
                accumulate(easting, northing, depth, uncertainty, bad, weight_one, *place, records)
                figures = _finished(records)
        inner = np.zeros((rows, cols), dtype=bool)
        inner[r0 - top : r1 - top, c0 - left : c1 - left] = True
        estimate = figures[{"mean": 0, "weighted": 1, "median": 0}[self.settings.estimator]]
        if self.settings.estimator == "median":
            estimate = np.empty(rows * cols)
            cell_medians(depth, bad, start, order, estimate)
        self._store(window, (top, left, rows, cols), records, figures, estimate, weight_one)
        if self.passes is not None:
            self._lines(window, (top, left, rows, cols), depth, line, bad, start, order, inner)
        self._set_aside(columns, bad & inner.ravel()[cell])

    def _load(
        self, stretches: Iterator[list[NDArray]], top: int, left: int, rows: int, cols: int
    ) -> tuple[list[NDArray], NDArray[np.int64]]:
        """The soundings of a window, and the cell of each."""
        kept: list[list[NDArray]] = []
        cells: list[NDArray] = []
        for columns in stretches:
            cell = np.empty(len(columns[0]), dtype=np.int64)
            cells_of(
                columns[0], columns[1], self.grid.west_m, self.grid.north_m, 1.0 / self.grid.cell_m,
                top, left, rows, cols, cell,
            )  # fmt: skip
            within = cell >= 0
            kept.append([column[within] for column in columns])
            cells.append(cell[within])
        if not kept:
            return [], np.empty(0, dtype=np.int64)
        return [np.concatenate(parts) for parts in zip(*kept, strict=True)], np.concatenate(cells)

    def _flag(
        self,
        columns: list[NDArray],
        start: NDArray,
        order: NDArray,
        figures: tuple[NDArray, ...],
        place: tuple[int, int, int, int],
        bad: NDArray[np.bool_],
    ) -> None:
        top, left, rows, cols = place
        medians = np.empty(rows * cols)
        cell_medians(columns[2], bad, start, order, medians)
        u = (columns[0] - self.grid.west_m) / self.grid.cell_m - left
        v = (self.grid.north_m - columns[1]) / self.grid.cell_m - top
        _, _, shoalest, deepest, _, _ = figures
        settings = self.settings
        flag_outliers(
            u, v, columns[2], start, order, medians, shoalest, deepest, rows, cols,
            self.floor.a_m, self.floor.b, settings.outlier_factor, settings.outlier_support, bad,
        )  # fmt: skip

    def _store(
        self,
        window: tuple[int, int, int, int],
        place: tuple[int, int, int, int],
        records: NDArray,
        figures: tuple[NDArray, ...],
        estimate: NDArray,
        weight_one: float,
    ) -> None:
        r0, r1, c0, c1 = window
        top, left, rows, cols = place
        target = (slice(r0, r1), slice(c0, c1))

        def part(values: NDArray) -> NDArray:
            return values.reshape(rows, cols)[r0 - top : r1 - top, c0 - left : c1 - left]

        _, _, shoalest, deepest, spread, weight = figures
        count = records[:, COUNT]
        uncertainty = self._uncertainty(estimate, count, spread, weight, weight_one)
        for name, values in (
            ("depth_m", estimate),
            ("shoalest_m", shoalest),
            ("deepest_m", deepest),
            ("spread_m", spread),
            ("uncertainty_m", uncertainty),
        ):
            self.layers[name][target] = part(values)
        self.count[target] = part(count)
        self.rejected[target] = np.minimum(part(records[:, REJECTED]), 65535)

    def _uncertainty(
        self, depth: NDArray, count: NDArray, spread: NDArray, weight: NDArray, weight_one: float
    ) -> NDArray:
        """95 %: what is declared of a sounding, not lessened by averaging, and the mean's standard error.

        Of several uncertainties in a cell, ``sqrt(n / sum(1 / u**2))``.
        """
        if self.collected.uncertainty:
            with np.errstate(divide="ignore", invalid="ignore"):
                declared = np.sqrt(count / weight) * weight_one
        else:
            declared = (self.declared or TVU[self.settings.order]).at(depth)
        error = np.zeros_like(depth)
        several = np.isfinite(spread)
        error[several] = SIGMA_TO_95 * spread[several] / np.sqrt(count[several])
        return np.hypot(declared, error)

    def _lines(
        self,
        window: tuple[int, int, int, int],
        place: tuple[int, int, int, int],
        depth: NDArray,
        line: NDArray,
        bad: NDArray,
        start: NDArray,
        order: NDArray,
        inner: NDArray,
    ) -> None:
        r0, r1, c0, c1 = window
        top, left, rows, cols = place
        passes = np.zeros(rows * cols, dtype=np.uint8)
        apart = np.full(rows * cols, np.nan)
        compare_lines(
            depth, line, bad, start, order, inner.ravel(), self.scratch[0], self.scratch[1], passes, apart,
            self.table, self.histogram, self.bin_m,
        )  # fmt: skip
        box = (slice(r0 - top, r1 - top), slice(c0 - left, c1 - left))
        if self.passes is not None and self.apart is not None:
            self.passes[r0:r1, c0:c1] = passes.reshape(rows, cols)[box]
            self.apart[r0:r1, c0:c1] = apart.reshape(rows, cols)[box]

    def _set_aside(self, columns: list[NDArray], which: NDArray[np.bool_]) -> None:
        index = np.flatnonzero(which)[: REJECTED_KEPT - self.outliers_kept]
        if index.size:
            self.outliers.append(np.column_stack([column[index] for column in columns[:4]]))
            self.outliers_kept += len(index)

    def result(self) -> Gridded:
        collected, settings = self.collected, self.settings
        state = np.where(self.count > 0, np.uint8(MEASURED), np.uint8(0))
        width = 3.0 * self.grid.cell_m if settings.fill_width_m is None else settings.fill_width_m
        if width >= self.grid.cell_m:
            bridge_gaps(self.layers["depth_m"], self.layers["uncertainty_m"], state, width / self.grid.cell_m)
        if collected.uncertainty:
            note = "declared for each sounding"
        elif self.declared is not None:
            note = "declared for the survey"
        else:
            note = f"not declared: taken as the TVU of order {settings.order}"
        surface = SurveySurface(
            grid=self.grid,
            **self.layers,
            count=self.count,
            rejected=self.rejected,
            state=state,
            passes=self.passes,
            line_difference_m=self.apart,
            counted=self.counted,
            uncertainty_note=f"{note}, with the standard error of each cell's mean",
        )
        return Gridded(
            surface,
            self._rejected_table(),
            LineTally(collected.lines, self.table, self.histogram, self.bin_m),
        )

    def _rejected_table(self) -> dict[str, NDArray]:
        rows = np.concatenate(self.outliers) if self.outliers else np.empty((0, 4))
        rows = rows[np.lexsort((rows[:, 2], rows[:, 0], rows[:, 1]))]
        names = np.array([*self.collected.lines, ""], dtype=object)
        return {
            "easting_m": rows[:, 0],
            "northing_m": rows[:, 1],
            "depth_m": rows[:, 2],
            "line": names[rows[:, 3].astype(int)],
        }


def _finished(records: NDArray) -> tuple[NDArray, ...]:
    """mean, weighted, shoalest, deepest, spread, weight of each cell."""
    figures = tuple(np.empty(len(records)) for _ in range(6))
    finish(records, *figures)
    return figures
