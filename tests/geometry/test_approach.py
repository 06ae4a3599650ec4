"""Exact distances and intersections of straights and arcs: closed forms and shapely."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.model.alignment import Alignment
from corridor.routing.approach import (
    edge_meetings,
    joined,
    length_m,
    nearest_approach,
    segments_of,
    stretches_inside,
    stretches_outside,
    stretches_within,
    without,
)
from corridor.routing.geometry import at_station, densify, elements

CRS = "EPSG:32740"


def array(*geometries):
    out = np.empty(len(geometries), dtype=object)
    out[:] = geometries
    return out


def quarter(radius=1000.0) -> Alignment:
    """North 1000 m to (0, 2000), a quarter turn right about (1000, 1000), then east."""
    return Alignment.from_points([(0, 0), (0, 2000), (3000, 2000)], [radius], CRS)


def random_case(seed):
    """A winding line and features of every kind about it."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 7))
    rows = np.column_stack([np.arange(count) * 3000.0, rng.normal(0.0, 900.0, count)])
    alignment = Alignment.from_points(rows, rng.uniform(100.0, 1500.0, count - 2), CRS)
    features = []
    for kind in range(18):
        centre = rng.uniform([-1000.0, -3000.0], [count * 3000.0, 3000.0])
        features.append(
            [
                shapely.Point(centre),
                shapely.LineString(centre + rng.normal(0.0, 800.0, (4, 2))),
                shapely.Point(centre).buffer(rng.uniform(50, 600), quad_segs=3),
            ][kind % 3]
        )
    return alignment, array(*features)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 100_000))
def test_distances_equal_shapely_on_a_fine_polyline(seed):
    alignment, features = random_case(seed)
    line = elements(alignment)
    distance, station = nearest_approach(line, features)
    polyline = shapely.LineString(densify(alignment, 1e-5))
    assert distance == pytest.approx(shapely.distance(polyline, features), abs=2e-5)
    e, n, _ = at_station(line, station)
    assert shapely.distance(shapely.points(e, n), features) == pytest.approx(distance, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 100_000))
def test_meetings_and_stretches_equal_shapely(seed):
    alignment, features = random_case(seed)
    line = elements(alignment)
    polyline = shapely.LineString(densify(alignment, 1e-5))
    _, hit, _ = edge_meetings(line, features)
    for index, feature in enumerate(features):
        if feature.geom_type == "Point":
            continue
        edge = feature if feature.geom_type == "LineString" else feature.boundary
        common = shapely.intersection(polyline, edge)
        assert np.sum(hit == index) == (0 if common.is_empty else len(shapely.get_parts(common)))
        if feature.geom_type == "Polygon":
            inside = shapely.intersection(polyline, feature).length
            assert length_m(stretches_inside(line, feature)) == pytest.approx(inside, abs=1e-3)
            outside = length_m(stretches_outside(line, feature))
            assert outside == pytest.approx(line.total_m - inside, abs=1e-2)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 100_000), st.floats(20.0, 900.0))
def test_stretches_within_a_distance_equal_a_fine_buffer(seed, distance):
    alignment, features = random_case(seed)
    line = elements(alignment)
    polyline = shapely.LineString(densify(alignment, 1e-5))
    for feature in features:
        zone = feature.buffer(distance, quad_segs=500)
        reference = shapely.intersection(polyline, zone).length
        assert length_m(stretches_within(line, feature, distance)) == pytest.approx(reference, abs=0.5)


def test_point_inside_and_outside_an_arc():
    line = elements(quarter())
    # From the centre (1000, 1000) along the diagonal: the arc lies 1000 m from it (a circle).
    for away in (400.0, 1300.0):
        place = (1000.0 - away / math.sqrt(2.0), 1000.0 + away / math.sqrt(2.0))
        distance, station = nearest_approach(line, array(shapely.Point(place)))
        assert distance[0] == pytest.approx(abs(1000.0 - away), abs=1e-9)
        assert station[0] == pytest.approx(1000.0 + 1000.0 * math.pi / 4.0, abs=1e-6)


def test_segment_square_to_the_radius_outside_an_arc():
    line = elements(quarter())
    # The chord x - y = -1600 lies |0 + 1600| / sqrt 2 from the centre, hence that less R from the arc.
    segment = shapely.LineString([(-500.0, 1100.0), (500.0, 2100.0)])
    distance, station = nearest_approach(line, array(segment))
    assert distance[0] == pytest.approx(1600.0 / math.sqrt(2.0) - 1000.0, abs=1e-9)
    assert station[0] == pytest.approx(1000.0 + 250.0 * math.pi, abs=1e-6)


