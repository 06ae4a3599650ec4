"""A project file reads whole, or every fault of it is named at once."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import rasterio
import shapely

from corridor.errors import InputError, SettingError
from corridor.io import tables
from corridor.io.describe import describe
from corridor.io.project import output_faults, read_project
from corridor.io.tables import build_table
from corridor.model.project import OutputSettings
from corridor.model.rules import RouteRules


def faults_of(file) -> tuple[str, ...]:
    """The faults of a project file, and the error's exit code."""
    with pytest.raises(InputError) as caught:
        read_project(file)
    assert caught.value.exit_code == 3
    return caught.value.faults


def test_a_whole_project(project_folder):
    project = read_project(project_folder / "project.toml")
    assert (project.name, project.crs, project.vertical_datum) == ("Invented line", "EPSG:32740", "LAT")
    assert project.seabed.surfaces[0].grid.shape == (150, 200) and project.seabed.vertical_datum == "LAT"
    assert project.layer("wrecks").features == ("Wreck A",)
    assert project.rules.min_bend_radius_m == 500.0 and project.rules.depth_range_m == (8.0, 450.0)
    assert (project.start.easting, project.end.easting) == (400_500.0, 403_500.0)
    assert [source.file for source in project.inputs] == ["project.toml", "seabed.tif", "wrecks.gpkg"]
    assert project.out_folder == project_folder / "out" and not project.out_folder.exists()
    assert project.warnings == ()
    json.dumps(project.settings)


def test_every_fault_at_once(edit):
    """Nine unrelated faults, nine messages, each with its place."""
    file = edit(
        ("min_bend_radius_m = 500", "min_bend_radius_m = -5.0\nmin_bend_raduis_m = 5"),
        ("max_slope_along_deg = 12", 'max_slope_along_deg = "steep"'),
        ("max_slope_across_deg = 8", "max_slope_across_deg = nan"),
        ('file = "seabed.tif"', 'file = "https://example.invalid/seabed.tif"'),
        ('file = "wrecks.gpkg"', 'file = "gone.gpkg"'),
        ("northing = 8263500}\nend", "northing = inf}\nend"),
        ('vertical_datum = "LAT"', 'vertical_datum = "LAT"\ncolour = "blue"'),
        append='\n[rates]\npipe = "dear"\n',
    )
    faults = faults_of(file)
    expected = [
        "unknown key 'min_bend_raduis_m': [route] in project.toml; did you mean 'min_bend_radius_m'?",
        "min_bend_radius_m must be > 0 (got -5.0): [route] in project.toml; give the least radius",
        "max_slope_along_deg must be a number (got 'steep'): [route] in project.toml",
        "max_slope_across_deg must be a finite number (got nan): [route] in project.toml",
        "northing must be a finite number (got inf): start of [route] in project.toml",
        "unknown key 'colour': [project] in project.toml; known keys are crs, name, vertical_datum",
        "file must be an existing file on this computer (got 'https://example.invalid/seabed.tif'), not an",
        "file must be an existing file on this computer (got 'gone.gpkg'); there is none at",
        "pipe must be a finite number (got 'dear'): [rates] in project.toml",
    ]
    for text in expected:
        assert sum(fault.startswith(text) for fault in faults) == 1, (text, faults)
    assert len(faults) == len(expected)


