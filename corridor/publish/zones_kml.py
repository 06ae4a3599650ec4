"""zones.kml: zones, assets and the line for earth viewers (OGC KML 2.2), WGS 84.

Viewers show descriptions as HTML. Ours are escaped twice (once as HTML, once as
XML) and are the only text in the balloon, so that markup in a name is read as
text; ``$[`` is broken up, because viewers replace it by data of the feature.
"""

from __future__ import annotations

import html
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.permit import Zone, ZoneStudy
from corridor.publish.lines import polyline
from corridor.publish.palette import ROUTE, RULE_COLOURS, RULE_WORDS
from corridor.publish.provenance import Stamp
from corridor.publish.tables import plain
from corridor.publish.zones_rows import ALL_CAUTIONS, degrees_of, harmless, shown, zone_table

NAMESPACE = "http://www.opengis.net/kml/2.2"


def write_zones_kml(path: Path, study: ZoneStudy, stamp: Stamp, degrees: NDArray[np.object_]) -> None:
    """Write folders per layer; `degrees` are the zones' outlines in WGS 84 degrees."""
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write('<?xml version="1.0" encoding="UTF-8"?>\n')
        file.write(f'<kml xmlns="{NAMESPACE}">\n<Document>\n{_text("name", study.settings.title)}')
        file.write(_description([stamp.line(), *ALL_CAUTIONS, *study.notes]))
        file.write(_styles())
        file.writelines(_zone_folders(study, degrees))
        file.writelines(_reference_folders(study))
        file.writelines(_line_folder(study))
        file.write("</Document>\n</kml>\n")


def _styles() -> str:
    parts = []
    for rule, colour in {**RULE_COLOURS, "line": ROUTE, "corridor": "#5a6068"}.items():
        filled = "59" if rule in ("avoid", "discourage") else "00"
        parts.append(
            f'<Style id="{rule}"><LineStyle><color>{_abgr(colour, "ff")}</color><width>2</width></LineStyle>'
            f"<PolyStyle><color>{_abgr(colour, filled)}</color></PolyStyle>"
            f"<BalloonStyle><text>$[description]</text></BalloonStyle></Style>\n"
        )
    return "".join(parts)


def _abgr(colour: str, alpha: str) -> str:
    """KML writes colours as alpha, blue, green, red (KML 2.2, section 16.9)."""
    return alpha + colour[5:7] + colour[3:5] + colour[1:3]


def _zone_folders(study: ZoneStudy, degrees: NDArray[np.object_]) -> Iterator[str]:
    table = zone_table(study.zones)
    values = {name: plain(name, column) for name, column in table.items() if name != "attributes"}
    layer = None
    for i, zone in enumerate(study.zones):
        if zone.layer != layer:
            yield ("</Folder>\n" if layer is not None else "") + f"<Folder>\n{_text('name', zone.layer)}"
            layer = zone.layer
        data = {name: column[i] for name, column in values.items()}
        yield _placemark(zone.feature, zone.rule, _facts(zone, data), {**data, **zone.attributes}, degrees[i])
    if layer is not None:
        yield "</Folder>\n"


def _facts(zone: Zone, data: Mapping[str, Any]) -> list[str]:
    """The balloon: what a reader asks first."""
    force = "in force" if zone.active else "not in force"
    return [
        f"Zone {zone.number}: {zone.feature}",
        f"{RULE_WORDS.get(zone.rule, zone.rule)}, {force} ({zone.activity})",
        f"Layer {zone.layer}, class {zone.kind}",
        f"Buffer {data['buffer_m']} m, area {data['area_m2']} square metres",
        f"Legal basis: {zone.legal_basis or 'not stated'}",
        f"Authority: {zone.authority or 'not stated'}",
        *ALL_CAUTIONS[:1],
    ]


def _reference_folders(study: ZoneStudy) -> Iterator[str]:
    if not study.references:
        return
    shapes = degrees_of(study, [item.geometry for item in study.references])
    yield "<Folder>\n" + _text("name", "Assets and jurisdictions")
    for item, shape in zip(study.references, shapes, strict=True):
        facts = [item.feature, f"{RULE_WORDS.get(item.rule, item.rule)}, layer {item.layer}"]
        facts += [f"Owner: {item.owner}"] if item.owner else []
        data = {"layer": item.layer, "rule": item.rule, "owner": item.owner, **item.attributes}
        yield _placemark(item.feature, item.rule, facts, data, shape)
    yield "</Folder>\n"


def _line_folder(study: ZoneStudy) -> Iterator[str]:
    if study.alignment is None:
        return
    yield "<Folder>\n" + _text("name", "Line")
    points = polyline(study.alignment).grid
    for name, style, shape in (
        ("Line", "line", shapely.LineString(points)),
        ("Working corridor", "corridor", study.corridor),
    ):
        yield _placemark(name, style, [name], {}, degrees_of(study, [shape])[0])
    yield "</Folder>\n"


def _placemark(name: str, style: str, facts: list[str], data: Mapping[str, Any], shape: Any) -> str:
    return (
        f"<Placemark>{_text('name', shown(name))}<styleUrl>#{style}</styleUrl>"
        f"{_description(facts)}{_extended(data)}{_geometry(shape)}</Placemark>\n"
    )


def _text(tag: str, text: str) -> str:
    return f"<{tag}>{escape(harmless(text))}</{tag}>\n"


def _description(lines: list[str]) -> str:
    """Lines of text that stay text in a viewer that takes descriptions for HTML."""
    body = "<br/>".join(html.escape(shown(line, 500)).replace("[", "&#91;") for line in lines)
    return f"<description>{escape(body)}</description>\n"


def _extended(data: Mapping[str, Any]) -> str:
    entries = "".join(
        f"<Data name={quoteattr(harmless(key))}><value>{escape(harmless(value))}</value></Data>"
        for key, value in data.items()
        if value is not None and value != ""
    )
    return f"<ExtendedData>{entries}</ExtendedData>\n" if entries else ""


def _geometry(shape: Any) -> str:
    parts = [_part(part) for part in shapely.get_parts(shape)]
    return parts[0] if len(parts) == 1 else f"<MultiGeometry>{''.join(parts)}</MultiGeometry>"


def _part(part: Any) -> str:
    if part.geom_type == "Polygon":
        rings = _boundary("outerBoundaryIs", part.exterior)
        holes = "".join(_boundary("innerBoundaryIs", ring) for ring in part.interiors)
        return f"<Polygon>{rings}{holes}</Polygon>"
    if part.geom_type == "Point":
        return f"<Point>{_coordinates(part)}</Point>"
    return f"<LineString><tessellate>1</tessellate>{_coordinates(part)}</LineString>"


def _boundary(tag: str, ring: Any) -> str:
    return f"<{tag}><LinearRing>{_coordinates(ring)}</LinearRing></{tag}>"


def _coordinates(part: Any) -> str:
    pairs = shapely.get_coordinates(part)
    return "<coordinates>" + (("%.9f,%.9f " * len(pairs)) % tuple(pairs.ravel().tolist())) + "</coordinates>"
