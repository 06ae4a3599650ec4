"""Kernels of the fit: price a line of few IPs on the gridded ground and improve it.

A line is `count` + 2 points (START, IPs, END) and as many radii, in cell
units. Its price is that of its pieces (legs between tangent points, arcs), a
fee per crossing and a price per bend; a breach of a rule adds a penalty that
is steep but finite, so that a slightly broken line can be mended. A change at
IPs i..j touches arcs i-1..j+1 and legs i-2..j+1 only: the rest keeps its price.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from corridor.compiled import ONE, ZERO, kernel
from corridor.kernels.assets import crosses
from corridor.kernels.ground import Ground, rim_allows, rim_record
from corridor.kernels.strip import strip_excess

_SLACK = 1e-9
_LIMIT_SLACK = 1.0 + 1e-7
MOST_TURN = 2.6
"""A single IP turns at most this much (149 degrees): beyond, its tangents run away."""

MOST_RADIUS = 1e6
"""Cells. A larger one would hide a bend of next to no turn whose tangents are still long."""

ARC_CHORD = 0.5
ARC_SAGITTA = 5e-4
"""Arcs are priced along chords that stray from them by this, or are this long, whichever is longer; cells."""


class Course(NamedTuple):
    """What the line must obey, beside the ground. Lengths in cells."""

    ground: Ground
    segments: np.ndarray
    """(n, 4) assets that may be crossed."""
    asset: np.ndarray
    fee: np.ndarray
    sin_min: np.ndarray
    straight: np.ndarray
    radius: float
    """Least bend radius."""
    between: float
    """Least straight between bends."""
    at_start: float
    at_end: float
    """Least straights at START and END."""
    bend_price: float
    start_fixed: bool
    start_u: float
    start_v: float
    end_fixed: bool
    end_u: float
    end_v: float
    """Directions (east, south) at the ends where they are fixed."""
    near: float
    """Half-width of the strip around `guide` that the line may use; infinite when free."""
    guide: np.ndarray
    """(m, 2) polyline the strip follows; empty when free."""
    run_start: float
    run_end: float
    """How far an approved straight runs on from START, and up to END."""
    leave_start: float
    leave_end: float
    """Price of every cell's length of it that the line does not keep."""
    strip_first: np.ndarray
    strip_pieces: np.ndarray
    """Pieces of the guide that can be nearest, block by block (see :mod:`corridor.kernels.strip`)."""


@kernel(inline="always")
def first_cell(position, direction):
    """The column (or row) that a ray from `position` is in at first."""
    if direction < 0.0:
        return math.ceil(position - _SLACK) - 1
    return math.floor(position + _SLACK) if direction > 0.0 else math.floor(position)


@kernel
def piece_price(course, u, v, to_u, to_v, stretch):
    """(price, breach) of a straight piece: breach sums length times relative excess."""
    east, south = to_u - u, to_v - v
    chord = math.hypot(east, south)
    if chord < 1e-12:
        return 0.0, 0.0
    return walk(course.ground, u, v, east / chord, south / chord, chord, stretch)


@kernel(error_model="numpy")
def walk(ground, u, v, east, south, chord, stretch):
    """(price, breach) of `chord` cells from a point in a direction.

    Goes from border to border: the next one in each coordinate is known, and a
    step goes to the nearer of the two.
    """
    price = 0.0
    breach = 0.0
    limit_along, limit_across = ground.tan_along * _LIMIT_SLACK, ground.tan_across * _LIMIT_SLACK
    col, row = first_cell(u, east), first_cell(v, south)
    side_u, side_v = 1 if east > 0.0 else 0, 1 if south > 0.0 else 0
    step_u, step_v = 2 * side_u - 1, 2 * side_v - 1
    border_u = (col + side_u - u) / east if east != 0.0 else math.inf
    border_v = (row + side_v - v) / south if south != 0.0 else math.inf
    further_u = abs(1.0 / east) if east != 0.0 else math.inf
    further_v = abs(1.0 / south) if south != 0.0 else math.inf
    done = 0.0
    while done < chord - _SLACK:
        to = min(border_u, border_v, chord)
        step = to - done
        if col < 0 or row < 0 or col >= ground.cols or row >= ground.rows:
            breach += step
            price += step
        elif step > 2.0 * _SLACK:
            index = row * ground.cols + col
            factor = ground.cells[index, 0]
            if factor == math.inf:
                breach += step
                factor = np.float32(1.0)
            g_east, g_south = ground.cells[index, 1], ground.cells[index, 2]
            along = g_east * east + g_south * south
            across = g_south * east - g_east * south
            if abs(along) > limit_along:
                breach += step * (abs(along) / ground.tan_along - 1.0 + 0.02)
            if abs(across) > limit_across:
                breach += step * (abs(across) / ground.tan_across - 1.0 + 0.02)
            record = rim_record(ground.cells[index, 3])
            if record > 0:
                in_u, in_v = u + done * east - col - 0.5, v + done * south - row - 0.5
                if not rim_allows(ground, record, in_u, in_v, in_u + step * east, in_v + step * south):
                    breach += 0.1 + 0.2 * step
            price += (
                step * stretch * (factor + ground.k_along * along * along + ground.k_across * across * across)
            )
        if border_u <= to + _SLACK:
            col += step_u
            border_u += further_u
        if border_v <= to + _SLACK:
            row += step_v
            border_v += further_v
        done = to
    return price, breach


