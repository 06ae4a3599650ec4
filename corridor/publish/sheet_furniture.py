"""What stands on any printed sheet: scale bar, north arrow, labels that keep out of each other's way."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from corridor.publish.zones_sheet_page import INK, POINT_MM, SOFT, Page, text_mm

ROUND_SCALES = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5, 8.0, 10.0)
CAUTION_COLOUR = "#a82512"


def round_scale(needed: float) -> float:
    """The largest round scale, as its denominator, that is no larger than 1 : `needed`."""
    power = 10.0 ** math.floor(math.log10(needed))
    return next(power * step for step in (*ROUND_SCALES, 100.0) if power * step >= needed * (1.0 - 1e-9))


def round_step(least: float, steps: Iterable[float] = (1.0, 2.0, 5.0)) -> float:
    """The smallest round step (1, 2, 5, 10, ...) no smaller than `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(power * step for step in (*steps, 10.0) if power * step >= least * (1.0 - 1e-9))


def multiples(low: float, high: float, step: float) -> NDArray[np.float64]:
    """Multiples of `step` from `low` to `high`, rounding allowed."""
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return np.arange(first, last + 1, dtype=np.float64) * step


def fixed(value: float | None, decimals: int, missing: str = "-") -> str:
    """A figure with fixed decimals, never ``-0.0``; `missing` for None."""
    return missing if value is None else f"{round(value, decimals) + 0.0:.{decimals}f}"


def grouped(value: float) -> str:
    """A whole number in groups of three: ``10 000``."""
    return f"{value:,.0f}".replace(",", " ")


def ratio(scale: float) -> str:
    """A scale as text: ``1:10 000``, ``1:12.5``."""
    return f"1:{grouped(scale)}" if abs(scale - round(scale)) < 1e-6 else f"1:{scale:g}"


def scale_bar(page: Page, x: float, y: float, scale: float, most_mm: float) -> None:
    """A bar of four parts, its left end at (x, y), with its ends and middle in m or km."""
    most = most_mm * scale / 1000.0
    power = 10.0 ** math.floor(math.log10(most))
    length = max(power * step for step in (1.0, 2.0, 4.0, 8.0) if power * step <= most)
    unit, metres = ("km", 1000.0) if length >= 4000.0 else ("m", 1.0)
    part = length / 4.0 / scale * 1000.0
    for i in range(4):
        page.box(x + i * part, y, part, 1.5, 0.2, facecolor=INK if i % 2 == 0 else "#ffffff")
    for i in (0, 2, 4):
        page.text(x + i * part, y - 2.9, f"{i * length / 4.0 / metres:g}", 5.5, ha="center")
    page.text(x + 4 * part + 2.6, y, unit, 5.5)


def north_arrow(
    page: Page, x: float, y: float, up_deg: float, convergence_deg: float, size_mm: float
) -> None:
    """True north as an arrow about (x, y), grid north as a thin line; their names at opposite ends.

    Parameters
    ----------
    up_deg : float
        Grid bearing of the sheet's upward direction.
    convergence_deg : float
        Bearing of grid north from true north; on the grid true north bears minus this.
    """
    half, reach = size_mm / 2.0, size_mm / 2.0 + 2.2
    true, grid = math.radians(-convergence_deg - up_deg), math.radians(-up_deg)
    dx, dy = math.sin(grid), math.cos(grid)
    page.line(
        [x - 0.8 * half * dx, x + 0.8 * half * dx], [y - 0.8 * half * dy, y + 0.8 * half * dy], 0.15, SOFT
    )
    page.text(x - reach * dx, y - reach * dy, "grid", 5.0, ha="center", va="center", color=SOFT)
    dx, dy = math.sin(true), math.cos(true)
    style: dict[str, Any] = {"arrowstyle": "-|>", "linewidth": 1.0, "color": INK, "shrinkA": 0, "shrinkB": 0}
    page.paper.annotate("", (x + half * dx, y + half * dy), (x - half * dx, y - half * dy), arrowprops=style)
    page.text(x + reach * dx, y + reach * dy, "N true", 5.5, ha="center", va="center", weight="bold")


@dataclass(slots=True)
class Labels:
    """Labels on a map: each gets the first place where it hides nothing placed before.

    Parameters
    ----------
    axes : Axes
        In mm of the sheet from the map's lower left corner.
    page : Page
    width_mm, height_mm : float
        Of the map; no label leaves it.
    """

    axes: Axes
    page: Page
    width_mm: float
    height_mm: float
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def block(self, x: float, y: float, half_mm: float) -> None:
        """Keep a square about (x, y) free."""
        self.taken.append((x - half_mm, y - half_mm, x + half_mm, y + half_mm))

    def block_line(self, points: NDArray, half_mm: float = 0.7) -> None:
        """Keep a band about a chain of points (n, 2) free."""
        step = np.hypot(*np.diff(points, axis=0).T)
        along = np.concatenate([[0.0], np.cumsum(step)])
        at = np.arange(0.0, along[-1] + half_mm, 2.0 * half_mm)
        for x, y in zip(np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1]), strict=True):
            self.block(float(x), float(y), half_mm)

    def put(
        self, words: str, places: Iterable[tuple[float, float]], size: float = 5.5,
        most_mm: float = 60.0, leader: tuple[float, float] | None = None, **style: Any,
    ) -> bool:  # fmt: skip
        """Write `words` centred at the first of `places` that is free; False where none is.

        `leader`: a thin line runs from the label to this point.
        """
        line = self.page.fitted(words, size, most_mm, style.get("weight", "normal"))
        wide = text_mm(line, size, style.get("weight", "normal")) / 2.0 + 0.5
        high = size * POINT_MM * 0.62
        for x, y in places:
            box = (x - wide, y - high, x + wide, y + high)
            if not self._free(box):
                continue
            self.taken.append(box)
            if leader is not None:
                self.axes.plot([x, leader[0]], [y, leader[1]], color=SOFT, lw=0.3, zorder=7)
            style = {"color": INK, "zorder": 8, "ha": "center", "va": "center", **style}
            style["bbox"] = {"boxstyle": "square,pad=0.12", "facecolor": "#ffffffd0", "edgecolor": "none"}
            self.axes.text(x, y, line, fontsize=size, parse_math=False, **style)
            return True
        return False

    def _free(self, box: tuple[float, float, float, float]) -> bool:
        x0, y0, x1, y1 = box
        if x0 < 0.3 or y0 < 0.3 or x1 > self.width_mm - 0.3 or y1 > self.height_mm - 0.3:
            return False
        return all(x0 >= t[2] or x1 <= t[0] or y0 >= t[3] or y1 <= t[1] for t in self.taken)


def around(
    x: float, y: float, distances: Iterable[float], start_deg: float = 90.0
) -> list[tuple[float, float]]:
    """Places about (x, y) to try for a label: eight directions at each distance, from `start_deg` on."""
    turns = (0.0, 45.0, -45.0, 180.0, 135.0, -135.0, 90.0, -90.0)
    return [
        (x + d * math.cos(math.radians(start_deg + t)) * 1.6, y + d * math.sin(math.radians(start_deg + t)))
        for d in distances
        for t in turns
    ]
