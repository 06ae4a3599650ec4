"""Merging, change beyond the noise, things on the seabed, and what they mean for the line."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.survey import Existing, SurveySurface
from corridor.survey import change, merge
from corridor.survey.contacts import local_surface

from . import synthetic
from .synthetic import CRS, SOUTH, WEST, as_file, ground, settings, soundings, straight_line, study


def flat(depth: np.ndarray, uncertainty: float = 0.1, cell: float = 1.0) -> SurveySurface:
    """A surface of the given depths, one sounding a cell, NaN where there is none."""
    rows, cols = depth.shape
    depth = depth.astype(np.float32)
    held = np.isfinite(depth)
    return SurveySurface(
        grid=Grid(rows, cols, WEST, SOUTH + rows * cell, cell, CRS),
        depth_m=depth,
        shoalest_m=depth,
        deepest_m=depth,
        spread_m=np.zeros_like(depth),
        uncertainty_m=np.where(held, np.float32(uncertainty), np.float32(np.nan)),
        count=held.astype(np.uint32),
        rejected=np.zeros(depth.shape, np.uint16),
        state=held.astype(np.uint8),
    )


def existing(depth: np.ndarray, uncertainty: float = 0.1) -> Existing:
    return Existing(depth.astype(np.float32), np.full(depth.shape, uncertainty, dtype=np.float32))


# -- merge


@pytest.mark.parametrize("feather", [0.0, 5.0, 40.0])
def test_a_surface_merged_with_itself_changes_nothing(feather):
    depth = np.random.default_rng(0).normal(80.0, 5.0, (700, 40))  # more rows than one band
    depth[300:320, 10:20] = np.nan
    merged = merge.merge(flat(depth), existing(depth), settings(feather_m=feather))
    np.testing.assert_array_equal(merged.depth_m, depth.astype(np.float32))


def test_the_project_seabed_surveyed_again_changes_nothing():
    """The old raster itself as a new grid: nothing changed, nothing new, every cell as it was."""
    import dataclasses

    project = synthetic.project()
    old = project.seabed.surfaces[0]
    e, n = (a.ravel() for a in np.meshgrid(*old.grid.centres()))
    file = as_file(e, n, old.depth_m.ravel().astype(float))
    file = dataclasses.replace(file, kind="grid", cell_m=2.0, anchor_m=(WEST, SOUTH))
    result = study([file], settings(cell_m=None), project)
    assert result.merged.grid == old.grid
    np.testing.assert_allclose(result.merged.depth_m, old.depth_m, atol=1e-6)
    assert not result.changes and not result.contacts and not result.significant.any()


def test_a_hard_edge_keeps_the_new_and_a_feather_starts_from_the_old():
    old = np.full((60, 60), 50.0)
    new = np.full((60, 60), np.nan)
    new[10:50, 10:50] = 52.0
    hard = merge.merge(flat(new), existing(old), settings(feather_m=0.0))
    assert set(np.unique(hard.depth_m[10:50, 10:50])) == {np.float32(52.0)} and hard.edge == "hard"
    soft = merge.merge(flat(new), existing(old), settings(feather_m=10.0))
    row = soft.depth_m[30, 10:31]
    # Half a cell inside the edge: w = 0.5 / 10; then a tenth more a cell, 1 from 10 m on.
    np.testing.assert_allclose(row, 50.0 + 2.0 * np.clip((np.arange(21) + 0.5) / 10.0, 0.0, 1.0), atol=1e-5)
    assert (soft.source[30, 10:20] == 3).all() and (soft.source[30, 20:30] == 1).all()
    assert np.isnan(soft.depth_m[5, 5]) and soft.source[5, 5] == 0


def test_a_blend_is_no_more_certain_than_what_it_is_made_of():
    old, new = np.full((40, 40), 50.0), np.full((40, 40), 52.0)
    soft = merge.merge(flat(new, 0.2), existing(old, 0.5), settings(feather_m=10.0))
    middle = soft.uncertainty_m[20, 20]
    assert middle == pytest.approx(0.2)
    weight = 0.35  # 3.5 m inside
    expected = np.sqrt(weight * 0.04 + (1 - weight) * 0.25 + weight * (1 - weight) * (1.96 * 2.0) ** 2)
    assert soft.uncertainty_m[20, 3] == pytest.approx(expected, rel=1e-3)


def test_without_an_old_seabed_there_is_nothing_to_blend_with():
    new = np.full((20, 20), 52.0)
    merged = merge.merge(flat(new), existing(np.full((20, 20), np.nan)), settings(feather_m=5.0))
    np.testing.assert_array_equal(merged.depth_m, new)
    assert (merged.source == 1).all()


# -- change


def test_areas_of_change_have_their_exact_figures():
    old = np.full((60, 80), 50.0)
    new = old.copy()
    new[10:20, 10:30] += 1.5  # 200 cells deeper
    new[40:44, 50:60] -= 2.0  # 40 cells shoaler
    new[30, 30] += 3.0  # one cell: chance
    surface, before = flat(new, 0.3, cell=2.0), existing(old, 0.4)
    difference = change.difference(surface, before)
    real = change.beyond_doubt(difference, surface, before)
    regions = change.areas(difference, real, surface, before, settings())
    assert [region.kind for region in regions] == ["erosion", "accretion"]
    first, second = (region.figures for region in regions)
    assert first["volume_m3"] == pytest.approx(1.5 * 200 * 4.0) and first["mean_change_m"] == pytest.approx(
        1.5
    )
    assert second["volume_m3"] == pytest.approx(-2.0 * 40 * 4.0) and second[
        "extreme_change_m"
    ] == pytest.approx(-2.0)
    # All errors alike: 95 % of a cell times the area, sqrt(0.3² + 0.4²) = 0.5.
    assert first["volume_uncertainty_m3"] == pytest.approx(0.5 * 200 * 4.0)
    assert regions[0].geometry.equals(shapely.box(WEST + 20, SOUTH + 80, WEST + 60, SOUTH + 100))


def test_change_within_the_combined_uncertainty_is_none():
    old = np.full((40, 40), 50.0)
    for step, expected in ((0.49, False), (0.51, True)):
        surface, before = flat(old + step, 0.3), existing(old, 0.4)
        real = change.beyond_doubt(change.difference(surface, before), surface, before)
        assert real.all() == expected and real.any() == expected


@pytest.mark.parametrize("seed", range(4))
def test_noise_alone_is_no_change(seed):
    """Errors of both surveys as large as declared: one cell in twenty exceeds, no patch of nine does."""
    rng = np.random.default_rng(seed)
    old = np.full((300, 300), 50.0)
    sigma = 0.2 / 1.96
    surface = flat(old + rng.normal(0.0, sigma, old.shape), 0.2)
    before = existing(old + rng.normal(0.0, sigma, old.shape), 0.2)
    difference = change.difference(surface, before)
    real = change.beyond_doubt(difference, surface, before)
    assert real.mean() == pytest.approx(0.05, abs=0.005)
    assert not change.areas(difference, real, surface, before, settings())


@pytest.mark.parametrize("seed", range(3))
def test_a_dredged_trench_comes_back_with_its_volume(seed):
    easting, northing, depth, _ = soundings(seed)
    x, y = easting - WEST - 210.0, northing - SOUTH - 200.0
    depth = depth + np.where((np.abs(x) < 40.0) & (np.abs(y) < 6.0), 1.2, 0.0)
    result = study([as_file(easting, northing, depth)], settings(contact_height_m=3.0))
    (region,) = result.changes
    assert region.kind == "erosion"
    assert abs(region.figures["volume_m3"] - 80.0 * 12.0 * 1.2) < region.figures["volume_uncertainty_m3"]
    assert region.area_m2 == pytest.approx(80.0 * 12.0, rel=0.1)


def test_a_coarse_old_surface_is_trusted_less_between_its_cells():
    from corridor.survey.existing import existing_on

    project = synthetic.project(cell=50.0)
    grid = Grid(60, 60, WEST + 140.0, SOUTH + 260.0, 2.0, CRS)
    coarse = existing_on(project.seabed, grid, settings())
    error = np.abs(coarse.depth_m - ground(*np.meshgrid(*grid.centres())))
    widened = np.sqrt(coarse.uncertainty_m.astype(float) ** 2 - synthetic.OLD.at(coarse.depth_m) ** 2)
    assert error.max() > 0.05 and (error <= widened + 0.02).all()
    fine = existing_on(synthetic.project(cell=2.0).seabed, grid, settings())
    np.testing.assert_allclose(fine.uncertainty_m, synthetic.OLD.at(fine.depth_m), rtol=1e-5)


# -- contacts


def with_box(seed: int, length: float, width: float, height: float, turn_deg: float, noise: float = 0.05):
    """Soundings of the ground with a box on it, middle at (210, 195) from the corner."""
    easting, northing, depth, line = soundings(seed, noise=noise)
    angle = np.radians(turn_deg)
    x, y = easting - WEST - 210.0, northing - SOUTH - 195.0
    along, across = x * np.sin(angle) + y * np.cos(angle), x * np.cos(angle) - y * np.sin(angle)
    inside = (np.abs(along) < 0.5 * length) & (np.abs(across) < 0.5 * width)
    return as_file(easting, northing, depth - np.where(inside, height, 0.0), line)


@pytest.mark.parametrize("seed", range(6))
def test_an_object_comes_back_with_its_size_height_and_place(seed):
    rng = np.random.default_rng(100 + seed)
    length, width, height = rng.uniform(8.0, 24.0), rng.uniform(3.0, 7.0), rng.uniform(1.5, 5.0)
    turn = rng.uniform(0.0, 180.0)
    result = study([with_box(seed, length, width, height, turn)], settings(contact_height_m=1.0))
    (contact,) = result.contacts
    assert contact.kind == "object" and contact.status == "new"
    assert abs(contact.height_m - height) <= contact.height_uncertainty_m
    assert abs(contact.length_m - length) <= contact.size_uncertainty_m
    assert abs(contact.width_m - width) <= contact.size_uncertainty_m
    assert np.hypot(contact.easting_m - WEST - 210.0, contact.northing_m - SOUTH - 195.0) < 1.0
    assert abs((contact.bearing_deg - turn + 90.0) % 180.0 - 90.0) < 15.0
    top = ground(np.array([WEST + 210.0]), np.array([SOUTH + 195.0]))[0] - height
    assert contact.least_depth_m == pytest.approx(top, abs=0.35) and contact.least_depth_m < top + 0.05
    assert any(region.kind == "object" for region in result.changes)


@pytest.mark.parametrize("seed", range(3))
def test_a_scour_pit_likewise(seed):
    easting, northing, depth, line = soundings(seed)
    depth = depth + np.where(np.hypot(easting - WEST - 180.0, northing - SOUTH - 210.0) < 7.0, 2.0, 0.0)
    (contact,) = study([as_file(easting, northing, depth, line)], settings(contact_height_m=1.0)).contacts
    assert contact.kind == "pit" and abs(contact.height_m - 2.0) <= contact.height_uncertainty_m
    assert contact.length_m == pytest.approx(14.0, abs=contact.size_uncertainty_m)


@pytest.mark.parametrize("seed", range(3))
def test_nothing_there_nothing_found(seed):
    easting, northing, depth, line = soundings(seed, noise=0.15)
    assert study([as_file(easting, northing, depth, line)], settings(contact_height_m=0.5)).contacts == ()


def test_sand_waves_and_steep_edges_are_not_objects():
    easting, northing, depth, line = soundings(1)
    waves = 1.2 * np.sin(2 * np.pi * (easting - WEST) / 120.0)  # 2.4 m high, 120 m long
    slope = 0.3 * (northing - SOUTH - 100.0)  # 17 degrees, up to the survey's edge
    result = study([as_file(easting, northing, depth + waves + slope, line)],
                   settings(contact_height_m=1.0, shift_tolerance_m=100.0))  # fmt: skip
    assert result.contacts == ()


def test_the_default_height_is_the_feature_size_of_the_order():
    """S-44 order 1a at 36 m: cubes of more than 2 m (table 1); special order: more than 1 m."""
    file = with_box(1, 12.0, 6.0, 1.5, 30.0)
    assert study([file], settings(order="1a")).contacts == ()
    assert len(study([file], settings(order="special")).contacts) == 1


def layer(name: str, rule: str, geometries: list, uncertainty: float = 0.0) -> Layer:
    count = len(geometries)
    return Layer(
        name, rule, np.array(geometries, dtype=object), tuple(f"{name} {k}" for k in range(count)),
        ({},) * count, np.zeros(count), np.full(count, uncertainty),
    )  # fmt: skip


def test_known_things_are_told_from_new_ones():
    spot = shapely.Point(WEST + 210.0, SOUTH + 195.0)
    away = shapely.affinity.translate(spot, 70.0)
    zone = spot.buffer(500.0)
    file = with_box(2, 10.0, 5.0, 3.0, 0.0)
    cases = {
        "known": [layer("wrecks", "avoid", [away, shapely.affinity.translate(spot, 40.0)])],
        "new": [
            layer("wrecks", "avoid", [away]),
            layer("area", "avoid", [zone]),
            layer("d", "discourage", [spot]),
        ],
    }
    for status, layers in cases.items():
        result = study([file], settings(contact_height_m=1.0), synthetic.project(layers=tuple(layers)))
        (contact,) = result.contacts
        assert contact.status == status
        assert bool(result.new_objects) == (status == "new")
    # The feature's own position uncertainty widens the tolerance: 70 m less half the object, 50 + 20 m.
    wide = (layer("wrecks", "avoid", [away], uncertainty=20.0),)
    (contact,) = study([file], settings(contact_height_m=1.0), synthetic.project(layers=wide)).contacts
    assert contact.known_as == "wrecks: wrecks 0" and 60.0 < contact.known_distance_m < 70.0


def test_the_place_on_the_line():
    result = study(
        [with_box(3, 10.0, 5.0, 3.0, 90.0)], settings(contact_height_m=1.0), line=straight_line(SOUTH + 200.0)
    )
    (contact,) = result.contacts
    assert contact.kp_km == pytest.approx(0.210, abs=0.001) and contact.offset_m == pytest.approx(
        5.0, abs=0.5
    )
    ((start, end),) = result.affected_km
    # 10 m along the line, 25 m of margin each side, a cell and a step of points.
    assert (start, end) == pytest.approx((0.180, 0.240), abs=0.004)
    far = study(
        [with_box(3, 10.0, 5.0, 3.0, 90.0)], settings(contact_height_m=1.0), line=straight_line(SOUTH + 290.0)
    )
    assert far.affected_km == ()


def test_the_local_surface_is_a_plane_on_a_plane_up_to_its_edges():
    rows, cols = np.mgrid[0:150, 0:170]
    depth = 60.0 + 0.2 * cols - 0.1 * rows
    depth[40:50, 60:75] -= 5.0
    relief = local_surface(flat(depth), settings(contact_window_m=60.0))
    np.testing.assert_allclose(relief.seabed_m, 60.0 + 0.2 * cols - 0.1 * rows, atol=0.02)
