"""Assets on the search grid: whoever changes sides crosses, wherever their vertices lie."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from corridor.kernels.assets import crosses
from corridor.kernels.headings import heading_vectors
from corridor.model.grid import Grid
from corridor.model.layers import Layer
from corridor.terrain.assets import assets_on

GRID = Grid(40, 40, 0.0, 400.0, 10.0, "EPSG:32740")


def cable(u, v):
    """An asset along vertices in cell units."""
    easting, northing = GRID.to_map(np.asarray(u, float), np.asarray(v, float))
    line = np.empty(1, dtype=object)
    line[0] = shapely.LineString(np.column_stack([easting, northing]))
    none = np.zeros(1)
    return assets_on(GRID, (Layer("cables", "cross", line, ("cable",), ({},), none, none),))


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("grain", [1.0, 0.5])
def test_a_chain_of_steps_from_one_side_to_the_other_crosses_an_odd_number_of_times(seed, grain):
    """An asset from edge to edge with its vertices in centres and corners of cells.

    Reference: a curve from one side of it to the other meets it an odd number of times (Jordan).
    """
    rng = np.random.default_rng(seed)
    u = 20.5 + np.round(rng.uniform(-4.0, 4.0, 12) / grain) * grain
    v = np.round(np.sort(rng.uniform(2.0, 38.0, 12)) / grain) * grain + 0.5
    u, v = np.concatenate([u[:1], u, u[-1:]]), np.concatenate([[-200.0], v, [240.0]])
    assets = cable(u, v)
    steps = heading_vectors(32)
    eastward = steps[steps[:, 0] > 0]
    for _ in range(100):
        place, met = np.array([8.5, rng.integers(10, 30) + 0.5]), 0
        while place[0] < 32.0:
            to = place + eastward[rng.integers(len(eastward))]
            met += sum(crosses(*place, *to, *segment) for segment in assets.segments)
            place = to
        assert met % 2 == 1
