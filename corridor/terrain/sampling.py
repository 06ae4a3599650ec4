"""Depth and slope of the seabed at positions, from the finest data there."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.kernels.sampling import fill_depth, fill_slopes
from corridor.model.seabed import Seabed


def depth_at(seabed: Seabed, easting_m: ArrayLike, northing_m: ArrayLike) -> tuple[NDArray, NDArray, NDArray]:
    """Depth at positions, bilinear between cell centres, on the first surface that covers each.

    A surface covers a position when every cell that the interpolation weighs
    holds data: within half a cell of a hole, or of the raster's edge, the next
    surface counts.

    Parameters
    ----------
    seabed : Seabed
    easting_m, northing_m : array-like of one shape, m

    Returns
    -------
    depth_m : array, m, positive down; NaN where no surface covers the position
    surface : array of int16, index into ``seabed.surfaces``; -1 where none
    cell_m : array, m, cell size of that surface; NaN where none
    """
    east, north = np.broadcast_arrays(np.asarray(easting_m, float), np.asarray(northing_m, float))
    shape = east.shape
    east, north = np.ascontiguousarray(east).ravel(), np.ascontiguousarray(north).ravel()
    depth = np.full(east.size, np.nan)
    source = np.full(east.size, -1, dtype=np.int16)
    for index, surface in enumerate(seabed.surfaces):
        grid = surface.grid
        fill_depth(
            surface.depth_m,
            grid.west_m,
            grid.north_m,
            grid.cell_m,
            np.int16(index),
            east,
            north,
            depth,
            source,
        )
    sizes = np.array([surface.grid.cell_m for surface in seabed.surfaces] + [np.nan])
    return depth.reshape(shape), source.reshape(shape), sizes[source].reshape(shape)


def slopes_at(
    seabed: Seabed,
    easting_m: ArrayLike,
    northing_m: ArrayLike,
    bearing_rad: ArrayLike,
    baseline_m: float,
) -> tuple[NDArray, NDArray]:
    """Tangents of the seabed's slope along and across a bearing, averaged over a baseline.

    Differences of elevation between the ends of a baseline centred on the
    position, divided by its length. Both ends are read from the same surface,
    the first that covers both, so that the step at a seam between surveys is
    not taken for a slope; where none does, from the first that covers each.

    Parameters
    ----------
    seabed : Seabed
    easting_m, northing_m, bearing_rad : array-like of one shape
        Bearing clockwise from grid north.
    baseline_m : float, m

    Returns
    -------
    along, across : array
        Tangents; along positive where the seabed rises ahead, across positive
        where it rises to the right. NaN where an end lies on no surface.
    """
    east, north, bearing = np.broadcast_arrays(
        np.asarray(easting_m, float), np.asarray(northing_m, float), np.asarray(bearing_rad, float)
    )
    shape = east.shape
    east, north, bearing = (np.ascontiguousarray(a).ravel() for a in (east, north, bearing))
    along = np.full(east.size, np.nan)
    across = np.full(east.size, np.nan)
    for surface in seabed.surfaces:
        grid = surface.grid
        fill_slopes(
            surface.depth_m,
            grid.west_m,
            grid.north_m,
            grid.cell_m,
            east,
            north,
            bearing,
            float(baseline_m),
            along,
            across,
        )
    if len(seabed.surfaces) > 1:
        _across_seams(seabed, east, north, bearing, float(baseline_m), along, across)
    return along.reshape(shape), across.reshape(shape)


def _across_seams(
    seabed: Seabed,
    east: NDArray,
    north: NDArray,
    bearing: NDArray,
    baseline_m: float,
    along: NDArray,
    across: NDArray,
) -> None:
    """Fill what is still NaN from the first surface that covers each end by itself."""
    half_e, half_n = 0.5 * baseline_m * np.sin(bearing), 0.5 * baseline_m * np.cos(bearing)
    for tangent, step_e, step_n in ((along, half_e, half_n), (across, half_n, -half_e)):
        p = np.flatnonzero(np.isnan(tangent))
        if p.size:
            behind, _, _ = depth_at(seabed, east[p] - step_e[p], north[p] - step_n[p])
            ahead, _, _ = depth_at(seabed, east[p] + step_e[p], north[p] + step_n[p])
            tangent[p] = (behind - ahead) / baseline_m
