"""Invented layers, a line and a stamp for the tests of zones. Everything in it is fiction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
import shapely

from corridor.model.alignment import Alignment
from corridor.model.layers import Layer
from corridor.model.permit import ZoneSettings
from corridor.model.rules import RouteRules
from corridor.permit.study import zone_study
from corridor.publish.provenance import Stamp

CRS = "EPSG:32631"
EAST, NORTH = 520_000.0, 6_210_000.0
RULES = RouteRules(min_bend_radius_m=1500.0, lay_tolerance_m=10.0)
STAMP = Stamp(
    "Teapot export line (invented)",
    "B",
    CRS,
    "LAT",
    "0.1.0",
    datetime(2027, 2, 1, tzinfo=UTC),
    (("obstructions.gpkg", "ab" * 32),),
)

HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(2)</script>",
    "{{ 7 * 7 }} {% x %}",
    "$[description] $\\frac{1}{2}$",
    '=HYPERLINK("http://invalid.example/","x")',
    "\u202egnp.exe \x00\x07 tab\there",
    "沈船 מזבח",
    "N" * 10_000,
)


def objects(shapes: Sequence[Any]) -> np.ndarray:
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return array


def make_layer(
    name: str,
    rule: str,
    shapes: Sequence[Any],
    names: Sequence[str] | None = None,
    attributes: Sequence[Mapping[str, Any]] | None = None,
    standoff: Any = 0.0,
    uncertainty: Any = 0.0,
    **keys: Any,
) -> Layer:
    count = len(shapes)
    return Layer(
        name,
        rule,
        objects(shapes),
        tuple(names or [f"{name} {i + 1}" for i in range(count)]),
        tuple(attributes or [{} for _ in range(count)]),
        np.broadcast_to(np.asarray(standoff, float), (count,)).copy(),
        np.broadcast_to(np.asarray(uncertainty, float), (count,)).copy(),
        **keys,
    )


def at(x_km: float, y_km: float) -> tuple[float, float]:
    return EAST + x_km * 1000.0, NORTH + y_km * 1000.0


def area(*places: tuple[float, float]) -> shapely.Polygon:
    return shapely.Polygon([at(*place) for place in places])


def path(*places: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([at(*place) for place in places])


def sample_layers() -> tuple[Layer, ...]:
    wreck_order = {"authority": "Harbour authority (invented)", "legal_basis": "Wreck order 7 (invented)"}
    return (
        make_layer(
            "wrecks",
            "avoid",
            [shapely.Point(at(*p)) for p in ((4, 3), (9, 6.5), (15, 2), (21, 8))],
            ["Ølnebben", "Γλάρος", "Чайка", HOSTILE[0]],
            [
                {"phone": "+47 123 456 78", "SORDAT": "20250314", "year_lost": 1917},
                {},
                {},
                {"remark": "=1+1"},
            ],
            standoff=[100, 150, 250, 100],
            uncertainty=[0, 50, 0, 20],
            file="obstructions.gpkg",
            table="wrecks",
            settings=wreck_order,
        ),
        make_layer(
            "safety zones",
            "avoid",
            [area((17, 5), (18, 5), (18, 6), (17, 6))],
            ["Breadboard safety zone"],
            needs_consent=True,
            settings={"legal_basis": "UNCLOS article 60"},
        ),
        make_layer(
            "bird reserve",
            "avoid",
            [area((6, 7.5), (8, 7.2), (9.5, 8.8), (7.5, 9.6), (6.2, 9))],
            ["Doily reserve"],
            [{"PERSTA": "--0401", "PEREND": "--0831"}],
        ),
        make_layer(
            "practice area",
            "discourage",
            [area((10, -1), (14, -1), (13, 2.5), (10.5, 2))],
            ["Rolling Pin"],
            settings={"season": "11-01/02-28"},
        ),
        make_layer(
            "berms", "avoid", [path((19, 1), (20, 2.5), (22, 2), (23, 3.2))], ["Crumb berm"], standoff=200.0
        ),
        make_layer(
            "cables",
            "cross",
            [path((7, -2), (8, 4), (7.2, 12)), path((20, -2), (19, 10))],
            ["Ladle cable", "Sieve cable"],
            [{"owner": "Ladle Grid (invented)"}, {}],
            min_angle_deg=45.0,
        ),
        make_layer(
            "licence blocks",
            "jurisdiction",
            [area((-2, -3), (12, -3), (12, 12), (-2, 12)), area((12, -3), (24, -3), (24, 12), (12, 12))],
            ["Block 1/1", "Block 1/2"],
            [{"licensee": "Saucer Fields (invented)"}, {"licensee": "Strainer Fields (invented)"}],
        ),
    )


def sample_line() -> Alignment:
    return Alignment.from_points([at(0, 0), at(8, 5), at(16, 5.2), at(26, 7)], [2000.0, 2000.0], CRS)


def sample_study(**settings: Any):
    given = {"laying_season": ("2027-05-01", "2027-07-31"), "title": "Exclusion zones (invented)", **settings}
    return zone_study(sample_layers(), CRS, RULES, ZoneSettings(**given), sample_line())


def hostile_study():
    shapes = [shapely.Point(at(2.0 * i, 1.0)) for i in range(len(HOSTILE))]
    attributes = [{HOSTILE[0]: text, "remark": text} for text in HOSTILE]
    layers = [make_layer(HOSTILE[2], "avoid", shapes, HOSTILE, attributes, standoff=300.0)]
    layers.append(
        make_layer("cables", "cross", [path((3, -2), (3, 4))], [HOSTILE[1]], [{"owner": HOSTILE[4]}])
    )
    settings = ZoneSettings(title=HOSTILE[1], authority=HOSTILE[0], legal_basis=HOSTILE[3])
    return zone_study(layers, CRS, RULES, settings, sample_line())
