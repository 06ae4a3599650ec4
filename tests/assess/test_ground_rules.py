"""Slopes, depth and holes on planes of known slope."""

from __future__ import annotations

import math

import numpy as np
import pytest

from corridor.assess import assess
from corridor.assess.ground_rules import check_spacing_m
from corridor.model.rules import RouteRules
from corridor.model.seabed import Seabed, Surface

STRAIGHT = [(0, 0), (10_000, 0)]


@pytest.mark.parametrize("degrees", [2.0, 7.0])
def test_slope_across_on_a_plane_is_exact(plane, project, route, check, degrees):
    tangent = math.tan(math.radians(degrees))
    seabed = Seabed((plane(2000.0, dz_north=tangent),))
    on_limit = assess(route(STRAIGHT), project(seabed=seabed, max_slope_across_deg=degrees))
    found = check(on_limit, "max_slope_across_deg")
    assert found.ok and found.worst == pytest.approx(degrees, abs=2e-3)
    assert on_limit.max_slope_along_deg == pytest.approx(0.0, abs=2e-3)
    steep = assess(route(STRAIGHT), project(seabed=seabed, max_slope_across_deg=degrees - 0.05))
    assert not check(steep, "max_slope_across_deg").ok


def test_slopes_change_with_the_bearing(plane, project, route):
    # A plane of 5 degrees down to the north, crossed at 60 degrees to the fall line.
    tangent = math.tan(math.radians(5.0))
    seabed = Seabed((plane(1000.0, dz_north=tangent),))
    end = (4000.0 * math.sin(math.radians(60.0)), 4000.0 * math.cos(math.radians(60.0)))
    result = assess(route([(0, 0), end]), project(seabed=seabed))
    along, across = tangent * math.cos(math.radians(60.0)), tangent * math.sin(math.radians(60.0))
    assert result.max_slope_along_deg == pytest.approx(math.degrees(math.atan(along)), abs=2e-3)
    assert result.max_slope_across_deg == pytest.approx(math.degrees(math.atan(across)), abs=2e-3)
    # Depth grows northwards: the bed falls ahead and rises to the right (south).
    assert (result.chainage["slope_along_deg"] < 0.0).all()
    assert (result.chainage["slope_across_deg"] > 0.0).all()


def bank(plane, low, high, rise):
    """A plane on which depth falls by `rise` m evenly between two chainages of the straight line."""
    base = plane(200.0)
    easting, _ = base.grid.centres()
    depth = base.depth_m - np.interp(easting - 400_000.0, [low, high], [0.0, rise])[None, :]
    return Surface("bank", base.grid, depth.astype(np.float32))


def test_a_steep_place_is_found_and_handed_back(plane, project, route, check):
    seabed = Seabed((bank(plane, 4000.0, 4200.0, 40.0),))  # 1 in 5: 11.31 degrees over 200 m
    result = assess(route(STRAIGHT), project(seabed=seabed, max_slope_along_deg=8.0))
    found = check(result, "max_slope_along_deg")
    assert not found.ok and found.worst == pytest.approx(math.degrees(math.atan(0.2)), abs=0.01)
    assert 4.0 <= found.kp_km <= 4.2
    steep = [b for b in result.breaches if b.rule == "max_slope_along_deg"]
    east = np.sort([b.easting_m for b in steep]) - 400_000.0
    assert east[0] == pytest.approx(4000.0, abs=15.0) and east[-1] == pytest.approx(4200.0, abs=15.0)
    assert np.diff(east).max() <= 10.0 + 1e-6
    assert {b.bearing_deg for b in steep} == {90.0}
    assert max(b.value for b in steep) == pytest.approx(found.worst) and steep[0].limit == 8.0


def test_depth_range_has_two_limits(plane, project, route, check):
    seabed = Seabed((plane(50.0, dz_east=0.01),))  # 50 m at START, 150 m at END
    result = assess(route(STRAIGHT), project(seabed=seabed, depth_range_m=(60.0, 200.0)))
    shallow = check(result, "depth_range_m", word="shallowest")
    deep = check(result, "depth_range_m", word="deepest")
    assert not shallow.ok and shallow.worst == pytest.approx(50.0, abs=0.1) and shallow.limit == 60.0
    assert deep.ok and deep.worst == pytest.approx(150.0, abs=0.1)
    east = [b.easting_m - 400_000.0 for b in result.breaches]
    assert max(east) == pytest.approx(1000.0, abs=10.0)


def test_a_hole_is_broken_ground_unless_another_surface_covers_it(plane, project, route, check):
    base = plane(100.0)
    holed = base.depth_m.copy()
    easting, _ = base.grid.centres()
    holed[:, (easting > 403_000.0) & (easting < 403_500.0)] = np.nan
    top = Surface("holed", base.grid, holed)
    result = assess(route(STRAIGHT), project(seabed=Seabed((top,))))
    found = check(result, "holes")
    # 50 cells without data, and half a cell on either side that has no neighbour to interpolate with.
    assert not found.ok and found.worst == pytest.approx(510.0, abs=10.0)
    assert found.kp_km == pytest.approx(3.0, abs=0.01)
    assert any("slopes could not be measured" in warning for warning in result.warnings)
    under = plane(100.0, cell=40.0, name="under")
    assert assess(route(STRAIGHT), project(seabed=Seabed((top, under)))).ok


def test_a_line_off_the_seabed_is_reported_not_raised(project, route, check):
    result = assess(route([(0, 50_000), (10_000, 50_000)]), project())
    assert check(result, "holes").worst == pytest.approx(10_000.0)
    assert math.isnan(result.max_slope_along_deg) and not result.ok


def test_coarse_surface_is_named(plane, project, route):
    seabed = Seabed((plane(100.0, cell=50.0, name="regional"),))
    result = assess(route(STRAIGHT), project(seabed=seabed))
    assert any("regional" in warning and "50 m" in warning for warning in result.warnings)


@pytest.mark.parametrize(
    ("cell", "baseline", "most"), [(20.0, 24.0, 5.0), (2.0, 24.0, 2.0), (20.0, 12.0, 3.0), (0.7, 24.0, 0.7)]
)
def test_samples_are_close_enough_and_divide_the_kilometre(plane, cell, baseline, most):
    rules = RouteRules(min_bend_radius_m=500.0, slope_baseline_m=baseline)
    spacing = check_spacing_m(Seabed((plane(100.0, cell=cell, size=70.0),)), rules)
    assert 0.8 * most <= spacing <= most
    assert (1000.0 / spacing) % 1.0 == pytest.approx(0.0, abs=1e-9)
