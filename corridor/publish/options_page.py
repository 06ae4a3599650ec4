"""Write the options: the comparison as CSV, JSON and a page, one map with all lines, a folder for each.

As for the map: data goes into the page as JSON that the browser does not
execute and reaches it as text; a Content-Security-Policy allows the page's own
script and style by their hashes and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from corridor.assess.cautions import CAUTIONS
from corridor.model.project import Project
from corridor.progress import Progress, silent
from corridor.publish import palette
from corridor.publish.folder import output_folder
from corridor.publish.geojson import feature, split_line, write_geojson
from corridor.publish.lines import polyline
from corridor.publish.map import island, policy, write_map
from corridor.publish.map_layers import ring_shapes
from corridor.publish.provenance import Stamp, stamp
from corridor.publish.publish import Extra, project_inputs, publish_study
from corridor.publish.summary import json_ready, write_json
from corridor.publish.tables import decimals, table_of_rows, write_csv
from corridor.routing.options_table import Options, comparison

COLOURS = (palette.ROUTE, *palette.OTHER_ROUTES)
"""The first option has the route's colour, the others follow in order; further ones repeat them dashed."""

DRAWN_SHARE = 1.0 / 4000.0
"""Shapes of layers on the small plan are drawn simpler by this share of its width."""


def publish_options(
    options: Options,
    folder: str | Path,
    *,
    inputs: Iterable[str | Path] = (),
    extras: Iterable[Extra] = (),
    command: str = "",
    progress: Progress = silent,
) -> dict[str, Any]:
    """Write everything about `options`; the folder appears or is replaced as a whole.

    Files: ``options.csv``, ``options.json``, ``options.geojson``, ``options.html``,
    ``map.html`` with all lines, and ``option_a``, ``option_b``, ... with the full
    set of files of each.

    Parameters
    ----------
    extras : iterable of callable
        Further writers for the folder of each option.
    command : str
        The command as it was typed, for the reports.

    Returns
    -------
    dict
        What ``options.json`` holds.
    """
    project = options.studies[0].project
    marks = stamp(project)
    rows = [_published(row) for row in comparison(options)]
    content = json_ready(
        {
            "status": "ok" if len(options.studies) >= options.asked else "fewer than asked for",
            "asked": options.asked,
            "found": len(options.studies),
            "options": rows,
            "notes": list(options.notes),
            "cautions": list(CAUTIONS),
            **marks.as_dict(),
            "settings": project.settings,
        }
    )
    with output_folder(folder, [*project_inputs(project), *inputs]) as fresh:
        for number, (study, name) in enumerate(zip(options.studies, options.names, strict=True)):
            progress("writing files", number / (len(options.studies) + 1))
            publish_study(study, fresh / f"option_{name.lower()}", extras=extras, command=command)
        write_csv(fresh / "options.csv", "options", table_of_rows(rows, rows[0]))
        write_geojson(fresh / "options.geojson", _features(options, rows), marks)
        _map(fresh / "map.html", options, marks)
        (fresh / "options.html").write_text(page(options, content, marks), encoding="utf-8")
        write_json(fresh / "options.json", content)
    progress("writing files", 1.0)
    return content


def colour_of(number: int) -> tuple[str, bool]:
    """Colour of option `number` (0, 1, ...) and whether it is dashed."""
    return COLOURS[number % len(COLOURS)], number >= len(COLOURS)


def _published(row: dict[str, Any]) -> dict[str, Any]:
    """A row at the published precision of its columns."""
    return {
        key: round(value, decimals(key)) + 0.0 if isinstance(value, float) and np.isfinite(value) else value
        for key, value in row.items()
    }


def _features(options: Options, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [
        feature(split_line(polyline(study.alignment).degrees), json_ready({**row, "colour": colour_of(k)[0]}))
        for k, (study, row) in enumerate(zip(options.studies, rows, strict=True))
    ]


def _map(path: Path, options: Options, marks: Stamp) -> None:
    """One map: the cheapest option in front, the others as further lines."""
    first, *others = options.studies
    named = {f"Option {name}": study for name, study in zip(options.names[1:], others, strict=True)}
    shown = replace(first, others={name: study.alignment for name, study in named.items()})
    assessments = {name: study.assessment for name, study in named.items()}
    write_map(path, shown, marks, assessments, f"Option {options.names[0]}")


def page(options: Options, content: dict[str, Any], marks: Stamp) -> str:
    """options.html: the table and a plan of all lines."""
    data = island("options", {**content, "title": marks.line()}) + island("plan", _plan(options))
    body = (
        f"<style>\n{_file('options.css')}</style>\n</head>\n<body>\n{_file('options.html')}"
        f"{data}<script>\n{_file('options.js')}</script>\n</body>\n</html>\n"
    )
    head = '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
    head += '<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>Options</title>\n'
    return head + policy(body) + body


def _plan(options: Options) -> dict[str, Any]:
    """Lines and zones in metres from the south-west corner, for a plan on project grid north."""
    project = options.studies[0].project
    west, south, east, north = project.seabed.bounds_m
    lines = [
        {
            "name": name,
            "colour": colour_of(k)[0],
            "dashed": colour_of(k)[1],
            "xy": _shifted(polyline(study.alignment).grid, west, south),
        }
        for k, (study, name) in enumerate(zip(options.studies, options.names, strict=True))
    ]
    return {
        "width": round(east - west, 1),
        "height": round(north - south, 1),
        "lines": lines,
        "zones": _zones(project, west, south),
    }


def _zones(project: Project, west: float, south: float) -> list[dict[str, Any]]:
    tolerance = DRAWN_SHARE * (project.seabed.bounds_m[2] - west)
    zones = []
    for layer in project.layers:
        if layer.rule == "jurisdiction" or len(layer) == 0:
            continue
        rings = ring_shapes(layer, project)
        shapes = [
            ring if not ring.is_empty else shape for ring, shape in zip(rings, layer.geometries, strict=True)
        ]
        for shape, name in zip(shapes, layer.features, strict=True):
            simple = shapely.simplify(shape, tolerance)
            filled = layer.rule in ("avoid", "discourage")
            for part in shapely.get_parts(simple):
                rings_of = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
                for ring in rings_of:
                    zones.append(
                        {
                            "name": f"{layer.name}: {name}",
                            "colour": palette.rule_colour(layer.rule),
                            "filled": filled and part.geom_type == "Polygon",
                            "xy": _shifted(shapely.get_coordinates(ring), west, south),
                        }
                    )
    return zones


def _shifted(xy: np.ndarray, west: float, south: float) -> list[list[float]]:
    return np.round(np.asarray(xy) - (west, south), 1).tolist()


def _file(name: str) -> str:
    return resources.files("corridor.publish").joinpath("web_options", name).read_text(encoding="utf-8")
