"""What a line is charged on the gridded ground, term by term, without refusing anything."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.stencils import next_border

_SLACK = 1e-9


@kernel
def line_terms(ground, points, lengths):
    """Length, discouraged and slope terms of every piece of a polyline.

    The same integral as the search's, by exact cell traversal; closed cells
    count as open ones so that a line that breaks a rule still has a price.

    Parameters
    ----------
    ground : corridor.kernels.ground.Ground
    points : array (n, 2)
        u, v in cell units.
    lengths : array (n - 1,)
        True length of each piece, cells (an arc's is longer than its chord).

    Returns
    -------
    array (n - 1, 3)
        Length; what the factor adds; what the slope adds. Cells.
    """
    terms = np.zeros((len(lengths), 3))
    for i in range(len(lengths)):
        u, v = points[i]
        east, south = points[i + 1, 0] - u, points[i + 1, 1] - v
        chord = math.hypot(east, south)
        terms[i, 0] = lengths[i]
        if chord < 1e-12:
            continue
        east /= chord
        south /= chord
        stretch = lengths[i] / chord
        done = 0.0
        while done < chord - _SLACK:
            here_u, here_v = u + done * east, v + done * south
            step = min(next_border(here_u, east), next_border(here_v, south))
            step = min(max(step, _SLACK), chord - done)
            col = math.floor(here_u + 0.5 * step * east)
            row = math.floor(here_v + 0.5 * step * south)
            if 0 <= col < ground.cols and 0 <= row < ground.rows:
                index = row * ground.cols + col
                factor = ground.cells[index, 0]
                along = ground.cells[index, 1] * east + ground.cells[index, 2] * south
                across = ground.cells[index, 2] * east - ground.cells[index, 1] * south
                if factor < math.inf:
                    terms[i, 1] += step * stretch * (factor - 1.0)
                terms[i, 2] += (
                    step * stretch * (ground.k_along * along * along + ground.k_across * across * across)
                )
            done += step
    return terms
