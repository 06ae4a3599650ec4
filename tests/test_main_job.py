"""The main job end to end on grounds whose answer is known or checked by outside libraries."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin
from skimage.graph import MCP_Geometric

import corridor

CRS = "EPSG:32740"
WEST, NORTH = 400_000.0, 8_270_000.0


def write_seabed(folder: Path, elevation: np.ndarray, cell_m: float) -> None:
    with rasterio.open(
        folder / "seabed.tif", "w", driver="GTiff", height=elevation.shape[0], width=elevation.shape[1],
        count=1, dtype="float32", crs=CRS, transform=from_origin(WEST, NORTH, cell_m, cell_m),
    ) as file:  # fmt: skip
        file.write(elevation.astype("float32"), 1)


def write_project(folder: Path, route: str, layers: str = "") -> corridor.Project:
    (folder / "project.toml").write_text(
        f"""
[project]
name = "a made-up case"
crs = "{CRS}"
vertical_datum = "LAT"
[[seabed]]
file = "seabed.tif"
values = "elevation"
vertical_datum = "LAT"
{layers}
[route]
{route}
""",
        encoding="utf-8",
    )
    return corridor.read_project(folder / "project.toml")


def write_layer(folder: Path, name: str, shapes: list, **columns) -> None:
    frame = geopandas.GeoDataFrame(
        {"name": [f"{name} {i}" for i in range(len(shapes))], **columns}, geometry=shapes, crs=CRS
    )
    frame.to_file(folder / f"{name}.gpkg", driver="GPKG")


def place(u_m: float, v_m: float) -> tuple[float, float]:
    """Metres east and south of the corner."""
    return WEST + u_m, NORTH - v_m


def end(u_m: float, v_m: float, bearing: float | None = None) -> str:
    e, n = place(u_m, v_m)
    extra = "" if bearing is None else f", bearing_deg = {bearing}"
    return f"{{easting = {e}, northing = {n}{extra}}}"


def test_wall_with_a_gap(tmp_path):
    """Exact geometry (shapely) confirms standoff and radius where the line squeezes through."""
    write_seabed(tmp_path, np.full((300, 400), -60.0), 20.0)
    gap = 2 * (100.0 + 10.0) * 1.0012 + 30.0  # 30 m to spare beside both limits, scale factor included
    x = 4000.0
    walls = [
        shapely.LineString([place(x, -500.0), place(x + 300, 2800.0 - gap / 2)]),
        shapely.LineString([place(x + 300, 2800.0 + gap / 2), place(x, 6500.0)]),
    ]
    write_layer(tmp_path, "walls", walls)
    project = write_project(
        tmp_path,
        f"start = {end(800, 1500, 90.0)}\nend = {end(7200, 4300, 120.0)}\nmin_bend_radius_m = 900\n"
        "lay_tolerance_m = 10\nmin_straight_m = 100\nend_straight_m = 200",
        '[[layer]]\nname = "walls"\nfile = "walls.gpkg"\nrule = "avoid"\nstandoff_m = 100\n',
    )
    study = corridor.route(project)
    assert study.assessment.ok
    line = shapely.LineString(corridor.densify(study.alignment, 0.001))
    scale = 0.99968  # UTM at 100 km from the central meridian: from memory, tested loosely below
    for wall in walls:
        assert line.distance(wall) >= 110.0 * scale - 0.5
    assert study.alignment.radius_m[1:-1].min() >= 900.0 - 1e-6
    bearing = corridor.bends(study.alignment).bearing_rad
    assert math.degrees(bearing[0]) == pytest.approx(90.0, abs=1e-6)
    assert math.degrees(bearing[-1]) == pytest.approx(120.0, abs=1e-6)
    assert min(check.worst for check in study.assessment.checks if check.rule == "standoff_m") >= 110.0 - 1e-3


def test_closed_wall_is_no_route(tmp_path):
    write_seabed(tmp_path, np.full((120, 200), -60.0), 20.0)
    write_layer(tmp_path, "wall", [shapely.LineString([place(2000, -500), place(2000, 3000)])])
    project = write_project(
        tmp_path,
        f"start = {end(500, 1200)}\nend = {end(3500, 1200)}\nmin_bend_radius_m = 300\n",
        '[[layer]]\nname = "wall"\nfile = "wall.gpkg"\nrule = "avoid"\nstandoff_m = 50\n',
    )
    with pytest.raises(corridor.NoRouteError):
        corridor.route(project)


def test_one_diagonal_cable(tmp_path):
    """Crossed once, at or above its angle, on its straight, its fee paid once, and listed so."""
    write_seabed(tmp_path, np.full((300, 300), -80.0), 20.0)
    cable = shapely.LineString([place(-400, 2100), place(6400, 3900)])
    write_layer(tmp_path, "cable", [cable], owner=["nobody"], kind=["telecom"], status=["in use"])
    project = write_project(
        tmp_path,
        f"start = {end(700, 1500)}\nend = {end(5300, 4300)}\nmin_bend_radius_m = 600\n",
        '[[layer]]\nname = "cable"\nfile = "cable.gpkg"\nrule = "cross"\nmin_angle_deg = 60\n'
        "straight_each_side_m = 200\ncrossing_cost_m = 1500\n",
    )
    study = corridor.route(project)
    assert study.assessment.ok
    table = study.assessment.crossings
    assert len(table["kp_km"]) == 1
    assert table["owner"][0] == "nobody"
    assert study.assessment.cost_terms["crossings_m"] == 1500.0
    # The direct line crosses at 16 degrees: the line has to turn for it.
    line = shapely.LineString(corridor.densify(study.alignment, 0.001))
    hit = line.intersection(cable)
    assert hit.geom_type == "Point"
    at = line.project(hit)
    before, after = line.interpolate(at - 100.0), line.interpolate(at + 100.0)
    direction = math.atan2(after.y - before.y, after.x - before.x)
    along_cable = math.atan2(-1800.0, 6800.0)
    angle = abs(math.degrees(math.remainder(direction - along_cable, math.pi)))
    assert angle >= 60.0 - 1e-3
    assert table["angle_deg"][0] == pytest.approx(angle, abs=0.01)
    # Straight for 200 m on both sides: points on it are collinear.
    for side in (-199.0, 199.0):
        p = line.interpolate(at + side)
        off = (p.x - hit.x) * math.sin(direction) - (p.y - hit.y) * math.cos(direction)
        assert abs(off) < 0.05


def test_real_terrain(tmp_path):
    """A real landscape laid under water, against scikit-image's unconstrained path on the same cost.

    Source of the ground: ``jacksboro_fault_dem.npz`` of matplotlib's sample data
    (a published elevation model), here 30 m cells, read as depths.
    """
    from matplotlib import cbook

    elevation = cbook.get_sample_data("jacksboro_fault_dem.npz")["elevation"].astype(float)
    elevation = elevation[::-1] * 0.1 - 300.0  # gentler, and wholly under water
    cell = 30.0
    write_seabed(tmp_path, elevation, cell)
    rows, cols = elevation.shape
    project = write_project(
        tmp_path,
        f"start = {end(25.5 * cell, 40.5 * cell)}\nend = {end((cols - 25.5) * cell, (rows - 40.5) * cell)}\n"
        "min_bend_radius_m = 600\nmax_slope_along_deg = 10\nmax_slope_across_deg = 8\nslope_baseline_m = 60\n"
        "bend_cost_m = 100\nmin_straight_m = 100",
    )
    study = corridor.route(project)
    assert study.assessment.ok
    assert study.assessment.min_radius_m >= 600.0 - 1e-6
    assert study.assessment.max_slope_along_deg <= 10.0 + 1e-3
    assert study.assessment.max_slope_across_deg <= 8.0 + 1e-3
    # The same isotropic floor of the cost, without radius or limits: nothing laid can be much cheaper.
    ground = study.surface.ground
    floor = 1.0 + (ground[..., 1] ** 2 + ground[..., 2] ** 2) / math.tan(math.radians(10.0)) ** 2
    free = MCP_Geometric(floor * cell)
    u, v = study.surface.grid.to_cells(
        study.alignment.easting_m[[0, -1]], study.alignment.northing_m[[0, -1]]
    )
    costs, _ = free.find_costs([(int(v[0]), int(u[0]))], [(int(v[1]), int(u[1]))])
    unconstrained = costs[int(v[1]), int(u[1])]
    # Eight directions lengthen a line by up to 8.24 % (exact): that much the laid line may be below.
    assert study.assessment.cost_m >= unconstrained / 1.0824
    assert study.assessment.cost_m <= 1.35 * unconstrained
    assert study.search.lower_bound_m <= study.assessment.cost_m


@pytest.mark.parametrize("seed", range(3))
def test_bound_is_never_above_a_line_that_obeys_the_rules(seed):
    """Many random lines on random ground: each costs at least the bound."""
    from corridor.routing.bound import lower_bound_m
    from tests.routing.grounds import rough

    rng = np.random.default_rng(seed)
    surf = rough(seed, 90, 110, closed=0.01)
    rules = corridor.RouteRules(min_bend_radius_m=30.0, bend_cost_m=0.0)
    a = corridor.RouteEnd(*(float(x) for x in surf.grid.to_map(8.5, 9.5)))
    b = corridor.RouteEnd(*(float(x) for x in surf.grid.to_map(101.5, 80.5)))
    bound = lower_bound_m(surf, rules, a, b)
    found = corridor.search(surf, rules, a, b)
    fitted = corridor.fit(found.alignment, surf, rules, a, b)
    assert 0.8 * found.cost_m <= bound <= min(found.cost_m, fitted.cost_m)
    tried = 0
    for _ in range(200):
        inner = (
            np.sort(rng.uniform(0.1, 0.9, 2))[:, None] * [93.0, 71.0] + [8.5, 9.5] + rng.normal(0, 6, (2, 2))
        )
        points = np.vstack([[8.5, 9.5], inner, [101.5, 80.5]])
        e, n = surf.grid.to_map(points[:, 0], points[:, 1])
        line = corridor.Alignment.from_points(np.column_stack([e, n]), [30.0, 30.0], surf.grid.crs)
        if corridor.bends(line).straight_m.min() > 0:
            tried += 1
            # Closed cells count as open in this price: an even lower figure than a legal line's.
            assert sum(corridor.line_cost(line, surf, rules).values()) >= bound
    assert tried > 50


@pytest.mark.parametrize("seed", range(3))
def test_the_line_keeps_clear_of_the_published_zones(tmp_path, seed):
    """The route's nearest approach to a published zone is never negative (shapely, exact outlines)."""
    rng = np.random.default_rng(seed)
    write_seabed(tmp_path, np.full((200, 300), -60.0), 20.0)
    wrecks = [shapely.Point(place(*rng.uniform((900, 600), (5100, 3400)))) for _ in range(9)]
    write_layer(tmp_path, "wrecks", wrecks)
    reef = shapely.Point(place(*rng.uniform((2500, 1200), (3500, 2800)))).buffer(400.0, quad_segs=4)
    write_layer(tmp_path, "reef", [reef])
    project = write_project(
        tmp_path,
        f"start = {end(300, 2000)}\nend = {end(5700, 2000)}\nmin_bend_radius_m = 300\nlay_tolerance_m = 10\n"
        "min_straight_m = 50",
        "".join(
            f'[[layer]]\nname = "{name}"\nfile = "{name}.gpkg"\nrule = "avoid"\nstandoff_m = {standoff}\n'
            for name, standoff in (("wrecks", 100), ("reef", 60))
        ),
    )
    study = corridor.route(project)
    assert study.assessment.ok
    line = shapely.LineString(corridor.densify(study.alignment, 0.0001))
    zones = corridor.permit_zones(project).zones
    assert len(zones) == 10
    nearest = min(line.distance(zone.outline) for zone in zones)
    # A chord strays 0.1 mm from its arc; a touch within a millimetre is none.
    assert all(line.intersection(zone.outline.buffer(-0.001)).is_empty for zone in zones)
    assert nearest < 500.0  # the zones are in the way: the check means something
