"""The pipe laid on the seabed by statics: where it touches, where it bridges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import CorridorError, PipeError
from corridor.kernels import onbottom as kernel
from corridor.progress import Progress, silent

RIGID_N_M2 = (1e6, 1e7, 1e8, 1e9, 1e10)
"""Foundations a rigid seabed is approached through, N per metre of pipe per metre."""

PATIENCE = 30
"""Sweeps of the whole line before places that still flip are settled one by one."""

REPAIR_ROUNDS = 12
WINDOW_M = 100.0

NEGLIGIBLE_SHARE = 1e-6
"""A reaction below this share of a node's weight is rounding."""


class BucklingError(PipeError):
    """The axial compression is more than the pipe on this seabed can carry; `node` is where."""

    def __init__(self, message: str, node: int):
        self.node = node
        super().__init__(message)


@dataclass(frozen=True, slots=True, eq=False)
class Beam:
    """What the statics need to know of the pipe and the soil.

    Attributes
    ----------
    bending_stiffness_Nm2 : float
    weight_N_m : float
        Submerged weight.
    tension_N : float or array (n - 1,)
        Effective axial force, tension positive, of the whole line or of each element.
    soil_N_m2 : float or None
        Vertical soil stiffness; None for a rigid seabed.
    """

    bending_stiffness_Nm2: float
    weight_N_m: float
    tension_N: ArrayLike = 0.0
    soil_N_m2: float | None = None

    @property
    def stages_N_m2(self) -> tuple[float, ...]:
        """Foundation stiffnesses the contact is found through; the last one counts."""
        return RIGID_N_M2 if self.soil_N_m2 is None else (self.soil_N_m2,)


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """The pipe at rest. Arrays (n,) at nodes h apart; heights positive up.

    Attributes
    ----------
    h : float, m
    z, w : array, m
        Seabed and pipe underside.
    shape : array (n, 2), m
        w and h w', less their datum, as the kernels hold them.
    reaction : array, N
        Force of the seabed on each node; > 0 where the pipe touches.
    moment : array, N m
        Positive where the pipe sags.
    tension_N : array (n - 1,)
    beam : Beam
    """

    h: float
    z: NDArray[np.float64]
    w: NDArray[np.float64]
    shape: NDArray[np.float64]
    reaction: NDArray[np.float64]
    moment: NDArray[np.float64]
    tension_N: NDArray[np.float64]
    beam: Beam

    @property
    def touching(self) -> NDArray[np.bool_]:
        """Nodes with a reaction."""
        return self.reaction > 0

    @property
    def sharp(self) -> bool:
        """True where the foundation is too stiff for the elements to show how contact fades out.

        Elements resolve it while (k/4EI)^¼ h is below about 0.5 (M. Hetenyi 1946: the
        characteristic length of a beam on elastic foundation).
        """
        soil = self.beam.stages_N_m2[-1]
        return bool((soil / (4 * self.beam.bending_stiffness_Nm2)) ** 0.25 * self.h > 0.5)


def lay(
    z: ArrayLike,
    h: float,
    beam: Beam,
    *,
    guess: NDArray[np.bool_] | None = None,
    progress: Progress = silent,
    stage: str = "laying the pipe",
) -> Laid:
    """Lay a pipe on a seabed: the exact rest position of the discretised line.

    Semismooth Newton (primal-dual active set: M. Hintermüller, K. Ito and K.
    Kunisch, *SIAM J. Optim.* 13, 2002, from memory): all nodes touch at first;
    solve, let each node choose by whether the pipe lies below the seabed, until
    none changes. A rigid seabed is approached by stiffer and stiffer springs. Nodes
    that keep flipping are settled in windows by Newton with an exact line search.

    Parameters
    ----------
    z : array (n,), m, positive up
        Seabed at nodes `h` apart. The first and last node are held by their
        spring even against lift: put ends you care about well inside.
    h : float, m
    beam : Beam
    guess : array (n,) of bool, optional
        Nodes that touch in a similar case.

    Raises
    ------
    BucklingError
        Axial compression above what the pipe can carry between its supports.
    """
    seabed = np.ascontiguousarray(z, dtype=float)
    datum = float(np.mean(seabed))
    nodes = len(seabed)
    # An array of its own: kernels would be compiled once more for one that must not be written.
    tension = np.broadcast_to(np.asarray(beam.tension_N, dtype=float), nodes - 1).copy()
    touching = np.ones(nodes, dtype=bool) if guess is None else guess
    work = _Work(seabed - datum, h, beam, tension, touching)
    stages = beam.stages_N_m2 if guess is None else beam.stages_N_m2[-1:]
    if guess is None and tension.min() < 0:
        # Compression magnifies the bad first guesses of contact: start without it.
        work.tension = np.maximum(tension, 0.0)
        for soil in stages:
            work.find_contact(soil, progress, stage)
        work.tension = tension
        stages = stages[-1:]
    for number, soil in enumerate(stages):
        progress(stage, number / len(stages))
        work.find_contact(soil, progress, stage)
    return work.laid(seabed, datum)