@kernel
def turn_at(points, i):
    """Signed turn at point i, positive to the right (u east, v south)."""
    a_u, a_v = points[i, 0] - points[i - 1, 0], points[i, 1] - points[i - 1, 1]
    b_u, b_v = points[i + 1, 0] - points[i, 0], points[i + 1, 1] - points[i, 1]
    return math.atan2(a_u * b_v - a_v * b_u, a_u * b_u + a_v * b_v)


@kernel
def tangent_at(points, radii, count, i):
    """Tangent length at point i; infinite where the turn is too large."""
    if i == 0 or i == count + 1:
        return 0.0
    turn = abs(turn_at(points, i))
    if turn > MOST_TURN:
        return math.inf
    return radii[i] * math.tan(turn / 2.0)


@kernel
def leg_price(course, points, radii, count, k, penalty):
    """Price of the straight between the tangent points of points k and k + 1, penalties included."""
    t_in = tangent_at(points, radii, count, k)
    t_out = tangent_at(points, radii, count, k + 1)
    east, south = points[k + 1, 0] - points[k, 0], points[k + 1, 1] - points[k, 1]
    size = math.hypot(east, south)
    straight = size - t_in - t_out
    # No leg worth having is longer than the ground is wide; walking one that runs away would take for ever.
    if size < 1e-9 or not straight > -1e-7 or not size < 2.0 * (course.ground.rows + course.ground.cols):
        return math.inf
    # Without any bend the line is one straight: neither rule can be broken.
    need = 0.0
    if count > 0:
        need = course.at_start if k == 0 else (course.at_end if k == count else course.between)
    price = 0.0
    if k == 0:
        price += course.leave_start * max(0.0, course.run_start - straight)
    if k == count:
        price += course.leave_end * max(0.0, course.run_end - straight)
    if straight < need - 1e-7:
        price += penalty * (1.0 + need - straight)
    east /= size
    south /= size
    u, v = points[k, 0] + t_in * east, points[k, 1] + t_in * south
    to_u, to_v = points[k + 1, 0] - t_out * east, points[k + 1, 1] - t_out * south
    cost, breach = piece_price(course, u, v, to_u, to_v, 1.0)
    price += cost
    if breach > 0.0:
        price += penalty * (0.2 + breach)
    if len(course.guide):
        at = 0.0
        while at < straight:
            excess = strip_excess(course, u + at * east, v + at * south)
            price += penalty * max(excess, 0.0)
            # What lies no further on than the border of the strip is away cannot be outside.
            at += max(4.0, -excess)
    for s in range(len(course.segments)):
        a_u, a_v, b_u, b_v = course.segments[s]
        if not crosses(u, v, to_u, to_v, a_u, a_v, b_u, b_v):
            continue
        one = course.asset[s]
        price += course.fee[one]
        d_u, d_v = b_u - a_u, b_v - a_v
        cross = east * d_v - south * d_u
        sine = abs(cross) / math.hypot(d_u, d_v)
        if sine < course.sin_min[one] - 1e-9:
            price += penalty * (1.0 + 20.0 * (course.sin_min[one] - sine))
        before = ((a_u - u) * d_v - (a_v - v) * d_u) / cross if cross != 0.0 else 0.0
        shorter = min(before, max(straight, 0.0) - before)
        if shorter < course.straight[one] - 1e-7:
            price += penalty * (1.0 + course.straight[one] - shorter)
    return price


