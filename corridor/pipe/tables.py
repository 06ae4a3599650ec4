"""The span list: spans of all load cases numbered along the line, and the case that governs each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from corridor.model.pipe import Pipe
from corridor.model.results import Table
from corridor.pipe.cases import CaseResult
from corridor.pipe.supports import Place
from corridor.pipe.verdict import NOT_ASSESSED, OK, VERDICTS, verdicts

SPAN_COLUMNS = (
    "span",
    "kp_start_km",
    "kp_end_km",
    "length_m",
    "max_gap_m",
    "kp_max_gap_km",
    "depth_m",
    "seabed_cell_m",
    "max_moment_kNm",
    "max_stress_MPa",
    "frequency_inline_hz",
    "frequency_crossflow_hz",
    "allowable_length_m",
    "probability",
    "verdict",
    "load_case",
    "governs",
)
"""Columns of spans.csv, as the contract has them."""

DETAIL_COLUMNS = (
    "reason",
    "moment_start_kNm",
    "moment_span_kNm",
    "moment_end_kNm",
    "axial_force_kN",
    "formula_inline_hz",
    "formula_crossflow_hz",
    "needed_inline_hz",
    "needed_crossflow_hz",
    "use_stress",
    "use_crossflow",
    "use_inline",
    "use_slenderness",
)


def span_tables(
    results: Sequence[CaseResult],
    allowable_m: Sequence[NDArray],
    probabilities: Sequence[NDArray],
    pipe: Pipe,
    *,
    complete: bool = True,
) -> tuple[Table, Table, tuple[Place, ...]]:
    """One row per span and load case.

    A span of a later load case is the span of an earlier one that it overlaps
    most; where a span falls into parts in another case, the worst part has the
    row. `governs` marks the case with the gravest verdict, then the largest share
    of a limit used.

    Parameters
    ----------
    allowable_m, probabilities : sequence of array (s,)
        For each load case, the allowable lengths and the probability of exceeding
        them; NaN = not assessed.
    complete : bool
        False when a load case could not be laid: nothing is *ok* then.

    Returns
    -------
    spans : table
        The columns of ``spans.csv``.
    details : table
        The same rows: reason, shoulder and span moments, formula frequencies,
        frequencies needed, axial force.
    places : tuple of Place
        Every span and its extent over all load cases.
    """
    numbers, places = number_spans(results)
    columns: list[Table] = []
    for result, number, allowed, probability in zip(
        results, numbers, allowable_m, probabilities, strict=True
    ):
        columns.append(_case_columns(result, number, allowed, probability, pipe, complete))
    rows = {key: np.concatenate([table[key] for table in columns]) for key in columns[0]}
    rows["case"] = np.repeat(np.arange(len(results)), [len(result.spans) for result in results])
    kept = _worst_parts(rows)
    rows = {key: column[kept] for key, column in rows.items()}
    rows["governs"] = _governing(rows)
    spans = {key: rows[key] for key in SPAN_COLUMNS}
    details = {key: rows[key] for key in ("span", "load_case", *DETAIL_COLUMNS)}
    return spans, details, places


def number_spans(results: Sequence[CaseResult]) -> tuple[list[NDArray[np.int64]], tuple[Place, ...]]:
    """Give the spans of all load cases common numbers, 1 up, along the line.

    Returns
    -------
    numbers : list of array (s,), one per load case
    places : tuple of Place, in order of their numbers
    """
    starts: list[float] = []
    ends: list[float] = []
    owner: list[NDArray[np.int64]] = []
    for result in results:
        left = result.ground.station_m(result.spans.left)
        right = result.ground.station_m(result.spans.right)
        mine = np.empty(len(left), dtype=np.int64)
        # Earlier cases' places are searched as they stand, so that a case never joins itself.
        known = np.array([starts, ends])
        for s in range(len(left)):
            shared = np.minimum(known[1], right[s]) - np.maximum(known[0], left[s])
            if shared.size and shared.max() > 0:
                mine[s] = int(np.argmax(shared))
                starts[mine[s]] = min(starts[mine[s]], float(left[s]))
                ends[mine[s]] = max(ends[mine[s]], float(right[s]))
            else:
                mine[s] = len(starts)
                starts.append(float(left[s]))
                ends.append(float(right[s]))
        owner.append(mine)
    order = np.argsort(starts, kind="stable")
    rank = np.empty(len(starts), dtype=np.int64)
    rank[order] = np.arange(1, len(starts) + 1)
    places = tuple(Place(int(rank[i]), starts[i], ends[i]) for i in order)
    return [rank[mine] for mine in owner], places


def _case_columns(
    result: CaseResult, number: NDArray, allowed: NDArray, probability: NDArray, pipe: Pipe, complete: bool
) -> dict[str, NDArray]:
    spans, screened, ground = result.spans, result.screened, result.ground
    codes, reasons = verdicts(result, pipe, allowed, probability)
    if not complete:
        reasons = [
            f"{reason}; but another load case could not be laid" if code == OK else reason
            for code, reason in zip(codes, reasons, strict=True)
        ]
        codes = np.where(codes == OK, NOT_ASSESSED, codes)
    cells = [ground.cell_m[a : b + 1].max() for a, b in zip(spans.begin, spans.end, strict=True)]
    axial = result.laid.tension_N[np.minimum(spans.gap_node, len(result.laid.tension_N) - 1)]
    return {
        "span": number,
        "kp_start_km": ground.station_m(spans.left) / 1e3,
        "kp_end_km": ground.station_m(spans.right) / 1e3,
        "length_m": spans.length_m,
        "max_gap_m": spans.gap_m,
        "kp_max_gap_km": ground.station_m(spans.gap_node) / 1e3,
        "depth_m": -ground.z[spans.gap_node],
        "seabed_cell_m": np.array(cells, dtype=float),
        "max_moment_kNm": spans.moment_Nm / 1e3,
        "max_stress_MPa": screened.stress_Pa / 1e6,
        "frequency_inline_hz": screened.inline_hz,
        "frequency_crossflow_hz": screened.crossflow_hz,
        "allowable_length_m": allowed,
        "probability": probability,
        "verdict": np.array([VERDICTS[code] for code in codes], dtype=object),
        "load_case": np.full(len(spans), result.case.name, dtype=object),
        "reason": np.array(reasons, dtype=object),
        "moment_start_kNm": spans.moment_left_Nm / 1e3,
        "moment_span_kNm": spans.moment_span_Nm / 1e3,
        "moment_end_kNm": spans.moment_right_Nm / 1e3,
        "axial_force_kN": axial / 1e3,
        "formula_inline_hz": screened.formula_inline_hz,
        "formula_crossflow_hz": screened.formula_crossflow_hz,
        "needed_inline_hz": screened.needed_inline_hz,
        "needed_crossflow_hz": screened.needed_crossflow_hz,
        "use_stress": screened.use[:, 0],
        "use_crossflow": screened.use[:, 1],
        "use_inline": screened.use[:, 2],
        "use_slenderness": screened.use[:, 3],
        "gravity": codes,
        "worst_use": np.nan_to_num(screened.use, nan=0.0, posinf=1e9).max(axis=1, initial=0.0),
    }


def _worst_parts(rows: dict[str, NDArray]) -> NDArray[np.int64]:
    """One row per span and load case, in their order."""
    order = np.lexsort((-rows["worst_use"], -rows["gravity"], rows["case"], rows["span"]))
    span, case = rows["span"][order], rows["case"][order]
    first = np.ones(len(order), dtype=bool)
    first[1:] = (span[1:] != span[:-1]) | (case[1:] != case[:-1])
    return order[first]


def _governing(rows: dict[str, NDArray]) -> NDArray[np.bool_]:
    order = np.lexsort((rows["case"], -rows["worst_use"], -rows["gravity"], rows["span"]))
    span = rows["span"][order]
    governs = np.zeros(len(order), dtype=bool)
    governs[order[np.concatenate([[True], span[1:] != span[:-1]])[: len(order)]]] = True
    return governs


def count_verdicts(spans: Table) -> dict[str, int]:
    """Number of spans by the verdict that governs."""
    governing = spans["verdict"][spans["governs"]]
    return {verdict: int(np.sum(governing == verdict)) for verdict in VERDICTS}
