"""GeoPackage, DXF, KML and XLSX, each read back by an outside reader (GDAL, ezdxf, openpyxl)."""

from __future__ import annotations

import math
import sqlite3
import subprocess
from pathlib import Path
from xml.etree import ElementTree as ET

import ezdxf
import ezdxf.math
import numpy as np
import openpyxl
import pyogrio
import pytest
import shapely

from corridor.publish.dxf import layer_name, write_dxf
from corridor.publish.geopackage import table_names, write_geopackage
from corridor.publish.kml import write_kml
from corridor.publish.tables import decimals
from corridor.publish.xlsx import write_xlsx
from corridor.routing.chainage import station_of
from corridor.routing.geometry import elements, setting_out


@pytest.fixture
def package(study, a_stamp, tmp_path: Path) -> Path:
    write_geopackage(tmp_path / "route.gpkg", study, a_stamp)
    return tmp_path / "route.gpkg"


def test_geopackage_holds_every_table_in_the_project_crs(package: Path, study) -> None:
    found = dict(pyogrio.list_layers(package))
    for name in (
        "centreline",
        "alignment",
        "setting_out",
        "chainage",
        "profile",
        "crossings",
        "spans",
        "proximity",
    ):
        assert name in found
    assert {"checks", "provenance", "layer_styles", "layer_wrecks", "layer_cables"} <= set(found)
    assert found["profile"] is None and found["spans"] == "LineString"
    line = pyogrio.read_dataframe(package, layer="centreline")
    assert line.crs.to_epsg() == 32740 and list(line["current"]) == [True, False]
    assert line.geometry[0].length == pytest.approx(study.assessment.length_m, abs=0.02)


def test_geopackage_values_equal_the_csv_values(package: Path, study) -> None:
    frame = pyogrio.read_dataframe(package, layer="chainage")
    for column, values in study.assessment.chainage.items():
        if np.asarray(values).dtype.kind == "f":
            want = np.round(np.asarray(values, dtype=float), decimals(column))
            np.testing.assert_allclose(frame[column], want, rtol=0, atol=1e-12, equal_nan=True)
    spans = pyogrio.read_dataframe(package, layer="spans")
    assert spans["governs"].tolist() == [bool(v) for v in study.assessment.spans["governs"]]
    kp = [(a, b) for a, b in zip(spans["kp_start_km"], spans["kp_end_km"], strict=True)]
    assert spans.geometry[0].length == pytest.approx((kp[0][1] - kp[0][0]) * 1000.0, abs=0.01)


def test_geopackage_styles_follow_the_layer_styles_convention(package: Path) -> None:
    with sqlite3.connect(package) as database:
        rows = database.execute(
            "SELECT f_table_name, f_geometry_column, styleQML, styleSLD, useAsDefault FROM layer_styles"
        ).fetchall()
        tables = {row[0] for row in database.execute("SELECT table_name FROM gpkg_geometry_columns")}
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert {row[0] for row in rows} == tables
    for _, column, qml, sld, default in rows:
        assert column == "geom" and default == 1
        assert ET.fromstring(sld).tag == "{http://www.opengis.net/sld}StyledLayerDescriptor"
        assert ET.fromstring(qml.split("\n", 1)[1]).find("renderer-v2/symbols/symbol") is not None


def test_geopackage_content_is_the_same_twice(package: Path, study, a_stamp, tmp_path: Path) -> None:
    again = tmp_path / "again.gpkg"
    write_geopackage(again, study, a_stamp)

    def dump(path: Path) -> list[str]:
        with sqlite3.connect(path) as database:
            names = [row[0] for row in database.execute("SELECT name FROM sqlite_master WHERE type='table'")]
            plain = [name for name in names if not name.startswith(("rtree_", "sqlite_"))]
            return [repr(database.execute(f'SELECT * FROM "{name}"').fetchall()) for name in sorted(plain)]

    assert dump(package) == dump(again)


def test_geopackage_takes_hostile_and_equal_layer_names(hostile_study, a_stamp, tmp_path: Path) -> None:
    write_geopackage(tmp_path / "h.gpkg", hostile_study, a_stamp)
    frame = pyogrio.read_dataframe(tmp_path / "h.gpkg", layer="layer_wrecks")
    assert list(frame["feature"])[:7] == list(hostile_study.project.layers[0].features)[:7]
    assert table_names(["spans"], ["a b", "a-b", "A_B", "'; DROP", "", "wracks ü"]) == [
        "spans", "layer_a_b", "layer_a_b_2", "layer_a_b_3", "layer_drop", "layer_unnamed", "layer_wracks",
    ]  # fmt: skip


def test_dxf_arcs_are_true_within_a_millimetre(study, a_stamp, tmp_path: Path) -> None:
    write_dxf(tmp_path / "route.dxf", study, a_stamp)
    drawing = ezdxf.readfile(tmp_path / "route.dxf")
    assert not drawing.audit().errors and drawing.units == 6
    (line,) = drawing.modelspace().query('LWPOLYLINE[layer=="CENTRELINE"]')
    arcs = [part for part in line.virtual_entities() if part.dxftype() == "ARC"]
    out = setting_out(study.alignment)
    assert len(arcs) == study.alignment.bends
    for number, arc in enumerate(arcs, start=1):
        assert arc.dxf.radius == pytest.approx(study.alignment.radius_m[number], abs=1e-3)
        centre = (out["centre_easting_m"][number], out["centre_northing_m"][number])
        assert math.dist(arc.dxf.center.vec2, centre) < 1e-3
    points = np.array([(p.x, p.y) for part in line.virtual_entities() for p in _flattened(part)])
    _, offset = station_of(elements(study.alignment), points[:, 0], points[:, 1])
    assert np.abs(offset).max() < 1e-3


