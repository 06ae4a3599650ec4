"""Sag tension: what the pipe gains in axial force when it sags further and pulls itself in."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.onbottom import lengthening
from corridor.model.pipe import Environment, Pipe
from corridor.pipe.cases import beam, listed_spans
from corridor.pipe.ground import Ground
from corridor.pipe.onbottom import BucklingError, Laid, lay
from corridor.pipe.section import LoadCase, section

WINDOW_M = 300.0
"""Seabed laid again on either side of a span."""

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
    halving, laying the pipe again in a window around it; where less would let it
    buckle, the force it just carries is taken. Where the reaches of several spans
    overlap, the largest force counts.

    Returns
    -------
    array (n - 1,), N
        The load case's own force far from spans, more in and beside them.
    """
    stiff = max(case.axial_force_N, float(np.max(before.tension_N)))
    laid = lay(ground.z, ground.h, beam(case, pipe, environment, stiff))
    spans, _ = listed_spans(laid, ground, pipe)
    reach = math.ceil(WINDOW_M / ground.h)
    gained = np.zeros(len(ground.z) - 1)
    for begin, end in zip(spans.begin.tolist(), spans.end.tolist(), strict=True):
        first, last = max(begin - reach, 0), min(end + reach, len(ground.z))
        length_before = lengthening(before.shape, ground.h, begin, end)
        window = _Window(
            ground.cut(first, last), case, pipe, environment, begin - first, end - first, length_before
        )
        gain = window.gain(stiff - case.axial_force_N)
        np.maximum(gained, _spread(gain, begin, end, len(gained), window.loss_N), out=gained)
    return case.axial_force_N + gained


def gain_for(extra_m: float, length_m: float, axial_stiffness_N: float, friction_N_m: float) -> float:
    """Positive root dT of ``extra = dT L/EA + dT²/(EA friction)``, N."""
    half = 0.5 * length_m * friction_N_m
    return math.sqrt(half**2 + extra_m * axial_stiffness_N * friction_N_m) - half


def _spread(gain_N: float, begin: int, end: int, elements: int, loss_N: float) -> NDArray[np.float64]:
    """A gain in force over its span, falling by `loss_N` with every element beside it."""
    element = np.arange(elements)
    away = np.maximum(np.maximum(begin - element, element - (end - 1)), 0)
    return np.maximum(gain_N - loss_N * away, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """One span (nodes begin to end) and its surroundings."""

    ground: Ground
    case: LoadCase
    pipe: Pipe
    environment: Environment
    begin: int
    end: int
    length_before_m: float

    @property
    def friction_N_m(self) -> float:
        """Axial friction on the touching pipe."""
        return self.environment.axial_friction * self.case.submerged_N_m

    @property
    def loss_N(self) -> float:
        """What friction takes of the gain in one element."""
        return self.friction_N_m * self.ground.h

    def gain(self, first_guess_N: float) -> float:
        """The gain in force, N, at which the length asked for and the length offered agree."""
        low, high = 0.0, first_guess_N
        while (asked := self._asked_for(high)) > high:
            low, high = high, min(asked, 2 * high + 1e6)
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            if self._asked_for(middle) > middle:
                low = middle
            else:
                high = middle
        return high

    def _asked_for(self, gain_N: float) -> float:
        """The gain that the sag under this gain calls for; infinite where it buckles."""
        spread = _spread(gain_N, self.begin, self.end, len(self.ground.z) - 1, self.loss_N)
        statics = beam(self.case, self.pipe, self.environment, self.case.axial_force_N + spread)
        try:
            laid = lay(self.ground.z, self.ground.h, statics)
        except BucklingError:
            return math.inf
        extra = lengthening(laid.shape, self.ground.h, self.begin, self.end) - self.length_before_m
        length = (self.end - self.begin) * self.ground.h
        stretch = section(self.pipe, self.environment).axial_stiffness_N
        return gain_for(max(extra, 0.0), length, stretch, self.friction_N_m)
