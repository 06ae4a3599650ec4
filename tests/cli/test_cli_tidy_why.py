"""Tidying a drawn line and pricing its rules, on a ground whose answers are known by hand.

The seabed slopes evenly, so that the cheapest line is the straight one but for
the wreck (standoff 100 m + 10 m lay tolerance) and the cable (fee 500): prices
follow from that by plain geometry, no other source.
"""

from __future__ import annotations

import csv
import json
import math

import numpy as np
import pytest

import corridor
from corridor.cli import main
from corridor.errors import AlignmentError, NoRouteError
from corridor.routing.chainage import station_of
from corridor.routing.geometry import at_station, elements

from .conftest import Folder


def run(*words: object) -> int:
    return main([str(word) for word in words])


def drawn(folder: Folder, points: list[tuple[float, float]], radius: float = 400.0):
    """A line by hand from START over `points` to END, as file and as alignment."""
    rows = ["point,easting_m,northing_m,radius_m", "START,400525,8263525,"]
    rows += [f"IP{k},{e},{n},{radius}" for k, (e, n) in enumerate(points, start=1)]
    file = folder.path / "line.csv"
    file.write_text("\n".join([*rows, "END,403975,8263525,"]) + "\n")
    project = corridor.read_project(folder.project)
    return project, corridor.read_alignment(file, project.crs, 300.0)


CROOKED = [
    (401_000.0, 8_263_700.0),
    (401_500.0, 8_263_900.0),
    (402_500.0, 8_263_900.0),
    (403_300.0, 8_263_500.0),
]

CLOSE = [(401_200.0, 8_263_300.0), (402_000.0, 8_263_600.0), (402_800.0, 8_263_300.0)]


def test_tidy_is_cheaper_obeys_every_rule_and_stays_near(folder: Folder) -> None:
    project, line = drawn(folder, CROOKED)
    tidied = corridor.tidy(project, line, within_m=250.0)
    after = tidied.study.assessment
    assert after.ok
    assert after.cost_m < tidied.before.cost_m - 100.0
    assert tidied.study.alignment.bends < 4
    found = elements(tidied.study.alignment)
    easting, northing, _ = at_station(found, np.arange(0.0, found.total_m, 1.0))
    _, offset = station_of(elements(line), easting, northing)
    assert np.abs(offset).max() <= 250.0
    assert tidied.moved_m == pytest.approx(np.abs(offset).max(), abs=1.0)


def test_a_nearer_limit_costs_more(folder: Folder) -> None:
    project, line = drawn(folder, CROOKED)
    costs = [corridor.tidy(project, line, within_m=m).study.assessment.cost_m for m in (60.0, 250.0)]
    free = corridor.tidy(project, line).study.assessment.cost_m
    assert costs[0] > costs[1] + 1.0
    assert free <= costs[1] + 1e-6


def test_kept_ips_stay_and_the_rest_moves(folder: Folder) -> None:
    project, line = drawn(folder, CROOKED)
    tidied = corridor.tidy(project, line, within_m=400.0, fixed_ips=(2,))
    ips = np.column_stack([tidied.study.alignment.easting_m, tidied.study.alignment.northing_m])
    assert np.hypot(*(ips - CROOKED[1]).T).min() < 1e-6
    assert tidied.study.assessment.ok
    assert tidied.study.assessment.cost_m < tidied.before.cost_m


def test_a_kept_ip_that_breaks_a_rule_is_named_with_its_kp(folder: Folder) -> None:
    # IP2 lies at the wreck: no line within 60 m of one that passes there keeps 110 m off it.
    project, line = drawn(folder, CLOSE)
    with pytest.raises(NoRouteError) as told:
        corridor.tidy(project, line, within_m=60.0, fixed_ips=(2,))
    kp = float(station_of(elements(line), *CLOSE[1])[0]) / 1000.0
    assert f"IP2 at KP {kp:.3f}" in str(told.value)
    assert "standoff_m" in str(told.value) and "IP1" not in str(told.value)
    assert told.value.reasons[0]["kp_km"] == pytest.approx(kp, abs=1e-3)


def test_vertices_of_a_crooked_track_become_few_bends(folder: Folder) -> None:
    # A digitised track: a vertex every 100 m, with which no bend of 300 m radius fits.
    along = np.linspace(400_525.0, 403_975.0, 36)[1:-1]
    wave = (
        8_263_525.0 + 350.0 * np.sin((along - 400_525.0) / 3450.0 * math.pi) + 8.0 * (-1.0) ** np.arange(34)
    )
    project, line = drawn(folder, list(zip(along, wave, strict=True)), radius=300.0)
    tidied = corridor.tidy(project, line, within_m=150.0)
    assert tidied.study.assessment.ok
    assert tidied.study.alignment.bends <= 6


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"within_m": -1.0}, "must be > 0"),
        ({"fixed_ips": (7,)}, "from 1 to 4"),
    ],
)
def test_input_at_fault_is_refused(folder: Folder, change, words) -> None:
    project, line = drawn(folder, CROOKED)
    with pytest.raises(AlignmentError, match=words):
        corridor.tidy(project, line, **change)


