"""The whole assessment of one line, independent of how it was found."""

from __future__ import annotations

import math

import numpy as np

from corridor.assess.cautions import CAUTIONS, not_assessed
from corridor.assess.cost import gridded_cost, line_cost
from corridor.assess.crossings import check_crossings, crossings_table, find_crossings
from corridor.assess.findings import together
from corridor.assess.ground_rules import check_ground, check_spacing_m
from corridor.assess.line_rules import check_line, effective_radius_m
from corridor.assess.proximity import approaches, proximity_table
from corridor.assess.zone_rules import check_zones
from corridor.errors import AlignmentError
from corridor.model.alignment import Alignment
from corridor.model.project import Project
from corridor.model.results import Assessment, CostSurface, Table
from corridor.progress import Progress, silent
from corridor.routing.chainage import ellipsoidal_length_m
from corridor.routing.geodesy import convergence_deg, scale_factor, to_wgs84
from corridor.routing.geometry import (
    Elements,
    at_station,
    bends,
    curvature_at,
    elements,
    points,
    setting_out,
    stations,
)
from corridor.routing.profile import depth_profile, ground_profile
from corridor.terrain.sampling import depth_at, slopes_at


def assess(
    alignment: Alignment,
    project: Project,
    surface: CostSurface | None = None,
    progress: Progress = silent,
) -> Assessment:
    """Measure a line against the finest seabed, the layers and the rules.

    Parameters
    ----------
    alignment : Alignment
        In the project's CRS; found here or handed in.
    project : Project
    surface : CostSurface, optional
        The gridded ground of the search, if there was one: the line is priced on it,
        as the search and the fit price theirs, and via points must be passed within
        one of its cells. Every rule is measured on the finest seabed all the same.
    progress : Progress

    Returns
    -------
    Assessment
        Every table, check and breach. A broken rule is a result, not an exception.
    """
    if alignment.crs != project.crs:
        raise AlignmentError(
            f"the alignment is in {alignment.crs}, the project in {project.crs}: reproject it when it is read"
        )
    rules = project.rules
    line = elements(alignment)
    progress("assess", 0.0)
    ground = ground_profile(
        line, project.seabed, check_spacing_m(project.seabed, rules), rules.slope_baseline_m
    )
    progress("assess", 0.3)
    crossings = find_crossings(alignment, line, project.layers)
    near = approaches(line, project, crossings)
    progress("assess", 0.6)
    findings = together(
        [
            check_line(alignment, line, project, _via_limit_m(project, surface)),
            check_ground(line, project, ground),
            check_zones(line, project, near),
            check_crossings(crossings, line, project.layers),
        ]
    )
    if surface is None:
        cost = line_cost(alignment, line, project, ground, crossings)
    else:
        cost = gridded_cost(alignment, surface, rules)
    progress("assess", 0.8)
    radius = effective_radius_m(alignment, bends(alignment)).min()
    result = Assessment(
        points=points(alignment),
        setting_out=setting_out(alignment),
        chainage=chainage_table(alignment, line, project),
        profile=profile_table(line, project),
        crossings=crossings_table(crossings, line, project),
        proximity=proximity_table(near),
        checks=findings.checks,
        breaches=findings.breaches,
        length_m=line.total_m,
        length_ellipsoid_m=ellipsoidal_length_m(project.crs, line),
        cost_m=cost.total_m,
        cost_terms=cost.terms,
        cost_by_kp=cost.by_kp,
        min_radius_m=float(radius) if np.isfinite(radius) else None,
        max_slope_along_deg=_steepest_deg(ground.along),
        max_slope_across_deg=_steepest_deg(ground.across),
        not_assessed=not_assessed(project, spans=False),
        cautions=CAUTIONS,
        warnings=findings.warnings,
        geodesy=_geodesy(line, project.crs),
    )
    progress("assess", 1.0)
    return result


def _via_limit_m(project: Project, surface: CostSurface | None) -> float:
    """A via point counts as passed within one cell of the search."""
    if surface is not None:
        return surface.grid.cell_m
    coarsest = max(one.grid.cell_m for one in project.seabed.surfaces)
    return project.rules.search_cell_m or coarsest


def _steepest_deg(tangent: np.ndarray) -> float:
    """Steepest slope of those known, degrees without sign; NaN where none is."""
    known = np.abs(tangent[np.isfinite(tangent)])
    return math.degrees(math.atan(known.max())) if known.size else math.nan


def profile_table(line: Elements, project: Project) -> Table:
    """Depth at the finest seabed's spacing: columns as in profile.csv (see the README)."""
    station, depth, _ = depth_profile(line, project.seabed, project.seabed.finest_cell_m)
    return {"kp_km": station / 1000.0, "depth_m": depth}


def chainage_table(alignment: Alignment, line: Elements, project: Project) -> Table:
    """Points every `output.kp_interval_m` and at every tangent point: columns as in chainage.csv.

    `radius_m` is that of the arc which the point lies on or begins, NaN on
    straights; `event` names START, END and what begins or ends at a tangent point.
    """
    station = stations(line, project.output.kp_interval_m)
    easting, northing, bearing = at_station(line, station)
    longitude, latitude = to_wgs84(project.crs, easting, northing)
    depth, _, _ = depth_at(project.seabed, easting, northing)
    along, across = slopes_at(project.seabed, easting, northing, bearing, project.rules.slope_baseline_m)
    curvature = np.abs(curvature_at(line, station))
    with np.errstate(divide="ignore"):
        radius = np.where(curvature > 0.0, 1.0 / curvature, np.nan)
    return {
        "kp_km": station / 1000.0,
        "easting_m": easting,
        "northing_m": northing,
        "latitude_deg": latitude,
        "longitude_deg": longitude,
        "depth_m": depth,
        "bearing_deg": np.degrees(bearing),
        "radius_m": radius,
        "slope_along_deg": np.degrees(np.arctan(along)),
        "slope_across_deg": np.degrees(np.arctan(across)),
        "event": _events(alignment, line, station),
    }


def _events(alignment: Alignment, line: Elements, station: np.ndarray) -> np.ndarray:
    """What happens at each chainage, in words; empty at regular ones."""
    words: dict[int, list[str]] = {0: ["START"]}
    names = alignment.names
    for index in range(len(line)):
        at = int(np.searchsorted(station, line.station_m[index]))
        here = words.setdefault(at, [])
        if index and line.ip[index - 1] >= 0:
            here.append(f"{names[line.ip[index - 1]]} arc ends")
        if line.ip[index] >= 0:
            here.append(f"{names[line.ip[index]]} arc begins")
        elif index and line.ip[index - 1] < 0:
            here.append("corner")
    words.setdefault(len(station) - 1, []).append("END")
    if line.ip[-1] >= 0:
        words[len(station) - 1].insert(0, f"{names[line.ip[-1]]} arc ends")
    events = np.full(len(station), "", dtype=object)
    for at, here in words.items():
        events[at] = "; ".join(here)
    return events


def _geodesy(line: Elements, crs: str) -> dict[str, float]:
    """Scale (grid per ground metre) and convergence at both ends, the range of scale along the line."""
    sample = np.linspace(0.0, line.total_m, 101)
    easting, northing, _ = at_station(line, sample)
    scale = scale_factor(crs, easting, northing)
    convergence = convergence_deg(crs, easting[[0, -1]], northing[[0, -1]])
    return {
        "scale_start": float(scale[0]),
        "scale_end": float(scale[-1]),
        "scale_least": float(scale.min()),
        "scale_most": float(scale.max()),
        "convergence_start_deg": float(convergence[0]),
        "convergence_end_deg": float(convergence[1]),
    }