@kernel
def arc_pieces(radius, turn):
    """Number of chords that an arc is priced along."""
    return max(2, int(math.ceil(radius * turn / max(ARC_CHORD, math.sqrt(8.0 * radius * ARC_SAGITTA)))))


@kernel
def arc_price(course, points, radii, count, i, penalty):
    """Price of the arc at IP i with its bend price, penalties included."""
    turn = turn_at(points, i)
    if abs(turn) > MOST_TURN:
        return math.inf
    price = course.bend_price
    radius = radii[i]
    if radius < course.radius * (1.0 - 1e-12):
        price += penalty * (1.0 + course.radius - radius)
    if radius > MOST_RADIUS:
        return math.inf
    if abs(turn) < 1e-9:
        return price
    a_u, a_v = points[i, 0] - points[i - 1, 0], points[i, 1] - points[i - 1, 1]
    size = math.hypot(a_u, a_v)
    a_u /= size
    a_v /= size
    tangent = radius * math.tan(abs(turn) / 2.0)
    if not tangent < 2.0 * (course.ground.rows + course.ground.cols):
        return math.inf
    side = 1.0 if turn > 0.0 else -1.0
    u, v = points[i, 0] - tangent * a_u, points[i, 1] - tangent * a_v
    centre_u, centre_v = u - side * radius * a_v, v + side * radius * a_u
    pieces = arc_pieces(radius, abs(turn))
    half = turn / pieces / 2.0
    stretch = abs(half) / math.sin(abs(half))
    chord = 2.0 * radius * math.sin(abs(half))
    cos, sin = math.cos(half), math.sin(half)
    east, south = a_u * cos - a_v * sin, a_u * sin + a_v * cos
    cos, sin = math.cos(2.0 * half), math.sin(2.0 * half)
    total_breach = 0.0
    low_u, low_v, high_u, high_v = u, v, u, v
    for j in range(pieces):
        cost, breach = walk(course.ground, u, v, east, south, chord, stretch)
        if j % 8 == 0 and len(course.guide):
            price += penalty * max(strip_excess(course, u, v), 0.0)
        price += cost
        total_breach += breach
        u += chord * east
        v += chord * south
        east, south = east * cos - south * sin, east * sin + south * cos
        low_u, low_v, high_u, high_v = min(low_u, u), min(low_v, v), max(high_u, u), max(high_v, v)
    if total_breach > 0.0:
        price += penalty * (0.2 + total_breach)
    for s in range(len(course.segments)):
        b_u, b_v, c_u, c_v = course.segments[s]
        if max(b_u, c_u) < low_u or min(b_u, c_u) > high_u or max(b_v, c_v) < low_v or min(b_v, c_v) > high_v:
            continue
        if arc_meets(centre_u, centre_v, radius, points, i, tangent, a_u, a_v, turn, b_u, b_v, c_u, c_v):
            price += penalty * 3.0
    return price


@kernel
def arc_meets(centre_u, centre_v, radius, points, i, tangent, a_u, a_v, turn, b_u, b_v, c_u, c_v):
    """Does the arc at IP i meet the segment b - c? (Chords of at most 0.02 rad.)"""
    u, v = points[i, 0] - tangent * a_u, points[i, 1] - tangent * a_v
    arm_u, arm_v = u - centre_u, v - centre_v
    pieces = max(2, int(math.ceil(abs(turn) / 0.02)))
    cos, sin = math.cos(turn / pieces), math.sin(turn / pieces)
    for _ in range(pieces):
        arm_u, arm_v = arm_u * cos - arm_v * sin, arm_u * sin + arm_v * cos
        to_u, to_v = centre_u + arm_u, centre_v + arm_v
        if crosses(u, v, to_u, to_v, b_u, b_v, c_u, c_v):
            return True
        u, v = to_u, to_v
    return False


