"""zones.html: the zones on one page, one file, no network.

Everything the reader sees of the data is set as text by our own scripts from
JSON that the browser does not execute; a Content-Security-Policy allows the
scripts and styles of the file by their hashes and nothing else. Outlines are
simplified for drawing only, and the page says by how much.
"""

from __future__ import annotations

import json
import re
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.permit import ZoneStudy
from corridor.model.results import Table
from corridor.publish import palette
from corridor.publish.crs_grid import crs_grid
from corridor.publish.lines import polyline
from corridor.publish.map import island, leaflet, leaflet_css, policy
from corridor.publish.map_layers import packed_shapes
from corridor.publish.packing import packed_table
from corridor.publish.provenance import Stamp
from corridor.publish.zones_rows import ALL_CAUTIONS, TABLE_TITLES, harmless, zone_table
from corridor.routing.geodesy import to_wgs84

SHARED_SCRIPTS = ("base.js", "numbers.js")
SCRIPTS = ("data.js", "canvas.js", "tables.js", "page.js")
MOST_WITH_ATTRIBUTES = 3000
"""A page with more zones leaves their further attributes to the data files, and says so."""

MOST_VERTICES = 400_000
LONGEST_NAME = 2000
"""Characters of a name on the page; the data files hold all of it."""


def write_zones_page(path: Path, study: ZoneStudy, stamp: Stamp) -> None:
    """Write the page of `study` as one HTML file."""
    path.write_text(zones_page(study, stamp), encoding="utf-8")


def zones_page(study: ZoneStudy, stamp: Stamp) -> str:
    """The whole page as text."""
    data = "".join(island(name, content) for name, content in page_data(study, stamp).items())
    styles = "".join(
        f"<style>\n{sheet}</style>\n" for sheet in (leaflet_css(), _colours(), _own("zones.css"))
    )
    codes = [leaflet("leaflet.js")]
    codes += [_file("web", name) for name in SHARED_SCRIPTS] + [_own(name) for name in SCRIPTS]
    scripts = "".join(f"<script>\n{code}</script>\n" for code in codes)
    body = _own("body.html") + data + scripts
    head = (
        '<meta charset="utf-8">\n<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n<title>Zones</title>\n'
    )
    licence = f"<!--\n{_file('web', 'leaflet-licence.txt')}-->\n"
    html = f'<!DOCTYPE html>\n<html lang="en">\n<head>\n{head}{licence}{styles}</head>\n'
    html += f"<body>\n{body}</body>\n</html>\n"
    return html.replace("<head>\n", "<head>\n" + policy(html), 1)


def page_data(study: ZoneStudy, stamp: Stamp) -> dict[str, Any]:
    """The page's data islands: name -> content."""
    outlines = _objects([zone.outline for zone in study.zones])
    drawn, tolerance = display_shapes(outlines, study.settings.display_tolerance_m)
    return {
        "about": _about(study, stamp, tolerance),
        "zones": _zones(study),
        "shapes": packed_shapes(drawn, study.crs),
        "others": _others(study),
        "grid": _grid(study),
        "look": {"rules": palette.RULE_COLOURS, "words": palette.RULE_WORDS},
        "tables": [
            {"title": TABLE_TITLES.get(name, name), "packed": packed_table(table), "columns": list(table)}
            for name, table in ordered_tables(study)
        ],
    }


def ordered_tables(study: ZoneStudy) -> list[tuple[str, Table]]:
    """The permit tables in the order in which people ask for them."""
    return [(name, study.tables[name]) for name in TABLE_TITLES if name in study.tables]


