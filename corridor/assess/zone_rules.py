"""Standoffs, tie-in zones and ground to stay within, by exact geometry."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.assess.findings import (
    LENGTH_M,
    SHARE,
    Findings,
    along_stretches,
    breaches_at,
    kp,
    together,
)
from corridor.assess.proximity import Approach, limits_m
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.results import Breach, Check
from corridor.routing.approach import joined, length_m, stretches_outside, stretches_within
from corridor.routing.geodesy import scale_factor
from corridor.routing.geometry import Elements, at_station


def check_zones(line: Elements, project: Project, rows: Sequence[Approach]) -> Findings:
    """Standoffs per avoid layer, tie-in zones, stay_within per layer."""
    found = []
    for layer in project.layers:
        mine = [row for row in rows if row.layer is layer]
        if layer.rule == "avoid":
            found.append(_standoff(line, project, layer, mine))
        elif layer.rule == "stay_within":
            found.append(_stay_within(line, project, layer))
        elif layer.rule == "cross":
            found.append(_near_assets(layer, mine))
    if project.rules.tie_in_layers:
        found.append(_tie_in(line, project, [row for row in rows if row.ends_m]))
    return together(found)


def _standoff(line: Elements, project: Project, layer: Layer, rows: Sequence[Approach]) -> Findings:
    """The feature with the least margin speaks for its layer; tie-in zones have a rule of their own."""
    zones = [row.name for row in rows if row.ends_m]
    rows = [row for row in rows if not row.ends_m]
    if not rows:
        limit = float(limits_m(layer, project.rules).max()) if len(layer) else 0.0
        detail = f"nothing {'else ' if zones else ''}of {layer.name} within {project.rules.proximity_m:g} m"
        if zones:
            detail += f"; {', '.join(zones)}: see tie_in_length_m"
        return Findings((Check("standoff_m", limit, None, None, True, detail, layer.name),))
    worst = min(rows, key=lambda row: (row.ok, row.near.distance_m - row.limit_m))
    broken = [row for row in rows if not row.ok]
    detail = (
        f"{layer.name} / {worst.name}: {worst.near.distance_m:.2f} m at {kp(worst.near.station_m)}, "
        f"{worst.near.side}; required {worst.limit_m:.2f} m (standoff "
        f"{layer.standoff_m[worst.feature]:g}, position {layer.position_uncertainty_m[worst.feature]:g}, "
        f"lay tolerance {project.rules.lay_tolerance_m:g})"
    )
    if len(broken) > 1:
        detail += f"; {len(broken)} features too near"
    check = Check(
        "standoff_m",
        worst.limit_m,
        worst.near.distance_m,
        worst.near.station_m / 1000.0,
        not broken,
        detail,
        layer.name,
    )
    return Findings((check,), _too_near(line, "standoff_m", broken))


def _too_near(line: Elements, rule: str, rows: Sequence[Approach]) -> tuple[Breach, ...]:
    """Places on the stretches nearer than allowed, with the ground distance there."""
    breaches: list[Breach] = []
    for row in rows:
        station = along_stretches(row.broken)
        easting, northing, _ = at_station(line, station)
        distance = shapely.distance(row.layer.geometries[row.feature], shapely.points(easting, northing))
        breaches += breaches_at(line, rule, station, distance / row.near.scale, row.limit_m)
    return tuple(breaches)


def _near_assets(layer: Layer, rows: Sequence[Approach]) -> Findings:
    """Assets closer than wished where they are not crossed: a remark, since that is asked where possible."""
    remarks = tuple(
        f"{layer.name} / {row.name}: {row.near.distance_m:.1f} m at {kp(row.near.station_m)} away from its "
        f"crossings, nearer than the {row.limit_m:g} m to be kept where possible "
        f"(over {length_m(row.broken):.0f} m of line)"
        for row in rows
        if not row.ok
    )
    return Findings(warnings=remarks)


def _tie_in(line: Elements, project: Project, rows: Sequence[Approach]) -> Findings:
    """How far from an end the line is still inside the zone in which that end lies."""
    limit = project.rules.tie_in_length_m
    if not rows:
        detail = "neither end lies in a zone of " + ", ".join(project.rules.tie_in_layers)
        return Findings((Check("tie_in_length_m", limit, None, None, True, detail),))
    worst = max(rows, key=lambda row: (not row.ok, row.reach_m))
    broken = [row for row in rows if not row.ok]
    where = worst.reach_m if worst.ends_m[0] == 0.0 else line.total_m - worst.reach_m
    detail = (
        f"{worst.layer.name} / {worst.name}: the line is inside it up to {worst.reach_m:.1f} m "
        f"from the end that lies in it ({kp(where)})"
    )
    check = Check(
        "tie_in_length_m", limit, worst.reach_m, where / 1000.0, not broken, detail, worst.layer.name
    )
    return Findings((check,), _too_near(line, "tie_in_length_m", broken))


def _stay_within(line: Elements, project: Project, layer: Layer) -> Findings:
    """Metres of line outside the union of a layer's areas (drawn in by its standoff, if it declares one)."""
    area = shapely.union_all(layer.geometries) if len(layer) else shapely.Polygon()
    inset = 0.0
    if len(layer) and layer.standoff_m.max() > 0.0:
        total = layer.standoff_m + layer.position_uncertainty_m + project.rules.lay_tolerance_m
        inset = float(total.max())
    out = _outside(line, area, inset * _largest_scale(line, project.crs))
    if len(out) == 0:
        detail = f"all of the line lies within {layer.name}" + (f", {inset:g} m inside" if inset else "")
        return Findings((Check("stay_within", 0.0, 0.0, None, True, detail, layer.name),))
    station = along_stretches(out)
    easting, northing, _ = at_station(line, station)
    points = shapely.points(easting, northing)
    beyond = np.nan_to_num(shapely.distance(points, area), nan=np.inf)
    if inset:
        edge = shapely.distance(points, area.boundary)
        beyond = np.where(shapely.intersects(area, points), inset - edge, inset + edge)
    furthest = int(np.argmax(beyond))
    detail = f"{length_m(out):.1f} m of line in {len(out)} place(s) outside {layer.name}"
    detail += f" drawn in by {inset:g} m" if inset else ""
    if np.isfinite(beyond[furthest]):
        detail += f"; up to {beyond[furthest]:.1f} m outside at {kp(station[furthest])}"
    if len(layer) == 0:
        detail = f"{layer.name} has no features: there is nothing to stay within"
    check = Check(
        "stay_within", 0.0, length_m(out), float(station[furthest]) / 1000.0, False, detail, layer.name
    )
    return Findings((check,), breaches_at(line, "stay_within", station, beyond, 0.0))


def _outside(line: Elements, area: shapely.Geometry, inset_grid_m: float) -> NDArray[np.float64]:
    out = stretches_outside(line, area)
    if inset_grid_m > 0.0 and not area.is_empty:
        least = inset_grid_m - max(LENGTH_M, SHARE * inset_grid_m)
        out = joined(np.vstack([out, stretches_within(line, area.boundary, least)]))
    return out


def _largest_scale(line: Elements, crs: str) -> float:
    """Largest scale at the line's elements: a distance on the grid is then nowhere too short."""
    return float(scale_factor(crs, line.start_easting_m, line.start_northing_m).max())
