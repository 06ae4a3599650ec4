"""From soundings to a surface: against scipy, independent of order and tiles, outliers, gaps, cell size."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binned_statistic_2d

from corridor.errors import CorridorError, SettingError
from corridor.io import survey_store
from corridor.io.survey_store import TileStore
from corridor.kernels.survey_fill import bridge_gaps
from corridor.model.survey import Soundings
from corridor.survey import tiles
from corridor.survey.collect import collect
from corridor.survey.gridding import grid_for, grid_tiles
from corridor.survey.memory import rest
from corridor.survey.windows import FLOAT_LAYERS

from . import synthetic
from .synthetic import CRS, SOUTH, WEST, as_file, ground, settings, soundings, study

REGION = (WEST - 100.0, SOUTH - 100.0, WEST + 2000.0, SOUTH + 2000.0)


def surface_of(files, chosen=None, cell=1.0, plan=None):
    chosen = chosen or settings(cell_m=cell)
    with TileStore() as store:
        collected = collect(files, store, chosen, CRS, REGION)
        grid = grid_for(collected, cell, CRS, (0.0, 0.0), 10**7)
        return grid_tiles(store, collected, grid, chosen, True)


def binned(surface, easting, northing, depth, statistic):
    grid = surface.grid
    edges = [grid.south_m + grid.cell_m * np.arange(k + 1) for k in (grid.rows,)]
    edges.append(grid.west_m + grid.cell_m * np.arange(grid.cols + 1))
    return binned_statistic_2d(northing, easting, depth, statistic, bins=edges).statistic[::-1]


@pytest.mark.parametrize("estimator", ["mean", "median"])
@pytest.mark.parametrize("small_tiles", [False, True])
def test_the_surface_equals_scipy_in_every_cell(monkeypatch, estimator, small_tiles):
    if small_tiles:  # 20 x 20 tiles, each worked in several windows
        monkeypatch.setattr("corridor.survey.tiles.TILE_CELLS", 17)
        monkeypatch.setattr("corridor.survey.windows.WINDOW_SOUNDINGS", 700)
    easting, northing, depth, line = soundings(1)
    chosen = settings(estimator=estimator, outlier_factor=1e9, fill_width_m=0.0)
    surface = surface_of([as_file(easting, northing, depth, line)], chosen).surface
    for name, statistic in (
        ("count", "count"),
        ("depth_m", estimator),
        ("shoalest_m", "min"),
        ("deepest_m", "max"),
        ("spread_m", lambda v: np.std(v, ddof=1) if len(v) > 1 else np.nan),
    ):
        # float32 near 40 m: steps of 4e-6 m.
        np.testing.assert_allclose(
            getattr(surface, name),
            binned(surface, easting, northing, depth, statistic),
            atol=5e-6,
            err_msg=name,
        )


def test_weighted_mean_equals_numpy_average():
    easting, northing, depth, _ = soundings(2, step=0.5)
    uncertainty = np.random.default_rng(0).uniform(0.1, 1.0, len(depth))
    chosen = settings(estimator="weighted", outlier_factor=1e9, fill_width_m=0.0)
    surface = surface_of([as_file(easting, northing, depth, uncertainty=uncertainty)], chosen).surface
    weight = 1.0 / uncertainty**2
    top = binned(surface, easting, northing, weight * depth, "sum")
    bottom = binned(surface, easting, northing, weight, "sum")
    held = bottom > 0
    np.testing.assert_allclose(surface.depth_m[held], (top / np.where(held, bottom, 1.0))[held], atol=1e-3)


def test_weighted_without_uncertainties_is_refused():
    easting, northing, depth, _ = soundings(2, step=2.0)
    with pytest.raises(SettingError, match="needs an uncertainty for every sounding"):
        surface_of([as_file(easting, northing, depth)], settings(estimator="weighted"))


def test_order_of_files_and_of_soundings_does_not_matter():
    easting, northing, depth, line = soundings(3, step=0.5)
    rng = np.random.default_rng(1)
    depth[rng.random(len(depth)) < 0.01] += 8.0

    def split(order):
        half = len(depth) // 2
        parts = [np.arange(half), np.arange(half, len(depth))]
        files = [
            as_file(easting[p], northing[p], depth[p], line[p], name=name)
            for p, name in zip(parts, ("a", "b"), strict=True)
        ]
        return [files[k] for k in order]

    first, second = surface_of(split((0, 1))), surface_of(split((1, 0)))
    shuffled = rng.permutation(len(depth))
    third = surface_of([as_file(*(c[shuffled] for c in (easting, northing, depth, line)))])
    for other in (second, third):
        for name in (
            "depth_m",
            "spread_m",
            "count",
            "rejected",
            "state",
            "uncertainty_m",
            "line_difference_m",
        ):
            np.testing.assert_array_equal(
                getattr(first.surface, name), getattr(other.surface, name), err_msg=name
            )
    np.testing.assert_array_equal(first.rejected["depth_m"], second.rejected["depth_m"])


@pytest.mark.parametrize("seed", range(4))
def test_outliers_are_rejected_and_an_object_is_not(seed):
    easting, northing, depth, line = soundings(seed, step=0.4)
    rng = np.random.default_rng(seed)
    spikes = rng.random(len(depth)) < 0.004
    depth = depth + np.where(
        spikes, rng.choice([-1.0, 1.0], len(depth)) * rng.uniform(2.0, 30.0, len(depth)), 0.0
    )
    boulder = np.hypot(easting - WEST - 203.0, northing - SOUTH - 187.0) < 0.9
    depth[boulder & ~spikes] -= 1.5
    result = surface_of([as_file(easting, northing, depth, line)])
    rejected = {
        tuple(row) for row in np.column_stack([result.rejected[k] for k in ("easting_m", "northing_m")])
    }
    false = {tuple(row) for row in np.column_stack([easting[~spikes], northing[~spikes]])} & rejected
    missed = int(spikes.sum()) - (len(rejected) - len(false))
    assert int(result.surface.rejected.sum()) == len(rejected)
    assert len(false) <= 2 and missed <= 0.02 * spikes.sum()
    row, col = (int(v[0]) for v in result.surface.grid.to_cells([WEST + 203.0], [SOUTH + 187.0])[::-1])
    near = result.surface.shoalest_m[row - 1 : row + 2, col - 1 : col + 2]
    assert np.nanmin(near) < ground(WEST + 203.0, SOUTH + 187.0) - 1.3
    # The mean is as good as its noise allows: 0.05 m over sqrt(n), the slope within a cell a little more.
    truth = binned(result.surface, easting, northing, ground(easting, northing), "mean")
    quiet = (result.surface.count > 4) & (result.surface.shoalest_m > truth - 0.6)
    assert np.abs(result.surface.depth_m - truth)[quiet].max() < 0.15


def test_a_steep_slope_is_not_an_outlier_and_a_spike_on_it_is():
    rng = np.random.default_rng(5)
    easting, northing = WEST + 50.0 * rng.random(60_000), SOUTH + 50.0 * rng.random(60_000)
    depth = 30.0 + 0.7 * (easting - WEST) + rng.normal(0.0, 0.05, 60_000)  # 35 degrees
    depth[100] -= 1.5
    chosen = settings(cell_m=2.0, outlier_floor_m=0.3)
    result = surface_of([as_file(easting, northing, depth)], chosen, cell=2.0)
    assert list(result.rejected["easting_m"]) == [easting[100]]


def test_uncertainty_holds_the_declared_part_and_the_standard_error():
    easting, northing, depth, _ = soundings(6, noise=0.2)
    surface = surface_of([as_file(easting, northing, depth)]).surface
    several = surface.count >= 2
    declared = np.hypot(0.08, 0.001 * surface.depth_m)
    expected = np.hypot(declared, 1.96 * surface.spread_m / np.sqrt(surface.count.clip(1)))
    np.testing.assert_allclose(surface.uncertainty_m[several], expected[several], rtol=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_stated_uncertainty_covers_the_true_error(seed):
    """Noise, and a bias within what is declared: 19 cells in 20 or more are covered."""
    rng = np.random.default_rng(seed)
    easting, northing, depth, _ = soundings(seed, noise=0.15)
    bias = rng.uniform(-1.0, 1.0) * 0.09
    surface = surface_of([as_file(easting, northing, depth + bias)]).surface
    truth = binned(surface, easting, northing, ground(easting, northing), "mean")
    several = surface.count >= 4
    within = np.abs(surface.depth_m - truth)[several] <= surface.uncertainty_m[several]
    assert within.mean() >= 0.94


# -- gaps


def test_gaps_are_bridged_up_to_the_width_exactly_on_a_plane_and_never_extended():
    rows, cols = np.mgrid[0:20, 0:30]
    plane = (50.0 + 0.3 * cols - 0.2 * rows).astype(np.float32)
    depth, state = plane.copy(), np.ones(plane.shape, dtype=np.uint8)
    for gap in ((slice(5, 8), slice(4, 20)), (slice(12, 17), slice(22, 27)), (slice(0, 2), slice(0, 3))):
        depth[gap], state[gap] = np.nan, 0
    uncertainty = np.where(state == 1, np.float32(0.1), np.float32(np.nan))
    bridge_gaps(depth, uncertainty, state, 3.0)
    assert (state[5:8, 4:20] == 2).all()  # 3 cells high: bridged from north to south
    np.testing.assert_allclose(depth[5:8, 4:20], plane[5:8, 4:20], atol=1e-5)
    assert (state[14, 24] == 0) and np.isnan(depth[14, 24])  # the middle of 5 x 5 stays empty
    assert (state[0:2, 0:2] == 0).all()  # a corner has data on one side only
    assert (uncertainty[5:8, 4:20] >= 0.1).all()


def test_filled_cells_are_flagged_and_hold_no_soundings():
    easting, northing, depth, _ = soundings(7)
    keep = ~((np.abs(easting - WEST - 200.0) < 1.5) & (np.abs(northing - SOUTH - 200.0) < 20.0))
    surface = surface_of([as_file(easting[keep], northing[keep], depth[keep])]).surface
    filled = surface.state == 2
    assert 60 <= filled.sum() <= 160
    assert (surface.count[filled] == 0).all() and np.isfinite(surface.depth_m[filled]).all()
    np.testing.assert_array_equal(surface.state == 0, np.isnan(surface.depth_m))


# -- tiles and cell size


@pytest.mark.parametrize("seed", range(4))
def test_every_sounding_is_in_its_own_tile_and_in_every_halo_it_lies_in(seed):
    rng = np.random.default_rng(seed)
    batch = Soundings(*(rng.uniform(-500.0, 500.0, 4000) for _ in range(3)))
    plan = tiles.TilePlan(tile_m=83.0, halo_m=7.0, block_m=10.0)
    found, start, index = tiles.share_out(batch, plan)
    pairs = {(tile, int(i)) for k, tile in enumerate(found) for i in index[start[k] : start[k + 1]]}
    expected = set()
    for i in range(len(batch)):  # the slow, readable way
        x, y = batch.easting_m[i], batch.northing_m[i]
        for row in range(-7, 8):
            for col in range(-7, 8):
                inside_x = col * 83.0 - 7.0 <= x <= (col + 1) * 83.0 + 7.0
                inside_y = row * 83.0 - 7.0 <= y <= (row + 1) * 83.0 + 7.0
                if inside_x and inside_y:
                    expected.add(((row, col), i))
    assert pairs == expected


def test_the_proposed_cell_follows_density_and_depth():
    # Ten soundings a cell at 0.4 per m2: 5 m. A one-degree beam at 800 m: 14 m, rounded up to 20.
    assert tiles.propose_cell(0.4, 20.0, 100.0, 1e9)[0] == 5.0
    assert tiles.propose_cell(0.4, 800.0, 100.0, 1e9)[0] == 20.0
    _, reason = tiles.propose_cell(0.4, 20.0, 2.0, 1e9)
    assert "cells of 1 m or less" in reason
    assert tiles.propose_cell(0.4, 800.0, 100.0, 7.0)[0] == 7.0


@pytest.mark.parametrize(
    ("value", "expected"), [(1.0, 1.0), (1.01, 2.0), (2.2, 2.5), (0.23, 0.25), (51.0, 100.0)]
)
def test_cells_are_rounded_up_to_a_plain_number(value, expected):
    assert tiles.round_up(value) == pytest.approx(expected)


def test_empty_ground_between_lines_does_not_thin_the_density():
    rng = np.random.default_rng(0)
    easting = np.concatenate([rng.uniform(k * 500.0, k * 500.0 + 20.0, 20_000) for k in range(10)])
    northing = rng.uniform(0.0, 1000.0, len(easting))
    area = tiles.occupied_area(easting, northing)
    assert area == pytest.approx(10 * 20.0 * 1000.0, rel=0.15)


def test_a_store_reads_back_what_was_put_in():
    rng = np.random.default_rng(1)
    values = rng.random(100), rng.integers(0, 9, 100).astype(np.int32)
    with TileStore() as store:
        for batch in range(2):
            part = slice(50 * batch, 50 * batch + 50)
            store.append([(0, 1), (5, -2)], np.array([0, 20, 50]), [column[part] for column in values])
        got = [np.concatenate(parts) for parts in zip(*store.stretches((5, -2)), strict=True)]
        assert store.tiles() == [(0, 1), (5, -2)] and store.count((5, -2)) == 60
    for column, found in zip(values, got, strict=True):
        np.testing.assert_array_equal(found, np.concatenate([column[20:50], column[70:100]]))


def test_a_full_disk_says_so_and_leaves_nothing(monkeypatch):
    # Linux's /dev/full answers every write with "no space left on device".
    with TileStore() as store, open("/dev/full", "r+b", buffering=0) as full:
        monkeypatch.setattr(store, "_file", full)
        with pytest.raises(CorridorError, match=r"no space left .* no input was changed"):
            store.append([(0, 0)], np.array([0, 3]), [np.arange(3.0)])


def test_a_large_array_lies_in_a_file_that_has_no_name(monkeypatch, tmp_path):
    monkeypatch.setattr(survey_store, "SPILL_CELLS", 1000)
    with TileStore(tmp_path) as store:
        large = store.array((50, 30), np.float32, np.nan)
        small = store.array((3, 3), np.uint16, 7)
        assert np.isnan(large).all() and (small == 7).all()
        large[7:9] = 3.5
        store.rest()
        assert (large[7:9] == 3.5).all() and np.isnan(large[9:]).all()
    rest(large, small, None, large[2:4], np.zeros(3))
    assert large[7, 0] == 3.5 and list(tmp_path.iterdir()) == []


def test_a_disk_too_small_for_the_cells_says_so(monkeypatch):
    monkeypatch.setattr(survey_store, "SPILL_CELLS", 1000)
    with TileStore() as store, open("/dev/full", "r+b", buffering=0) as full:
        monkeypatch.setattr(survey_store.tempfile, "TemporaryFile", lambda **_: full)
        with pytest.raises(CorridorError, match="no space left"):
            store.array((50, 30), np.float32, 0.0)


def test_where_the_cells_lie_makes_no_difference(monkeypatch):
    def all_of(result):
        surface, merged = result.surface, result.merged
        columns = [getattr(surface, name) for name in (*FLOAT_LAYERS, "count", "rejected", "state", "passes")]
        return [*columns, surface.line_difference_m, merged.depth_m, merged.uncertainty_m, result.change_m]

    files = [as_file(*soundings(4, step=0.7))]
    plain = all_of(study(files))
    monkeypatch.setattr(survey_store, "SPILL_CELLS", 1)
    for one, other in zip(plain, all_of(study(files)), strict=True):
        np.testing.assert_array_equal(one, other)


def test_synthetic_project_is_the_ground():
    """The fixture itself: cell centres hold the ground's depth."""
    surface = synthetic.project().seabed.surfaces[0]
    east, north = surface.grid.centres()
    np.testing.assert_allclose(surface.depth_m[3, 5], ground(east[5], north[3]), rtol=1e-6)
