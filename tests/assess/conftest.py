"""Small invented projects on planes of known slope."""

from __future__ import annotations

import numpy as np
import pytest

from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.project import OutputSettings, Project
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed, Surface

CRS = "EPSG:32740"
EAST, NORTH = 400_000.0, 8_260_000.0


@pytest.fixture(scope="session")
def plane():
    """Build a surface: depth = depth_m + dz_east * (E - 400000) + dz_north * (N - 8260000)."""

    def build(
        depth_m=100.0, dz_east=0.0, dz_north=0.0, *, cell=10.0, size=12_000.0, west=-1000.0, name="plane"
    ):
        cells = int(size / cell)
        grid = Grid(cells, cells, EAST + west, NORTH + size / 2.0, cell, CRS)
        easting, northing = grid.centres()
        depth = depth_m + dz_east * (easting[None, :] - EAST) + dz_north * (northing[:, None] - NORTH)
        return Surface(name, grid, depth.astype(np.float32))

    return build


@pytest.fixture(scope="session")
def layer():
    """Build a layer from geometries given relative to (400000, 8260000)."""
    import shapely

    def build(name, rule, geometries, *, standoff=0.0, uncertainty=0.0, attributes=None, **settings):
        moved = np.array(
            [shapely.transform(g, lambda p: np.add(p, [EAST, NORTH])) for g in geometries], dtype=object
        )
        count = len(moved)
        return Layer(
            name=name,
            rule=rule,
            geometries=moved,
            features=tuple(f"{name} {i + 1}" for i in range(count)),
            attributes=tuple(attributes or [{}] * count),
            standoff_m=np.full(count, float(standoff)),
            position_uncertainty_m=np.full(count, float(uncertainty)),
            **settings,
        )

    return build


@pytest.fixture(scope="session")
def project(plane):
    """Build a project from (0, 0) to (10000, 0) relative to (400000, 8260000)."""

    def build(layers=(), seabed=None, *, start=(0.0, 0.0, None), end=(10_000.0, 0.0, None), via=(), **rules):
        rules.setdefault("min_bend_radius_m", 500.0)
        return Project(
            name="plane",
            crs=CRS,
            vertical_datum="LAT",
            seabed=seabed or Seabed((plane(),)),
            layers=tuple(layers),
            rules=RouteRules(**rules),
            start=RouteEnd(EAST + start[0], NORTH + start[1], start[2]),
            end=RouteEnd(EAST + end[0], NORTH + end[1], end[2]),
            via=tuple(RouteEnd(EAST + e, NORTH + n) for e, n in via),
            output=OutputSettings(kp_interval_m=100.0),
        )

    return build


@pytest.fixture(scope="session")
def route():
    """Build an alignment from points relative to (400000, 8260000)."""
    from corridor.model.alignment import Alignment

    def build(points, radii=()):
        return Alignment.from_points(np.add(points, [EAST, NORTH]), radii, CRS)

    return build


@pytest.fixture(scope="session")
def check():
    """Pick the check of one rule (and layer, and word in its detail) out of an assessment."""

    def pick(assessment, rule, layer="", word=""):
        found = [c for c in assessment.checks if c.rule == rule and c.layer == layer and word in c.detail]
        assert len(found) == 1, [(c.rule, c.layer, c.detail) for c in assessment.checks]
        return found[0]

    return pick
