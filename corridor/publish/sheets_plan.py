"""Which part of the line stands on which sheet, at which scale, turned how."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from corridor.errors import InputError
from corridor.model.publication import STRIP_MM, SheetSettings
from corridor.publish.sheet_furniture import round_scale
from corridor.routing.geometry import Elements, at_station

PLAN_WIDTH_MM, PLAN_HEIGHT_MM = 306.0, 125.0
"""The plan strip on the sheet; the line's KP range takes :data:`STRIP_MM` of its width at most."""

CLEAR_MM = 16.0
"""Kept free between the line and the upper and lower edge of the plan, for its labels."""

SHORT_KM = (0.3, 0.6, 0.75, 1.5)
STEPS_KM = (3.0, 6.0, 7.5, 15.0, 30.0, 60.0, 75.0, 150.0, 300.0)
MOST_SHEETS = 60
"""Without a scale or KP length of the user's, longer steps are taken rather than more sheets than this."""

SHORTEST_SHARE = 0.02
"""A rest of the line shorter than this share of a sheet goes onto the last full sheet."""

LIMIT_SHEETS = 5000
SAMPLES = 400


@dataclass(frozen=True, slots=True)
class StripFrame:
    """A window on the project grid, turned so that one bearing runs to the right of the sheet.

    Attributes
    ----------
    easting_m, northing_m : float
        Centre of the window.
    right_deg : float
        Grid bearing that runs to the right; 90 where grid north is up.
    scale : float
        Denominator.
    width_mm, height_mm : float
    """

    easting_m: float
    northing_m: float
    right_deg: float
    scale: float
    width_mm: float = PLAN_WIDTH_MM
    height_mm: float = PLAN_HEIGHT_MM

    @property
    def up_deg(self) -> float:
        """Grid bearing of the sheet's upward direction."""
        return (self.right_deg - 90.0) % 360.0

    def to_paper(self, easting_m: ArrayLike, northing_m: ArrayLike) -> NDArray[np.float64]:
        """Grid positions -> (n, 2) mm from the window's lower left corner."""
        east = np.asarray(easting_m, dtype=float) - self.easting_m
        north = np.asarray(northing_m, dtype=float) - self.northing_m
        s, c = math.sin(math.radians(self.right_deg)), math.cos(math.radians(self.right_deg))
        mm = 1000.0 / self.scale
        x = (east * s + north * c) * mm + self.width_mm / 2.0
        y = (-east * c + north * s) * mm + self.height_mm / 2.0
        return np.stack([x, y], axis=-1)

    def to_grid(self, x_mm: ArrayLike, y_mm: ArrayLike) -> tuple[NDArray, NDArray]:
        """The reverse of :meth:`to_paper`: easting, northing, m."""
        metres = self.scale / 1000.0
        u = (np.asarray(x_mm, dtype=float) - self.width_mm / 2.0) * metres
        v = (np.asarray(y_mm, dtype=float) - self.height_mm / 2.0) * metres
        s, c = math.sin(math.radians(self.right_deg)), math.cos(math.radians(self.right_deg))
        return self.easting_m + u * s - v * c, self.northing_m + u * c + v * s

    def shape_to_paper(self, shape: Any) -> Any:
        """A geometry of the grid as one in mm."""
        return shapely.transform(shape, lambda xy: self.to_paper(xy[:, 0], xy[:, 1]))

    @property
    def corners_m(self) -> NDArray[np.float64]:
        """The window's corners (4, 2) on the grid."""
        x = np.array([0.0, self.width_mm, self.width_mm, 0.0])
        y = np.array([0.0, 0.0, self.height_mm, self.height_mm])
        return np.column_stack(self.to_grid(x, y))

    @property
    def box(self) -> Any:
        """The window as a polygon on the grid."""
        return shapely.polygons(self.corners_m)


@dataclass(frozen=True, slots=True)
class Strip:
    """One sheet: its number, KP range, scale along KP, and plan window."""

    number: int
    kp_from_km: float
    kp_to_km: float
    scale: float
    frame: StripFrame

    def x_mm(self, kp_km: ArrayLike) -> NDArray[np.float64]:
        """KP -> mm from the left edge of the profile; the range is centred in it."""
        length = (self.kp_to_km - self.kp_from_km) * 1e6 / self.scale
        start = (PLAN_WIDTH_MM - length) / 2.0 if length > STRIP_MM else (PLAN_WIDTH_MM - STRIP_MM) / 2.0
        return start + (np.asarray(kp_km, dtype=float) - self.kp_from_km) * 1e6 / self.scale


