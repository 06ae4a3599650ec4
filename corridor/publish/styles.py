"""Styles for desktop GIS: one table's look as QML and as SLD, in our own colours.

QML is the XML that open desktop GIS keep in ``layer_styles.styleQML``; SLD is
the OGC standard (Styled Layer Descriptor 1.1 with Symbology Encoding 1.1).
Only plain symbols are used: a colour, a width, a dash, a marker shape, and
categories by one column.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.etree import ElementTree as ET

import numpy as np
import shapely

from corridor.publish.features import FeatureTable
from corridor.publish.palette import ROUTE, VERDICT_COLOURS, rgb, rule_colour, verdict_class

SE = "http://www.opengis.net/se"
SLD = "http://www.opengis.net/sld"
OGC = "http://www.opengis.net/ogc"


@dataclass(frozen=True, slots=True)
class Symbol:
    """How one category looks. Width and size in mm; `dash` is solid or dash; `fill` an opacity, 0-1."""

    label: str
    colour: str
    width_mm: float = 0.4
    dash: str = "solid"
    marker: str = "circle"
    size_mm: float = 2.0
    fill: float = 0.25
    value: str | None = None


def layer_style(table: FeatureTable) -> tuple[str, str]:
    """(QML, SLD) of a table with geometry."""
    column, symbols = symbols_of(table)
    kind = _dimension(table)
    return _qml(column, symbols, kind), _sld(table.name, column, symbols, kind)


def symbols_of(table: FeatureTable) -> tuple[str | None, list[Symbol]]:
    """The column that decides and one symbol per value; (None, [symbol]) where all rows look alike."""
    if table.kind == "spans":
        verdicts = sorted({str(value) for value in np.asarray(table.columns["verdict"])})
        return "verdict", [
            Symbol(v, VERDICT_COLOURS[verdict_class(v)], width_mm=1.6, value=v) for v in verdicts
        ]
    if table.kind.startswith("layer:"):
        rule = table.kind.split(":", 1)[1]
        dash = "dash" if rule in ("stay_within", "jurisdiction") else "solid"
        fill = 0.0 if rule in ("stay_within", "jurisdiction") else 0.25
        return None, [Symbol(table.name, rule_colour(rule), dash=dash, fill=fill, marker="triangle")]
    plain = {
        "route": Symbol("line", ROUTE, width_mm=0.9),
        "points": Symbol("IP", ROUTE, marker="diamond", size_mm=3.0),
        "crossings": Symbol("crossing", rule_colour("cross"), marker="square", size_mm=3.0),
        "chainage": Symbol("KP", "#30343b", size_mm=1.2),
    }
    return None, [plain.get(table.kind, Symbol(table.name, "#5a6068", size_mm=1.6))]


def _dimension(table: FeatureTable) -> int:
    shapes = [] if table.geometry is None else [shape for shape in table.geometry if shape is not None]
    return max((int(shapely.get_dimensions(shape)) for shape in shapes), default=0)


def _qml(column: str | None, symbols: list[Symbol], kind: int) -> str:
    root = ET.Element("qgis", version="3.22.0", styleCategories="Symbology")
    renderer = ET.SubElement(root, "renderer-v2", type="categorizedSymbol" if column else "singleSymbol")
    if column:
        renderer.set("attr", column)
        categories = ET.SubElement(renderer, "categories")
        for number, symbol in enumerate(symbols):
            given = {"value": symbol.value or "", "symbol": str(number), "label": symbol.label}
            ET.SubElement(categories, "category", {"render": "true", **given})
    holder = ET.SubElement(renderer, "symbols")
    for number, symbol in enumerate(symbols):
        _qml_symbol(holder, str(number), symbol, kind)
    return '<!DOCTYPE qgis PUBLIC "http://mrcc.com/qgis.dtd" "SYSTEM">\n' + ET.tostring(
        root, encoding="unicode"
    )


def _qml_symbol(holder: ET.Element, name: str, symbol: Symbol, kind: int) -> None:
    outline = ",".join(map(str, (*rgb(symbol.colour), 255)))
    fill = ",".join(map(str, (*rgb(symbol.colour), round(255 * symbol.fill))))
    kinds = ("marker", "line", "fill")
    classes = ("SimpleMarker", "SimpleLine", "SimpleFill")
    properties = (
        {
            "color": outline,
            "name": symbol.marker,
            "size": f"{symbol.size_mm:g}",
            "outline_color": "255,255,255,255",
            "outline_width": "0.2",
        },
        {"line_color": outline, "line_width": f"{symbol.width_mm:g}", "line_style": symbol.dash},
        {
            "color": fill,
            "style": "solid" if symbol.fill else "no",
            "outline_color": outline,
            "outline_width": f"{symbol.width_mm:g}",
            "outline_style": symbol.dash,
        },
    )[kind]
    element = ET.SubElement(holder, "symbol", type=kinds[kind], name=name, alpha="1", clip_to_extent="1")
    layer = ET.SubElement(
        element, "layer", {"class": classes[kind], "enabled": "1", "pass": "0", "locked": "0"}
    )
    options = ET.SubElement(layer, "Option", type="Map")
    for key, value in properties.items():
        ET.SubElement(options, "Option", name=key, value=value, type="QString")
        ET.SubElement(layer, "prop", k=key, v=value)


def _sld(name: str, column: str | None, symbols: list[Symbol], kind: int) -> str:
    for prefix, space in (("se", SE), ("ogc", OGC), ("", SLD)):
        ET.register_namespace(prefix, space)
    root = ET.Element(f"{{{SLD}}}StyledLayerDescriptor", version="1.1.0")
    layer = ET.SubElement(root, f"{{{SLD}}}NamedLayer")
    ET.SubElement(layer, f"{{{SE}}}Name").text = name
    style = ET.SubElement(ET.SubElement(layer, f"{{{SLD}}}UserStyle"), f"{{{SE}}}FeatureTypeStyle")
    for symbol in symbols:
        rule = ET.SubElement(style, f"{{{SE}}}Rule")
        ET.SubElement(rule, f"{{{SE}}}Name").text = symbol.label
        if column is not None:
            equal = ET.SubElement(ET.SubElement(rule, f"{{{OGC}}}Filter"), f"{{{OGC}}}PropertyIsEqualTo")
            ET.SubElement(equal, f"{{{OGC}}}PropertyName").text = column
            ET.SubElement(equal, f"{{{OGC}}}Literal").text = symbol.value
        _sld_symbol(rule, symbol, kind)
    return ET.tostring(root, encoding="unicode")


def _sld_symbol(rule: ET.Element, symbol: Symbol, kind: int) -> None:
    pixels = 1.0 / 0.28  # SE 1.1.0, section 4.2: a pixel is 0.28 mm
    if kind == 0:
        graphic = ET.SubElement(ET.SubElement(rule, f"{{{SE}}}PointSymbolizer"), f"{{{SE}}}Graphic")
        mark = ET.SubElement(graphic, f"{{{SE}}}Mark")
        shape = "square" if symbol.marker == "diamond" else symbol.marker
        ET.SubElement(mark, f"{{{SE}}}WellKnownName").text = shape
        _sld_parameters(mark, "Fill", {"fill": symbol.colour})
        ET.SubElement(graphic, f"{{{SE}}}Size").text = f"{symbol.size_mm * pixels:.1f}"
        if symbol.marker == "diamond":
            rotation = ET.SubElement(graphic, f"{{{SE}}}Rotation")
            ET.SubElement(rotation, f"{{{OGC}}}Literal").text = "45"
        return
    stroke = {"stroke": symbol.colour, "stroke-width": f"{symbol.width_mm * pixels:.1f}"}
    if symbol.dash == "dash":
        stroke["stroke-dasharray"] = "8 4"
    symbolizer = ET.SubElement(rule, f"{{{SE}}}{('', 'Line', 'Polygon')[kind]}Symbolizer")
    if kind == 2 and symbol.fill:
        _sld_parameters(symbolizer, "Fill", {"fill": symbol.colour, "fill-opacity": f"{symbol.fill:g}"})
    _sld_parameters(symbolizer, "Stroke", stroke)


def _sld_parameters(parent: ET.Element, name: str, values: dict[str, str]) -> None:
    element = ET.SubElement(parent, f"{{{SE}}}{name}")
    for key, value in values.items():
        ET.SubElement(element, f"{{{SE}}}SvgParameter", name=key).text = value
