"""What a project holds, as plain data: extents, resolution, coverage, layers, conflicts."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import shapely

from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.rules import RouteEnd
from corridor.model.seabed import Seabed, Surface, Uncertainty
from corridor.routing.geodesy import to_wgs84
from corridor.terrain.sampling import depth_at

SAMPLES = 250_000
"""Positions at which the coverage of all surfaces together is counted."""

DISAGREEMENT_M = 1.0
"""Surfaces that differ by more than this in the middle of their overlap are named as a conflict."""


def describe(project: Project) -> dict[str, Any]:
    """Everything ``corridor check`` reports.

    Parameters
    ----------
    project : Project

    Returns
    -------
    dict
        Plain numbers, texts, lists and dicts: ``project``, ``seabed`` (extent, finest cell, holes as a
        share of its extent, depth range, one entry per surface), ``layers``, ``route``, ``inputs``,
        ``conflicts`` and ``warnings``.
    """
    overlaps = [
        _overlap(project.seabed, i, j) for i, j in combinations(range(len(project.seabed.surfaces)), 2)
    ]
    found = [overlap for overlap in overlaps if overlap is not None]
    return {
        "project": {
            "name": project.name,
            "file": str(project.file),
            "crs": project.crs,
            "vertical_datum": project.vertical_datum,
            "output_folder": str(project.out_folder),
        },
        "seabed": _seabed(project.seabed, found),
        "layers": [_layer(layer, project.seabed) for layer in project.layers],
        "route": {
            "start": _position(project, project.start),
            "end": _position(project, project.end),
            "via": [_position(project, point) for point in project.via],
            "straight_line_m": float(
                np.hypot(
                    project.end.easting - project.start.easting,
                    project.end.northing - project.start.northing,
                )
            ),
            "min_bend_radius_m": project.rules.min_bend_radius_m,
            "depth_range_m": list(project.rules.depth_range_m),
            "tie_in_layers": list(project.rules.tie_in_layers),
            "tie_in_length_m": project.rules.tie_in_length_m,
        },
        "inputs": [{"file": source.file, "sha256": source.sha256} for source in project.inputs],
        "conflicts": [overlap["text"] for overlap in found if overlap["conflict"]],
        "warnings": list(project.warnings),
    }


def _seabed(seabed: Seabed, overlaps: list[dict[str, Any]]) -> dict[str, Any]:
    depths = [surface.depth_m for surface in seabed.surfaces]
    return {
        "bounds_m": list(seabed.bounds_m),
        "finest_cell_m": seabed.finest_cell_m,
        "holes_share": union_holes_share(seabed),
        "depth_m": [
            float(min(np.nanmin(depth) for depth in depths)),
            float(max(np.nanmax(depth) for depth in depths)),
        ],
        "surfaces": [_surface(surface) for surface in seabed.surfaces],
        "overlaps": [{key: value for key, value in o.items() if key != "text"} for o in overlaps],
    }


def union_holes_share(seabed: Seabed) -> float:
    """Share of the seabed's extent where no surface has depth, counted on a regular grid of positions."""
    west, south, east, north = seabed.bounds_m
    step = max(((east - west) * (north - south) / SAMPLES) ** 0.5, seabed.finest_cell_m)
    cols, rows = max(round((east - west) / step), 1), max(round((north - south) / step), 1)
    x = west + (np.arange(cols) + 0.5) * (east - west) / cols
    y = south + (np.arange(rows) + 0.5) * (north - south) / rows
    covered = np.zeros((rows, cols), dtype=bool)
    for surface in seabed.surfaces:
        u, v = surface.grid.to_cells(x, y)
        column, row = np.floor(u).astype(int), np.floor(v).astype(int)
        across = np.flatnonzero((column >= 0) & (column < surface.grid.cols))
        down = np.flatnonzero((row >= 0) & (row < surface.grid.rows))
        if across.size and down.size:
            known = np.isfinite(surface.depth_m[np.ix_(row[down], column[across])])
            covered[np.ix_(down, across)] |= known
    return float(1.0 - covered.mean())


