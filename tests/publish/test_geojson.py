"""GeoJSON against RFC 7946 (read: sections 3.1.6, 3.1.9, 4, 5, 6.1) and GDAL as an outside reader."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely

from corridor.model.alignment import Alignment
from corridor.publish.geojson import (
    feature,
    point_features,
    route_features,
    span_features,
    split_line,
    to_degrees,
    write_geojson,
)
from corridor.publish.lines import polyline
from corridor.routing.chainage import station_of
from corridor.routing.geometry import elements


@pytest.fixture
def route(study, a_stamp, tmp_path: Path) -> Path:
    path = tmp_path / "route.geojson"
    features = route_features(study.alignment, study.assessment.points, study.assessment.length_m)
    write_geojson(path, features, a_stamp)
    return path


def test_the_route_reads_in_gdal_and_lies_on_the_line(route: Path, study) -> None:
    frame = pyogrio.read_dataframe(route)
    assert frame.crs.to_epsg() == 4326
    assert list(frame.geom_type) == ["LineString", "Point", "Point", "Point", "Point"]
    line = frame.to_crs(study.alignment.crs).geometry[0]
    # The contract: arcs densified so that the line strays < 0.05 m, between its vertices too.
    places = shapely.get_coordinates(shapely.segmentize(line, 20.0))
    _, offset = station_of(elements(study.alignment), places[:, 0], places[:, 1])
    assert np.abs(offset).max() < 0.05
    assert line.length == pytest.approx(study.assessment.length_m, abs=0.02)


def test_long_straights_are_cut_where_degrees_would_bend_them() -> None:
    line = Alignment.from_points([(300000.0, 8000000.0), (700000.0, 8000100.0)], [], "EPSG:32740")
    chain = polyline(line)
    back = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32740", always_xy=True)
    lon, lat = (chain.degrees[1:] + chain.degrees[:-1]).T / 2.0
    _, offset = station_of(elements(line), *back.transform(lon, lat))
    assert len(chain) > 50 and np.abs(offset).max() < 0.05


def test_polygons_turn_by_the_right_hand_rule() -> None:
    clockwise = shapely.Polygon(
        [(0, 0), (0, 1), (1, 1), (1, 0)], holes=[[(0.2, 0.2), (0.8, 0.2), (0.8, 0.8)]]
    )
    outer, hole = feature(clockwise, {})["geometry"]["coordinates"]
    assert shapely.LinearRing(outer).is_ccw and not shapely.LinearRing(hole).is_ccw
    several = feature(shapely.MultiPolygon([clockwise]), {})["geometry"]["coordinates"]
    assert shapely.LinearRing(several[0][0]).is_ccw


def test_a_line_across_180_degrees_is_split() -> None:
    # EPSG:32660 (UTM 60N) reaches past 180 degrees east of its zone.
    line = Alignment.from_points([(800000.0, 1000.0), (900000.0, 1000.0)], [], "EPSG:32660")
    shape = split_line(polyline(line).degrees)
    assert shape.geom_type == "MultiLineString" and len(shape.geoms) == 2
    coordinates = shapely.get_coordinates(shape)
    assert np.abs(coordinates[:, 0]).max() <= 180.0
    assert {180.0, -180.0} <= set(np.round(coordinates[:, 0], 9))
    for part in shape.geoms:
        assert np.abs(np.diff(shapely.get_coordinates(part)[:, 0])).max() < 1.0


def test_a_line_that_starts_beyond_180_degrees_is_split_too() -> None:
    line = Alignment.from_points([(900000.0, 1000.0), (800000.0, 1000.0)], [], "EPSG:32660")
    shape = split_line(polyline(line).degrees)
    assert shape.geom_type == "MultiLineString"
    assert np.abs(shapely.get_coordinates(shape)[:, 0]).max() <= 180.0


def test_a_polygon_across_180_degrees_is_split_and_keeps_its_area() -> None:
    box = shapely.box(800000.0, 10000.0, 900000.0, 60000.0)
    shape = to_degrees(box, "EPSG:32660")
    assert shape.geom_type == "MultiPolygon"
    back = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32660", always_xy=True)
    area = sum(
        shapely.transform(part, lambda xy: np.column_stack(back.transform(*xy.T))).area
        for part in shape.geoms
    )
    assert area == pytest.approx(box.area, rel=1e-4)


def test_nan_becomes_null_and_the_text_is_strict_json(study, a_stamp, tmp_path: Path) -> None:
    path = tmp_path / "spans.geojson"
    write_geojson(path, span_features(study.assessment.spans, study.alignment), a_stamp)
    text = path.read_text(encoding="utf-8")

    def refuse(word: str) -> float:
        raise AssertionError(f"{word} in JSON")

    content = json.loads(text, parse_constant=refuse)
    assert content["features"][0]["properties"]["probability"] is None
    assert content["provenance"]["revision"] == "B" and "crs" not in content  # RFC 7946, section 4
    assert len(content["features"]) == len(study.assessment.spans["span"])


def test_values_equal_the_csv_values(study, a_stamp, tmp_path: Path) -> None:
    feature_list = point_features(study.assessment.chainage)
    assert feature_list[3]["properties"]["kp_km"] == round(float(study.assessment.chainage["kp_km"][3]), 6)
    lon, lat = feature_list[3]["geometry"]["coordinates"]
    assert (lon, lat) == (
        feature_list[3]["properties"]["longitude_deg"],
        feature_list[3]["properties"]["latitude_deg"],
    )


def test_hostile_names_stay_text(hostile_study, a_stamp, tmp_path: Path) -> None:
    path = tmp_path / "c.geojson"
    write_geojson(path, point_features(hostile_study.assessment.crossings), a_stamp)
    names = [f["properties"]["feature"] for f in json.loads(path.read_text(encoding="utf-8"))["features"]]
    assert names == list(hostile_study.assessment.crossings["feature"])