def _flattened(part):
    if part.dxftype() == "ARC":
        return part.flattening(1e-4)
    return [part.dxf.start, part.dxf.end]


def test_dxf_reads_in_gdal_on_named_layers(study, a_stamp, tmp_path: Path) -> None:
    write_dxf(tmp_path / "route.dxf", study, a_stamp)
    frame = pyogrio.read_dataframe(tmp_path / "route.dxf")
    assert {"CENTRELINE", "IP", "KP", "CROSSINGS", "TANGENTS", "wrecks", "cables", "OTHER option 2"} <= set(
        frame["Layer"]
    )
    line = frame[frame["Layer"] == "CENTRELINE"].geometry.iloc[0]
    assert line.length == pytest.approx(study.assessment.length_m, abs=1.0)  # GDAL's own chords


def test_dxf_names_and_texts_cannot_break_the_file(hostile_study, a_stamp, tmp_path: Path) -> None:
    write_dxf(tmp_path / "h.dxf", hostile_study, a_stamp)
    drawing = ezdxf.readfile(tmp_path / "h.dxf")
    assert not drawing.audit().errors
    texts = [text.dxf.text for text in drawing.modelspace().query("TEXT")]
    assert "{{7*7}}" in texts and "<img src=x onerror=window.hacked=1>" in texts
    assert max(map(len, texts)) <= 250
    assert layer_name('a<b>:"c', ["A_B___C"]) == "a_b___c 2"


def test_dxf_is_the_same_twice(study, a_stamp, tmp_path: Path) -> None:
    for name in ("one.dxf", "two.dxf"):
        write_dxf(tmp_path / name, study, a_stamp)
    assert (tmp_path / "one.dxf").read_bytes() == (tmp_path / "two.dxf").read_bytes()


def test_kml_reads_in_gdal(study, a_stamp, tmp_path: Path) -> None:
    write_kml(tmp_path / "route.kml", study, a_stamp)
    layers = [name for name, _ in pyogrio.list_layers(tmp_path / "route.kml")]
    assert layers == ["Lines", "Intersection points", "Chainage", "Crossings", "Spans"]
    line = pyogrio.read_dataframe(tmp_path / "route.kml", layer="Lines").to_crs(study.alignment.crs)
    places = shapely.get_coordinates(line.geometry[0])
    _, offset = station_of(elements(study.alignment), places[:, 0], places[:, 1])
    assert np.abs(offset).max() < 1e-3  # the vertices themselves lie on the line
    crossings = pyogrio.read_dataframe(tmp_path / "route.kml", layer="Crossings")
    assert list(crossings["Name"]) == list(study.assessment.crossings["feature"])


def test_kml_with_hostile_names_is_well_formed(hostile_study, a_stamp, tmp_path: Path) -> None:
    write_kml(tmp_path / "h.kml", hostile_study, a_stamp)
    names = [e.text for e in ET.parse(tmp_path / "h.kml").iter("{http://www.opengis.net/kml/2.2}name")]
    assert "{% x %}" in names and not any(
        element.tag.endswith("script") for element in ET.parse(tmp_path / "h.kml").iter()
    )


def test_xlsx_listings_have_formats_frozen_headers_and_no_formulas(
    hostile_study, a_stamp, tmp_path: Path
) -> None:
    write_xlsx(tmp_path / "l.xlsx", hostile_study, a_stamp)
    book = openpyxl.load_workbook(tmp_path / "l.xlsx")
    assert book.sheetnames == [
        "Alignment",
        "Setting-out",
        "Chainage",
        "Crossings",
        "Spans",
        "Proximity",
        "Checks",
        "Provenance",
    ]
    for sheet in book:
        assert sheet.freeze_panes == "A2" and sheet.auto_filter.ref
        assert not [cell for row in sheet for cell in row if cell.data_type == "f"]
    names = [row[1].value for row in book["Proximity"].iter_rows(min_row=2)]
    assert names[:7] == list(hostile_study.project.layers[0].features)[:7]
    kp = book["Chainage"]["A3"]
    assert kp.number_format == "0.000000" and kp.value == round(
        float(hostile_study.assessment.chainage["kp_km"][1]), 6
    )


def test_xlsx_content_is_the_same_twice(study, a_stamp, tmp_path: Path) -> None:
    def content(name: str) -> list:
        write_xlsx(tmp_path / name, study, a_stamp)
        book = openpyxl.load_workbook(tmp_path / name)
        return [[[cell.value for cell in row] for row in sheet] for sheet in book] + [
            book.properties.modified
        ]

    assert content("one.xlsx") == content("two.xlsx")


def test_gdalinfo_of_debian_agrees_on_the_geopackage(package: Path) -> None:
    # ogrinfo of Debian's gdal-bin, where installed, is a second reader beside the wheel's GDAL.
    try:
        done = subprocess.run(
            ["ogrinfo", "-so", str(package), "spans"], capture_output=True, text=True, check=True
        )
    except FileNotFoundError:
        assert pyogrio.read_info(package, layer="spans")["geometry_type"] == "LineString"
        return
    assert "Geometry: Line String" in done.stdout and 'ID["EPSG",32740]' in done.stdout