KEYS = [
    ('crs = "EPSG:32740"', "", "crs is required and missing: [project] in project.toml"),
    ('name = "Invented line"', "", "name is required and missing: [project]"),
    ('values = "elevation"', "", "values is required and missing: [[seabed]] 'seabed.tif'"),
    ('values = "elevation"', 'values = "height"', "values must be one of elevation, depth (got 'height')"),
    ('rule = "avoid"', 'rule = "skirt"', "rule must be one of avoid, discourage, cross, stay_within"),
    ('rule = "avoid"', 'rule = "discourage"', "factor is required with rule = 'discourage'"),
    ('rule = "avoid"', 'rule = "discourage"\nfactor = 0.5', "factor must be >= 1 (got 0.5)"),
    ("standoff_m = 100", "standoff_m = -1", "standoff_m must be >= 0 (got -1.0): [[layer]] 'wrecks'"),
    ("standoff_m = 100", "standoff_m = true", "standoff_m must be a number or text (got True)"),
    ("standoff_m = 100", 'standoff_m = "width"', "standoff_m must be a number or an attribute (got 'width')"),
    ("min_bend_radius_m = 500", "", "min_bend_radius_m is required and missing: [route]"),
    ("min_bend_radius_m = 500", "min_bend_radius_m = 0", "min_bend_radius_m must be > 0 (got 0.0)"),
    ("[8, 450]", "[450, 8]", "depth_range_m must be two numbers, shallow before deep"),
    ("[8, 450]", '["a", "b"]', "depth_range_m must be a list of finite numbers (got ['a', 'b'])"),
    ("[8, 450]", "[8, nan]", "depth_range_m must be a list of finite numbers"),
    ("lay_tolerance_m = 10", 'tie_in_layers = "wrecks"', "tie_in_layers must be a list (got 'wrecks')"),
    ("lay_tolerance_m = 10", "tie_in_layers = [3]", "tie_in_layers must be a list of texts (got [3])"),
    ("lay_tolerance_m = 10", 'tie_in_layers = ["x"]', "tie_in_layers names 'x', which is no layer: [route]"),
    ("start = {easting = 400500, northing = 8263500}", "", "start is required and missing: [route]"),
    ("start = {easting = 400500,", "start = {east = 400500,", "unknown key 'east': start of [route]"),
    ("end = {easting = 403500, northing = 8263500}", "end = 5", "end must be a table (got 5): [route]"),
    ("lay_tolerance_m = 10", "via = {easting = 1}", "via must be a list of positions"),
    ("[route]", "[route]\nwhatever = 1", "unknown key 'whatever': [route] in project.toml; known keys are"),
    (
        "[[layer]]",
        "[layer]",
        "layer must be a list of tables: project.toml; write [[layer]] with double brackets",
    ),
    ("[project]", "[speed]\nx = 1\n[project]", "unknown key 'speed': project.toml; known keys are"),
    ('crs = "EPSG:32740"', 'crs = "EPSG:99"', "crs 'EPSG:99' is not known"),
    ('crs = "EPSG:32740"', "crs = 32740", "crs must be text (got 32740)"),
]


@pytest.mark.parametrize(("old", "new", "message"), KEYS)
def test_each_key(edit, old, new, message):
    faults = faults_of(edit((old, new)))
    assert any(fault.startswith(message) for fault in faults), faults


@pytest.mark.parametrize(
    ("crs", "message"),
    [
        ("EPSG:4326", "in metres, with eastings to the east (got 'EPSG:4326', degrees)"),
        ("EPSG:2277", "US survey foot"),
        ("EPSG:4978", "Geocentric CRS"),
        ("EPSG:32740+5773", "without a vertical part"),
        ("EPSG:2048", "axes point west and south"),
    ],
)
def test_crs_that_cannot_carry_a_project(edit, crs, message):
    """Degrees, feet, geocentric, compound, axes to the west: refused with a remedy."""
    faults = faults_of(edit(('crs = "EPSG:32740"', f'crs = "{crs}"')))
    assert len(faults) == 1 and message in faults[0] and "[project] in project.toml; " in faults[0], faults


def test_geographic_crs_proposes_the_utm_zone(edit):
    """56.07 E, 15.7 S lies in zone 40 south: EPSG:32740 (EPSG registry)."""
    file = edit(
        ('crs = "EPSG:32740"', 'crs = "EPSG:4326"'),
        ("start = {easting = 400500, northing = 8263500}", "start = {easting = 56.07, northing = -15.7}"),
    )
    assert any("use the UTM zone of the site, 'EPSG:32740'" in fault for fault in faults_of(file))


