"""Tolerances of the checks, and the pieces that all of them share."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.model.results import Breach, Check
from corridor.routing.geometry import Elements, at_station

SHARE = 1e-6
"""Relative rounding allowed: a figure exactly on its limit passes."""

LENGTH_M = 1e-3
"""Rounding allowed in lengths, m: files hold coordinates to 0.1 mm, and tangent lengths multiply that."""

ANGLE_DEG = 1e-4
"""Rounding allowed in angles, degrees, for the same reason."""

BREACH_SPACING_M = 10.0
"""Places handed back to the search along a broken stretch are at most this far apart."""


@dataclass(frozen=True, slots=True)
class Findings:
    """What one rule, or several, found on the line."""

    checks: tuple[Check, ...] = ()
    breaches: tuple[Breach, ...] = ()
    warnings: tuple[str, ...] = ()


def together(findings: Iterable[Findings]) -> Findings:
    """All findings in one, in order."""
    parts = tuple(findings)
    return Findings(
        tuple(check for part in parts for check in part.checks),
        tuple(breach for part in parts for breach in part.breaches),
        tuple(warning for part in parts for warning in part.warnings),
    )


def at_least(value: float, limit: float) -> bool:
    """True when a length reaches its least value, rounding allowed."""
    return value >= limit - max(LENGTH_M, SHARE * abs(limit))


def breaches_at(
    line: Elements, rule: str, station_m: ArrayLike, value: ArrayLike, limit: float
) -> tuple[Breach, ...]:
    """Breaches of one rule at chainages; `value` and `limit` in the rule's unit."""
    station = np.atleast_1d(np.asarray(station_m, dtype=float))
    easting, northing, bearing = at_station(line, station)
    values = np.broadcast_to(np.asarray(value, dtype=float), station.shape)
    return tuple(
        Breach(rule, float(e), float(n), float(np.degrees(b)), float(v), float(limit))
        for e, n, b, v in zip(easting, northing, bearing, values, strict=True)
    )


def along_stretches(stretches: NDArray[np.float64]) -> NDArray[np.float64]:
    """Chainages on stretches (k, 2): both ends, and between them no further than 10 m apart."""
    pieces = []
    for low, high in stretches:
        count = max(2, int(np.ceil((high - low) / BREACH_SPACING_M)) + 1)
        pieces.append(np.linspace(low, high, count))
    return np.concatenate(pieces) if pieces else np.empty(0)


def runs(flags: NDArray[np.bool_]) -> NDArray[np.int64]:
    """First and one past the last index (k, 2) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return edges.reshape(-1, 2)


def kp(station_m: float) -> str:
    """Chainage in words: ``KP 12.345``."""
    return f"KP {station_m / 1000.0:.3f}"
