"""Where the seabed has changed, beyond what the two surveys can be in doubt about."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from corridor.model.survey import Contact, Existing, Region, SurveySettings, SurveySurface
from corridor.survey import regions
from corridor.survey.existing import row_blocks


def difference(surface: SurveySurface, existing: Existing) -> NDArray[np.float32]:
    """New minus old depth, m, positive where the seabed is deeper now; NaN but on measured cells."""
    change = surface.depth_m - existing.depth_m
    change[~surface.measured] = np.nan
    return change


def beyond_doubt(
    change_m: NDArray[np.float32], surface: SurveySurface, existing: Existing
) -> NDArray[np.bool_]:
    """Cells whose change exceeds the combined 95 % uncertainty ``sqrt(u_new² + u_old²)``."""
    real = np.empty(change_m.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        for rows in row_blocks(surface.grid):
            combined = np.hypot(surface.uncertainty_m[rows], existing.uncertainty_m[rows])
            real[rows] = np.abs(change_m[rows]) > combined
    return real


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
    figure by chance. Cells on a contact, and next to it, are the object's (or
    the pit's), not the seabed's. A volume's uncertainty takes all cells' errors
    to be alike, the worst case.
    """
    contacts = tuple(contacts)
    found: list[Region] = []
    for kind, thing, sign in (("erosion", "pit", 1.0), ("accretion", "object", -1.0)):
        on_things = regions.burn([c.geometry for c in contacts if c.kind == thing], surface.grid)
        for name, least in ((kind, settings.min_change_cells), (thing, 1)):
            mask = on_things.copy() if name == thing else ~on_things
            for rows in row_blocks(surface.grid):
                mask[rows] &= significant[rows] & (np.float32(sign) * change_m[rows] > 0)
            if not mask.any():
                continue
            labels, count = regions.label(mask)
            del mask  # a large survey's rasters are what fills the memory
            listed = np.flatnonzero(regions.sizes(labels, count)[1:] >= least) + 1
            found += [
                _region(name, window, cells, change_m, surface, existing)
                for _, window, cells in regions.patches(labels, listed)
            ]
    return tuple(sorted(found, key=lambda region: -abs(region.figures["volume_m3"])))


def _region(
    kind: str,
    window: tuple[slice, slice],
    cells: NDArray[np.bool_],
    change_m: NDArray[np.float32],
    surface: SurveySurface,
    existing: Existing,
) -> Region:
    grid = surface.grid
    values = change_m[window][cells].astype(np.float64)
    doubt = np.hypot(surface.uncertainty_m[window][cells], existing.uncertainty_m[window][cells])
    easting, northing = regions.centre(cells, grid, window)
    area = grid.cell_m**2
    return Region(
        kind=kind,
        geometry=regions.polygon(cells, grid, window),
        area_m2=len(values) * area,
        easting_m=easting,
        northing_m=northing,
        figures={
            "mean_change_m": float(values.mean()),
            "extreme_change_m": float(values[np.abs(values).argmax()]),
            "volume_m3": float(values.sum()) * area,
            "volume_uncertainty_m3": float(doubt.sum()) * area,
            "cells": len(values),
        },
    )
