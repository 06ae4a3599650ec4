"""What every file about zones shares: its columns, its words, its cautions, text made harmless."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.assess.cautions import CAUTIONS
from corridor.model.permit import ZONE_CAUTIONS, Zone, ZoneStudy
from corridor.model.results import Table
from corridor.permit.lonlat import LONGEST_M, cut_edges, longest_edge_m, to_lonlat
from corridor.routing.geodesy import to_wgs84

ALL_CAUTIONS = (*CAUTIONS, *ZONE_CAUTIONS)

LONGEST_SHOWN = 120
"""Names on maps, sheets and lists are cut to this many characters; data files hold all of them."""

_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]|[\ud800-\udfff]")
_DIRECTION = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_SPACE = re.compile(r"\s+")

TABLE_TITLES = {
    "conditions": "Conditions",
    "stretches": "Stretches inside zones",
    "overlap": "Working corridor inside zones",
    "approach": "Nearest approach to zones",
    "jurisdiction": "Jurisdictions along the line",
    "parties": "Affected parties",
}


def harmless(text: Any) -> str:
    """Text that XML and UTF-8 can hold: control characters and half surrogates replaced."""
    return _CONTROL.sub("\ufffd", str(text))


def shown(text: Any, most: int = LONGEST_SHOWN) -> str:
    """One line of text for people: no control or direction-changing characters, cut to `most`."""
    line = _SPACE.sub(" ", _DIRECTION.sub("", harmless(text))).strip()
    return line if len(line) <= most else line[: most - 1] + "\u2026"


def zone_table(zones: Sequence[Zone]) -> Table:
    """One row per zone, every column of the list."""
    numbers = ("buffer_m", "standoff_m", "uncertainty_m", "lay_tolerance_m", "area_m2", "perimeter_m")
    words = (
        "activity",
        "season",
        "season_start",
        "season_end",
        "valid_from",
        "valid_to",
        "legal_basis",
        "authority",
    )
    table: dict[str, NDArray] = {"zone": np.array([zone.number for zone in zones], dtype=np.int64)}

    def add(column: str, values: list[Any], kind: type = object) -> None:
        table[column] = np.array(values, dtype=kind)

    for name in ("id", "layer", "feature", "kind", "rule"):
        add(name, [harmless(getattr(zone, name)) for zone in zones])
    add("in_force", [zone.active for zone in zones], bool)
    for name in words:
        add(name, [harmless(getattr(zone, name)) for zone in zones])
    add("needs_consent", [zone.needs_consent for zone in zones], bool)
    for name in numbers:
        add(name, [getattr(zone, name) for zone in zones], float)
    for column, name in (("source_file", "file"), ("source_table", "table"), ("source_id", "source_id")):
        add(column, [harmless(getattr(zone, name)) for zone in zones])
    add("source_date", [harmless(zone.source_date) for zone in zones])
    add("attributes", [attributes_text(zone.attributes) for zone in zones])
    return table


def attributes_text(attributes: Mapping[str, Any]) -> str:
    """Published attributes as JSON text; empty where there are none."""
    if not attributes:
        return ""
    return harmless(json.dumps(dict(attributes), ensure_ascii=False, allow_nan=False))


def degrees_of(study: ZoneStudy, geometries: Sequence[Any]) -> NDArray[np.object_]:
    """Geometries of the project grid for files in degrees: WGS 84, oriented, split at the antimeridian."""
    shapes = np.empty(len(geometries), dtype=object)
    shapes[:] = geometries
    return to_lonlat(study.crs, cut_edges(shapes, LONGEST_M))


def outline_degrees(study: ZoneStudy) -> NDArray[np.object_]:
    """The published outlines in degrees, edges cut so that they contain the zones drawn in degrees too."""
    shapes = np.empty(len(study.zones), dtype=object)
    shapes[:] = [zone.outline for zone in study.zones]
    west, south, east, north = shapely.bounds(shapes).reshape(-1, 4).T
    _, latitude = to_wgs84(study.crs, (west + east) / 2.0, (south + north) / 2.0)
    buffer = np.array([zone.buffer_m for zone in study.zones])
    return to_lonlat(study.crs, cut_edges(shapes, longest_edge_m(buffer, latitude)))


def bounding_box(shapes: NDArray[np.object_]) -> list[float] | None:
    """``bbox`` of RFC 7946, section 5: west > east where it crosses the antimeridian; None without shapes."""
    parts = shapely.get_parts(shapes)
    if not len(parts):
        return None
    west, south, east, north = shapely.bounds(parts).T
    order = np.argsort(west)
    reached = np.maximum.accumulate(east[order])
    # The box leaves out the widest gap between longitudes; the gap across 180 degrees is one of them.
    gaps = np.append(west[order][1:] - reached[:-1], west.min() + 360.0 - reached[-1])
    widest = int(np.argmax(gaps))
    low = west[order][(widest + 1) % len(parts)]
    return [float(low), float(south.min()), float(reached[widest]), float(north.max())]
