"""Where the seabed has changed, beyond what the two surveys can be in doubt about."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray

from corridor.model.survey import Contact, Existing, Region, SurveySettings, SurveySurface
from corridor.survey import regions


def difference(surface: SurveySurface, existing: Existing) -> NDArray[np.float32]:
    """New minus old depth, m, positive where the seabed is deeper now; NaN but on measured cells."""
    change = surface.depth_m - existing.depth_m
    change[~surface.measured] = np.nan
    return change


def beyond_doubt(
    change_m: NDArray[np.float32], surface: SurveySurface, existing: Existing
) -> NDArray[np.bool_]:
    """Cells whose change exceeds the combined 95 % uncertainty ``sqrt(u_new² + u_old²)``."""
    with np.errstate(invalid="ignore"):
        return np.abs(change_m) > np.hypot(surface.uncertainty_m, existing.uncertainty_m)


def areas(
    change_m: NDArray[np.float32],
    significant: NDArray[np.bool_],
    surface: SurveySurface,
    existing: Existing,
    settings: SurveySettings,
    contacts: Iterable[Contact] = (),
) -> tuple[Region, ...]:
    """Patches of erosion, accretion or objects, the largest volume first.

    Cells of one sign that touch form a patch; one of fewer than
    ``min_change_cells`` is left out, since one cell in twenty exceeds its 95 %
    figure by chance. A patch that meets a contact is an object (or a pit).
    Its volume's uncertainty takes all cells' errors to be alike, the worst case.
    """
    grid = surface.grid
    cell_area = grid.cell_m**2
    outlines = {kind: [c.geometry for c in contacts if c.kind == kind] for kind in ("object", "pit")}
    found = []
    with np.errstate(invalid="ignore"):
        signs = (("erosion", change_m > 0), ("accretion", change_m < 0))
    for kind, side in signs:
        labels, count = regions.label(significant & side)
        sizes = regions.sizes(labels, count)[1:]
        listed = np.flatnonzero(sizes >= settings.min_change_cells) + 1
        for number, window, mask in regions.patches(labels, listed):
            values = change_m[window][mask].astype(np.float64)
            doubt = np.hypot(surface.uncertainty_m[window][mask], existing.uncertainty_m[window][mask])
            shape = regions.polygon(mask, grid, window)
            east, north = regions.centre(mask, grid, window)
            found.append(
                Region(
                    kind=_kind(kind, shape, outlines),
                    geometry=shape,
                    area_m2=float(sizes[number - 1]) * cell_area,
                    easting_m=east,
                    northing_m=north,
                    figures={
                        "mean_change_m": float(values.mean()),
                        "extreme_change_m": float(values[np.abs(values).argmax()]),
                        "volume_m3": float(values.sum()) * cell_area,
                        "volume_uncertainty_m3": float(doubt.sum()) * cell_area,
                        "cells": int(sizes[number - 1]),
                    },
                )
            )
    return tuple(sorted(found, key=lambda region: -abs(region.figures["volume_m3"])))


def _kind(kind: str, shape: shapely.Geometry, outlines: dict[str, list[shapely.Geometry]]) -> str:
    """ "object" or "pit" where most of the patch is one; the movement of the seabed otherwise."""
    name = "object" if kind == "accretion" else "pit"
    near = [outline for outline in outlines[name] if outline.intersects(shape)]
    if near and shapely.union_all(near).intersection(shape).area >= 0.5 * shape.area:
        return name
    return kind
