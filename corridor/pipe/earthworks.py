"""Rock and trench volumes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from corridor.errors import PipeError


def berm_volume_m3(height_m: ArrayLike, crest_m: float, side_slope: float) -> np.ndarray:
    """Volume of a berm with a square crest on level ground, m³.

    Sides fall 1 : `side_slope` all round. Exact for a frustum of a pyramid
    (prismoidal formula): ``H (c² + 2 n c H + 4/3 n² H²)``.
    """
    height = np.maximum(np.asarray(height_m, dtype=float), 0.0)
    run = side_slope * height
    return height * (crest_m**2 + 2 * run * crest_m + 4 / 3 * run**2)


def trench_volume_m3(
    station_m: ArrayLike, seabed_depth_m: ArrayLike, trench: Mapping[str, Any]
) -> dict[str, float]:
    """Soil moved by a trench of constant section over a KP range.

    ``V = (b d + n d²) x length along the seabed``, b = bottom width, d = depth, side
    slopes 1 : n (exact for a prism).

    Parameters
    ----------
    station_m, seabed_depth_m : array (n,), m
        Where the depth is not known the length in plan counts.
    trench : mapping
        from_kp_km, to_kp_km, depth_m, bottom_m, side_slope.

    Returns
    -------
    dict
        The trench with length_m, top_width_m and volume_m3.
    """
    station, depth = np.asarray(station_m, dtype=float), np.asarray(seabed_depth_m, dtype=float)
    begin, end = 1e3 * trench["from_kp_km"], 1e3 * trench["to_kp_km"]
    if begin < station[0] - 1e-3 or end > station[-1] + 1e-3:
        raise PipeError(
            f"the trench from KP {trench['from_kp_km']:g} to {trench['to_kp_km']:g} leaves the line, which "
            f"runs from KP {station[0] / 1e3:.3f} to {station[-1] / 1e3:.3f}"
        )
    places = np.unique(np.clip(np.concatenate([[begin, end], station]), begin, end))
    known = np.isfinite(depth)
    fall = np.diff(np.interp(places, station[known], depth[known])) if known.any() else 0.0
    length = float(np.sum(np.hypot(np.diff(places), fall)))
    deep, bottom, slope = trench["depth_m"], trench["bottom_m"], trench["side_slope"]
    return {
        **trench,
        "length_m": length,
        "top_width_m": bottom + 2 * slope * deep,
        "volume_m3": (bottom * deep + slope * deep**2) * length,
    }
