"""A beam with tension on a one-sided foundation: one sweep, one window, its forces.

The pipe's underside w (m, positive up) over the seabed z minimises

    ∫ ½ EI w''² + ½ T w'² + q w + ½ k max(z - w, 0)² dx

(Euler-Bernoulli beam; S. Timoshenko, *Strength of Materials* part II, and M.
Hetenyi, *Beams on Elastic Foundation*, 1946, for the two-sided case). It is cut
into cubic Hermite elements of equal length h with springs ``ks = k h`` at the
nodes. The unknowns of node i are ``x[i] = (w, h w')``: the scaled rotation
makes every block of the stiffness matrix a multiple of one number.

For a given set of touching nodes the problem is linear and its matrix has a
half-bandwidth of 3: 2 x 2 blocks in three diagonals, factored here as a block
L D L^T without pivoting. A pivot that is not positive means that the pipe is
not stable: it buckles under its axial force.
"""

from __future__ import annotations

import numpy as np

from corridor.compiled import ZERO, kernel

NEWTON_ROUNDS = 200
"""Most steps in one window; the line search needs a handful."""


@kernel(inline="always")
def _element(c, t):
    """Stiffness of one element, c = EI/h³ and t = T/h: 11, 12, 22, 24 entries, all N/m.

    Full matrix in (w1, h w1', w2, h w2'):
    ``[[a, b, -a, b], [b, e, -b, g], [-a, -b, a, -b], [b, g, -b, e]]``.
    """
    return 12.0 * c + 1.2 * t, 6.0 * c + 0.1 * t, 4.0 * c + 2.0 / 15.0 * t, 2.0 * c - t / 30.0


@kernel
def factor(first, last, spring, c, tension, h, pivot, gain):
    """Factor the stiffness of nodes first .. last - 1, all others held.

    Parameters
    ----------
    spring : array (n,), N/m
        Spring under each node; 0 where it does not touch.
    c : float, N/m
        EI/h³.
    tension : array (n - 1,), N
        Axial force of each element, tension positive.
    h : float, m
    pivot : array (n, 3), out
        Inverse pivot blocks (11, 12, 22).
    gain : array (n, 4), out
        ``gain[i]`` = inverse pivot of node i-1 times the block (i-1, i), row by row.

    Returns
    -------
    int
        -1, or the node where the pivot is not positive.
    """
    n = len(spring)
    for i in range(first, last):
        k11 = spring[i]
        k12 = 0.0
        k22 = 0.0
        if i > 0:
            a, b, e, g = _element(c, tension[i - 1] / h)
            k11 += a
            k12 -= b
            k22 += e
            if i > first:
                p11, p12, p22 = pivot[i - 1]
                g11 = -p11 * a - p12 * b
                g12 = p11 * b + p12 * g
                g21 = -p12 * a - p22 * b
                g22 = p12 * b + p22 * g
                k11 += a * g11 + b * g21
                k12 += a * g12 + b * g22
                k22 -= b * g12 + g * g22
                gain[i, 0] = g11
                gain[i, 1] = g12
                gain[i, 2] = g21
                gain[i, 3] = g22
        if i < n - 1:
            a, b, e, g = _element(c, tension[i] / h)
            k11 += a
            k12 += b
            k22 += e
        determinant = k11 * k22 - k12 * k12
        if not (k11 > 0.0 and determinant > 0.0):
            return i
        pivot[i, 0] = k22 / determinant
        pivot[i, 1] = -k12 / determinant
        pivot[i, 2] = k11 / determinant
    return -1


@kernel
def substitute(first, last, pivot, gain, x):
    """Solve in place: `x[first:last]` holds the load and then the solution."""
    for i in range(first + 1, last):
        v1 = x[i - 1, 0]
        v2 = x[i - 1, 1]
        x[i, 0] -= gain[i, 0] * v1 + gain[i, 2] * v2
        x[i, 1] -= gain[i, 1] * v1 + gain[i, 3] * v2
    for i in range(last - 1, first - 1, -1):
        p11, p12, p22 = pivot[i]
        v1 = p11 * x[i, 0] + p12 * x[i, 1]
        v2 = p12 * x[i, 0] + p22 * x[i, 1]
        if i < last - 1:
            v1 -= gain[i + 1, 0] * x[i + 1, 0] + gain[i + 1, 1] * x[i + 1, 1]
            v2 -= gain[i + 1, 2] * x[i + 1, 0] + gain[i + 1, 3] * x[i + 1, 1]
        x[i, 0] = v1
        x[i, 1] = v2


