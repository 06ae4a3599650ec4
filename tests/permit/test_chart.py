"""Chart intake: a small ENC of our own (fiction; see make_enc.py), its updates, and damaged ones."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import numpy as np
import pyogrio
import pytest

from corridor.errors import InputError, LayerError, SettingError
from corridor.io.chart import layer_text, read_chart_table, read_charts, write_chart_layers
from corridor.io.tables import build_layer
from corridor.io.vectors import read_layer
from corridor.model.permit import ZoneSettings
from corridor.model.rules import RouteRules
from corridor.permit.chart_rules import chart_table, codes_of, matching_rule, widening
from corridor.permit.study import zone_study

DATA = Path(__file__).parent / "data"
CELL = "XX5FICTN"
COVERED = {
    *("WRECKS", "OBSTRN", "UWTROC", "CBLSUB", "PIPSOL", "CBLARE", "PIPARE", "RESARE", "ACHARE", "MIPARE"),
    *("DMPGRD", "OSPARE", "MARCUL", "OFSPLF", "TSSLPT", "FAIRWY", "SBDARE"),
}


@pytest.fixture(scope="module")
def intake():
    return read_charts([DATA / f"{CELL}.000"])


@pytest.fixture
def cell(tmp_path):
    """A copy of the cell and its updates, to be damaged."""
    for file in DATA.glob(f"{CELL}.*"):
        shutil.copy(file, tmp_path)
    return tmp_path / f"{CELL}.000"


def rows(intake, layer):
    return {row["name"]: row for row in intake.layers[layer].rows}


def test_classes_become_layers(intake):
    names = {layer: [row["class"] for row in content.rows] for layer, content in intake.layers.items()}
    assert names["charted wrecks"] == ["WRECKS", "WRECKS"]
    assert sorted(names["installations"]) == ["OBSTRN", "OFSPLF"]  # the wellhead and the platform
    assert names["charted cables"] == ["CBLSUB"] and names["charted pipelines"] == ["PIPSOL"]
    assert names["safety zones"] == names["protected areas"] == names["restricted areas"] == ["RESARE"]
    assert names["territorial sea"] == ["TESARE"]
    assert names["hard ground"] == ["SBDARE"]
    assert sorted(names["traffic"]) == ["FAIRWY", "TSSLPT"]


def test_text_of_the_chart_survives(intake):
    """Written as Latin-1 (lexical level 1 of S-57)."""
    assert "Ølnebben Æsj" in rows(intake, "charted wrecks")


def test_doubtful_positions_and_depths_widen_by_the_stated_amounts(intake):
    wreck = rows(intake, "charted wrecks")["Ølnebben Æsj"]
    # 100 m for a dangerous wreck, 50 m for QUASOU 7; 50 m for QUAPOS 4: chart_rules.toml.
    assert (wreck["standoff_m"], wreck["position_uncertainty_m"]) == (150.0, 50.0)
    assert wreck["widened_by"] == "QUAPOS 4: 50 m; QUASOU 7: 50 m"
    anchorage = rows(intake, "anchorages")["Napkin roads"]  # QUAPOS 5 on its edge
    assert anchorage["position_uncertainty_m"] == 250.0
    other = next(row for row in intake.layers["charted wrecks"].rows if row is not wreck)
    # The node's own POSACC is 12.5 m, the quality area about it states 40 m: the larger counts.
    assert other["position_uncertainty_m"] == 40.0
    rock = intake.layers["charted rocks"].rows[0]
    assert (rock["standoff_m"], rock["widened_by"]) == (100.0, "QUASOU 2: 50 m")


def test_restriction_absent_does_not_mean_free(intake):
    """RESTRN is absent on the bird reserve: kept as avoid, and said."""
    reserve = rows(intake, "protected areas")["Doily bird reserve"]
    assert intake.table.layers["protected areas"]["rule"] == "avoid"
    assert reserve["restriction"] == "none stated (which does not mean free)"
    zone = rows(intake, "safety zones")["Safety zone Breadboard"]
    assert zone["restriction"] == "entry prohibited"  # RESTRN 7, as in S-57's list of codes


def test_updates_are_applied(intake):
    """.001 adds foul ground, .002 deletes the wreck Old Ladle."""
    assert "Foul ground of the update" in rows(intake, "charted obstructions")
    assert "Old Ladle" not in rows(intake, "charted wrecks")
    assert {row["update_number"] for row in intake.layers["charted wrecks"].rows} == {"2"}
    assert [source.file.rsplit("/", 1)[-1] for source in intake.inputs] == [f"{CELL}.00{i}" for i in range(3)]


def test_base_cell_without_updates(cell):
    for number in (1, 2):
        cell.with_suffix(f".00{number}").unlink()
    assert "Old Ladle" in rows(read_charts([cell]), "charted wrecks")


def test_nothing_is_dropped_silently(intake):
    written = sum(len(content.rows) for content in (*intake.layers.values(), *intake.unassigned.values()))
    unused = sum(count for name, count in intake.counts.items() if name in intake.table.not_used)
    assert sum(intake.counts.values()) == written + unused + len(intake.unplaced.rows)
    notes = "\n".join(intake.notes)
    for text in (
        "class NEWOBJ is not in the table of rules (1 feature)",
        "OBSTRN: CATOBS 10 has no rule of its own",
        "RESARE: CATREA 31 has no rule of its own",
        "features without geometry: 1 FAIRWY",
        "DEPARE 1",
        "ids that stand for several shapes (all written): 1 (FFFF000000070001)",
    ):
        assert text in notes
    assert [row["OBJNAM"] for row in intake.unplaced.rows] == ["fairway without a place"]


def test_geopackage_and_tables_to_paste(intake, tmp_path):
    path = tmp_path / "charts.gpkg"
    write_chart_layers(path, intake)
    text = layer_text(intake, "charts.gpkg")
    entries = tomllib.loads(text)["layer"]
    tables = set(pyogrio.list_layers(path)[:, 0])
    assert {entry["table"] for entry in entries} <= tables
    assert tables - {entry["table"] for entry in entries} == {"unassigned_newobj", "features_without_place"}
    wrecks = next(entry for entry in entries if entry["name"] == "charted wrecks")
    assert wrecks["rule"] == "avoid" and wrecks["standoff_m"] == "standoff_m"
    frame = pyogrio.read_dataframe(path, layer="charted_wrecks")
    assert sorted(frame["standoff_m"]) == [100.0, 150.0] and frame.crs.to_epsg() == 4326
    assert [p.name for p in tmp_path.iterdir()] == ["charts.gpkg"]
    cables = next(entry for entry in entries if entry["name"] == "charted cables")
    assert cables["min_angle_deg"] == 45 and "factor" not in cables
    assert "# # 1 feature: no rule yet" in text or "# 1 feature: no rule yet" in text


def test_pasted_tables_read_and_become_zones(intake, tmp_path):
    """From the chart to the published zone: standoff, widening and season all the way through."""
    path = tmp_path / "charts.gpkg"
    write_chart_layers(path, intake)
    layers = []
    for entry in tomllib.loads(layer_text(intake, path.name))["layer"]:
        settings, faults = build_layer(entry, "[[layer]]")
        assert faults == []
        layers.append(read_layer(path, settings, crs="EPSG:32631"))
    rules = RouteRules(min_bend_radius_m=1000.0, lay_tolerance_m=10.0)
    study = zone_study(layers, "EPSG:32631", rules, ZoneSettings(study_date="2027-01-15"))
    zones = {zone.feature: zone for zone in study.zones}
    wreck = zones["Ølnebben Æsj"]
    assert wreck.buffer_m == 150.0 + 50.0 + 10.0 and wreck.source_date == "20250314"
    assert wreck.kind == "Wreck" and wreck.source_id.startswith("FFFF")
    assert wreck.area_m2 == pytest.approx(np.pi * 210.0**2, rel=1e-3)
    assert not zones["Doily bird reserve"].active and zones["Doily bird reserve"].season == "1 Apr to 31 Aug"
    practice = next(zone for zone in study.zones if zone.layer == "military areas")
    assert practice.active and practice.rule == "discourage"  # 1 November to 28 February
    assert {item.rule for item in study.references} == {"cross", "jurisdiction"}


def test_long_edges_are_cut(intake):
    """3 km between charted vertices: cut so that any projection draws them where the chart has them."""
    frame = intake.layers["charted pipelines"].shapes[0]
    assert len(frame.coords) > 10


def test_area_keeps_what_touches_it(intake):
    part = read_charts([DATA / f"{CELL}.000"], area_deg=(3.0, 56.0, 3.1, 56.03))
    assert "Ølnebben Æsj" in rows(part, "charted wrecks")
    assert "installations" not in part.layers
    assert any("outside the project's area, not written" in note for note in part.notes)


def test_table_covers_the_classes_that_matter():
    table = read_chart_table()
    assert set(table.rules) >= COVERED
    for code, layer in (
        (1, "safety zones"),
        (14, "minefields and munitions"),
        (10, "historic wrecks and heritage"),
    ):
        assert matching_rule(table, "RESARE", {"CATREA": str(code)}).layer == layer
    assert matching_rule(table, "RESARE", {"CATREA": None}).layer == "restricted areas"
    assert table.layers["restricted areas"]["rule"] == "avoid"
    assert not matching_rule(table, "RESARE", {"CATREA": "14"}).seasonal


def test_user_table_decides(tmp_path):
    file = tmp_path / "mine.toml"
    file.write_text(
        '[layer.all]\nrule = "avoid"\nstandoff_m = 7\n'
        '[[class]]\nclass = "WRECKS"\nlayer = "all"\nseasonal = false\n'
    )
    intake = read_charts([DATA / f"{CELL}.000"], read_chart_table(file))
    assert {row["standoff_m"] for row in intake.layers["all"].rows} == {7.0}
    assert set(intake.layers) == {"all"} and "OBSTRN" in intake.unassigned


def test_faults_of_a_table_come_all_at_once():
    data = {
        "layer": {"a": {"rule": "forbid", "standoff": 5, "factor": -1}},
        "class": [
            {"class": "WRECKS", "layer": "b"},
            {"class": "OBSTRN", "layer": "a", "when": {"CATOBS": [1]}},
        ],
        "widen": {"quapos": {"x": 5}, "other": {}},
        "extra": {},
    }
    with pytest.raises(SettingError) as caught:
        chart_table(data, "mine.toml")
    text = str(caught.value)
    for part in (
        "[extra]", "rule must be one of", "'standoff'", "factor must be >= 0", "layer must be one of",
        "class OBSTRN needs a last rule", "x = 5", "unknown key 'other'",
    ):  # fmt: skip
        assert part in text


def test_codes_and_widening():
    table = read_chart_table()
    assert codes_of("7,8") == (7, 8) and codes_of(float("nan")) == () and codes_of(["1", "x"]) == (1,)
    wider = widening(table, {"QUASOU": "2,7"}, quapos=(4, 10), posacc_m=(80.0,), catzoc=(4,))
    assert (wider.standoff_m, wider.position_m) == (50.0, 80.0)
    assert widening(table, {}).reasons == ()


@pytest.mark.parametrize("cut", [30, 400, 5000])
def test_truncated_cell(cell, cut):
    cell.write_bytes(cell.read_bytes()[:-cut])
    with pytest.raises(LayerError, match="truncated"):
        read_charts([cell])


def test_cell_cut_between_two_records(cell):
    """The cell states how many records it has: GDAL alone would read the rest without a word."""
    content = cell.read_bytes()
    at, ends = 0, []
    while at < len(content):
        at += int(content[at : at + 5])
        ends.append(at)
    cell.write_bytes(content[: ends[-3]])
    with pytest.raises(LayerError, match="truncated: it states"):
        read_charts([cell])


def test_update_missing_in_the_middle(cell):
    cell.with_suffix(".001").unlink()
    with pytest.raises(LayerError, match=r"update 2 is out of order, XX5FICTN\.001 is missing"):
        read_charts([cell])


def test_update_of_another_number(cell):
    shutil.copy(cell.with_suffix(".002"), cell.with_suffix(".001"))
    with pytest.raises(LayerError, match="says it is update 2 of edition 1, needed is update 1"):
        read_charts([cell])


def test_update_alone_and_files_that_are_no_charts(cell, tmp_path):
    cell.unlink()
    with pytest.raises(LayerError, match=r"exactly one file XX5FICTN\.000 is needed"):
        read_charts([cell.with_suffix(".001")])
    text = tmp_path / "notes.txt"
    text.write_text("no chart")
    with pytest.raises(LayerError, match=r"must end in \.000"):
        read_charts([text])
    fake = tmp_path / "FAKE.000"
    fake.write_text("no chart either")
    with pytest.raises(LayerError, match="damaged"):
        read_charts([fake])
    with pytest.raises(InputError, match="existing file"):
        read_charts(["/vsicurl/http://invalid.example/A.000"])


def test_input_is_not_changed(intake, tmp_path):
    before = {file.name: file.read_bytes() for file in DATA.iterdir()}
    read_charts([DATA / f"{CELL}.000"])
    assert before == {file.name: file.read_bytes() for file in DATA.iterdir()}
