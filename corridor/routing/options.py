"""Distinctly different routes: obstacles, the passes between them, and the ground with passes closed.

Closed ground hangs together in obstacles; the rest of the sheet is cut into
regions at the narrowest place between any two neighbours (a *pass*). A chain of
passes from START to END without returning to a region is one way of going round
things. Closing all other passes with virtual walls makes the search find the
cheapest line of that kind, exactly.

Two lines differ when at least one obstacle lies on different sides of them: the
angle that a line sweeps about a point in the obstacle then differs by a whole
turn (or several).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import networkx as nx
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, distance_transform_edt, find_objects, label

from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.results import CostSurface
from corridor.model.rules import RouteEnd
from corridor.routing.geometry import densify

BORDER = 1
"""Label of the world beyond the sheet and of closed ground that hangs together with it."""

LEAST_CELLS = 4.0
"""Smaller obstacles are no reason to call two lines different."""

MOST_OBSTACLES = 60
CROSS = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], dtype=bool)


@dataclass(frozen=True, slots=True, eq=False)
class Obstacle:
    """Closed ground that hangs together and does not reach the sheet's edge.

    Attributes
    ----------
    name : str
        What closes most of it.
    easting_m, northing_m : float
        Its innermost place.
    size_m : float
        Longer side of its box.
    """

    name: str
    easting_m: float
    northing_m: float
    size_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Pass:
    """The narrowest place between two neighbouring obstacles.

    Attributes
    ----------
    cells : array (n,) int64
        The wall that closes it.
    regions : (int, int)
        What it joins.
    easting_m, northing_m, width_m : float
    """

    cells: NDArray[np.int64]
    regions: tuple[int, int]
    easting_m: float
    northing_m: float
    width_m: float


@dataclass(frozen=True, slots=True, eq=False)
class PassGraph:
    """Obstacles of a least size, passes, and the regions of START and END."""

    surface: CostSurface
    obstacles: tuple[Obstacle, ...]
    passes: tuple[Pass, ...]
    start_region: int
    end_region: int
    start: RouteEnd
    end: RouteEnd


def closed_cells(surface: CostSurface) -> NDArray[np.bool_]:
    """(rows, cols) cells that no line may pass in any direction."""
    steep = np.square(surface.ground[..., 1:3].astype(float)).sum(axis=-1)
    return ~np.isfinite(surface.ground[..., 0]) | (steep > surface.tan_along**2 + surface.tan_across**2)


def pass_graph(surface: CostSurface, start: RouteEnd, end: RouteEnd, least_size_m: float) -> PassGraph:
    """Obstacles of at least `least_size_m` and the passes between them."""
    grid = surface.grid
    labels, obstacles = _obstacles(surface, least_size_m)
    distance, (row_at, col_at) = distance_transform_edt(labels == 0, return_indices=True)
    owner = labels[row_at, col_at]
    gaps = _gaps(owner, distance, labels, (end.easting - start.easting, start.northing - end.northing))
    walls = [_wall(gap, row_at, col_at, owner) for gap in gaps]
    blocked = labels > 0
    for cells in walls:
        blocked.ravel()[cells] = True
    regions, _ = label(~blocked)
    passes = []
    for gap, cells in zip(gaps, walls, strict=True):
        joined = _regions_beside(cells, regions)
        if joined is None:
            continue
        row, col = divmod(gap, grid.cols + 2)
        easting, northing = grid.to_map(col - 0.5, row - 0.5)
        width = 2.0 * float(distance.ravel()[gap]) * grid.cell_m
        passes.append(Pass(_unpadded(cells, grid), joined, float(easting), float(northing), width))
    ends = [_region_of(end, grid, regions) for end in (start, end)]
    return PassGraph(surface, obstacles, tuple(passes), ends[0], ends[1], start, end)


def _obstacles(surface: CostSurface, least_size_m: float) -> tuple[NDArray[np.int64], tuple[Obstacle, ...]]:
    """Labels of obstacles on the sheet with one more cell all round (0 = open, 1 = border, ...)."""
    grid = surface.grid
    closed = np.pad(closed_cells(surface), 1, constant_values=True)
    parts, count = label(closed, structure=np.ones((3, 3)))
    border = parts[0, 0]
    boxes = find_objects(parts)
    sizes = np.array(
        [0.0] + [max(b[0].stop - b[0].start, b[1].stop - b[1].start) * grid.cell_m for b in boxes]
    )
    sizes[border] = 0.0
    wanted = np.flatnonzero((sizes >= least_size_m) & (sizes > 0.0))
    wanted = np.sort(wanted[np.argsort(-sizes[wanted], kind="stable")][:MOST_OBSTACLES])
    renamed = np.zeros(count + 1, dtype=np.int64)
    renamed[border] = BORDER
    renamed[wanted] = np.arange(BORDER + 1, BORDER + 1 + len(wanted))
    found = [_obstacle(surface, parts, int(k), boxes[k - 1], float(sizes[k])) for k in wanted]
    return renamed[parts], tuple(found)


def _obstacle(surface: CostSurface, parts: NDArray, number: int, box, size_m: float) -> Obstacle:
    grid = surface.grid
    inside = np.pad(parts[box] == number, 1)
    deep = np.unravel_index(int(distance_transform_edt(inside).argmax()), inside.shape)
    row, col = deep[0] - 1 + box[0].start - 1, deep[1] - 1 + box[1].start - 1
    easting, northing = grid.to_map(col + 0.5, row + 0.5)
    rows, cols = np.nonzero(parts[box] == number)
    why = surface.closed_by[rows + box[0].start - 1, cols + box[1].start - 1]
    counts = np.bincount(why + 1, minlength=1)
    most = int(counts.argmax()) - 1
    name = surface.reasons[most].split(": ", 1)[-1] if most >= 0 else "steep ground"
    return Obstacle(name, float(easting), float(northing), size_m)


def _gaps(owner: NDArray, distance: NDArray, labels: NDArray, ahead: tuple[float, float]) -> list[int]:
    """Flat index (padded sheet) of the narrowest cell of every stretch between two obstacles.

    An obstacle with one neighbour only, all round it, is parted from it on both
    sides of the direction `ahead` (columns, rows) from START to END.
    """
    cols = owner.shape[1]
    stretches = [
        (pair, cells)
        for pair, all_cells in _edges(owner, labels)
        for cells in _hanging(all_cells, owner.shape)
    ]
    count: dict[int, int] = {}
    for pair, _ in stretches:
        for one in pair:
            count[one] = count.get(one, 0) + 1
    found = []
    for pair, cells in stretches:
        lonely = next((one for one in pair if one != BORDER and count[one] == 1), None)
        parts = [cells]
        if lonely is not None:
            rows, at = np.nonzero(labels == lonely)
            side = (cells % cols - at.mean()) * ahead[1] - (cells // cols - rows.mean()) * ahead[0]
            parts = [part for part in (cells[side < 0.0], cells[side >= 0.0]) if part.size]
        found += [int(part[distance.ravel()[part].argmin()]) for part in parts]
    return found


def _edges(owner: NDArray, labels: NDArray) -> list[tuple[tuple[int, int], NDArray[np.int64]]]:
    """Open cells whose neighbour east or south is nearest to another obstacle, by pair of obstacles."""
    cols = owner.shape[1]
    edge: dict[tuple[int, int], list[NDArray]] = {}
    for a, b, first in (
        (owner[:, :-1], owner[:, 1:], (slice(None), slice(0, -1))),
        (owner[:-1], owner[1:], (slice(0, -1), slice(None))),
    ):
        free = (labels[first] == 0) & (a != b)
        rows, at = np.nonzero(free)
        pair = np.sort(np.column_stack([a[free], b[free]]), axis=1)
        for key in np.unique(pair, axis=0):
            mine = (pair == key).all(axis=1)
            edge.setdefault((int(key[0]), int(key[1])), []).append(rows[mine] * cols + at[mine])
    return [(key, np.unique(np.concatenate(edge[key]))) for key in sorted(edge)]


def _hanging(cells: NDArray, shape: tuple[int, int]) -> list[NDArray[np.int64]]:
    """Cells in groups that hang together, small gaps closed."""
    mask = np.zeros(shape, dtype=bool)
    mask.ravel()[cells] = True
    parts, count = label(binary_dilation(mask, structure=np.ones((3, 3))), structure=np.ones((3, 3)))
    return [cells[parts.ravel()[cells] == number] for number in range(1, count + 1)]


def _wall(gap: int, row_at: NDArray, col_at: NDArray, owner: NDArray) -> NDArray[np.int64]:
    """Cells from the narrowest place to the obstacles on both sides, padded sheet, thick enough to hold."""
    rows, cols = owner.shape
    row, col = divmod(gap, cols)
    ends = {int(owner[row, col]): (int(row_at[row, col]), int(col_at[row, col]))}
    for dr, dc in ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (-1, -1), (1, -1), (-1, 1)):
        r, c = row + dr, col + dc
        if 0 <= r < rows and 0 <= c < cols:
            ends.setdefault(int(owner[r, c]), (int(row_at[r, c]), int(col_at[r, c])))
    mask = np.zeros(owner.shape, dtype=bool)
    for end in ends.values():
        count = 2 * max(abs(end[0] - row), abs(end[1] - col)) + 2
        t = np.linspace(0.0, 1.0, count)
        mask[
            np.round(row + t * (end[0] - row)).astype(int), np.round(col + t * (end[1] - col)).astype(int)
        ] = True
    return np.flatnonzero(binary_dilation(mask, structure=CROSS))


def _regions_beside(cells: NDArray, regions: NDArray) -> tuple[int, int] | None:
    """The two regions that a wall parts; None where it parts none."""
    mask = np.zeros(regions.shape, dtype=bool)
    mask.ravel()[cells] = True
    beside = regions[binary_dilation(mask, structure=CROSS) & ~mask]
    counts = np.bincount(beside[beside > 0])
    order = [int(k) for k in np.argsort(-counts, kind="stable") if counts[k] > 0][:2]
    return (order[0], order[1]) if len(order) == 2 else None


def _unpadded(cells: NDArray, grid: Grid) -> NDArray[np.int64]:
    rows, cols = cells // (grid.cols + 2) - 1, cells % (grid.cols + 2) - 1
    good = (rows >= 0) & (cols >= 0) & (rows < grid.rows) & (cols < grid.cols)
    return rows[good] * grid.cols + cols[good]


def _region_of(end: RouteEnd, grid: Grid, regions: NDArray) -> int:
    """The region that holds an end, or the nearest one."""
    u, v = grid.to_cells(end.easting, end.northing)
    row = int(np.clip(np.floor(v), 0, grid.rows - 1)) + 1
    col = int(np.clip(np.floor(u), 0, grid.cols - 1)) + 1
    if regions[row, col]:
        return int(regions[row, col])
    _, (row_at, col_at) = distance_transform_edt(regions == 0, return_indices=True)
    return int(regions[row_at[row, col], col_at[row, col]])


def chains(graph: PassGraph) -> Iterator[tuple[int, ...]]:
    """Chains of passes from START to END that return to no region, the shortest first.

    Source: networkx.shortest_simple_paths (J. Y. Yen 1971, *Management Science* 17).
    """
    if graph.start_region == graph.end_region:
        yield ()
    net = nx.Graph()
    net.add_nodes_from(["START", "END"])
    spots = [(p.easting_m, p.northing_m) for p in graph.passes]

    def join(a, b, from_m, to_m) -> None:
        net.add_edge(a, b, weight=math.hypot(to_m[0] - from_m[0], to_m[1] - from_m[1]))

    for k, one in enumerate(graph.passes):
        if graph.start_region in one.regions:
            join("START", k, (graph.start.easting, graph.start.northing), spots[k])
        if graph.end_region in one.regions:
            join(k, "END", spots[k], (graph.end.easting, graph.end.northing))
    for a, b in combinations(range(len(graph.passes)), 2):
        if set(graph.passes[a].regions) & set(graph.passes[b].regions):
            join(a, b, spots[a], spots[b])
    if not nx.has_path(net, "START", "END"):
        return
    for path in nx.shortest_simple_paths(net, "START", "END", weight="weight"):
        chain = tuple(path[1:-1])
        if _once_through(graph, chain):
            yield chain


def _once_through(graph: PassGraph, chain: tuple[int, ...]) -> bool:
    """Whether a chain of passes leads from region to region and never back."""
    here, seen = graph.start_region, {graph.start_region}
    for k in chain:
        one = graph.passes[k].regions
        if here not in one:
            return False
        here = one[1] if one[0] == here else one[0]
        if here in seen:
            return False
        seen.add(here)
    return here == graph.end_region


def walled(graph: PassGraph, chain: tuple[int, ...]) -> CostSurface:
    """The ground with every pass closed but those of a chain."""
    ground = graph.surface.ground.copy()
    flat = ground.reshape(-1, 4)
    for k, one in enumerate(graph.passes):
        if k not in chain:
            flat[one.cells, 0] = np.inf
    return replace(graph.surface, ground=ground)


def swept_turns(line: Alignment, obstacles: tuple[Obstacle, ...]) -> NDArray[np.float64]:
    """Turns that a line sweeps about each obstacle's inner place, counter-clockwise positive."""
    xy = densify(line, 1.0)
    turns = np.empty(len(obstacles))
    for k, obstacle in enumerate(obstacles):
        angle = np.unwrap(np.arctan2(xy[:, 1] - obstacle.northing_m, xy[:, 0] - obstacle.easting_m))
        turns[k] = (angle[-1] - angle[0]) / (2.0 * np.pi)
    return turns


