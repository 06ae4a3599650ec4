"""The seabed as the pipe meets it: bridged, smoothed, with humps, and a margin at both ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import PipeError
from corridor.model.pipe import Environment, Pipe
from corridor.pipe.section import section

MARGIN_M = 500.0
"""Seabed added beyond both ends and thrown away again: ends do not matter from there."""

SLOPE_M, EASE_M = 20.0, 100.0
"""The margins start with the mean slope over the first of these and level out over the second."""

RESOLVED = 0.15
"""Elements resolve an elastic foundation while (k/4EI)^¼ h is at most this (found by trial)."""


@dataclass(frozen=True, slots=True)
class CrossedAsset:
    """A pipeline or cable under the line.

    `cover_m` > 0 is the depth of its top below the seabed; 0 or less means that it
    stands on the seabed. The pipe is laid `separation_m` above its top.
    """

    name: str
    station_m: float
    diameter_m: float
    cover_m: float = 0.0
    separation_m: float = 0.3

    @property
    def height_m(self) -> float:
        """What the pipe must clear above the seabed there, m; 0 when buried deep enough."""
        top = -self.cover_m if self.cover_m > 0 else self.diameter_m
        return max(top + self.separation_m, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The profile the pipe is laid on. Arrays (n,) at nodes `h` apart, margins included.

    Attributes
    ----------
    h : float, m
    origin_m : float
        Station of node 0.
    inside : slice
        Nodes of the profile proper.
    every : int
        Nodes from one station handed in to the next.
    z : array, m, positive up
    cell_m : array
        Size of the seabed cells the profile was sampled from.
    hole : array of bool
        Nodes in a gap of the survey too long to be bridged.
    """

    h: float
    origin_m: float
    inside: slice
    every: int
    z: NDArray[np.float64]
    cell_m: NDArray[np.float64]
    hole: NDArray[np.bool_]

    @property
    def length_m(self) -> float:
        """Length of the profile proper."""
        return (self.inside.stop - self.inside.start - 1) * self.h

    def station_m(self, node: ArrayLike) -> NDArray[np.float64]:
        """Station of a node or of a place between nodes."""
        return self.origin_m + np.asarray(node, dtype=float) * self.h

    def node(self, station_m: float) -> int:
        """The node nearest to a station."""
        return round((station_m - self.origin_m) / self.h)

    def cut(self, first: int, last: int) -> Ground:
        """The same ground from node `first` up to, not including, `last`."""
        return replace(
            self,
            origin_m=float(self.station_m(first)),
            inside=slice(0, last - first),
            z=self.z[first:last],
            cell_m=self.cell_m[first:last],
            hole=self.hole[first:last],
        )

    def with_humps(
        self, stations_m: Sequence[float], tops_m: Sequence[float], crest_m: float, side_slope: float
    ) -> Ground:
        """The same ground under flat crests at elevations `tops_m`, their sides 1 : `side_slope`."""
        z = self.z.copy()
        lowest = z.min()
        for station, top in zip(stations_m, tops_m, strict=True):
            centre = self.node(station)
            reach = math.ceil((crest_m / 2 + side_slope * max(top - lowest, 0.0)) / self.h) + 1
            near = slice(max(centre - reach, 0), centre + reach + 1)
            away = np.abs(np.arange(near.start, min(near.stop, len(z))) - centre) * self.h
            beyond = np.maximum(away - crest_m / 2, 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                fall = np.where(beyond > 0, beyond / side_slope, 0.0)
            z[near] = np.maximum(z[near], top - fall)
        return replace(self, z=z)


def prepare(
    station_m: ArrayLike,
    seabed_depth_m: ArrayLike,
    cell_m: ArrayLike,
    pipe: Pipe,
    environment: Environment,
    crossings: tuple[CrossedAsset, ...] = (),
) -> Ground:
    """Turn a sampled profile into the ground the pipe is laid on.

    Parameters
    ----------
    station_m : array (n,), m
        Evenly spaced, increasing.
    seabed_depth_m : array (n,), m, positive down; NaN = hole
        Holes up to `hole_bridge_m` are bridged by a straight line.
    cell_m : array (n,) or float
        Cell size of the seabed each depth came from.

    Raises
    ------
    PipeError
        The profile cannot be used, with every fault found.
    """
    station = np.asarray(station_m, dtype=float)
    depth = np.asarray(seabed_depth_m, dtype=float)
    cell = np.asarray(cell_m, dtype=float)
    _check(station, depth, cell, crossings)
    cell = np.broadcast_to(cell, depth.shape)
    spacing = (station[-1] - station[0]) / (len(station) - 1)
    every = _elements_per_spacing(spacing, pipe, environment)
    h = spacing / every
    pad = math.ceil(MARGIN_M / h)
    known = np.isfinite(depth)
    coarse = np.arange(len(station)) * every
    fine = np.arange(coarse[-1] + 1)
    z = -np.interp(fine, coarse[known], depth[known])
    z = running_mean(_with_margins(z, pad, h), pipe.span_smoothing_m / h)
    nearest = (fine + every // 2) // every
    known_cell = np.isfinite(cell)
    if not known_cell.all():
        cell = np.interp(station, station[known_cell], cell[known_cell]) if known_cell.any() else cell
    ground = Ground(
        h=h,
        origin_m=station[0] - pad * h,
        inside=slice(pad, pad + len(fine)),
        every=every,
        z=z,
        cell_m=np.pad(np.where(np.isfinite(cell), cell, np.inf)[nearest], pad, mode="edge"),
        hole=np.pad(_holes(station, known, pipe.hole_bridge_m)[nearest], pad),
    )
    raised = [asset for asset in crossings if asset.height_m > 0]
    tops = [ground.z[ground.node(asset.station_m)] + asset.height_m for asset in raised]
    stations = [asset.station_m for asset in raised]
    return ground.with_humps(stations, tops, pipe.crossing_crest_m, pipe.crossing_side_slope)


def _with_margins(z: NDArray, pad: int, h: float) -> NDArray:
    """Carry on with the slope of the last stretch, easing off to level ground within `EASE_M`."""
    reach = min(math.ceil(SLOPE_M / h), len(z) - 1)
    run = EASE_M * (1 - np.exp(-np.arange(1, pad + 1) * h / EASE_M))
    before = z[0] - run * (z[reach] - z[0]) / (reach * h)
    after = z[-1] + run * (z[-1] - z[-1 - reach]) / (reach * h)
    return np.concatenate([before[::-1], z, after])


def running_mean(values: NDArray, nodes: float) -> NDArray:
    """Mean over a stretch `nodes` long centred on each value; its ends count in part.

    The first and last values, where the stretch runs out, are left as they are.
    """
    reach = math.ceil((nodes - 1) / 2)
    if reach < 1:
        return values
    weights = np.ones(2 * reach + 1)
    weights[[0, -1]] = (nodes - (2 * reach - 1)) / 2
    smooth = values.copy()
    smooth[reach:-reach] = np.convolve(values, weights / weights.sum(), mode="valid")
    return smooth


def _check(station: NDArray, depth: NDArray, cell: NDArray, crossings: tuple[CrossedAsset, ...]) -> None:
    if station.ndim != 1 or station.shape != depth.shape or len(station) < 3:
        raise PipeError(
            "the profile needs at least 3 stations with a depth each "
            f"(got {station.size} stations, {depth.size} depths)"
        )
    step = np.diff(station)
    faults = []
    if cell.size not in (1, len(station)):
        faults.append(f"cell_m must hold one value per station, {len(station)} (got {cell.size})")
    if not (step > 0).all() or np.ptp(step) > 1e-3 * step.mean():
        faults.append(f"station_m must increase evenly (got steps from {step.min():g} to {step.max():g} m)")
    if np.isinf(depth).any():
        faults.append(f"seabed_depth_m is infinite at station {station[np.isinf(depth)][0]:.1f} m")
    if not np.isfinite(depth).any():
        faults.append("the profile has no depth at all: the line lies outside the seabed")
    faults += [
        f"crossed asset {asset.name!r} is at station {asset.station_m:.1f} m, outside the profile of "
        f"{station[0]:.1f} to {station[-1]:.1f} m"
        for asset in crossings
        if not station[0] <= asset.station_m <= station[-1]
    ]
    if faults:
        raise PipeError(faults)


def _elements_per_spacing(spacing_m: float, pipe: Pipe, environment: Environment) -> int:
    longest = pipe.pipe_step_m
    if environment.seabed_response == "elastic":
        soil = environment.soil_stiffness_static_kN_m2 * 1e3
        stiffness = section(pipe, environment).bending_stiffness_Nm2
        longest = min(longest, RESOLVED / (soil / (4 * stiffness)) ** 0.25)
    return max(1, math.ceil(spacing_m / longest - 1e-9))


def _holes(station: NDArray, known: NDArray, bridge_m: float) -> NDArray:
    """Stations without depth whose gap is longer than `bridge_m` or open at an end."""
    good = np.flatnonzero(known)
    before = good[np.maximum(np.searchsorted(good, np.arange(len(known)), side="right") - 1, 0)]
    after = good[np.minimum(np.searchsorted(good, np.arange(len(known))), len(good) - 1)]
    open_end = (np.arange(len(known)) < good[0]) | (np.arange(len(known)) > good[-1])
    return ~known & (open_end | (station[after] - station[before] > bridge_m))
