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
from corridor.routing.geometry import Bends, bends

APART_M, APART_RAD = 0.25, 1e-3
"""Places and directions between which a term's change is measured."""


def change_of_terms(
    terms: Terms, line: Alignment, layout: Layout, value: NDArray[np.float64],
    moves: Sequence[tuple[int, Alignment]], size: float,
) -> NDArray[np.float64]:  # fmt: skip
    """Change of every term with every move, (terms, moves), per unit of the move.

    Parameters
    ----------
    value : array (terms,)
        The terms of the line itself.
    moves : sequence of (row, Alignment)
        Lines in which only the IP at `row` has moved, by `size`.
    """
    here = positions(line, bends(line), layout.element, layout.share)
    width, samples = terms.per_sample, len(layout.element)
    zones = slice(samples * width, samples * width + len(layout.zone))
    on_ground, at_zones = _partials(
        terms, layout, here, value[: zones.start].reshape(samples, width), value[zones]
    )
    out = np.zeros((len(value), len(moves)))
    samples_of = out[: zones.start].reshape(samples, width, len(moves))
    shift = np.zeros((samples, 2))
    for k, (row, moved) in enumerate(moves):
        other = bends(moved)
        near, there = _shifted(layout, row, moved, other)
        moved_by = np.column_stack([t - h[near] for t, h in zip(there, here, strict=True)])
        moved_by[:, 2] = np.remainder(moved_by[:, 2] + np.pi, 2.0 * np.pi) - np.pi
        moved_by /= size
        samples_of[near, :, k] = np.einsum("swd,sd->sw", on_ground[near], moved_by)
        shift[near] = moved_by[:, :2]
        out[zones, k] = (at_zones * shift[layout.at]).sum(axis=1)
        shift[near] = 0.0
        out[zones.stop :, k] = (terms.of_line(moved, other, layout)[0] - value[zones.stop :]) / size
    out[~np.isfinite(out)] = 0.0
    return out


def difference_of_terms(
    terms: Terms, line: Alignment, layout: Layout, value: NDArray[np.float64],
    moves: Sequence[tuple[int, Alignment]], size: float,
) -> NDArray[np.float64]:  # fmt: skip
    """The same, with every place looked at anew for every move that shifts it.

    Slower by far; the difference is then taken over just what the move shifts a place by.
    """
    width, samples = terms.per_sample, len(layout.element)
    easting, northing, _ = positions(line, bends(line), layout.element, layout.share)
    out = np.zeros((len(value), len(moves)))
    for k, (row, moved) in enumerate(moves):
        other = bends(moved)
        near, there = _shifted(layout, row, moved, other)
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


def _shifted(
    layout: Layout, row: int, moved: Alignment, curve: Bends
) -> tuple[NDArray[np.intp], tuple[NDArray, NDArray, NDArray]]:
    """Samples that a move of the IP at `row` can shift, and where they are then, with the bearings."""
    near = np.flatnonzero((layout.element >= 2 * (row - 2)) & (layout.element <= 2 * (row + 1)))
    return near, positions(moved, curve, layout.element[near], layout.share[near])


def _partials(
    terms: Terms, layout: Layout, here: tuple[NDArray, NDArray, NDArray], samples: NDArray, zones: NDArray
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Change of the terms at samples (m, per_sample, 3) with easting, northing and bearing, and of the
    terms of zones (p, 2) with easting and northing."""
    on_ground, at_zones = np.empty((*samples.shape, 3)), np.empty((len(zones), 2))
    for axis, apart in enumerate((APART_M, APART_M, APART_RAD)):
        there = tuple(value + apart if axis == n else value for n, value in enumerate(here))
        on_ground[:, :, axis] = (terms.at_samples(*there)[0] - samples) / apart
        if axis < 2:
            at_zones[:, axis] = (terms.at_zones(there[0], there[1], layout)[0] - zones) / apart
    return on_ground, at_zones
