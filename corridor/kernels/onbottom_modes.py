"""The lowest natural frequency of every span.

The pipe vibrates with its effective mass m (steel, coating, contents, added
mass) on springs of dynamic stiffness where it touches; a window around each
span is cut out and clamped at its ends, where the seabed holds it anyway:

    K v = ω² M v,   K: beam, axial force and springs; M: consistent mass.

Lanczos' method for K⁻¹ M in the inner product of M (C. Lanczos 1950, *J. Res.
Natl. Bur. Stand.* 45; B. N. Parlett, *The Symmetric Eigenvalue Problem*; both from
memory). It starts from half a sine wave on the span, so that the span's own
modes come out first. Vectors are not kept orthogonal to all before: what that
spoils is only that modes already found may come out twice, and the first
own mode ends the search. Elements and numbering as in
:mod:`corridor.kernels.onbottom`.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import ONE, kernel
from corridor.kernels.onbottom import factor, substitute

STEPS = 120
"""Most vectors of the Krylov space."""

CHECK_EVERY = 5
"""Vectors between two looks at the modes found so far."""

OF_WINDOW_PEAK = 0.5
"""A mode is the span's own when its peak there exceeds this share of the window's peak."""

TOLERANCE = 1e-3
"""Relative residual of 1/ω² at which a mode counts as found; the error of ω is of its square."""


@kernel
def span_frequencies(begin, end, hold, margin, spring, lateral, c, tension, mass, h, crossflow, inline):
    """Fundamental frequency of each span, up and down and sideways.

    Parameters
    ----------
    begin, end : array (s,) int
        Last touching node before the span and first one after it.
    hold : int
        Touching nodes in a row after which nothing beyond matters: the window ends there.
    margin : array (s,) int
        Nodes of the window beyond either end at most.
    spring : array (n,), N/m
        Dynamic spring under each node, vertical; 0 where it does not touch.
    lateral : float
        Sideways, the springs are so many times as stiff.
    c, tension, h
        As in :func:`corridor.kernels.onbottom.factor`.
    mass : float, kg/m
        Effective mass.
    crossflow, inline : array (s,), Hz, out
        The lowest mode whose peak lies in the span. NaN where none was found; 0
        where the axial force makes the window unstable.
    """
    for s in range(len(begin)):
        first = _held(begin[s], -ONE, hold, margin[s], spring)
        last = _held(end[s], ONE, hold, margin[s], spring) + 1
        left, right = begin[s] - first + 1, end[s] - first
        shape = np.zeros((last - first, 2))
        for i in range(left, right):
            shape[i, 0] = math.sin(math.pi * (i - left + 1) / (right - left + 1))
        springs = spring[first:last].copy()
        pull = tension[first : last - 1]
        crossflow[s] = _window_frequency(left, right, springs, c, pull, mass, h, shape)
        # The mode up and down is nearly the mode sideways: a start that takes few steps.
        springs *= lateral
        inline[s] = _window_frequency(left, right, springs, c, pull, mass, h, shape)


@kernel
def _held(node, away, hold, margin, spring):
    """The node at which the window ends on one side."""
    row = 0
    for step in range(margin):
        if not 0 < node + away * step < len(spring) - 1:
            return node + away * step
        row = row + 1 if spring[node + away * step] > 0.0 else 0
        if row > hold:
            return node + away * step
    return node + away * margin


@kernel
def _window_frequency(begin, end, spring, c, tension, mass, h, shape):
    """Frequency of the span of nodes begin .. end - 1; the first and last node are clamped.

    `shape` (n, 2) is where the search starts and becomes the mode when one is found.
    """
    n = len(spring)
    pivot = np.empty((n, 3))
    gain = np.empty((n, 4))
    if factor(ONE, n - 1, spring, c, tension, h, pivot, gain) >= 0:
        return 0.0
    steps = min(STEPS, 2 * (n - 2))
    basis = np.empty((steps + 1, n, 2))
    heavy = np.empty((n, 2))
    ritz = np.zeros((steps, steps))
    basis[0] = shape
    rest = _normalise(basis[0], heavy, mass, h)
    for j in range(steps):
        new = basis[j + 1]
        new[:] = heavy
        substitute(ONE, n - 1, pivot, gain, new)
        if j > 0:
            _add(-rest, basis[j - 1], new)
        ritz[j, j] = _dot(heavy, new)
        _add(-ritz[j, j], basis[j], new)
        rest = _normalise(new, heavy, mass, h)
        exhausted = rest < 1e-12 * ritz[0, 0] or j == steps - 1
        if (j + 1) % CHECK_EVERY == 0 or exhausted:
            square = _own_mode(ritz[: j + 1, : j + 1], rest, basis, begin, end, shape)
            if square > 0.0:
                return math.sqrt(square) / (2.0 * math.pi)
            if exhausted:
                break
        ritz[j, j + 1] = rest
        ritz[j + 1, j] = rest
    return np.nan


@kernel
def _own_mode(ritz, rest, basis, begin, end, shape):
    """ω² of the span's lowest own mode among those the Krylov space holds; 0 when not found yet."""
    size = len(ritz)
    values, vectors = np.linalg.eigh(ritz)
    mode = np.empty_like(shape)
    for column in range(size - 1, -1, -1):
        if values[column] <= 0.0:
            return 0.0
        for i in range(len(mode)):
            mode[i, 0] = mode[i, 1] = 0.0
        for m in range(size):
            _add(vectors[m, column], basis[m], mode)
        if _peaks_within(mode, begin, end):
            if abs(rest * vectors[size - 1, column]) > TOLERANCE * values[column]:
                return 0.0
            for i in range(len(mode)):
                shape[i, 0] = mode[i, 0]
                shape[i, 1] = mode[i, 1]
            return 1.0 / values[column]
    return 0.0


