"""Layers of any format and CRS come out as valid features on the project grid."""

from __future__ import annotations

import json
import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.errors import LayerError
from corridor.io.geometry import repair
from corridor.io.tables import LayerSettings
from corridor.io.vectors import read_layer

CRS = "EPSG:32740"
AREA = (400_000.0, 8_262_000.0, 404_000.0, 8_265_000.0)


def load(path: Path, rule: str = "avoid", area=AREA, crs: str = CRS, **keys):
    return read_layer(path, LayerSettings("things", path.name, rule, **keys), crs=crs, area_m=area)


SHAPES = [
    shapely.Point(401_000.5, 8_263_000.25),
    shapely.LineString([(401_000, 8_263_000), (402_000, 8_264_000)]),
    shapely.Polygon([(401_000, 8_263_000), (402_000, 8_263_000), (402_000, 8_264_000)]),
]


DRIVERS = {
    "a.gpkg": "GPKG",
    "a.geojson": "GeoJSON",
    "a.fgb": "FlatGeobuf",
    "a.shp": "ESRI Shapefile",
    "a.gml": "GML",
    "a.tab": "MapInfo File",
    "a.kml": "KML",
    "a.gmt": "OGR_GMT",
    "a.sqlite": "SQLite",
}


@pytest.mark.parametrize("name", DRIVERS)
@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.geom_type)
def test_formats(tmp_path, name, shape):
    """Written by GDAL; degrees where the format knows only them. Reference: the geometry itself."""
    frame = gpd.GeoDataFrame({"Name": ["Thing α"]}, geometry=[shape], crs=CRS)
    degrees = name.endswith((".kml", ".geojson"))
    (frame.to_crs(4326) if degrees else frame).to_file(tmp_path / name, driver=DRIVERS[name])
    layer = load(tmp_path / name)
    assert layer.features == ("Thing α",) and "Thing α" in layer.attributes[0].values()
    assert shapely.hausdorff_distance(layer.geometries[0], shape) < (0.02 if degrees else 1e-3)
    assert shapely.is_valid(layer.geometries).all() and not shapely.has_z(layer.geometries).any()


def test_crs_against_pyproj(tmp_path, write_layer):
    """Points of four CRS land where pyproj says."""
    easting, northing = 402_345.678, 8_263_456.789
    for number, crs in enumerate(("EPSG:4326", "EPSG:3395", "EPSG:32739", "EPSG:4979")):
        x, y = pyproj.Transformer.from_crs(CRS, crs, always_xy=True).transform(easting, northing)
        layer = load(write_layer(tmp_path / f"{number}.gpkg", [shapely.Point(x, y)], crs=crs))
        assert layer.geometries[0].distance(shapely.Point(easting, northing)) < 1e-6
        assert any(note.startswith("reprojected from EPSG:") for note in layer.notes)


def test_straight_in_degrees_is_a_curve_on_the_grid(tmp_path, write_layer):
    """A parallel 0.3 degrees long at 60 N: the sagitta is L² tan(lat) / 8 R (sphere, closed form), 40 m."""
    line = shapely.LineString([(57.0, 60.0), (57.3, 60.0)])
    layer = load(write_layer(tmp_path / "a.gpkg", [line], crs="EPSG:4326"), area=None, crs="EPSG:32640")
    ends = shapely.LineString([layer.geometries[0].coords[0], layer.geometries[0].coords[-1]])
    sagitta = ends.length**2 * math.tan(math.radians(60.0)) / 8.0 / 6_371_000.0
    assert shapely.hausdorff_distance(layer.geometries[0], ends) == pytest.approx(sagitta, rel=0.01)
    # every point of the true line lies on the reprojected one, to 3 cm (pyproj, 1,000 places)
    lon = np.linspace(57.0, 57.3, 1000)
    e, n = pyproj.Transformer.from_crs(4326, 32640, always_xy=True).transform(lon, np.full(1000, 60.0))
    assert shapely.distance(shapely.points(e, n), layer.geometries[0]).max() < 0.03


def test_crs_missing(tmp_path, write_layer):
    """Refused, unless declared; GeoJSON is WGS 84 by its standard (RFC 7946, section 4)."""
    path = write_layer(tmp_path / "a.shp", [SHAPES[0]], crs=None)
    with pytest.raises(LayerError, match=r"a\.shp has no CRS: layer 'things'; state it in the layer's table"):
        load(path)
    assert load_declared(path).geometries[0].equals(SHAPES[0])
    (tmp_path / "b.geojson").write_text(json.dumps({"type": "Point", "coordinates": [57.0, -15.7]}))
    expected = pyproj.Transformer.from_crs(4326, 32740, always_xy=True).transform(57.0, -15.7)
    assert load(tmp_path / "b.geojson").geometries[0].coords[0] == pytest.approx(expected, abs=1e-6)


