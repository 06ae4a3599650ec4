"""A small synthetic study: invented ground, one line with two bends, every table filled."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.project import OutputSettings, Project, SourceFile
from corridor.model.results import Assessment, Check, SearchResult, Study
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed, Surface
from corridor.routing.chainage import ellipsoidal_length_m
from corridor.routing.geodesy import to_wgs84
from corridor.routing.geometry import at_station, curvature_at, elements, points, setting_out, stations
from corridor.terrain.sampling import depth_at

CRS = "EPSG:32740"
WEST, NORTH = 400000.0, 8270000.0

HOSTILE = (
    "{{7*7}}",
    "{% x %}",
    "<img src=x onerror=window.hacked=1>",
    "</script><script>window.hacked=2</script>",
    "=cmd|' /C calc'!A0",
    "javascript:window.hacked=3",
    "x" * 10000,
    "a\u0000b\u001fc",
    "${7*7} `id` & <b>",
)


def make_seabed(rows: int = 300, cols: int = 500, cell_m: float = 20.0) -> Seabed:
    """A slope from 15 to some 240 m with a ridge and dimples, and a fine strip in its middle."""

    def depth(grid: Grid) -> np.ndarray:
        x, y = np.meshgrid(*grid.centres())
        u, v = (x - WEST) / 10000.0, (NORTH - y) / 6000.0
        ground = 15.0 + 220.0 * u**1.3 + 18.0 * np.sin(9.0 * u) * np.cos(7.0 * v)
        return (ground + 4.0 * np.exp(-((np.sin(30 * u) ** 2 + np.sin(24 * v) ** 2) * 8))).astype(np.float32)

    coarse = Grid(rows, cols, WEST, NORTH, cell_m, CRS)
    ground = depth(coarse)
    ground[:20, :30] = np.nan
    fine = Grid(250, 2000, WEST + 500.0, NORTH - 2500.0, 4.0, CRS)
    return Seabed((Surface("strip.tif", fine, depth(fine)), Surface("regional.tif", coarse, ground)), "LAT")


def make_alignment() -> Alignment:
    """START, two IPs, END over some 8.6 km."""
    return Alignment.from_points(
        [(400700.0, 8267200.0), (403200.0, 8266900.0), (406000.0, 8267350.0), (409200.0, 8266300.0)],
        [1500.0, 1800.0],
        CRS,
    )


def make_layer(name: str, rule: str, shapes: list, names: list[str], **more) -> Layer:
    """A layer with one attribute per feature."""
    geometries = np.empty(len(shapes), dtype=object)
    geometries[:] = shapes
    return Layer(
        name=name,
        rule=rule,
        geometries=geometries,
        features=tuple(names),
        attributes=tuple({"name": text, "note": f"note on {text[:30]}"} for text in names),
        standoff_m=np.full(len(shapes), more.pop("standoff_m", 0.0)),
        position_uncertainty_m=np.zeros(len(shapes)),
        **more,
    )


def make_layers(names: tuple[str, ...] = ("Wreck A", "Cable one", "Grounds", "Area")) -> tuple[Layer, ...]:
    """One layer per rule; `names` are spread over their features."""
    wrecks = [shapely.Point(401500.0 + 700 * i, 8267900.0 - 330 * (i % 3)) for i in range(len(names))]
    cables = [
        shapely.LineString([(404600.0, 8264500.0), (404900.0, 8269500.0)]),
        shapely.LineString([(407000.0, 8264500.0), (407600.0, 8269500.0)]),
    ]
    return (
        make_layer("wrecks", "avoid", wrecks, list(names), standoff_m=120.0),
        make_layer("cables", "cross", cables, [names[1], names[-1]], min_angle_deg=45.0),
        make_layer(
            "trawl grounds",
            "discourage",
            [shapely.box(402000, 8266000, 403600, 8267300)],
            [names[2]],
            factor=2.5,
        ),
        make_layer("permit area", "stay_within", [shapely.box(400100, 8264300, 409900, 8269900)], [names[0]]),
    )


def make_project(tmp_path: Path, layers: tuple[Layer, ...] | None = None) -> Project:
    """The project around them, its file written to `tmp_path`."""
    file = tmp_path / "project.toml"
    file.write_text("[project]\n", encoding="utf-8")
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    return Project(
        name="Synthetic line",
        crs=CRS,
        vertical_datum="LAT",
        seabed=make_seabed(),
        layers=make_layers() if layers is None else layers,
        rules=RouteRules(min_bend_radius_m=1500.0, max_slope_along_deg=8.0, max_slope_across_deg=6.0),
        start=RouteEnd(400700.0, 8267200.0),
        end=RouteEnd(409200.0, 8266300.0),
        output=OutputSettings(revision="B"),
        file=file,
        inputs=(SourceFile("project.toml", digest),),
        settings={"project": {"name": "Synthetic line", "crs": CRS}, "route": {"min_bend_radius_m": 1500.0}},
        warnings=("layer 'spare' does not overlap the seabed",),
    )


def make_assessment(project: Project, line: Alignment, spacing_m: float = 2.0) -> Assessment:
    """Tables with the contract's columns, from the real geometry and invented pipe figures."""
    chain = elements(line)
    length = chain.total_m
    profile_at = np.append(np.arange(0.0, length, spacing_m), length)
    easting, northing, _ = at_station(chain, profile_at)
    depth, _, _ = depth_at(project.seabed, easting, northing)
    gap = np.maximum(0.0, 0.9 * np.sin(profile_at / 90.0) - 0.35) * (np.abs(profile_at - 5000) < 1500)
    return Assessment(
        points=points(line),
        setting_out=setting_out(line),
        chainage=make_chainage(project, line),
        profile={
            "kp_km": profile_at / 1000.0,
            "depth_m": depth,
            "pipe_depth_m": depth - gap,
            "gap_m": gap,
        },
        crossings=make_crossings(project, line),
        proximity=make_proximity(project, line),
        checks=(
            Check("min_bend_radius_m", 1500.0, 1500.0, 2.5, True, "IP1"),
            Check("max_slope_across_deg", 6.0, 6.8123, 4.25, False, "beside the ridge"),
            Check("standoff_m", 120.0, 391.25, 1.1, True, project.layers[0].features[0], "wrecks"),
        ),
        breaches=(),
        length_m=length,
        length_ellipsoid_m=ellipsoidal_length_m(line.crs, chain),
        cost_m=length + 4321.5,
        cost_terms={
            "pipe": length,
            "slope": 900.5,
            "discouraged": 1121.0,
            "crossings": 2000.0,
            "bends": 300.0,
        },
        cost_by_kp=make_cost(length),
        min_radius_m=1500.0,
        max_slope_along_deg=5.4321,
        max_slope_across_deg=6.8123,
        spans=make_spans(gap, profile_at, depth),
        not_assessed=("on-bottom stability", "buckling", "trawl impact"),
        warnings=("2 of 3 surfaces carry no uncertainty",),
        geodesy={"scale_factor_mean": 0.99972},
    )


