"""Depth and slope lookups on planes, against scipy, and at the edges of data."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.seabed import Seabed, Surface
from corridor.routing.geometry import elements
from corridor.routing.profile import depth_profile, ground_profile, regular_stations
from corridor.terrain.sampling import depth_at, slopes_at

CRS = "EPSG:32740"
WEST, NORTH = 400_000.0, 8_260_000.0


def surface(depth, cell=10.0, west=WEST, north=NORTH, name="test") -> Surface:
    depth = np.asarray(depth, dtype=np.float32)
    return Surface(name, Grid(*depth.shape, west, north, cell, CRS), depth)


def plane(depth_m, east, north, rows=80, cols=90, cell=10.0) -> Surface:
    """depth = depth_m + east * (E - WEST) + north * (N - NORTH)."""
    grid = Grid(rows, cols, WEST, NORTH, cell, CRS)
    e, n = grid.centres()
    return surface(depth_m + east * (e[None, :] - WEST) + north * (n[:, None] - NORTH), cell)


def test_depth_is_exact_on_a_plane():
    rng = np.random.default_rng(0)
    e, n = WEST + rng.uniform(5.0, 895.0, 500), NORTH - rng.uniform(5.0, 795.0, 500)
    depth, source, cell = depth_at(Seabed((plane(100.0, 0.02, -0.03),)), e, n)
    assert depth == pytest.approx(100.0 + 0.02 * (e - WEST) - 0.03 * (n - NORTH), abs=2e-5)
    assert (source == 0).all() and (cell == 10.0).all()


def test_depth_equals_scipy_on_rough_ground():
    rng = np.random.default_rng(1)
    rough = surface(rng.normal(200.0, 20.0, (40, 50)))
    e, n = rough.grid.centres()
    reference = RegularGridInterpolator((n[::-1], e), rough.depth_m[::-1].astype(float))
    pe, pn = WEST + rng.uniform(5.0, 495.0, 400), NORTH - rng.uniform(5.0, 395.0, 400)
    depth, _, _ = depth_at(Seabed((rough,)), pe, pn)
    assert depth == pytest.approx(reference(np.column_stack([pn, pe])), abs=1e-9)


def slow_bilinear(surface: Surface, e: float, n: float) -> float:
    """Readable reference of the kernel: NaN unless every cell with weight holds data."""
    u, v = surface.grid.to_cells(e, n)
    u, v = float(u) - 0.5, float(v) - 0.5
    total = 0.0
    for row, row_weight in ((math.floor(v), 1 - v % 1), (math.floor(v) + 1, v % 1)):
        for col, col_weight in ((math.floor(u), 1 - u % 1), (math.floor(u) + 1, u % 1)):
            if row_weight * col_weight < 1e-6:
                continue
            if not (0 <= row < surface.grid.rows and 0 <= col < surface.grid.cols):
                return math.nan
            total += row_weight * col_weight * float(surface.depth_m[row, col])
    return total


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000))
def test_kernel_equals_slow_reference_with_holes_and_beyond_the_edge(seed):
    rng = np.random.default_rng(seed)
    depth = rng.normal(100.0, 10.0, (12, 14))
    depth[rng.random(depth.shape) < 0.15] = np.nan
    holed = surface(depth)
    e, n = WEST + rng.uniform(-15.0, 155.0, 60), NORTH - rng.uniform(-15.0, 135.0, 60)
    got, source, _ = depth_at(Seabed((holed,)), e, n)
    wanted = np.array([slow_bilinear(holed, a, b) for a, b in zip(e, n, strict=True)])
    assert np.array_equal(np.isnan(got), np.isnan(wanted))
    assert np.nan_to_num(got) == pytest.approx(np.nan_to_num(wanted), abs=1e-6)
    assert np.array_equal(source, np.where(np.isnan(wanted), -1, 0))


def test_cell_centres_need_no_neighbour_up_to_the_raster_edge():
    edge = surface(np.arange(12.0).reshape(3, 4))
    e, n = edge.grid.centres()
    depth, _, _ = depth_at(Seabed((edge,)), *np.meshgrid(e, n))
    assert depth == pytest.approx(np.arange(12.0).reshape(3, 4))
    depth, source, cell = depth_at(Seabed((edge,)), e[-1] + 1.0, n[0])
    assert math.isnan(depth) and source == -1 and math.isnan(cell)


def test_first_surface_counts_and_holes_fall_through_to_the_next():
    top = np.full((20, 20), 50.0)
    top[8:12, 8:12] = np.nan
    seabed = Seabed((surface(top, cell=10.0), surface(np.full((20, 20), 80.0), cell=20.0)))
    places_e = WEST + np.array([55.0, 100.0, 78.0, 300.0])
    places_n = NORTH - np.array([55.0, 100.0, 100.0, 100.0])
    depth, source, cell = depth_at(seabed, places_e, places_n)
    assert depth.tolist() == [50.0, 80.0, 80.0, 80.0]  # the third lies half a cell from the hole
    assert source.tolist() == [0, 1, 1, 1]
    assert cell.tolist() == [10.0, 20.0, 20.0, 20.0]


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-0.4, 0.4),
    st.floats(-0.4, 0.4),
    st.floats(0.0, 2.0 * math.pi),
    st.sampled_from([8.0, 24.0, 60.0]),
)
def test_slopes_on_a_plane_are_its_gradient(east, north, bearing, baseline):
    # Elevation falls where depth grows: rise along t is -(gradient of depth) . t; right of t is (t_n, -t_e).
    along, across = slopes_at(
        Seabed((plane(100.0, east, north),)), WEST + 450.0, NORTH - 400.0, bearing, baseline
    )
    t = np.array([math.sin(bearing), math.cos(bearing)])
    assert float(along) == pytest.approx(-(east * t[0] + north * t[1]), abs=3e-5)
    assert float(across) == pytest.approx(-(east * t[1] - north * t[0]), abs=3e-5)


def test_signs_of_slopes_in_words():
    shoaling_north = Seabed((plane(100.0, 0.0, -0.1),))  # gets shallower towards the north
    place = (WEST + 450.0, NORTH - 400.0)
    along, across = slopes_at(shoaling_north, *place, 0.0, 24.0)
    assert along == pytest.approx(0.1, abs=1e-5) and across == pytest.approx(0.0, abs=1e-5)
    along, across = slopes_at(shoaling_north, *place, math.pi / 2.0, 24.0)  # heading east: north is left
    assert along == pytest.approx(0.0, abs=1e-5) and across == pytest.approx(-0.1, abs=1e-5)


def test_the_step_between_two_surveys_is_not_a_slope():
    fine = surface(np.full((20, 20), 49.0))  # 1 m shallower than the survey around it
    wide = surface(np.full((60, 60), 50.0), west=WEST - 200.0, north=NORTH + 200.0)
    seabed = Seabed((fine, wide))
    along, across = slopes_at(seabed, WEST + 195.0, NORTH - 100.0, math.pi / 2.0, 24.0)
    assert (float(along), float(across)) == (0.0, 0.0)
    depth, _, _ = depth_at(seabed, WEST + np.array([180.0, 210.0]), NORTH - 100.0)
    assert depth.tolist() == [49.0, 50.0]


def test_slopes_between_surfaces_that_only_touch_are_measured_across_the_seam():
    left = surface(np.full((20, 20), 50.0))
    right = surface(np.full((20, 20), 48.0), west=WEST + 190.0)  # its centres begin 195 m east
    along, _ = slopes_at(Seabed((left, right)), WEST + 195.0, NORTH - 100.0, math.pi / 2.0, 40.0)
    assert float(along) == pytest.approx(2.0 / 40.0)


def test_slopes_at_the_edge_of_data_are_unknown():
    along, across = slopes_at(
        Seabed((plane(100.0, 0.1, 0.0),)), WEST + 10.0, NORTH - 400.0, math.pi / 2.0, 24.0
    )
    assert math.isnan(along)
    assert float(across) == pytest.approx(0.0, abs=1e-5)


def test_regular_stations_end_at_the_end():
    assert regular_stations(10.0, 4.0).tolist() == [0.0, 4.0, 8.0, 10.0]
    assert regular_stations(12.0, 4.0).tolist() == [0.0, 4.0, 8.0, 12.0]
    assert regular_stations(0.3, 0.1) == pytest.approx([0.0, 0.1, 0.2, 0.3])
    assert regular_stations(0.0, 4.0).tolist() == [0.0]


def test_profile_pieces_add_up_to_the_line():
    seabed = Seabed((plane(100.0, 0.05, 0.0),))
    line = elements(Alignment.from_points([(WEST + 50, NORTH - 400), (WEST + 850, NORTH - 300)], [], CRS))
    ground = ground_profile(line, seabed, 7.0, 24.0)
    assert ground.length_m.sum() == pytest.approx(line.total_m)
    # Midpoint integration of depth along a straight on a plane is exact: mean depth times length.
    mean = 0.5 * (102.5 + 142.5)
    assert (ground.depth_m * ground.length_m).sum() == pytest.approx(mean * line.total_m, rel=1e-6)
    station, depth, source = depth_profile(line, seabed, 7.0)
    assert station[-1] == pytest.approx(line.total_m)
    assert depth[[0, -1]] == pytest.approx([102.5, 142.5], abs=1e-4)
    assert (source == 0).all()
