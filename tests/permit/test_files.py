"""The files of a zone set: RFC 7946, GDAL, KML, CSV; hostile text stays text in all of them."""

from __future__ import annotations

import csv
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from shapely.geometry import shape

from corridor.errors import InputError, SettingError
from corridor.model.permit import ZoneSettings
from corridor.permit.degrees import parse_degrees_minutes
from corridor.permit.study import zone_study
from corridor.publish.zones_csv import write_zone_list, write_zone_vertices
from corridor.publish.zones_geojson import write_zones_geojson
from corridor.publish.zones_gpkg import write_zones_geopackage
from corridor.publish.zones_kml import write_zones_kml
from corridor.publish.zones_rows import bounding_box, outline_degrees
from corridor.publish.zones_set import FORMATS, publish_zones

from ..publish.synthetic import make_project
from .synthetic import CRS, HOSTILE, RULES, STAMP, hostile_study, make_layer, sample_study

KML = "{http://www.opengis.net/kml/2.2}"
WGS84 = pyproj.Geod(ellps="WGS84")


@pytest.fixture(scope="module")
def study():
    return sample_study()


def collection(path, study):
    write_zones_geojson(path, study, STAMP, outline_degrees(study))
    return json.loads(path.read_text(encoding="utf-8"), parse_constant=lambda name: pytest.fail(name))


def positions(coordinates):
    if isinstance(coordinates[0], float):
        yield coordinates
    else:
        for inner in coordinates:
            yield from positions(inner)


def check_rfc_7946(data):
    """RFC 7946, sections 3.1.6 (rings), 3.1.9 (antimeridian), 4 (degrees) and 5 (bounding box)."""
    assert data["type"] == "FeatureCollection" and "crs" not in data
    west, south, east, north = data["bbox"]
    for feature in data["features"]:
        assert feature["type"] == "Feature" and isinstance(feature["properties"], dict)
        geometry = feature["geometry"]
        assert set(geometry) == {"type", "coordinates"}
        for lon, lat in positions(geometry["coordinates"]):
            assert -180.0 <= lon <= 180.0 and south - 1e-9 <= lat <= north + 1e-9
            if west <= east:
                assert west - 1e-9 <= lon <= east + 1e-9
        for part in shapely.get_parts(shape(geometry)):
            assert part.bounds[2] - part.bounds[0] < 180.0
            if part.geom_type == "Polygon":
                assert part.exterior.is_ccw and part.is_valid
        if geometry["type"] == "Polygon":
            for ring in geometry["coordinates"]:
                assert ring[0] == ring[-1] and len(ring) >= 4


def test_geojson(study, tmp_path):
    data = collection(tmp_path / "zones.geojson", study)
    check_rfc_7946(data)
    assert [f["properties"]["zone"] for f in data["features"]] == [zone.number for zone in study.zones]
    wreck = data["features"][0]
    assert wreck["properties"]["attributes"] == {"SORDAT": "20250314", "year_lost": 1917}  # no phone number
    assert data["columns_left_out"] == [["wrecks", "phone", "its name says that it is about a person"]]
    assert any("navigation" in text for text in data["cautions"])
    area = abs(WGS84.geometry_area_perimeter(shape(wreck["geometry"]))[0])
    assert area == pytest.approx(wreck["properties"]["area_m2"], rel=1e-6)
    # GDAL reads it with the same features.
    assert pyogrio.read_info(tmp_path / "zones.geojson")["features"] == 8


def test_geojson_across_the_antimeridian(tmp_path):
    crs = "EPSG:32601"
    edge = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(180.0, 52.0)
    layer = make_layer("wrecks", "avoid", [shapely.Point(edge)], standoff=3000.0)
    study = zone_study([layer], crs, RULES, ZoneSettings())
    data = collection(tmp_path / "z.geojson", study)
    check_rfc_7946(data)
    assert data["features"][0]["geometry"]["type"] == "MultiPolygon"
    assert data["bbox"][0] > 179.0 and data["bbox"][2] < -179.0  # RFC 7946, section 5.2: west > east


