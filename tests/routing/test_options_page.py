"""Options as files: the comparison, the page, hostile names."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace

import numpy as np
import pytest

from corridor.options_flow import find_options
from corridor.publish.options_page import publish_options
from corridor.routing.options import different
from corridor.routing.options_table import comparison

from .barrier_grounds import flat, layer, point, project

HOSTILE = "</script><img src=x onerror=alert(1)>{{7*7}}"


@pytest.fixture(scope="module")
def found():
    stones = layer(
        "rocks", "avoid", [point(500.0, 450.0).buffer(120.0, 32), point(1000.0, 720.0).buffer(120.0, 32)], 5.0
    )
    stones = replace(stones, features=(HOSTILE, "=1+1"))
    fishing = layer("fishing", "discourage", [point(760.0, 800.0).buffer(150.0)], factor=1.3)
    study = project(
        flat(62, 82), [stones, fishing], start=(110.0, 610.0), end=(1510.0, 610.0), min_bend_radius_m=150.0
    )
    return find_options(study, 4)


def test_options_are_verified_distinct_and_in_order(found):
    costs = [study.assessment.cost_m for study in found.studies]
    assert len(costs) >= 3 and costs == sorted(costs)
    assert all(study.assessment.ok for study in found.studies)
    assert found.lower_bound_m <= costs[0]
    lines = [study.alignment for study in found.studies]
    for k, line in enumerate(lines):
        assert all(different(line, other, found.obstacles) for other in lines[k + 1 :])


def test_comparison_adds_up(found):
    rows = comparison(found)
    for row in rows:
        terms = [value for key, value in row.items() if key.startswith("cost_") and key != "cost_m"]
        assert sum(terms) == pytest.approx(row["cost_m"])
        assert row["lay_days"] == pytest.approx(row["length_m"] / 3500.0)
        assert row["gap_percent"] >= 0.0
    assert rows[0]["dominated_by"] == ""
    crossing = [row for row in rows if row["discouraged_m"] > 0.0]
    assert all("fishing" in row["zones_entered"] for row in crossing)


def test_files_agree_and_names_stay_text(found, tmp_path):
    content = publish_options(found, tmp_path / "out")
    with (tmp_path / "out" / "options.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    stored = json.loads((tmp_path / "out" / "options.json").read_text(encoding="utf-8"))
    assert (
        [row["option"] for row in rows] == [row["option"] for row in stored["options"]] == list(found.names)
    )
    assert [float(row["length_m"]) for row in rows] == [row["length_m"] for row in stored["options"]]
    assert content["found"] == len(rows)
    shapes = json.loads((tmp_path / "out" / "options.geojson").read_text(encoding="utf-8"))["features"]
    assert [f["properties"]["option"] for f in shapes] == list(found.names)
    assert len({f["properties"]["colour"] for f in shapes}) == len(shapes)
    for name in found.names:
        assert (tmp_path / "out" / f"option_{name.lower()}" / "alignment.csv").is_file()
    html = (tmp_path / "out" / "options.html").read_text(encoding="utf-8")
    assert "<img src=x" not in html and "Content-Security-Policy" in html
    assert not re.search(r"(src|href)=\"https?:", html)
    assert "onerror" in html  # the name is there, as text in the data island
    assert np.array_equal(sorted(rows, key=lambda r: float(r["cost_m"])), rows)
