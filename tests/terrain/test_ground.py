"""The gridded ground where it is easily wrong: centres on an edge, and the rim of the seabed."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from corridor.model.grid import Grid
from corridor.model.seabed import Seabed, Surface
from corridor.terrain.cost import sample_ground
from corridor.terrain.zones import clearance, clearance_inside

CRS = "EPSG:32740"
GRID = Grid(rows=20, cols=30, west_m=400_000.0, north_m=8_260_400.0, cell_m=20.0, crs=CRS)


@pytest.mark.parametrize("inside", [False, True])
def test_a_centre_exactly_on_the_edge_knows_the_way_out(inside):
    """Closed form: the edge of a half-plane through cell centres has one normal everywhere."""
    edge = GRID.west_m + 10.5 * GRID.cell_m
    half = shapely.box(edge - 5_000.0, GRID.south_m - 5_000.0, edge, GRID.north_m + 5_000.0)
    zone = clearance_inside(half, 0.0, GRID) if inside else clearance(half, 0.0, GRID)
    on_edge = zone.rim % GRID.cols == 10
    assert on_edge.sum() == GRID.rows
    np.testing.assert_allclose(zone.value[on_edge], 0.0, atol=1e-9)
    out = -1.0 if inside else 1.0  # clearance grows west inside the area, east outside the zone
    np.testing.assert_allclose(zone.grow[on_edge], np.tile([out, 0.0], (GRID.rows, 1)), atol=1e-6)


def test_slopes_reach_the_rim_of_the_seabed():
    """Closed form: a plane has the same gradient in its outermost cells as within."""
    east_tan, south_tan = math.tan(math.radians(7.0)), math.tan(math.radians(-4.0))
    col, row = np.meshgrid(np.arange(GRID.cols), np.arange(GRID.rows))
    depth = 300.0 - GRID.cell_m * (col * east_tan + row * south_tan)
    seabed = Seabed((Surface("plane", GRID, depth.astype(np.float32)),))
    _, _, east, south = sample_ground(seabed, GRID, 24.0)
    np.testing.assert_allclose(east, east_tan, rtol=2e-4)
    np.testing.assert_allclose(south, south_tan, rtol=2e-4)
