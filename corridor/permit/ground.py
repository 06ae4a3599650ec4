"""Between ground metres and grid metres: the local frame of the projection.

Near a point any projection is an affine map from ground metres to grid metres.
A frame is its symmetric part, turned so that it has no rotation: it maps the
circle of one ground metre to what the grid shows of it. On conformal
projections it is the scale factor times the unit matrix; on others circles
become ellipses, and the frame says which. Frames come from geodesics of 100 m
either way (C. F. F. Karney 2013, *J. Geodesy* 87, as in PROJ), so that no
projection needs formulas of its own.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pyproj
from numpy.typing import ArrayLike, NDArray

from corridor.errors import InputError

HALF_STEP_M = 100.0


@lru_cache(maxsize=32)
def horizontal_crs(crs: str) -> pyproj.CRS:
    """The projected CRS itself, without the vertical part of a compound one."""
    system = pyproj.CRS.from_user_input(crs)
    return system.sub_crs_list[0] if system.is_compound else system


@lru_cache(maxsize=32)
def geodetic_transformer(crs: str) -> pyproj.Transformer:
    """Project grid -> longitude, latitude on the datum of `crs` itself: no datum shift."""
    system = horizontal_crs(crs)
    return pyproj.Transformer.from_crs(system, system.geodetic_crs, always_xy=True)


@lru_cache(maxsize=32)
def geod_of(crs: str) -> pyproj.Geod:
    """The ellipsoid of `crs`."""
    geod = horizontal_crs(crs).get_geod()
    if geod is None:
        raise InputError(f"crs {crs!r} has no ellipsoid; give a projected CRS such as 'EPSG:32740'")
    return geod


def to_geodetic(crs: str, easting_m: ArrayLike, northing_m: ArrayLike) -> tuple[NDArray, NDArray]:
    """Grid position (m) -> longitude, latitude (degrees) on the datum of `crs` itself."""
    lon, lat = geodetic_transformer(crs).transform(
        np.asarray(easting_m, float), np.asarray(northing_m, float)
    )
    return np.asarray(lon), np.asarray(lat)


def from_geodetic(crs: str, longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> tuple[NDArray, NDArray]:
    """Inverse of :func:`to_geodetic`."""
    e, n = geodetic_transformer(crs).transform(
        np.asarray(longitude_deg, float), np.asarray(latitude_deg, float), direction="INVERSE"
    )
    return np.asarray(e), np.asarray(n)


def local_frames(crs: str, easting_m: ArrayLike, northing_m: ArrayLike) -> NDArray[np.float64]:
    """Symmetric matrices (n, 2, 2) that turn ground metres into grid metres, without rotation.

    Parameters
    ----------
    crs : str
    easting_m, northing_m : array (n,), m
        Where; the frame holds near these points.
    """
    east = np.atleast_1d(np.asarray(easting_m, float))
    north = np.atleast_1d(np.asarray(northing_m, float))
    lon, lat = to_geodetic(crs, east, north)
    geod = geod_of(crs)
    frames = np.empty((len(east), 2, 2))
    step = np.full(len(east), HALF_STEP_M)
    for column, azimuth in enumerate((90.0, 0.0)):
        ahead = _walk(crs, geod, lon, lat, azimuth, step)
        behind = _walk(crs, geod, lon, lat, azimuth + 180.0, step)
        frames[:, :, column] = (ahead - behind) / (2.0 * HALF_STEP_M)
    return _unrotated(frames)


def _unrotated(jacobian: NDArray[np.float64]) -> NDArray[np.float64]:
    """The square root of ``J J^T``: the left factor of the polar decomposition.

    For a 2 x 2 matrix M, ``sqrt(M) = (M + s I) / sqrt(tr M + 2 s)`` with
    ``s = sqrt(det M)`` (Cayley-Hamilton, exact).
    """
    square = jacobian @ jacobian.transpose(0, 2, 1)
    root = np.sqrt(np.linalg.det(square))
    trace = square[:, 0, 0] + square[:, 1, 1]
    return (square + root[:, None, None] * np.eye(2)) / np.sqrt(trace + 2.0 * root)[:, None, None]


def _walk(crs: str, geod: pyproj.Geod, lon: NDArray, lat: NDArray, azimuth: float, step: NDArray) -> NDArray:
    lon2, lat2, _ = geod.fwd(lon, lat, np.full(len(lon), azimuth), step)
    return np.column_stack(from_geodetic(crs, lon2, lat2))


def scales(frames: NDArray[np.float64]) -> tuple[NDArray, NDArray]:
    """Least and largest grid metres per ground metre of any direction, (n,) each.

    The singular values of a 2 x 2 matrix in closed form.
    """
    a, b, c, d = frames[:, 0, 0], frames[:, 0, 1], frames[:, 1, 0], frames[:, 1, 1]
    same = np.hypot(a + d, c - b)
    other = np.hypot(a - d, c + b)
    return np.abs(same - other) / 2.0, (same + other) / 2.0


def frames_in_boxes(
    crs: str, boxes_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Frame at the middle of each box, how far the ground in it may differ, and its largest scale.

    Parameters
    ----------
    boxes_m : array (n, 4)
        West, south, east, north on the grid, m.

    Returns
    -------
    frames : array (n, 2, 2)
    spread : array (n,)
        A ground distance d from a point of the box measures at most
        ``(1 + spread) d`` in the frame: judged at middle and corners, where
        the scale of a projection is extreme in a small box.
    largest : array (n,)
        Largest grid metres per ground metre at those points.
    """
    west, south, east, north = boxes_m.T
    easting = np.concatenate([(west + east) / 2.0, west, east, west, east])
    northing = np.concatenate([(south + north) / 2.0, south, south, north, north])
    frames = local_frames(crs, easting, northing).reshape(5, len(boxes_m), 2, 2)
    inverse = np.linalg.inv(frames[0])
    stretch = np.stack([scales(inverse @ frame)[1] for frame in frames[1:]])
    largest = np.stack([scales(frame)[1] for frame in frames])
    return frames[0], np.maximum(stretch.max(axis=0) - 1.0, 0.0), largest.max(axis=0)
