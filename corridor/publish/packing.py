"""Numbers for the map as short text: whole numbers, differences, base64.

A column of figures is published at fixed decimals anyway, so it is exactly a
column of whole numbers. Differences of neighbours are small; they are written
zigzag (sign in the last bit) in groups of seven bits, low group first, and a
run of zeros as a zero and its length. The browser gets the same figures back,
to the last decimal.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from corridor.publish.tables import decimals, plain


def packed_table(table: Mapping[str, ArrayLike]) -> dict[str, Any]:
    """A table as ``{"rows": n, "columns": {name: packed column}}``."""
    columns = {name: packed_column(name, np.asarray(values)) for name, values in table.items()}
    return {"rows": len(np.asarray(next(iter(table.values()), ()))), "columns": columns}


def packed_column(name: str, values: NDArray) -> dict[str, Any]:
    """One column: numbers by :func:`packed_numbers`, few words by their index, other text as it is."""
    if values.dtype.kind == "f":
        return packed_numbers(values, decimals(name), order=2 if name.startswith("kp") else 1)
    items = plain(name, values)
    if values.dtype.kind in "iu":
        return packed_numbers(values.astype(float), 0)
    if items and all(_is_number(item) for item in items):
        numbers = np.array([np.nan if item is None else float(item) for item in items])
        return packed_numbers(numbers, decimals(name))
    words: dict[Any, int] = {}
    index = [words.setdefault((type(item), item), len(words)) for item in items]
    known = [item for _, item in words]
    return {"words": known, "index": packed_numbers(np.array(index, dtype=float), 0)["data"]}


def _is_number(item: Any) -> bool:
    return item is None or (isinstance(item, (int, float)) and not isinstance(item, bool))


def packed_numbers(values: ArrayLike, places: int, order: int = 1) -> dict[str, Any]:
    """Figures rounded to `places` decimals.

    Parameters
    ----------
    values : array (n,)
        NaN or infinite means absent.
    places : int
    order : int
        How often differences are taken: 2 suits evenly spaced figures.

    Returns
    -------
    dict with places, order, data, and ``absent``: [first, after-last, ...] rows without a figure.
    """
    array = np.asarray(values, dtype=float)
    known = np.isfinite(array)
    whole = np.round(_filled(array, known) * 10.0**places).astype(np.int64)
    result: dict[str, Any] = {"places": places, "order": order, "data": packed(whole, order)}
    if not known.all():
        edges = np.flatnonzero(np.diff(np.concatenate([[True], known, [True]]).astype(np.int8)))
        result["absent"] = edges.tolist()
    return result


def packed(whole: NDArray[np.int64], order: int = 1) -> str:
    """Whole numbers as base64 of the byte stream that the module's docstring describes."""
    step = whole
    for _ in range(order):
        step = np.diff(step, prepend=0)
    zigzag = np.where(step < 0, -2 * step - 1, 2 * step).astype(np.uint64)
    return base64.b64encode(_varints(_runs_of_zeros(zigzag))).decode("ascii")


def _filled(array: NDArray, known: NDArray) -> NDArray[np.float64]:
    """Absent figures take the last known one, so that they cost nothing."""
    last = np.maximum.accumulate(np.where(known, np.arange(len(array)), -1))
    return np.where(last >= 0, np.where(known, array, 0.0)[np.maximum(last, 0)], 0.0)


def _runs_of_zeros(values: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Every run of zeros becomes a zero and the number of zeros in it."""
    if not len(values):
        return values
    zero = values == 0
    starts = zero & ~np.concatenate([[False], zero[:-1]])
    ends = zero & ~np.concatenate([zero[1:], [False]])
    keep = np.flatnonzero(~zero | starts)
    tokens = np.repeat(values[keep], np.where(starts[keep], 2, 1))
    lengths = np.flatnonzero(ends) - np.flatnonzero(starts) + 1
    tokens[np.flatnonzero(tokens == 0)[1::2]] = lengths
    return tokens


def _varints(values: NDArray[np.uint64]) -> bytes:
    """Groups of seven bits, low first, the eighth bit set on all but a number's last."""
    size = np.ones(len(values), dtype=np.int64)
    for group in range(1, 10):
        size += values >= np.uint64(1) << np.uint64(7 * group)
    start = np.cumsum(size) - size
    stream = np.zeros(int(size.sum()), dtype=np.uint8)
    for group in range(int(size.max(initial=0))):
        here = np.flatnonzero(size > group)
        bits = (values[here] >> np.uint64(7 * group)) & np.uint64(127)
        more = np.where(size[here] > group + 1, 128, 0).astype(np.uint8)
        stream[start[here] + group] = bits.astype(np.uint8) | more
    return stream.tobytes()
