"""How much of each limit a span uses, and the length that would just pass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.model.pipe import Environment, Pipe
from corridor.pipe.frequency import Vibration, direct_frequencies
from corridor.pipe.ground import Ground
from corridor.pipe.onbottom import Laid
from corridor.pipe.section import LoadCase, bending_allowed, equivalent_stress, section, stress_parts
from corridor.pipe.spans import Spans
from corridor.pipe.water import velocity

STRESS, CROSSFLOW, INLINE, SLENDERNESS = range(4)
"""Columns of `Screened.use`."""


@dataclass(frozen=True, slots=True, eq=False)
class Screened:
    """What the screening found. Arrays (s,); NaN = not assessed.

    Attributes
    ----------
    stress_parts_Pa : tuple of three arrays
        Bending, axial, hoop.
    stress_Pa, stress_limit_Pa : array, float
        Largest equivalent stress and what is allowed.
    inline_hz, crossflow_hz : array
        From the eigenproblem.
    formula_inline_hz, formula_crossflow_hz : array
        By the semi-empirical formula, for comparison.
    needed_inline_hz, needed_crossflow_hz : array
        Frequencies that just pass, safety factors included.
    current_m_s, wave_m_s : array
    use : array (s, 4)
        Share used of each limit: stress, cross-flow, in-line, slenderness; > 1 fails.
    vibration : Vibration
        The formulas with everything but the length filled in.
    """

    stress_parts_Pa: tuple[NDArray, NDArray, NDArray]
    stress_Pa: NDArray[np.float64]
    stress_limit_Pa: float
    inline_hz: NDArray[np.float64]
    crossflow_hz: NDArray[np.float64]
    formula_inline_hz: NDArray[np.float64]
    formula_crossflow_hz: NDArray[np.float64]
    needed_inline_hz: NDArray[np.float64]
    needed_crossflow_hz: NDArray[np.float64]
    current_m_s: NDArray[np.float64]
    wave_m_s: NDArray[np.float64]
    use: NDArray[np.float64]
    vibration: Vibration


def screen(
    laid: Laid,
    spans: Spans,
    contact_m: NDArray,
    ground: Ground,
    case: LoadCase,
    pipe: Pipe,
    environment: Environment,
) -> Screened:
    """Screen spans against static stress and the onset of vortex-induced vibration.

    The limits of onset are those of :func:`needed_frequencies`; beyond
    `span_max_slenderness` a span never passes, because they do not reach that far.
    """
    tube = section(pipe, environment)
    depth = -ground.z[spans.gap_node]
    kp = ground.station_m(spans.gap_node) / 1e3
    current = velocity(environment.current_m_s, "current_m_s", depth, kp)
    wave = velocity(environment.wave_velocity_m_s, "wave_velocity_m_s", depth, kp)
    axial = laid.tension_N[np.minimum(spans.gap_node, len(laid.tension_N) - 1)]
    model = Vibration(pipe, environment, tube, case, axial)
    crossflow, inline = direct_frequencies(
        laid,
        spans,
        contact_m,
        model.soil_vertical_N_m2,
        environment.soil_lateral_stiffness_ratio,
        model.stiffness_Nm2,
        case.effective_kg_m,
    )
    sag = model.sag_over_diameter(spans.length_m)
    needed = needed_frequencies(spans.length_m, current, wave, tube.diameter_m, pipe)
    pressure = case.overpressure_Pa(depth, environment.water_density_kg_m3)
    parts = stress_parts(tube, spans.moment_Nm, axial, pressure)
    stress = equivalent_stress(*parts)
    limit = pipe.stress_fraction_of_yield * (pipe.yield_strength_MPa or np.nan) * 1e6
    # Without a current or a wave the onset is not assessed, and slenderness with it: NaN.
    slender = spans.length_m / tube.diameter_m / pipe.span_max_slenderness + 0 * (current + wave)
    with np.errstate(divide="ignore"):
        use = np.column_stack([stress / limit, needed[1] / crossflow, needed[0] / inline, slender])
    return Screened(
        stress_parts_Pa=parts,
        stress_Pa=stress,
        stress_limit_Pa=limit,
        inline_hz=inline,
        crossflow_hz=crossflow,
        formula_inline_hz=model.formula(spans.length_m, model.soil_lateral_N_m2),
        formula_crossflow_hz=model.formula(spans.length_m, model.soil_vertical_N_m2, sag),
        needed_inline_hz=needed[0],
        needed_crossflow_hz=needed[1],
        current_m_s=current,
        wave_m_s=wave,
        use=use,
        vibration=model,
    )


def needed_frequencies(
    length_m: NDArray, current: NDArray, wave: NDArray, diameter_m: float, pipe: Pipe
) -> tuple[NDArray, NDArray]:
    """Frequencies, Hz, that in-line and cross-flow screening ask for, factors included.

    In-line: ``f/gamma > U_c/(V_R D) (1 - (L/D)/250)/alpha`` with ``alpha = max(0.6,
    U_c/(U_c + U_w))``; cross-flow: ``f/gamma > (U_c + U_w)/(2 D)`` (DNV-RP-F105,
    from memory; every number is a setting).
    """
    both = current + wave
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(both > 0, current / both, 1.0)
    alpha = np.maximum(pipe.onset_least_current_ratio, np.where(np.isfinite(both), ratio, np.nan))
    slender = np.maximum(1 - length_m / diameter_m / pipe.onset_slenderness_scale, 0.0)
    inline = current / (pipe.onset_velocity_inline * diameter_m) * slender / alpha
    crossflow = both / (pipe.onset_velocity_crossflow * diameter_m)
    return pipe.onset_factor_inline * inline, pipe.onset_factor_crossflow * crossflow


def allowable_lengths(spans: Spans, screened: Screened) -> NDArray[np.float64]:
    """Length, m, at which each span would just pass everything assessed; NaN where nothing is.

    Bending grows with the length squared; a span's own frequency scales with
    length as the formula does, so that the answer and the limits used agree
    at the span's own length. What its neighbours do stays as it is: an estimate
    for this place, not a design length.
    """
    model = screened.vibration
    bending, axial, hoop = screened.stress_parts_Pa
    allowed = np.full(len(spans), np.nan)
    if np.isfinite(screened.stress_limit_Pa):
        left = bending_allowed(axial, hoop, screened.stress_limit_Pa)
        allowed = spans.length_m * np.sqrt(left / np.maximum(bending, 1.0))
    for soil, own_hz, which in (
        (model.soil_lateral_N_m2, screened.inline_hz, 0),
        (model.soil_vertical_N_m2, screened.crossflow_hz, 1),
    ):
        allowed = np.fmin(allowed, _allowed_by_onset(spans.length_m, screened, soil, own_hz, which))
    return allowed


def _allowed_by_onset(
    length_m: NDArray, screened: Screened, soil_N_m2: float, own_hz: NDArray, which: int
) -> NDArray:
    model = screened.vibration
    pipe, diameter = model.pipe, model.tube.diameter_m
    current, wave = screened.current_m_s, screened.wave_m_s
    with np.errstate(invalid="ignore", divide="ignore"):
        own = own_hz / model.formula(length_m, soil_N_m2)
    low = np.full(len(length_m), diameter)
    high = np.full(len(length_m), pipe.span_max_slenderness * diameter)
    for _ in range(30):
        middle = 0.5 * (low + high)
        needed = needed_frequencies(middle, current, wave, diameter, pipe)[which]
        passes = own * model.formula(middle, soil_N_m2) >= needed
        low, high = np.where(passes, middle, low), np.where(passes, high, middle)
    return np.where(np.isfinite(own) & np.isfinite(current + wave), low, np.nan)