def plan_sheets(line: Elements, settings: SheetSettings) -> list[Strip]:
    """Cut a line into sheets.

    Raises
    ------
    InputError
        When the settings ask for more than some thousand sheets.
    """
    step_km, scale = sheet_step(line.total_m / 1000.0, settings)
    total = line.total_m / 1000.0
    if total / step_km > LIMIT_SHEETS:
        raise InputError(
            f"[sheets] asks for {total / step_km:.0f} sheets of {step_km:g} km, at most {LIMIT_SHEETS} are "
            "made; give a larger kp_per_sheet_km or scale"
        )
    edges = np.arange(0.0, total, step_km)
    if len(edges) > 1 and total - edges[-1] < SHORTEST_SHARE * step_km:
        edges = edges[:-1]
    edges = np.append(edges, total)
    ranges = list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    frames = [_frame(line, low, high, scale, settings.orientation) for low, high in ranges]
    if settings.orientation == "north":  # one scale for all plans: where one needs more room, all take it
        common = max(frame.scale for frame in frames)
        frames = [replace(frame, scale=common) for frame in frames]
    return [
        Strip(i + 1, low, high, scale, frame)
        for i, ((low, high), frame) in enumerate(zip(ranges, frames, strict=True))
    ]


def sheet_step(total_km: float, settings: SheetSettings) -> tuple[float, float]:
    """KP length of a sheet (km) and scale along KP, from the settings or chosen for the line's length."""
    step, scale = settings.kp_per_sheet_km, settings.scale
    if step is None and scale is not None:
        step = _round_length(STRIP_MM * scale / 1e6)
    if step is None:
        short = next((s for s in SHORT_KM if total_km <= 2.0 * s), None)
        step = short or next((s for s in STEPS_KM if total_km <= MOST_SHEETS * s), STEPS_KM[-1])
    return step, scale or round_scale(step * 1e6 / STRIP_MM)


def _round_length(most_km: float) -> float:
    """The largest length of two digits that is no longer than `most_km`."""
    power = 10.0 ** (math.floor(math.log10(most_km)) - 1)
    return math.floor(most_km / power * (1.0 + 1e-9)) * power


def _frame(line: Elements, low_km: float, high_km: float, scale: float, orientation: str) -> StripFrame:
    """The window about one KP range: at the scale along KP, or the next round one at which it fits."""
    easting, northing, bearing = at_station(line, np.linspace(low_km, high_km, SAMPLES) * 1000.0)
    right = 90.0
    if orientation == "line":
        east, north = easting[-1] - easting[0], northing[-1] - northing[0]
        straight = math.hypot(east, north) > 0.2 * (high_km - low_km) * 1000.0
        right = math.degrees(math.atan2(east, north)) if straight else math.degrees(bearing[SAMPLES // 2])
    trial = StripFrame(float(easting[0]), float(northing[0]), right % 360.0, 1000.0)
    box = trial.to_paper(easting, northing)  # at 1:1000: metres
    low, high = box.min(axis=0), box.max(axis=0)
    size = high - low
    needed = max(size[0] * 1000.0 / STRIP_MM, size[1] * 1000.0 / (PLAN_HEIGHT_MM - 2.0 * CLEAR_MM), 1e-6)
    fits = needed <= scale * (1.0 + 0.5 * SHORTEST_SHARE + 1e-9)
    centre_x, centre_y = (low + high) / 2.0
    full_mm = (high_km - low_km) * 1e6 / scale
    if fits and orientation == "line" and full_mm < STRIP_MM:
        # A short last sheet begins at the left, where its profile begins.
        centre_x += (STRIP_MM - full_mm) / 2.0 * scale / 1000.0
    easting_m, northing_m = trial.to_grid(centre_x, centre_y)
    return StripFrame(
        float(easting_m), float(northing_m), right % 360.0, scale if fits else round_scale(needed)
    )
