"""How sure a span's length is, given the survey's own uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.model.pipe import Environment, Pipe
from corridor.pipe.cases import CaseResult, beam, listed_spans
from corridor.pipe.ground import running_mean
from corridor.pipe.onbottom import BucklingError, lay
from corridor.pipe.spans import Spans
from corridor.progress import Progress, silent

SIGMAS_AT_95 = 1.96
"""Half-width of the 95 % interval of a normal error, in standard deviations (IHO S-44: TVU is at 95 %)."""


@dataclass(frozen=True, slots=True)
class Part:
    """Where a ground lies in a longer one: its first node there, and how many nodes that one has."""

    first: int
    nodes: int


def exceedance(
    result: CaseResult,
    allowable_m: NDArray,
    tvu_m: NDArray,
    pipe: Pipe,
    environment: Environment,
    progress: Progress = silent,
) -> NDArray[np.float64]:
    """The probabilities of :func:`realised`."""
    return realised(result, allowable_m, tvu_m, pipe, environment, progress=progress)[0]


def realised(
    result: CaseResult,
    allowable_m: NDArray,
    tvu_m: NDArray,
    pipe: Pipe,
    environment: Environment,
    *,
    part: Part | None = None,
    progress: Progress = silent,
) -> tuple[NDArray[np.float64], bool]:
    """Probability that each span is longer than its allowable length.

    The survey's vertical error is split by variance: what is common to the whole
    place shifts seabed and pipe alike and changes no span; the rest, a share of
    `tvu_short_range_share`, is a normal error with correlation exp(-(d/l)²), l =
    `tvu_correlation_m`. The pipe is laid on `realisations` such seabeds, smoothed
    like the surveyed one. A span counts as exceeded when the longest span that
    overlaps it is longer than allowed.

    Parameters
    ----------
    allowable_m : array (s,), m
    tvu_m : array (n,), m
        Total vertical uncertainty at 95 % at the nodes of `result.ground`.
    part : Part, optional
        The ground is this part of a longer one, and meets the errors which that one meets there.

    Returns
    -------
    probability : array (s,)
        NaN where there is no allowable length.
    buckled : bool
        A realisation buckled somewhere, which counts against every span of it.
    """
    spans = result.spans
    if not len(spans) or not pipe.realisations:
        return np.full(len(spans), np.nan), False
    ground, random = result.ground, np.random.default_rng(pipe.random_seed)
    sigma = np.sqrt(pipe.tvu_short_range_share) * tvu_m / SIGMAS_AT_95
    statics = beam(result.case, pipe, environment, result.laid.tension_N)
    exceeded, buckled = np.zeros(len(spans)), False
    for number in range(pipe.realisations):
        progress(f"survey's doubt {result.case.name}", number / pipe.realisations)
        error = sigma * correlated_noise(random, len(ground.z), pipe.tvu_correlation_m / ground.h, part)
        seabed = ground.z + running_mean(error, pipe.span_smoothing_m / ground.h)
        try:
            laid = lay(seabed, ground.h, statics, guess=result.laid.touching)
        except BucklingError:
            exceeded += 1  # A pipe that buckles somewhere is not known to pass anywhere.
            buckled = True
            continue
        exceeded += longest_overlap(spans, listed_spans(laid, ground, pipe)[0]) > allowable_m
    return np.where(np.isfinite(allowable_m), exceeded / pipe.realisations, np.nan), buckled


def correlated_noise(
    random: np.random.Generator, nodes: int, correlation: float, part: Part | None = None
) -> NDArray[np.float64]:
    """Standard normal noise (nodes,) with correlation exp(-(d/correlation)²) at distance d, in nodes.

    With `part`, the same nodes of the noise that the whole of it would be given.
    """
    # A Gaussian filter of deviation s gives the correlation exp(-d²/(4 s²)).
    deviation = correlation / 2
    reach = int(np.ceil(4 * deviation))
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / max(deviation, 1e-9)) ** 2)
    white = random.standard_normal((nodes if part is None else part.nodes) + 2 * reach)
    if part is not None:
        white = white[part.first : part.first + nodes + 2 * reach]
    return np.convolve(white, weights / np.sqrt(np.sum(weights**2)), mode="valid")


def longest_overlap(spans: Spans, others: Spans) -> NDArray[np.float64]:
    """Length, m, of the longest of `others` that overlaps each span; 0 where none does."""
    first = np.searchsorted(others.right, spans.left, side="right")
    last = np.searchsorted(others.left, spans.right, side="left")
    lengths = np.append(others.length_m, 0.0)
    longest = [lengths[a:b].max() if b > a else 0.0 for a, b in zip(first, last, strict=True)]
    return np.array(longest, dtype=float)