def test_crossing_angle_on_an_arc_and_a_straight():
    line = elements(quarter())
    # At the arc's middle the line bears 45 degrees; a cable due north meets it at 45, due north-east at 0.
    x = 1000.0 - 1000.0 / math.sqrt(2.0)
    cable = shapely.LineString([(x, 1000.0), (x, 3000.0)])
    station, _, angle = edge_meetings(line, array(cable))
    assert station == pytest.approx([1000.0 + 250.0 * math.pi])
    assert np.degrees(angle) == pytest.approx([45.0])
    station, _, angle = edge_meetings(line, array(shapely.LineString([(-100.0, 400.0), (100.0, 600.0)])))
    assert station == pytest.approx([500.0])
    assert np.degrees(angle) == pytest.approx([45.0])


def test_a_crossing_in_a_joint_counts_once():
    line = elements(quarter())
    through_vertex = shapely.LineString([(-50.0, 500.0), (0.0, 500.0), (50.0, 450.0)])
    station, _, angle = edge_meetings(line, array(through_vertex))
    assert station == pytest.approx([500.0])
    assert np.degrees(angle) == pytest.approx([45.0])  # the flatter of its two segments
    at_tangent_point = shapely.LineString([(-50.0, 1000.0), (50.0, 1000.0)])
    station, _, _ = edge_meetings(line, array(at_tangent_point))
    assert station == pytest.approx([1000.0])


def test_running_along_an_asset_has_no_angle():
    station, _, angle = edge_meetings(elements(quarter()), array(shapely.LineString([(0, 200), (0, 600)])))
    assert station == pytest.approx([200.0, 600.0])
    assert angle == pytest.approx([0.0, 0.0])


def test_line_that_starts_inside_an_area_is_at_no_distance():
    distance, station = nearest_approach(elements(quarter()), array(shapely.box(-100, -100, 9000, 9000)))
    assert (distance[0], station[0]) == (0.0, 0.0)


def test_features_beyond_the_reach_are_not_measured():
    distance, station = nearest_approach(elements(quarter()), array(shapely.Point(-700.0, 500.0)), 600.0)
    assert math.isinf(distance[0]) and math.isnan(station[0])


def test_chainages_inside_a_box_and_near_a_point():
    line = elements(quarter())
    inside = stretches_inside(line, shapely.box(-10.0, 300.0, 10.0, 700.0))
    assert inside == pytest.approx(np.array([[300.0, 700.0]]))
    # Within d of a point at offset a the straight runs sqrt(d**2 - a**2) to both sides (Pythagoras).
    near = stretches_within(line, shapely.Point(60.0, 500.0), 100.0)
    assert near == pytest.approx(np.array([[420.0, 580.0]]))


def test_along_the_edge_of_an_area_is_inside_it():
    line = elements(Alignment.from_points([(0, 0), (0, 1000)], [], CRS))
    assert length_m(stretches_outside(line, shapely.box(0.0, -10.0, 500.0, 400.0))) == pytest.approx(600.0)


def test_segments_of_every_kind_of_geometry():
    features = array(
        shapely.Point(1, 2),
        shapely.MultiPoint([(0, 0), (1, 1)]),
        shapely.LineString([(0, 0), (1, 0), (1, 1)]),
        shapely.Polygon([(0, 0), (4, 0), (4, 4)], [[(2, 1), (3, 1), (3, 2)]]),
        shapely.GeometryCollection([shapely.Point(7, 7), shapely.MultiLineString([[(0, 0), (0, 1)]])]),
        shapely.LineString([(0, 0, 5), (1, 0, 6)]),
    )
    segments, owner = segments_of(features)
    assert np.bincount(owner).tolist() == [1, 2, 2, 6, 2, 1]
    assert segments[owner == 0].tolist() == [[1, 2, 1, 2]]
    empty, none = segments_of(array())
    assert empty.shape == (0, 4) and none.shape == (0,)


def test_arithmetic_of_stretches():
    parts = np.array([[5.0, 8.0], [0.0, 2.0], [2.0, 3.0]])
    assert joined(parts).tolist() == [[0.0, 3.0], [5.0, 8.0]]
    assert without(joined(parts), 1.0, 6.0).tolist() == [[0.0, 1.0], [6.0, 8.0]]
    assert length_m(joined(parts)) == 6.0
    assert length_m(np.empty((0, 2))) == 0.0
