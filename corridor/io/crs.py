"""Coordinate reference systems: which ones fit a project, and the way between two of them."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pyproj
from numpy.typing import ArrayLike, NDArray
from pyproj.exceptions import CRSError, ProjError

from corridor.errors import InputError

MAX_SCALE_ERROR = 0.01
"""A CRS that stretches or shrinks lengths by more than this has no place in a pipeline project."""

SAME_GROUND_M = 1e-3
"""Two CRS that agree to this distance are taken as one."""


def read_crs(text: str) -> pyproj.CRS:
    """CRS from an EPSG code, WKT or PROJ text; :class:`InputError` when nobody knows it."""
    try:
        return pyproj.CRS.from_user_input(text)
    except CRSError as error:
        raise InputError(
            f"crs {text!r} is not known ({_first_line(error)}); give an EPSG code such as 'EPSG:32740'"
        ) from error


def horizontal(crs: pyproj.CRS) -> pyproj.CRS:
    """The horizontal part of a compound or three-dimensional CRS, or the CRS itself."""
    if crs.is_compound:
        return horizontal(crs.sub_crs_list[0])
    return crs.to_2d() if len(crs.axis_info) > 2 else crs


def vertical_name(crs: pyproj.CRS) -> str:
    """Name of the vertical part of a compound CRS; '' when there is none or it says nothing."""
    if not crs.is_compound:
        return ""
    name = crs.sub_crs_list[1].name
    return "" if name.casefold() in ("", "unknown", "unnamed") else str(name)


def label(crs: pyproj.CRS) -> str:
    """Short name for messages: the EPSG code when there is one, else the name."""
    code = horizontal(crs).to_epsg()
    return f"EPSG:{code}" if code else crs.name


def project_crs_faults(text: str, where: str, near: tuple[float, float] | None = None) -> list[str]:
    """Why a CRS cannot carry a project; empty when it can.

    Parameters
    ----------
    text : str
        Value of ``[project] crs``.
    where : str
        Named in the messages.
    near : (float, float), optional
        A position of the project in that CRS, used to propose a better one.
    """
    try:
        crs = read_crs(text)
    except InputError as error:
        return [f"{fault}: {where}" for fault in error.faults]
    requirement = "crs must be projected, in metres, with eastings to the east"
    if crs.is_compound:
        return [f"{requirement}, without a vertical part (got {text!r}): {where}; give {label(crs)!r}"]
    remedy = f"use {_utm_hint(crs, near)}"
    if crs.is_geographic:
        return [f"{requirement} (got {text!r}, degrees): {where}; {remedy}"]
    if not crs.is_projected or len(crs.axis_info) < 2:
        return [f"{requirement} (got {text!r}, {crs.type_name}): {where}; {remedy}"]
    units = {axis.unit_name for axis in crs.axis_info[:2]}
    factors = [axis.unit_conversion_factor for axis in crs.axis_info[:2]]
    if any(abs(factor - 1.0) > 1e-12 for factor in factors):
        return [f"{requirement} (got {text!r}, in {', '.join(sorted(units))}): {where}; {remedy}"]
    if any(axis.direction == "west" for axis in crs.axis_info[:2]):
        return [f"{requirement} (got {text!r}, whose axes point west and south): {where}; {remedy}"]
    return []


def _utm_hint(crs: pyproj.CRS, near: tuple[float, float] | None) -> str:
    """The UTM zone of a position given in `crs`, in words."""
    fallback = "the UTM zone of the site, for example 'EPSG:32740' for zone 40 south"
    if near is None or not (crs.is_geographic or crs.is_projected):
        return fallback
    to_degrees = pyproj.Transformer.from_crs(horizontal(crs), "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(*near)
    if not (math.isfinite(lon) and math.isfinite(lat) and abs(lon) <= 180.0 and abs(lat) <= 90.0):
        return fallback
    return f"the UTM zone of the site, 'EPSG:{utm_code(lon, lat)}'"


def utm_code(longitude_deg: float, latitude_deg: float) -> int:
    """EPSG code of the WGS 84 / UTM zone of a position: 326zz north, 327zz south (EPSG registry)."""
    zone = int((longitude_deg + 180.0) // 6.0) % 60 + 1
    return (32600 if latitude_deg >= 0.0 else 32700) + zone


@lru_cache(maxsize=64)
def _transformer(source_wkt: str, target_wkt: str) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(source_wkt, target_wkt, always_xy=True, allow_ballpark=False)


def transformer(source: pyproj.CRS, target: pyproj.CRS) -> pyproj.Transformer:
    """Way from one horizontal CRS to another, x east and y north on both sides.

    Raises
    ------
    InputError
        When the datum shift between them is not known: a guess could be off by
        hundreds of metres.
    """
    try:
        return _transformer(horizontal(source).to_wkt(), horizontal(target).to_wkt())
    except ProjError as error:
        raise InputError(
            f"no known transformation from {label(source)} ({source.name}) to {label(target)}; "
            "convert the file to the project CRS with software that knows the datum shift"
        ) from error


def is_same(source: pyproj.CRS, target: pyproj.CRS, x: ArrayLike, y: ArrayLike) -> bool:
    """True when positions x, y mean the same place in both CRS, to :data:`SAME_GROUND_M`.

    Two descriptions of one CRS often differ in wording; what counts is where
    the positions come out.
    """
    source, target = horizontal(source), horizontal(target)
    if source.equals(target, ignore_axis_order=True):
        return True
    if not source.is_projected:
        return False
    east, north = np.asarray(x, float), np.asarray(y, float)
    e, n = (np.asarray(v) for v in transformer(source, target).transform(east, north))
    return bool(np.all(np.hypot(e - east, n - north) < SAME_GROUND_M))


def outline(west: float, south: float, east: float, north: float, count: int = 33) -> NDArray[np.float64]:
    """Points (n, 2) along the edges of a box, `count` on each."""
    t = np.linspace(0.0, 1.0, count)
    x, y = west + (east - west) * t, south + (north - south) * t
    edges = [
        np.column_stack(pair)
        for pair in (
            (x, np.full(count, south)),
            (x, np.full(count, north)),
            (np.full(count, west), y),
            (np.full(count, east), y),
        )
    ]
    return np.concatenate(edges)


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0].strip() if str(error) else type(error).__name__
