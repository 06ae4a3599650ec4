"""zones.geojson by RFC 7946: WGS 84, closed rings, right-hand rule, split at the antimeridian, bbox."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.permit import ZoneStudy
from corridor.publish.provenance import Stamp
from corridor.publish.tables import rows
from corridor.publish.zones_rows import ALL_CAUTIONS, bounding_box, harmless, zone_table


def write_zones_geojson(path: Path, study: ZoneStudy, stamp: Stamp, degrees: NDArray[np.object_]) -> None:
    """Write one feature per zone, one a line.

    Parameters
    ----------
    degrees : array (n,) of shapely geometries
        The zones' outlines in WGS 84 degrees (:func:`corridor.publish.zones_rows.outline_degrees`).
    """
    head: dict[str, Any] = {"type": "FeatureCollection"}
    box = bounding_box(degrees)
    if box is not None:
        head["bbox"] = box
    head |= {
        "provenance": stamp.as_dict(),
        "cautions": list(ALL_CAUTIONS),
        "notes": [harmless(note) for note in study.notes],
        "columns_left_out": [[harmless(part) for part in entry] for entry in study.left_out],
    }
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(_text(head)[:-1] + ',"features":[\n')
        for number, line in enumerate(_lines(study, degrees)):
            file.write((",\n" if number else "") + line)
        file.write("\n]}\n")


def _lines(study: ZoneStudy, degrees: NDArray[np.object_]) -> Iterator[str]:
    shapes = shapely.to_geojson(degrees)
    for zone, shape, properties in zip(study.zones, shapes, rows(zone_table(study.zones)), strict=True):
        properties["attributes"] = {harmless(k): _value(v) for k, v in zone.attributes.items()}
        yield f'{{"type":"Feature","id":{zone.number},"geometry":{shape},"properties":{_text(properties)}}}'


def _value(value: Any) -> Any:
    return harmless(value) if isinstance(value, str) else value


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
