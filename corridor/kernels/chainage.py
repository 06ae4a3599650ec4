"""Nearest point on a chain of straights and arcs."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel


@kernel
def foot(e, n, e0, n0, b, length, k):
    """Nearest point of one element: distance, length along it, -1 / 0 / 1 = clamped start / inside / end."""
    de = e - e0
    dn = n - n0
    if k == 0.0:
        s = de * math.sin(b) + dn * math.cos(b)
        if s <= 0.0:
            return math.hypot(de, dn), 0.0, -1
        if s >= length:
            return math.hypot(de - length * math.sin(b), dn - length * math.cos(b)), length, 1
        return abs(de * math.cos(b) - dn * math.sin(b)), s, 0
    r = 1.0 / k
    side = 1.0 if k > 0.0 else -1.0
    # From the centre; the centre lies r to the right of the start (left where r < 0).
    ce = de - r * math.cos(b)
    cn = dn + r * math.sin(b)
    d = math.hypot(ce, cn)
    turn = length * abs(k)
    # Angle swept from the start, in the sense of the turn, in [-pi + turn/2, pi + turn/2).
    swept = side * (math.atan2(side * cn, -side * ce) - b)
    middle = 0.5 * turn
    swept -= 2.0 * math.pi * math.floor((swept - middle + math.pi) / (2.0 * math.pi))
    if d > 0.0 and 0.0 <= swept <= turn:
        return abs(d - abs(r)), swept * abs(r), 0
    if d == 0.0:
        return abs(r), 0.0, 0
    if swept < 0.0:
        return math.hypot(de, dn), 0.0, -1
    chord = 2.0 * abs(r) * math.sin(middle)
    ee = de - chord * math.sin(b + side * middle)
    nn = dn - chord * math.cos(b + side * middle)
    return math.hypot(ee, nn), length, 1


@kernel
def _right_of(e, n, line, i, s, clamp):
    """+1 where the point lies to the right of the line at length s of element i, else -1."""
    k = line[5, i]
    b = line[2, i]
    half = 0.5 * k * s
    chord = s if half == 0.0 else s * math.sin(half) / half
    pe = line[0, i] + chord * math.sin(b + half)
    pn = line[1, i] + chord * math.cos(b + half)
    b1 = b + k * s
    te = math.sin(b1)
    tn = math.cos(b1)
    # At a corner both legs count: the bisecting direction tells the outer side for any turn.
    if clamp == 1 and i + 1 < line.shape[1]:
        te += math.sin(line[2, i + 1])
        tn += math.cos(line[2, i + 1])
    elif clamp == -1 and i > 0:
        b0 = line[2, i - 1] + line[5, i - 1] * line[3, i - 1]
        te += math.sin(b0)
        tn += math.cos(b0)
    return 1.0 if (e - pe) * tn - (n - pn) * te >= 0.0 else -1.0


BLOCK = 16
"""Elements are set aside in blocks of this many at a time."""


@kernel
def _circles(line):
    """Circles (centre, radius) that hold each element, and each block of elements: arrays (3, m), (3, b)."""
    m = line.shape[1]
    one = np.empty((3, m))
    for i in range(m):
        half = 0.5 * line[3, i]
        a = 0.5 * line[5, i] * half
        chord = half if a == 0.0 else half * math.sin(a) / a
        one[0, i] = line[0, i] + chord * math.sin(line[2, i] + a)
        one[1, i] = line[1, i] + chord * math.cos(line[2, i] + a)
        # No point of an element is further from its middle than half its length.
        one[2, i] = half
    blocks = (m + BLOCK - 1) // BLOCK
    many = np.zeros((3, blocks))
    for b in range(blocks):
        low, high = b * BLOCK, min(m, (b + 1) * BLOCK)
        many[0, b] = 0.5 * (one[0, low:high].min() + one[0, low:high].max())
        many[1, b] = 0.5 * (one[1, low:high].min() + one[1, low:high].max())
        for i in range(low, high):
            away = math.hypot(one[0, i] - many[0, b], one[1, i] - many[1, b]) + one[2, i]
            many[2, b] = max(many[2, b], away)
    return one, many


@kernel
def nearest_stations(easting, northing, line, station, offset):
    """Fill `station` and `offset` with the nearest point on the line of every position.

    Parameters
    ----------
    easting, northing : array (p,)
    line : array (6, m): start easting, start northing, bearing, length, station, curvature
    station, offset : array (p,), filled
        Offset positive to the right. Of equally near points the first counts.
    """
    m = line.shape[1]
    one, many = _circles(line)
    blocks = many.shape[1]
    for p in range(len(easting)):
        e = easting[p]
        n = northing[p]
        first = 0
        least = math.inf
        for b in range(blocks):
            gap = math.hypot(e - many[0, b], n - many[1, b]) - many[2, b]
            if gap < least:
                least = gap
                first = b
        best, s, clamp, at = math.inf, 0.0, 0, 0
        for step in range(-1, blocks):
            b = first if step < 0 else step
            if step == first:
                continue
            reach = best + many[2, b] + 1e-9
            de = e - many[0, b]
            dn = n - many[1, b]
            if de * de + dn * dn > reach * reach:
                continue
            for i in range(b * BLOCK, min(m, (b + 1) * BLOCK)):
                reach = best + one[2, i] + 1e-9
                de = e - one[0, i]
                dn = n - one[1, i]
                if de * de + dn * dn > reach * reach:
                    continue
                d, si, ci = foot(e, n, line[0, i], line[1, i], line[2, i], line[3, i], line[5, i])
                if d < best or (d == best and line[4, i] + si < line[4, at] + s):
                    best, s, clamp, at = d, si, ci, i
        station[p] = line[4, at] + s
        offset[p] = best * _right_of(e, n, line, at, s, clamp)