def make_chainage(project: Project, line: Alignment) -> dict[str, np.ndarray]:
    chain = elements(line)
    at = stations(chain, 100.0)
    easting, northing, bearing = at_station(chain, at)
    lon, lat = to_wgs84(line.crs, easting, northing)
    curvature = curvature_at(chain, at)
    radius = np.full(len(at), np.nan)
    radius[curvature != 0] = 1.0 / np.abs(curvature[curvature != 0])
    event = np.array([""] * len(at), dtype=object)
    event[0], event[-1] = "START", "END"
    return {
        "kp_km": at / 1000.0,
        "easting_m": easting,
        "northing_m": northing,
        "latitude_deg": lat,
        "longitude_deg": lon,
        "depth_m": depth_at(project.seabed, easting, northing)[0],
        "bearing_deg": np.degrees(bearing),
        "radius_m": radius,
        "slope_along_deg": 5.0 * np.sin(at / 700.0),
        "slope_across_deg": 6.8 * np.cos(at / 1100.0),
        "event": event,
    }


def make_crossings(project: Project, line: Alignment) -> dict[str, np.ndarray]:
    kp = np.array([4.02, 6.49])
    easting, northing, _ = at_station(elements(line), kp * 1000.0)
    lon, lat = to_wgs84(line.crs, easting, northing)
    names = np.array([project.layers[1].features[0], project.layers[1].features[1]], dtype=object)
    word = lambda text: np.array([text, None], dtype=object)  # noqa: E731
    return {
        "kp_km": kp,
        "layer": np.array(["cables", "cables"], dtype=object),
        "feature": names,
        "owner": word("Invented Cables"),
        "kind": word("telecom"),
        "status": word("-5"),
        "easting_m": easting,
        "northing_m": northing,
        "latitude_deg": lat,
        "longitude_deg": lon,
        "angle_deg": np.array([84.25, 43.5]),
        "depth_m": depth_at(project.seabed, easting, northing)[0],
        "straight_before_m": np.array([300.0, 210.0]),
        "straight_after_m": np.array([410.0, 180.0]),
        "separation_m": np.array([0.3, 0.3]),
        "ok": np.array([True, False]),
    }