def display_shapes(outlines: NDArray[np.object_], tolerance_m: float) -> tuple[NDArray[np.object_], float]:
    """Outlines for drawing, simplified by no more than the tolerance that comes back (0: not at all).

    `tolerance_m` is doubled until the page stays light, judged on every n-th outline.
    """
    sample = outlines[:: max(len(outlines) // 2000, 1)]
    share = len(outlines) / max(len(sample), 1)
    tolerance, drawn = 0.0, sample
    while share * int(shapely.get_num_coordinates(drawn).sum()) > MOST_VERTICES and tolerance < 1000.0:
        tolerance = max(2.0 * tolerance, tolerance_m, 0.5)
        drawn = _simplified(sample, tolerance)
    return (outlines if tolerance == 0.0 else _simplified(outlines, tolerance)), tolerance


def _simplified(shapes: NDArray[np.object_], tolerance_m: float) -> NDArray[np.object_]:
    """Douglas and Peucker's simplification; what vanishes under it is drawn as its box."""
    simple = shapely.simplify(shapes, tolerance_m, preserve_topology=False)
    gone = shapely.is_empty(simple)
    simple[gone] = shapely.box(*shapely.bounds(shapes[gone]).T)
    return simple


def _about(study: ZoneStudy, stamp: Stamp, tolerance_m: float) -> dict[str, Any]:
    settings = study.settings
    period = settings.period
    days = (
        "no study date set"
        if period is None
        else " to ".join(dict.fromkeys(day.isoformat() for day in period))
    )
    drawing = ["Outlines are drawn as they are published; coordinates stand in zones.csv."]
    if tolerance_m:
        drawing = [
            f"Outlines are drawn simplified by up to {tolerance_m:g} m to keep the page light; files are not."
        ]
    if len(study.zones) > MOST_WITH_ATTRIBUTES:
        drawing.append("Further attributes of the zones stand in zones_list.csv, not on this page.")
    left_out = [harmless(f"{layer}: {column}: {why}") for layer, column, why in study.left_out]
    datum = stamp.vertical_datum or "not stated"
    return {
        "title": harmless(settings.title),
        "subtitle": harmless(
            f"{stamp.line()} · study period: {days} · WGS 84 and {study.crs} · vertical datum {datum}"
        ),
        "crs": harmless(study.crs),
        "caution": ALL_CAUTIONS[0],
        "cautions": list(ALL_CAUTIONS),
        "notes": [
            {"title": "Cautions", "lines": list(ALL_CAUTIONS), "open": True},
            {"title": "Notes", "lines": [harmless(note) for note in study.notes], "open": False},
            {"title": "Columns left out", "lines": left_out, "open": False},
            {"title": "About this page", "lines": drawing, "open": False},
        ],
    }


def _zones(study: ZoneStudy) -> dict[str, Any]:
    columns = dict(zone_table(study.zones))
    names = [
        name if len(name) <= LONGEST_NAME else name[:LONGEST_NAME] + "…" for name in columns.pop("feature")
    ]
    attributes = columns.pop("attributes")
    few = len(study.zones) <= MOST_WITH_ATTRIBUTES
    return {
        "table": packed_table(columns),
        "names": names,
        "attributes": [json.loads(text) if text else {} for text in attributes] if few else [],
    }


def _others(study: ZoneStudy) -> list[dict[str, Any]]:
    """Assets, jurisdictions, the corridor and the line: drawn with the zones."""
    groups = []
    for rule, style in (
        ("jurisdiction", {"width": 1.5, "dash": [2, 5]}),
        ("stay_within", {"width": 1.5, "dash": [8, 5]}),
        ("cross", {"width": 2}),
    ):
        shapes = [item.geometry for item in study.references if item.rule == rule]
        if shapes:
            colour = palette.rule_colour(rule)
            groups.append(_group(study, palette.RULE_WORDS[rule], {"colour": colour, **style}, shapes))
    if study.alignment is not None:
        line = shapely.LineString(polyline(study.alignment).grid)
        corridor = {"colour": palette.ROUTE, "width": 0.5, "fill": 0.1, "above": True}
        groups.append(_group(study, "Working corridor", corridor, [study.corridor]))
        groups.append(_group(study, "Line", {"colour": palette.ROUTE, "width": 3, "above": True}, [line]))
    return groups


def _group(study: ZoneStudy, name: str, style: dict[str, Any], shapes: list) -> dict[str, Any]:
    return {"name": name, "style": style, "shapes": packed_shapes(_objects(shapes), study.crs)}


def _grid(study: ZoneStudy) -> dict[str, Any]:
    """Lattice of project coordinates over everything drawn, for the pointer."""
    shapes = [zone.outline for zone in study.zones] + [item.geometry for item in study.references]
    if study.corridor is not None:
        shapes.append(study.corridor)
    west, south, east, north = shapely.total_bounds(_objects(shapes)) if shapes else (5e5, 0.0, 5.1e5, 1e4)
    t = np.linspace(0.0, 1.0, 9)
    easting, northing = np.meshgrid(west + t * (east - west), south + t * (north - south))
    lon, lat = to_wgs84(study.crs, easting.ravel(), northing.ravel())
    lon = lon[0] + (lon - lon[0] + 180.0) % 360.0 - 180.0
    more = 0.15 * max(np.ptp(lon), np.ptp(lat)) + 0.005
    south, north = max(lat.min() - more, -89.0), min(lat.max() + more, 89.0)
    return crs_grid(study.crs, float(lon.min() - more), float(south), float(lon.max() + more), float(north))


def _colours() -> str:
    """The palette's rule colours as CSS variables."""
    lines = "".join(
        f"  --rule-{rule.replace('_', '-')}: {colour};\n" for rule, colour in palette.RULE_COLOURS.items()
    )
    return f":root {{\n{lines}}}\n"


def _own(name: str) -> str:
    return _file("web_zones", name)


def _file(folder: str, name: str) -> str:
    text = resources.files("corridor.publish").joinpath(folder, name).read_text(encoding="utf-8")
    return re.sub(r"^//# sourceMappingURL=.*$", "", text, flags=re.M)


def _objects(shapes: list) -> NDArray[np.object_]:
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return array