class _Work:
    """The arrays of one run, owned here and handed to the kernels sweep by sweep."""

    def __init__(self, z: NDArray, h: float, beam: Beam, tension: NDArray, touching: NDArray):
        nodes = len(z)
        self.z, self.h, self.beam, self.tension = z, h, beam, tension
        self.c = beam.bending_stiffness_Nm2 / h**3
        self.ks = 1.0
        self.spring = touching.astype(float)
        self.spring[[0, -1]] = 1.0
        self.flipped = np.zeros(nodes, dtype=bool)
        self.pivot = np.empty((nodes, 3))
        self.gain = np.empty((nodes, 4))
        self.x = np.zeros((nodes, 2))

    def find_contact(self, soil_N_m2: float, progress: Progress, stage: str) -> None:
        """Find the contact on springs of this stiffness, from the contact known so far."""
        self.ks = soil_N_m2 * self.h
        self.spring = np.where(self.spring > 0, self.ks, 0.0)
        self.spring[[0, -1]] = 0.5 * self.ks
        if self._sweep(PATIENCE):
            return
        for again in range(REPAIR_ROUNDS):
            progress(stage, again / REPAIR_ROUNDS)
            for first, last in self._windows(WINDOW_M * 2.0**again):
                _, bad = kernel.settle(first, last, self.z, self.spring, self.ks, *self._rest())
                self._check(bad)
            if self._sweep(4) or self._only_rounding():
                return
        if self.tension.min() < 0:
            self._check(int(np.flatnonzero(self.flipped)[0]))
        raise CorridorError("the contact of pipe and seabed did not settle: please report the profile")

    def _rest(self) -> tuple:
        weight = self.beam.weight_N_m
        return weight, self.c, self.tension, self.h, self.pivot, self.gain, self.x

    def _sweep(self, most: int) -> bool:
        for _ in range(most):
            changed, bad = kernel.sweep(self.z, self.spring, self.flipped, self.ks, *self._rest())
            self._check(bad)
            if changed == 0:
                return True
        return False

    def _only_rounding(self) -> bool:
        """Whether all nodes that still flip just touch: with or without them the forces are the same."""
        gap = np.abs(self.z - self.x[:, 0])[self.flipped]
        return bool(np.all(gap * self.ks < NEGLIGIBLE_SHARE * self.beam.weight_N_m * self.h))

    def _windows(self, reach_m: float) -> list[tuple[int, int]]:
        """Node ranges around all nodes that flipped, merged where they meet."""
        reach = int(np.ceil(reach_m / self.h))
        nodes = np.flatnonzero(self.flipped)
        breaks = np.flatnonzero(np.diff(nodes) > 2 * reach)
        first = np.maximum(nodes[np.concatenate([[0], breaks + 1])] - reach, 0)
        last = np.minimum(nodes[np.concatenate([breaks, [-1]])] + reach, len(self.z))
        return list(zip(first.tolist(), last.tolist(), strict=True))

    def _check(self, bad: int) -> None:
        if bad >= 0:
            force = float(self.tension[min(bad, len(self.tension) - 1)])
            raise BucklingError(
                f"the pipe buckles under an effective axial force of {force / 1e3:.0f} kN "
                f"{bad * self.h:.0f} m from the start of the profile; less compression, a stiffer pipe or "
                "shorter spans would hold it",
                bad,
            )

    def laid(self, seabed: NDArray, datum: float) -> Laid:
        """The result, to the last digits the elevations allow."""
        kernel.refine(self.z, self.spring, *self._rest(), np.empty_like(self.x))
        reaction = self.spring * (self.z - self.x[:, 0])
        moment = np.empty(len(seabed))
        kernel.moments(self.beam.weight_N_m, self.c, self.tension, self.h, self.x, moment)
        return Laid(
            h=self.h,
            z=seabed,
            w=self.x[:, 0] + datum,
            shape=self.x,
            reaction=reaction,
            moment=moment,
            tension_N=self.tension,
            beam=self.beam,
        )