@kernel
def price_window(course, points, radii, count, first, last, legs, arcs, penalty, budget):
    """Price arcs first..last and legs first-1..last into `legs`, `arcs`; infinite past `budget`."""
    total = 0.0
    first, last = max(first, 1), min(last, count)
    for i in range(first, last + 1):
        arcs[i] = arc_price(course, points, radii, count, i, penalty)
        total += arcs[i]
        if not total <= budget:
            return math.inf
    for k in range(max(first - 1, 0), min(last, count) + 1):
        legs[k] = leg_price(course, points, radii, count, k, penalty)
        total += legs[k]
        if not total <= budget:
            return math.inf
    return total


@kernel
def price_all(course, points, radii, count, legs, arcs, penalty):
    """Price of the whole line, filling `legs` and `arcs`."""
    if count == 0:
        legs[0] = leg_price(course, points, radii, ZERO, ZERO, penalty)
        return legs[0]
    return price_window(course, points, radii, count, ONE, count, legs, arcs, penalty, math.inf)


@kernel
def hold_bearings(course, points, count):
    """Put the first and last IP back onto the rays of fixed bearings. False when that is impossible."""
    if count == 0:
        return not (course.start_fixed or course.end_fixed)
    if count == 1 and course.start_fixed and course.end_fixed:
        area = course.start_u * course.end_v - course.start_v * course.end_u
        if abs(area) < 1e-12:
            return False
        d_u, d_v = points[2, 0] - points[0, 0], points[2, 1] - points[0, 1]
        along = (d_u * course.end_v - d_v * course.end_u) / area
        back = (d_v * course.start_u - d_u * course.start_v) / area
        points[1, 0] = points[0, 0] + along * course.start_u
        points[1, 1] = points[0, 1] + along * course.start_v
        return along > 0.0 and back > 0.0
    if course.start_fixed:
        along = (points[1, 0] - points[0, 0]) * course.start_u + (
            points[1, 1] - points[0, 1]
        ) * course.start_v
        if along <= 0.0:
            return False
        points[1, 0] = points[0, 0] + along * course.start_u
        points[1, 1] = points[0, 1] + along * course.start_v
    if course.end_fixed:
        n = count + 1
        along = (points[n, 0] - points[n - 1, 0]) * course.end_u + (
            points[n, 1] - points[n - 1, 1]
        ) * course.end_v
        if along <= 0.0:
            return False
        points[n - 1, 0] = points[n, 0] - along * course.end_u
        points[n - 1, 1] = points[n, 1] - along * course.end_v
    return True


@kernel
def holds(course, points, count, locked):
    """:func:`hold_bearings`, false where it would move an IP that is to stay."""
    first_u, first_v = points[1, 0], points[1, 1]
    last_u, last_v = points[count, 0], points[count, 1]
    if not hold_bearings(course, points, count):
        return False
    if count == 0:
        return True
    kept_first = not locked[1] or math.hypot(points[1, 0] - first_u, points[1, 1] - first_v) < 1e-7
    kept_last = not locked[count] or math.hypot(points[count, 0] - last_u, points[count, 1] - last_v) < 1e-7
    return kept_first and kept_last


