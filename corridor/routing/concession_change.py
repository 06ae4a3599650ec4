"""How the terms of a line change as it moves: the ground is looked at a few times, not for every move.

What a place asks of a rule hangs on where it is and on the line's direction there. Both change with the
line by plane geometry; how the terms change with them is measured once for all moves.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from corridor.model.alignment import Alignment
from corridor.routing.concession_terms import Layout, Terms, positions
from corridor.routing.geometry import bends

APART_M, APART_RAD = 0.25, 1e-3
"""Places and directions between which a term's change is measured."""


def change_of_terms(
    terms: Terms, line: Alignment, layout: Layout, moves: Sequence[tuple[int, Alignment]], size: float
) -> NDArray[np.float64]:
    """Change of every term with every move, (terms, moves), per unit of the move.

    Parameters
    ----------
    moves : sequence of (row, Alignment)
        Lines in which only the IP at `row` has moved, by `size`.
    """
    curve = bends(line)
    here = positions(line, curve, layout.element, layout.share)
    on_ground, at_zones = _partials(terms, layout, here)
    of_line, _ = terms.of_line(line, curve, layout)
    width, samples, zones = terms.per_sample, len(layout.element), len(layout.zone)
    out = np.zeros((samples * width + zones + len(of_line), len(moves)))
    samples_of = out[: samples * width].reshape(samples, width, len(moves))
    shift = np.zeros((samples, 2))
    for k, (row, moved) in enumerate(moves):
        other = bends(moved)
        near = np.flatnonzero((layout.element >= 2 * (row - 2)) & (layout.element <= 2 * (row + 1)))
        there = positions(moved, other, layout.element[near], layout.share[near])
        moved_by = np.column_stack([t - h[near] for t, h in zip(there, here, strict=True)])
        moved_by[:, 2] = np.remainder(moved_by[:, 2] + np.pi, 2.0 * np.pi) - np.pi
        moved_by /= size
        samples_of[near, :, k] = np.einsum("swd,sd->sw", on_ground[near], moved_by)
        shift[near] = moved_by[:, :2]
        out[samples * width : samples * width + zones, k] = (at_zones * shift[layout.at]).sum(axis=1)
        shift[near] = 0.0
        out[samples * width + zones :, k] = (terms.of_line(moved, other, layout)[0] - of_line) / size
    out[~np.isfinite(out)] = 0.0
    return out


def difference_of_terms(
    terms: Terms, line: Alignment, layout: Layout, moves: Sequence[tuple[int, Alignment]], size: float
) -> NDArray[np.float64]:
    """The same, with every place looked at anew for every move that shifts it.

    Slower by far; the difference is then taken over just what the move shifts a place by.
    """
    value, _ = terms.values(line, layout)
    width, samples = terms.per_sample, len(layout.element)
    easting, northing, _ = positions(line, bends(line), layout.element, layout.share)
    out = np.zeros((len(value), len(moves)))
    for k, (row, moved) in enumerate(moves):
        other = bends(moved)
        near = np.flatnonzero((layout.element >= 2 * (row - 2)) & (layout.element <= 2 * (row + 1)))
        there = positions(moved, other, layout.element[near], layout.share[near])
        changed = value.copy()
        changed[: samples * width].reshape(samples, width)[near] = terms.at_samples(*there)[0]
        east, north = easting.copy(), northing.copy()
        east[near], north[near] = there[0], there[1]
        changed[samples * width :] = np.concatenate(
            [terms.at_zones(east, north, layout)[0], terms.of_line(moved, other, layout)[0]]
        )
        out[:, k] = (changed - value) / size
    out[~np.isfinite(out)] = 0.0
    return out


def _partials(
    terms: Terms, layout: Layout, here: tuple[NDArray, NDArray, NDArray]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Change of the terms at samples (m, per_sample, 3) with easting, northing and bearing, and of the
    terms of zones (p, 2) with easting and northing."""
    samples, _ = terms.at_samples(*here)
    zones, _ = terms.at_zones(here[0], here[1], layout)
    on_ground, at_zones = np.empty((*samples.shape, 3)), np.empty((len(zones), 2))
    for axis, apart in enumerate((APART_M, APART_M, APART_RAD)):
        there = tuple(value + apart if axis == n else value for n, value in enumerate(here))
        on_ground[:, :, axis] = (terms.at_samples(*there)[0] - samples) / apart
        if axis < 2:
            at_zones[:, axis] = (terms.at_zones(there[0], there[1], layout)[0] - zones) / apart
    return on_ground, at_zones
