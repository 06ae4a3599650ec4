"""A survey as small pictures: depth, change, soundings, spread, lines, and what the cells hold."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from corridor.model.grid import Grid
from corridor.model.survey import Survey
from corridor.publish import palette
from corridor.survey.memory import rest

LONGEST = 900
"""Pixels along a picture's longer side, at most."""

LETTERS = 24
"""Height of letters in a picture, pixels: a page shows it at about half its size."""

EMPTY_RGB = (240, 241, 243)
QUIET = 0.35
"""How strongly change within the uncertainty is coloured."""

EROSION = ("#ffffff", "#9dbbe0", "#1f4e8c")
ACCRETION = ("#ffffff", "#e7bd8b", "#8a4b08")
AMOUNT = ("#f4f1e6", "#a9c5b4", "#3f7f86", "#173f5f")
STATES = {0: ("#f0f1f3", "no soundings"), 1: ("#5799b8", "soundings"), 2: ("#e3a008", "gap bridged")}
REJECTED = "#a82512"


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture for the page.

    `stops` are the legend's colours from `low` to `high`; a picture of classes
    has `classes` (colour, word) instead.
    """

    title: str
    text: str
    uri: str
    width: int
    height: int
    stops: tuple[str, ...] = ()
    low: str = ""
    high: str = ""
    classes: tuple[tuple[str, str], ...] = ()


def pictures(survey: Survey, line_m: NDArray[np.float64] | None) -> list[Picture]:
    """All pictures of a survey, in the order of the page."""
    surface = survey.surface
    view = _View(surface.grid, survey, line_m)
    found = [_depth(view, survey)]
    if np.isfinite(survey.change_m).any():
        found.append(_change(view, survey))
    if surface.counted:
        counts = surface.count.astype(np.float32)
        counts /= surface.grid.cell_m**2
        counts[surface.count == 0] = np.nan
        found.append(
            _amount(view, counts, "Soundings per m²", "How densely each cell was sounded.", "per m²")
        )
        found.append(
            _amount(
                view, surface.spread_m, "Spread", "Standard deviation of the soundings in a cell, m.", "m"
            )
        )
    if surface.line_difference_m is not None and np.isfinite(surface.line_difference_m).any():
        text = "Largest difference between the means of two survey lines in a cell, m."
        found.append(_amount(view, surface.line_difference_m, "Agreement between lines", text, "m"))
    found.append(_states(view, survey))
    return found


class _View:
    """From cells to pixels, and what is drawn over every picture."""

    def __init__(self, grid: Grid, survey: Survey, line_m: NDArray[np.float64] | None):
        self.grid = grid
        self.step = max(1, math.ceil(max(grid.shape) / LONGEST))
        self.zoom = max(1, LONGEST // max(grid.shape))
        self.survey = survey
        self.line_m = line_m

    def thin(self, values: NDArray) -> NDArray[np.float64]:
        """Mean of blocks of cells, NaN where a block holds none."""
        step = self.step
        rows, cols = (-(-n // step) * step for n in values.shape)
        total = np.zeros((rows // step, cols // step))
        count = np.zeros_like(total)
        for i in range(step):
            for j in range(step):
                part = values[i::step, j::step].astype(np.float64)
                held = np.isfinite(part)
                total[: part.shape[0], : part.shape[1]] += np.where(held, part, 0.0)
                count[: part.shape[0], : part.shape[1]] += held
        rest(values)
        with np.errstate(invalid="ignore", divide="ignore"):
            return total / count

    def most(self, values: NDArray) -> NDArray:
        """Largest of each block: what must not vanish in a smaller picture."""
        step = self.step
        rows, cols = (-(-n // step) * step for n in values.shape)
        padded = np.zeros((rows, cols), dtype=values.dtype)
        padded[: values.shape[0], : values.shape[1]] = values
        return padded.reshape(rows // step, step, cols // step, step).max(axis=(1, 3))

    def finish(self, rgb: NDArray[np.float64], contacts: bool = True) -> tuple[str, int, int]:
        """The picture as a data URI, with the line, the new things and a scale drawn on it."""
        image = Image.fromarray(np.clip(rgb, 0, 255).astype(np.uint8))
        if self.zoom > 1:
            image = image.resize(
                (image.width * self.zoom, image.height * self.zoom), Image.Resampling.NEAREST
            )
        draw = ImageDraw.Draw(image)
        if self.line_m is not None and len(self.line_m) > 1:
            points = [self._pixel(e, n) for e, n in self.line_m]
            draw.line(points, fill="#ffffff", width=7)
            draw.line(points, fill=palette.ROUTE, width=4)
        if contacts:
            self._contacts(draw)
        self._scale(draw, image.height)
        buffer = io.BytesIO()
        image.save(buffer, "WEBP", quality=86, method=4)
        text = base64.b64encode(buffer.getvalue()).decode("ascii")
        return f"data:image/webp;base64,{text}", image.width, image.height

    def _pixel(self, easting: float, northing: float) -> tuple[float, float]:
        u, v = self.grid.to_cells(easting, northing)
        return float(u) / self.step * self.zoom, float(v) / self.step * self.zoom

    def _contacts(self, draw: ImageDraw.ImageDraw) -> None:
        for contact in self.survey.contacts[:60]:
            x, y = self._pixel(contact.easting_m, contact.northing_m)
            reach = max(7.0, 0.5 * contact.length_m / self.grid.cell_m / self.step * self.zoom + 4.0)
            box = (x - reach, y - reach, x + reach, y + reach)
            colour = palette.RULE_COLOURS["avoid"] if contact.status == "new" else "#1d1f24"
            draw.ellipse(box, outline="#ffffff", width=6)
            draw.ellipse(box, outline=colour, width=3)
            if contact.kind == "object":
                self._letters(draw, (x + reach + 3, y - LETTERS / 2), contact.name, colour)

    def _scale(self, draw: ImageDraw.ImageDraw, height: int) -> None:
        """A bar of a round length of about a fifth of the picture."""
        metres = 0.2 * self.grid.cols * self.grid.cell_m
        power = 10.0 ** math.floor(math.log10(metres))
        length = next(step * power for step in (5.0, 2.0, 1.0) if step * power <= metres)
        pixels = length / self.grid.cell_m / self.step * self.zoom
        y = height - 12
        draw.line([(10, y), (10 + pixels, y)], fill="#ffffff", width=7)
        draw.line([(10, y), (10 + pixels, y)], fill="#1d1f24", width=3)
        label = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
        self._letters(draw, (10, y - 10 - LETTERS), label, "#1d1f24")

    @staticmethod
    def _letters(draw: ImageDraw.ImageDraw, place: tuple[float, float], text: str, colour: str) -> None:
        font = ImageFont.load_default(LETTERS)
        draw.text(place, text, fill=colour, font=font, stroke_width=2, stroke_fill="#ffffff")


def _ramp(share: NDArray, colours: Sequence[str]) -> NDArray[np.float64]:
    stops = np.array([palette.rgb(colour) for colour in colours], dtype=float)
    at = np.linspace(0.0, 1.0, len(stops))
    return np.stack([np.interp(share, at, stops[:, band]) for band in range(3)], axis=-1)


def _blank(rgb: NDArray[np.float64], values: NDArray) -> NDArray[np.float64]:
    rgb[~np.isfinite(values)] = EMPTY_RGB
    return rgb


def _depth(view: _View, survey: Survey) -> Picture:
    depth = view.thin(survey.surface.depth_m)
    low, high = (float(v) for v in np.nanpercentile(depth, (0.5, 99.5)))
    rgb = palette.depth_rgb(np.nan_to_num(depth, nan=low), low, high)
    rgb *= _shade(depth, view.grid.cell_m * view.step)[..., None]
    uri, width, height = view.finish(_blank(rgb, depth))
    return Picture(
        "Depth", "The surveyed seabed, lit from the north-west. Circles: new things red, known ones black.",
        uri, width, height, palette.DEPTH_RAMP, f"{low:.1f} m", f"{high:.1f} m",
    )  # fmt: skip


def _shade(depth: NDArray, cell_m: float) -> NDArray[np.float64]:
    """Hillshade: cosine of the angle to a sun in the north-west at 45 degrees, relief exaggerated to show."""
    south, east = np.gradient(-depth, cell_m) if min(depth.shape) > 1 else (np.zeros_like(depth),) * 2
    typical = float(np.nanpercentile(np.hypot(south, east), 90)) if np.isfinite(south).any() else 0.0
    factor = 0.7 / max(typical, 1e-6)
    gx, gy = factor * east, -factor * south
    sun = math.sqrt(0.5)
    light = (sun + 0.5 * gx - 0.5 * gy) / np.sqrt(1.0 + gx**2 + gy**2)
    return np.nan_to_num(np.clip(0.45 + 0.75 * light, 0.35, 1.15), nan=1.0)


def _change(view: _View, survey: Survey) -> Picture:
    change = view.thin(survey.change_m)
    real = view.most(survey.significant.astype(np.uint8)) > 0
    most = max(float(np.nanpercentile(np.abs(change), 99.5)), 0.1)
    share = np.clip(np.abs(np.nan_to_num(change)) / most, 0.0, 1.0)
    rgb = np.where((change > 0)[..., None], _ramp(share, EROSION), _ramp(share, ACCRETION))
    rgb = np.where(real[..., None], rgb, 255.0 - QUIET * (255.0 - rgb))
    uri, width, height = view.finish(_blank(rgb, change))
    return Picture(
        "Change since the existing seabed",
        "Full colour where it exceeds the combined 95 % uncertainty, pale where it does not.",
        uri, width, height, (*reversed(ACCRETION), *EROSION[1:]),
        f"{most:.1f} m shoaler", f"{most:.1f} m deeper",
    )  # fmt: skip


def _amount(view: _View, values: NDArray, title: str, text: str, unit: str) -> Picture:
    amount = view.thin(values)
    held = amount[np.isfinite(amount)]
    high = float(np.percentile(held, 99)) if held.size else 1.0
    rgb = _ramp(np.nan_to_num(amount) / max(high, 1e-9), AMOUNT)
    uri, width, height = view.finish(_blank(rgb, amount), contacts=False)
    return Picture(title, text, uri, width, height, AMOUNT, f"0 {unit}", f"{high:.3g} {unit}")


def _states(view: _View, survey: Survey) -> Picture:
    state = view.most(survey.surface.state)
    rgb = np.zeros((*state.shape, 3))
    for code, (colour, _) in STATES.items():
        rgb[state == code] = palette.rgb(colour)
    rgb[view.most(survey.surface.rejected) > 0] = palette.rgb(REJECTED)
    uri, width, height = view.finish(rgb, contacts=False)
    classes = (*STATES.values(), (REJECTED, "soundings rejected here"))
    return Picture(
        "Coverage", "What each cell holds.", uri, width, height, classes=tuple((c, w) for c, w in classes)
    )