def load_declared(path: Path):
    return read_layer(path, LayerSettings("things", path.name, "avoid", crs=CRS), crs=CRS)


def test_contradicting_crs(tmp_path, write_layer):
    path = write_layer(tmp_path / "a.gpkg", [SHAPES[0]], crs="EPSG:32739")
    with pytest.raises(LayerError, match="contradicts"):
        load_declared(path)


def test_tables_and_filters(tmp_path, write_layer):
    """One table of several, chosen by name; features chosen by attribute, as GDAL's own reader does."""
    points = [shapely.Point(401_000 + 100 * i, 8_263_000) for i in range(6)]
    path = write_layer(tmp_path / "a.gpkg", points, layer="wrecks", name=list("abcdef"), depth=range(6))
    write_layer(path, [SHAPES[1]], layer="cables", name=["c"])
    with pytest.raises(LayerError, match=r"table is required, a\.gpkg holds wrecks, cables"):
        load(path)
    with pytest.raises(LayerError, match=r"table must be one of wrecks, cables \(got 'pipes'\)"):
        load(path, table="pipes")
    layer = load(path, table="wrecks", where="depth >= 4 OR name = 'a'")
    reference = pyogrio.read_dataframe(path, layer="wrecks", where="depth >= 4 OR name = 'a'")
    assert list(layer.features) == reference["name"].tolist() == ["a", "e", "f"]
    assert len(load(path, table="wrecks", where="depth > 100")) == 0
    for wrong in ("nosuch = 1", "depth >"):
        with pytest.raises(LayerError, match="check the filter where"):
            load(path, table="wrecks", where=wrong)
    assert load(path, table="wrecks", where="depth = 1; DROP TABLE wrecks").features == ("b",)
    assert len(load(path, table="wrecks")) == 6


def test_standoff_from_attributes(tmp_path, write_layer):
    points = [shapely.Point(401_000 + 100 * i, 8_263_000) for i in range(3)]
    columns = {"name": ["a", "b", "c"], "keep": [50.0, 75.0, 0.0], "quality": ["5", "10.5", "0"]}
    path = write_layer(tmp_path / "a.gpkg", points, **columns)
    layer = load(path, standoff_m="keep", position_uncertainty_m="quality")
    assert layer.standoff_m.tolist() == [50.0, 75.0, 0.0]
    assert layer.position_uncertainty_m.tolist() == [5.0, 10.5, 0.0]
    assert load(path, standoff_m=30.0).standoff_m.tolist() == [30.0] * 3
    with pytest.raises(
        LayerError, match=r"standoff_m must be a number or an attribute \(got 'kept'\).*name, keep"
    ):
        load(path, standoff_m="kept")


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf, None, "wide", ""])
def test_standoff_that_is_no_length_names_the_feature(tmp_path, write_layer, bad):
    points = [shapely.Point(401_000 + 100 * i, 8_263_000) for i in range(2)]
    good = "50" if isinstance(bad, str) else 50.0
    path = write_layer(tmp_path / "a.gpkg", points, name=["fine", "Wreck B"], keep=[good, bad])
    with pytest.raises(
        LayerError, match=r"standoff_m of feature 'Wreck B' must be a finite number >= 0 \(got "
    ):
        load(path, standoff_m="keep")


def test_feature_names(tmp_path, write_layer):
    """A name attribute in any case, else an id, else layer and number."""
    points = [shapely.Point(401_000 + 100 * i, 8_263_000) for i in range(3)]
    path = write_layer(tmp_path / "a.gpkg", points, OBJNAM=["Old ship", None, " "], ID=[7.0, 8.0, math.nan])
    assert load(path).features == ("Old ship", "8", "things #3")


def test_hostile_names_stay_as_they_are(tmp_path, write_layer):
    """Reading neither runs nor changes them; publishers escape."""
    names = ["{{ 7 * 7 }}", "<img onerror=alert(1)>", "=1+1", "{% x", "a" * 10_000, "'; DROP TABLE x; --"]
    points = [shapely.Point(401_000 + 100 * i, 8_263_000) for i in range(len(names))]
    layer = load(write_layer(tmp_path / "a.gpkg", points, name=names))
    assert list(layer.features) == names
    assert [attributes["name"] for attributes in layer.attributes] == names