def test_web_mercator_is_refused_off_the_equator(edit, project_folder, write_raster):
    """At 60 N its scale is 1 / cos 60 = 2 (sphere, closed form; 1.994 on the ellipsoid)."""
    place = rasterio.transform.from_origin(6_000_000.0, 8_400_000.0, 20.0, 20.0)
    path = project_folder / "seabed.tif"
    write_raster(path, np.full((50, 200), -60.0, dtype=np.float32), crs="EPSG:3857", transform=place)
    file = edit(
        ('crs = "EPSG:32740"', 'crs = "EPSG:3857"'),
        ("easting = 400500, northing = 8263500", "easting = 6000500, northing = 8399500"),
        ("easting = 403500, northing = 8263500", "easting = 6003500, northing = 8399500"),
    )
    faults = faults_of(file)
    assert any("must be a ground metre to 1% (got scale 1.9" in f and "EPSG:32639" in f for f in faults), (
        faults
    )


def test_vertical_datums_do_not_mix(edit, project_folder):
    file = edit(('values = "elevation"', 'values = "elevation"\nvertical_datum = "MSL"'))
    (fault,) = faults_of(file)
    assert fault.startswith(
        "vertical_datum must be the project's, 'LAT' (got 'MSL'): [[seabed]] 'seabed.tif'"
    )
    assert "vertical_offset_m" in fault and "vertical_offset_source" in fault
    file = edit(('vertical_datum = "MSL"', 'vertical_datum = "MSL"\nvertical_offset_m = 1.25'))
    assert "vertical_offset_source is missing beside vertical_offset_m = 1.25" in faults_of(file)[0]
    file = edit(
        ("vertical_offset_m = 1.25", 'vertical_offset_m = 1.25\nvertical_offset_source = "tide tables"')
    )
    surface = read_project(file).seabed.surfaces[0]
    assert float(surface.depth_m[0, 0]) == 21.25
    assert "offset from: tide tables" in surface.notes
    file = edit(('vertical_datum = "MSL"', 'vertical_datum = "lat"'))
    assert "vertical_offset_m must be 0 on the project's own datum" in faults_of(file)[0]


def test_wrong_sign(edit):
    (fault,) = faults_of(edit(('values = "elevation"', 'values = "depth"')))
    assert "everything is above water" in fault and "state values = 'elevation'" in fault


START, END = "easting = 400500, northing = 8263500", "easting = 403500, northing = 8263500"
VIA = "via = [{easting = 402000, northing = 8264000}]"
POSITIONS = [
    (
        START,
        "easting = 300500, northing = 8263500",
        "start (300500.0 E, 8263500.0 N) must lie on the seabed (4000",
    ),
    (
        START,
        "easting = 57.1, northing = -15.7",
        "these look like degrees; give eastings and northings in EPSG",
    ),
    (START, "easting = 8263500, northing = 400500", "easting and northing look exchanged"),
    (
        "[8, 450]",
        "[60, 450]",
        "start (400500.0 E, 8263500.0 N) must lie within depth_range_m, 60 to 450 m (got 54.47",
    ),
    (
        END,
        "easting = 402050, northing = 8264080",
        "must keep 110.1 m from feature 'Wreck A' of layer 'wrecks'",
    ),
    (
        "lay_tolerance_m = 10",
        VIA,
        "via[1] (402000.0 E, 8264000.0 N) must keep 100.1 m from feature 'Wreck A'",
    ),
    ("easting = 403500", "easting = 400500", "start and end must differ (both at 400500.0 E, 8263500.0 N)"),
]


@pytest.mark.parametrize(("old", "new", "message"), POSITIONS)
def test_positions(edit, old, new, message):
    faults = faults_of(edit((old, new)))
    assert any(message in fault and "[route] in project.toml" in fault for fault in faults), faults