@kernel
def _lay_range(first, last, z, spring, q, c, tension, h, pivot, gain, x):
    """Lay nodes first .. last - 1 on the springs that touch, the neighbours' x held."""
    n = len(z)
    bad = factor(first, last, spring, c, tension, h, pivot, gain)
    if bad >= 0:
        return bad
    for i in range(first, last):
        share = 1.0 if 0 < i < n - 1 else 0.5
        x[i, 0] = spring[i] * z[i] - share * q * h
        x[i, 1] = 0.0
    if first == 0:
        x[0, 1] -= q * h / 12.0
    else:
        a, b, _, g = _element(c, tension[first - 1] / h)
        v1, v2 = x[first - 1]
        x[first, 0] += a * v1 + b * v2
        x[first, 1] -= b * v1 + g * v2
    if last == n:
        x[n - 1, 1] += q * h / 12.0
    else:
        a, b, _, g = _element(c, tension[last - 1] / h)
        v1, v2 = x[last]
        x[last - 1, 0] += a * v1 - b * v2
        x[last - 1, 1] += b * v1 - g * v2
    substitute(first, last, pivot, gain, x)
    return -1


@kernel
def sweep(z, spring, flipped, ks, q, c, tension, h, pivot, gain, x):
    """One Newton step of the whole line: solve, then let the nodes choose again.

    The first and the last node keep the spring they came with, so that the line
    is held somewhere whatever the seabed.

    Parameters
    ----------
    z : array (n,), m, positive up
        Seabed.
    spring : array (n,), N/m, in and out
        `ks` where a node touches, else 0; replaced by what ``z > w`` says. When
        nothing changes, x is the exact solution.
    flipped : array (n,) bool, out
        Nodes that changed.
    ks : float, N/m
        Spring of a node that touches.
    q : float, N/m
        Submerged weight.
    x : array (n, 2), out
        w and h w'.

    Returns
    -------
    changed : int
        Number of nodes that changed.
    bad : int
        -1, or the node where the pipe buckles.
    """
    n = len(z)
    bad = _lay_range(ZERO, n, z, spring, q, c, tension, h, pivot, gain, x)
    if bad >= 0:
        return n, bad
    changed = 0
    for i in range(1, n - 1):
        now = ks if z[i] > x[i, 0] else 0.0
        flipped[i] = now != spring[i]
        if flipped[i]:
            changed += 1
            spring[i] = now
    return changed, -1


@kernel
def refine(z, spring, q, c, tension, h, pivot, gain, x, rest):
    """One step of iterative refinement after a sweep that changed nothing.

    Taking differences before multiplying keeps the unbalanced forces `rest` (n, 2)
    free of the elevation itself; solving for them wins back some five digits.
    """
    n = len(z)
    for i in range(n):
        share = 1.0 if 0 < i < n - 1 else 0.5
        rest[i, 0] = spring[i] * (z[i] - x[i, 0]) - share * q * h
        rest[i, 1] = 0.0
    rest[0, 1] -= q * h / 12.0
    rest[n - 1, 1] += q * h / 12.0
    for i in range(n - 1):
        a, b, e, g = _element(c, tension[i] / h)
        sink = x[i, 0] - x[i + 1, 0]
        shear = a * sink + b * (x[i, 1] + x[i + 1, 1])
        rest[i, 0] -= shear
        rest[i, 1] -= b * sink + e * x[i, 1] + g * x[i + 1, 1]
        rest[i + 1, 0] += shear
        rest[i + 1, 1] -= b * sink + g * x[i, 1] + e * x[i + 1, 1]
    substitute(ZERO, n, pivot, gain, rest)
    x += rest