def test_self_crossing_polygons_are_repaired_and_said_so(tmp_path, write_layer):
    """A bow tie keeps both lobes (by hand: two triangles of 2,500 m²); so does ground gone round twice."""
    bow_tie = shapely.Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    path = write_layer(
        tmp_path / "a.gpkg", [shapely.affinity.translate(bow_tie, 401_000, 8_263_000)], name=["reef"]
    )
    layer = load(path)
    assert layer.geometries[0].is_valid and layer.geometries[0].area == pytest.approx(5000.0)
    assert any("feature 'reef' repaired (Self-intersection" in note for note in layer.notes)
    # the outline overlaps itself in a square of 6 x 6: it must not become a hole
    twice = [(0, 0), (10, 0), (10, 10), (0, 10), (0, 4), (6, 4), (6, 12), (-2, 12), (-2, 0)]
    ring = shapely.Polygon(twice)
    assert not ring.is_valid
    (mended,), _, faults = repair(np.array([shapely.to_wkb(ring)], dtype=object), ("x",))
    assert not faults and mended.contains(shapely.Point(3, 7))
    # the outline runs out and back along one side: the triangle of 1 m² is still there
    spike = shapely.Polygon([(0, 2), (1, 2), (0, 2), (0, 0), (1, 2)])
    (mended,), _, faults = repair(np.array([shapely.to_wkb(spike)], dtype=object), ("x",))
    assert not faults and mended.area == pytest.approx(1.0)
    # the same within a collection, beside a line
    mixed = shapely.GeometryCollection([spike, shapely.LineString([(5, 5), (6, 7)])])
    (mended,), _, faults = repair(np.array([shapely.to_wkb(mixed)], dtype=object), ("x",))
    assert not faults and mended.area == pytest.approx(1.0) and len(mended.geoms) == 2
    # a bow tie with a hole across the side of one lobe, beside an overlapping square: by hand
    lobes, hole = [(0, 0), (10, 10), (10, 0), (0, 10)], [(9, 4), (9, 6), (12, 6), (12, 4)]
    several = shapely.MultiPolygon([(lobes, [hole]), ([(-2, 4), (1, 4), (1, 6), (-2, 6)], [])])
    (mended,), _, faults = repair(np.array([shapely.to_wkb(several)], dtype=object), ("x",))
    assert not faults and mended.area == pytest.approx(50.0 - 2.0 + 6.0 - 2.0)


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=4, max_size=12))
@settings(max_examples=200, deadline=None)
def test_repair_keeps_every_point_that_the_ring_goes_round(points):
    """Whatever the ring: the result is valid and holds all ground with a winding number other than 0.

    Reference: the winding number, summed from angles.
    """
    ring = shapely.Polygon(points)
    (mended,), _, faults = repair(np.array([shapely.to_wkb(ring)], dtype=object), ("x",))
    x, y = np.meshgrid(np.arange(20) + 0.37, np.arange(20) + 0.61)
    corners = np.array([*points, points[0]], dtype=float)
    angle = np.arctan2(corners[:, 1, None] - y.ravel(), corners[:, 0, None] - x.ravel())
    turns = np.diff(angle, axis=0)
    winding = np.round(((turns + np.pi) % (2 * np.pi) - np.pi).sum(axis=0) / (2 * np.pi))
    away = shapely.distance(shapely.points(x.ravel(), y.ravel()), shapely.LineString(corners)) > 1e-9
    if faults:
        assert not winding[away].any()
        return
    assert mended.is_valid
    held = shapely.contains_xy(mended, x.ravel(), y.ravel())
    assert held[(winding != 0) & away].all()
    assert not held[(winding == 0) & away].any()


def test_polygons_that_enclose_nothing_are_refused(tmp_path, write_layer):
    """Empty, collapsed to a line, two corners: each is named."""
    flat = shapely.Polygon([(401_000, 8_263_000), (401_100, 8_263_000), (401_050, 8_263_000)])
    path = write_layer(
        tmp_path / "a.gpkg", [SHAPES[2], shapely.Polygon(), flat], name=["good", "void", "thin"]
    )
    with pytest.raises(LayerError) as caught:
        load(path)
    first, second = caught.value.faults
    assert first.startswith("feature 'void' is empty") and "layer 'things'" in first
    assert second.startswith("feature 'thin' encloses nothing")
    two = {"type": "Polygon", "coordinates": [[[57.0, -15.7], [57.1, -15.7]]]}
    (tmp_path / "b.geojson").write_text(
        json.dumps({"type": "Feature", "properties": {"name": "stub"}, "geometry": two})
    )
    with pytest.raises(LayerError, match="'stub' encloses nothing"):
        load(tmp_path / "b.geojson")


