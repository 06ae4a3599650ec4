"""route.dxf: the line with true arcs for CAD, on named layers, in project CRS metres."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.alignment import Alignment
from corridor.model.results import Study
from corridor.publish.features import layer_tables, result_tables
from corridor.publish.palette import OTHER_ROUTES, ROUTE, VERDICT_COLOURS, rgb, rule_colour, verdict_class
from corridor.publish.provenance import Stamp
from corridor.publish.tables import rows
from corridor.routing.geometry import bends, elements

TEXT_HEIGHT_M = 25.0
SPAN_TEXT_HEIGHT_M = 5.0
GREY = "#7d828a"  # reads on white paper and on a black screen
LONGEST_TEXT = 250
"""Characters of one DXF text line that every reader accepts (group code 1)."""


def write_dxf(path: Path, study: Study, stamp: Stamp) -> None:
    """Write the centreline as lightweight polylines with bulges, points, crossings, spans and layers.

    DXF R2010 in metres. A bulge is ``tan(turn / 4)``, positive to the left
    (DXF reference, group code 42). Names keep their characters where DXF
    allows them.
    """
    import ezdxf  # an optional extra: only this file needs it

    ezdxf.options.write_fixed_meta_data_for_testing = True  # same study, same file
    drawing = ezdxf.new("R2010", setup=False)
    drawing.units = 6  # metres ($INSUNITS)
    drawing.header["$PROJECTNAME"] = _text(study.project.name)
    drawing.header.custom_vars.append("corridor", _text(stamp.line()))
    drawing.header.custom_vars.append("crs", _text(stamp.crs))
    drawing.header.custom_vars.append("vertical_datum", _text(stamp.vertical_datum))
    for file, digest in stamp.inputs:
        drawing.header.custom_vars.append(_text(f"input {file}"), digest)
    model = drawing.modelspace()
    _lines(drawing, model, study)
    _points(drawing, model, study)
    _project_layers(drawing, model, study)
    drawing.saveas(path, encoding="utf-8")


def bulge_vertices(alignment: Alignment) -> NDArray[np.float64]:
    """(n, 3) easting, northing, bulge of a polyline that is the alignment exactly."""
    line = elements(alignment)
    bulge = -np.tan(line.curvature_1_m * line.length_m / 4.0)  # curvature is positive to the right
    ends = np.array([[alignment.easting_m[-1], alignment.northing_m[-1], 0.0]])
    return np.vstack([np.column_stack([line.start_easting_m, line.start_northing_m, bulge]), ends])


def layer_name(words: str, taken: Iterable[str] = ()) -> str:
    """A DXF layer name: the characters that DXF forbids become ``_``, no two alike whatever the case."""
    name = re.sub(r'[<>/\\":;?*|=`,\x00-\x1f\x7f]', "_", words).strip()[:200] or "unnamed"
    used = {other.lower() for other in taken}
    candidate, number = name, 1
    while candidate.lower() in used:
        number += 1
        candidate = f"{name} {number}"
    return candidate


def _layer(drawing, name: str, colour: str) -> str:
    unique = layer_name(name, [layer.dxf.name for layer in drawing.layers])
    drawing.layers.add(unique, true_color=(rgb(colour)[0] << 16) + (rgb(colour)[1] << 8) + rgb(colour)[2])
    return unique


def _lines(drawing, model, study: Study) -> None:
    drawing_lines = [("CENTRELINE", study.alignment, ROUTE)]
    for number, (name, line) in enumerate(study.others.items()):
        drawing_lines.append((f"OTHER {name}", line, OTHER_ROUTES[number % len(OTHER_ROUTES)]))
    for name, line, colour in drawing_lines:
        layer = _layer(drawing, name, colour)
        model.add_lwpolyline(bulge_vertices(line), format="xyb", dxfattribs={"layer": layer})
    tangents = _layer(drawing, "TANGENTS", GREY)
    points = np.column_stack([study.alignment.easting_m, study.alignment.northing_m])
    model.add_lwpolyline(points, dxfattribs={"layer": tangents})


def _points(drawing, model, study: Study) -> None:
    assessed = study.assessment
    ip_layer = _layer(drawing, "IP", ROUTE)
    deflections = np.degrees(bends(study.alignment).deflection_rad)
    for entry, turn in zip(rows(assessed.points), deflections, strict=True):
        words = entry["point"]
        if entry["radius_m"] is not None:
            words += f" R {entry['radius_m']:.4f} m, {abs(turn):.4f} deg {'right' if turn > 0 else 'left'}"
        _mark(model, ip_layer, entry["easting_m"], entry["northing_m"], words)
    kp_layer = _layer(drawing, "KP", GREY)
    for entry in rows(assessed.chainage):
        words = (
            f"KP {entry['kp_km']:.3f}"
            if entry["event"] in (None, "")
            else f"KP {entry['kp_km']:.3f} {entry['event']}"
        )
        _mark(model, kp_layer, entry["easting_m"], entry["northing_m"], words)
    crossing_layer = _layer(drawing, "CROSSINGS", rule_colour("cross"))
    for entry in rows(assessed.crossings):
        words = f"{entry['layer']}: {entry['feature']}, KP {entry['kp_km']:.3f}"
        _mark(model, crossing_layer, entry["easting_m"], entry["northing_m"], words)
    for table in result_tables(study):
        if table.kind == "spans" and table.geometry is not None:
            _spans(drawing, model, table)


def _spans(drawing, model, table) -> None:
    layers: dict[str, str] = {}
    for entry, shape in zip(rows(table.columns), table.geometry, strict=True):
        if not entry["governs"]:
            continue
        verdict = str(entry["verdict"])
        if verdict not in layers:
            layers[verdict] = _layer(drawing, f"SPANS {verdict}", VERDICT_COLOURS[verdict_class(verdict)])
        coordinates = shapely.get_coordinates(shape)
        model.add_lwpolyline(coordinates, dxfattribs={"layer": layers[verdict]})
        words = f"span {entry['span']}, {entry['length_m']:.3f} m"
        _text_at(model, layers[verdict], coordinates[0][0], coordinates[0][1], words, SPAN_TEXT_HEIGHT_M)


def _project_layers(drawing, model, study: Study) -> None:
    for table in layer_tables(study):
        name = _layer(drawing, table.name, rule_colour(table.kind.split(":", 1)[1]))
        names = np.asarray(table.columns["feature"])
        for feature, shape in zip(names, () if table.geometry is None else table.geometry, strict=True):
            for part in shapely.get_parts(shape):
                _shape(model, name, part)
            place = shapely.get_coordinates(shapely.point_on_surface(shape))[0]
            _text_at(model, name, place[0], place[1], str(feature))


def _shape(model, layer: str, part) -> None:
    attributes = {"layer": layer}
    if part.geom_type == "Point":
        model.add_point((part.x, part.y), dxfattribs=attributes)
    elif part.geom_type in ("LineString", "LinearRing"):
        model.add_lwpolyline(shapely.get_coordinates(part), dxfattribs=attributes)
    elif part.geom_type == "Polygon":
        for ring in (part.exterior, *part.interiors):
            model.add_lwpolyline(shapely.get_coordinates(ring)[:-1], close=True, dxfattribs=attributes)
    else:
        for piece in part.geoms:
            _shape(model, layer, piece)


def _mark(model, layer: str, easting: float, northing: float, words: str) -> None:
    model.add_point((easting, northing), dxfattribs={"layer": layer})
    _text_at(model, layer, easting, northing, words)


def _text_at(
    model, layer: str, easting: float, northing: float, words: str, height_m: float = TEXT_HEIGHT_M
) -> None:
    place = (easting + height_m / 2.0, northing + height_m / 2.0)
    attributes = {"layer": layer, "insert": place, "height": height_m}
    model.add_text(_text(words), dxfattribs=attributes)


def _text(words: str) -> str:
    """One line without control characters; ``%%`` and ``^`` are DXF's own signs and are broken up."""
    line = re.sub(r"[\x00-\x1f\x7f]+", " ", str(words)).replace("%%", "% %").replace("^", "^ ")
    return line if len(line) <= LONGEST_TEXT else line[: LONGEST_TEXT - 1] + "…"
