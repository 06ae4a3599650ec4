"""From a sampled profile to spans, verdicts and supports: the story, a few lines each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.errors import PipeError
from corridor.model.pipe import Environment, Pipe
from corridor.model.results import Table
from corridor.pipe.cases import CaseResult, run_case
from corridor.pipe.doubt import Part, realised
from corridor.pipe.earthworks import trench_volume_m3
from corridor.pipe.ground import CrossedAsset, Ground, prepare
from corridor.pipe.lay import LayAdvice, lay_advice
from corridor.pipe.onbottom import BucklingError, Laid
from corridor.pipe.sag import sag_tension
from corridor.pipe.screening import allowable_lengths
from corridor.pipe.section import LoadCase, load_cases
from corridor.pipe.summary import summary, warnings
from corridor.pipe.supports import Cure, cure, support_table
from corridor.pipe.tables import span_tables
from corridor.pipe.water import check_reach
from corridor.progress import Progress, silent


@dataclass(frozen=True, slots=True, eq=False)
class PipeResult:
    """The pipe on the seabed.

    Attributes
    ----------
    spans : table
        The columns of ``spans.csv``: one row per span and load case.
    details : table
        The same rows: why, in words, and the figures behind it.
    supports : table
        The columns of ``supports.csv``.
    profile : table
        pipe_depth_m (underside, positive down) and gap_m at the stations handed
        in, first load case; NaN where the seabed is not known.
    advice : LayAdvice
    summary : mapping
        Counts by verdict, weights, volumes, settings and their sources; plain
        numbers and text throughout.
    warnings : tuple of str
    laid : tuple of CaseResult
        The load cases as laid, without supports.
    cured : Cure or None
        The line on its supports.
    local : bool
        What a place is given depends on its surroundings only: no load case was left
        out, and nothing buckled that counts against the whole line.
    """

    spans: Table
    details: Table
    supports: Table
    profile: Table
    advice: LayAdvice
    summary: Mapping[str, Any]
    warnings: tuple[str, ...]
    laid: tuple[CaseResult, ...] = ()
    cured: Cure | None = None
    local: bool = False


def lay_pipe(
    station_m: ArrayLike,
    seabed_depth_m: ArrayLike,
    cell_m: ArrayLike,
    pipe: Pipe,
    environment: Environment,
    *,
    crossings: Sequence[CrossedAsset] = (),
    tvu_m: ArrayLike | None = None,
    min_bend_radius_m: float | None = None,
    part: Part | None = None,
    progress: Progress = silent,
) -> PipeResult:
    """Lay the pipe on a profile of the seabed and judge its free spans.

    Parameters
    ----------
    station_m : array (n,), m
        Along the line, evenly spaced, increasing; KP = station/1000.
    seabed_depth_m : array (n,), m, positive down; NaN = hole
        Sampled from the finest seabed.
    cell_m : array (n,) or float, m
        Cell size of the seabed each depth was sampled from.
    pipe, environment : Pipe, Environment
    crossings : sequence of CrossedAsset
        Assets the pipe is laid over.
    tvu_m : array (n,) or float, m, optional
        Total vertical uncertainty of the seabed at 95 %. Without it no probabilities.
    min_bend_radius_m : float, optional
        The route's radius, compared with the lay advice.
    part : Part, optional
        The profile is a part of a longer one: see :func:`corridor.pipe.doubt.realised`.

    Raises
    ------
    PipeError
        The pipe floats or buckles, the profile cannot be used, or a table of
        velocities does not reach a place.

    Examples
    --------
    >>> import numpy as np
    >>> from corridor.model.pipe import Environment, Pipe
    >>> x = np.arange(0.0, 400.0)
    >>> depth = 80 + np.where((x > 180) & (x < 220), 2.0, 0.0)
    >>> pipe = Pipe(0.508, 0.0206, 200.0, yield_strength_MPa=450.0)
    >>> sea = Environment(300.0, current_m_s=0.4, wave_velocity_m_s=0.1)
    >>> result = lay_pipe(x, depth, 1.0, pipe, sea)
    >>> result.spans["length_m"].round(1).tolist(), result.spans["load_case"].tolist()
    ([43.9, 43.7], ['as laid', 'flooded'])
    >>> result.details["reason"][0]
    'in-line onset: 0.670 Hz is below the 0.991 Hz needed (43.9 m, 28.8 m allowed)'
    """
    cases = load_cases(pipe, environment)
    ground = prepare(station_m, seabed_depth_m, cell_m, pipe, environment, tuple(crossings))
    check_reach(ground, environment)
    results, missed = _lay_cases(ground, cases, pipe, environment, progress)
    tvu = None if tvu_m is None else _at_nodes(tvu_m, ground)
    allowed = [allowable_lengths(result.spans, result.screened) for result in results]
    doubts = [
        (np.full(len(lengths), np.nan), False)
        if tvu is None
        else realised(result, lengths, tvu, pipe, environment, part=part, progress=progress)
        for result, lengths in zip(results, allowed, strict=True)
    ]
    probabilities = [probability for probability, _ in doubts]
    spans, details, places = span_tables(results, allowed, probabilities, pipe, complete=not missed)
    cured = cure(results, places, pipe, environment, progress)
    advice = advice_on(ground, pipe, environment)
    trenches = [] if part else [trench_volume_m3(station_m, seabed_depth_m, t) for t in pipe.trench]
    supports = support_table(cured, results, pipe)
    warned = (
        *advice.warnings(min_bend_radius_m),
        *missed,
        *warnings(pipe, environment, ground, tvu, cured),
    )
    return PipeResult(
        spans=spans,
        details=details,
        supports=supports,
        profile=_profile(results[0], ground),
        advice=advice,
        summary=summary(spans, supports, trenches, advice, cured, cases, pipe, environment, warned),
        warnings=warned,
        laid=tuple(results),
        cured=cured,
        local=not (missed or cured.buckled or any(buckled for _, buckled in doubts)),
    )


def advice_on(ground: Ground, pipe: Pipe, environment: Environment) -> LayAdvice:
    """What the lay catenary asks for at the least, the median and the greatest depth of the profile."""
    depths = -ground.z[ground.inside]
    return lay_advice(pipe, environment, np.quantile(depths, (0.0, 0.5, 1.0)))


def _lay_cases(
    ground: Ground, cases: Sequence[LoadCase], pipe: Pipe, environment: Environment, progress: Progress
) -> tuple[list[CaseResult], list[str]]:
    """Every load case in turn; a later one that buckles is left out, with a warning saying so."""
    results: list[CaseResult] = []
    missed = []
    for case in cases:
        before = results[0].laid if results else None
        try:
            tension = _tension(ground, case, before, pipe, environment)
            result = run_case(ground, case, pipe, environment, tension_N=tension, progress=progress)
        except BucklingError as error:
            if not results:
                raise _at_kp(error, case, ground) from None
            missed.append(f"load case not assessed: {_at_kp(error, case, ground)}")
            continue
        if not result.laid.touching[ground.inside].any():
            raise PipeError(
                f"the pipe {case.name} bridges the whole profile of {ground.length_m:.0f} m and touches it "
                "nowhere: the profile is shorter than a span; hand in more of the line"
            )
        results.append(result)
    return results, missed


def _tension(
    ground: Ground, case: LoadCase, before: Laid | None, pipe: Pipe, environment: Environment
) -> NDArray | None:
    if before is None or not pipe.sag_tension:
        return None
    return sag_tension(ground, case, before, pipe, environment)


def _at_kp(error: BucklingError, case: LoadCase, ground: Ground) -> PipeError:
    kp = float(ground.station_m(error.node)) / 1e3
    return PipeError(
        f"the pipe {case.name} buckles at KP {kp:.3f} under its effective axial force of "
        f"{case.axial_force_N / 1e3:.0f} kN; less temperature_rise_C or internal_overpressure_MPa, more "
        "residual_tension_kN, or sag_tension = true would change that"
    )


def _at_nodes(values: ArrayLike, ground: Ground) -> NDArray[np.float64]:
    """Values at stations, spread to the nodes; the margins repeat the ends, holes their neighbours."""
    nodes = ground.inside.stop - ground.inside.start
    stations = (nodes - 1) // ground.every + 1
    value = np.asarray(values, dtype=float)
    if value.size not in (1, stations):
        raise PipeError(f"tvu_m must hold one value per station, {stations} (got {value.size})")
    value = np.broadcast_to(value, stations)
    known = np.isfinite(value)
    if not known.any():
        raise PipeError("tvu_m holds no finite value; leave it out to go without probabilities")
    at = np.arange(len(ground.z)) - ground.inside.start
    return np.interp(at, np.flatnonzero(known) * ground.every, value[known])


def _profile(result: CaseResult, ground: Ground) -> Table:
    stations = slice(ground.inside.start, ground.inside.stop, ground.every)
    unknown = ground.hole[stations]
    w, z = result.laid.w[stations], ground.z[stations]
    return {
        "pipe_depth_m": np.where(unknown, np.nan, -w),
        "gap_m": np.where(unknown, np.nan, np.maximum(w - z, 0.0)),
    }
