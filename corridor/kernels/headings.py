"""The directions a line may take on the grid: coprime integer vectors."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

ORDERS = {8: 1, 16: 2, 32: 3, 48: 4, 80: 5}
"""Number of headings -> largest step in columns or rows."""


def heading_vectors(count: int) -> NDArray[np.int64]:
    """Headings as integer steps (east, south), clockwise from north.

    Parameters
    ----------
    count : {8, 16, 32, 48, 80}

    Returns
    -------
    array (count, 2)
        All coprime (columns, rows) with both at most the order. Heading
        ``(h + count // 2) % count`` is the reverse of heading `h`, and
        ``(h + count // 4) % count`` points to its right.
    """
    order = ORDERS[count]
    steps = [
        (east, south)
        for east in range(-order, order + 1)
        for south in range(-order, order + 1)
        if math.gcd(east, south) == 1
    ]
    steps.sort(key=lambda step: math.atan2(step[0], -step[1]) % (2.0 * math.pi))
    return np.array(steps, dtype=np.int64)


def direction_excess(count: int) -> float:
    """Largest factor by which grid directions lengthen a line on open ground.

    On a uniform plane a straight line in the middle of the widest gap between
    two headings costs 1 / cos(gap / 2) when walked along the two: 1.013081 for
    32 headings. Exact (secant of half the largest gap).
    """
    return float(1.0 / np.cos(heading_gaps(count).max() / 2.0))


def heading_bearings(count: int) -> NDArray[np.float64]:
    """(count,) bearings of the headings, radians from 0 to 2 pi, rising."""
    vectors = heading_vectors(count).astype(float)
    return np.arctan2(vectors[:, 0], -vectors[:, 1]) % (2.0 * np.pi)


def heading_gaps(count: int) -> NDArray[np.float64]:
    """(count,) angles between each heading and the next, radians."""
    bearings = heading_bearings(count)
    return np.diff(np.append(bearings, bearings[0] + 2.0 * np.pi))
