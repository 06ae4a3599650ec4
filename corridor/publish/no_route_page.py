"""no_route.html: why there is no line, to read and to look at; one file, no network, no script.

Everything that comes from the project passes through `html.escape`; the page's
Content-Security-Policy allows its own style by hash and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from importlib import resources
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from corridor.model.project import Project
from corridor.publish import palette
from corridor.publish.map import policy
from corridor.publish.map_layers import ring_shapes
from corridor.publish.provenance import Stamp

BARRIER_COLOUR, CONCEDED_COLOUR, SURVEY_COLOUR = "#a82512", "#d97706", "#6b21a8"

DRAWN_SHARE = 1.0 / 2000.0
"""Shapes are drawn simpler by this share of a plan's width."""

DETAIL_SHARE = 0.7
"""A second plan shows the places alone where they span less than this share of the sheet."""

NEAR = 24.0
"""Numbers of places nearer to each other than this would cover each other, in widths of a thin line."""

_STYLE = """
table { border-collapse: collapse; }
th, td { padding: 4px 10px; border-bottom: 1px solid var(--line); text-align: left; vertical-align: top; }
.plan { border: 1px solid var(--line); background: var(--panel); }
.plan svg { display: block; width: 100%; height: auto; max-height: 70vh; }
.key { display: inline-block; width: 26px; height: 10px; margin: 0 6px 0 14px; }
.barrier { background: #a82512; } .conceded { background: #d97706; } .survey { background: #6b21a8; }
.story { font-size: 17px; }
"""

Shape = tuple[BaseGeometry, Mapping[str, Any]]


def no_route_page(project: Project, content: Mapping[str, Any], shapes: Iterable[Shape], marks: Stamp) -> str:
    """The page: the story, the plan, what it would take, what does not help.

    Parameters
    ----------
    content : mapping
        What ``no_route.json`` holds.
    shapes : iterable of (geometry, properties)
        What ``no_route.geojson`` draws, in the project CRS.
    """
    shapes = list(shapes)
    told = [
        one for key in ("reasons", "pair") for one in content.get(key, []) if one.get("easting_m") is not None
    ]
    west, south, east, north = project.seabed.bounds_m
    plans = ["<h2>Plan</h2>", _plan(project, shapes, told, (west, south, east, north))]
    near = _near(shapes, told, east - west)
    if near is not None and near[2] - near[0] < DETAIL_SHARE * (east - west):
        plans += ["<h2>The places in question</h2>", _plan(project, shapes, told, near)]
    caution = content["cautions"][0] if content.get("cautions") else ""
    style = resources.files("corridor.publish").joinpath("web_options", "options.css").read_text("utf-8")
    body = f"""<style>
{style}{_STYLE}</style>
</head>
<body>
<header>
  <h1>No line obeys the rules</h1>
  <p id="title">{escape(marks.line())}</p>
  <p class="caution">{escape(str(caution))}</p>
</header>
<main>
<p class="story">{escape(str(content.get("text", "")))}</p>
{"".join(plans)}
<p class="soft">Grid north is up.<span class="key barrier"></span>closed ground that parts the ends
<span class="key conceded"></span>lines that are NOT ALLOWED: what a rule that gives way would make possible
<span class="key survey"></span>no seabed data</p>
{_reasons(told, bool(content.get("pair")))}
{_hopeless(content.get("cannot_help", []))}
<h2>Cautions</h2>
<ul>{"".join(f"<li>{escape(str(text))}</li>" for text in content.get("cautions", []))}</ul>
</main>
</body>
</html>
"""
    head = '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
    head += '<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>No line</title>\n'
    return head + policy(body) + body


def _reasons(told: Sequence[Mapping[str, Any]], pair: bool) -> str:
    if not told:
        return ""
    rows = [
        f"<tr><td>{number}</td><td>{escape(str(one.get('text', '')))}</td>"
        f"<td>{'yes' if one.get('confirmed') else 'no'}</td>"
        f"<td>{'yes' if one.get('needs_consent') else 'no'}</td></tr>"
        for number, one in enumerate(told, start=1)
    ]
    heading = "What it would take, both together" if pair else "What it would take, one of them"
    return (
        f"<h2>{heading}</h2><table><tr><th>Place</th><th>Rule</th><th>A line was found that passes "
        f"every other check</th><th>Needs the authority's consent</th></tr>{''.join(rows)}</table>"
    )


def _hopeless(entries: Sequence[Any]) -> str:
    if not entries:
        return ""
    texts = [one.get("text", "") if isinstance(one, Mapping) else one for one in entries]
    items = "".join(f"<li>{escape(str(text))}</li>" for text in texts)
    return f"<h2>What does not help by itself</h2><ul>{items}</ul>"


def _near(
    shapes: Sequence[Shape], told: Sequence[Mapping[str, Any]], width: float
) -> tuple[float, float, float, float] | None:
    """A box around the barrier and the places, with room; None where there is nothing."""
    parts = [shape for shape, words in shapes if words.get("kind") != "conceded line"]
    parts += [shapely.Point(one["easting_m"], one["northing_m"]) for one in told]
    parts = [part for part in parts if not part.is_empty]
    if not parts:
        return None
    west, south, east, north = shapely.total_bounds(np.array(parts, dtype=object))
    room = 0.15 * max(east - west, north - south) + 0.01 * width
    return west - room, south - room, east + room, north + room


