"""The pipe laid again where the seabed under it has changed, and only there.

What the pipe does at a place depends on the whole line, but what is far away
hardly counts. On touching ground a disturbance dies away with the
characteristic length of a beam on an elastic foundation, (4 EI/k)^(1/4) (M.
Hetenyi 1946): some 7 m for a pipe of half a metre on a soft seabed, less on a
harder one, so that 100 m of contact leave a millionth of it. Spans only hand
it on, smaller. Supports are searched within 250 m of their span, friction lets
a gain in tension die away over kilometres at most. None of this is trusted:

1. A window is laid around every changed range, :data:`BEYOND_M` wider than it,
   by the very functions that lay the whole line, with the errors of the survey
   that the whole line would be given there.
2. At a node that touches in all load cases, before and after, between the
   change and the window's end, the new and the old line are joined. From there
   on for :data:`ALIKE_M` everything the two have must agree: the pipe's elevation
   to :data:`AGREE_M` and its axial force to :data:`AGREE_N`, with and without
   supports, the spans with their verdicts and probabilities, the supports. What
   the change does outside, and what the window's false ends do inside, both
   passed this stretch and grew smaller on the way.
3. A window that does not agree is made twice as wide, up to the whole line.

The whole line is laid where a window would not be enough in principle: where
something buckled that counts against the whole line, or a load case was left
out, before or after.

Every figure then equals that of laying the whole line to about 1e-6 of its
unit, which the tests hold it to; counts, verdicts and probabilities are the same.
"""

from __future__ import annotations

import hashlib
import math
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.errors import PipeError
from corridor.model.pipe import Environment, Pipe
from corridor.model.results import Table
from corridor.pipe.doubt import Part
from corridor.pipe.earthworks import trench_volume_m3
from corridor.pipe.ground import CrossedAsset, Ground, prepare
from corridor.pipe.section import load_cases
from corridor.pipe.study import PipeResult, advice_on, lay_pipe
from corridor.pipe.summary import summary, warnings
from corridor.pipe.supports import Cure
from corridor.pipe.water import check_reach
from corridor.progress import Progress, silent

BEYOND_M = 800.0
"""Seabed laid again beyond a changed range, at first."""

SEAM_M = 300.0
"""Old and new line are joined no nearer than this to the change: a search for supports reaches 250 m."""

ALIKE_M = 100.0
AGREE_M = 1e-6
AGREE_N = 1.0
WORTH_IT = 0.6
"""Windows longer than this share of the line are not worth the trouble: the whole line is laid."""


@dataclass(frozen=True, slots=True, eq=False)
class Bed:
    """What the pipe is laid on: evenly spaced stations of the line, arrays (n,), and the assets it crosses.

    Attributes
    ----------
    station_m, depth_m, cell_m : array, m
        Depth positive down, NaN = hole; cell size of the seabed it was read from.
    tvu_m : array or None
        95 % vertical uncertainty; None unless every surface of the seabed states its own.
    humps : tuple of CrossedAsset
    """

    station_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    cell_m: NDArray[np.float64]
    tvu_m: NDArray[np.float64] | None
    humps: tuple[CrossedAsset, ...]

    def lay(
        self,
        pipe: Pipe,
        environment: Environment,
        min_bend_radius_m: float | None = None,
        part: Part | None = None,
        progress: Progress = silent,
    ) -> PipeResult:
        """:func:`lay_pipe` on all of it."""
        return lay_pipe(
            self.station_m,
            self.depth_m,
            self.cell_m,
            pipe,
            environment,
            crossings=self.humps,
            tvu_m=self.tvu_m,
            min_bend_radius_m=min_bend_radius_m,
            part=part,
            progress=progress,
        )

    def cut(self, first: int, last: int) -> Bed:
        """Stations `first` to `last`, both included."""
        here = slice(first, last + 1)
        begin, end = self.station_m[[first, last]]
        return Bed(
            self.station_m[here],
            self.depth_m[here],
            self.cell_m[here],
            None if self.tvu_m is None else self.tvu_m[here],
            tuple(hump for hump in self.humps if begin <= hump.station_m <= end),
        )


_LATELY: OrderedDict[str, PipeResult] = OrderedDict()
"""The last results of :func:`laid_on`, by what they were worked out from."""

