"""Packed columns come back exactly; the decoder here is a slow, readable twin of the browser's."""

from __future__ import annotations

import base64

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from corridor.publish.crs_grid import crs_grid
from corridor.publish.packing import packed, packed_column, packed_numbers, packed_table


def unpacked(text: str, order: int, count: int) -> list[int]:
    """Read the byte stream number by number (layout: the docstring of packing.py)."""
    stream = iter(base64.b64decode(text))

    def number() -> int:
        value, shift = 0, 0
        while True:
            byte = next(stream)
            value |= (byte & 127) << shift
            if byte < 128:
                return value
            shift += 7

    steps: list[int] = []
    while len(steps) < count:
        value = number()
        if value == 0:
            steps += [0] * number()
        else:
            steps.append(-((value + 1) // 2) if value % 2 else value // 2)
    assert next(stream, None) is None
    for _ in range(order):
        steps = np.cumsum(steps).tolist()
    return steps


@given(st.lists(st.integers(-(2**40), 2**40), max_size=60), st.integers(0, 2))
def test_whole_numbers_come_back(values: list[int], order: int) -> None:
    assert unpacked(packed(np.array(values, dtype=np.int64), order), order, len(values)) == values


@given(st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), min_size=1, max_size=60), st.integers(0, 6))
def test_figures_come_back_to_their_decimals(values: list[float], places: int) -> None:
    column = packed_numbers(values, places)
    whole = np.array(unpacked(column["data"], column["order"], len(values)), dtype=float)
    absent = column.get("absent", [])
    for first, last in zip(absent[::2], absent[1::2], strict=True):
        whole[first:last] = np.nan
    want = np.round(np.array(values) * 10.0**places)
    np.testing.assert_array_equal(whole, want)


def test_an_even_chainage_costs_next_to_nothing() -> None:
    kp = np.arange(0.0, 1000.0, 0.001)
    assert len(packed_column("kp_km", kp)["data"]) < 40


def test_words_are_kept_once() -> None:
    column = packed_column("verdict", np.array(["ok", "support", "ok", None, "ok"], dtype=object))
    assert column["words"] == ["ok", "support", None]
    assert unpacked(column["index"], 1, 5) == [0, 1, 0, 2, 0]
    assert packed_column("ok", np.array([True, False, True]))["words"] == [True, False]


def test_a_table_without_rows_packs() -> None:
    table = packed_table({"kp_km": np.zeros(0), "layer": np.zeros(0, dtype=object)})
    assert table["rows"] == 0 and table["columns"]["kp_km"]["data"] == ""


@pytest.mark.parametrize(
    ("crs", "window"),
    [
        ("EPSG:32740", (50.0, -20.0, 64.0, -6.0)),  # UTM
        ("EPSG:3031", (10.0, -75.0, 20.0, -70.0)),  # polar stereographic
        ("EPSG:32660", (178.0, -1.0, 182.0, 3.0)),  # across 180 degrees
    ],
)
def test_the_lattice_states_an_error_below_a_metre(crs: str, window: tuple) -> None:
    # Outside reference: PROJ in the middle of every cell (inside crs_grid); 1 m is what the map promises.
    assert crs_grid(crs, *window)["error_m"] <= 0.02
