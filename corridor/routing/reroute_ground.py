"""How much ground a change must be searched on: a window of the grid, and the proof that it is enough."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from corridor.model.grid import Grid
from corridor.model.rules import RouteRules
from corridor.routing.geometry import Elements, at_station

GROWTH = 3.0
"""A window that is not enough is made this much wider."""

COARSE_EDGE = 8.0
"""A window's edge is sampled this much more coarsely at first."""

LINE_STEPS = 800
"""Chainages at which the proof measures the approved line, at most."""


def window(
    whole: Grid, line: Elements, low_m: float, high_m: float, aside_m: float, rules: RouteRules, times: float
) -> Grid:
    """The part of a grid about the chainages `low_m` to `high_m`, where a line must pass `aside_m` off.

    Two arcs of radius R shift a line by d within 2 sqrt(R d) along it (for d much
    less than R): twice that, and the straights between bends, on either side.
    """
    radius = rules.min_bend_radius_m
    along = times * (4.0 * math.sqrt(radius * aside_m) + 3.0 * rules.min_straight_m + 0.5 * radius)
    across = times * (2.0 * aside_m + 0.5 * radius)
    station = np.linspace(max(low_m - along, 0.0), min(high_m + along, line.total_m), 200)
    easting, northing, _ = at_station(line, station)
    return cropped(
        whole,
        easting.min() - across,
        northing.min() - across,
        easting.max() + across,
        northing.max() + across,
    )


def cropped(whole: Grid, west_m: float, south_m: float, east_m: float, north_m: float) -> Grid:
    """The cells of a grid that meet a rectangle; its own cells, none shifted."""
    cell = whole.cell_m
    left = int(np.clip(math.floor((west_m - whole.west_m) / cell), 0, whole.cols - 1))
    right = int(np.clip(math.ceil((east_m - whole.west_m) / cell), left + 1, whole.cols))
    above = int(np.clip(math.floor((whole.north_m - north_m) / cell), 0, whole.rows - 1))
    below = int(np.clip(math.ceil((whole.north_m - south_m) / cell), above + 1, whole.rows))
    return Grid(
        rows=below - above,
        cols=right - left,
        west_m=whole.west_m + left * cell,
        north_m=whole.north_m - above * cell,
        cell_m=cell,
        crs=whole.crs,
    )


def outside_costs_more(
    grid: Grid, whole: Grid, line: Elements, low_m: float, high_m: float, marks_m: NDArray,
    running_m: NDArray, new_ground_cost: float, extra_cost_m: float,
) -> bool:  # fmt: skip
    """Whether every change that leaves a window costs at least `extra_cost_m`.

    A metre of new ground costs 1 + `new_ground_cost` or more, whatever lies
    there. A change from chainage s to t through a place b on the window's edge
    therefore costs at least (1 + c)(|A(s) b| + |b A(t)|) and saves what the
    approved line costs from s to t; one that passes the window altogether at
    least (1 + c)|A(s) A(t)|. The least over all s, t and b is compared, s before
    and t behind the chainages that must be given up.

    Parameters
    ----------
    grid, whole : Grid
    line : Elements
    low_m, high_m : float
        Chainages that must be given up.
    marks_m, running_m : arrays (n,)
        Chainages, and the approved line's cost up to each.
    """
    sides = (
        grid.west_m > whole.west_m + 1e-6,
        grid.east_m < whole.east_m - 1e-6,
        grid.south_m > whole.south_m + 1e-6,
        grid.north_m < whole.north_m - 1e-6,
    )
    if not any(sides):
        return True
    step, station, low, high = _sampled(line, marks_m, running_m)
    easting, northing, _ = at_station(line, station)
    price = 1.0 + new_ground_cost
    leave, join = station <= max(low_m, 0.0), station >= min(high_m, line.total_m)
    for spacing in (COARSE_EDGE * max(grid.cell_m, 50.0), max(grid.cell_m, 50.0)):
        edge_e, edge_n = _edge(grid, sides, spacing)
        out = np.hypot(edge_e[:, None] - easting[leave], edge_n[:, None] - northing[leave]) * price
        back = np.hypot(edge_e[:, None] - easting[join], edge_n[:, None] - northing[join]) * price
        least = float(((out + low[leave]).min(axis=1) + (back - high[join]).min(axis=1)).min())
        # The edge and the line are sampled: no place is further than half a step from a sample.
        slack = price * (spacing + step)
        if least < extra_cost_m or least - slack >= extra_cost_m:
            break  # few samples say so already
    inside = (
        (easting > grid.west_m)
        & (easting < grid.east_m)
        & (northing > grid.south_m)
        & (northing < grid.north_m)
    )
    before, after = ~inside & leave, ~inside & join
    if before.any() and after.any():
        past = np.hypot(
            easting[before][:, None] - easting[after][None], northing[before][:, None] - northing[after][None]
        )
        least = min(least, float((past * price + low[before][:, None] - high[after][None]).min()))
    return least - slack >= extra_cost_m


def least_cost_between(
    line: Elements, low_m: float, high_m: float, marks_m: NDArray, running_m: NDArray, new_ground_cost: float
) -> float:
    """What any one change costs at least that gives up the chainages from `low_m` to `high_m`.

    (1 + c) times the distance between where the line is left and where it is rejoined, less what the
    approved line costs between them; see :func:`outside_costs_more`.
    """
    step, station, low, high = _sampled(line, marks_m, running_m)
    easting, northing, _ = at_station(line, station)
    leave, join = station <= max(low_m, 0.0), station >= min(high_m, line.total_m)
    apart = np.hypot(
        easting[leave][:, None] - easting[join][None], northing[leave][:, None] - northing[join][None]
    )
    price = 1.0 + new_ground_cost
    return float((apart * price + low[leave][:, None] - high[join][None]).min()) - price * step


def _sampled(
    line: Elements, marks_m: NDArray, running_m: NDArray
) -> tuple[float, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Step, chainages, and least and largest cost of the line up to each.

    Between marks the cost is known to lie between theirs: the worse one counts.
    """
    step = max(line.total_m / LINE_STEPS, 20.0)
    station = np.append(np.arange(0.0, line.total_m, step), line.total_m)
    above = np.searchsorted(marks_m, station)
    low = running_m[np.maximum(above - 1, 0)]
    return step, station, low, running_m[np.minimum(above, len(marks_m) - 1)]


def _edge(grid: Grid, sides: tuple[bool, bool, bool, bool], spacing_m: float) -> tuple[NDArray, NDArray]:
    """Points along the sides of a window that are not the whole grid's own."""
    west, east, south, north = sides
    across = np.linspace(
        grid.south_m, grid.north_m, max(2, math.ceil((grid.north_m - grid.south_m) / spacing_m))
    )
    along = np.linspace(grid.west_m, grid.east_m, max(2, math.ceil((grid.east_m - grid.west_m) / spacing_m)))
    easting, northing = [], []
    for wanted, x in ((west, grid.west_m), (east, grid.east_m)):
        if wanted:
            easting.append(np.full(len(across), x))
            northing.append(across)
    for wanted, y in ((south, grid.south_m), (north, grid.north_m)):
        if wanted:
            easting.append(along)
            northing.append(np.full(len(along), y))
    return np.concatenate(easting), np.concatenate(northing)
