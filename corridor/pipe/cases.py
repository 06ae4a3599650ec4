"""One load case from seabed to screened spans."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.model.pipe import Environment, Pipe
from corridor.pipe.ground import Ground
from corridor.pipe.onbottom import Beam, Laid, lay
from corridor.pipe.screening import Screened, screen
from corridor.pipe.section import LoadCase, section
from corridor.pipe.spans import Spans, find_spans
from corridor.progress import Progress, silent


@dataclass(frozen=True, slots=True, eq=False)
class CaseResult:
    """The laid pipe of one load case, its listed spans and what the screening found."""

    case: LoadCase
    ground: Ground
    laid: Laid
    spans: Spans
    screened: Screened


def beam(case: LoadCase, pipe: Pipe, environment: Environment, tension_N: ArrayLike | None = None) -> Beam:
    """What the statics need to know of this load case."""
    rigid = environment.seabed_response == "rigid"
    return Beam(
        bending_stiffness_Nm2=section(pipe, environment).bending_stiffness_Nm2,
        weight_N_m=case.submerged_N_m,
        tension_N=case.axial_force_N if tension_N is None else tension_N,
        soil_N_m2=None if rigid else environment.soil_stiffness_static_kN_m2 * 1e3,
    )


def run_case(
    ground: Ground,
    case: LoadCase,
    pipe: Pipe,
    environment: Environment,
    *,
    tension_N: ArrayLike | None = None,
    guess: NDArray[np.bool_] | None = None,
    stations_m: tuple[float, float] | None = None,
    progress: Progress = silent,
) -> CaseResult:
    """Lay the pipe, list its spans, screen them.

    Parameters
    ----------
    tension_N : float or array (n - 1,), optional
        Effective axial force where it differs from the load case's own.
    guess : array (n,) of bool, optional
        Nodes that touch in a similar case, to start from.
    stations_m : (from, to), optional
        Screen only spans that reach between these stations.
    """
    statics = beam(case, pipe, environment, tension_N)
    laid = lay(
        ground.z, ground.h, statics, guess=guess, progress=progress, stage=f"laying the pipe {case.name}"
    )
    spans, contact = listed_spans(laid, ground, pipe)
    if stations_m is not None:
        left, right = ground.station_m(spans.left), ground.station_m(spans.right)
        spans = spans.where((right > stations_m[0]) & (left < stations_m[1]))
    progress(f"screening spans {case.name}", 0.0)
    screened = screen(laid, spans, contact, ground, case, pipe, environment)
    return CaseResult(case, ground, laid, spans, screened)


def listed_spans(laid: Laid, ground: Ground, pipe: Pipe) -> tuple[Spans, NDArray[np.float64]]:
    """Spans long and high enough for the list, and the contact under each node."""
    return find_spans(laid, ground.inside, pipe.span_least_length_m, pipe.span_least_gap_m)