REMEMBERED = 2


def laid_on(
    bed: Bed,
    pipe: Pipe,
    environment: Environment,
    min_bend_radius_m: float | None = None,
    progress: Progress = silent,
) -> PipeResult:
    """``bed.lay(...)``, remembered: asked again for the same, it is not worked out again.

    A line that has been routed or assessed is the line before of a survey, and
    of the next one.
    """
    digest = hashlib.sha256(repr((pipe, environment, min_bend_radius_m, bed.humps)).encode())
    for column in (bed.station_m, bed.depth_m, bed.cell_m, bed.tvu_m):
        digest.update(b"-" if column is None else np.ascontiguousarray(column).tobytes())
    key = digest.hexdigest()
    if key not in _LATELY:
        _LATELY[key] = bed.lay(pipe, environment, min_bend_radius_m, progress=progress)
    _LATELY.move_to_end(key)
    while len(_LATELY) > REMEMBERED:
        _LATELY.popitem(last=False)
    return _LATELY[key]


def changed_stations(old: Bed, new: Bed) -> NDArray[np.bool_]:
    """Stations where anything differs that the pipe is laid on."""
    columns = [(old.depth_m, new.depth_m), (old.cell_m, new.cell_m)]
    if old.tvu_m is not None and new.tvu_m is not None:
        columns.append((old.tvu_m, new.tvu_m))
    changed = np.zeros(len(new.station_m), dtype=bool)
    for was, now in columns:
        changed |= (was != now) & ~(np.isnan(was) & np.isnan(now))
    return changed


def lay_again(
    before: PipeResult,
    old: Bed,
    new: Bed,
    pipe: Pipe,
    environment: Environment,
    min_bend_radius_m: float | None = None,
    progress: Progress = silent,
) -> PipeResult:
    """What ``new.lay(...)`` finds, from what ``old.lay(...)`` found before and windows around the changes.

    Parameters
    ----------
    before : PipeResult
        On `old`, with the same pipe and environment.
    old, new : Bed

    Returns
    -------
    PipeResult
        Without the laid line itself where it was put together from windows: it
        cannot be the `before` of another call.

    Raises
    ------
    PipeError
        As :func:`lay_pipe`.
    """
    result = None
    if before.local and before.laid and _comparable(old, new):
        result = _Again(before, old, new, pipe, environment).result(min_bend_radius_m, progress)
    return result or laid_on(new, pipe, environment, min_bend_radius_m, progress)


