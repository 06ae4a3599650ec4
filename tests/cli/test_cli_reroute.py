"""``corridor reroute`` from the command line; the contract is this project's own (README)."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

import corridor
from corridor.cli import main
from corridor.errors import LayerError
from corridor.io.around import read_around

from .conftest import CRS, Folder


@pytest.fixture
def approved(folder: Folder) -> Path:
    """A straight line between the ends of the small project, its wreck out of the way."""
    folder.layer("wrecks", [shapely.Point(402_000.0, 8_264_500.0)], ["Old kettle (invented)"])
    path = folder.path / "approved.csv"
    path.write_text(
        "point,easting_m,northing_m,radius_m\nSTART,400525,8263525,\nEND,403975,8263525,\n", encoding="utf-8"
    )
    return path


def contacts(path: Path, **columns) -> Path:
    count = len(next(iter(columns.values())))
    places = [shapely.Point(401_800.0 + 500.0 * k, 8_263_530.0) for k in range(count)]
    gpd.GeoDataFrame(columns, geometry=places, crs=CRS).to_file(path, driver="GeoJSON", RFC7946="YES")
    return path


def run(*words: object) -> int:
    return main([str(word) for word in words])


def test_the_whole_set_appears_with_what_changed(folder: Folder, approved: Path, capsys) -> None:
    code = run(
        "reroute", folder.project, "--alignment", approved, "--around", "402200,8263525",
        "--standoff-m", 60, "--laid-to-kp", 0.2, "--json",
    )  # fmt: skip
    content = json.loads(capsys.readouterr().out)
    assert code == 0 and content["status"] == "ok"
    change = json.loads((folder.out / "change.json").read_text(encoding="utf-8"))
    assert content["change"]["changes"] == change["changes"]
    (part,) = change["changes"]
    (equation,) = change["kp_equations"]
    rows = {row["quantity"]: row for row in change["comparison"]}
    # The KP equation is what the two lengths say (arithmetic).
    assert rows["length"]["change"] == pytest.approx(1000.0 * equation["kp_shift_km"], abs=2e-3)
    assert part["old_from_kp_km"] == part["new_from_kp_km"] <= part["last_departure_kp_km"]
    laying = change["laying"]
    assert laying["left_m"] == pytest.approx(1000.0 * (part["last_departure_kp_km"] - 0.2), abs=2e-3)
    assert laying["hours_left"] == pytest.approx(laying["left_m"] / 3500.0 * 24.0, abs=0.01)
    with open(folder.out / "change.csv", encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    assert [row["quantity"] for row in table] == [row["quantity"] for row in change["comparison"]]
    assert float(table[0]["new"]) == rows["length"]["new"]
    names = {file.name for file in folder.out.iterdir()}
    assert {
        "alignment.csv",
        "route.geojson",
        "route.gpkg",
        "map.html",
        "report.html",
        "summary.json",
    } <= names
    line = gpd.read_file(folder.out / "route.gpkg", layer="centreline")
    assert sorted(line["name"]) == sorted(["Invented line", "approved line"])
    new = corridor.read_alignment(folder.out / "alignment.csv", CRS)
    reached = shapely.LineString(corridor.densify(new, 1e-3)).distance(shapely.Point(402_200.0, 8_263_525.0))
    assert reached >= 60.0


def test_nothing_in_the_way_writes_nothing(folder: Folder, approved: Path, capsys) -> None:
    code = run(
        "reroute", folder.project, "--alignment", approved, "--around", "402200,8262600", "--standoff-m", 60,
        "--quiet",
    )  # fmt: skip
    said = capsys.readouterr().out
    assert code == 0 and not folder.out.exists()
    assert "no change needed" in said and "925." in said  # 8263525 - 8262600, scale within 0.1 %


def test_contacts_go_straight_in(tmp_path: Path) -> None:
    """What is known and what is a pit stays out; each keeps its own standoff."""
    file = contacts(
        tmp_path / "contacts.geojson",
        name=["a", "b", "c", "d"], status=["new", "known", "new", "new"],
        kind=["object", "object", "pit", "object"], standoff_m=[50.0, 60.0, 70.0, 80.0],
    )  # fmt: skip
    layer = read_around(str(file), CRS, None)
    assert layer.features == ("a", "d")
    assert layer.standoff_m.tolist() == [50.0, 80.0]
    assert any("1 left out: known already" in note for note in layer.notes)
    assert read_around(str(file), CRS, 33.0).standoff_m.tolist() == [33.0, 33.0]


def test_a_standoff_must_come_from_somewhere(tmp_path: Path) -> None:
    file = contacts(tmp_path / "contacts.geojson", name=["a"])
    for text in (str(file), "400000.5,8263000"):
        with pytest.raises(LayerError, match="needs a standoff"):
            read_around(text, CRS, None)
        assert read_around(text, CRS, None, 75.0).standoff_m.tolist() == [75.0]
    with pytest.raises(LayerError, match=r"--standoff-m must be a finite number >= 0 \(got -5"):
        read_around("400000.5,8263000", CRS, -5.0)
    spot = read_around("400000.5,8263000", CRS, 10.0).geometries[0]
    assert np.allclose(shapely.get_coordinates(spot), [[400000.5, 8263000.0]])


def test_bad_input_leaves_nothing(folder: Folder, approved: Path, capsys) -> None:
    code = run(
        "reroute", folder.project, "--alignment", approved, "--around", "nowhere.geojson", "--standoff-m", 60
    )
    assert code == 3 and not folder.out.exists()
    assert "nowhere.geojson" in capsys.readouterr().err
