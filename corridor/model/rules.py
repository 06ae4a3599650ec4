"""RouteRules: what a line must obey, as the ``[route]`` table states it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from corridor.errors import SettingError
from corridor.model.fields import setting, validate


@dataclass(frozen=True, slots=True)
class RouteEnd:
    """One end of the line, or a point on its way.

    `bearing_deg` is the grid bearing in the direction of increasing KP,
    clockwise from grid north; None leaves it free.
    """

    easting: float = setting()
    northing: float = setting()
    bearing_deg: float | None = setting(None, least=-360.0, most=360.0)

    def __post_init__(self) -> None:
        validate(self)

    @property
    def direction(self) -> tuple[float, float] | None:
        """Unit vector (east, north) of the bearing, or None."""
        if self.bearing_deg is None:
            return None
        angle = math.radians(self.bearing_deg)
        return math.sin(angle), math.cos(angle)


@dataclass(frozen=True, slots=True)
class RouteRules:
    """Limits on the line and prices along it. Lengths in m, angles in degrees.

    Slopes are averaged over `slope_baseline_m`. Prices are in equivalent
    metres: one metre of pipe on flat open seabed costs 1.
    """

    min_bend_radius_m: float = setting(
        above=0.0, remedy="give the least radius the lay vessel can hold on this seabed"
    )
    max_slope_along_deg: float = setting(15.0, above=0.0, below=90.0)
    max_slope_across_deg: float = setting(15.0, above=0.0, below=90.0)
    depth_range_m: tuple[float, ...] = setting((-12000.0, 12000.0))
    min_straight_m: float = setting(0.0, least=0.0)
    end_straight_m: float = setting(0.0, least=0.0)
    lay_tolerance_m: float = setting(0.0, least=0.0)
    tie_in_layers: tuple[str, ...] = setting(())
    tie_in_length_m: float = setting(0.0, least=0.0)
    slope_baseline_m: float = setting(24.0, above=0.0)
    bend_cost_m: float = setting(150.0, least=0.0)
    slope_cost: float = setting(1.0, least=0.0)
    search_cell_m: float | None = setting(None, above=0.0)
    headings: int = setting(32)
    breach_rounds: int = setting(8, least=0, most=100)
    proximity_m: float = setting(2000.0, least=0.0)

    def __post_init__(self) -> None:
        validate(self)
        faults = []
        if len(self.depth_range_m) != 2 or not self.depth_range_m[0] < self.depth_range_m[1]:
            faults.append(
                "depth_range_m must be two numbers, shallow before deep, positive down "
                f"(got {list(self.depth_range_m)})"
            )
        if self.headings not in (16, 32, 48, 80):
            faults.append(f"headings must be one of 16, 32, 48, 80 (got {self.headings})")
        if faults:
            raise SettingError(faults)

    @property
    def straight_at_ends_m(self) -> float:
        """Straight needed between an end and the nearest tangent point, m."""
        return max(self.end_straight_m, self.min_straight_m)
