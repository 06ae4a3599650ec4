"""Between the project grid and the ellipsoid: positions, scale, convergence, lengths.

Positions for people are WGS 84 longitude and latitude. Scale, convergence and
lengths refer to the ellipsoid of the project CRS itself, so that no datum
transformation enters them.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pyproj
from numpy.typing import ArrayLike, NDArray

from corridor.errors import InputError


@lru_cache(maxsize=32)
def _horizontal(crs: str) -> pyproj.CRS:
    """The projected CRS itself, without the vertical part of a compound one."""
    system = pyproj.CRS.from_user_input(crs)
    return system.sub_crs_list[0] if system.is_compound else system


@lru_cache(maxsize=32)
def _projection(crs: str) -> pyproj.Proj:
    return pyproj.Proj(_horizontal(crs))


@lru_cache(maxsize=32)
def _ellipsoid(crs: str) -> pyproj.Geod:
    geod = _horizontal(crs).get_geod()
    if geod is None:
        raise InputError(f"{crs} has no ellipsoid: [project] crs must be a projected CRS on the Earth")
    return geod


@lru_cache(maxsize=32)
def _to_wgs84(crs: str) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(_horizontal(crs), "EPSG:4326", always_xy=True)


def to_wgs84(crs: str, easting_m: ArrayLike, northing_m: ArrayLike) -> tuple[NDArray, NDArray]:
    """Grid position (m) -> WGS 84 longitude, latitude (degrees), arrays of the same shape."""
    lon, lat = _to_wgs84(crs).transform(np.asarray(easting_m, float), np.asarray(northing_m, float))
    return np.asarray(lon), np.asarray(lat)


def from_wgs84(crs: str, longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> tuple[NDArray, NDArray]:
    """WGS 84 longitude, latitude (degrees) -> grid easting, northing (m)."""
    e, n = _to_wgs84(crs).transform(
        np.asarray(longitude_deg, float), np.asarray(latitude_deg, float), direction="INVERSE"
    )
    return np.asarray(e), np.asarray(n)


def _factor(crs: str, name: str, easting_m: ArrayLike, northing_m: ArrayLike) -> NDArray[np.float64]:
    """One of the projection's factors at grid positions."""
    east, north = np.broadcast_arrays(np.asarray(easting_m, float), np.asarray(northing_m, float))
    if east.size == 0:
        return np.empty(east.shape)
    projection = _projection(crs)
    lon, lat = projection(east.ravel(), north.ravel(), inverse=True)
    factors = projection.get_factors(lon, lat, radians=False, errcheck=False)
    return np.asarray(getattr(factors, name), dtype=float).reshape(east.shape)


def scale_factor(crs: str, easting_m: ArrayLike, northing_m: ArrayLike) -> NDArray[np.float64]:
    """Grid metres per ground metre at grid positions; array of their shape.

    The largest scale of any direction: on conformal projections (UTM and all
    others in use for engineering) there is only one. A ground distance times
    this is never too short on the grid.
    """
    return _factor(crs, "tissot_semimajor", easting_m, northing_m)


def convergence_deg(crs: str, easting_m: ArrayLike, northing_m: ArrayLike) -> NDArray[np.float64]:
    """Grid convergence, degrees: true bearing = grid bearing + convergence.

    Positive where grid north lies east (clockwise) of true north.
    """
    return _factor(crs, "meridian_convergence", easting_m, northing_m)


def geodesic_steps_m(crs: str, easting_m: ArrayLike, northing_m: ArrayLike) -> NDArray[np.float64]:
    """Geodesic distance from each grid position to the next, m, on the ellipsoid of `crs`.

    Source: C. F. F. Karney 2013, *J. Geodesy* 87 (as in PROJ).
    """
    lon, lat = _projection(crs)(np.asarray(easting_m, float), np.asarray(northing_m, float), inverse=True)
    _, _, steps = _ellipsoid(crs).inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    return np.asarray(steps)


def smooth_length_m(crs: str, easting_m: ArrayLike, northing_m: ArrayLike) -> float:
    """Length on the ellipsoid of a smooth line through grid positions, m.

    Every position with an odd index must lie halfway, by grid length, between
    its neighbours. A chord of length c is short by ``c**3 k**2 / 24`` (k the
    curvature), so that a quarter of the shortfall remains when chords are
    halved, and ``(4 fine - coarse) / 3`` removes it (Richardson's extrapolation).
    Works for any projection.
    """
    east, north = np.asarray(easting_m, float), np.asarray(northing_m, float)
    fine = geodesic_steps_m(crs, east, north).sum()
    coarse = geodesic_steps_m(crs, east[::2], north[::2]).sum()
    return float((4.0 * fine - coarse) / 3.0)
