"""KP of any point, and the length of the line on the ellipsoid."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.kernels.chainage import nearest_stations
from corridor.routing.geodesy import smooth_length_m
from corridor.routing.geometry import Elements, at_station, cut


def station_of(line: Elements, easting_m: ArrayLike, northing_m: ArrayLike) -> tuple[NDArray, NDArray]:
    """Chainage and offset of positions: the nearest point on the line, exact on straights and arcs.

    Parameters
    ----------
    line : Elements
    easting_m, northing_m : array-like of one shape, m

    Returns
    -------
    station_m : array, m
        Chainage of the nearest point, 0 before START, the whole length beyond END. KP in km
        is ``station_m / 1000``. Of equally near points the first along the line counts.
    offset_m : array, m
        Distance to that point, positive to the right of the line seen along increasing KP.
    """
    east, north = np.broadcast_arrays(np.asarray(easting_m, float), np.asarray(northing_m, float))
    station = np.empty(east.size)
    offset = np.empty(east.size)
    nearest_stations(
        np.ascontiguousarray(east).ravel(),
        np.ascontiguousarray(north).ravel(),
        line_array(line),
        station,
        offset,
    )
    return station.reshape(east.shape), offset.reshape(east.shape)


def line_array(line: Elements) -> NDArray[np.float64]:
    """The elements as one array (6, m): easting, northing, bearing, length, station, curvature."""
    return np.stack(
        [
            line.start_easting_m,
            line.start_northing_m,
            line.bearing_rad,
            line.length_m,
            line.station_m,
            line.curvature_1_m,
        ]
    )


def ellipsoidal_length_m(crs: str, line: Elements) -> float:
    """Length of the line on the ellipsoid of `crs`, m; agrees with the integral of ds / scale.

    Chords of at most 1 km, and a twentieth of the radius on arcs, corrected to
    below 1 mm per 100 km (see :func:`corridor.routing.geodesy.smooth_length_m`).
    """
    longest = np.minimum(1000.0, 0.05 / np.maximum(np.abs(line.curvature_1_m), 1e-9))
    pairs = np.maximum(np.ceil(line.length_m / longest), 1.0).astype(np.int64)
    easting, northing, _ = at_station(line, cut(line, 2 * pairs))
    return smooth_length_m(crs, easting, northing)