def test_ends_elsewhere_are_refused_and_near_ones_moved(folder: Folder) -> None:
    project, line = drawn(folder, CROOKED)
    off = corridor.Alignment(line.easting_m + 30.0, line.northing_m, line.radius_m, line.crs)
    with pytest.raises(AlignmentError, match=r"START of the line must be within 20 m .* 30\.0 m away"):
        corridor.tidy(project, off, within_m=20.0)
    tidied = corridor.tidy(project, off, within_m=100.0)
    assert tidied.study.alignment.easting_m[0] == 400_525.0 and tidied.study.assessment.ok


def test_the_command_writes_the_set_and_says_what_was_gained(folder: Folder, capsys) -> None:
    drawn(folder, CROOKED)
    file = folder.path / "line.csv"
    assert run("assess", folder.project, "--alignment", file, "--tidy", "--within-m", 250) == 0
    told = capsys.readouterr().out
    gains = json.loads((folder.out / "tidy.json").read_text())
    assert "tidied: cost" in told and f"bends 4 -> {gains['bends_after']}" in told
    assert gains["gain_m"] > 100.0 and gains["moved_m"] <= 250.0
    summary = json.loads((folder.out / "summary.json").read_text())
    assert summary["cost_m"] == pytest.approx(gains["cost_after_m"], abs=0.001)
    for name in ("alignment.csv", "route.gpkg", "map.html", "report.html"):
        assert (folder.out / name).stat().st_size > 0


def test_exit_codes_of_tidy(folder: Folder, capsys) -> None:
    drawn(folder, CLOSE)
    file = folder.path / "line.csv"
    assert run("assess", folder.project, "--alignment", file, "--within-m", 100) == 2
    assert run("assess", folder.project, "--alignment", file, "--tidy", "--keep-ips", "9") == 3
    words = ("assess", folder.project, "--alignment", file, "--tidy", "--within-m", 60, "--keep-ips", "2")
    assert run(*words, "--json") == 4
    told = capsys.readouterr().out.strip().splitlines()[-1]
    assert json.loads(told)["reasons"][0]["text"].startswith("IP2 at KP")
    assert (folder.out / "no_route.json").exists()


def test_prices_of_the_cable_and_the_wreck(folder: Folder) -> None:
    folder.edit(("min_bend_radius_m = 300", "min_bend_radius_m = 300\nbend_cost_m = 10"))
    project = corridor.read_project(folder.project)
    line = corridor.route(project).alignment
    why = corridor.why_here(project, line)
    prices = {(p.dropped.rule, p.dropped.layer): p for p in why.prices}
    # Without the cable the same line saves its fee.
    assert prices["layer", "cables"].price_m == pytest.approx(500.0, abs=2.0)
    assert prices["crossing_cost_m", "cables"].price_m == pytest.approx(500.0, abs=2.0)
    # Without the wreck the line is straight: it saves its detour and all its bends.
    straight = math.hypot(403_975.0 - 400_525.0, 0.0)
    wreck = prices["layer", "wrecks"]
    assert wreck.binding and wreck.bends_without == 0
    assert wreck.length_without_m == pytest.approx(straight, abs=0.01)
    assert wreck.price_m == pytest.approx(why.cheapest_m - wreck.cost_without_m, abs=1e-6)
    assert wreck.price_m > 10.0 * line.bends
    assert abs(wreck.kp_km - 1.475) < 0.4  # the wreck lies at 402,000 E
    for rule in ("max_slope_along_deg", "max_slope_across_deg", "depth_range_m"):
        assert not prices[rule, ""].binding and prices[rule, ""].price_m == 0.0
    assert all(p.price_m >= 0.0 for p in why.prices)
    assert why.terms["total_m"].sum() == pytest.approx(why.cost_m, rel=1e-9)


def test_a_stretch_knows_only_what_binds_there(folder: Folder) -> None:
    # Two bends and more, so that there is a straight behind the wreck and before the cable to begin on.
    project, line = drawn(
        folder, [(401_200.0, 8_263_525.0), (402_000.0, 8_263_700.0), (402_700.0, 8_263_525.0)]
    )
    why = corridor.why_here(project, line, 2.3, 3.4)
    assert why.to_kp_km == pytest.approx(elements(line).total_m / 1000.0)
    assert 1.5 < why.from_kp_km <= 2.3
    prices = {(p.dropped.rule, p.dropped.layer): p.price_m for p in why.prices}
    assert prices["layer", "cables"] == pytest.approx(500.0, abs=5.0)
    assert prices["layer", "wrecks"] < 5.0


def test_the_command_why_prints_and_writes(folder: Folder, capsys) -> None:
    file = folder.line(radius=300.0)
    rates = folder.project.read_text() + '\n[rates]\nequivalent_m = 2000\n[quantities]\ncurrency = "XYZ"\n'
    folder.project.write_text(rates)
    assert run("why", folder.project, "--alignment", file) == 0
    told = capsys.readouterr().out
    assert "layer cables" in told and "not binding here" in told and "XYZ" in told and "caution" in told
    out = folder.path / "out_why"
    with (out / "why.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    cable = next(row for row in rows if row["layer"] == "cables" and row["rule"] == "layer")
    assert float(cable["amount"]) == pytest.approx(2000.0 * float(cable["price_m"]), abs=2.0)
    content = json.loads((out / "why.json").read_text())
    assert [float(row["price_m"]) for row in rows] == [row["price_m"] for row in content["prices"]]
    assert run("why", folder.project, "--alignment", file, "--from-kp", 3, "--to-kp", 2) == 3