def test_ring_not_closed_is_closed_and_said_so(tmp_path):
    triangle = {"type": "Polygon", "coordinates": [[[57.0, -15.7], [57.01, -15.7], [57.01, -15.69]]]}
    (tmp_path / "a.geojson").write_text(
        json.dumps({"type": "Feature", "properties": {"name": "open"}, "geometry": triangle})
    )
    layer = load(tmp_path / "a.geojson", area=None)
    assert layer.geometries[0].area > 0 and any("ring not closed" in note for note in layer.notes)


def test_coordinates_that_are_no_numbers(tmp_path, write_layer):
    with np.errstate(invalid="ignore"):
        line = shapely.LineString([(0, 0), (math.nan, 1)])
    path = write_layer(tmp_path / "a.gpkg", [line], name=["odd"])
    with pytest.raises(LayerError, match="feature 'odd' has coordinates that are not finite"):
        load(path)


def test_missing_geometry_is_counted(tmp_path, write_layer):
    layer = load(write_layer(tmp_path / "a.gpkg", [SHAPES[0], None, None], name=["a", "b", "c"]))
    assert layer.features == ("a",) and "2 features without geometry left out" in layer.notes


def test_mixed_kinds_and_collections(tmp_path, write_layer):
    """Kinds stay together in a layer; a collection becomes one part of each kind under one name."""
    collection = shapely.GeometryCollection([*SHAPES, shapely.Point(401_500, 8_263_500)])
    layer = load(write_layer(tmp_path / "a.gpkg", [*SHAPES, collection], name=["p", "l", "a", "mix"]))
    assert layer.features == ("p", "l", "a", "mix", "mix", "mix")
    kinds = [geometry.geom_type for geometry in layer.geometries]
    assert kinds == ["Point", "LineString", "Polygon", "MultiPoint", "LineString", "Polygon"]
    assert shapely.union_all(layer.geometries[3:]).equals(shapely.union_all(collection.geoms))


def test_rules_act_on_the_kinds_they_can(tmp_path, write_layer):
    """A point cannot be crossed, a line not be stayed within: left out and said so."""
    path = write_layer(tmp_path / "a.gpkg", SHAPES, name=["p", "l", "a"])
    assert load(path, "cross").features == ("l",)
    assert load(path, "stay_within").features == ("a",)
    assert load(path, "discourage", factor=2.0).features == ("a",)
    assert load(path, "discourage", factor=2.0, standoff_m=50.0).features == ("p", "l", "a")
    assert any("'p' first) on which rule 'cross' cannot act" in note for note in load(path, "cross").notes)
    with pytest.raises(LayerError, match="rule 'stay_within' needs polygons"):
        load(write_layer(tmp_path / "b.gpkg", SHAPES[:2], name=["p", "l"]), "stay_within")


def test_heights_and_curves_are_flattened(tmp_path, write_layer):
    """Z goes; a circle of arcs becomes a polygon of its area, pi r² to 0.1 % (closed form)."""
    path = write_layer(tmp_path / "a.gpkg", [shapely.LineString([(0, 0, 5), (1, 1, 6)])])
    assert not load(path).geometries[0].has_z
    north, south = "401100 8263100, 401200 8263000", "401100 8262900, 401000 8263000"
    circle = f"CURVEPOLYGON(CIRCULARSTRING(401000 8263000, {north}, {south}))"
    (tmp_path / "b.csv").write_text(f'name,WKT\nround,"{circle}"\n')
    round_one = load_declared(tmp_path / "b.csv").geometries[0]
    assert round_one.area == pytest.approx(math.pi * 100.0**2, rel=1e-3)


