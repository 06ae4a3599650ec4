"""Soundings in LAS and LAZ point clouds."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import laspy
import lazrs
import numpy as np
from laspy.errors import LaspyException
from pyproj import CRS
from pyproj.exceptions import CRSError

from corridor.errors import SeabedError
from corridor.io.crs import horizontal, label, vertical_name
from corridor.model.survey import RawSoundings

BATCH_POINTS = 1_000_000

NOISE_CLASSES = (7, 18)
"""Low and high noise (ASPRS LAS specification 1.4, table of classes; from memory)."""

_DAMAGED = (LaspyException, lazrs.LazrsError, OSError, ValueError)


def look_at(path: Path) -> tuple[str | None, str, str | None]:
    """(horizontal CRS, vertical datum or "", "depth" / "elevation" or None) as far as the file says.

    The sign is said only by a compound CRS, whose vertical axis points up or down.
    """
    try:
        with laspy.open(path) as reader:
            if reader.header.point_count == 0:
                raise SeabedError(f"{path.name} is empty; give a file with soundings")
            crs = reader.header.parse_crs()
    except CRSError as error:
        raise SeabedError(f"{path.name} has a CRS that cannot be understood ({error}); state crs") from error
    except _DAMAGED as error:
        raise SeabedError(f"{path.name} is not a readable LAS or LAZ file: {error}; copy it again") from error
    if crs is None:
        return None, "", None
    crs = CRS.from_user_input(crs)
    code = label(crs)
    return code if code.startswith("EPSG:") else horizontal(crs).to_wkt(), vertical_name(crs), _sign(crs)


def _sign(crs: CRS) -> str | None:
    if not crs.is_compound:
        return None
    direction = crs.sub_crs_list[1].axis_info[0].direction
    return {"up": "elevation", "down": "depth"}.get(direction)


def read_las(path: Path, nodata: float | None, lines: list[str]) -> Iterator[RawSoundings]:
    """Stream a file in batches of a million points; points withheld or classed as noise are left out.

    The point source ID is the survey line.
    """
    lines.clear()
    codes: dict[int, int] = {}
    try:
        with laspy.open(path) as reader:
            for points in reader.chunk_iterator(BATCH_POINTS):
                good = ~np.isin(np.asarray(points.classification), NOISE_CLASSES) & (
                    np.asarray(points.withheld) == 0
                )
                x, y, z = (
                    np.asarray(axis, dtype=np.float64)[good] for axis in (points.x, points.y, points.z)
                )
                if nodata is not None:
                    z = np.where(z == nodata, np.nan, z)
                sources = np.asarray(points.point_source_id)[good]
                known, index = np.unique(sources, return_inverse=True)
                for source in known.tolist():
                    if source not in codes:
                        codes[source] = len(lines)
                        lines.append(f"{path.name} source {source}")
                table = np.array([codes[source] for source in known.tolist()], dtype=np.int32)
                yield RawSoundings(x, y, z, None, table[index] if len(index) else np.empty(0, np.int32))
    except _DAMAGED as error:
        raise SeabedError(f"{path.name} cannot be read to its end: {error}; copy it again") from error
