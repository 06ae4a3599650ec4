"""Gridding against numpy.bincount and text reading against pyarrow and numpy, in the same run."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from corridor.io.soundings import open_soundings
from corridor.io.soundings_text import look_at, read_text
from corridor.kernels.binning import (
    DEPTH_UNITS,
    accumulate,
    accumulate_weights,
    clear,
    empty_records,
    finish,
    finish_weights,
)
from corridor.model.survey import Declaration

from ..survey import synthetic

pytestmark = pytest.mark.benchmark

WEST, NORTH, CELL = 400_000.0, 8_262_000.0, 1.0


def swaths(lines: int = 32, pings: int = 1900, beams: int = 256) -> tuple[np.ndarray, ...]:
    """Soundings as a multibeam gives them: 256 beams over 120 m, ping after ping, line after line."""
    rng = np.random.default_rng(0)
    across = np.linspace(-60.0, 60.0, beams)
    along = np.arange(pings) * 0.12
    east, north = [], []
    for line in range(lines):
        e, n = np.meshgrid(100.0 + 100.0 * line + across, along)
        east.append(WEST + e.ravel())
        north.append(NORTH - 10.0 - n.ravel())
    easting, northing = np.concatenate(east), np.concatenate(north)
    easting += rng.normal(0.0, 0.1, len(easting))
    northing += rng.normal(0.0, 0.1, len(easting))
    return easting, northing, 100.0 + rng.normal(0.0, 0.1, len(easting)), rng.uniform(0.2, 0.5, len(easting))


def timed(
    runs: int, *functions: Callable[[], object], clock: Callable[[], float] = time.perf_counter
) -> list[tuple[float, float]]:
    """(least, median) seconds of each, the functions taken in turn."""
    times: list[list[float]] = [[] for _ in functions]
    for _ in range(runs):
        for k, function in enumerate(functions):
            start = clock()
            function()
            times[k].append(clock() - start)
    return [(min(taken), float(np.median(taken))) for taken in times]


def join(left: np.ndarray, right: np.ndarray, rows: int, shared: int) -> None:
    """Add a window's records in its last columns to the next one's first."""
    left, right = left.reshape(rows, -1)[:, -shared:], right.reshape(rows, -1)[:, :shared]
    for name in ("sum", "squares", "count"):
        right[name] += left[name]
    right["shoalest"] = np.minimum(left["shoalest"], right["shoalest"])
    right["deepest"] = np.maximum(left["deepest"], right["deepest"])


def test_gridding_beside_bincount(capsys):
    """All statistics but the median, against the mean alone by numpy.bincount, both from positions."""
    easting, northing, depth, uncertainty = swaths()
    rows, cols = 240, 3360
    records = empty_records(rows * cols)
    figures = [np.empty(rows * cols) for _ in range(4)]
    none = np.zeros(1, dtype=bool)
    sums, weighted = np.empty((rows * cols, 2), dtype=np.int64), [np.empty(rows * cols) for _ in range(2)]
    index = ((NORTH - northing) / CELL).astype(np.int64) * cols + ((easting - WEST) / CELL).astype(np.int64)

    def means(cell: np.ndarray) -> np.ndarray:
        with np.errstate(invalid="ignore"):
            return np.bincount(cell, depth, rows * cols) / np.bincount(cell, minlength=rows * cols)

    def bincount() -> np.ndarray:
        cell = ((NORTH - northing) / CELL).astype(np.int64) * cols + ((easting - WEST) / CELL).astype(
            np.int64
        )
        return means(cell)

    def ours() -> None:
        clear(records)
        place = (WEST, NORTH, 1.0 / CELL, 0, 0, cols)
        assert accumulate(easting, northing, depth, none, DEPTH_UNITS, *place, records)
        finish(records, DEPTH_UNITS, *figures)

    def with_weights() -> None:
        ours()
        sums[:] = 0
        place = (WEST, NORTH, 1.0 / CELL, 0, 0, cols)
        accumulate_weights(easting, northing, depth, uncertainty, none, 0.3, DEPTH_UNITS, *place, sums)
        finish_weights(records, sums, DEPTH_UNITS, *weighted)

    ours()
    np.testing.assert_allclose(figures[0], bincount(), atol=1e-6)
    # As the second pass does it: one window after the other, small enough for the cache. Each holds
    # four lines and the columns they reach; its last 20 columns belong to the next one too.
    groups, wide, step, shared = 8, 560, 400, 160
    pieces = [slice(k * len(depth) // groups, (k + 1) * len(depth) // groups) for k in range(groups)]
    windows = [empty_records(rows * wide) for _ in range(groups)]
    parts = [[np.empty(rows * wide) for _ in range(4)] for _ in range(groups)]

    def fill(k: int) -> None:
        target, piece = windows[k], pieces[k]
        clear(target)
        place = (WEST, NORTH, 1.0 / CELL, 0, k * step, wide)
        assert accumulate(easting[piece], northing[piece], depth[piece], none, DEPTH_UNITS, *place, target)

    def by_windows() -> None:
        for k in range(groups):
            fill(k)
            if k:
                join(windows[k - 1], windows[k], rows, shared)
                finish(windows[k - 1], DEPTH_UNITS, *parts[k - 1])
        finish(windows[-1], DEPTH_UNITS, *parts[-1])

    def two_threads() -> None:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(fill, range(groups)))
            for k in range(groups - 1):
                join(windows[k], windows[k + 1], rows, shared)
            list(pool.map(lambda k: finish(windows[k], DEPTH_UNITS, *parts[k]), range(groups)))

    by_windows()
    for k in range(groups):
        own = slice(0, step if k < groups - 1 else wide)
        np.testing.assert_array_equal(
            parts[k][0].reshape(rows, wide)[:, own],
            figures[0].reshape(rows, cols)[:, k * step : k * step + wide][:, own],
        )
    cases = {
        "bincount, mean": bincount,
        "bincount, mean, cells given": lambda: means(index),
        "ours, count mean shoalest deepest spread": ours,
        "ours, weighted mean too": with_weights,
        "ours, by windows": by_windows,
        "ours, by windows, two threads": two_threads,
    }
    found = dict(zip(cases, timed(7, *cases.values()), strict=True))
    # Seconds of the processor, which other programs on the machine disturb less than those on the wall.
    (reference, _), (own, _) = timed(7, bincount, ours, clock=time.process_time)
    with capsys.disabled():
        print(f"\n{len(depth) / 1e6:.1f} M soundings, ns each: least, median; times as fast as the first")
        for name, (least, middle) in found.items():
            first = found["bincount, mean"]
            print(
                f"  {name:42} {1e9 * least / len(depth):6.2f} {1e9 * middle / len(depth):6.2f}   "
                f"{first[0] / least:5.2f} {first[1] / middle:5.2f}"
            )
        print(f"  in seconds of the processor: {reference / own:.2f} times")
    assert reference / own > 1.5  # 2.0 to 2.6 measured; only a slip is caught here


def test_reading_text_beside_numpy(tmp_path: Path, capsys):
    easting, northing, depth, _ = (column[:2_000_000] for column in swaths())
    path = tmp_path / "swaths.xyz"
    with path.open("w") as file:
        for start in range(0, len(depth), 100_000):
            part = slice(start, start + 100_000)
            rows = zip(easting[part], northing[part], depth[part], strict=True)
            file.write("".join(f"{e:.2f} {n:.2f} {-d:.3f}\n" for e, n, d in rows))
    layout = look_at(path, Declaration())
    small = tmp_path / "small.xyz"
    small.write_text("".join(path.read_text().splitlines(keepends=True)[:50_000]))

    def ours() -> int:
        return sum(len(batch.z) for batch in read_text(path, layout, None, []))

    seabed = synthetic.project(size=40.0)
    given = Declaration(values="elevation", crs=synthetic.CRS, vertical_datum="LAT")

    def hashed_too() -> int:
        (opened,) = open_soundings([path], seabed, given)
        return sum(len(batch.z) for batch in opened.batches())

    assert ours() == hashed_too() == len(depth)
    cases = ours, hashed_too, lambda: np.loadtxt(small)
    (own, _), (whole, _), (numpy_s, _) = timed(5, *cases)
    (own_cpu, _), (whole_cpu, _) = timed(5, *cases[:2], clock=time.process_time)
    million = len(depth) / 1e6
    with capsys.disabled():
        print(f"\ntext, M rows/s: {million / own:.1f}, hashed too {million / whole:.1f}; per second of the")
        print(f"  processor {million / own_cpu:.1f}, hashed too {million / whole_cpu:.1f}; numpy.loadtxt ")
        print(f"  {0.05 / numpy_s:.2f} M rows/s")
    assert numpy_s / 50_000 > whole / len(depth)
