"""A first run compiles on two processors: this module's process takes the kernels needed last.

numba compiles one kernel at a time in a process. While the first command reads
files and compiles the search, a process of this module lays and measures a line on a
small invented ground, which compiles fit, assessment and statics into the folder
that all runs share (:mod:`corridor.compiled`). Nothing depends on it:
what it has not finished is compiled where it is needed.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import shapely

from corridor.model.alignment import Alignment
from corridor.model.layers import Layer
from corridor.model.pipe import Environment, Pipe
from corridor.model.project import Project
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Grid, Seabed, Surface, Uncertainty

CRS = "EPSG:32631"
WEST, SOUTH, LENGTH, WIDTH, CELL = 500_000.0, 6_000_000.0, 3000.0, 600.0, 3.0


@contextmanager
def compiling_ahead() -> Iterator[None]:
    """The process at work until the block ends; none where there is but one processor."""
    if (os.cpu_count() or 1) < 2:
        yield
        return
    process = subprocess.Popen(
        [sys.executable, "-m", __name__],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield
    finally:
        process.kill()
        process.wait()


def small_project() -> Project:
    """A strip of ground with waves, gullies to span and a layer of every rule that kernels know."""
    grid = Grid(int(WIDTH / CELL), int(LENGTH / CELL), WEST, SOUTH + WIDTH, CELL, CRS)
    east, north = grid.centres()
    x, y = east[None, :] - WEST, north[:, None] - SOUTH
    depth = 60.0 + np.sin(x / 61.0 + y / 50.0)
    for middle in (700.0, 2215.0):
        depth = depth + np.where(np.abs(x - middle) < 25.0, 2.0, 0.0)
    cable = shapely.LineString([(WEST + 1500.0, SOUTH - 50.0), (WEST + 1500.0, SOUTH + WIDTH + 50.0)])
    return Project(
        name="compiling", crs=CRS, vertical_datum="LAT",
        seabed=Seabed((Surface("strip", grid, depth.astype(np.float32), Uncertainty(0.2, 0.001)),), "LAT"),
        layers=(
            _layer("wreck", "avoid", shapely.Point(WEST + 1000.0, SOUTH + 0.5 * WIDTH), standoff_m=30.0),
            _layer("soft", "discourage", shapely.box(WEST + 2000.0, SOUTH, WEST + 2300.0, SOUTH + 200.0)),
            _layer("cable", "cross", cable),
        ),
        rules=RouteRules(min_bend_radius_m=500.0, max_slope_along_deg=12.0, search_cell_m=20.0),
        start=RouteEnd(WEST + 60.0, SOUTH + 300.0), end=RouteEnd(WEST + LENGTH - 60.0, SOUTH + 300.0),
        pipe=Pipe(0.508, 0.0206, 200.0, yield_strength_MPa=450.0, realisations=2),
        environment=Environment(300.0, current_m_s=0.5, wave_velocity_m_s=0.1),
    )  # fmt: skip


def small_line() -> Alignment:
    """A line over it with bends, as a search would hand it to the fit."""
    x = np.array([60.0, 800.0, 1250.0, 2000.0, LENGTH - 60.0])
    y = np.array([300.0, 350.0, 380.0, 310.0, 300.0])
    radius = np.array([np.nan, 600.0, 600.0, 600.0, np.nan])
    return Alignment(WEST + x, SOUTH + y, radius, CRS)


def _layer(name: str, rule: str, shape: shapely.Geometry, standoff_m: float = 0.0) -> Layer:
    return Layer(
        name=name, rule=rule, geometries=np.array([shape], dtype=object), features=(name,),
        attributes=({},), standoff_m=np.array([standoff_m]), position_uncertainty_m=np.zeros(1),
        factor=1.5, min_angle_deg=30.0, straight_each_side_m=100.0,
    )  # fmt: skip


def main() -> None:
    """Fit, then statics and checks, then everything else a route needs, the search's kernels last."""
    from corridor.routing.fit import fit
    from corridor.terrain.cost import cost_surface
    from corridor.workflow import assess_line, route

    project = small_project()
    fit(small_line(), cost_surface(project), project.rules)
    assess_line(project, small_line())
    route(project)


if __name__ == "__main__":
    main()
