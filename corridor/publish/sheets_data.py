"""A study prepared for sheets once, so that each sheet only looks up its own part."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.layers import Layer
from corridor.model.publication import SheetSettings
from corridor.model.results import Study, Table
from corridor.publish.palette import verdict_class
from corridor.publish.provenance import Stamp
from corridor.publish.sheets_ground import SeabedOnSheets
from corridor.publish.sheets_plan import Strip, plan_sheets
from corridor.publish.tables import plain
from corridor.routing.geometry import Elements, elements
from corridor.terrain.zones import standoff_limits_m


@dataclass(frozen=True, slots=True, eq=False)
class DrawnLayer:
    """A layer with what a sheet needs to find its features quickly.

    `limits_m`: how far from each feature the rule keeps the line, grid metres; 0 where it does not.
    """

    layer: Layer
    tree: shapely.STRtree
    limits_m: NDArray[np.float64]

    @property
    def has_points(self) -> bool:
        """Whether any feature is a point."""
        return bool((shapely.get_dimensions(self.layer.geometries) == 0).any())

    def near(self, window: Any) -> NDArray[np.int64]:
        """Features that lie, with their standoff, in a window of the grid."""
        reach = float(self.limits_m.max()) if len(self.limits_m) else 0.0
        return np.sort(self.tree.query(shapely.buffer(window, reach) if reach else window))


@dataclass(frozen=True, slots=True)
class SpanMark:
    """A span as sheets show it: the load case that governs."""

    number: int
    kp_start_km: float
    kp_end_km: float
    length_m: float
    verdict: str

    @property
    def look(self) -> str:
        """good, look, bad or unknown."""
        return verdict_class(self.verdict)


class SheetSet:
    """Everything the sheets of one study share."""

    def __init__(self, study: Study, stamp: Stamp, settings: SheetSettings):
        self.study = study
        self.stamp = stamp
        self.settings = settings
        self.line: Elements = elements(study.alignment)
        self.strips: list[Strip] = plan_sheets(self.line, settings)
        self.ground = SeabedOnSheets(study.project.seabed, settings.picture_dpi)

    @cached_property
    def layers(self) -> list[DrawnLayer]:
        """The project's layers with at least one feature."""
        rules, crs = self.study.project.rules, self.study.project.crs
        return [
            DrawnLayer(
                layer,
                shapely.STRtree(layer.geometries),
                standoff_limits_m(layer, rules, crs) if layer.rule == "avoid" else np.zeros(len(layer)),
            )
            for layer in self.study.project.layers
            if len(layer)
        ]

    @cached_property
    def points(self) -> dict[str, list[Any]]:
        """The setting-out table at the precision of the files."""
        return columns(self.study.assessment.setting_out)

    @cached_property
    def crossings(self) -> dict[str, list[Any]]:
        """The crossings at the precision of the files."""
        return columns(self.study.assessment.crossings)

    @cached_property
    def regular(self) -> dict[str, list[Any]]:
        """The chainage table's regular points, at the precision of the files."""
        table = self.study.assessment.chainage
        interval = self.study.project.output.kp_interval_m
        steps = np.asarray(table["kp_km"]) * 1000.0 / interval
        keep = np.abs(steps - np.round(steps)) * interval < 1e-3
        names = ("kp_km", "depth_m", "bearing_deg", "slope_along_deg", "slope_across_deg")
        return columns({name: np.asarray(table[name])[keep] for name in names})

    @cached_property
    def spans(self) -> list[SpanMark]:
        """Spans in order of KP; empty where they were not assessed."""
        table = self.study.assessment.spans
        if table is None:
            return []
        held = columns(table)
        marks = [
            SpanMark(number, low, high, length, str(verdict))
            for number, low, high, length, verdict, governs in zip(
                held["span"], held["kp_start_km"], held["kp_end_km"], held["length_m"],
                held["verdict"], held["governs"], strict=True,
            )
            if governs
        ]  # fmt: skip
        return sorted(marks, key=lambda mark: mark.kp_start_km)

    @cached_property
    def supports(self) -> dict[str, list[Any]]:
        """Supports at the precision of the files."""
        table = self.study.assessment.supports
        return columns(table) if table is not None else {"kp_km": [], "support": []}

    @cached_property
    def files(self) -> list[list[Strip]]:
        """The sheets of each file."""
        most = self.settings.sheets_per_file
        return [self.strips[i : i + most] for i in range(0, len(self.strips), most)]

    def file_name(self, part: int) -> str:
        """Name of a file of the set."""
        return "sheets.pdf" if len(self.files) == 1 else f"sheets-{part + 1:02d}.pdf"


def columns(table: Table) -> dict[str, list[Any]]:
    """A table as plain values at the precision of the files."""
    return {name: plain(name, values) for name, values in table.items()}


def inside(kp_km: list[float], strip: Strip) -> list[int]:
    """Rows whose KP lies on a sheet."""
    return [i for i, kp in enumerate(kp_km) if strip.kp_from_km - 1e-9 <= kp <= strip.kp_to_km + 1e-9]
