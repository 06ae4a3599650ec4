"""Exact distances and intersections between a chain of straights and arcs and straight segments.

A line is an array (6, m): start easting, start northing, bearing, length,
station, curvature (:func:`corridor.routing.chainage.line_array`). Segments are
an array (n, 4): easting, northing of both ends; a point is a segment of no
length.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel
from corridor.kernels.chainage import foot

TIGHT = 1e-9
"""Rounding allowed along a segment or an element, m: a joint of two must not let a crossing slip through."""


@kernel
def _point_to_segment(e, n, a_e, a_n, b_e, b_n):
    """Distance from a point to a segment."""
    de, dn = b_e - a_e, b_n - a_n
    size = de * de + dn * dn
    t = 0.0
    if size > 0.0:
        t = min(max(((e - a_e) * de + (n - a_n) * dn) / size, 0.0), 1.0)
    return math.hypot(e - a_e - t * de, n - a_n - t * dn)


@kernel
def _end_of(e0, n0, b, length, k):
    half = 0.5 * k * length
    chord = length if half == 0.0 else length * math.sin(half) / half
    return e0 + chord * math.sin(b + half), n0 + chord * math.cos(b + half)


@kernel
def _swept(ce, cn, b, length, k):
    """Length along an arc of the direction (ce, cn) from its centre; -1 when the arc does not reach it."""
    sense = 1.0 if k > 0.0 else -1.0
    turn = length * abs(k)
    angle = sense * (math.atan2(sense * cn, -sense * ce) - b)
    angle -= 2.0 * math.pi * math.floor((angle - 0.5 * turn + math.pi) / (2.0 * math.pi))
    s = angle / abs(k)
    if s < -TIGHT or s > length + TIGHT:
        return -1.0
    return min(max(s, 0.0), length)


@kernel
def _meet_straight(e0, n0, b, length, a_e, a_n, b_e, b_n, hits):
    te, tn = math.sin(b), math.cos(b)
    de, dn = b_e - a_e, b_n - a_n
    size = math.hypot(de, dn)
    ae, an = a_e - e0, a_n - n0
    cross = te * dn - tn * de
    if size == 0.0 or abs(cross) <= 1e-12 * size:
        # Parallel (or a point): they meet only where they overlap, and then along a stretch.
        if abs(ae * tn - an * te) > TIGHT:
            return 0
        s1, s2 = ae * te + an * tn, (ae + de) * te + (an + dn) * tn
        low, high = min(s1, s2), max(s1, s2)
        if high < -TIGHT or low > length + TIGHT:
            return 0
        hits[0] = min(max(low, 0.0), length)
        hits[1] = min(max(high, 0.0), length)
        return 2
    s = (ae * dn - an * de) / cross
    t = (ae * tn - an * te) / cross
    if s < -TIGHT or s > length + TIGHT or t * size < -TIGHT or (t - 1.0) * size > TIGHT:
        return 0
    hits[0] = min(max(s, 0.0), length)
    return 1


@kernel
def _meet_arc(e0, n0, b, length, k, a_e, a_n, b_e, b_n, hits):
    r = 1.0 / k
    ce, cn = e0 + r * math.cos(b), n0 - r * math.sin(b)
    pe, pn = a_e - ce, a_n - cn
    de, dn = b_e - a_e, b_n - a_n
    size = math.hypot(de, dn)
    if size == 0.0:
        if abs(math.hypot(pe, pn) - abs(r)) > TIGHT:
            return 0
        s = _swept(pe, pn, b, length, k)
        if s < 0.0:
            return 0
        hits[0] = s
        return 1
    ue, un = de / size, dn / size
    middle = -(pe * ue + pn * un)
    off = abs(pe * un - pn * ue)
    half = (abs(r) - off) * (abs(r) + off)
    if half < 0.0:
        return 0
    half = math.sqrt(half)
    count = 0
    for sign in (-1.0, 1.0):
        t = middle + sign * half
        if t < -TIGHT or t > size + TIGHT:
            continue
        s = _swept(pe + t * ue, pn + t * un, b, length, k)
        if s >= 0.0:
            hits[count] = s
            count += 1
    return count


@kernel
def _apart(e0, n0, b, length, k, a_e, a_n, b_e, b_n):
    """Least distance between an element and a segment, and the length along the element where it is."""
    hits = np.empty(2)
    if k == 0.0:
        met = _meet_straight(e0, n0, b, length, a_e, a_n, b_e, b_n, hits)
    else:
        met = _meet_arc(e0, n0, b, length, k, a_e, a_n, b_e, b_n, hits)
    if met > 0:
        return 0.0, (hits[0] if met == 1 else min(hits[0], hits[1]))
    best, at, _ = foot(a_e, a_n, e0, n0, b, length, k)
    d, s, _ = foot(b_e, b_n, e0, n0, b, length, k)
    if d < best:
        best, at = d, s
    d = _point_to_segment(e0, n0, a_e, a_n, b_e, b_n)
    if d < best:
        best, at = d, 0.0
    e1, n1 = _end_of(e0, n0, b, length, k)
    d = _point_to_segment(e1, n1, a_e, a_n, b_e, b_n)
    if d < best:
        best, at = d, length
    if k != 0.0:
        # Inside an arc and inside a segment at once: only square to the segment, through the centre.
        r = 1.0 / k
        ce, cn = e0 + r * math.cos(b), n0 - r * math.sin(b)
        de, dn = b_e - a_e, b_n - a_n
        size = de * de + dn * dn
        if size > 0.0:
            t = ((ce - a_e) * de + (cn - a_n) * dn) / size
            if 0.0 < t < 1.0:
                qe, qn = a_e + t * de - ce, a_n + t * dn - cn
                d = math.hypot(qe, qn) - abs(r)
                if 0.0 <= d < best:
                    s = _swept(qe, qn, b, length, k)
                    if s >= 0.0:
                        best, at = d, s
    return best, at


@kernel
def _middles(line):
    m = line.shape[1]
    mid = np.empty((2, m))
    for i in range(m):
        mid[0, i], mid[1, i] = _end_of(line[0, i], line[1, i], line[2, i], 0.5 * line[3, i], line[5, i])
    return mid


@kernel
def nearest_approaches(line, segments, owner, best, station):
    """Lower `best` to the least distance of each owner's segments from the line, and set its `station`.

    Parameters
    ----------
    line : array (6, m)
    segments : array (n, 4)
    owner : array (n,) int
        Which entry of `best` and `station` a segment belongs to.
    best : array (owners,), updated
        On entry a distance that is of no interest any more (inf for none).
    station : array (owners,), updated where `best` is lowered
        Of equally near places the first along the line.
    """
    mid = _middles(line)
    for j in range(len(segments)):
        a_e, a_n, b_e, b_n = segments[j, 0], segments[j, 1], segments[j, 2], segments[j, 3]
        c_e, c_n = 0.5 * (a_e + b_e), 0.5 * (a_n + b_n)
        half = 0.5 * math.hypot(b_e - a_e, b_n - a_n)
        k = owner[j]
        for i in range(line.shape[1]):
            # Everything of an element lies within half its length of its middle; so for the segment.
            reach = best[k] + half + 0.5 * line[3, i] + TIGHT
            de, dn = c_e - mid[0, i], c_n - mid[1, i]
            if de * de + dn * dn > reach * reach:
                continue
            d, s = _apart(line[0, i], line[1, i], line[2, i], line[3, i], line[5, i], a_e, a_n, b_e, b_n)
            at = line[4, i] + s
            if d < best[k] or (d == best[k] and at < station[k]):
                best[k] = d
                station[k] = at


@kernel
def meetings(line, segments):
    """All places where the line meets segments.

    Where a straight runs along a segment both ends of the common stretch are given.

    Returns
    -------
    station : array (h,)
    segment : array (h,) int64
    element : array (h,) int64
    """
    mid = _middles(line)
    station, segment, element = np.empty(64), np.empty(64, np.int64), np.empty(64, np.int64)
    hits = np.empty(2)
    count = 0
    for j in range(len(segments)):
        a_e, a_n, b_e, b_n = segments[j, 0], segments[j, 1], segments[j, 2], segments[j, 3]
        half = 0.5 * math.hypot(b_e - a_e, b_n - a_n)
        for i in range(line.shape[1]):
            reach = half + 0.5 * line[3, i] + 1e-6
            de, dn = 0.5 * (a_e + b_e) - mid[0, i], 0.5 * (a_n + b_n) - mid[1, i]
            if de * de + dn * dn > reach * reach:
                continue
            if line[5, i] == 0.0:
                met = _meet_straight(line[0, i], line[1, i], line[2, i], line[3, i], a_e, a_n, b_e, b_n, hits)
            else:
                met = _meet_arc(
                    line[0, i], line[1, i], line[2, i], line[3, i], line[5, i], a_e, a_n, b_e, b_n, hits
                )
            if count + 2 > len(station):
                station = np.concatenate((station, np.empty_like(station)))
                segment = np.concatenate((segment, np.empty_like(segment)))
                element = np.concatenate((element, np.empty_like(element)))
            for h in range(met):
                station[count] = line[4, i] + hits[h]
                segment[count] = j
                element[count] = i
                count += 1
    return station[:count], segment[:count], element[:count]


@kernel
def circle_meetings(line, centres, radius):
    """Stations at which the line meets circles of one `radius` about `centres` (n, 2)."""
    mid = _middles(line)
    station = np.empty(64)
    count = 0
    for j in range(len(centres)):
        for i in range(line.shape[1]):
            reach = radius + 0.5 * line[3, i] + 1e-6
            de, dn = centres[j, 0] - mid[0, i], centres[j, 1] - mid[1, i]
            if de * de + dn * dn > reach * reach:
                continue
            if count + 2 > len(station):
                station = np.concatenate((station, np.empty_like(station)))
            e0, n0, b, length, k = line[0, i], line[1, i], line[2, i], line[3, i], line[5, i]
            pe, pn = centres[j, 0] - e0, centres[j, 1] - n0
            if k == 0.0:
                along = pe * math.sin(b) + pn * math.cos(b)
                off = abs(pe * math.cos(b) - pn * math.sin(b))
                if off > radius:
                    continue
                half = math.sqrt((radius - off) * (radius + off))
                for s in (along - half, along + half):
                    if -TIGHT <= s <= length + TIGHT:
                        station[count] = line[4, i] + min(max(s, 0.0), length)
                        count += 1
                continue
            r = 1.0 / k
            qe, qn = pe - r * math.cos(b), pn + r * math.sin(b)
            d = math.hypot(qe, qn)
            if d == 0.0:
                continue
            along = 0.5 * (d + (abs(r) - radius) * (abs(r) + radius) / d)
            if abs(along) > abs(r):
                continue
            half = math.sqrt((abs(r) - along) * (abs(r) + along))
            for sign in (-1.0, 1.0):
                s = _swept(
                    (along * qe - sign * half * qn) / d, (along * qn + sign * half * qe) / d, b, length, k
                )
                if s >= 0.0:
                    station[count] = line[4, i] + s
                    count += 1
    return station[:count]