def _plan(
    project: Project, shapes: Sequence[Shape], told: Sequence[Mapping[str, Any]],
    box: tuple[float, float, float, float],
) -> str:  # fmt: skip
    """One plan on project grid north as inline SVG."""
    west, south, east, north = box
    width, height, thin = east - west, north - south, (east - west) / 900.0
    frame = shapely.box(*box)
    drawn = [f'<svg viewBox="0 0 {width:.1f} {height:.1f}" role="img" aria-label="Plan">']

    def add(
        shape: BaseGeometry, name: str, fill: str, stroke: str, opacity: float, size: float, dash: str = ""
    ):
        simple = shapely.intersection(shapely.simplify(shape, width * DRAWN_SHARE), frame)
        path = _path(simple, west, north)
        if path:
            drawn.append(
                f'<path d="{path}" fill="{fill}" fill-opacity="{opacity}" fill-rule="evenodd" '
                f'stroke="{stroke}" stroke-width="{size:.1f}"{dash}><title>{escape(name)}</title></path>'
            )

    for layer in project.layers:
        if layer.rule == "jurisdiction" or len(layer) == 0:
            continue
        colour = palette.rule_colour(layer.rule)
        for ring, shape, name in zip(
            ring_shapes(layer, project), layer.geometries, layer.features, strict=True
        ):
            zone = shape if ring.is_empty else ring
            filled = layer.rule in ("avoid", "discourage") and shapely.area(zone) > 0.0
            add(zone, f"{layer.name}: {name}", colour if filled else "none", colour, 0.15, thin)
    for shape, words in shapes:
        kind = words.get("kind")
        if kind == "barrier":
            add(shape, _title(words), BARRIER_COLOUR, BARRIER_COLOUR, 0.45, 2.0 * thin)
        elif kind == "to be surveyed":
            add(shape, str(words.get("text", "")), SURVEY_COLOUR, SURVEY_COLOUR, 0.45, 2.0 * thin)
        elif kind == "conceded line":
            dash = f' stroke-dasharray="{9 * thin:.1f} {6 * thin:.1f}"'
            add(shape, str(words.get("text", "")), "none", CONCEDED_COLOUR, 0.0, 3.0 * thin, dash)
    drawn += _marks(project, told, box, thin)
    return f'<div class="plan">{"".join(drawn)}</svg></div>'


def _marks(
    project: Project, told: Sequence[Mapping[str, Any]], box: tuple[float, float, float, float], thin: float
) -> list[str]:
    """START, END and the numbered places."""
    west, south, east, north = box
    places = [
        (project.start.easting, project.start.northing, "START", "#1d1f24"),
        (project.end.easting, project.end.northing, "END", "#1d1f24"),
        *((e, n, text, "#ffffff") for e, n, text in _numbered(told, NEAR * thin)),
    ]
    found = []
    for e, n, text, fill in places:
        if not (west <= e <= east and south <= n <= north):
            continue
        x, y = e - west, north - n
        ahead = x < 0.9 * (east - west)
        found.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{6 * thin:.1f}" fill="{fill}" stroke="#1d1f24" '
            f'stroke-width="{2 * thin:.1f}"/><text x="{x + (10 if ahead else -10) * thin:.1f}" '
            f'y="{y - 8 * thin:.1f}" font-size="{20 * thin:.1f}" font-weight="bold" '
            f'text-anchor="{"start" if ahead else "end"}">{escape(text)}</text>'
        )
    return found


def _numbered(told: Sequence[Mapping[str, Any]], near_m: float) -> list[tuple[float, float, str]]:
    """Places and their numbers; the numbers of places too near each other stand together at the first."""
    places: list[tuple[float, float, list[str]]] = []
    for number, one in enumerate(told, start=1):
        e, n = float(one["easting_m"]), float(one["northing_m"])
        close = [numbers for x, y, numbers in places if numbers and np.hypot(x - e, y - n) < near_m]
        places.append((e, n, [] if close else [str(number)]))
        if close:
            close[0].append(str(number))
    return [(e, n, ", ".join(numbers)) for e, n, numbers in places]


def _title(words: Mapping[str, Any]) -> str:
    names = ", ".join(str(name) for name in words.get("features", [])[:5])
    return f"{words.get('rule', '')} {words.get('layer', '')} {names}".strip()


def _path(shape: BaseGeometry, west: float, north: float) -> str:
    """SVG path of every line and ring of a geometry."""
    pieces = []
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon":
            chains, close = [part.exterior, *part.interiors], "Z"
        elif part.geom_type in ("LineString", "LinearRing"):
            chains, close = [part], ""
        elif part.geom_type == "Point":
            chains, close = [part.buffer(1.0).exterior], "Z"
        elif part.geom_type.startswith(("Multi", "Geometry")):
            pieces.append(_path(part, west, north))
            continue
        else:
            continue
        for chain in chains:
            xy = shapely.get_coordinates(chain)
            if len(xy):
                steps = " L".join(f"{e - west:.1f} {north - n:.1f}" for e, n in xy)
                pieces.append(f"M{steps}{close}")
    return " ".join(piece for piece in pieces if piece)
