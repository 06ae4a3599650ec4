"""Latitude and longitude in degrees and decimal minutes, written and read back.

Decimal minutes to six places: 1e-6 minute of latitude is 1.85 mm, so that a
rounded coordinate lies within 1.4 mm of the exact one. The hemisphere letter
comes last, as on charts.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import ArrayLike

from corridor.errors import InputError

MINUTE_DECIMALS = 6

_PATTERN = re.compile(
    r"\s*(?P<deg>\d{1,3})\s*[°\s]\s*(?P<min>\d{1,2}(?:\.\d+)?)\s*['′]?\s*(?P<side>[NSEWnsew])\s*"
)


def degrees_minutes(
    degrees: ArrayLike, axis: str, decimals: int = MINUTE_DECIMALS, separator: str = "°"
) -> list[str]:
    """Degrees and decimal minutes of latitudes or longitudes.

    Parameters
    ----------
    degrees : array (n,)
        Positive north or east.
    axis : {"latitude", "longitude"}
    decimals : int
        Places of the minutes.

    Returns
    -------
    list of str
        ``57°12.345678'N``, ``003°01.000000'W``: never 60 minutes.
    """
    sides, width = (("N", "S"), 2) if axis == "latitude" else (("E", "W"), 3)
    unit = 10**decimals
    total = np.rint(np.abs(np.asarray(degrees, float)) * 60 * unit).astype(np.int64)
    whole, rest = np.divmod(total, 60 * unit)
    minutes, fraction = np.divmod(rest, unit)
    side = np.where(np.signbit(np.asarray(degrees, float)) & (total > 0), sides[1], sides[0])
    point = "." if decimals else ""
    tail = f"%0{decimals}d" if decimals else "%.0s"
    form = f"%0{width}d{separator}%02d{point}{tail}'%s"
    return [
        form % row
        for row in zip(whole.tolist(), minutes.tolist(), fraction.tolist(), side.tolist(), strict=True)
    ]


def parse_degrees_minutes(text: str) -> float:
    """The reverse of :func:`degrees_minutes`: degrees, positive north or east.

    Raises
    ------
    InputError
        When the text is not degrees, minutes below 60 and a hemisphere.
    """
    match = _PATTERN.fullmatch(text)
    if match is None or float(match["min"]) >= 60.0:
        raise InputError(
            "position must be degrees, decimal minutes and N, S, E or W, "
            f"for example 57°12.345678'N (got {text!r})"
        )
    side = match["side"].upper()
    value = int(match["deg"]) + float(match["min"]) / 60.0
    if value > (90.0 if side in "NS" else 180.0):
        raise InputError(f"position must lie on the globe (got {text!r})")
    return -value if side in "SW" else value


def chosen_step(extent_deg: float, lines: int = 5) -> float:
    """A round spacing, degrees, that puts about `lines` graticule lines across `extent_deg`.

    Steps divide a degree evenly in minutes and seconds.
    """
    steps = (
        np.array([1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 18000, 36000, 72000]) / 3600
    )
    wanted = extent_deg / lines
    return float(steps[np.argmin(np.abs(np.log(steps / wanted)))])


def minute_decimals_for(step_deg: float) -> int:
    """Decimals of minutes that tell graticule lines of `step_deg` apart: 0 for whole minutes, else up 2."""
    minutes = round(step_deg * 60.0, 9)
    return 0 if minutes.is_integer() else (1 if (minutes * 10).is_integer() else 2)