def test_published_degrees_contain_the_true_zone(study):
    """Points exactly 260 m from the wreck (pyproj.Geod) lie in the polygon drawn in degrees."""
    zone = study.zones[2]
    degrees = outline_degrees(study)[2]
    lon, lat = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(*zone.source.coords[0])
    azimuth = np.arange(0.0, 360.0, 0.25)
    around = WGS84.fwd(np.full(1440, lon), np.full(1440, lat), azimuth, np.full(1440, zone.buffer_m))
    assert shapely.contains_xy(degrees, around[0], around[1]).all()


def test_geopackage_opens_with_styles_and_metadata(study, tmp_path):
    path = tmp_path / "zones.gpkg"
    write_zones_geopackage(path, study, STAMP)
    layers = dict(pyogrio.list_layers(path))
    assert layers["zones_keep_out"] == "MultiPolygon" and layers["assets"] == "LineString"
    frame = pyogrio.read_dataframe(path, layer="zones_keep_out")
    assert frame.crs.to_epsg() == 32631 and frame["feature"].tolist()[1] == "Γλάρος"
    assert frame.geometry.iloc[0].area == pytest.approx(study.zones[0].outline.area, rel=1e-9)
    conditions = pyogrio.read_dataframe(path, layer="permit_conditions", read_geometry=False)
    assert set(conditions.columns) == {"condition", "yes", "detail"}
    notes = pyogrio.read_dataframe(path, layer="notes", read_geometry=False)
    assert (notes["kind"] == "caution").sum() >= 5
    with closing(sqlite3.connect(path)) as database:
        styles = database.execute("SELECT f_table_name, styleQML, styleSLD FROM layer_styles").fetchall()
        described = dict(database.execute("SELECT table_name, description FROM gpkg_contents"))
    assert {"zones_keep_out", "zones_discouraged", "assets", "centreline"} <= {row[0] for row in styles}
    for _, qml, sld in styles:
        ET.fromstring(qml[qml.index("<qgis") :])
        ET.fromstring(sld)
    assert "revision B" in described["zones_keep_out"]


def test_kml_opens_and_holds_every_zone(study, tmp_path):
    path = tmp_path / "zones.kml"
    write_zones_kml(path, study, STAMP, outline_degrees(study))
    layers = [name for name, _ in pyogrio.list_layers(path)]
    assert layers[:2] == ["wrecks", "safety zones"] and layers[-1] == "Line"
    frame = pyogrio.read_dataframe(path, layer="wrecks")
    assert frame["Name"].tolist()[:3] == ["Ølnebben", "Γλάρος", "Чайка"]
    area = abs(WGS84.geometry_area_perimeter(shapely.force_2d(frame.geometry.iloc[0]))[0])
    assert area == pytest.approx(study.zones[0].area_m2, rel=1e-5)


def test_hostile_text_in_kml_is_text(tmp_path):
    """A balloon takes its description for HTML: after that reading, too, no markup of a name is left."""
    study = hostile_study()
    path = tmp_path / "zones.kml"
    write_zones_kml(path, study, STAMP, outline_degrees(study))
    root = ET.fromstring(path.read_bytes())
    descriptions = [element.text for element in root.iter(f"{KML}description")]
    assert descriptions and all("<img" not in text and "<script" not in text for text in descriptions)
    assert all("$[" not in text for text in descriptions)
    assert any("&lt;img src=x onerror=alert(1)&gt;" in text for text in descriptions)
    assert all(
        element.text == "$[description]" for element in root.iter(f"{KML}BalloonStyle") for element in element
    )
    names = [place.findtext(f"{KML}name") for place in root.iter(f"{KML}Placemark")]
    assert names[0] == HOSTILE[0] and "\u202e" not in "".join(names)


