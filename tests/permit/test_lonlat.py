"""Degrees for files: RFC 7946, across the antimeridian and about a pole."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely

from corridor.permit.buffers import ground_buffers
from corridor.permit.lonlat import cut_edges, ellipsoidal_areas, split_at_antimeridian, to_lonlat, unwrapped

from .synthetic import objects

WGS84 = pyproj.Geod(ellps="WGS84")


def geodesic_area(shape) -> float:
    return abs(WGS84.geometry_area_perimeter(shape)[0])


def test_zone_across_the_antimeridian_is_split_and_keeps_its_area():
    """RFC 7946, section 3.1.9; area by pyproj.Geod."""
    crs = "EPSG:32601"  # UTM 1 N: central meridian 177 W
    edge = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(180.0, 52.0)
    outline = ground_buffers(crs, [shapely.Point(edge)], 5000.0)
    split = to_lonlat(crs, outline)[0]
    assert split.geom_type == "MultiPolygon" and len(split.geoms) == 2
    west, east = sorted(split.geoms, key=lambda part: part.bounds[0])
    assert west.bounds[0] == -180.0 and west.bounds[2] < -179.0
    assert east.bounds[2] == 180.0 and east.bounds[0] > 179.0
    assert geodesic_area(west) + geodesic_area(east) == pytest.approx(np.pi * 5000.0**2, rel=1e-3)


def test_right_hand_rule():
    """RFC 7946, section 3.1.6: exterior counter-clockwise, holes clockwise, whatever came in."""
    outer, inner = shapely.box(5e5, 6e6, 5.1e5, 6.01e6), shapely.box(5.02e5, 6.002e6, 5.04e5, 6.004e6)
    ring = outer.difference(inner)
    shapes = [ring, shapely.reverse(ring), shapely.MultiPolygon([shapely.reverse(outer)])]
    for shape in to_lonlat("EPSG:32631", shapes):
        for part in shapely.get_parts(shape):
            assert part.exterior.is_ccw
            assert not any(hole.is_ccw for hole in part.interiors)


def test_ring_that_jumps_at_the_antimeridian_is_made_whole():
    ring = shapely.Polygon([(179.0, 10.0), (-179.0, 10.0), (-179.0, 11.0), (179.0, 11.0)])
    split = split_at_antimeridian(unwrapped(ring))
    assert sorted(part.bounds for part in split.geoms) == [
        (-180.0, 10.0, -179.0, 11.0),
        (179.0, 10.0, 180.0, 11.0),
    ]


def test_ring_about_a_pole_holds_the_pole():
    """A circle of 100 km about the north pole: pi r**2 within the flattening's reach of 1e-4."""
    crs = "EPSG:3995"  # Arctic polar stereographic
    outline = ground_buffers(crs, [shapely.Point(0.0, 0.0)], 100_000.0)
    degrees = to_lonlat(crs, outline)[0]
    assert degrees.bounds[3] == 90.0 and degrees.bounds[0] == -180.0 and degrees.bounds[2] == 180.0
    assert ellipsoidal_areas(crs, cut_edges(outline))[0][0] == pytest.approx(np.pi * 1e10, rel=2e-3)


def test_areas_are_those_of_pyproj():
    """A graticule cell of one degree at the equator: pyproj.Geod; and a hole is taken away."""
    outer, inner = shapely.box(4.4e5, 1e4, 5.6e5, 1.2e5), shapely.box(4.8e5, 4e4, 5.2e5, 8e4)
    shapes = objects([outer.difference(inner), outer, inner])
    area, perimeter = ellipsoidal_areas("EPSG:32631", cut_edges(shapes, 100.0))
    assert area[0] == pytest.approx(area[1] - area[2], rel=1e-9)
    lonlat = to_lonlat("EPSG:32631", cut_edges([outer], 100.0))[0]
    assert area[1] == pytest.approx(geodesic_area(lonlat), rel=1e-9)
    assert perimeter[0] == pytest.approx(perimeter[1] + perimeter[2], rel=1e-9)