@kernel
def settle(first, last, z, spring, ks, q, c, tension, h, pivot, gain, x):
    """Newton with exact line search on nodes first .. last - 1, all others held.

    The energy is convex and piecewise quadratic, and every step lowers it to
    the least value along its direction, so that it ends where plain sweeps may
    flip for ever. Arguments as in :func:`sweep`; the line's first and last node keep
    their springs here too.

    Returns
    -------
    left : int
        0 when settled, else nodes still flipping at the end.
    bad : int
        -1, or the node where the pipe buckles.
    """
    n = len(z)
    start = x[first:last].copy()
    step = np.empty_like(start)
    left = 0
    for i in range(max(first, 1), min(last, n - 1)):
        spring[i] = ks if z[i] > x[i, 0] else 0.0
    for _ in range(NEWTON_ROUNDS):
        bad = _lay_range(first, last, z, spring, q, c, tension, h, pivot, gain, x)
        if bad >= 0:
            return last - first, bad
        step[:] = x[first:last] - start
        left = 0
        for i in range(max(first, 1), min(last, n - 1)):
            left += (spring[i] > 0.0) != (z[i] > x[i, 0])
        if left == 0:
            return 0, -1
        start += _line_search(first, last, z, spring, ks, c, tension, h, start, step) * step
        x[first:last] = start
        for i in range(max(first, 1), min(last, n - 1)):
            spring[i] = ks if z[i] > x[i, 0] else 0.0
    return left, -1


@kernel
def _line_search(first, last, z, spring, ks, c, tension, h, start, step):
    """Share of the Newton `step` at which the energy is least.

    With E = d.H.d (H: beam and the springs that touch at the start) the slope
    of the energy at share a is
    ``-E + a d.K.d - sum (push(a) - push(0)) d`` with ``push(a) = ks max(p - a d, 0)``
    and p = z - w.
    """
    beam = _beam_energy(first, last, len(z), c, tension, h, step)
    total = beam
    for i in range(first, last):
        total += spring[i] * step[i - first, 0] ** 2
    low, high = 0.0, 1.0
    while _slope(high, first, last, z, spring, ks, beam, total, start, step) < 0.0 and high < 1e6:
        low, high = high, 2.0 * high
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _slope(middle, first, last, z, spring, ks, beam, total, start, step) < 0.0:
            low = middle
        else:
            high = middle
    return high


@kernel
def _slope(share, first, last, z, spring, ks, beam, total, start, step):
    slope = -total + share * beam
    for i in range(first, last):
        d = step[i - first, 0]
        p = z[i] - start[i - first, 0]
        if 0 < i < len(z) - 1:
            slope -= ks * (max(p - share * d, 0.0) - max(p, 0.0)) * d
        else:
            slope += spring[i] * share * d * d
    return slope


@kernel
def _beam_energy(first, last, n, c, tension, h, d):
    """d.K.d of the beam alone for a displacement d of nodes first .. last - 1."""
    energy = 0.0
    u1, u2 = 0.0, 0.0
    for i in range(max(first - 1, 0), min(last, n - 1)):
        if i >= first:
            u1, u2 = d[i - first]
        v1, v2 = 0.0, 0.0
        if i + 1 < last:
            v1, v2 = d[i + 1 - first]
        a, b, e, g = _element(c, tension[i] / h)
        energy += (
            a * (u1 - v1) ** 2 + 2.0 * b * (u1 - v1) * (u2 + v2) + e * (u2**2 + v2**2) + 2.0 * g * u2 * v2
        )
    return energy


@kernel
def moments(q, c, tension, h, x, moment):
    """Bending moment at the nodes from the element's end forces.

    Parameters
    ----------
    moment : array (n,), N m, out
        Positive where the pipe sags, negative over a crest. Exact at the nodes:
        the distributed weight's share q h²/12 is included.
    """
    n = len(x)
    for i in range(n - 1):
        _, b, e, g = _element(c, tension[i] / h)
        chord = x[i, 0] - x[i + 1, 0]
        moment[i] = -h * (b * chord + e * x[i, 1] + g * x[i + 1, 1] + q * h / 12.0)
    _, b, e, g = _element(c, tension[n - 2] / h)
    chord = x[n - 2, 0] - x[n - 1, 0]
    moment[n - 1] = h * (b * chord + g * x[n - 2, 1] + e * x[n - 1, 1] - q * h / 12.0)


@kernel
def lengthening(x, h, first, last):
    """∫ ½ w'² dx over nodes first .. last, m: how much longer the pipe is than its plan."""
    total = 0.0
    for i in range(first, last):
        u1, u2 = x[i]
        v1, v2 = x[i + 1]
        total += (
            36.0 * (u1 - v1) ** 2 + 6.0 * (u1 - v1) * (u2 + v2) + 4.0 * (u2**2 + v2**2) - 2.0 * u2 * v2
        ) / (60.0 * h)
    return total