def test_standoff_at_the_ends_is_exact(edit, project_folder):
    """110 m of ground are 110 m x scale on the grid (0.99972 here); the outline's corners add 0.1 %.

    Reference for the scale: UTM's k = 0.9996 (1 + x² / 2 R²) with x = 98 km, R = 6,367 km: 0.999718.
    """
    scale = 0.9996 * (1.0 + (98_000.0 / 6_367_000.0) ** 2 / 2.0)
    for distance, fits in ((110.0 * scale * 1.0015, True), (110.0 * scale - 0.005, False)):
        text = f"easting = {402_000.0 + distance:.4f}, northing = 8264000"
        before = (project_folder / "project.toml").read_text()
        file = edit(("easting = 403500, northing = 8263500", text))
        if fits:
            read_project(file)
        else:
            assert "must keep 110.1 m from feature 'Wreck A'" in faults_of(file)[0]
        file.write_text(before)


def test_hole(edit, project_folder):
    with rasterio.open(project_folder / "seabed.tif", "r+") as dataset:
        data = dataset.read(1)
        data[70:80, 20:30] = -9999.0
        dataset.write(data, 1)
    (fault,) = faults_of(project_folder / "project.toml")
    assert fault.startswith("start (400500.0 E, 8263500.0 N) lies on a hole of the seabed")


def test_tie_in(edit):
    """An end may lie in a zone that is listed, as long as it can get out of it within the length given."""
    inside = ("easting = 403500, northing = 8263500", "easting = 402000, northing = 8264000")
    file = edit(inside, ("lay_tolerance_m = 10", 'lay_tolerance_m = 10\ntie_in_layers = ["wrecks"]'))
    project = read_project(file)
    assert project.rules.tie_in_length_m == 1000.0
    assert any("1000 m is used (twice min_bend_radius_m)" in warning for warning in project.warnings)
    file = edit(('tie_in_layers = ["wrecks"]', 'tie_in_layers = ["wrecks"]\ntie_in_length_m = 90'))
    (fault,) = faults_of(file)
    assert fault.startswith("tie_in_length_m must be > 110.1 m, the shortest way from end (402000.0 E")
    file = edit(("tie_in_length_m = 90", "tie_in_length_m = 120"))
    assert read_project(file).rules.tie_in_length_m == 120.0


def test_stay_within(edit, project_folder, write_layer):
    """Each layer must hold the ends; within one, the union of its polygons counts."""
    halves = [
        shapely.box(400_100, 8_263_000, 402_000, 8_264_000),
        shapely.box(402_000, 8_263_000, 403_600, 8_264_000),
    ]
    write_layer(project_folder / "corridor.gpkg", halves)
    table = '\n[[layer]]\nname = "approved"\nfile = "corridor.gpkg"\nrule = "stay_within"\n'
    file = edit(append=table)
    assert len(read_project(file).layer("approved")) == 2
    (project_folder / "corridor.gpkg").unlink()
    write_layer(project_folder / "corridor.gpkg", halves[:1])
    (fault,) = faults_of(file)
    assert (
        "end (403500.0 E, 8263500.0 N) must lie inside layer 'approved'" in fault
        and "1500.0 m outside" in fault
    )


