"""Second pass: windows shared among threads, gaps bridged, the surface put together."""

from __future__ import annotations

import math
import os
import queue
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.errors import SeabedError, SettingError
from corridor.kernels.survey_fill import bridge_gaps
from corridor.model.grid import Grid
from corridor.model.survey import MEASURED, SurveySettings, SurveySurface
from corridor.progress import Progress, silent
from corridor.survey.collect import Collected, Store
from corridor.survey.s44 import TVU
from corridor.survey.tiles import TilePlan
from corridor.survey.windows import DIFFERENCE_BINS, NO_OUTLIERS, Layers, Window, Worker, windows_of

THREADS = min(4, os.cpu_count() or 1)
"""Windows worked at once; each needs some 150 MB at most."""

REJECTED_KEPT = 2_000_000
"""Rejected soundings kept one by one; beyond that only their number per cell."""


@dataclass(frozen=True, slots=True, eq=False)
class LineTally:
    """Differences between survey lines, as counted: see :func:`compare_lines`."""

    names: tuple[str, ...]
    table: NDArray[np.int64]
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
    layers = _layers(store, collected, grid, settings, counted)
    workers = [Worker(layers) for _ in range(THREADS)]
    rejected = NO_OUTLIERS
    plan = collected.plan
    if plan is not None:
        if grid.cell_m > plan.largest_cell_m * (1.0 + 1e-9):
            raise SettingError(
                f"cell_m must be <= {plan.largest_cell_m:g} for these tiles (got {grid.cell_m:g})"
            )
        rejected = _work(store, plan, grid, workers, progress)
    tally = LineTally(
        collected.lines,
        sum((worker.table for worker in workers), np.zeros((len(collected.lines), 2), dtype=np.int64)),
        sum((worker.histogram for worker in workers), np.zeros_like(workers[0].histogram)),
        layers.bin_m,
    )
    return Gridded(_surface(layers, collected), _rejected_table(rejected, collected.lines), tally)


def _layers(
    store: Store, collected: Collected, grid: Grid, settings: SurveySettings, counted: bool
) -> Layers:
    deepest = max((census.deepest_m for census in collected.files if census.kept), default=0.0)
    bin_m = max(4.0 * float(TVU[settings.order].at(deepest)) / DIFFERENCE_BINS, 1e-3)
    return Layers(grid, settings, counted, collected.uncertainty, len(collected.lines), bin_m, store.array)


def _work(
    store: Store, plan: TilePlan, grid: Grid, workers: list[Worker], progress: Progress
) -> NDArray[np.float64]:
    """Work all windows, as many at once as there are workers; returns the rejected soundings."""
    idle: queue.SimpleQueue[Worker] = queue.SimpleQueue()
    for worker in workers:
        idle.put(worker)

    def one(window: Window, tile: tuple[int, int]) -> NDArray[np.float64]:
        worker = idle.get()
        try:
            return worker.work(window, store.stretches(tile))
        finally:
            idle.put(worker)

    tiles = store.tiles()
    found: list[NDArray[np.float64]] = []
    kept = 0
    running: deque[tuple[float, Future[NDArray[np.float64]]]] = deque()
    with ThreadPoolExecutor(len(workers)) as pool:
        jobs = _jobs(store, tiles, plan, grid)
        try:
            for share, window, tile in jobs:
                running.append((share, pool.submit(one, window, tile)))
                if len(running) > 2 * len(workers):
                    kept += _collect(running, found, kept, progress)
            while running:
                kept += _collect(running, found, kept, progress)
        finally:
            for _, job in running:
                job.cancel()
    return np.concatenate([NO_OUTLIERS, *found])


def _jobs(
    store: Store, tiles: list[tuple[int, int]], plan: TilePlan, grid: Grid
) -> Iterator[tuple[float, Window, tuple[int, int]]]:
    for number, tile in enumerate(tiles):
        for window in windows_of(store.count(tile), tile, plan.tile_m, grid):
            yield (number + 1) / len(tiles), window, tile


def _collect(
    running: deque[tuple[float, Future[NDArray[np.float64]]]],
    found: list[NDArray[np.float64]],
    kept: int,
    progress: Progress,
) -> int:
    """Wait for the oldest window; results are taken in their order, so that they are always the same."""
    share, job = running.popleft()
    rows = job.result()[: REJECTED_KEPT - kept]
    found.append(rows)
    progress("gridding", share)
    return len(rows)


def _surface(layers: Layers, collected: Collected) -> SurveySurface:
    grid, settings = layers.grid, layers.settings
    state = np.where(layers.count > 0, np.uint8(MEASURED), np.uint8(0))
    width = 3.0 * grid.cell_m if settings.fill_width_m is None else settings.fill_width_m
    if width >= grid.cell_m:
        bridge_gaps(layers.floats["depth_m"], layers.floats["uncertainty_m"], state, width / grid.cell_m)
    if collected.uncertainty:
        note = "declared for each sounding"
    elif settings.uncertainty is not None:
        note = "declared for the survey"
    else:
        note = f"not declared: taken as the TVU of order {settings.order}"
    return SurveySurface(
        grid=grid,
        **layers.floats,
        count=layers.count,
        rejected=layers.rejected,
        state=state,
        passes=layers.passes,
        line_difference_m=layers.apart,
        counted=layers.counted,
        uncertainty_note=f"{note}, with the standard error of each cell's mean",
    )


def _rejected_table(rows: NDArray[np.float64], lines: tuple[str, ...]) -> dict[str, NDArray]:
    rows = rows[np.lexsort((rows[:, 2], rows[:, 0], rows[:, 1]))]
    names = np.array([*lines, ""], dtype=object)
    return {
        "easting_m": rows[:, 0],
        "northing_m": rows[:, 1],
        "depth_m": rows[:, 2],
        "line": names[rows[:, 3].astype(int)],
    }