@kernel
def _peaks_within(shape, begin, end):
    inside = 0.0
    overall = 0.0
    for i in range(len(shape)):
        peak = abs(shape[i, 0])
        overall = max(overall, peak)
        if begin <= i < end:
            inside = max(inside, peak)
    return inside > OF_WINDOW_PEAK * overall


@kernel
def _normalise(shape, heavy, mass, h):
    """Scale to unit modal mass; heavy = M shape. Returns the norm before."""
    _times_mass(shape, heavy, mass, h)
    norm = math.sqrt(max(_dot(heavy, shape), 1e-300))
    shape /= norm
    heavy /= norm
    return norm


@kernel(fastmath=True)
def _dot(a, b):
    total = 0.0
    for i in range(len(a)):
        total += a[i, 0] * b[i, 0] + a[i, 1] * b[i, 1]
    return total


@kernel(fastmath=True)
def _add(factor, a, total):
    for i in range(len(a)):
        total[i, 0] += factor * a[i, 0]
        total[i, 1] += factor * a[i, 1]


@kernel
def _times_mass(v, product, mass, h):
    """Consistent mass of the elements times v (n, 2), first and last node held."""
    n = len(v)
    unit = mass * h / 420.0
    product[:] = 0.0
    for i in range(n - 1):
        u1, u2 = v[i]
        v1, v2 = v[i + 1]
        product[i, 0] += unit * (156.0 * u1 + 22.0 * u2 + 54.0 * v1 - 13.0 * v2)
        product[i, 1] += unit * (22.0 * u1 + 4.0 * u2 + 13.0 * v1 - 3.0 * v2)
        product[i + 1, 0] += unit * (54.0 * u1 + 13.0 * u2 + 156.0 * v1 - 22.0 * v2)
        product[i + 1, 1] -= unit * (13.0 * u1 + 3.0 * u2 + 22.0 * v1 - 4.0 * v2)
    product[0] = 0.0
    product[n - 1] = 0.0