def test_warnings_that_do_not_stop_the_work(edit, project_folder, write_layer):
    """Layers that are empty, lie elsewhere, were mended, or carry keys without effect."""
    write_layer(project_folder / "far.gpkg", [shapely.Point(800_000, 8_000_000)])
    bow_tie = shapely.Polygon(
        [(401_000, 8_262_100), (401_100, 8_262_200), (401_100, 8_262_100), (401_000, 8_262_200)]
    )
    write_layer(project_folder / "reef.gpkg", [bow_tie], name=["reef"])
    more = """
[[layer]]
name = "far"
file = "far.gpkg"
rule = "avoid"
factor = 2

[[layer]]
name = "none"
file = "wrecks.gpkg"
where = "name = 'nobody'"
rule = "avoid"

[[layer]]
name = "reef"
file = "reef.gpkg"
rule = "avoid"
"""
    project = read_project(edit(append=more))
    text = "\n".join(project.warnings)
    assert "the layer does not overlap the seabed (it lies at 800000 to 800000 E" in text
    assert "factor has no effect with rule = 'avoid': [[layer]] 'far' in project.toml" in text
    assert "the layer is empty: [[layer]] 'none' in project.toml" in text
    assert "feature 'reef' repaired (Self-intersection" in text and "[[layer]] 'reef' in project.toml" in text
    assert "1 points or lines ('far #1' first) have no standoff" in text
    assert len(project.layer("none")) == 0


def test_output_folder_may_not_hold_inputs(edit, project_folder):
    """A run replaces the folder as a whole: nothing that it reads may lie there, nor in the kept one."""
    for folder in (".", "..", str(project_folder)):
        (fault,) = faults_of(edit(append=f'\n[output]\nfolder = "{folder}"\n'))
        assert fault.startswith("folder must not hold inputs") and "seabed.tif" in fault
        edit((f'\n[output]\nfolder = "{folder}"\n', ""))
    inside = project_folder / "out.previous" / "deep" / "a.tif"
    inside.parent.mkdir(parents=True)
    inside.write_bytes(b"x")
    assert output_faults(OutputSettings(folder="out"), project_folder, [inside], "here")
    assert not output_faults(OutputSettings(folder="other"), project_folder, [inside], "here")
    (project_folder / "plain").write_text("a file")
    for folder in ("plain", "", "http://x/y"):
        assert output_faults(OutputSettings(folder=folder), project_folder, [], "here")


def test_two_layers_of_one_name(edit):
    table = '\n[[layer]]\nname = "wrecks"\nfile = "wrecks.gpkg"\nrule = "avoid"\nstandoff_m = 5\n'
    (fault,) = faults_of(edit(append=table))
    assert fault.startswith("name must be used once (got 'wrecks' twice)")


