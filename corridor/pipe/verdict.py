"""One word on every span, and why, in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from corridor.model.pipe import Pipe
from corridor.pipe.cases import CaseResult
from corridor.pipe.ground import Ground
from corridor.pipe.screening import CROSSFLOW, INLINE, SLENDERNESS, STRESS, Screened

OK, NOT_ASSESSED, ASSESS, SUPPORT = range(4)
VERDICTS = ("ok", "not assessed", "assess", "support")
"""In order of gravity: of two verdicts on one span the later one counts."""


def verdicts(
    result: CaseResult,
    pipe: Pipe,
    allowable_m: NDArray | None = None,
    probability: NDArray | None = None,
) -> tuple[NDArray[np.int64], list[str]]:
    """Judge every span of one load case.

    * *not assessed*: the seabed's cells are too coarse there, a gap of the survey
      or an end of the profile is under the span, or a figure for the screening
      is missing.
    * *support*: static stress or cross-flow onset fails; it needs a cure.
    * *assess*: in-line onset fails, the span is too slender for the screening, no
      mode of vibration was found for it, or the survey's doubt makes it too
      likely to be longer than allowed: an engineer's own assessment may clear it.
    * *ok*: it passes this screening, no more.

    Parameters
    ----------
    allowable_m, probability : array (s,), optional
        Allowable length, quoted in the reason, and the probability of exceeding it.

    Returns
    -------
    codes : array (s,) of int
        Indices into :data:`VERDICTS`.
    reasons : list of str
    """
    spans = len(result.spans)
    allowable = np.full(spans, np.nan) if allowable_m is None else allowable_m
    doubt = np.full(spans, np.nan) if probability is None else probability
    judged = [_judge(s, result, pipe, float(allowable[s]), float(doubt[s])) for s in range(spans)]
    return np.array([code for code, _ in judged], dtype=np.int64), [reason for _, reason in judged]


def _judge(s: int, result: CaseResult, pipe: Pipe, allowable_m: float, doubt: float) -> tuple[int, str]:
    unseen = _unseen(int(result.spans.begin[s]), int(result.spans.end[s]), result.ground, pipe)
    if unseen:
        return NOT_ASSESSED, unseen
    screened, length = result.screened, float(result.spans.length_m[s])
    of_allowed = f" ({length:.1f} m, {allowable_m:.1f} m allowed)" if np.isfinite(allowable_m) else ""
    use = screened.use[s]
    if faults := _failures(s, screened):
        return SUPPORT, "; ".join(faults) + of_allowed
    if use[INLINE] > 1:
        faults.append(_onset("in-line", screened.inline_hz[s], screened.needed_inline_hz[s]))
    if use[SLENDERNESS] > 1:
        most = pipe.span_max_slenderness
        faults.append(f"longer than {most:g} diameters, beyond what the screening covers")
    if np.isnan(screened.inline_hz[s] + screened.crossflow_hz[s]):
        faults.append("no mode of vibration of its own was found: it moves with its neighbours")
    if faults:
        return ASSESS, "; ".join(faults) + of_allowed
    if missing := _missing(s, screened):
        return NOT_ASSESSED, "; ".join(missing)
    if doubt >= pipe.probability_to_assess:
        return (
            ASSESS,
            f"passes as surveyed, but is longer than allowed with probability {doubt:.2f}{of_allowed}",
        )
    return OK, f"passes this screening{of_allowed}"


def _failures(s: int, screened: Screened) -> list[str]:
    """What a span needs a support for."""
    faults = []
    if screened.use[s, STRESS] > 1:
        stress, limit = screened.stress_Pa[s] / 1e6, screened.stress_limit_Pa / 1e6
        faults.append(f"stress {stress:.0f} MPa exceeds {limit:.0f} MPa")
    if screened.use[s, CROSSFLOW] > 1:
        faults.append(_onset("cross-flow", screened.crossflow_hz[s], screened.needed_crossflow_hz[s]))
    return faults


def _missing(s: int, screened: Screened) -> list[str]:
    """Figures that were not given and without which nothing is ok."""
    missing = []
    if np.isnan(screened.use[s, STRESS]):
        missing.append("static stress is not assessed: no yield_strength_MPa")
    speeds = {"current_m_s": screened.current_m_s[s], "wave_velocity_m_s": screened.wave_m_s[s]}
    if absent := [name for name, value in speeds.items() if np.isnan(value)]:
        missing.append(f"onset of vibration is not assessed: no {' and no '.join(absent)}")
    return missing


def _unseen(begin: int, end: int, ground: Ground, pipe: Pipe) -> str:
    """Why a span cannot be judged on this seabed; empty when it can."""
    if begin < ground.inside.start or end >= ground.inside.stop:
        return "it runs past an end of the profile"
    if ground.hole[begin : end + 1].any():
        return f"the survey has a gap of more than {pipe.hole_bridge_m:g} m there"
    cell = ground.cell_m[begin : end + 1].max()
    if cell > pipe.span_max_cell_m * (1 + 1e-6):
        return f"the seabed's cells of {cell:.3g} m are coarser than {pipe.span_max_cell_m:g} m"
    return ""


def _onset(direction: str, frequency: float, needed: float) -> str:
    return f"{direction} onset: {frequency:.3f} Hz is below the {needed:.3f} Hz needed"
