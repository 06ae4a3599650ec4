"""Quantities: closed forms, sums that must agree, rates."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from corridor.assess.quantities import (
    COLUMNS,
    along_seabed_m,
    quantities,
    rate_warnings,
    total_amount,
    totals,
)
from corridor.model.publication import QuantitySettings
from corridor.model.results import Study, Table
from corridor.publish.tables import write_csv


def level(study: Study, length_m: float = 1000.0, rise: float = 0.0) -> Study:
    """The study with a line of `length_m` on ground of constant slope, ground and grid alike."""
    at = np.linspace(0.0, length_m, 501)
    profile = {"kp_km": at / 1000.0, "depth_m": 50.0 + rise * at}
    assessed = replace(study.assessment, length_m=length_m, length_ellipsoid_m=length_m, profile=profile)
    return replace(study, assessment=assessed)


def held(study: Study, **settings) -> Table:
    tables = {"quantities": QuantitySettings(**settings)}
    return quantities(replace(study.project, tables=tables), study.assessment)


def test_level_ground_in_closed_form(study: Study) -> None:
    """1000 m of pipe: 1000 / 12.2 = 81.97 joints, 40.98 doubles; weights of the constructed section."""
    sums = totals(held(level(study), lay_rate_km_day=2.5))
    assert sums["line, plan length"][:2] == (1000.0, "m")
    assert sums["line, length along the seabed"][0] == 1000.0
    assert sums["joints"][:2] == (82.0, "pieces") and sums["double joints"][0] == 41.0
    # This project's table of outside values: steel 247.612, coating 209.346 kg/m (exact arithmetic).
    assert sums["steel pipe"][0] == pytest.approx(247.612, abs=5e-4) and sums["steel pipe"][1] == "t"
    assert sums["coating"][0] == pytest.approx(209.346, abs=5e-4)
    assert sums["lay days"][0] == pytest.approx(1.0 / 2.5, abs=5e-4)


def test_a_whole_number_of_joints_takes_no_further_one(study: Study) -> None:
    assert totals(held(level(study, 1220.0)))["joints"][0] == 100.0


def test_length_along_a_slope_is_the_hypotenuse(study: Study) -> None:
    """A fall of 3 in 4: 5/4 of the plan length (the 3-4-5 triangle, exact)."""
    assessed = level(study, 800.0, rise=0.75).assessment
    assert along_seabed_m(assessed, np.array([0.0, 400.0, 800.0]), 12.2) == pytest.approx(
        [0.0, 500.0, 1000.0]
    )


def test_unknown_depths_count_as_level(study: Study) -> None:
    assessed = level(study, 800.0, rise=0.75).assessment
    blind = {**assessed.profile, "depth_m": np.full(501, np.nan)}
    assert along_seabed_m(replace(assessed, profile=blind), np.array([800.0]), 12.2) == pytest.approx([800.0])


def test_trench_bends_crossings_and_supports_come_from_their_tables(study: Study) -> None:
    table = quantities(study.project, study.assessment)
    sums = totals(table)
    assert sums["trench"][:2] == (
        3000.0,
        "m3",
    )  # as the pipe's own table has it: (1.0 x 1.5 + 2 x 1.5^2) x 500
    assert sums["bends"][0] == 2 and sums["supports"][0] == 2
    assert sums["rock for supports"][0] == pytest.approx(7.5 + 33.333)
    assert sums["crossings, cables, telecom"][0] == 1 and sums["crossings, cables"][0] == 1
    row = list(table["item"]).index("crossings, cables, telecom")
    assert table["kp_from_km"][row] == table["kp_to_km"][row] == 4.02
    first = list(table["item"]).index("bends")
    points = study.assessment.points
    assert table["kp_from_km"][first] == points["kp_in_km"][1]
    assert table["kp_to_km"][first] == points["kp_out_km"][1]


@pytest.mark.parametrize("interval", [0.05, 0.1, 0.333, 1.0, 2.5, 8.7, 20.0])
def test_intervals_add_up_to_the_whole_line(study: Study, interval: float) -> None:
    whole = totals(held(study, lay_rate_km_day=3.0))
    table = held(study, lay_rate_km_day=3.0, interval_km=interval)
    parts = totals(table)
    assert parts["joints"][0] == whole["joints"][0] > 600
    assert parts["double joints"][0] == whole["double joints"][0]
    rows = np.array([item == "joints" for item in table["item"]])
    assert table["kp_from_km"][rows][0] == 0.0
    assert table["kp_to_km"][rows][-1] == pytest.approx(study.assessment.length_m / 1000.0)
    assert np.array_equal(table["kp_from_km"][rows][1:], table["kp_to_km"][rows][:-1])
    for item in ("line, length along the seabed", "steel pipe", "lay days"):
        assert parts[item][0] == pytest.approx(whole[item][0], abs=1e-3 * rows.sum())


def test_amounts_are_quantity_times_rate(study: Study) -> None:
    table = quantities(study.project, study.assessment)
    priced = np.isfinite(table["rate"])
    assert np.array_equal(table["amount"][priced], (table["quantity"] * table["rate"])[priced])
    assert np.isnan(table["amount"][~priced]).all()
    assert set(table["currency"][priced]) == {"EUR"} and set(table["currency"][~priced]) == {""}
    assert total_amount(table) == pytest.approx(float(table["amount"][priced].sum()))


def test_a_layers_own_crossing_rate_goes_before_the_general_one(study: Study) -> None:
    table = quantities(study.project, study.assessment)
    cables = [str(item).startswith("crossings, cables") for item in table["item"]]
    assert set(table["rate"][cables]) == {2.0e5}
    general = replace(study.project, rates={"crossing": 7.0})
    table = quantities(general, study.assessment)
    assert set(table["rate"][cables]) == {7.0}


def test_equivalent_metres_stand_apart_from_the_total(study: Study) -> None:
    before = quantities(study.project, study.assessment)
    assert not any(str(item).startswith("route cost") for item in before["item"])
    project = replace(study.project, rates={**study.project.rates, "equivalent_m": 900.0})
    table = quantities(project, study.assessment)
    assert total_amount(table) == total_amount(before)
    pipe = totals(table)["route cost, pipe"]
    assert pipe[0] == pytest.approx(float(study.assessment.cost_by_kp["pipe"].sum()))
    assert pipe[2] == pytest.approx(pipe[0] * 900.0)


def test_without_pipe_and_rates_there_is_less_but_no_fault(study: Study) -> None:
    project = replace(study.project, pipe=None, rates={}, tables={})
    assessed = replace(study.assessment, supports=None, pipe_summary=None, spans=None)
    table = quantities(project, assessed)
    assert {"joints", "steel pipe", "lay days", "supports", "trench"}.isdisjoint(table["item"])
    assert np.isnan(total_amount(table)) and rate_warnings(project, assessed) == ()


def test_rates_that_price_nothing_or_twice_are_named(study: Study) -> None:
    rates = {"pipe_per_m": 1.0, "joint": 1.0, "gold": 1.0, "lay_per_day": 1.0, "crossing_cables": 1.0}
    project = replace(study.project, rates=rates, pipe=None, tables={})
    words = "\n".join(rate_warnings(project, study.assessment))
    assert "gold prices nothing" in words and "crossing_cables prices" not in words
    assert "pipe_per_m, joint price the same pipe" in words
    assert "no currency" in words and "lay_rate_km_day" in words and "needs a [pipe] table" in words


def test_the_file_has_the_agreed_columns_and_no_formula(hostile_study: Study, tmp_path: Path) -> None:
    table = quantities(hostile_study.project, hostile_study.assessment)
    write_csv(tmp_path / "quantities.csv", "quantities", table)
    with (tmp_path / "quantities.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    agreed = "item,kp_from_km,kp_to_km,quantity,unit,rate,amount,currency,source"  # the brief of this file
    assert ",".join(rows[0]) == agreed == ",".join(COLUMNS)
    assert all(row["kp_from_km"] and row["kp_to_km"] and row["source"] for row in rows)
    assert not any(cell.startswith(("=", "+", "@")) for row in rows for cell in row.values())
