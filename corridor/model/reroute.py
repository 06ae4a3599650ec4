"""What a reroute is asked and what it answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.model.alignment import Alignment
from corridor.model.fields import setting, validate
from corridor.model.project import Project

LAY_RATE_KM_DAY = 3.5
"""Where neither table states one: 3 to 4 km a day (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class RerouteSettings:
    """The ``[reroute]`` table.

    Attributes
    ----------
    new_ground_cost : float
        Equivalent metres more for every metre off the approved line.
    standoff_m : float or None
        Of new obstructions that state none.
    layback_m : float
        Length of pipe between touchdown and vessel: it comes down on the approved line.
    lay_rate_km_day : float or None
        Default: that of ``[quantities]``, else 3.5.
    decision_hours : float
        What a decision and its paperwork take: off the hours left.
    corridor_half_width_m : float
        Metres of the new line farther than this from the approved one are counted.
    """

    new_ground_cost: float = setting(0.5, least=0.0, most=100.0)
    standoff_m: float | None = setting(None, least=0.0)
    layback_m: float = setting(0.0, least=0.0)
    lay_rate_km_day: float | None = setting(None, above=0.0)
    decision_hours: float = setting(0.0, least=0.0)
    corridor_half_width_m: float = setting(250.0, above=0.0)

    def __post_init__(self) -> None:
        validate(self)


@dataclass(frozen=True, slots=True, eq=False)
class Clash:
    """One new obstruction and how the approved line lies to it.

    Attributes
    ----------
    layer, feature : str
    distance_m, limit_m : float
        Ground metres: nearest approach, and the least allowed.
    station_m : float
        Chainage of the nearest approach.
    stretches_m : array (k, 2)
        Chainages between which the approved line is too near; none where it is clear.
    """

    layer: str
    feature: str
    distance_m: float
    limit_m: float
    station_m: float
    stretches_m: NDArray[np.float64]

    @property
    def hit(self) -> bool:
        """Whether the approved line is too near."""
        return len(self.stretches_m) > 0


@dataclass(frozen=True, slots=True)
class ChangedPart:
    """One piece of the approved line that is replaced. Chainages in m.

    Attributes
    ----------
    old_from_m, old_to_m : float
        Of the approved line.
    new_from_m, new_to_m : float
        Of the new line.
    first_ip, last_ip : int
        New IPs of the new line, as they are numbered there.
    obstructions : tuple of str
    last_departure_m : float
        The latest chainage of the approved line at which a line that clears them can still leave it.
    extra_cost_m : float
        Equivalent metres more than the approved line, the price of new ground included.
    enough_ground : bool
        No line outside the ground searched can be cheaper.
    """

    old_from_m: float
    old_to_m: float
    new_from_m: float
    new_to_m: float
    first_ip: int
    last_ip: int
    obstructions: tuple[str, ...]
    last_departure_m: float
    extra_cost_m: float
    enough_ground: bool


@dataclass(frozen=True, slots=True)
class LayProgress:
    """How much may still be laid before the vessel must follow the new line.

    Attributes
    ----------
    laid_to_m, layback_m : float
        Chainage of touchdown, and the pipe between it and the vessel.
    last_departure_m : float
    left_m : float
        What can still be laid before touchdown and layback reach the last departure.
    lay_rate_km_day, decision_hours : float
    hours_left : float
        At that rate, less the hours for the decision; negative: too late for them.
    joint_length_m : float
    joints_left, doubles_left : int
        Whole joints, and pieces of two.
    """

    laid_to_m: float
    layback_m: float
    last_departure_m: float
    left_m: float
    lay_rate_km_day: float
    decision_hours: float
    hours_left: float
    joint_length_m: float
    joints_left: int
    doubles_left: int


@dataclass(frozen=True, slots=True, eq=False)
class Reroute:
    """An approved line, what is new, and the line that clears it.

    Attributes
    ----------
    project : Project
        With the new obstructions among its layers.
    approved, alignment : Alignment
        The same object when nothing has to change.
    clashes : tuple of Clash
        Every new obstruction, near or far.
    parts : tuple of ChangedPart
        In order of chainage; none when nothing has to change.
    laying : LayProgress or None
    settings : RerouteSettings
    notes : tuple of str
    """

    project: Project
    approved: Alignment
    alignment: Alignment
    clashes: tuple[Clash, ...]
    parts: tuple[ChangedPart, ...]
    laying: LayProgress | None
    settings: RerouteSettings
    notes: tuple[str, ...] = ()

    @property
    def changed(self) -> bool:
        """Whether the line has to change."""
        return bool(self.parts)