def test_zone_across_the_antimeridian(tmp_path):
    """A zone drawn from 179.9 E to 179.9 W is 0.2 degrees wide, not 359.8.

    Reference: the geodesic area by pyproj (GeographicLib).
    """
    ring = [[179.9, -17.0], [-179.9, -17.0], [-179.9, -16.9], [179.9, -16.9], [179.9, -17.0]]
    feature = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    (tmp_path / "a.geojson").write_text(json.dumps(feature))
    e, n = pyproj.Transformer.from_crs(4326, 32760, always_xy=True).transform(179.95, -16.95)
    area = (e - 5000, n - 5000, e + 5000, n + 5000)
    layer = load(tmp_path / "a.geojson", area=area, crs="EPSG:32760")
    expected, _ = pyproj.Geod(ellps="WGS84").polygon_area_perimeter(
        *zip(*[(179.9, -17), (180.1, -17), (180.1, -16.9), (179.9, -16.9)], strict=True)
    )
    assert layer.geometries[0].area == pytest.approx(abs(expected), rel=5e-3)
    assert layer.geometries[0].covers(shapely.Point(e, n))


def test_the_whole_world_is_cut_to_the_project(tmp_path):
    """Natural Earth's countries (public domain, in pyogrio's wheel): the far side cannot be projected.

    Reference: within the project area, geopandas' own reprojection of the near countries.
    """
    path = Path(pyogrio.__file__).parent / "tests/fixtures/naturalearth_lowres/naturalearth_lowres.shp"
    near = pyproj.Transformer.from_crs(4326, 32632, always_xy=True).transform(8.0, 47.0)
    area = (near[0] - 50_000, near[1] - 50_000, near[0] + 50_000, near[1] + 50_000)
    layer = load(path, "jurisdiction", area=area, crs="EPSG:32632")
    assert "Switzerland" in layer.features and "Fiji" not in layer.features
    assert any("cut to the surroundings" in note for note in layer.notes)
    frame = gpd.read_file(path)
    swiss = frame[frame["name"] == "Switzerland"].to_crs(32632).geometry.iloc[0]
    own = layer.geometries[layer.features.index("Switzerland")]
    assert own.symmetric_difference(swiss).area < 0.002 * swiss.area


def test_the_other_side_of_the_earth_is_left_out(tmp_path, write_layer):
    points = [shapely.Point(-123.0, 15.7), shapely.Point(56.08, -15.71)]
    layer = load(write_layer(tmp_path / "a.gpkg", points, crs="EPSG:4326", name=["antipode", "here"]))
    assert layer.features == ("here",) and "1 features far from the project left out" in layer.notes


def test_attributes_are_plain(tmp_path, write_layer):
    """Numbers, text and None, whatever numpy or the format calls them: they go into JSON as they are."""
    stamps = np.array(["2024-05-06T07:08:09", "NaT"], dtype="datetime64[ms]")
    columns = {
        "whole": [1, 2],
        "real": [0.5, math.nan],
        "flag": [True, False],
        "when": stamps,
        "text": ["x", None],
    }
    layer = load(write_layer(tmp_path / "a.gpkg", SHAPES[:2], **columns))
    assert layer.attributes[0]["whole"] == 1 and layer.attributes[0]["real"] == 0.5
    assert layer.attributes[1]["real"] is None and layer.attributes[1]["text"] is None
    assert str(layer.attributes[0]["when"]).startswith("2024-05-06T07:08:09")
    json.dumps(list(layer.attributes), allow_nan=False)


def test_further_keys_travel_with_the_layer(tmp_path, write_layer):
    keys = {"season": "04-01/09-30", "authority": "Port", "owner": "Nobody Ltd", "diameter_m": 0.4}
    path = write_layer(tmp_path / "a.gpkg", [SHAPES[0]], name=["a"])
    layer = load(path, needs_consent=True, publish_columns=("name",), **keys)
    assert layer.needs_consent and layer.settings == {**keys, "publish_columns": ("name",)}
    with pytest.raises(LayerError, match="publish_columns names 'phone', which is no attribute"):
        load(path, publish_columns=("phone",))


def test_files_that_are_no_layers(tmp_path):
    (tmp_path / "a.geojson").write_text("no JSON at all")
    (tmp_path / "b.gpkg").write_bytes(b"")
    (tmp_path / "c.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    for name, words in (("a.geojson", "cannot be read"), ("b.gpkg", "empty"), ("d.gpkg", "there is none at")):
        with pytest.raises(LayerError, match=words):
            load(tmp_path / name)
    assert len(load(tmp_path / "c.geojson")) == 0


def test_table_without_geometry(tmp_path):
    """A spreadsheet saved as GeoPackage table has no place on the seabed."""
    pyogrio.write_dataframe(gpd.pd.DataFrame({"name": ["a"]}), tmp_path / "a.gpkg", driver="GPKG")
    with pytest.raises(LayerError, match="has no geometry"):
        load(tmp_path / "a.gpkg")
