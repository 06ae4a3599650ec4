"""Moves of the fit that change the number of IPs, and the rounds that try them.

Every trial is polished around the change before it is judged. All orders are
fixed and the few random kicks come from a counter, so the fit is deterministic.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import ONE, ZERO, kernel
from corridor.kernels.fit import holds, polish, price_all, take_point, turn_at

_GAIN = 1e-3
"""A change must save this many cells to count."""

HOPELESS = 1.01
"""A trial still dearer than this many times the best after its coarsest polish is given up."""

FALLING = 8.0 * 0.5 ** np.arange(0, 9)
"""Steps of the pattern search, cells: 8 down to 1/32."""
FALLING.setflags(write=False)  # as kernels see their own constants, such as COARSE: one type, compiled once

COARSE = np.array([8.0, 2.0, 0.5])
ROUNDS = np.int64(6)
"""Rounds of a trial's polish; numpy's integer for the reason given at `ZERO`."""


@kernel
def drop(points, radii, locked, count, first, last):
    """Remove IPs first..last in place; returns the new count. False positions close up."""
    gone = last - first + 1
    for i in range(first, count + 2 - gone):
        points[i, 0] = points[i + gone, 0]
        points[i, 1] = points[i + gone, 1]
        radii[i] = radii[i + gone]
        locked[i] = locked[i + gone]
    return count - gone


@kernel
def add(points, radii, locked, count, at, u, v, radius):
    """Insert an IP before index `at` in place; returns the new count."""
    for i in range(count + 1, at - 1, -1):
        points[i + 1, 0] = points[i, 0]
        points[i + 1, 1] = points[i, 1]
        radii[i + 1] = radii[i]
        locked[i + 1] = locked[i]
    points[at, 0], points[at, 1] = u, v
    radii[at] = radius
    locked[at] = False
    return count + 1


@kernel
def meeting(a, b, c, d):
    """Where the ray a -> b meets the ray d -> c backwards: (found, u, v)."""
    r_u, r_v = b[0] - a[0], b[1] - a[1]
    s_u, s_v = c[0] - d[0], c[1] - d[1]
    area = r_u * s_v - r_v * s_u
    if abs(area) < 1e-9:
        return False, 0.0, 0.0
    along = ((d[0] - a[0]) * s_v - (d[1] - a[1]) * s_u) / area
    back = ((d[0] - a[0]) * r_v - (d[1] - a[1]) * r_u) / area
    if along <= 0.0 or back <= 0.0:
        return False, 0.0, 0.0
    return True, a[0] + along * r_u, a[1] + along * r_v


@kernel
def replace_run(course, points, radii, locked, count, first, last, mode):
    """Replace IPs first..last in place; returns the new count, or -1 where it does not apply.

    Modes: 0 by nothing; 1 by the meeting of the outer legs with the least
    radius; 2 by that with the radius that touches the outer tangent points;
    3 by their mean.
    """
    for i in range(first, last + 1):
        if locked[i]:
            return -1
    if mode == 0:
        return drop(points, radii, locked, count, first, last)
    if first == last:
        return -1
    if mode == 3:
        u = v = 0.0
        for i in range(first, last + 1):
            u += points[i, 0] / (last - first + 1)
            v += points[i, 1] / (last - first + 1)
        radius = course.radius
    else:
        found, u, v = meeting(points[first - 1], points[first], points[last], points[last + 1])
        if not found:
            return -1
        radius = course.radius
        if mode == 2:
            turn = abs(turn_at(points, first))
            t_in = radii[first] * math.tan(turn / 2.0)
            t_out = radii[last] * math.tan(abs(turn_at(points, last)) / 2.0)
            reach_in = math.hypot(u - points[first, 0], v - points[first, 1]) + t_in
            reach_out = math.hypot(u - points[last, 0], v - points[last, 1]) + t_out
            a_u, a_v = points[first, 0] - points[first - 1, 0], points[first, 1] - points[first - 1, 1]
            b_u, b_v = points[last + 1, 0] - points[last, 0], points[last + 1, 1] - points[last, 1]
            whole = abs(math.atan2(a_u * b_v - a_v * b_u, a_u * b_u + a_v * b_v))
            if whole < 1e-6:
                return -1
            radius = max(course.radius, min(reach_in, reach_out) / math.tan(whole / 2.0))
    count = drop(points, radii, locked, count, first, last)
    return add(points, radii, locked, count, first, u, v, radius)


@kernel
def judge(course, points, radii, locked, count, first, last, legs, arcs, best, penalty):
    """Price of a trial after polishing IPs first..last; infinite where hopeless."""
    if not holds(course, points, count, locked):
        return math.inf
    total = price_all(course, points, radii, count, legs, arcs, penalty)
    if total == math.inf:
        for i in range(max(first, 1), min(last, count) + 1):
            radii[i] = course.radius
        total = price_all(course, points, radii, count, legs, arcs, penalty)
    if total == math.inf or total > 3.0 * best + 100.0:
        return math.inf
    total = polish(course, points, radii, count, first, last, locked, legs, arcs, COARSE[:1], ROUNDS, penalty)
    if total > HOPELESS * best + 10.0:
        return math.inf
    return polish(course, points, radii, count, first, last, locked, legs, arcs, COARSE[1:], ROUNDS, penalty)


@kernel
def take(points, radii, locked, from_points, from_radii, from_locked):
    """Copy one line over another."""
    for i in range(len(points)):
        take_point(points, i, from_points)
        radii[i] = from_radii[i]
        locked[i] = from_locked[i]


@kernel
def shorten(course, points, radii, locked, count, best, legs, arcs, penalty, longest):
    """Try to replace runs of up to `longest` IPs; returns (count, price) when no more helps."""
    t_points, t_radii, t_locked = points.copy(), radii.copy(), locked.copy()
    again = True
    while again:
        again = False
        for length in range(min(longest, count), 0, -1):
            first = ONE
            while first + length - 1 <= count:
                helped = False
                for mode in range(4):
                    take(t_points, t_radii, t_locked, points, radii, locked)
                    fewer = replace_run(
                        course, t_points, t_radii, t_locked, count, first, first + length - 1, mode
                    )
                    if fewer < 0:
                        continue
                    total = judge(
                        course, t_points, t_radii, t_locked, fewer, first - 2, first + 1,
                        legs, arcs, best, penalty,
                    )  # fmt: skip
                    if total < best - _GAIN:
                        take(points, radii, locked, t_points, t_radii, t_locked)
                        best, count = total, fewer
                        again = helped = True
                        break
                if not helped:
                    first += 1
    return count, best


@kernel
def lengthen(course, points, radii, locked, count, best, legs, arcs, penalty):
    """Try one more IP beside every leg; returns (count, price)."""
    t_points, t_radii, t_locked = points.copy(), radii.copy(), locked.copy()
    k = ZERO
    while k <= count:
        helped = False
        if count + 3 < len(points):
            east, south = points[k + 1, 0] - points[k, 0], points[k + 1, 1] - points[k, 1]
            size = math.hypot(east, south)
            for share in (0.5, 0.25, 0.75):
                if share != 0.5 and size < 2.0 * course.radius:
                    continue  # the polish gets there from the middle
                for offset in (0.02 * size, -0.02 * size, 0.1 * size, -0.1 * size):
                    if size < 4.0 * course.between + 2.0:
                        continue
                    take(t_points, t_radii, t_locked, points, radii, locked)
                    u = points[k, 0] + share * east - offset * south / size
                    v = points[k, 1] + share * south + offset * east / size
                    more = add(t_points, t_radii, t_locked, count, k + 1, u, v, course.radius)
                    total = judge(
                        course, t_points, t_radii, t_locked, more, k, k + 2, legs, arcs, best, penalty
                    )  # fmt: skip
                    if total < best - _GAIN:
                        take(points, radii, locked, t_points, t_radii, t_locked)
                        best, count = total, more
                        helped = True
                        break
                if helped:
                    break
        k += 1
    return count, best


@kernel
def kick(course, points, radii, locked, count, best, legs, arcs, penalty, first_kick, kicks):
    """Move one IP at random, polish around it, keep what is better; returns the price."""
    if count == 0:
        return best
    t_points, t_radii, t_locked = points.copy(), radii.copy(), locked.copy()
    for number in range(first_kick, first_kick + kicks):
        # A multiplicative hash of the counter: the same kicks on every machine.
        mixed = (number * 2654435761 + 12345) % 4294967296
        i = 1 + mixed % count
        angle = 2.0 * math.pi * ((mixed // 256) % 1024) / 1024.0
        reach = 4.0 + 60.0 * ((mixed // 65536) % 256) / 256.0
        if locked[i]:
            continue
        take(t_points, t_radii, t_locked, points, radii, locked)
        t_points[i, 0] += reach * math.cos(angle)
        t_points[i, 1] += reach * math.sin(angle)
        total = judge(course, t_points, t_radii, t_locked, count, i - 1, i + 1, legs, arcs, best, penalty)
        if total < best - _GAIN:
            take(points, radii, locked, t_points, t_radii, t_locked)
            best = total
    return best


@kernel
def slide(course, points, radii, locked, count, best, legs, arcs, penalty):
    """Shift all IPs along the line's chord, polish, keep what is better; returns the price.

    A short line that swings round something has its best place along the line it
    leaves: no move of one IP or one leg gets there.
    """
    t_points, t_radii, t_locked = points.copy(), radii.copy(), locked.copy()
    east, south = points[count + 1, 0] - points[0, 0], points[count + 1, 1] - points[0, 1]
    size = math.hypot(east, south)
    step = 4.0
    while step > 0.2:
        better = False
        for sign in (1.0, -1.0):
            take(t_points, t_radii, t_locked, points, radii, locked)
            for i in range(1, count + 1):
                if not locked[i]:
                    t_points[i, 0] += sign * step * east / size
                    t_points[i, 1] += sign * step * south / size
            total = judge(course, t_points, t_radii, t_locked, count, ONE, count, legs, arcs, best, penalty)
            if total < best - _GAIN:
                take(points, radii, locked, t_points, t_radii, t_locked)
                best = total
                better = True
                break
        if not better:
            step *= 0.5
    return best
