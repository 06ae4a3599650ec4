"""SearchSpace: a cost surface and its rules in the form the search kernels take."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from corridor.kernels.ground import Ground
from corridor.kernels.search import Crossings, Moves
from corridor.model.results import CostSurface
from corridor.model.rules import RouteRules
from corridor.routing.ground import kernel_crossings, kernel_ground
from corridor.routing.moves import Bend, bend_table, build_moves


@dataclass(frozen=True, slots=True, eq=False)
class SearchSpace:
    """Everything a search needs in kernel form; build it once, search often."""

    surface: CostSurface
    rules: RouteRules
    ground: Ground
    moves: Moves
    bends: tuple[Bend, ...]
    crossings: Crossings


def search_space(surface: CostSurface, rules: RouteRules) -> SearchSpace:
    """Prepare moves and crossings for a surface under some rules."""
    cell = surface.grid.cell_m
    table = bend_table(rules.headings, rules.min_bend_radius_m / cell, rules.min_straight_m / cell)
    return SearchSpace(
        surface=surface,
        rules=rules,
        ground=kernel_ground(surface),
        moves=build_moves(table, rules.headings, surface.grid.cols, rules.bend_cost_m / cell),
        bends=table,
        crossings=kernel_crossings(surface, rules.headings),
    )


def open_water_weight(space: SearchSpace) -> float:
    """Largest factor (<= 1) on the relaxed field that no bend contradicts in open water.

    On uniform ground the relaxed field between the ends of a bend is the sum of
    two grid directions; the bend costs its true length and its price.
    """
    moves = space.moves
    if len(moves.bend_to) == 0:
        return 1.0
    vectors = moves.vectors.astype(float)
    least = math.inf
    for a, b in zip(range(len(vectors)), [*range(1, len(vectors)), 0], strict=True):
        area = vectors[a, 0] * vectors[b, 1] - vectors[a, 1] * vectors[b, 0]
        along_a = (moves.bend_end[:, 0] * vectors[b, 1] - moves.bend_end[:, 1] * vectors[b, 0]) / area
        along_b = (vectors[a, 0] * moves.bend_end[:, 1] - vectors[a, 1] * moves.bend_end[:, 0]) / area
        between = (along_a > -1e-9) & (along_b > -1e-9)
        if between.any():
            steps = along_a * moves.step_length[a] + along_b * moves.step_length[b]
            least = min(least, float(np.min((moves.bend_length + moves.bend_cost)[between] / steps[between])))
    # The field sums float32 step costs: stay below it by more than their rounding.
    return min(1.0, least) * (1.0 - 1e-6)