def _comparable(old: Bed, new: Bed) -> bool:
    """The same stations and humps, and enough is known to sample the ground."""
    return (
        len(old.station_m) == len(new.station_m)
        and bool((old.station_m == new.station_m).all())
        and (old.tvu_m is None) == (new.tvu_m is None)
        and old.humps == new.humps
        and bool(np.isfinite(new.depth_m).any())
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """What is taken from one result: its rows and stations from one station to another."""

    source: PipeResult
    offset: int
    """Station of the line that is the source's first."""
    begin: int
    end: int


class _Again:
    """One call of :func:`lay_again`."""

    def __init__(self, before: PipeResult, old: Bed, new: Bed, pipe: Pipe, environment: Environment):
        self.before, self.old, self.new = before, old, new
        self.pipe, self.environment = pipe, environment
        self.ground: Ground = prepare(new.station_m, new.depth_m, new.cell_m, pipe, environment, new.humps)
        self.stations = len(new.station_m)
        self.step_m = self.ground.h * self.ground.every

    def result(self, min_bend_radius_m: float | None, progress: Progress) -> PipeResult | None:
        """The whole line's result; None where the whole line must be laid."""
        check_reach(self.ground, self.environment)
        ranges = _ranges(changed_stations(self.old, self.new))
        beyond_m = BEYOND_M
        while True:
            windows = self._windows(ranges, beyond_m)
            if sum(last - first for first, last in windows) > WORTH_IT * self.stations:
                return None
            try:
                pieces = self._pieces(windows, ranges, progress)
            except PipeError:  # let the whole line say it, if it says so too
                return None
            if pieces is not None:
                return self._joined(pieces, min_bend_radius_m)
            beyond_m *= 2.0

    def _windows(self, ranges: Sequence[tuple[int, int]], beyond_m: float) -> list[tuple[int, int]]:
        """First and last station of each window; both hold a depth, or end the line."""
        reach = math.ceil(beyond_m / self.step_m)
        known = np.isfinite(self.new.depth_m) & np.isfinite(self.old.depth_m)
        windows: list[tuple[int, int]] = []
        for begin, end in ranges:
            before = np.flatnonzero(known[: max(begin - reach, 0)])
            after = np.flatnonzero(known[end + reach + 1 :])
            first = int(before[-1]) if before.size else 0
            last = end + reach + 1 + int(after[0]) if after.size else self.stations - 1
            if windows and first <= windows[-1][1]:
                windows[-1] = windows[-1][0], last
            else:
                windows.append((first, last))
        return windows

    def _pieces(
        self, windows: list[tuple[int, int]], ranges: Sequence[tuple[int, int]], progress: Progress
    ) -> list[_Piece] | None:
        """The line in pieces, old and new by turns; None where the two do not agree."""
        pieces: list[_Piece] = []
        done = 0
        for first, last in windows:
            part = Part(first * self.ground.every, len(self.ground.z))
            laid = self.new.cut(first, last).lay(self.pipe, self.environment, part=part, progress=progress)
            if not laid.local or len(laid.laid) != len(self.before.laid):
                return None
            inner = [r for r in ranges if first <= r[0] and r[1] <= last]
            seam = _Seam(self.before, laid, first, self.ground.every, self.step_m)
            left = 0 if first == 0 else seam.find(inner[0][0], first)
            right = self.stations if last == self.stations - 1 else seam.find(inner[-1][1], last)
            if left is None or right is None:
                return None
            pieces += [_Piece(self.before, 0, done, left), _Piece(laid, first, left, right)]
            done = right
        pieces.append(_Piece(self.before, 0, done, self.stations))
        return [piece for piece in pieces if piece.end > piece.begin]

    def _joined(self, pieces: list[_Piece], min_bend_radius_m: float | None) -> PipeResult:
        spans, details, supports, uncured = _tables(pieces, self.new.station_m)
        advice = advice_on(self.ground, self.pipe, self.environment)
        trenches = [
            trench_volume_m3(self.new.station_m, self.new.depth_m, trench) for trench in self.pipe.trench
        ]
        warned = (
            *advice.warnings(min_bend_radius_m),
            *warnings(self.pipe, self.environment, self.ground, self.new.tvu_m, uncured),
        )
        cases = load_cases(self.pipe, self.environment)
        profile = {
            name: np.concatenate(
                [p.source.profile[name][p.begin - p.offset : p.end - p.offset] for p in pieces]
            )
            for name in self.before.profile
        }
        return PipeResult(
            spans=spans,
            details=details,
            supports=supports,
            profile=profile,
            advice=advice,
            summary=summary(
                spans, supports, trenches, advice, uncured, cases, self.pipe, self.environment, warned
            ),
            warnings=warned,
        )


def _ranges(changed: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last station of every run of changed ones."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], changed, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


@dataclass(frozen=True, slots=True, eq=False)
class _Seam:
    """The old line and a window laid again, side by side.

    `first` is the station of the old line at which the window begins.
    """

    old: PipeResult
    new: PipeResult
    first: int
    every: int
    step_m: float

    def find(self, change: int, end: int) -> int | None:
        """A station between a change and the window's end where the two can be joined.

        None where they do not agree from there on for `ALIKE_M`.
        """
        away = 1 if end > change else -1
        near = change + away * math.ceil(SEAM_M / self.step_m)
        half = (near + end) // 2
        if (half - near) * away <= 0:
            return None
        candidates = np.arange(near, half, away)
        touching = self._touching(candidates)
        if not touching.any():
            return None
        at = int(candidates[np.argmax(touching)])
        other = at + away * min(math.ceil(ALIKE_M / self.step_m), abs(end - at))
        return at if self._agree(min(at, other), max(at, other)) else None

    def _nodes(self, stations: NDArray | int) -> tuple[NDArray, NDArray]:
        """Nodes of the old line and of the window at stations of the line."""
        there = np.asarray(stations)
        pad_old, pad_new = (result.laid[0].ground.inside.start for result in (self.old, self.new))
        return pad_old + there * self.every, pad_new + (there - self.first) * self.every

    def _touching(self, stations: NDArray) -> NDArray[np.bool_]:
        """Where the pipe touches in all load cases of both."""
        nodes = self._nodes(stations)
        both = zip((self.old, self.new), nodes, strict=True)
        return np.all([case.laid.touching[at] for result, at in both for case in result.laid], axis=0)

    def _agree(self, low: int, high: int) -> bool:
        """Everything from station `low` to `high` is the same in both."""
        olds, news = self._nodes(np.array([low, high]))
        here = [slice(int(nodes[0]), int(nodes[1]) + 1) for nodes in (olds, news)]
        for was, now in zip(_lines(self.old), _lines(self.new), strict=True):
            w_apart = np.abs(was.w[here[0]] - now.w[here[1]])
            force_apart = np.abs(was.tension_N[here[0]] - now.tension_N[here[1]])
            if w_apart.max() > AGREE_M or force_apart.max(initial=0.0) > AGREE_N:
                return False
        stations = self.old.laid[0].ground.station_m(olds)
        reach = float(stations[0]) / 1e3, float(stations[1]) / 1e3
        return all(_same_rows(self.old, self.new, name, *reach) for name in ("spans", "supports"))


def _lines(result: PipeResult) -> list:
    """The laid line of every load case, without supports and with them."""
    assert result.cured is not None
    return [case.laid for case in (*result.laid, *result.cured.results)]


def _same_rows(old: PipeResult, new: PipeResult, name: str, from_km: float, to_km: float) -> bool:
    """Whether both have the same rows of a table within a stretch, numbers aside."""
    tables: list[Table] = [getattr(result, name) for result in (old, new)]
    begin, end = ("kp_start_km", "kp_end_km") if name == "spans" else ("kp_km", "kp_km")
    rows = [np.flatnonzero((t[begin] >= from_km) & (t[end] <= to_km)) for t in tables]
    if len(rows[0]) != len(rows[1]):
        return False
    for column in tables[0]:
        if column in ("span", "support"):
            continue
        was, now = (table[column][at] for table, at in zip(tables, rows, strict=True))
        if was.dtype.kind == "f":
            same = bool(np.allclose(was, now, rtol=1e-6, atol=1e-6, equal_nan=True))
        else:
            same = bool((was == now).all())
        if not same:
            return False
    return True


def _tables(pieces: Sequence[_Piece], station_m: NDArray) -> tuple[Table, Table, Table, Cure]:
    """Spans, their details, supports and uncured spans of all pieces, numbered along the line."""
    spans: list[Table] = []
    details: list[Table] = []
    supports: list[Table] = []
    uncured: list[int] = []
    number = 0
    for piece in pieces:
        source = piece.source
        from_km = -math.inf if piece.begin == 0 else station_m[piece.begin] / 1e3
        to_km = math.inf if piece.end == len(station_m) else station_m[piece.end] / 1e3
        rows = _within(source.spans["kp_start_km"], from_km, to_km)
        kept = np.unique(source.spans["span"][rows])
        renumbered = {int(old): number + k + 1 for k, old in enumerate(kept)}
        number += len(kept)
        for tables, table, at in (
            (spans, source.spans, rows),
            (details, source.details, rows),
            (supports, source.supports, _within(source.supports["kp_km"], from_km, to_km)),
        ):
            picked = {name: column[at] for name, column in table.items()}
            mine = [renumbered[int(span)] for span in picked["span"]]
            tables.append({**picked, "span": np.array(mine, dtype=np.int64)})
        uncured += [renumbered[span] for span in source.summary["uncured_spans"] if span in renumbered]
    whole = [
        {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}
        for tables in (spans, details, supports)
    ]
    whole[2]["support"] = np.arange(1, len(whole[2]["span"]) + 1)
    return whole[0], whole[1], whole[2], Cure((), (), tuple(sorted(uncured)))


def _within(kp_km: NDArray, from_km: float, to_km: float) -> NDArray[np.int64]:
    return np.flatnonzero((kp_km >= from_km) & (kp_km < to_km))
