"""Sag tension: what the pipe gains in axial force when it sags further and pulls itself in."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.onbottom import lengthening
from corridor.model.pipe import Environment, Pipe
from corridor.pipe.cases import beam, listed_spans
from corridor.pipe.ground import Ground
from corridor.pipe.onbottom import BucklingError, Laid, lay
from corridor.pipe.section import LoadCase, section

WINDOW_M = 300.0
HALVINGS = 20


def sag_tension(
    ground: Ground, case: LoadCase, before: Laid, pipe: Pipe, environment: Environment
) -> NDArray[np.float64]:
    """Effective axial force of each element when spans lengthen against axial friction.

    A span that sags deeper than in the laid state `before` needs the extra length
    e = ∫ ½ w'² dx - (the same before). It comes from stretching the span and from
    both shoulders, where axial friction mu q holds the pipe and the gain in force
    dies away over dT/(mu q):

        ``e = dT L/(EA) + dT²/(EA mu q)``

    (Hooke's law along a pipe held by friction). Each span's gain dT is found by
    halving, laying the pipe again in a window around it.

    Returns
    -------
    array (n - 1,), N
        The load case's own force outside spans, more inside.
    """
    tension = np.full(len(ground.z) - 1, case.axial_force_N)
    stiff = max(case.axial_force_N, float(np.max(before.tension_N)))
    laid = lay(ground.z, ground.h, beam(case, pipe, environment, stiff))
    spans, _ = listed_spans(laid, ground, pipe)
    for begin, end in zip(spans.begin.tolist(), spans.end.tolist(), strict=True):
        reach = math.ceil(WINDOW_M / ground.h)
        first, last = max(begin - reach, 0), min(end + reach, len(ground.z))
        window = _Window(
            ground.cut(first, last), case, pipe, environment, begin - first, end - first, stiff,
            lengthening(before.shape, ground.h, begin, end),
        )  # fmt: skip
        tension[begin:end] += window.gain()
    return tension


class _Window:
    """One span and its surroundings; the neighbours keep the stiffest force so that only it moves."""

    def __init__(self, ground, case, pipe, environment, begin, end, stiff, length_before):
        self.ground, self.case, self.pipe, self.environment = ground, case, pipe, environment
        self.begin, self.end, self.stiff, self.length_before = begin, end, stiff, length_before
        self.axial_stiffness = section(pipe, environment).axial_stiffness_N

    def gain(self) -> float:
        """The gain in force, N, at which the lengthening asked for and offered agree."""
        low, high = 0.0, self.stiff - self.case.axial_force_N
        high = max(high, self._asked_for(high))
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            if self._asked_for(middle) > middle:
                low = middle
            else:
                high = middle
        return high

    def _asked_for(self, gain: float) -> float:
        """The gain that the sag under this gain calls for; infinite where it buckles."""
        tension = np.full(len(self.ground.z) - 1, self.stiff)
        tension[self.begin : self.end] = self.case.axial_force_N + gain
        try:
            laid = lay(self.ground.z, self.ground.h, beam(self.case, self.pipe, self.environment, tension))
        except BucklingError:
            return math.inf
        extra = lengthening(laid.shape, self.ground.h, self.begin, self.end) - self.length_before
        length = (self.end - self.begin) * self.ground.h
        return gain_for(max(extra, 0.0), length, self.axial_stiffness, self._friction())

    def _friction(self) -> float:
        return self.environment.axial_friction * self.case.submerged_N_m


def gain_for(extra_m: float, length_m: float, axial_stiffness_N: float, friction_N_m: float) -> float:
    """Positive root dT of ``extra = dT L/EA + dT²/(EA friction)``, N."""
    half = 0.5 * length_m * friction_N_m
    return math.sqrt(half**2 + extra_m * axial_stiffness_N * friction_N_m) - half
