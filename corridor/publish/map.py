"""map.html: one file, no network, nothing run but our own scripts.

folium makes the page's skeleton from fixed words only. Data never passes
through a template: it is put in afterwards as JSON that the browser does not
execute, and reaches the page as text. A Content-Security-Policy allows the
scripts and styles in the file by their hashes and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import folium

from corridor.errors import CorridorError
from corridor.model.results import Assessment, Study
from corridor.publish import palette
from corridor.publish.map_data import map_data
from corridor.publish.provenance import Stamp

SCRIPTS = (
    "base.js",
    "numbers.js",
    "lines.js",
    "seabed.js",
    "layers.js",
    "route.js",
    "chart.js",
    "strips.js",
    "profile.js",
    "hands.js",
    "panel.js",
    "tools.js",
    "page.js",
)
STYLES = ("page.css", "panel.css", "map.css")
MAP_NAME = "corridor"


def write_map(
    path: Path,
    study: Study,
    stamp: Stamp,
    others: Mapping[str, Assessment] | None = None,
    name: str = "",
) -> None:
    """Write the map of `study` as one HTML file.

    Parameters
    ----------
    others : mapping of name -> Assessment, optional
        Assessments of ``study.others``; lines without one show their seabed only.
    name : str
        What the study's own line is called beside the others; its revision by default.
    """
    path.write_text(page(map_data(study, stamp, others, name)), encoding="utf-8")


def page(islands: Mapping[str, Any]) -> str:
    """The whole page around its data islands."""
    html = _skeleton()
    html = _once(html, "</head>", _styles() + _script(leaflet("leaflet.js")) + "</head>")
    html = _once(html, "<body>", "<body>\n" + _file("header.html"))
    data = "".join(island(name, content) for name, content in islands.items())
    scripts = "".join(_script(_file(name)) for name in SCRIPTS)
    html = _once(html, "</body>", _file("body.html") + data + "</body>")
    html = _once(html, "</html>", scripts + "</html>")
    return _once(html, "<head>", "<head>\n" + policy(html))


def island(name: str, content: Any) -> str:
    """A block of JSON that stays data whatever it holds: ``<`` and ``>`` never appear in it."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    text = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return f'<script type="application/json" id="data-{name}">{text}</script>\n'


def policy(html: str) -> str:
    """The Content-Security-Policy (W3C CSP level 3) of a page: its own code by hash, images by data."""
    scripts = [
        code for head, code in re.findall(r"<script([^>]*)>(.*?)</script>", html, re.S) if "json" not in head
    ]
    styles = re.findall(r"<style[^>]*>(.*?)</style>", html, re.S)
    rules = [
        "default-src 'none'",
        "script-src " + " ".join(map(_hash, scripts)),
        "style-src " + " ".join(map(_hash, styles)),
        "img-src data: blob:",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    return f'<meta http-equiv="Content-Security-Policy" content="{"; ".join(rules)}">\n'


def _hash(code: str) -> str:
    """As the browser takes it: of the text with its line ends as LF."""
    digest = hashlib.sha256(code.replace("\r\n", "\n").encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def _skeleton() -> str:
    """folium's page: document head, map element, map object. No figure of the study goes in."""
    skeleton = folium.Map(
        location=[0.0, 0.0],
        zoom_start=2,
        tiles=None,
        control_scale=False,
        prefer_canvas=True,
        attribution_control=False,
        zoom_snap=0.25,
        zoom_delta=0.5,
        max_zoom=24,
    )
    skeleton.default_js, skeleton.default_css = [], []
    skeleton._id = MAP_NAME  # folium's random id would make every file different
    html = skeleton.get_root().render()
    # The reader may zoom the page, and pages have a language.
    html = re.sub(r'(<meta name="viewport" content=")[^"]*"', r'\1width=device-width, initial-scale=1"', html)
    html = _once(html, "<html>", '<html lang="en">')
    return _once(
        html, "<head>", "<head>\n<title>Route map</title>\n<!--\n" + _file("leaflet-licence.txt") + "-->"
    )


def _styles() -> str:
    sheets = [leaflet_css(), _colours(), *(_file(name) for name in STYLES)]
    return "".join(f"<style>\n{sheet}</style>\n" for sheet in sheets)


def _colours() -> str:
    """The palette as CSS variables, one definition for page and files."""
    names = {"route": palette.ROUTE, "land": palette.LAND, "gap": palette.GAP}
    names |= {f"rule-{rule.replace('_', '-')}": colour for rule, colour in palette.RULE_COLOURS.items()}
    names |= {f"verdict-{name}": colour for name, colour in palette.VERDICT_COLOURS.items()}
    lines = "".join(f"  --{name}: {colour};\n" for name, colour in names.items())
    return f":root {{\n{lines}}}\n"


def leaflet(name: str) -> str:
    """A file of Leaflet from the package XStatic-Leaflet; nothing of it stands in this repository."""
    text = resources.files("xstatic.pkg.leaflet").joinpath("data", name).read_text(encoding="utf-8")
    return re.sub(r"^//# sourceMappingURL=.*$", "", text, flags=re.M)


def leaflet_css() -> str:
    """Leaflet's style sheet with its pictures inside."""

    def picture(match: re.Match[str]) -> str:
        file = resources.files("xstatic.pkg.leaflet").joinpath("data", match[1])
        return f"url(data:image/png;base64,{base64.b64encode(file.read_bytes()).decode('ascii')})"

    return re.sub(r"url\((images/[\w-]+\.png)\)", picture, leaflet("leaflet.css"))


def _file(name: str) -> str:
    return resources.files("corridor.publish").joinpath("web", name).read_text(encoding="utf-8")


def _script(code: str) -> str:
    return f"<script>\n{code}</script>\n"


def _once(html: str, mark: str, replacement: str) -> str:
    """Replace the one occurrence of a tag; another number of them means that folium has changed."""
    if html.count(mark) != 1:
        raise CorridorError(f"the page skeleton holds {mark} {html.count(mark)} times, expected once")
    return html.replace(mark, replacement)
