"""Free spans of a laid pipe."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from corridor.kernels import onbottom_spans as kernel
from corridor.pipe.onbottom import Laid


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Stretches without contact, in order. Arrays (s,); places in nodes of the laid pipe.

    Attributes
    ----------
    begin, end : array of int
        Last touching node before the span, first one after it.
    left, right : array of float
        Lift-off points, fractions of an element included.
    length_m, gap_m : array
    gap_node : array of int
        Where the gap is largest.
    moment_left_Nm, moment_right_Nm, moment_span_Nm : array
        At the shoulders and, largest sag, between them; sagging positive.
    """

    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    left: NDArray[np.float64]
    right: NDArray[np.float64]
    length_m: NDArray[np.float64]
    gap_m: NDArray[np.float64]
    gap_node: NDArray[np.int64]
    moment_left_Nm: NDArray[np.float64]
    moment_right_Nm: NDArray[np.float64]
    moment_span_Nm: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.begin)

    @property
    def moment_Nm(self) -> NDArray[np.float64]:
        """The largest moment of shoulders and span, without sign."""
        parts = np.abs([self.moment_left_Nm, self.moment_right_Nm, self.moment_span_Nm])
        return parts.max(axis=0) if len(self) else np.zeros(0)

    def where(self, keep: NDArray) -> Spans:
        """The spans that a mask or an index array picks."""
        return Spans(*(getattr(self, field.name)[keep] for field in fields(self)))


def find_spans(
    laid: Laid, within: slice, least_length_m: float = 0.0, least_gap_m: float = 0.0
) -> tuple[Spans, NDArray[np.float64]]:
    """Spans of a laid pipe that reach into the nodes `within`.

    A span is where the seabed does not push; neither a gap nor a slope decides.
    Spans shorter than `least_length_m` or nearer the seabed than `least_gap_m`
    everywhere are left out.

    Returns
    -------
    spans : Spans
    contact_m : array (n,)
        Length of seabed that carries each node; 0 where it hangs free.
    """
    touching = laid.touching
    nodes = np.flatnonzero(touching)
    gaps = np.flatnonzero(np.diff(nodes) > 1)
    begin, end = nodes[gaps], nodes[gaps + 1]
    left, right = np.empty(len(gaps)), np.empty(len(gaps))
    weight = laid.beam.weight_N_m
    kernel.lift_offs(begin, end, laid.z, laid.w, laid.reaction, weight, laid.h, laid.sharp, left, right)
    contact = kernel.contact_lengths(begin, end, left, right, touching, laid.h)
    length = (right - left) * laid.h
    keep = (length >= least_length_m) & (end > within.start) & (begin < within.stop - 1)
    begin, end, left, right, length = begin[keep], end[keep], left[keep], right[keep], length[keep]
    gap, node = np.empty(len(begin)), np.empty(len(begin), dtype=np.int64)
    moments = np.empty((3, len(begin)))
    kernel.span_figures(begin, end, laid.z, laid.w, laid.moment, _shoulder_nodes(laid), gap, node, *moments)
    spans = Spans(begin, end, left, right, length, gap, node, *moments)
    return spans.where(gap >= least_gap_m), contact


def _shoulder_nodes(laid: Laid) -> int:
    """How far into an elastic seabed the shoulder's moment may peak: pi/4 characteristic lengths."""
    if laid.sharp:
        return 1
    soil = laid.beam.stages_N_m2[-1]
    inverse_length = (soil / (4 * laid.beam.bending_stiffness_Nm2)) ** 0.25
    return max(1, math.ceil(math.pi / 4 / inverse_length / laid.h))
