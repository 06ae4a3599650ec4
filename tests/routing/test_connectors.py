"""Connectors against every cell of a small grid, one pair of directions and one cell at a time.

The reference is written from the geometry alone: Q = P + a u + b U, solved for the two
legs with numpy's linear solver.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from corridor.kernels.headings import heading_vectors
from corridor.routing.connectors import NEAREST, connectors, free_directions
from corridor.routing.moves import MOST_TURN_DEG

SHAPE = (30, 40)
RADIUS, STRAIGHT, AT_POSE = 4.0, 1.5, 0.7


def slow(position, direction, unit) -> list[tuple[float, int, int]]:
    """(length, column, row) of the nearest cells that one pair of directions reaches, shortest first."""
    cosine = float(np.clip(np.dot(direction, unit), -1.0, 1.0))
    turn = math.acos(cosine)
    if not 1e-6 <= turn <= math.radians(MOST_TURN_DEG):
        return []
    tangent = RADIUS * math.tan(turn / 2.0)
    found = []
    for row in range(SHAPE[0]):
        for col in range(SHAPE[1]):
            to = np.array([col + 0.5, row + 0.5]) - position
            a, b = np.linalg.solve(np.column_stack([direction, unit]), to)
            if a >= tangent + AT_POSE - 1e-9 and b >= tangent + STRAIGHT / 2.0 - 1e-9:
                found.append((round(a + b, 9), col, row))
    return sorted(found)[:NEAREST]


@pytest.mark.parametrize(
    ("position", "headings", "directions"),
    [
        ((17.3, 12.8), 16, free_directions(16)[::5]),
        ((20.5, 14.5), 16, free_directions(16)[::4]),  # a cell's centre, along headings: one way is straight
        ((2.1, 28.9), 32, np.array([[math.cos(0.3), math.sin(0.3)]])),  # most ways leave the grid
    ],
)
def test_the_nearest_cells_of_every_pair_of_directions_are_found(position, headings, directions) -> None:
    found = connectors(position, directions, headings, RADIUS, STRAIGHT, AT_POSE, SHAPE)
    vectors = heading_vectors(headings).astype(float)
    unit = vectors / np.hypot(vectors[:, 0], vectors[:, 1])[:, None]
    order = np.column_stack([found.pose, found.heading])
    assert (np.diff(order[:, 0] * headings + order[:, 1]) >= 0).all()
    bent = ~np.isnan(found.radius)
    pairs = 0
    for number, direction in enumerate(directions):
        for heading in range(headings):
            here = np.flatnonzero(bent & (found.pose == number) & (found.heading == heading))
            got = [
                (round(found.leg_in[k] + found.leg_out[k], 9), *(int(x) for x in found.cell[k])) for k in here
            ]
            assert got == slow(np.array(position), direction, unit[heading])
            pairs += bool(got)
    assert pairs > 5
    end = found.ip[bent] + found.leg_out[bent, None] * unit[found.heading[bent]]
    np.testing.assert_allclose(end, found.cell[bent] + 0.5, atol=1e-9)
    np.testing.assert_allclose(
        np.array(position) + found.leg_in[bent, None] * directions[found.pose[bent]], found.ip[bent]
    )
    straight = found.cell[~bent] + 0.5 - np.array(position)
    sizes = np.hypot(straight[:, 0], straight[:, 1])
    np.testing.assert_allclose(straight / sizes[:, None], directions[found.pose[~bent]], atol=1e-9)
    np.testing.assert_allclose(found.leg_in[~bent], sizes)
