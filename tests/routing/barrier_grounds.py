"""Small projects in which something is in the way; invented, in metres of one grid."""

from __future__ import annotations

import math

import numpy as np
import shapely

from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed, Surface
from corridor.routing.geodesy import scale_factor

CRS = "EPSG:32740"
WEST, SOUTH = 500_000.0, 8_000_000.0


def layer(
    name: str, rule: str, geometries, standoff_m: float = 0.0, uncertainty_m: float = 0.0, **more
) -> Layer:
    count = len(geometries)
    array = np.empty(count, dtype=object)
    array[:] = geometries
    return Layer(
        name=name,
        rule=rule,
        geometries=array,
        features=tuple(f"{name} {k + 1}" for k in range(count)),
        attributes=tuple({} for _ in range(count)),
        standoff_m=np.full(count, float(standoff_m)),
        position_uncertainty_m=np.full(count, float(uncertainty_m)),
        **more,
    )


def project(depth, layers=(), start=(310.0, 610.0), end=(1310.0, 610.0), cell_m=20.0, **rules) -> Project:
    """A project on `depth` (rows, cols); positions are metres from the south-west corner."""
    depth = np.asarray(depth, dtype=np.float32)
    rows, cols = depth.shape
    grid = Grid(rows, cols, WEST, SOUTH + rows * cell_m, cell_m, CRS)
    given = dict(min_bend_radius_m=200.0, search_cell_m=cell_m, slope_baseline_m=cell_m, bend_cost_m=20.0)
    return Project(
        name="test",
        crs=CRS,
        vertical_datum="LAT",
        seabed=Seabed((Surface("test", grid, depth),), "LAT"),
        layers=tuple(layers),
        rules=RouteRules(**{**given, **rules}),
        start=end_at(*start),
        end=end_at(*end),
    )


def end_at(x: float, y: float, bearing_deg: float | None = None) -> RouteEnd:
    return RouteEnd(WEST + x, SOUTH + y, bearing_deg)


def flat(rows: int = 62, cols: int = 82, depth_m: float = 50.0) -> np.ndarray:
    return np.full((rows, cols), depth_m)


def box(x1: float, y1: float, x2: float, y2: float) -> shapely.Polygon:
    return shapely.box(WEST + x1, SOUTH + y1, WEST + x2, SOUTH + y2)


def point(x: float, y: float) -> shapely.Point:
    return shapely.Point(WEST + x, SOUTH + y)


def wall(x: float, middle: float, gap: float, thick: float = 10.0) -> list[shapely.Polygon]:
    """Two walls from edge to edge with a gap between them."""
    return [box(x, -200.0, x + thick, middle - gap / 2), box(x, middle + gap / 2, x + thick, 5000.0)]


def scarp(
    slope_deg: float, rows: int = 62, cols: int = 82, cell_m: float = 20.0, wide_m: float = 200.0
) -> np.ndarray:
    """Level, then a plane that falls to the east at `slope_deg`, then level."""
    x = (np.arange(cols) + 0.5) * cell_m
    profile = 50.0 + np.clip(x - 0.5 * cols * cell_m, 0.0, wide_m) * math.tan(math.radians(slope_deg))
    return np.tile(profile, (rows, 1))


def scale(x: float, y: float) -> float:
    """Grid metres per ground metre there: standoffs are ground metres."""
    return float(scale_factor(CRS, WEST + x, SOUTH + y))
