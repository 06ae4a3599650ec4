"""A line handed in is read as it is meant, or refused with file, row, column and value."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from corridor.errors import AlignmentError
from corridor.io.alignment_file import read_alignment

CRS = "EPSG:32740"
GOOD = """point,easting_m,northing_m,radius_m
START,400000.0000,8262000.0000,
IP1,402000.5000,8263000.2500,1500.0000
IP2,404000.0000,8262000.0000,2000.0000
END,406000.0000,8263000.0000,
"""


def write(tmp_path, text: str, name: str = "alignment.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_first_four_columns_suffice(tmp_path):
    line = read_alignment(write(tmp_path, GOOD), CRS)
    assert line.names == ("START", "IP1", "IP2", "END") and line.crs == CRS
    assert line.easting_m.tolist() == [400_000.0, 402_000.5, 404_000.0, 406_000.0]
    assert line.northing_m.tolist() == [8_262_000.0, 8_263_000.25, 8_262_000.0, 8_263_000.0]
    assert line.radius_m[1:3].tolist() == [1500.0, 2000.0] and np.isnan(line.radius_m[[0, 3]]).all()


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_column_order_mark_delimiter_and_more_columns(tmp_path, delimiter):
    rows = [line.split(",") for line in GOOD.strip().splitlines()]
    turned = [[f"note {i}", row[3], row[2], row[1], row[0]] for i, row in enumerate(rows)]
    turned[0] = ["remark", " Radius_m", "NORTHING_M", "easting_m ", "point"]
    text = "\ufeff# comment\r\n" + "\r\n".join(delimiter.join(row) for row in turned) + "\r\n\r\n"
    line = read_alignment(write(tmp_path, text), CRS)
    assert line.easting_m.tolist() == [400_000.0, 402_000.5, 404_000.0, 406_000.0]
    assert line.radius_m[1:3].tolist() == [1500.0, 2000.0]


@given(
    st.lists(
        st.tuples(st.floats(1e5, 9e5), st.floats(0, 1e7), st.floats(0.0, 1e5)),
        min_size=2,
        max_size=8,
        unique_by=lambda p: (round(p[0]), round(p[1])),
    )
)
@settings(max_examples=60, deadline=None)
def test_round_trip(tmp_path_factory, points):
    """What is written with repr comes back bit for bit."""
    last = len(points) - 1
    rows = ["point,easting_m,northing_m,radius_m"]
    for i, (e, n, r) in enumerate(points):
        name = "START" if i == 0 else "END" if i == last else f"IP{i}"
        rows.append(f"{name},{e!r},{n!r},{'' if i in (0, last) else repr(r)}")
    path = tmp_path_factory.mktemp("line") / "alignment.csv"
    path.write_text("\n".join(rows))
    line = read_alignment(path, CRS)
    assert line.easting_m.tolist() == [p[0] for p in points]
    assert line.radius_m[1:-1].tolist() == [p[2] for p in points[1:-1]]


def test_missing_radius(tmp_path):
    """The stated default, or a sharp corner that the assessment reports."""
    path = write(tmp_path, GOOD.replace(",1500.0000", ","))
    assert read_alignment(path, CRS).radius_m[1:3].tolist() == [0.0, 2000.0]
    assert read_alignment(path, CRS, 900.0).radius_m[1:3].tolist() == [900.0, 2000.0]
    with pytest.raises(AlignmentError, match="default radius must be"):
        read_alignment(path, CRS, -1.0)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("402000.5000", "east", "easting_m must be a finite number (got 'east'): alignment.csv, row 3"),
        ("8263000.2500", "", "northing_m must be a finite number (got ''): alignment.csv, row 3"),
        ("8263000.2500", "nan", "northing_m must be a finite number (got 'nan'): alignment.csv, row 3"),
        ("1500.0000", "-1500", "radius_m must be >= 0 (got '-1500'): alignment.csv, row 3"),
        ("1500.0000", "inf", "radius_m must be a finite number (got 'inf'): alignment.csv, row 3"),
        ("8262000.0000,\n", "8262000.0000,700\n", "radius_m must be empty at START and END (got '700')"),
        ("IP2,", "END,", "point 'END' stands in the wrong place (point 3 of 4): alignment.csv, row 4"),
        ("404000.0000,8262000.0000", "402000.5000,8263000.2500", "repeat the row above (within 0.001 m)"),
        ("northing_m", "north", "lacks the column northing_m (it has point, easting_m, north, radius_m)"),
        (GOOD, "", "alignment.csv is empty"),
        (GOOD[GOOD.index("IP1") :], "", "alignment.csv needs START and END (got 1 rows of points)"),
    ],
)  # fmt: skip
def test_faults_name_row_column_and_value(tmp_path, old, new, message):
    assert old in GOOD
    with pytest.raises(AlignmentError) as caught:
        read_alignment(write(tmp_path, GOOD.replace(old, new, 1)), CRS)
    assert any(message in fault for fault in caught.value.faults), caught.value.faults


def test_every_fault_of_a_file(tmp_path):
    text = GOOD.replace("402000.5000", "x").replace("2000.0000\nEND", "y\nEND").replace("406000.0000", "z")
    with pytest.raises(AlignmentError) as caught:
        read_alignment(write(tmp_path, text), CRS)
    assert len(caught.value.faults) == 3


def test_text_that_is_no_table(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(AlignmentError, match=r"a\.csv is not UTF-8"):
        read_alignment(tmp_path / "a.csv", CRS)
    with pytest.raises(AlignmentError, match="is not CSV"):
        read_alignment(write(tmp_path, GOOD + '"open,1,2,3\n', "b.csv"), CRS)
    with pytest.raises(AlignmentError, match="alignment must be an existing file"):
        read_alignment("/vsicurl/http://example.invalid/a.csv", CRS)


VERTICES = [
    (400_000.0, 8_262_000.0),
    (402_000.0, 8_263_000.0),
    (404_000.0, 8_262_000.0),
    (406_000.0, 8_263_000.0),
]


@pytest.mark.parametrize("name", ["a.gpkg", "a.shp", "a.geojson", "a.fgb"])
def test_line_of_a_vector_file(tmp_path, write_layer, name):
    """Vertices become IPs; those on a straight, and doubled ones, are none. Points do not matter."""
    more = [VERTICES[0], (401_000.0, 8_262_500.0), VERTICES[1], VERTICES[1], *VERTICES[2:]]
    others = [] if name.endswith((".shp", ".fgb")) else [shapely.Point(1.0, 2.0)]
    line = read_alignment(write_layer(tmp_path / name, [shapely.LineString(more), *others]), CRS, 800.0)
    np.testing.assert_allclose(np.column_stack([line.easting_m, line.northing_m]), VERTICES, atol=1e-6)
    assert line.radius_m[1:3].tolist() == [800.0, 800.0]
    assert read_alignment(tmp_path / name, CRS).radius_m[1:3].tolist() == [0.0, 0.0]


def test_line_in_degrees(tmp_path, write_layer):
    """Reference: pyproj."""
    lon, lat = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True).transform(*np.transpose(VERTICES))
    path = write_layer(
        tmp_path / "a.gpkg", [shapely.LineString(np.column_stack([lon, lat]))], crs="EPSG:4326"
    )
    line = read_alignment(path, CRS)
    np.testing.assert_allclose(np.column_stack([line.easting_m, line.northing_m]), VERTICES, atol=1e-4)


def test_line_in_pieces_keeps_its_direction(tmp_path, write_layer):
    """Pieces that meet end to end are one line, in the direction drawn."""
    pieces = shapely.MultiLineString([VERTICES[:2], VERTICES[1:3], VERTICES[2:]])
    for number, shape in enumerate((pieces, shapely.MultiLineString([VERTICES]))):
        line = read_alignment(write_layer(tmp_path / f"{number}.gpkg", [shape]), CRS)
        assert (line.easting_m[0], line.easting_m[-1]) == (400_000.0, 406_000.0)
        assert line.bends == 2
    apart = shapely.MultiLineString([VERTICES[:2], VERTICES[2:]])
    with pytest.raises(AlignmentError, match=r"must be one line \(got 2 pieces apart\)"):
        read_alignment(write_layer(tmp_path / "apart.gpkg", [apart]), CRS)


def test_exactly_one_line(tmp_path, write_layer):
    two = write_layer(
        tmp_path / "a.gpkg",
        [shapely.LineString(VERTICES[:2]), shapely.LineString(VERTICES[2:])],
        name=["old", "new"],
    )
    with pytest.raises(AlignmentError, match=r"exactly one line \(got 2: 'old' in a, 'new' in a\)"):
        read_alignment(two, CRS)
    none = write_layer(tmp_path / "b.gpkg", [shapely.Point(VERTICES[0])])
    with pytest.raises(AlignmentError, match=r"exactly one line \(got 0: none\)"):
        read_alignment(none, CRS)
    loop = write_layer(tmp_path / "c.gpkg", [shapely.LineString([*VERTICES, VERTICES[0]])])
    with pytest.raises(AlignmentError, match="begins where it ends"):
        read_alignment(loop, CRS)
    bare = write_layer(tmp_path / "d.shp", [shapely.LineString(VERTICES)], crs=None)
    with pytest.raises(AlignmentError, match="has no CRS"):
        read_alignment(bare, CRS)
    (tmp_path / "e.geojson").write_text("nonsense")
    with pytest.raises(AlignmentError, match="cannot be read"):
        read_alignment(tmp_path / "e.geojson", CRS)
