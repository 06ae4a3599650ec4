"""Everything the map shows, as JSON values: the same figures as in the data files."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.alignment import Alignment
from corridor.model.results import Assessment, Study, Table
from corridor.publish import palette
from corridor.publish.crs_grid import crs_grid
from corridor.publish.lines import Polyline, polyline, positions
from corridor.publish.map_layers import DEGREE_PLACES, map_layers
from corridor.publish.packing import packed_numbers, packed_table
from corridor.publish.picture import Look, Tile, corridor_tiles, overview, window_of
from corridor.publish.provenance import Stamp
from corridor.publish.summary import json_ready, summary
from corridor.publish.tables import decimals, ordered
from corridor.routing.approach import stretches_inside
from corridor.routing.geometry import elements, points
from corridor.terrain.sampling import depth_at

MOST_PROFILE_POINTS = 20_000
"""Of an alternative line, whose seabed is sampled for the picture only."""


LINE_FIGURES = (
    *(
        "length_m",
        "length_ellipsoid_m",
        "bends",
        "min_radius_m",
        "max_slope_along_deg",
        "max_slope_across_deg",
    ),
    *("crossings", "spans", "cost_m", "cost_terms", "lower_bound_m", "gap_percent", "checks", "not_assessed"),
    *("warnings", "notes"),
)
"""Members of the summary that belong to one line of several."""


def map_data(
    study: Study, stamp: Stamp, others: Mapping[str, Assessment] | None = None, name: str = ""
) -> dict[str, Any]:
    """The page's data islands: name -> content.

    Parameters
    ----------
    study : Study
    stamp : Stamp
    others : mapping of name -> Assessment, optional
        Assessments of ``study.others`` where they exist; the rest is drawn with its seabed only.
    name : str
        Of the study's own line; its revision by default.
    """
    name = name or f"Revision {study.project.output.revision}"
    chains = {"": polyline(study.alignment), **{name: polyline(line) for name, line in study.others.items()}}
    return {
        "summary": json_ready({**summary(study, stamp), "kp_interval_m": study.project.output.kp_interval_m}),
        "lines": _lines(study, stamp, chains, others or {}, name),
        "layers": map_layers(study.project),
        "picture": _picture(study, list(chains.values())),
        "grid": _grid(study, list(chains.values())),
        "look": look(),
    }


def look() -> dict[str, Any]:
    """Colours and classes, so that page, GIS and print use one palette."""
    return {
        "route": palette.ROUTE,
        "others": list(palette.OTHER_ROUTES),
        "rules": palette.RULE_COLOURS,
        "verdicts": palette.VERDICT_COLOURS,
        "slopes": list(palette.SLOPE_COLOURS),
        "shares": list(palette.SLOPE_SHARES),
        "depths": list(palette.DEPTH_RAMP),
        "gap": palette.GAP,
    }


def _lines(
    study: Study,
    stamp: Stamp,
    chains: Mapping[str, Polyline],
    others: Mapping[str, Assessment],
    own_name: str,
) -> list[dict[str, Any]]:
    rules = study.project.rules
    limits = {"along": rules.max_slope_along_deg, "across": rules.max_slope_across_deg}
    entries = [_line(own_name, chains[""], study.assessment)]
    for name, line in study.others.items():
        known = others.get(name)
        if known is None:
            entries.append(_bare_line(study, name, line, chains[name]))
            continue
        told = summary(replace(study, alignment=line, assessment=known), stamp)
        figures = json_ready({key: told[key] for key in LINE_FIGURES})
        entries.append({**_line(name, chains[name], known), "summary": figures})
    for entry, line in zip(entries, (study.alignment, *study.others.values()), strict=True):
        entry["discouraged"] = discouraged(study, line)
        entry["limits"] = limits if entry["assessed"] else None
    return entries


def _line(name: str, chain: Polyline, assessed: Assessment) -> dict[str, Any]:
    entry = {
        **_drawn(name, chain),
        "assessed": True,
        "points": packed_table(ordered("alignment", assessed.points)),
        "chainage": packed_table(ordered("chainage", assessed.chainage)),
        "profile": packed_table(profile_columns(assessed.profile)),
        "crossings": packed_table(ordered("crossings", assessed.crossings)),
        "spans": None,
        "discouraged": [],
    }
    if assessed.spans is not None:
        spans = ordered("spans", assessed.spans)
        spans["class"] = np.array([palette.verdict_class(v) for v in spans["verdict"]], dtype=object)
        entry["spans"] = packed_table(spans)
    return entry


def _bare_line(study: Study, name: str, line: Alignment, chain: Polyline) -> dict[str, Any]:
    """A line nobody assessed: its points, and the seabed under it."""
    length_m = elements(line).total_m
    count = int(min(max(length_m / study.project.seabed.finest_cell_m, 2), MOST_PROFILE_POINTS))
    place = positions(line, np.linspace(0.0, length_m / 1000.0, count))
    depth = depth_at(study.project.seabed, place.easting_m, place.northing_m)[0]
    return {
        **_drawn(name, chain),
        "assessed": False,
        "points": packed_table(points(line)),
        "chainage": None,
        "profile": packed_table({"kp_km": place.kp_km, "depth_m": depth}),
        "crossings": None,
        "spans": None,
        "discouraged": [],
    }


def _drawn(name: str, chain: Polyline) -> dict[str, Any]:
    lon = chain.longitude_deg
    return {
        "name": name,
        "count": len(chain),
        "kp_km": packed_numbers(chain.kp_km, 6),
        "lon": packed_numbers(lon[0] + (lon - lon[0] + 180.0) % 360.0 - 180.0, DEGREE_PLACES),
        "lat": packed_numbers(chain.latitude_deg, DEGREE_PLACES),
    }


def profile_columns(profile: Table) -> dict[str, NDArray]:
    """The profile with ``pipe_depth_m`` as its difference from the seabed: mostly zero, so it packs well.

    Both are rounded as published before they are subtracted; the browser adds
    them up to the published figure.
    """
    columns = {name: np.asarray(values) for name, values in ordered("profile", profile).items()}
    if "pipe_depth_m" in columns:
        places = decimals("depth_m")
        rise = np.round(columns.pop("pipe_depth_m"), places) - np.round(columns["depth_m"], places)
        columns["pipe_minus_seabed_m"] = rise
    return columns


def discouraged(study: Study, line: Alignment) -> list[list[float]]:
    """Stretches [from, to] (km) of `line` on discouraged ground, for the strip under the profile."""
    areas = [
        shapely.union_all(layer.geometries)
        for layer in study.project.layers
        if layer.rule == "discourage" and len(layer)
    ]
    if not areas:
        return []
    inside = stretches_inside(elements(line), shapely.union_all(areas))
    return np.round(inside / 1000.0, 6).tolist()


def _picture(study: Study, chains: list[Polyline]) -> dict[str, Any]:
    seabed = study.project.seabed
    whole, how, frame = overview(seabed)
    budget = int(np.clip(300_000 * chains[0].kp_km[-1], 4_000_000, 12_000_000))
    tiles = list(corridor_tiles(seabed, chains[0], how, frame, budget))
    return {
        "overview": _tile(whole),
        "tiles": [_tile(tile) for tile in tiles],
        "depths": _depth_range(how),
    }


def _depth_range(how: Look) -> dict[str, float]:
    return {"shallow_m": how.shallow_m, "deep_m": how.deep_m, "relief": how.relief}


def _tile(tile: Tile) -> dict[str, Any]:
    box = [round(value, 8) for value in (tile.south, tile.west, tile.north, tile.east)]
    return {"box": box, "webp": base64.b64encode(tile.webp).decode("ascii")}


def _grid(study: Study, chains: Iterable[Polyline]) -> dict[str, Any]:
    """Lattice over seabed and lines with a margin, in longitudes without a jump."""
    whole = window_of(study.project.seabed)
    lon = np.concatenate([chain.longitude_deg for chain in chains])
    lat = np.concatenate([chain.latitude_deg for chain in chains])
    lon = whole[1] + (lon - whole[1] + 180.0) % 360.0 - 180.0
    south, west = min(whole[0], float(lat.min())), min(whole[1], float(lon.min()))
    north, east = max(whole[2], float(lat.max())), max(whole[3], float(lon.max()))
    more = 0.15 * max(north - south, east - west) + 0.005
    return crs_grid(
        study.project.crs, west - more, max(south - more, -89.0), east + more, min(north + more, 89.0)
    )
