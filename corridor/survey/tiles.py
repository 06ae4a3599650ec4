"""How soundings are shared out among tiles, and how large a cell they carry."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.binning import order_by_cell
from corridor.kernels.survey_stream import block_changes, tile_pairs
from corridor.model.survey import Soundings

TILE_CELLS = 256
HALO_CELLS = 2.01
"""A tile's cells may reach one cell beyond it and look at their neighbours: two, and a hair for rounding."""

SOUNDINGS_PER_TILE = 1_000_000
SLACK = 8
"""With the cell not given, the halo serves cells up to this many times the first estimate."""

SOUNDINGS_PER_CELL = 10.0
"""Soundings a cell should hold on average (common practice, no source)."""

BEAM_SHARE = math.radians(1.0)
"""Footprint of a beam of one degree, as a share of the depth (common practice, no source)."""

_SERIES = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True, slots=True)
class TilePlan:
    """Square tiles counted from the origin of the CRS; all lengths in m."""

    tile_m: float
    halo_m: float
    block_m: float

    @property
    def largest_cell_m(self) -> float:
        """The largest cell the halo serves."""
        return self.halo_m / HALO_CELLS


def occupied_area(easting: NDArray, northing: NDArray) -> float:
    """Area the soundings cover, m², from blocks that hold about ten of them each.

    Starts from the bounding box and refines the block three times, so that
    empty ground between lines does not count.
    """
    count = len(easting)
    width = max(float(np.ptp(easting)), 1e-3)
    height = max(float(np.ptp(northing)), 1e-3)
    area = width * height
    for _ in range(4):
        side = math.sqrt(area * SOUNDINGS_PER_CELL / max(count, 1))
        area = min(len(block_keys(easting, northing, side)) * side * side, width * height)
    return area


def block_keys(easting: NDArray, northing: NDArray, side_m: float) -> NDArray[np.int64]:
    """The distinct blocks of `side_m` that hold soundings."""
    keys = np.empty(len(easting), dtype=np.int64)
    written = block_changes(easting, northing, float(side_m), keys)
    return np.unique(keys[:written])


def plan_tiles(first: Soundings, cell_m: float | None) -> TilePlan:
    """Choose tiles from the first batch: about 256 cells wide, but no more than a million soundings."""
    area = occupied_area(first.easting_m, first.northing_m)
    density = len(first) / area
    estimate = cell_m if cell_m is not None else math.sqrt(SOUNDINGS_PER_CELL / density)
    largest = cell_m if cell_m is not None else SLACK * estimate
    side = min(TILE_CELLS * estimate, math.sqrt(SOUNDINGS_PER_TILE / density))
    side = max(side, 8.0 * HALO_CELLS * largest)
    return TilePlan(side, HALO_CELLS * largest, side / 16.0)


def share_out(
    batch: Soundings, plan: TilePlan
) -> tuple[list[tuple[int, int]], NDArray[np.int64], NDArray[np.int64]]:
    """Sort a batch by tile, soundings near a border into both.

    Returns
    -------
    tiles : list of (row, col), rows counted northward
    start : array (tiles + 1,)
    sounding : array, indices into the batch, by tile
    """
    size = 4 * len(batch)
    col, row, sounding = (np.empty(size, dtype=np.int32) for _ in range(3))
    count = tile_pairs(
        batch.easting_m, batch.northing_m, 0.0, 0.0, plan.tile_m, plan.halo_m, col, row, sounding
    )
    col, row, sounding = col[:count], row[:count], sounding[:count]
    row0, col0 = int(row.min()), int(col.min())
    wide, high = int(col.max()) - col0 + 1, int(row.max()) - row0 + 1
    key = (row - row0).astype(np.int64) * wide + (col - col0)
    if wide * high <= 16 * size + 1024:
        numbers = np.arange(wide * high)
    else:  # scattered far and wide: too many tiles to count in a table
        numbers, key = np.unique(key, return_inverse=True)
    start, order = order_by_cell(key, len(numbers))
    used = np.flatnonzero(np.diff(start))
    tiles = [(int(numbers[k] // wide) + row0, int(numbers[k] % wide) + col0) for k in used]
    return tiles, np.append(start[used], start[-1]), sounding[order]


def propose_cell(
    density_per_m2: float, depth_m: float, feature_m: float, largest_m: float
) -> tuple[float, str]:
    """A cell the soundings can carry, and why, in words.

    The larger of the side that holds ten soundings on average and the
    footprint of a one-degree beam at the median depth, rounded up to 1, 2, 2.5
    or 5 times a power of ten.
    """
    by_density = math.sqrt(SOUNDINGS_PER_CELL / density_per_m2)
    by_beam = BEAM_SHARE * abs(depth_m)
    cell = round_up(max(by_density, by_beam))
    reason = (
        f"{density_per_m2:.3g} soundings per m² fill a cell of {by_density:.2g} m with "
        f"{SOUNDINGS_PER_CELL:g}; a one-degree beam covers {by_beam:.2g} m at {depth_m:.1f} m: {cell:g} m"
    )
    if cell > largest_m:
        cell = largest_m
        reason += (
            f", held at {cell:g} m, {SLACK} times what the first soundings suggested; give cell_m for more"
        )
    if cell > feature_m / 2.0:
        reason += (
            f"; features of {feature_m:.2g} m need cells of {feature_m / 2.0:.2g} m or less to be told apart"
        )
    return cell, reason


def round_up(value: float) -> float:
    """The next of 1, 2, 2.5, 5 times a power of ten at or above `value`."""
    power = 10.0 ** math.floor(math.log10(value) + 1e-12)
    return next(step * power for step in _SERIES if step * power >= value * (1.0 - 1e-9))
