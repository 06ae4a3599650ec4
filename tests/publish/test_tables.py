"""CSV cells: agreed columns and decimals, and nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from corridor.errors import CorridorError
from corridor.publish.tables import COLUMNS, column_text, decimals, guarded, rows, write_csv


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_table_of_the_study_has_the_agreed_columns(study, tmp_path: Path) -> None:
    # Columns: the project's own contract for files written.
    assessed = study.assessment
    for name, table in (
        ("alignment", assessed.points),
        ("chainage", assessed.chainage),
        ("spans", assessed.spans),
    ):
        write_csv(tmp_path / "t.csv", name, table)
        header = (tmp_path / "t.csv").read_text(encoding="utf-8").splitlines()[0]
        assert header == ",".join(COLUMNS[name])


def test_decimals_follow_the_contract(study, tmp_path: Path) -> None:
    write_csv(tmp_path / "a.csv", "alignment", study.assessment.points)
    entries = read(tmp_path / "a.csv")
    assert [entry["point"] for entry in entries] == ["START", "IP1", "IP2", "END"]
    for entry in entries:
        assert re.fullmatch(r"\d+\.\d{4}", entry["easting_m"])
        assert re.fullmatch(r"\d+\.\d{6}", entry["kp_in_km"])
    assert entries[0]["radius_m"] == entries[3]["radius_m"] == ""
    assert entries[1]["radius_m"] == "1500.0000"


def test_the_line_read_back_from_its_csv_is_the_same_to_its_decimals(study, tmp_path: Path) -> None:
    write_csv(tmp_path / "a.csv", "alignment", study.assessment.points)
    got = np.array([[float(e["easting_m"]), float(e["northing_m"])] for e in read(tmp_path / "a.csv")])
    want = np.column_stack([study.alignment.easting_m, study.alignment.northing_m])
    assert np.abs(got - want).max() <= 0.00005


def test_nan_is_empty_and_minus_zero_is_zero() -> None:
    assert column_text("depth_m", np.array([np.nan, -0.0, -0.0001, np.inf])) == ["", "0.000", "0.000", ""]
    assert column_text("ok", np.array([True, False])) == ["true", "false"]
    assert column_text("owner", np.array([None, "x"], dtype=object)) == ["", "x"]
    assert decimals("kp_max_gap_km") == 6 and decimals("max_moment_kNm") == 3


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "-inf", "+1_000", "＝1"],
)
def test_formulas_are_disarmed(text: str) -> None:
    assert guarded(text) == "'" + text


@pytest.mark.parametrize("text", ["-5", "+3.25", "-1e-3", "-.5", "a=b", "", "KP 3", "7"])
def test_real_numbers_and_plain_words_stay(text: str) -> None:
    assert guarded(text) == text


@given(st.lists(st.text(min_size=1), min_size=1, max_size=5))
def test_any_text_comes_back_through_a_csv_reader(tmp_path_factory, texts: list[str]) -> None:
    path = tmp_path_factory.mktemp("csv") / "t.csv"
    texts = [text.encode("utf-8", "replace").decode() for text in texts]
    write_csv(path, "anything", {"name": np.array(texts, dtype=object), "n": np.arange(len(texts))})
    assert [entry["name"] for entry in read(path)] == [guarded(text) for text in texts]


def test_a_missing_column_is_a_fault_of_ours(tmp_path: Path) -> None:
    with pytest.raises(CorridorError, match="lacks the agreed columns"):
        write_csv(tmp_path / "c.csv", "crossings", {"kp_km": np.zeros(1)})


def test_rows_are_plain_values_at_the_published_precision() -> None:
    table = {"kp_km": np.array([1.23456789, np.nan]), "ok": np.array([True, False]), "span": np.array([1, 2])}
    assert rows(table) == [
        {"kp_km": 1.234568, "ok": True, "span": 1},
        {"kp_km": None, "ok": False, "span": 2},
    ]


def test_the_same_table_gives_the_same_bytes(study, tmp_path: Path) -> None:
    for name in ("one.csv", "two.csv"):
        write_csv(tmp_path / name, "profile", study.assessment.profile)
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "two.csv").read_bytes()
