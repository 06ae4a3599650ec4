"""Grid and ellipsoid against EPSG's worked example and GeographicLib."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from scipy.integrate import fixed_quad

from corridor.model.alignment import Alignment
from corridor.routing.chainage import ellipsoidal_length_m
from corridor.routing.geodesy import (
    convergence_deg,
    from_wgs84,
    geodesic_steps_m,
    scale_factor,
    smooth_length_m,
    to_wgs84,
)
from corridor.routing.geometry import at_station, elements


def test_transverse_mercator_example_of_epsg():
    # EPSG Guidance Note 7-2, Transverse Mercator, worked example: E 577274.99, N 69740.50.
    crs = (
        "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996012717 +x_0=400000 +y_0=-100000 "
        "+ellps=airy +units=m +type=crs"
    )
    easting, northing = from_wgs84(crs, 0.5, 50.5)
    assert float(easting) == pytest.approx(577_274.99, abs=0.02)
    assert float(northing) == pytest.approx(69_740.50, abs=0.02)
    lon, lat = to_wgs84(crs, easting, northing)
    assert (float(lon), float(lat)) == pytest.approx((0.5, 50.5), abs=1e-9)


def test_first_row_of_the_geographiclib_test_table():
    # C. F. F. Karney, geodesic test data; the row ships with the package geographiclib.
    easting, northing = from_wgs84("EPSG:3395", [-139.44815, -69.95921], [35.60777, -11.17491])
    assert geodesic_steps_m("EPSG:3395", easting, northing)[0] == pytest.approx(
        8_935_244.5604818305, abs=1e-6
    )


def test_grid_and_geodesic_length_in_utm():
    # UTM 31N, 56N 2.5E to 57N 3.5E: geodesic 127243.4177 m, grid 127193.0133 m (exact).
    easting, northing = from_wgs84("EPSG:32631", [2.5, 3.5], [56.0, 57.0])
    line = elements(Alignment.from_points(np.column_stack([easting, northing]), [], "EPSG:32631"))
    assert line.total_m == pytest.approx(127_193.0133, abs=1e-4)
    assert geodesic_steps_m("EPSG:32631", easting, northing)[0] == pytest.approx(127_243.4177, abs=1e-4)
    # The straight on the grid is not the geodesic, so its own length is a little more.
    length = ellipsoidal_length_m("EPSG:32631", line)
    assert 127_243.4176 < length < 127_243.4177 + 0.01


def test_geodesics_equal_geographiclib():
    rng = np.random.default_rng(0)
    e = 400_000.0 + np.cumsum(rng.uniform(100.0, 9000.0, 20))
    n = 8_260_000.0 + rng.uniform(-5000.0, 5000.0, 20)
    lon, lat = to_wgs84("EPSG:32740", e, n)
    reference = [
        Geodesic.WGS84.Inverse(lat[i], lon[i], lat[i + 1], lon[i + 1])["s12"] for i in range(len(lon) - 1)
    ]
    assert np.abs(geodesic_steps_m("EPSG:32740", e, n) - reference).max() < 1e-6


@pytest.mark.parametrize("crs", ["EPSG:32740", "EPSG:3395", "EPSG:32631"])
def test_ellipsoidal_length_equals_the_integral_of_grid_length_over_scale(crs):
    # On a conformal projection ds(ellipsoid) = ds(grid) / k, whatever the curve (definition of k).
    rows = np.array([(0, 0), (30_000, 4000), (60_000, -9000), (100_000, 0)], dtype=float)
    origin = {"EPSG:32740": (400_000, 8_260_000), "EPSG:3395": (6_000_000, -1_500_000)}
    alignment = Alignment.from_points(rows + origin.get(crs, (450_000, 6_200_000)), [1500.0, 5000.0], crs)
    line = elements(alignment)

    def rate(s):
        return 1.0 / scale_factor(crs, *at_station(line, s)[:2])

    edges = np.unique(np.concatenate([line.station_m, np.arange(0.0, line.total_m, 5000.0), [line.total_m]]))
    total = sum(fixed_quad(rate, low, high, n=5)[0] for low, high in pairwise(edges))
    assert ellipsoidal_length_m(crs, line) == pytest.approx(total, abs=1e-3)


def test_chord_correction_on_a_tight_arc():
    # At the central meridian, where the scale hardly changes, a quarter circle is R pi / 2 / 0.9996 long.
    crs, radius = "EPSG:32740", 100.0
    angle = np.linspace(0.0, math.pi / 2.0, 33)
    e = 500_000.0 + radius * np.sin(angle)
    n = 8_260_000.0 + radius * np.cos(angle)
    assert smooth_length_m(crs, e, n) == pytest.approx(radius * math.pi / 2.0 / 0.9996, rel=2e-8)
    coarse = np.hypot(np.diff(e), np.diff(n)).sum() / 0.9996
    assert coarse < radius * math.pi / 2.0 / 0.9996 * (1.0 - 5e-5)


def test_scale_on_and_off_the_central_meridian():
    # UTM: k0 = 0.9996 on the central meridian; k = k0 (1 + x**2 / (2 R**2)) off it, R about 6.37e6 m
    # (first term of the series for the transverse Mercator).
    scale = scale_factor("EPSG:32740", [500_000.0, 700_000.0], [8_260_000.0, 8_260_000.0])
    assert scale[0] == pytest.approx(0.9996, abs=1e-9)
    assert scale[1] == pytest.approx(0.9996 * (1.0 + 200_080.0**2 / (2.0 * 6.364e6**2)), abs=2e-6)


def test_scale_is_grid_length_over_geodesic_length():
    e, n = np.array([300_000.0, 300_010.0]), np.array([8_000_000.0, 8_000_003.0])
    ground = geodesic_steps_m("EPSG:32740", e, n)[0]
    assert math.hypot(10.0, 3.0) / ground == pytest.approx(
        float(scale_factor("EPSG:32740", e[0], n[0])), rel=1e-7
    )


@pytest.mark.parametrize(("easting", "northing"), [(300_000.0, 8_000_000.0), (700_000.0, 9_500_000.0)])
def test_true_bearing_is_grid_bearing_plus_convergence(easting, northing):
    # Azimuth of a short step along grid north, by GeographicLib.
    lon, lat = to_wgs84("EPSG:32740", [easting, easting], [northing, northing + 10.0])
    azimuth = Geodesic.WGS84.Inverse(lat[0], lon[0], lat[1], lon[1])["azi1"]
    assert float(convergence_deg("EPSG:32740", easting, northing)) == pytest.approx(azimuth, abs=1e-4)


def test_no_points_give_no_values():
    assert scale_factor("EPSG:32740", [], []).shape == (0,)
