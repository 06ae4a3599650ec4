"""route.kml: the line and its points for earth viewers (OGC KML 2.2), WGS 84."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import shapely

from corridor.assess.cautions import CAUTIONS
from corridor.model.results import Study, Table
from corridor.publish.geojson import split_line
from corridor.publish.lines import polyline, stretches
from corridor.publish.palette import OTHER_ROUTES, ROUTE, VERDICT_COLOURS, rule_colour, verdict_class
from corridor.publish.provenance import Stamp
from corridor.publish.tables import rows

NAMESPACE = "http://www.opengis.net/kml/2.2"
_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_kml(path: Path, study: Study, stamp: Stamp) -> None:
    """Write centreline, IPs, KPs, crossings and spans, each in a folder of its own."""
    ET.register_namespace("", NAMESPACE)
    root = ET.Element(_tag("kml"))
    document = _child(root, "Document")
    _child(document, "name", study.project.name)
    _child(document, "description", f"{stamp.line()}. {CAUTIONS[0]}")
    _styles(document)
    _extended(document, {**{k: v for k, v in stamp.as_dict().items() if k != "inputs"}, **dict(stamp.inputs)})
    _lines(document, study)
    assessed = study.assessment
    _points(document, "Intersection points", assessed.points, "point", "point")
    _points(document, "Chainage", _whole_km(assessed.chainage), "kp", "kp_km")
    _points(document, "Crossings", assessed.crossings, "crossing", "feature")
    if assessed.spans is not None:
        _spans(document, study, assessed.spans)
    ET.indent(root)
    path.write_bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n")


def _lines(document: ET.Element, study: Study) -> None:
    folder = _folder(document, "Lines")
    for number, (name, line) in enumerate({study.project.name: study.alignment, **study.others}.items()):
        style = "line" if number == 0 else f"other{(number - 1) % len(OTHER_ROUTES)}"
        place = _placemark(folder, name, style, {"bends": line.bends})
        _geometry(place, split_line(polyline(line).degrees))


def _points(document: ET.Element, title: str, table: Table, style: str, label: str) -> None:
    folder = _folder(document, title)
    for entry in rows(table):
        name = f"KP {entry[label]:.3f}" if label == "kp_km" else str(entry[label])
        place = _placemark(folder, name, style, entry)
        _geometry(place, shapely.Point(entry["longitude_deg"], entry["latitude_deg"]))


def _spans(document: ET.Element, study: Study, spans: Table) -> None:
    folder = _folder(document, "Spans")
    chains = stretches(study.alignment, spans["kp_start_km"], spans["kp_end_km"])
    for entry, chain in zip(rows(spans), chains, strict=True):
        if entry["governs"]:
            style = f"span-{verdict_class(entry['verdict'])}"
            place = _placemark(folder, f"span {entry['span']}: {entry['verdict']}", style, entry)
            _geometry(place, split_line(chain.degrees))


def _whole_km(chainage: Table) -> Table:
    """Rows at whole kilometres and at events: enough for a viewer, everything is in chainage.csv."""
    keep = [
        entry
        for entry in rows(chainage)
        if entry["event"] or abs(entry["kp_km"] - round(entry["kp_km"])) < 5e-7
    ]
    return {column: [entry[column] for entry in keep] for column in chainage}  # type: ignore[misc]


def _styles(document: ET.Element) -> None:
    lines = {"line": (ROUTE, 4), **{f"other{i}": (colour, 3) for i, colour in enumerate(OTHER_ROUTES)}}
    lines |= {f"span-{name}": (colour, 7) for name, colour in VERDICT_COLOURS.items()}
    for name, (colour, width) in lines.items():
        style = _child(_child(document, "Style", id=name), "LineStyle")
        _child(style, "color", _abgr(colour))
        _child(style, "width", str(width))
    for name, colour in {"point": ROUTE, "kp": "#30343b", "crossing": rule_colour("cross")}.items():
        style = _child(_child(document, "Style", id=name), "IconStyle")
        _child(style, "color", _abgr(colour))
        _child(style, "scale", "0.6")


def _abgr(colour: str) -> str:
    """KML writes colours as alpha, blue, green, red (KML 2.2, section 16.9)."""
    return f"ff{colour[5:7]}{colour[3:5]}{colour[1:3]}"


def _geometry(place: ET.Element, shape: Any) -> None:
    parts = shapely.get_parts(shape)
    parent = place if len(parts) == 1 else _child(place, "MultiGeometry")
    for part in parts:
        element = _child(parent, part.geom_type)
        if part.geom_type == "LineString":
            _child(element, "tessellate", "1")
        pairs = shapely.get_coordinates(part)
        _child(element, "coordinates", " ".join(f"{lon:.9f},{lat:.9f}" for lon, lat in pairs))


def _placemark(folder: ET.Element, name: str, style: str, data: dict[str, Any]) -> ET.Element:
    place = _child(folder, "Placemark")
    _child(place, "name", name)
    _child(place, "styleUrl", f"#{style}")
    _extended(place, data)
    return place


def _extended(parent: ET.Element, data: dict[str, Any]) -> None:
    extended = _child(parent, "ExtendedData")
    for key, value in data.items():
        if value is not None:
            _child(_child(extended, "Data", name=key), "value", str(value))


def _folder(document: ET.Element, name: str) -> ET.Element:
    folder = _child(document, "Folder")
    _child(folder, "name", name)
    return folder


def _child(parent: ET.Element, tag: str, text: str | None = None, **attributes: str) -> ET.Element:
    clean = {key: _FORBIDDEN.sub(" ", value) for key, value in attributes.items()}
    element = ET.SubElement(parent, _tag(tag), clean)
    if text is not None:
        element.text = _FORBIDDEN.sub(" ", text)  # XML 1.0, section 2.2
    return element


def _tag(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"
