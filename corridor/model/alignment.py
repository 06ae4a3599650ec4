"""Alignment: the definition of a line: START, IPs with radii, END."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import AlignmentError


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """Straights joined by circular arcs.

    The line runs from the first point to the last. Every point between them is
    an intersection point (IP) of two straights, rounded by an arc that touches
    both. The geometry follows from these figures alone.

    Parameters
    ----------
    easting_m, northing_m : array (n,), m, n >= 2
        START, IP1 ... IPn-2, END on the project grid.
    radius_m : array (n,), m
        > 0 at IPs; NaN at START and END. 0 at an IP means a sharp corner, which
        no pipe can follow: it is kept so that it can be reported.
    crs : str
    """

    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    radius_m: NDArray[np.float64]
    crs: str

    def __post_init__(self) -> None:
        for name in ("easting_m", "northing_m", "radius_m"):
            array = np.array(getattr(self, name), dtype=float)
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        count = len(self.easting_m)
        if count < 2:
            raise AlignmentError(f"an alignment needs START and END (got {count} point)")
        if not len(self.northing_m) == len(self.radius_m) == count:
            raise AlignmentError("easting_m, northing_m and radius_m differ in length")
        if not np.isfinite(self.easting_m).all() or not np.isfinite(self.northing_m).all():
            raise AlignmentError("an alignment's coordinates must be finite")
        radii = self.radius_m[1:-1]
        bad = np.flatnonzero(~(np.isfinite(radii) & (radii >= 0)))
        if bad.size:
            raise AlignmentError(f"radius_m at IP{bad[0] + 1} must be >= 0 m (got {radii[bad[0]]})")

    @classmethod
    def from_points(cls, points_m: ArrayLike, radii_m: ArrayLike, crs: str) -> Alignment:
        """Build from points (n, 2) and the radii (n - 2,) of the points between the ends."""
        points = np.asarray(points_m, dtype=float)
        radii = np.concatenate([[np.nan], np.asarray(radii_m, dtype=float).ravel(), [np.nan]])
        return cls(points[:, 0], points[:, 1], radii, crs)

    @property
    def names(self) -> tuple[str, ...]:
        """START, IP1, ..., END."""
        inner = tuple(f"IP{i}" for i in range(1, len(self.easting_m) - 1))
        return ("START", *inner, "END")

    @property
    def bends(self) -> int:
        """Number of intersection points."""
        return len(self.easting_m) - 2

    def reversed(self) -> Alignment:
        """The same line from END to START."""
        return Alignment(self.easting_m[::-1], self.northing_m[::-1], self.radius_m[::-1], self.crs)
