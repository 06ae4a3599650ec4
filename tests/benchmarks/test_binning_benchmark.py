"""Gridding against numpy.bincount and text reading against pyarrow and numpy, in the same run."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from corridor.io.soundings_text import look_at, read_text
from corridor.kernels.binning import accumulate, empty_records, finish
from corridor.model.survey import Declaration

pytestmark = pytest.mark.benchmark

WEST, NORTH, CELL = 400_000.0, 8_262_000.0, 1.0


def swaths(lines: int = 16, pings: int = 1900, beams: int = 256) -> tuple[np.ndarray, ...]:
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


def best_of(runs: int, *functions: Callable[[], object]) -> list[float]:
    """Least time of each, the functions taken in turn."""
    times = [[] for _ in functions]
    for _ in range(runs):
        for k, function in enumerate(functions):
            start = time.perf_counter()
            function()
            times[k].append(time.perf_counter() - start)
    return [min(taken) for taken in times]


def test_gridding_beside_bincount(capsys):
    easting, northing, depth, uncertainty = swaths()
    rows, cols = 260, 1760
    records = empty_records(rows * cols)
    figures = [np.empty(rows * cols) for _ in range(6)]
    none = np.zeros(1, dtype=bool)
    index = ((NORTH - northing) / CELL).astype(np.int64) * cols + ((easting - WEST) / CELL).astype(np.int64)

    def mean_by_bincount(cell: np.ndarray) -> np.ndarray:
        with np.errstate(invalid="ignore"):
            return np.bincount(cell, depth, rows * cols) / np.bincount(cell, minlength=rows * cols)

    def bincount() -> np.ndarray:
        cell = ((NORTH - northing) / CELL).astype(np.int64) * cols + ((easting - WEST) / CELL).astype(
            np.int64
        )
        return mean_by_bincount(cell)

    def ours() -> None:
        records[:] = 0
        records[:, 3], records[:, 4] = 2**62, -(2**62)
        accumulate(
            easting, northing, depth, uncertainty, none, 0.3, WEST, NORTH, 1.0 / CELL, 0, 0, cols, records
        )  # fmt: skip
        finish(records, *figures)

    ours()
    np.testing.assert_allclose(figures[0], bincount(), atol=1e-6)
    plain, indexed, own = best_of(7, bincount, lambda: mean_by_bincount(index), ours)
    n = len(depth)
    with capsys.disabled():
        print(
            f"\n{n / 1e6:.1f} M soundings: ours (count, mean, weighted mean, shoalest, deepest, spread) "
            f"{1e9 * own / n:.1f} ns each; bincount mean {1e9 * plain / n:.1f} ns: {plain / own:.2f}x; "
            f"its two counts alone, the cells given, {1e9 * indexed / n:.1f} ns: {indexed / own:.2f}x"
        )
    assert plain / own > 1.5  # 2x and more on a quiet machine


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

    assert ours() == len(depth)
    own, numpy_s = best_of(5, ours, lambda: np.loadtxt(small))
    ratio = (numpy_s / 50_000) / (own / len(depth))
    with capsys.disabled():
        print(
            f"\ntext: {len(depth) / own / 1e6:.1f} M rows/s; numpy.loadtxt {0.05 / numpy_s:.2f} M rows/s: {ratio:.0f}x"
        )
    assert ratio > 5
