"""Smooth noise from an integer hash: the same numbers on every machine.

No generator state, no library's random stream: the value at a lattice node is
a hash of its two indices and a seed, in exact unsigned 32-bit arithmetic.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array

_MASK = 0xFFFFFFFF


def hash_unit(i: ArrayLike, j: ArrayLike, seed: int) -> NDArray[np.float64]:
    """Map integer pairs to numbers in [0, 1), uncorrelated between neighbours.

    Parameters
    ----------
    i, j : array of int, broadcastable
        Lattice indices, any sign.
    seed : int
        Another seed, another set of numbers.

    Returns
    -------
    array of float
        Multiples of 2**-32.
    """
    h = _wrap(i) * np.uint32(0x9E3779B1)
    h = h ^ (_wrap(j) * np.uint32(0x85EBCA77) + np.uint32((seed * 0x27D4EB2F) & _MASK))
    for shift, factor in ((15, 0x2C1B3C6D), (12, 0x297A2D39), (15, 0xA3D8F5B1)):
        h = (h ^ (h >> np.uint32(shift))) * np.uint32(factor)
    return (h ^ (h >> np.uint32(16))).astype(np.float64) / 2.0**32


def _wrap(index: ArrayLike) -> NDArray[np.uint32]:
    return (np.atleast_1d(np.asarray(index, dtype=np.int64)) & _MASK).astype(np.uint32)


def noise(easting_m: NDArray, northing_m: NDArray, spacing_m: float, seed: int) -> NDArray[np.float64]:
    """Smooth noise between -1 and 1 with humps about two `spacing_m` apart.

    Hashed values on a square lattice, joined by uniform cubic B-splines (twice
    continuously differentiable).

    Parameters
    ----------
    easting_m, northing_m : array, m, broadcastable
        A grid's (1, cols) and (rows, 1), which is fast, or any points.
    spacing_m : float
        Side of the lattice.
    seed : int

    Returns
    -------
    array of the broadcast shape
    """
    i, across = _knots(easting_m, spacing_m)
    j, down = _knots(northing_m, spacing_m)
    i0, j0 = int(i.min()), int(j.min())
    columns = np.arange(i0, int(i.max()) + 4)
    rows = np.arange(j0, int(j.max()) + 4)
    lattice = 2.0 * hash_unit(columns[None, :], rows[:, None], seed) - 1.0
    i, j = i - i0, j - j0
    if i.ndim == 2 and i.shape[0] == 1 and j.shape[1] == 1:
        strip = sum(across[k] * lattice[:, i[0] + k] for k in range(4))
        return _spread(j[:, 0], down, rows.size) @ strip
    return sum(down[m] * across[k] * lattice[j + m, i + k] for k in range(4) for m in range(4))


def _spread(first: NDArray, weights: tuple[NDArray, ...], count: int) -> csr_array:
    """Weights as a sparse matrix (positions, lattice lines): four neighbours in each row.

    Sparse, so that no threaded matrix library takes part: on a busy machine it
    spends more time waiting for its threads than this takes.
    """
    values = np.stack([weight.ravel() for weight in weights], axis=1).ravel()
    lines = (first[:, None] + np.arange(4)).ravel()
    return csr_array((values, lines, np.arange(0, values.size + 1, 4)), shape=(first.size, count))


def _knots(position_m: NDArray, spacing_m: float) -> tuple[NDArray, tuple[NDArray, ...]]:
    """First of the four lattice indices around each position, and their B-spline weights."""
    scaled = np.asarray(position_m, dtype=float) / spacing_m
    whole = np.floor(scaled)
    t = scaled - whole
    weights = (
        (1 - t) ** 3 / 6,
        (3 * t**3 - 6 * t**2 + 4) / 6,
        (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6,
        t**3 / 6,
    )
    return whole.astype(np.int64) - 1, weights


def smoothstep(low: float, high: float, value: ArrayLike) -> NDArray[np.float64]:
    """0 below `low`, 1 above `high`, a cubic with level ends between (either may be the larger)."""
    t = np.clip((np.asarray(value, dtype=float) - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