def test_files_that_are_no_projects(tmp_path):
    for name, data, words in (
        ("a.toml", b"[project\nname = 1", "not valid TOML"),
        ("b.toml", b"\xff\xfe\x00bad", "not UTF-8"),
        ("c.toml", b"", "[project] is required and missing"),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(SettingError) as caught:
            read_project(tmp_path / name)
        assert words in str(caught.value) and name in str(caught.value)
    for path in (tmp_path / "gone.toml", tmp_path, "https://example.invalid/project.toml"):
        with pytest.raises(SettingError, match="project file must be an existing file"):
            read_project(path)


def test_byte_order_mark_and_dates(edit, project_folder):
    """Editors add a byte order mark; TOML dates become text."""
    file = edit(("standoff_m = 100", "standoff_m = 100\nvalid_from = 2027-01-31"))
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    project = read_project(file)
    assert project.layer("wrecks").settings == {"valid_from": "2027-01-31"}
    json.dumps(project.settings)
    file = edit(("2027-01-31", '"31 January"'))
    assert "valid_from must be a date (got '31 January')" in faults_of(file)[0]


def test_a_further_table_is_one_line(edit, monkeypatch):
    """A registered settings class is read, checked and reported like the others."""
    monkeypatch.setattr(tables, "EXTRA_TABLES", {"drill": OutputSettings})
    monkeypatch.setattr("corridor.io.settings.EXTRA_TABLES", {"drill": OutputSettings})
    assert read_project(edit()).tables["drill"] == OutputSettings()
    file = edit(append="\n[drill]\nkp_interval_m = 25\n")
    assert read_project(file).tables["drill"].kp_interval_m == 25.0
    file = edit(("kp_interval_m = 25", "kp_interval_m = -25\nbit = 3"))
    faults = faults_of(file)
    assert [fault.split(":")[0] for fault in faults] == [
        "unknown key 'bit'",
        "kp_interval_m must be > 0 (got -25.0)",
    ]


def test_pipe_and_rates(edit):
    section = "\n[pipe]\noutside_diameter_m = 0.5\nwall_thickness_m = 0.02\nresidual_tension_kN = 200\n"
    project = read_project(edit(append=section + "\n[rates]\npipe_per_m = 250\ncrossing = 1.5e6\n"))
    assert project.pipe.outside_diameter_m == 0.5 and project.environment is None
    assert project.rates == {"pipe_per_m": 250.0, "crossing": 1.5e6}
    faults = faults_of(edit(("wall_thickness_m = 0.02", "wall_thickness_m = -0.02\ncoating = [5]")))
    assert any(
        fault.startswith("wall_thickness_m must be > 0 (got -0.02): [pipe] in project.toml")
        for fault in faults
    )
    assert any(fault.startswith("coating must be a list of tables (got [5]): [pipe]") for fault in faults)


def test_progress_and_cancel(project_folder):
    """The caller hears how far it is, and may stop it."""
    heard = []
    read_project(project_folder / "project.toml", lambda stage, share: heard.append((stage, share)))
    assert ("reading the seabed", 1.0) in heard and ("reading the layers", 1.0) in heard


def test_build_table_checks_entries():
    """A list of the wrong things is one fault, and hides no other."""
    rules, faults = build_table(RouteRules, {"min_bend_radius_m": True, "depth_range_m": [1, "x"]}, "[route]")
    assert rules is None and len(faults) == 2


def test_describe(edit, project_folder, write_raster):
    """Extents, holes and conflicts against figures known from the arrays themselves."""
    with rasterio.open(project_folder / "seabed.tif", "r+") as dataset:
        data = dataset.read(1)
        data[:30, :] = -9999.0  # a fifth of the raster
        dataset.write(data, 1)
    fine = np.full((300, 400), 100.0, dtype=np.float32)
    place = rasterio.transform.from_origin(401_000.0, 8_264_000.0, 2.0, 2.0)
    write_raster(project_folder / "fine.tif", fine, transform=place)
    file = edit(("[[layer]]", '[[seabed]]\nfile = "fine.tif"\nvalues = "depth"\n\n[[layer]]'))
    found = describe(read_project(file))
    json.dumps(found, allow_nan=False)
    assert found["seabed"]["bounds_m"] == [400_000.0, 8_262_000.0, 404_000.0, 8_265_000.0]
    assert found["seabed"]["finest_cell_m"] == 2.0
    assert found["seabed"]["surfaces"][0]["holes_share"] == pytest.approx(0.2)
    assert found["seabed"]["surfaces"][1]["holes_share"] == 0.0
    assert found["seabed"]["holes_share"] == pytest.approx(0.2, abs=0.003)
    assert found["seabed"]["depth_m"] == [20.0, 300.0]
    # the sloping ground is 20 + 280 (x - 10) / 3980 m deep: in the middle of the overlap, x = 1400, 117.79 m
    (overlap,) = found["seabed"]["overlaps"]
    assert overlap["median_difference_m"] == pytest.approx(117.79 - 100.0, abs=0.3)
    assert overlap["conflict"] and "differ by +17." in found["conflicts"][0]
    assert found["layers"][0]["features_on_seabed"] == 1 and found["layers"][0]["kinds"] == {"Point": 1}
    assert found["route"]["straight_line_m"] == pytest.approx(3000.0)
    assert found["route"]["start"]["depth_m"] == pytest.approx(20.0 + 280.0 * 490.0 / 3980.0, abs=1e-3)
    assert math.isclose(found["route"]["start"]["latitude_deg"], -15.7048, abs_tol=1e-3)
    assert len(found["inputs"]) == 4 and all(len(item["sha256"]) == 64 for item in found["inputs"])
