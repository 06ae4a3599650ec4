"""The seabed under a plan: a shaded picture and contours, sampled on the turned window itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import contourpy
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import uniform_filter

from corridor.model.seabed import Seabed
from corridor.publish.palette import depth_rgb
from corridor.publish.picture import coarsened, shade
from corridor.publish.sheet_furniture import multiples, round_step
from corridor.publish.sheets_plan import StripFrame
from corridor.terrain.sampling import depth_at

MM_PER_INCH = 25.4
PALE = 0.42
"""Share of white in the picture: lines and letters must stand out on paper."""

COLOURS = 256
"""With so few colours the PDF stores one byte per pixel."""

CONTOUR_MM = 1.2
"""Contours follow depths averaged over about this much paper: finer wiggles are noise in print."""

CONTOURS_WANTED = 9
SHORTEST_MM = 6.0
"""Contours shorter than this on the sheet are left out."""


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """What lies under a plan.

    Attributes
    ----------
    picture : array (rows, cols, 3) uint8, or None
        Row 0 is the upper edge; white where there is no seabed.
    contours : list of (depth m, array (n, 2) mm)
    interval_m : float
        Between contours; NaN where there are none.
    shallow_m, deep_m : float
        Ends of the depth colours; NaN where there is no seabed.
    """

    picture: NDArray[np.uint8] | None
    contours: list[tuple[float, NDArray[np.float64]]]
    interval_m: float
    shallow_m: float
    deep_m: float


class SeabedOnSheets:
    """A seabed to print: surfaces finer than a pixel are averaged once for all sheets of one scale."""

    def __init__(self, seabed: Seabed, dpi: int):
        self._seabed = seabed
        self._dpi = dpi or 60
        self._picture = dpi > 0
        self._coarse: tuple[float, Seabed] | None = None

    def under(self, frame: StripFrame, interval_m: float | None) -> Ground:
        """Picture and contours of a window; `interval_m` None: a round interval is chosen."""
        pixel_mm = MM_PER_INCH / self._dpi
        cols, rows = round(frame.width_mm / pixel_mm), round(frame.height_mm / pixel_mm)
        pixel_m = pixel_mm * frame.scale / 1000.0
        x = (np.arange(-1, cols + 1) + 0.5) * pixel_mm
        y = frame.height_mm - (np.arange(-1, rows + 1) + 0.5) * pixel_mm
        depth = depth_at(self._coarsened(pixel_m), *frame.to_grid(*np.meshgrid(x, y)))[0]
        inner = depth[1:-1, 1:-1]
        known = np.isfinite(inner)
        if not known.any():
            return Ground(None, [], math.nan, math.nan, math.nan)
        shallow, deep = _colour_range(inner[known])
        interval = interval_m or _interval(inner[known])
        contours = _contours(inner, known, x[1:-1], y[1:-1], pixel_mm, interval)
        picture = _picture(depth, known, pixel_m, shallow, deep) if self._picture else None
        return Ground(picture, contours, interval if contours else math.nan, shallow, deep)

    def _coarsened(self, pixel_m: float) -> Seabed:
        if self._coarse is None or self._coarse[0] != pixel_m:
            self._coarse = (pixel_m, coarsened(self._seabed, pixel_m))
        return self._coarse[1]


def _colour_range(depth: NDArray) -> tuple[float, float]:
    low, high = np.percentile(depth, [1.0, 99.0]).tolist()
    step = round_step(max((high - low) / 10.0, 0.1))
    low = math.floor(low / step) * step
    return low, max(math.ceil(high / step) * step, low + step)


def _interval(depth: NDArray) -> float:
    low, high = np.percentile(depth, [2.0, 98.0]).tolist()
    return round_step(max((high - low) / CONTOURS_WANTED, 0.1))


def _picture(
    depth: NDArray, known: NDArray, pixel_m: float, shallow: float, deep: float
) -> NDArray[np.uint8]:
    inner = depth[1:-1, 1:-1]
    colour = depth_rgb(np.where(known, inner, deep), shallow, deep)
    colour *= shade(depth, pixel_m, _relief(inner, known, pixel_m))[..., None]
    colour = np.clip(colour * (1.0 - PALE) + 255.0 * PALE, 0.0, 255.0)
    colour[~known] = 255.0
    image = Image.fromarray(colour.astype(np.uint8))
    few = image.quantize(COLOURS, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    return np.asarray(few.convert("RGB"))


def _relief(inner: NDArray, known: NDArray, pixel_m: float) -> float:
    """Exaggeration of the shading, so that the steep places of this window read."""
    level = np.where(known, inner, np.nan)
    with np.errstate(invalid="ignore"):
        slope = np.hypot(*np.gradient(level, pixel_m)) if min(level.shape) > 1 else np.zeros(1)
    slope = slope[np.isfinite(slope)]
    steep = max(float(np.percentile(slope, 95.0)), 1e-6) if slope.size else 1.0
    return next((r for r in (20.0, 10.0, 5.0, 3.0, 2.0) if r * steep <= 0.7), 1.0)


def _contours(
    depth: NDArray, known: NDArray, x: NDArray, y: NDArray, pixel_mm: float, interval: float
) -> list[tuple[float, NDArray]]:
    """Contours in mm; none across holes."""
    size = max(3, round(CONTOUR_MM / pixel_mm))
    weight = uniform_filter(known.astype(np.float32), size, mode="nearest")
    total = uniform_filter(np.where(known, depth, 0.0).astype(np.float32), size, mode="nearest")
    with np.errstate(invalid="ignore", divide="ignore"):
        smooth = np.where(known & (weight > 0.5), total / weight, np.nan)
    every = max(1, size // 2)
    smooth = smooth[::every, ::every]
    if min(smooth.shape) < 2 or not np.isfinite(smooth).any():
        return []
    generator = contourpy.contour_generator(x[::every], y[::every], np.ma.masked_invalid(smooth))
    found = []
    for level in multiples(float(np.nanmin(smooth)), float(np.nanmax(smooth)), interval).tolist():
        for line in generator.lines(level):
            points = np.asarray(line)
            if np.hypot(*np.diff(points, axis=0).T).sum() >= SHORTEST_MM:
                found.append((level, points))
    return found
