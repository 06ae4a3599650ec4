"""Where the line crosses pipelines and cables, at which angle and on which straight."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from corridor.assess.findings import ANGLE_DEG, LENGTH_M, Findings, at_least, breaches_at, kp, together
from corridor.model.alignment import Alignment
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.results import Breach, Check, Table
from corridor.routing.approach import edge_meetings
from corridor.routing.geodesy import to_wgs84
from corridor.routing.geometry import Elements, at_station, straight_runs
from corridor.terrain.sampling import depth_at

SEPARATION_M = 0.3
"""Vertical separation shown where the layer declares no `separation_m` (DNV-ST-F101, from memory)."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """One crossing of one feature.

    `straight_before_m` and `straight_after_m` reach to the nearest tangent
    point or end of the line; 0 on an arc. Another asset crossed on the same
    straight does not shorten it: neighbours share a straight.
    """

    station_m: float
    layer: Layer
    feature: int
    angle_deg: float
    straight_before_m: float
    straight_after_m: float

    @property
    def name(self) -> str:
        """What the crossed feature is called."""
        return self.layer.features[self.feature]

    @property
    def angle_ok(self) -> bool:
        """True when the angle is no less than the layer allows."""
        return self.angle_deg >= self.layer.min_angle_deg - ANGLE_DEG

    @property
    def straight_ok(self) -> bool:
        """True when the straight is long enough on both sides."""
        return at_least(min(self.straight_before_m, self.straight_after_m), self.layer.straight_each_side_m)


def find_crossings(alignment: Alignment, line: Elements, layers: Sequence[Layer]) -> tuple[Crossing, ...]:
    """All crossings of the line with features of cross layers, in order of chainage.

    Lines count, and the outlines of polygons; points cannot be crossed. An end
    of the line on an asset is a tie-in, not a crossing. A place where the line
    only touches an asset counts (it is no further away than a crossing).
    """
    straights = [(start, start + size) for _, _, start, size in straight_runs(alignment) if size >= 0.0]
    found = []
    for layer in layers:
        if layer.rule != "cross" or len(layer) == 0:
            continue
        station, feature, angle = edge_meetings(line, layer.geometries)
        for s, f, a in zip(station.tolist(), feature.tolist(), np.degrees(angle).tolist(), strict=True):
            if LENGTH_M < s < line.total_m - LENGTH_M:
                before, after = _straight_about(s, straights)
                found.append(Crossing(s, layer, f, a, before, after))
    return tuple(sorted(found, key=lambda crossing: crossing.station_m))


def _straight_about(station_m: float, straights: list[tuple[float, float]]) -> tuple[float, float]:
    """Straight before and after a chainage, m; the longer one at a corner of two."""
    best = (0.0, 0.0)
    for start, end in straights:
        if start <= station_m <= end and min(station_m - start, end - station_m) >= min(best):
            best = (station_m - start, end - station_m)
    return best


def crossings_table(crossings: Sequence[Crossing], line: Elements, project: Project) -> Table:
    """The table of crossings: columns as in crossings.csv (see the README)."""
    station = np.array([crossing.station_m for crossing in crossings], dtype=float)
    easting, northing, _ = at_station(line, station)
    longitude, latitude = to_wgs84(project.crs, easting, northing)
    depth, _, _ = depth_at(project.seabed, easting, northing)
    attributes = [crossing.layer.attributes[crossing.feature] for crossing in crossings]
    separation = [crossing.layer.settings.get("separation_m", SEPARATION_M) for crossing in crossings]
    return {
        "kp_km": station / 1000.0,
        "layer": np.array([crossing.layer.name for crossing in crossings], dtype=object),
        "feature": np.array([crossing.name for crossing in crossings], dtype=object),
        "owner": np.array([word(a, "owner", "operator") for a in attributes], dtype=object),
        "kind": np.array([word(a, "kind", "type") for a in attributes], dtype=object),
        "status": np.array([word(a, "status") for a in attributes], dtype=object),
        "easting_m": easting,
        "northing_m": northing,
        "latitude_deg": latitude,
        "longitude_deg": longitude,
        "angle_deg": np.array([crossing.angle_deg for crossing in crossings], dtype=float),
        "depth_m": depth,
        "straight_before_m": np.array([crossing.straight_before_m for crossing in crossings], dtype=float),
        "straight_after_m": np.array([crossing.straight_after_m for crossing in crossings], dtype=float),
        "separation_m": np.array(separation, dtype=float),
        "ok": np.array([crossing.angle_ok and crossing.straight_ok for crossing in crossings], dtype=bool),
    }


def word(attributes: Mapping[str, Any], *keys: str) -> str:
    """First attribute with one of `keys` as its name, whatever the case, as text; empty where absent."""
    lower = {str(name).lower(): value for name, value in attributes.items()}
    for key in keys:
        value = lower.get(key)
        if value is not None and value == value:  # NaN means absent
            return str(value)
    return ""


def check_crossings(crossings: Sequence[Crossing], line: Elements, layers: Sequence[Layer]) -> Findings:
    """Angle and straights of the crossings of each cross layer."""
    return together(
        _check_layer(layer, [c for c in crossings if c.layer is layer], line)
        for layer in layers
        if layer.rule == "cross"
    )


def _check_layer(layer: Layer, crossings: Sequence[Crossing], line: Elements) -> Findings:
    if not crossings:
        detail = f"{layer.name} is not crossed"
        return Findings(
            (
                Check("min_angle_deg", layer.min_angle_deg, None, None, True, detail, layer.name),
                Check(
                    "straight_each_side_m", layer.straight_each_side_m, None, None, True, detail, layer.name
                ),
            )
        )
    flat = min(crossings, key=lambda c: c.angle_deg)
    short = min(crossings, key=lambda c: min(c.straight_before_m, c.straight_after_m))
    straight = min(short.straight_before_m, short.straight_after_m)
    checks = (
        Check(
            "min_angle_deg",
            layer.min_angle_deg,
            flat.angle_deg,
            flat.station_m / 1000.0,
            all(c.angle_ok for c in crossings),
            f"{layer.name} / {flat.name} is crossed at {flat.angle_deg:.1f} degrees at {kp(flat.station_m)}",
            layer.name,
        ),
        Check(
            "straight_each_side_m",
            layer.straight_each_side_m,
            straight,
            short.station_m / 1000.0,
            all(c.straight_ok for c in crossings),
            f"{layer.name} / {short.name} at {kp(short.station_m)}: straight {short.straight_before_m:.1f} m "
            f"before and {short.straight_after_m:.1f} m after",
            layer.name,
        ),
    )
    breaches: list[Breach] = []
    for c in crossings:
        if not c.angle_ok:
            breaches += breaches_at(line, "min_angle_deg", c.station_m, c.angle_deg, layer.min_angle_deg)
        if not c.straight_ok:
            least = min(c.straight_before_m, c.straight_after_m)
            breaches += breaches_at(
                line, "straight_each_side_m", c.station_m, least, layer.straight_each_side_m
            )
    return Findings(checks, tuple(breaches))


def crossed(crossings: Sequence[Crossing], layer: Layer, feature: int) -> list[float]:
    """Chainages at which one feature is crossed, m."""
    return [c.station_m for c in crossings if c.layer is layer and c.feature == feature]
