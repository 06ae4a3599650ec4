"""Shortest bounded-curvature words as lines of IPs: arc, straight, arc.

Source: L. E. Dubins 1957, *American Journal of Mathematics* 79: the shortest
path of bounded curvature between two poses is of the form CSC or CCC, and CSC
when they lie at least four radii apart. Coordinates here are (u east, v south)
in cells; a right turn is positive.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

MOST_TURN = math.radians(120.0)
"""A larger arc becomes several IPs with touching arcs."""


def words(
    start: NDArray, first: NDArray | None, end: NDArray, last: NDArray | None, radius: float, whole_arcs: bool
) -> list[tuple[NDArray, NDArray]]:
    """Lines (IPs and radii) from pose to pose, one per word.

    Parameters
    ----------
    start, end : array (2,)
    first, last : array (2,) or None
        Directions of travel there; None where free.
    radius : float
    whole_arcs : bool
        Keep arcs of up to 149 degrees in one IP (where straights are required
        between bends, touching arcs are not allowed).

    Returns
    -------
    list of (points, radii)
        IPs (n, 2) without the ends, and (n,) radii.
    """
    found = []
    sides_in = (1.0, -1.0) if first is not None else (0.0,)
    sides_out = (1.0, -1.0) if last is not None else (0.0,)
    most = math.radians(148.0) if whole_arcs else MOST_TURN
    for side_in in sides_in:
        for side_out in sides_out:
            line = _word(start, first, end, last, radius, side_in, side_out, most)
            if line is not None:
                found.append(line)
    return found


def _word(
    start: NDArray, first: NDArray | None, end: NDArray, last: NDArray | None,
    radius: float, side_in: float, side_out: float, most: float,
) -> tuple[NDArray, NDArray] | None:  # fmt: skip
    """One word; a side of 0 means no arc at that end."""
    centre_in = start if first is None else start + side_in * radius * _right(first)
    centre_out = end if last is None else end + side_out * radius * _right(last)
    across = centre_out - centre_in
    distance = float(np.hypot(*across))
    # The straight touches both circles: its direction turns from the line of centres by `lean`.
    reach = (side_in - side_out) * radius
    if distance < abs(reach) + 1e-12:
        return None
    lean = math.asin(reach / distance)
    along = _turned(across / distance, lean)
    points: list[NDArray] = []
    if first is not None:
        points += _arc(start, first, _turn(first, along, side_in), side_in, radius, most)
    if last is not None:
        touch = centre_out - side_out * radius * _right(along)
        points += _arc(touch, along, _turn(along, last, side_out), side_out, radius, most)
    return np.array(points).reshape(-1, 2), np.full(len(points), radius)


def _arc(
    at: NDArray, direction: NDArray, turn: float, side: float, radius: float, most: float
) -> list[NDArray]:
    """IPs of an arc of `turn` (>= 0) to one side that begins at a point in a direction."""
    if turn < 1e-9:
        return []
    count = max(1, math.ceil(turn / most))
    part = turn / count
    tangent = radius * math.tan(part / 2.0)
    points = []
    for _ in range(count):
        points.append(at + tangent * direction)
        direction = _turned(direction, side * part)
        at = points[-1] + tangent * direction
    return points


def _turn(a: NDArray, b: NDArray, side: float) -> float:
    """Angle from direction a to b when turning to `side` only, in [0, 2 pi)."""
    angle = side * math.atan2(a[0] * b[1] - a[1] * b[0], float(a @ b)) % (2.0 * math.pi)
    return 0.0 if 2.0 * math.pi - angle < 1e-9 else angle


def _right(direction: NDArray) -> NDArray:
    return np.array([-direction[1], direction[0]])


def _turned(direction: NDArray, angle: float) -> NDArray:
    cos, sin = math.cos(angle), math.sin(angle)
    return np.array([direction[0] * cos - direction[1] * sin, direction[0] * sin + direction[1] * cos])
