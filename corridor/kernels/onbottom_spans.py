"""Free spans read off a laid pipe: where exactly it lifts off, how far, how hard it bends."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import ONE, kernel

EDGE_NODES = 5
"""Touching nodes over which the edge of a stiff seabed's reaction may be smeared."""


@kernel
def lift_offs(begin, end, z, w, reaction, q, h, sharp, left, right):
    """Ends of each span to a fraction of an element.

    Parameters
    ----------
    begin, end : array (s,) int
        Last touching node before the span, first one after it.
    z, w : array (n,), m, positive up
    reaction : array (n,), N
    q : float, N/m
    h : float, m
    sharp : bool
        Foundation too stiff for the elements: use the reactions' lever. Else the
        pipe leaves the seabed where the gap passes through zero.
    left, right : array (s,), out
        In nodes, fractions included.
    """
    for s in range(len(begin)):
        if sharp:
            left[s] = _edge_of_reaction(begin[s], -ONE, reaction, q, h)
            right[s] = _edge_of_reaction(end[s], ONE, reaction, q, h)
        else:
            i, j = begin[s], end[s]
            sunk, gap = z[i] - w[i], w[i + 1] - z[i + 1]
            left[s] = i + sunk / (sunk + gap)
            sunk, gap = z[j] - w[j], w[j - 1] - z[j - 1]
            right[s] = j - sunk / (sunk + gap)


@kernel
def _edge_of_reaction(node, away, reaction, q, h):
    """Where the edge force of a rigid seabed acts, in nodes; `away` leads away from the span.

    On a rigid bed the reaction is q up to the edge and one force V at it. The
    last touching nodes hold the same force and the same moment: with u the
    distance of the edge from where they begin, ``V + q u = S`` and
    ``V u + q u²/2 = M``, so ``S u - q u²/2 = M``.
    """
    far = node
    while abs(far - node) < EDGE_NODES and 0 < far < len(reaction) - 1 and reaction[far + away] > q * h:
        far += away
    goes_on = 0 < far < len(reaction) - 1 and reaction[far + away] > 0.0
    offset = 0.5 * h if goes_on else 0.0
    force = 0.0
    lever = 0.0
    for i in range(min(node, far), max(node, far) + 1):
        force += reaction[i]
        lever += reaction[i] * (abs(i - far) * h + offset)
    root = force * force - 2.0 * q * lever
    if root <= 0.0:
        return float(node)
    edge = ((force - math.sqrt(root)) / q - offset) / h
    edge = min(max(edge, 0.0), abs(far - node) + 1.0)
    return far - away * edge


@kernel
def contact_lengths(begin, end, left, right, touching, h):
    """Length of seabed under each node, m: where the foundation really reaches.

    Every touching node stands for h; beside a span the half on its side is
    replaced by the stretch up to the lift-off. Never less than h/4.
    """
    length = np.zeros(len(touching))
    for i in range(len(length)):
        if touching[i]:
            length[i] = h
    for s in range(len(begin)):
        length[begin[s]] += (left[s] - begin[s] - 0.5) * h
        length[end[s]] += (end[s] - right[s] - 0.5) * h
    for i in range(len(length)):
        if touching[i] and length[i] < 0.25 * h:
            length[i] = 0.25 * h
    return length


@kernel
def span_figures(begin, end, z, w, moment, reach, gap, gap_node, moment_left, moment_right, moment_span):
    """Largest gap and the moments of each span.

    Parameters
    ----------
    reach : int
        Nodes into the seabed beside the span in which the shoulder's moment peaks.
    gap : array (s,), m, out
    gap_node : array (s,) int, out
    moment_left, moment_right : array (s,), N m, out
        At the shoulders, of the largest size, with their sign.
    moment_span : array (s,), N m, out
        Between them, of the largest sag.
    """
    n = len(z)
    for s in range(len(begin)):
        gap[s] = 0.0
        gap_node[s] = begin[s]
        moment_span[s] = -np.inf
        for i in range(begin[s], end[s] + 1):
            if w[i] - z[i] > gap[s]:
                gap[s] = w[i] - z[i]
                gap_node[s] = i
            moment_span[s] = max(moment_span[s], moment[i])
        moment_left[s] = _largest(moment, max(begin[s] - reach, 0), begin[s] + 1)
        moment_right[s] = _largest(moment, end[s], min(end[s] + reach + 1, n))


@kernel
def _largest(moment, first, last):
    worst = moment[first]
    for i in range(first, last):
        if abs(moment[i]) > abs(worst):
            worst = moment[i]
    return worst
