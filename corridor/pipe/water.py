"""Currents and waves at pipe level, wherever the line is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.errors import PipeError
from corridor.model.pipe import Environment
from corridor.pipe.ground import Ground


def velocity(value: float | Mapping[str, Any] | None, name: str, depth_m: NDArray, kp_km: NDArray) -> NDArray:
    """A velocity setting at places, m/s; NaN where it is not given.

    Raises
    ------
    PipeError
        A table that does not reach one of the places.
    """
    if value is None:
        return np.full(len(depth_m), np.nan)
    if not isinstance(value, Mapping):
        return np.full(len(depth_m), float(value))
    by_depth = "depth_m" in value
    key, unit, at = ("depth_m", "m", depth_m) if by_depth else ("kp_km", "km", kp_km)
    places = np.asarray(value[key], dtype=float)
    beyond = np.flatnonzero((at < places[0] - 1e-6) | (at > places[-1] + 1e-6))
    if beyond.size:
        worst = beyond[np.argmax(np.abs(at[beyond] - np.clip(at[beyond], places[0], places[-1])))]
        raise PipeError(
            f"{name}: its table reaches {key} {places[0]:g} to {places[-1]:g} {unit}, the line is at "
            f"{at[worst]:.3f} {unit} at KP {kp_km[worst]:.3f}; extend the table"
        )
    return np.interp(at, places, np.asarray(value["value"], dtype=float))


def check_reach(ground: Ground, environment: Environment) -> None:
    """Raise PipeError where a table of velocities does not reach the whole profile."""
    depth = -ground.z[ground.inside]
    kp = ground.station_m(np.arange(ground.inside.start, ground.inside.stop)) / 1e3
    for name in ("current_m_s", "wave_velocity_m_s"):
        velocity(getattr(environment, name), name, depth, kp)