def make_proximity(project: Project, line: Alignment) -> dict[str, np.ndarray]:
    names = project.layers[0].features
    count = len(names)
    return {
        "layer": np.array(["wrecks"] * count, dtype=object),
        "feature": np.array(names, dtype=object),
        "kp_km": np.linspace(0.8, 6.0, count),
        "distance_m": np.linspace(391.25, 800.0, count),
        "side": np.array(["left"] * count, dtype=object),
        "limit_m": np.full(count, 120.0),
        "ok": np.ones(count, dtype=bool),
    }


def make_cost(length: float) -> dict[str, np.ndarray]:
    kp = np.arange(0.0, length / 1000.0, 0.5)
    return {
        "kp_start_km": kp,
        "kp_end_km": np.minimum(kp + 0.5, length / 1000.0),
        "pipe": np.full(len(kp), 500.0),
        "discouraged": np.where((kp > 1.2) & (kp < 2.8), 400.0, 0.0),
    }


def make_spans(gap: np.ndarray, at: np.ndarray, depth: np.ndarray) -> dict[str, np.ndarray]:
    """Every run of gap as a span, two load cases each, three verdicts in turn."""
    free = np.concatenate([[False], gap > 0.05, [False]])
    first = np.flatnonzero(~free[:-1] & free[1:])
    last = np.flatnonzero(free[:-1] & ~free[1:]) - 1
    table: dict[str, list] = {}
    for number, (i, j) in enumerate(zip(first, last, strict=True), start=1):
        top = i + int(np.argmax(gap[i : j + 1]))
        verdict = ("ok", "assess", "support")[number % 3]
        for case in ("as laid", "operating"):
            row = {
                "span": number,
                "kp_start_km": at[i] / 1000,
                "kp_end_km": at[j] / 1000,
                "length_m": at[j] - at[i],
                "max_gap_m": gap[top],
                "kp_max_gap_km": at[top] / 1000,
                "depth_m": depth[top],
                "seabed_cell_m": 4.0,
                "max_moment_kNm": 123.456 * number,
                "max_stress_MPa": 88.8,
                "frequency_inline_hz": 0.4321,
                "frequency_crossflow_hz": 0.5432,
                "allowable_length_m": 77.7,
                "probability": np.nan,
                "verdict": verdict if case == "operating" else "ok",
                "load_case": case,
                "governs": case == "operating",
            }
            for key, value in row.items():
                table.setdefault(key, []).append(value)
    text = ("verdict", "load_case")
    return {key: np.array(values, dtype=object if key in text else None) for key, values in table.items()}


def make_study(tmp_path: Path, names: tuple[str, ...] | None = None, **changes) -> Study:
    """The whole study; `names` are feature names to use instead of the harmless ones."""
    project = make_project(tmp_path, None if names is None else make_layers(names))
    line = make_alignment()
    assessment = make_assessment(project, line)
    search = SearchResult(line, assessment.cost_m, assessment.cost_m / 1.02, 1234, 1.0)
    other = Alignment.from_points(
        [(400700.0, 8267200.0), (404000.0, 8265800.0), (409200.0, 8266300.0)], [2500.0], CRS
    )
    study = Study(project, line, assessment, search=search, others={"option 2": other}, notes=("synthetic",))
    return replace(study, **changes) if changes else study
