"""START, via points and END as portals of the search, with the connectors that hang them on the grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.ground import Ground
from corridor.kernels.headings import heading_vectors
from corridor.kernels.search import Portals, connector_costs
from corridor.model.grid import Grid
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd, RouteRules
from corridor.routing.connectors import Connectors, connectors, free_directions
from corridor.routing.ground import grid_direction, unit_vectors


@dataclass(frozen=True, slots=True, eq=False)
class Gate:
    """One way through a portal, priced.

    Attributes
    ----------
    portal : int
    stage : int
        The stretch between via points that the cell belongs to.
    cell : int
        Flat index.
    heading : int
    ip : (u, v) or None
    radius : float
        Cells; NaN without a bend.
    cost : float
        Cells, the price of the bend included.
    tag : int
        For the caller: which of its poses this is a way from or to.
    """

    portal: int
    stage: int
    cell: int
    heading: int
    ip: tuple[float, float] | None
    radius: float
    cost: float
    tag: int = -1


@dataclass(frozen=True, slots=True, eq=False)
class PortalNet:
    """All portals of a search: kernel arrays, and the gates behind them."""

    kernel: Portals
    exits: tuple[Gate, ...]
    entries: tuple[Gate, ...]
    positions: tuple[tuple[float, float], ...]


def pose_directions(end: RouteEnd, headings: int) -> NDArray[np.float64]:
    """Directions (east, south) a pose may have: its bearing, or many where it is free."""
    if end.bearing_deg is None:
        return free_directions(headings)
    return grid_direction(end.bearing_deg)[None, :]


def gates(
    surface: CostSurface, ground: Ground, rules: RouteRules, end: RouteEnd, straight_at_pose_m: float,
    *, arriving: bool, first_portal: int, one_portal: bool, stage: int,
) -> list[Gate]:  # fmt: skip
    """Priced connectors at one pose.

    Parameters
    ----------
    straight_at_pose_m : float
        Straight needed between the pose and the nearest tangent point, m.
    arriving : bool
        True: from the grid into the pose (END, or a via point's near side).
    first_portal, one_portal : int, bool
        All directions share portal `first_portal`, or direction j is portal
        ``first_portal + j``.
    stage : int
    """
    grid, cell_m, headings = surface.grid, surface.grid.cell_m, rules.headings
    u, v = (float(x) for x in grid.to_cells(end.easting, end.northing))
    directions = pose_directions(end, headings)
    # Arriving is leaving on the reversed line: every cost is the same both ways.
    outward = -directions if arriving else directions
    links: Connectors = connectors(
        (u, v), outward, headings, rules.min_bend_radius_m / cell_m, rules.min_straight_m / cell_m,
        straight_at_pose_m / cell_m, grid.shape,
    )  # fmt: skip
    costs = connector_costs(
        ground, surface.assets.segments, u, v, outward, links.pose, links.cell + 0.5,
        unit_vectors(headings)[links.heading], links.leg_in, links.leg_out, links.radius,
    )  # fmt: skip
    costs += np.where(np.isnan(links.radius), 0.0, rules.bend_cost_m / cell_m)
    half = headings // 2
    return [
        Gate(
            portal=first_portal + (0 if one_portal else int(links.pose[i])),
            stage=stage,
            cell=int(links.cell[i, 1] * grid.cols + links.cell[i, 0]),
            heading=int((links.heading[i] + half) % headings if arriving else links.heading[i]),
            ip=None if np.isnan(links.radius[i]) else (float(links.ip[i, 0]), float(links.ip[i, 1])),
            radius=float(links.radius[i]),
            cost=float(costs[i]),
        )
        for i in np.flatnonzero(np.isfinite(costs))
    ]


def portal_net(
    surface: CostSurface, ground: Ground, rules: RouteRules,
    start: RouteEnd, end: RouteEnd, via: tuple[RouteEnd, ...],
) -> PortalNet:  # fmt: skip
    """Portals of a line from START through the via points to END.

    Portal 0 is START; every via point has one portal for each direction it may
    be passed in; the last is END.
    """
    exits = gates(
        surface, ground, rules, start, rules.straight_at_ends_m,
        arriving=False, first_portal=0, one_portal=True, stage=0,
    )  # fmt: skip
    entries: list[Gate] = []
    positions = [(start.easting, start.northing)]
    for number, point in enumerate(via):
        first = len(positions)
        half = rules.min_straight_m / 2.0
        entries += gates(
            surface, ground, rules, point, half,
            arriving=True, first_portal=first, one_portal=False, stage=number,
        )  # fmt: skip
        exits += gates(
            surface, ground, rules, point, half,
            arriving=False, first_portal=first, one_portal=False, stage=number + 1,
        )  # fmt: skip
        positions += [(point.easting, point.northing)] * len(pose_directions(point, rules.headings))
    goal = len(positions)
    entries += gates(
        surface, ground, rules, end, rules.straight_at_ends_m,
        arriving=True, first_portal=goal, one_portal=True, stage=len(via),
    )  # fmt: skip
    positions.append((end.easting, end.northing))
    return net_of(exits, entries, positions, goal, len(via) + 1, surface, rules.headings)


def net_of(
    exits: list[Gate], entries: list[Gate], positions: list[tuple[float, float]], goal: int, stages: int,
    surface: CostSurface, headings: int,
) -> PortalNet:  # fmt: skip
    """Arrange gates for the kernels."""
    cells = surface.grid.rows * surface.grid.cols
    exits = sorted(exits, key=lambda g: (g.portal, g.stage, g.cell, g.heading, g.cost))
    nodes = [g.stage * cells + g.cell for g in entries]
    unique = {node: k + 1 for k, node in enumerate(sorted(set(nodes)))}
    slots = [unique[node] * headings + g.heading for node, g in zip(nodes, entries, strict=True)]
    order = sorted(range(len(entries)), key=lambda i: (slots[i], entries[i].portal, entries[i].cost))
    entries = [entries[i] for i in order]
    slots = [slots[i] for i in order]
    row = np.zeros(stages * cells, dtype=np.int32)
    for node, k in unique.items():
        row[node] = k
    line, zero = _entry_lines(entries, stages, surface.grid, headings)
    kernel = Portals(
        entry_row=row,
        entry_first=np.searchsorted(slots, np.arange((len(unique) + 1) * headings + 1)).astype(np.int64),
        entry_portal=np.array([g.portal for g in entries], dtype=np.int64),
        entry_cost=np.array([g.cost for g in entries], dtype=float),
        exit_first=np.searchsorted([g.portal for g in exits], np.arange(goal + 2)).astype(np.int64),
        exit_state=np.array(
            [(g.stage * cells + g.cell) * headings + g.heading for g in exits], dtype=np.int64
        ),
        exit_cost=np.array([g.cost for g in exits], dtype=float),
        line=line,
        line_zero=zero,
        goal=goal,
    )
    return PortalNet(kernel, tuple(exits), tuple(entries), tuple(positions))


def _entry_lines(entries: list[Gate], stages: int, grid: Grid, headings: int) -> tuple[NDArray, int]:
    """Which grid lines along each heading hold an entry: (stages, H, n) bool, and the index of line 0.

    Line number ``east * row - south * col`` is the same for all cells on one
    straight along (east, south).
    """
    vectors = heading_vectors(headings)
    zero = int(np.abs(vectors).max()) * (grid.rows + grid.cols)
    line = np.zeros((stages, headings, 2 * zero + 1), dtype=bool)
    for gate in entries:
        row, col = divmod(gate.cell, grid.cols)
        east, south = vectors[gate.heading]
        line[gate.stage, gate.heading, east * row - south * col + zero] = True
    return line, zero