def _surface(surface: Surface) -> dict[str, Any]:
    finite = np.isfinite(surface.depth_m)
    uncertainty: Any = None
    if isinstance(surface.uncertainty, Uncertainty):
        uncertainty = {"a_m": surface.uncertainty.a_m, "b": surface.uncertainty.b}
    elif surface.uncertainty is not None:
        known = surface.uncertainty[np.isfinite(surface.uncertainty)]
        uncertainty = {"band_median_m": float(np.median(known)) if known.size else None}
    return {
        "name": surface.name,
        "rows": surface.grid.rows,
        "cols": surface.grid.cols,
        "cell_m": surface.grid.cell_m,
        "bounds_m": list(surface.grid.bounds_m),
        "holes_share": float(1.0 - finite.mean()),
        "depth_m": [float(np.nanmin(surface.depth_m)), float(np.nanmax(surface.depth_m))],
        "uncertainty": uncertainty,
        "notes": list(surface.notes),
    }


def _overlap(seabed: Seabed, first: int, second: int) -> dict[str, Any] | None:
    """How two surfaces agree where both have depth; None where they do not overlap."""
    a, b = seabed.surfaces[first], seabed.surfaces[second]
    box = np.array([a.grid.bounds_m, b.grid.bounds_m])
    west, south = box[:, :2].max(axis=0)
    east, north = box[:, 2:].min(axis=0)
    if west >= east or south >= north:
        return None
    count = 100
    x = west + (np.arange(count) + 0.5) * (east - west) / count
    y = south + (np.arange(count) + 0.5) * (north - south) / count
    xx, yy = np.meshgrid(x, y)
    difference = _depth(a, seabed, xx, yy) - _depth(b, seabed, xx, yy)
    difference = difference[np.isfinite(difference)]
    if not difference.size:
        return None
    middle, extreme = float(np.median(difference)), float(np.quantile(np.abs(difference), 0.95))
    conflict = abs(middle) > DISAGREEMENT_M
    text = (
        f"{a.name} and {b.name} differ by {middle:+.2f} m in the middle of their overlap (limit "
        f"{DISAGREEMENT_M:g} m; 95 % of the differences are below {extreme:.2f} m): "
        "check sign, datum and offsets"
    )
    return {
        "first": a.name,
        "second": b.name,
        "median_difference_m": middle,
        "difference_95_m": extreme,
        "conflict": conflict,
        "text": text,
    }


def _depth(surface: Surface, seabed: Seabed, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return depth_at(Seabed((surface,), seabed.vertical_datum), x, y)[0]


def _layer(layer: Layer, seabed: Seabed) -> dict[str, Any]:
    kinds: dict[str, int] = {}
    for geometry in layer.geometries:
        kinds[geometry.geom_type] = kinds.get(geometry.geom_type, 0) + 1
    ground = shapely.box(*seabed.bounds_m)
    inside = int(shapely.intersects(layer.geometries, ground).sum()) if len(layer) else 0
    return {
        "name": layer.name,
        "rule": layer.rule,
        "file": layer.file,
        "table": layer.table,
        "features": len(layer),
        "features_on_seabed": inside,
        "kinds": kinds,
        "standoff_m": _range(layer.standoff_m),
        "position_uncertainty_m": _range(layer.position_uncertainty_m),
        "needs_consent": layer.needs_consent,
        "notes": list(layer.notes),
    }


def _range(values: np.ndarray) -> list[float]:
    """Least and largest; empty for an empty layer."""
    return [float(values.min()), float(values.max())] if len(values) else []


def _position(project: Project, end: RouteEnd) -> dict[str, Any]:
    depth, index, cell = depth_at(project.seabed, [end.easting], [end.northing])
    lon, lat = to_wgs84(project.crs, end.easting, end.northing)
    return {
        "easting_m": end.easting,
        "northing_m": end.northing,
        "bearing_deg": end.bearing_deg,
        "longitude_deg": float(lon),
        "latitude_deg": float(lat),
        "depth_m": float(depth[0]),
        "surface": project.seabed.surfaces[int(index[0])].name,
        "cell_m": float(cell[0]),
    }
