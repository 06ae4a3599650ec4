"""KP of any point: round trips, a slow reference, and shapely."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.model.alignment import Alignment
from corridor.routing.chainage import station_of
from corridor.routing.geometry import at_station, densify, elements

CRS = "EPSG:32740"


def winding(seed: int, count: int = 6) -> Alignment:
    """A line that heads east and winds; arcs never overlap (legs >= 3 km, T <= 1.4 km)."""
    rng = np.random.default_rng(seed)
    rows = np.column_stack([np.arange(count) * 4000.0, rng.uniform(-2000.0, 2000.0, count)])
    return Alignment.from_points(
        np.add(rows, [400_000.0, 8_260_000.0]), rng.uniform(200.0, 1400.0, count - 2), CRS
    )


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20))
def test_kp_to_point_to_kp_within_a_millimetre(seed, shares):
    line = elements(winding(seed))
    station = np.array(shares) * line.total_m
    e, n, _ = at_station(line, station)
    back, offset = station_of(line, e, n)
    assert np.abs(back - station).max() < 1e-3
    assert np.abs(offset).max() < 1e-6


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.02, 0.98), st.floats(-190.0, 190.0))
def test_kp_and_offset_of_a_point_beside_the_line(seed, share, offset):
    # Nearer than the least radius the foot of the offset is unique (plane geometry).
    line = elements(winding(seed))
    e, n, b = at_station(line, share * line.total_m)
    station, found = station_of(line, e + offset * math.cos(b), n - offset * math.sin(b))
    assert float(station) == pytest.approx(share * line.total_m, abs=1e-3)
    assert float(found) == pytest.approx(offset, abs=1e-6)


def test_densified_line_has_the_chainage_of_the_alignment():
    alignment = winding(3)
    line = elements(alignment)
    xy = densify(alignment, 1e-7)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    station, offset = station_of(line, xy[:, 0], xy[:, 1])
    assert np.abs(station - along).max() < 1e-3  # KP to 1 mm
    assert np.abs(offset).max() < 1e-6


def test_distances_equal_shapely_on_a_fine_polyline():
    rng = np.random.default_rng(0)
    for seed in range(10):
        count = 6 + 4 * seed
        alignment = winding(seed, count)  # up to 81 elements: several blocks of the kernel
        e = rng.uniform(396_000.0, 404_000.0 + 4000.0 * count, 300)
        n = rng.uniform(8_254_000.0, 8_266_000.0, 300)
        _, offset = station_of(elements(alignment), e, n)
        reference = shapely.distance(shapely.LineString(densify(alignment, 1e-5)), shapely.points(e, n))
        assert np.abs(np.abs(offset) - reference).max() < 1.1e-5


def test_kernel_equals_brute_force():
    """Slow reference: nearest of a great many points of the line."""
    line = elements(winding(5))
    s = np.linspace(0.0, line.total_m, 200_001)
    e, n, _ = at_station(line, s)
    rng = np.random.default_rng(1)
    for _ in range(30):
        pe, pn = rng.uniform(398_000.0, 422_000.0), rng.uniform(8_256_000.0, 8_264_000.0)
        distance = np.hypot(e - pe, n - pn)
        _, offset = station_of(line, pe, pn)
        assert abs(offset) <= distance.min() + 1e-9
        assert abs(offset) == pytest.approx(distance.min(), abs=0.01)


def test_before_start_beyond_end_and_the_sides():
    line = elements(Alignment.from_points([(0, 0), (0, 1000)], [], CRS))
    station, offset = station_of(line, [30.0, -30.0, 30.0, 3.0], [500.0, 500.0, -40.0, 1004.0])
    assert station.tolist() == [500.0, 500.0, 0.0, 1000.0]
    assert offset.tolist() == [30.0, -30.0, 50.0, 5.0]


def test_outer_side_of_a_sharp_corner():
    # Turn of 135 degrees to the right: what lies beyond the corner is to the left, seen from either leg.
    line = elements(Alignment.from_points([(0, 0), (0, 1000), (1000, 0)], [0.0], CRS))
    for bearing in (-80.0, -20.0, 30.0, 80.0, 130.0):
        e = 100.0 * math.sin(math.radians(bearing))
        n = 1000.0 + 100.0 * math.cos(math.radians(bearing))
        station, offset = station_of(line, e, n)
        if -90.0 <= bearing <= 45.0:
            assert float(station) == pytest.approx(1000.0, abs=1e-6)
            assert float(offset) == pytest.approx(-100.0, abs=1e-6)


def test_centre_of_an_arc_is_one_radius_away():
    line = elements(Alignment.from_points([(0, 0), (0, 1000), (1000, 1000)], [800.0], CRS))
    _, offset = station_of(line, 800.0, 200.0)
    assert float(offset) == pytest.approx(800.0)


def test_of_equally_near_places_the_first_counts():
    line = elements(Alignment.from_points([(0, 0), (0, 1000), (100, 1000), (100, 0)], [0.0, 0.0], CRS))
    station, _ = station_of(line, [50.0], [500.0])
    assert float(station[0]) == 500.0
    station, _ = station_of(line, [99.0, 50.0], [10.0, 500.0])  # the answer before does not matter
    assert float(station[1]) == 500.0


def test_shapes_follow_the_input():
    line = elements(winding(1))
    station, offset = station_of(line, np.full((2, 3), 405_000.0), 8_260_000.0)
    assert station.shape == offset.shape == (2, 3)
    assert np.ptp(station) == 0.0