def different(a: Alignment, b: Alignment, obstacles: tuple[Obstacle, ...]) -> tuple[int, ...]:
    """Indices of the obstacles that lie on different sides of two lines with the same ends."""
    apart = np.round(swept_turns(a, obstacles) - swept_turns(b, obstacles))
    return tuple(int(k) for k in np.flatnonzero(apart != 0.0))


def sides(line: Alignment, obstacles: tuple[Obstacle, ...]) -> tuple[str, ...]:
    """On which side of the line each obstacle lies: left, right."""
    return tuple("left" if turn > 0.0 else "right" for turn in swept_turns(line, obstacles))


def size_steps(radius_m: float, cell_m: float, largest_m: float) -> list[float]:
    """Least sizes of obstacles to go round, coarse first: what is passed on either side should matter."""
    least = LEAST_CELLS * cell_m
    steps = [size for size in (2.0 * radius_m, radius_m, 0.5 * radius_m, 0.25 * radius_m) if size > least]
    return [size for size in (*steps, least) if size <= max(largest_m, least)]


def largest_obstacle_m(surface: CostSurface) -> float:
    """Size of the largest obstacle that does not reach the sheet's edge."""
    _, found = _obstacles(surface, 0.0)
    return max((obstacle.size_m for obstacle in found), default=0.0)
