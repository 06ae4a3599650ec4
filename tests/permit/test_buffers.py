"""Zone geometry against closed forms, on the ellipsoid."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.model.alignment import Alignment
from corridor.model.permit import ZoneSettings, zone_distance_m
from corridor.permit.buffers import grid_distance_m, ground_buffers
from corridor.permit.hulls import hull
from corridor.permit.line_tables import approach_table
from corridor.permit.lonlat import cut_edges, ellipsoidal_areas
from corridor.permit.zones import make_zones
from corridor.routing.geometry import elements

from .synthetic import CRS, RULES, make_layer, objects

EXCESS = 1e-3
"""The published polygon exceeds the true zone by less than 0.1 % in area (the issue's own limit)."""

UTM_31 = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
WGS84 = pyproj.Geod(ellps="WGS84")

PLACES = {
    "central meridian": (500_000.0, 6_000_000.0),
    "zone edge at the equator": (834_000.0, 10_000.0),
    "zone edge at 54 N": (697_000.0, 6_000_000.0),
    "beyond the zone edge": (833_000.0, 6_000_000.0),
}


def areas(crs: str, shapes) -> np.ndarray:
    return ellipsoidal_areas(crs, cut_edges(objects(shapes), 100.0))[0]


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("radius", [1.0, 50.0, 500.0, 22_224.0])
def test_point_buffer_is_a_circle_on_the_ground(place, radius):
    """pi r**2: plane geometry; the ellipsoid's curvature changes it by (r / R)**2 / 12, below 1e-6 here."""
    found = areas(CRS, ground_buffers(CRS, [shapely.Point(PLACES[place])], radius))[0]
    assert 0.0 < found / (np.pi * radius**2) - 1.0 < EXCESS


@pytest.mark.parametrize("place", PLACES)
def test_every_point_of_the_true_circle_lies_inside(place):
    """Set out by geodesics (pyproj.Geod, C. F. F. Karney 2013): 720 points exactly 500 m away."""
    centre = PLACES[place]
    outline = ground_buffers(CRS, [shapely.Point(centre)], 500.0)[0]
    lon, lat = UTM_31.transform(*centre)
    azimuth = np.arange(0.0, 360.0, 0.5)
    lon2, lat2, _ = WGS84.fwd(np.full(720, lon), np.full(720, lat), azimuth, np.full(720, 500.0))
    easting, northing = UTM_31.transform(lon2, lat2, direction="INVERSE")
    assert shapely.contains_xy(outline, easting, northing).all()


@pytest.mark.parametrize("place", PLACES)
def test_line_buffer(place):
    """2 r L + pi r**2, L the length on the ellipsoid (pyproj.Geod)."""
    e, n = PLACES[place]
    line = shapely.LineString([(e, n), (e - 9000.0, n + 4000.0)])
    lon, lat = UTM_31.transform(*shapely.segmentize(line, 100.0).xy)
    expected = 2.0 * 200.0 * WGS84.line_length(lon, lat) + np.pi * 200.0**2
    for outline in (ground_buffers(CRS, [line], 200.0)[0], hull(CRS, line, 200.0)):
        assert 0.0 < areas(CRS, [outline])[0] / expected - 1.0 < EXCESS


def test_line_so_long_that_the_scale_changes_along_it():
    """400 km from the central meridian outwards: one scale factor for all would be 0.2 % wrong."""
    line = shapely.LineString([(500_000.0, 1e5), (900_000.0, 1e5)])
    lon, lat = UTM_31.transform(*shapely.segmentize(line, 200.0).xy)
    expected = 2.0 * 5000.0 * WGS84.line_length(lon, lat) + np.pi * 5000.0**2
    outline = ground_buffers(CRS, [line], 5000.0)
    assert 0.0 < areas(CRS, outline)[0] / expected - 1.0 < EXCESS


def test_convex_polygon_buffer():
    """Steiner's formula A + P r + pi r**2 (J. Steiner 1840; exact for convex plane figures)."""
    polygon = shapely.Polygon([(600_000, 6e6), (603_000, 6e6), (604_000, 6_002_000), (601_000, 6_003_000)])
    area, perimeter = ellipsoidal_areas(CRS, cut_edges([polygon], 100.0))
    expected = area[0] + perimeter[0] * 300.0 + np.pi * 300.0**2
    outline = ground_buffers(CRS, [polygon], 300.0)
    assert 0.0 < areas(CRS, outline)[0] / expected - 1.0 < EXCESS


def test_curved_line():
    """Half an annulus and two end caps: pi rho 2 r + pi r**2 (plane geometry; rho on the ground)."""
    rho, r = 3000.0, 400.0
    angle = np.linspace(0.0, np.pi, 400)
    line = shapely.LineString(np.column_stack([500_000 + rho * np.cos(angle), 6e6 + rho * np.sin(angle)]))
    k = 0.9996  # scale factor of UTM on its central meridian (EPSG Guidance Note 7-2)
    expected = np.pi * (rho / k) * 2.0 * r + np.pi * r**2
    found = areas(CRS, ground_buffers(CRS, [line], r))[0]
    # The chords of 400 vertices are shorter than the arc by (pi / 400)**2 / 24 = 3e-6.
    assert -1e-5 < found / expected - 1.0 < EXCESS


def test_hole_shrinks_by_the_distance():
    """A square ring: its hole of side 4000 m keeps (4000 - 2 r)**2, exact, times the square of the scale."""
    outer, inner = shapely.box(496e3, 5996e3, 504e3, 6004e3), shapely.box(498e3, 5998e3, 502e3, 6002e3)
    outline = ground_buffers(CRS, [outer.difference(inner)], 250.0)[0]
    hole = shapely.Polygon(outline.interiors[0])
    assert hole.area == pytest.approx((4000.0 - 2.0 * 250.0 * 0.9996) ** 2, rel=1e-4)


def test_projection_that_is_not_conformal():
    """ETRS89 / LAEA Europe far from its centre turns circles into ellipses: pi r**2 all the same."""
    crs = "EPSG:3035"
    point = shapely.Point(2_700_000.0, 1_500_000.0)
    for outline in (ground_buffers(crs, [point], 500.0)[0], hull(crs, point, 500.0)):
        found = areas(crs, [outline])[0]
        assert 0.0 < found / (np.pi * 500.0**2) - 1.0 < EXCESS
    width = np.ptp(shapely.get_coordinates(ground_buffers(crs, [point], 500.0)[0]), axis=0)
    assert abs(width[0] - width[1]) > 1.0  # an ellipse indeed


def test_no_distance_leaves_the_feature_alone():
    shapes = [shapely.Point(5e5, 6e6), shapely.box(5e5, 6e6, 5.01e5, 6.01e6)]
    assert all(a.equals(b) for a, b in zip(ground_buffers(CRS, shapes, 0.0), shapes, strict=True))
    assert grid_distance_m(CRS, shapes, 0.0).tolist() == [0.0, 0.0]


@st.composite
def features(draw):
    """Points, lines that may cross themselves, polygons that may be hollow and rough."""
    place = st.tuples(st.floats(-3000, 3000), st.floats(-3000, 3000))
    corner = np.array([draw(st.floats(2e5, 8e5)), draw(st.floats(1e5, 8e6))])
    points = corner + np.array(draw(st.lists(place, min_size=1, max_size=9)))
    if len(points) == 1:
        return shapely.Point(points[0])
    if len(points) < 4 or draw(st.booleans()):
        return shapely.make_valid(shapely.LineString(points))
    return shapely.make_valid(shapely.Polygon(points))


@given(features(), st.floats(5.0, 2000.0))
@settings(max_examples=60, deadline=None)
def test_outline_contains_the_zone_and_keeps_within_the_grid_distance(feature, radius):
    """Every vertex lies between the ground distance (least scale) and the search's grid distance."""
    outline = ground_buffers(CRS, [feature], radius)[0]
    limit = grid_distance_m(CRS, [feature], radius)[0]
    edge = outline.boundary
    vertices = shapely.points(shapely.get_coordinates(edge))
    assert outline.is_valid
    assert shapely.distance(vertices, feature).max() <= limit * (1.0 + 1e-9)
    lon, lat = UTM_31.transform(*feature.centroid.coords[0])
    least = pyproj.Proj(CRS).get_factors(lon, lat).meridional_scale * radius
    assert shapely.distance(edge, feature) >= least * (1.0 - 2e-5)
    assert outline.covers(feature)


@given(features(), st.floats(0.0, 800.0), st.floats(0.0, 2.0 * np.pi))
@settings(max_examples=40, deadline=None)
def test_a_line_at_the_search_limit_never_enters_a_published_zone(feature, standoff, angle):
    """A straight line that just touches the limit from outside: nearest approach >= 0."""
    layer = make_layer("things", "avoid", [feature], standoff=standoff)
    zones, _, _ = make_zones([layer], CRS, RULES, ZoneSettings())
    limit = grid_distance_m(CRS, layer.geometries, zone_distance_m(layer, RULES))[0]
    way, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    vertices = shapely.get_coordinates(feature)
    base = vertices.mean(axis=0)
    reach = ((vertices - base) @ across).max() + limit
    middle = base + (reach + 1e-6) * across
    ends = np.array([middle - 20_000.0 * way, middle + 20_000.0 * way])
    line = elements(Alignment.from_points(ends, [], CRS))
    table = approach_table(CRS, line, zones, 5000.0)
    assert len(table["distance_m"]) == 1
    assert table["distance_m"][0] >= 0.0
    # ... and it is no farther than the allowance for arcs (0.1 %) and scale keeps it.
    assert table["distance_m"][0] < 0.0025 * zones[0].buffer_m + 0.01


def test_distance_is_standoff_uncertainty_and_lay_tolerance():
    shapes = [shapely.Point(5e5, 6e6)] * 2
    for rule, expected in (
        ("avoid", [130.0, 10.0]),
        ("discourage", [120.0, 0.0]),
        ("cross", [130.0, 0.0]),
        ("stay_within", [130.0, 0.0]),
        ("jurisdiction", [0.0, 0.0]),
    ):
        layer = make_layer("things", rule, shapes, standoff=[100.0, 0.0], uncertainty=[20.0, 0.0])
        assert zone_distance_m(layer, RULES).tolist() == expected