def test_vertices_in_degrees_and_minutes_and_on_the_grid(study, tmp_path):
    path = tmp_path / "zones.csv"
    write_zone_vertices(path, study)
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    of_first = [row for row in rows if row["zone"] == "1"]
    ring = shapely.get_coordinates(study.zones[0].outline)
    assert len(of_first) == len(ring)
    for row, (easting, northing) in zip(of_first, ring, strict=True):
        assert float(row["easting_m"]) == pytest.approx(easting, abs=6e-5)
        assert float(row["northing_m"]) == pytest.approx(northing, abs=6e-5)
    # Read back from degrees and minutes, every vertex lies within 0.01 m of itself.
    lat = [parse_degrees_minutes(row["latitude"]) for row in rows]
    lon = [parse_degrees_minutes(row["longitude"]) for row in rows]
    e, n = pyproj.Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(lon, lat)
    given = np.array([[float(row["easting_m"]), float(row["northing_m"])] for row in rows])
    assert np.hypot(*(np.column_stack([e, n]) - given).T).max() < 0.01
    assert (of_first[0]["latitude"], of_first[0]["longitude"]) == (
        of_first[-1]["latitude"],
        of_first[-1]["longitude"],
    )


def test_csv_holds_no_formula(tmp_path):
    study = hostile_study()
    write_zone_list(tmp_path / "list.csv", study)
    write_zone_vertices(tmp_path / "zones.csv", study)
    for name in ("list.csv", "zones.csv"):
        with (tmp_path / name).open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                assert not any(cell[:1] in ("=", "@", "+") for cell in row)
    with (tmp_path / "list.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[4]["feature"] == "'" + HOSTILE[4] and len(rows[7]["feature"]) == 10_000
    assert json.loads(rows[0]["attributes"])["remark"] == HOSTILE[0]


@pytest.fixture
def project(tmp_path):
    return make_project(tmp_path)


def files_of(folder):
    return [path.name for path in folder.iterdir()]


def test_set_appears_as_a_whole(study, project, tmp_path):
    summary = publish_zones(study, project, tmp_path / "out")
    names = files_of(tmp_path / "out")
    for name in FORMATS:
        assert f"zones.{name}" in names
    assert {"zones_list.csv", "zones_summary.json", "permit_conditions.csv"} <= set(names)
    assert summary == json.loads((tmp_path / "out" / "zones_summary.json").read_text(encoding="utf-8"))
    assert summary["zones"]["avoid"] == {"zones": 7, "in_force": 7}
    assert summary["zones"]["discourage"] == {"zones": 1, "in_force": 0}
    assert summary["conditions_hold"] is False and summary["cautions"]
    publish_zones(study, project, tmp_path / "out", formats=["csv"])
    only = files_of(tmp_path / "out")
    assert "zones.pdf" not in only and "zones.csv" in only
    assert (tmp_path / "out.previous" / "zones.pdf").is_file()


def test_set_refuses_what_it_must(study, project, tmp_path):
    with pytest.raises(SettingError, match="format must be one of"):
        publish_zones(study, project, tmp_path / "out", formats=["dwg"])
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("not yours")
    with pytest.raises(InputError, match="did not write"):
        publish_zones(study, project, tmp_path / "mine")
    assert (tmp_path / "mine" / "thesis.txt").read_text() == "not yours"


def test_without_a_line_there_are_zones_and_no_tables(project, tmp_path):
    study = replace(sample_study(), alignment=None, corridor=None, tables={})
    publish_zones(study, project, tmp_path / "out", formats=["geojson", "gpkg", "kml", "csv", "html"])
    assert not any(name.startswith("permit_") for name in files_of(tmp_path / "out"))


def test_bounding_box():
    def boxes(*corners):
        return np.array([shapely.box(*c) for c in corners], dtype=object)

    assert bounding_box(boxes((3, 50, 4, 51), (5, 49, 6, 50))) == [3.0, 49.0, 6.0, 51.0]
    assert bounding_box(boxes((179, 10, 180, 11), (-180, 10, -179, 11))) == [179.0, 10.0, -179.0, 11.0]
    assert bounding_box(np.empty(0, dtype=object)) is None