@kernel
def propose(course, points, radii, count, i, kind, step, locked):
    """Change the line at IP i in place: one of the moves 0..15. False where it does not apply."""
    if locked[i] and kind < 8:
        return False
    a_u, a_v = points[i, 0] - points[i - 1, 0], points[i, 1] - points[i - 1, 1]
    b_u, b_v = points[i + 1, 0] - points[i, 0], points[i + 1, 1] - points[i, 1]
    a, b = math.hypot(a_u, a_v), math.hypot(b_u, b_v)
    if a < 1e-9 or b < 1e-9:
        return False
    a_u, a_v, b_u, b_v = a_u / a, a_v / a, b_u / b, b_v / b
    sign = 1.0 if kind % 2 == 0 else -1.0
    if kind < 2:  # along the leg before
        points[i, 0] += sign * step * a_u
        points[i, 1] += sign * step * a_v
    elif kind < 4:  # along the leg after
        points[i, 0] += sign * step * b_u
        points[i, 1] += sign * step * b_v
    elif kind < 6:  # along the bisector
        m_u, m_v = a_u - b_u, a_v - b_v
        size = math.hypot(m_u, m_v)
        if size < 1e-9:
            m_u, m_v, size = -a_v, a_u, 1.0
        points[i, 0] += sign * step * m_u / size
        points[i, 1] += sign * step * m_v / size
    elif kind < 8:  # square to the chord of its neighbours
        c_u, c_v = points[i + 1, 0] - points[i - 1, 0], points[i + 1, 1] - points[i - 1, 1]
        size = math.hypot(c_u, c_v)
        if size < 1e-9:
            return False
        points[i, 0] -= sign * step * c_v / size
        points[i, 1] += sign * step * c_u / size
    elif kind < 10:  # radius alone
        radii[i] = max(course.radius, radii[i] * (1.0 + 0.03 * step) ** sign)
    elif kind < 12:  # radius with the arc's middle kept
        if locked[i]:
            return False
        turn = abs(turn_at(points, i))
        changed = max(course.radius, radii[i] * (1.0 + 0.03 * step) ** sign)
        outward = (changed - radii[i]) * (1.0 / math.cos(turn / 2.0) - 1.0)
        m_u, m_v = a_u - b_u, a_v - b_v
        size = math.hypot(m_u, m_v)
        if size < 1e-9:
            return False
        points[i, 0] += outward * m_u / size
        points[i, 1] += outward * m_v / size
        radii[i] = changed
    else:  # a leg shifted (12, 13) or rotated (14, 15)
        if i == count or locked[i] or locked[i + 1]:
            return False
        other = 1.0 if kind < 14 else -1.0
        points[i, 0] -= sign * step * b_v
        points[i, 1] += sign * step * b_u
        points[i + 1, 0] -= other * sign * step * b_v
        points[i + 1, 1] += other * sign * step * b_u
    return holds(course, points, count, locked)


@kernel
def take_point(points, i, source):
    """Copy one point. numba compiles the copy of a whole row for seconds: it may have to broadcast."""
    points[i, 0] = source[i, 0]
    points[i, 1] = source[i, 1]


@kernel
def polish(course, points, radii, count, first, last, locked, legs, arcs, steps, rounds, penalty):
    """Pattern search over IPs first..last with falling steps; returns the price of the whole line."""
    total = price_all(course, points, radii, count, legs, arcs, penalty)
    if count == 0:
        return total
    new_legs, new_arcs = legs.copy(), arcs.copy()
    kept_points, kept_radii = points.copy(), radii.copy()
    first, last = max(first, 1), min(last, count)
    # IPs whose surroundings have not changed since their moves failed are not tried again.
    fresh = np.ones(count + 2, dtype=np.bool_)
    for step in steps:
        for i in range(count + 2):
            fresh[i] = True
        for _ in range(rounds):
            better = False
            for i in range(first, last + 1):
                if not fresh[i]:
                    continue
                fresh[i] = False
                for kind in range(16):
                    j = i + 1 if kind >= 12 else i
                    low, high = max(i - 2, 1), min(j + 2, count)
                    fits = propose(course, points, radii, count, i, kind, step, locked)
                    if fits:
                        # Arcs i-1..j+1 and legs i-2..j+1 change.
                        a, b = max(i - 1, 1), min(j + 1, count)
                        old = 0.0
                        for q in range(a, b + 1):
                            old += arcs[q]
                        for q in range(a - 1, b + 1):
                            old += legs[q]
                        new = price_window(
                            course, points, radii, count, a, b, new_legs, new_arcs, penalty, old - 1e-7
                        )
                        if new < old - 1e-7:
                            for q in range(a, b + 1):
                                arcs[q] = new_arcs[q]
                            for q in range(a - 1, b + 1):
                                legs[q] = new_legs[q]
                            for q in range(len(points)):
                                take_point(kept_points, q, points)
                                kept_radii[q] = radii[q]
                            for q in range(low, high + 1):
                                fresh[q] = True
                            better = True
                            continue
                    for q in range(max(low - 1, 0), high + 2):
                        take_point(points, q, kept_points)
                        radii[q] = kept_radii[q]
                    take_point(points, ONE, kept_points)
                    take_point(points, count, kept_points)
            if not better:
                break
    total = 0.0
    for i in range(1, count + 1):
        total += arcs[i]
    for k in range(count + 1):
        total += legs[k]
    return total
