"""Things that stand on the seabed, and pits in it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.kernels.survey_relief import background, local_planes
from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.model.survey import MEASURED, Contact, SurveySettings, SurveySurface
from corridor.progress import Progress, silent
from corridor.survey import regions
from corridor.survey.existing import row_blocks
from corridor.survey.s44 import SIGMA_TO_95, feature_size_m

SAMPLES_PER_SIDE = 13
"""Samples across a window for the local surface: enough for a median, few enough to be quick."""

LEAST_WINDOW_M = 60.0
LEAST_WINDOW_CELLS = 15

NOISE_ALLOWANCE = 3.0
"""Standard deviations of noise by which the shoalest of a cell's soundings may stand out by chance."""

StationOf = Callable[[NDArray, NDArray], tuple[NDArray, NDArray]]
"""(easting, northing) -> (station m, offset m) on the line."""


@dataclass(frozen=True, slots=True, eq=False)
class Relief:
    """The local surface: what the seabed would be without small things on it, m, NaN where unknown."""

    seabed_m: NDArray[np.float32]
    window_m: float


def local_surface(surface: SurveySurface, settings: SurveySettings, progress: Progress = silent) -> Relief:
    """Robust surface from planes through windows of ``contact_window_m``.

    In each window the median slopes are taken off and the median kept, so that
    anything that covers less than half of it does not show.
    """
    grid = surface.grid
    window = settings.contact_window_m or max(LEAST_WINDOW_M, LEAST_WINDOW_CELLS * grid.cell_m)
    half = SAMPLES_PER_SIDE // 2
    stride = max(1, round(window / grid.cell_m / (2 * half)))
    step = stride * 2
    planes = np.empty(((grid.rows - 1) // step + 2, (grid.cols - 1) // step + 2, 3))
    band = max(1, 100_000 // planes.shape[1])
    for top in range(0, len(planes), band):
        # A band of nodes at a time, so that the caller hears of progress and can stop.
        local_planes(surface.depth_m, half, stride, step, top * step, planes[top : top + band])
        progress("looking for objects", min(top + band, len(planes)) / len(planes))
    seabed = np.empty(grid.shape, dtype=np.float32)
    for rows in row_blocks(grid):
        background(planes, step, rows.start, seabed[rows])
    return Relief(seabed, 2 * half * stride * grid.cell_m)


def find(
    surface: SurveySurface,
    sigma: float,
    relief: Relief,
    settings: SurveySettings,
    layers: Iterable[Layer] = (),
    station_of: StationOf | None = None,
) -> tuple[Contact, ...]:
    """Objects and pits, the tallest object first.

    A cell belongs to a contact when its depth stands out of the local surface
    by half the least height or more; a patch of such cells counts when in one of
    them the depth stands out by the whole of it, or the shoalest (deepest)
    sounding does by three standard deviations of the noise more.
    """
    layers = tuple(layers)
    found: list[Contact] = []
    for kind, sign, limit in (
        ("object", 1.0, settings.contact_height_m),
        ("pit", -1.0, settings.pit_depth_m or settings.contact_height_m),
    ):
        clusters = _clusters(surface, relief, sigma, sign, limit, settings)
        found += [_contact(kind, sign, surface, relief, sigma, *cluster) for cluster in clusters]
    found = [contact for contact in found if contact.length_m <= settings.contact_max_length_m]
    found.sort(key=lambda c: (c.kind != "object", -c.height_m, c.easting_m, c.northing_m))
    return tuple(
        _placed(contact, number + 1, layers, settings, station_of) for number, contact in enumerate(found)
    )


def _clusters(
    surface: SurveySurface,
    relief: Relief,
    sigma: float,
    sign: float,
    limit: float | None,
    settings: SurveySettings,
) -> list[tuple[tuple[slice, slice], NDArray[np.bool_]]]:
    """Windows and masks of the patches that stand out enough; `limit` None: the order's feature size."""
    part, seed = (np.zeros(surface.grid.shape, dtype=bool) for _ in range(2))
    extremes = surface.shoalest_m if sign > 0 else surface.deepest_m
    for rows in row_blocks(surface.grid):
        depth, around = surface.depth_m[rows], relief.seabed_m[rows]
        least = np.float32(limit) if limit is not None else feature_size_m(settings.order, depth)
        with np.errstate(invalid="ignore"):
            proud = np.float32(sign) * (around - depth)
            peak = np.float32(sign) * (around - extremes[rows])
            # The shoalest sounding of a cell may stand out where its mean does not.
            seed[rows] = (proud >= least) | (peak >= least + np.float32(NOISE_ALLOWANCE * sigma))
            seed[rows] &= surface.state[rows] == MEASURED
            part[rows] = (surface.state[rows] == MEASURED) & (proud >= 0.5 * least) | seed[rows]
    if not seed.any():
        return []
    labels, _ = regions.label(part)
    chosen = np.unique(labels[seed])
    return [(window, mask) for _, window, mask in regions.patches(labels, chosen[chosen > 0])]


def _contact(
    kind: str,
    sign: float,
    surface: SurveySurface,
    relief: Relief,
    sigma: float,
    window: tuple[slice, slice],
    mask: NDArray[np.bool_],
) -> Contact:
    """Measure one patch.

    The height is that of the shoalest (deepest) sounding less what the noise
    of n soundings adds to it, ``sigma sqrt(2 ln n)`` (the extreme of n normal
    deviates for large n, from memory), or that of the cell's own depth where
    that is more.
    """
    grid = surface.grid
    extreme = (surface.shoalest_m if sign > 0 else surface.deepest_m)[window]
    around = relief.seabed_m[window]
    chance = sigma * np.sqrt(2.0 * np.log(np.maximum(surface.count[window], 1)))
    peak = sign * (around - extreme) - chance
    height = np.where(mask, np.maximum(peak, sign * (around - surface.depth_m[window])), -np.inf)
    top = np.unravel_index(int(height.argmax()), height.shape)
    outline = regions.polygon(mask, grid, window)
    length, width, bearing = _dimensions(mask, grid, window)
    easting, northing = regions.centre(mask, grid, window)
    return Contact(
        name="",
        kind=kind,
        geometry=outline,
        easting_m=easting,
        northing_m=northing,
        length_m=length,
        width_m=width,
        bearing_deg=bearing,
        height_m=float(height[top]),
        height_uncertainty_m=math.hypot(float(surface.uncertainty_m[window][top]), SIGMA_TO_95 * sigma),
        # Each end lies within a cell's diagonal of the true edge.
        size_uncertainty_m=2.0 * math.sqrt(2.0) * grid.cell_m,
        least_depth_m=float(np.nanmin(sign * extreme[mask]) * sign),
        seabed_depth_m=float(around[top]),
        soundings=int(surface.count[window][mask].sum()),
        status="new",
    )


def _dimensions(
    mask: NDArray[np.bool_], grid: Grid, window: tuple[slice, slice]
) -> tuple[float, float, float]:
    """Length, width and bearing (0 to 180 degrees) of a patch.

    Those of the smallest rectangle around its cells' centres, half a cell
    added on every side: the steps of a slanting outline then do not count.
    """
    rows, cols = np.nonzero(mask)
    east, north = grid.to_map(window[1].start + cols + 0.5, window[0].start + rows + 0.5)
    cells = shapely.multipoints(np.column_stack([east, north])).buffer(0.5 * grid.cell_m, quad_segs=16)
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(cells))
    sides = np.diff(corners[:3], axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    east, north = sides[int(lengths.argmax())]
    return float(lengths.max()), float(lengths.min()), math.degrees(math.atan2(east, north)) % 180.0


def _placed(
    contact: Contact,
    number: int,
    layers: tuple[Layer, ...],
    settings: SurveySettings,
    station_of: StationOf | None,
) -> Contact:
    """With its name, what it matches, and where it lies along the line."""
    known, distance = match(contact.geometry, layers, settings)
    kp = offset = None
    if station_of is not None:
        station, aside = station_of(np.array([contact.easting_m]), np.array([contact.northing_m]))
        kp, offset = float(station[0]) / 1000.0, float(aside[0])
    return replace(
        contact,
        name=f"{'C' if contact.kind == 'object' else 'P'}{number:03d}",
        status="known" if known else "new",
        known_as=known,
        known_distance_m=distance,
        kp_km=kp,
        offset_m=offset,
    )


def match(
    outline: shapely.Geometry, layers: Iterable[Layer], settings: SurveySettings
) -> tuple[str, float | None]:
    """The nearest known thing within ``known_tolerance_m`` and its own position uncertainty: (name, m).

    Layers with the rules avoid and cross hold things; an area larger than
    ``known_max_area_m2`` is a zone, not a thing, and matches nothing.
    """
    best: tuple[str, float | None] = ("", None)
    for layer in layers:
        if layer.rule not in ("avoid", "cross") or not len(layer):
            continue
        geometries = np.asarray(layer.geometries)
        distance = shapely.distance(geometries, outline)
        near = distance <= settings.known_tolerance_m + layer.position_uncertainty_m
        near &= shapely.area(geometries) <= settings.known_max_area_m2
        if near.any():
            index = int(np.where(near, distance, np.inf).argmin())
            if best[1] is None or distance[index] < best[1]:
                best = (f"{layer.name}: {layer.features[index]}", float(distance[index]))
    return best
