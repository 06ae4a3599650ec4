"""Our colours, in one place for map, GIS, CAD and print.

Chosen so that neighbours in meaning stay apart for people who see red and
green alike: the depth ramp only ever darkens, the rest differs in lightness
and never by hue alone (lines also differ by dash, points by shape). The tests
measure the distances under simulated colour blindness.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

DEPTH_RAMP = ("#f5ecd5", "#c9dfcf", "#8fc3c5", "#5799b8", "#3a6a9f", "#2a3768")
"""Shallow to deep, evenly spaced."""

LAND = "#cdc5b4"

ROUTE = "#b3004b"
OTHER_ROUTES = ("#96640a", "#1787c4", "#8f9299", "#101c4a")
"""None of them near the colour of a rule whose layers are drawn as lines, dashed or not."""

RULE_COLOURS = {
    "avoid": "#c43d16",
    "discourage": "#d08a00",
    "cross": "#5b3da6",
    "stay_within": "#00695f",
    "jurisdiction": "#5a6068",
}

RULE_WORDS = {
    "avoid": "Keep out",
    "discourage": "Discouraged ground",
    "cross": "May be crossed",
    "stay_within": "Stay within",
    "jurisdiction": "Jurisdiction",
}

VERDICT_COLOURS = {"good": "#2f78b7", "look": "#e3a008", "bad": "#a82512", "unknown": "#8b9098"}
"""How a verdict is drawn; see :func:`verdict_class`."""

SLOPE_COLOURS = ("#b9cddd", "#6f9dc0", "#e3a008", "#a82512")
"""Slope as a share of its limit: up to half, to 80 %, to the limit, beyond."""

SLOPE_SHARES = (0.5, 0.8, 1.0)

PIPE = "#1d1f24"
GAP = "#e3a008"


def verdict_class(verdict: str) -> str:
    """Class of a verdict: good (ok), bad (needs a support), unknown (not assessed), look (all others)."""
    return {"ok": "good", "support": "bad", "not assessed": "unknown"}.get(str(verdict), "look")


def rgb(colour: str) -> tuple[int, int, int]:
    """``#rrggbb`` as three numbers 0-255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def depth_rgb(depth_m: NDArray, shallow_m: float, deep_m: float) -> NDArray[np.float64]:
    """Ramp colours (..., 3), 0-255, for depths (m, positive down); land where depth < 0.

    Colours are interpolated linearly between the ramp's stops.
    """
    share = (depth_m - shallow_m) / max(deep_m - shallow_m, 1e-9)
    stops = np.array([rgb(colour) for colour in DEPTH_RAMP], dtype=float)
    at = np.linspace(0.0, 1.0, len(stops))
    colours = np.stack([np.interp(share, at, stops[:, band]) for band in range(3)], axis=-1)
    if shallow_m >= 0.0:
        colours[depth_m < 0.0] = rgb(LAND)
    return colours


def rule_colour(rule: str) -> str:
    """Colour of layers with `rule`."""
    return RULE_COLOURS.get(rule, "#5a6068")
