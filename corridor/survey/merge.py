"""The new surface on top of the old: a seam that is hard, or feathered."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from corridor.model.survey import (
    EMPTY,
    FILLED,
    MEASURED,
    SOURCE_BLENDED,
    SOURCE_FILLED,
    SOURCE_NONE,
    SOURCE_SURVEY,
    Existing,
    MergedSurface,
    SurveySettings,
    SurveySurface,
)
from corridor.survey.s44 import SIGMA_TO_95

BAND_ROWS = 256


def merge(surface: SurveySurface, existing: Existing, settings: SurveySettings) -> MergedSurface:
    """Blend the survey into the existing seabed over `feather_m` inside its edge.

    With weight w rising from 0 outside the edge to 1 at `feather_m` inside it,
    ``depth = old + w (new - old)`` where both are known, the new depth where
    only the survey is; 0 m gives a hard edge. The uncertainty of a blend is
    that of a mixture: ``u² = w u_new² + (1 - w) u_old² + w (1 - w) (1.96 (new - old))²``.

    `existing` is used up: its arrays become those of the result.
    """
    cell = surface.grid.cell_m
    feather = 10.0 * cell if settings.feather_m is None else settings.feather_m
    depth, uncertainty = existing.depth_m, existing.uncertainty_m
    source = np.full(surface.grid.shape, SOURCE_NONE, dtype=np.uint8)
    source[surface.state == MEASURED] = SOURCE_SURVEY
    source[surface.state == FILLED] = SOURCE_FILLED
    for rows, weight in _weights(surface.state != EMPTY, feather / cell):
        old, old_u = depth[rows], uncertainty[rows]
        new, new_u = surface.depth_m[rows], surface.uncertainty_m[rows]
        blend = (weight < 1.0) & (surface.state[rows] != EMPTY) & np.isfinite(old)
        w = weight[blend]
        step = new[blend] - old[blend]
        mixed = old[blend] + w * step
        mixed_u = np.sqrt(
            w * new_u[blend] ** 2 + (1 - w) * old_u[blend] ** 2 + w * (1 - w) * (SIGMA_TO_95 * step) ** 2
        )
        old[:], old_u[:] = new, new_u
        old[blend], old_u[blend] = mixed, mixed_u
        source[rows][blend] = SOURCE_BLENDED
    edge = f"feathered over {feather:g} m" if feather > 0.0 else "hard"
    return MergedSurface(surface.grid, depth, uncertainty, source, edge, feather)


def _weights(held: NDArray[np.bool_], width_cells: float):
    """(rows, weight) by bands: distance to the nearest empty cell over the width, at most 1.

    The distance is taken between a cell's centre and the nearest edge of an
    empty cell, half a cell from that one's centre; the survey's own frame
    counts as empty. Bands overlap by the width, so that they agree.
    """
    margin = int(np.ceil(width_cells)) + 2
    rows = held.shape[0]
    if width_cells <= 0.0:
        yield slice(0, rows), np.broadcast_to(np.float32(1.0), held.shape)
        return
    for start in range(0, rows, BAND_ROWS):
        stop = min(start + BAND_ROWS, rows)
        top, bottom = max(start - margin, 0), min(stop + margin, rows)
        band = held[top:bottom]
        # Rows beyond a band's margin are too far to matter: only the true frame counts as empty.
        pad = ((1 if top == 0 else 0, 1 if bottom == rows else 0), (1, 1))
        padded = np.pad(band, pad)
        if padded.all():
            distance = np.full(padded.shape, np.inf, dtype=np.float32)
        else:
            distance = ndimage.distance_transform_edt(padded).astype(np.float32)
        distance = distance[pad[0][0] : padded.shape[0] - pad[0][1], 1:-1]
        weight = np.clip((distance - 0.5) / np.float32(width_cells), 0.0, 1.0)
        yield slice(start, stop), weight[start - top : stop - top]
