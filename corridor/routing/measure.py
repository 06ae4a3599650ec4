"""What a line costs on the gridded ground: the one definition that search, fit and report share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.assets import crosses
from corridor.kernels.fit import arc_pieces
from corridor.kernels.terms import line_terms
from corridor.model.alignment import Alignment
from corridor.model.results import CostSurface
from corridor.model.rules import RouteRules
from corridor.routing.geometry import Elements, at_station, bends, elements, stations
from corridor.routing.ground import kernel_ground

TERMS = ("length_m", "slope_m", "discouraged_m", "crossings_m", "bends_m")


def line_cost(alignment: Alignment, surface: CostSurface, rules: RouteRules) -> dict[str, float]:
    """Cost of a line by term, equivalent metres.

    cost = sum over metres of (factor + slope_cost ((tan along / tan limit)^2 +
    (tan across / tan limit)^2)) + a fee per crossing + a price per bend.

    Returns
    -------
    dict
        Keys ``length_m, slope_m, discouraged_m, crossings_m, bends_m``; their sum is the cost.
    """
    _, _, terms, _ = _pieces(elements(alignment), surface)
    length, discouraged, slope = terms.sum(axis=0)
    return {
        "length_m": float(length),
        "slope_m": float(slope),
        "discouraged_m": float(discouraged),
        "crossings_m": float(sum(fee for _, fee in line_crossings(alignment, surface))),
        "bends_m": rules.bend_cost_m * bend_count(alignment),
    }


def bend_count(alignment: Alignment) -> int:
    """Intersection points at which the line turns at all."""
    return int(np.count_nonzero(np.abs(bends(alignment).deflection_rad[1:-1]) > 1e-9))


def cost_by_kp(
    alignment: Alignment, surface: CostSurface, rules: RouteRules, interval_m: float = 1000.0
) -> dict[str, NDArray]:
    """The terms of :func:`line_cost` per KP range, a bend charged where its arc is halfway."""
    line = elements(alignment)
    start, length, terms, _ = _pieces(line, surface, interval_m)
    count = max(1, int(np.ceil(line.total_m / interval_m - 1e-9)))
    edges = np.append(np.arange(count) * interval_m, line.total_m)
    which = np.clip(((start + length / 2.0) // interval_m).astype(int), 0, count - 1)
    sums = np.zeros((count, 3))
    np.add.at(sums, which, terms)
    crossing, bend = np.zeros(count), np.zeros(count)
    for station, fee in line_crossings(alignment, surface):
        crossing[min(int(station // interval_m), count - 1)] += fee
    arcs = np.flatnonzero(line.ip >= 0)
    for middle in line.station_m[arcs] + line.length_m[arcs] / 2.0:
        bend[min(int(middle // interval_m), count - 1)] += rules.bend_cost_m
    return {
        "kp_from_km": edges[:-1] / 1000.0,
        "kp_to_km": edges[1:] / 1000.0,
        "length_m": sums[:, 0],
        "slope_m": sums[:, 2],
        "discouraged_m": sums[:, 1],
        "crossings_m": crossing,
        "bends_m": bend,
        "total_m": sums.sum(axis=1) + crossing + bend,
    }


def line_crossings(alignment: Alignment, surface: CostSurface) -> list[tuple[float, float]]:
    """(station, fee) in m of every crossing of an asset by the line."""
    line = elements(alignment)
    at, _, _, points = _pieces(line, surface)
    assets, cell = surface.assets, surface.grid.cell_m
    found = []
    low = np.minimum(points[:-1], points[1:])
    high = np.maximum(points[:-1], points[1:])
    for (u1, v1, u2, v2), number in zip(assets.segments, assets.asset, strict=True):
        near = np.flatnonzero(
            (low[:, 0] <= max(u1, u2))
            & (high[:, 0] >= min(u1, u2))
            & (low[:, 1] <= max(v1, v2))
            & (high[:, 1] >= min(v1, v2))
        )
        for i in near:
            (a, b), (c, d) = points[i], points[i + 1]
            if crosses(a, b, c, d, u1, v1, u2, v2):
                across = (c - a) * (v2 - v1) - (d - b) * (u2 - u1)
                share = ((u1 - a) * (v2 - v1) - (v1 - b) * (u2 - u1)) / across if across else 0.0
                piece = np.hypot(c - a, d - b) * cell
                found.append((float(at[i] + share * piece), float(assets.fee_m[number])))
    return sorted(found)


def _pieces(
    line: Elements, surface: CostSurface, interval_m: float | None = None
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """The line as a polyline on the grid with its terms.

    Returns
    -------
    start_m, length_m : arrays (n,), m
    terms : array (n, 3), m: length, discouraged, slope
    points : array (n + 1, 2), cell units
    """
    grid = surface.grid
    # Arcs go along the chords that the fit prices; straights need no cutting of their own.
    at = []
    for station, length, curvature in zip(
        line.station_m, line.length_m, np.abs(line.curvature_1_m), strict=True
    ):
        count = arc_pieces(1.0 / (curvature * grid.cell_m), length * curvature) if curvature > 0.0 else 1
        at.append(station + length * np.arange(count) / count)
    marks = np.append(np.concatenate(at), line.total_m)
    if interval_m is not None:
        marks = np.union1d(marks, stations(line, interval_m))
    easting, northing, _ = at_station(line, marks)
    u, v = grid.to_cells(easting, northing)
    points = np.column_stack([u, v])
    length = np.diff(marks)
    terms = line_terms(kernel_ground(surface), points, length / grid.cell_m) * grid.cell_m
    return marks[:-1], length, terms, points
