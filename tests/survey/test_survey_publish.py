"""What a survey leaves behind: read back, inputs untouched, hostile names harmless, a full disk."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

from corridor.errors import CorridorError, InputError, SettingError
from corridor.io.project import read_project
from corridor.io.tables import LayerSettings
from corridor.io.vectors import read_layer
from corridor.model.grid import Grid
from corridor.model.project import Project
from corridor.model.survey import Survey
from corridor.publish.survey_files import project_text, safe_name, toml_text, write_raster
from corridor.publish.survey_page import page
from corridor.publish.survey_set import check_places, publish_survey, survey_places
from corridor.survey.study import with_survey

from . import synthetic
from .synthetic import CRS, SOUTH, WEST, as_file, settings, soundings, straight_line, study

HOSTILE = "</script><img src=x onerror=document.title='pwned'>{{7*7}} =1+1"

PROJECT = """\
# a comment that must stay
[project]
name = 'Line </title><script>document.title="pwned"</script>'
crs = "EPSG:32740"
vertical_datum = "LAT"

  [[seabed]]   # the old survey
file = "old.tif"
values = "elevation"

[route]
start = {easting = 402010, northing = 8261010}
end = {easting = 402390, northing = 8261390}
min_bend_radius_m = 500
"""


@pytest.fixture
def project(tmp_path: Path) -> Project:
    old = synthetic.project().seabed.surfaces[0]
    write_raster(tmp_path / "old.tif", old.grid, {"elevation": -old.depth_m}, np.nan)
    (tmp_path / "project.toml").write_text(PROJECT)
    return read_project(tmp_path / "project.toml")


@pytest.fixture(scope="module")
def result() -> Survey:
    easting, northing, depth, line = soundings(1, step=0.6)
    box = (np.abs(easting - WEST - 210.0) < 8.0) & (np.abs(northing - SOUTH - 195.0) < 4.0)
    depth = depth - np.where(box, 3.0, 0.0)
    depth[::5000] += 12.0
    file = as_file(easting, northing, depth, line)
    names = [f"{HOSTILE} {k}" for k in range(6)]
    batches = file.batches

    def renamed():
        for batch in batches():
            file.lines[:] = names
            yield batch

    file = dataclasses.replace(file, name=f"{HOSTILE}.xyz", batches=renamed)
    return dataclasses.replace(
        study([file], settings(contact_height_m=1.0), line=straight_line(SOUTH + 200.0)), name=HOSTILE
    )


def digests(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir() if p.is_file()}


def test_the_new_project_reads_and_lists_the_survey_first(project, result):
    before = digests(project.file.parent)
    places = publish_survey(result, project)
    after = digests(project.file.parent)
    assert {name: after[name] for name in before} == before and set(after) - set(before) == {
        places.project_file.name
    }
    new = read_project(places.project_file)
    top, old = new.seabed.surfaces
    assert top.name.endswith("/seabed.tif") and old.name == "old.tif"
    np.testing.assert_array_equal(top.depth_m, result.merged.depth_m)
    np.testing.assert_array_equal(top.uncertainty, result.merged.uncertainty_m)
    here = with_survey(project, result).seabed.surfaces  # what the file says, without reading it again
    assert here[0].grid == top.grid and here[1] is project.seabed.surfaces[0]
    np.testing.assert_array_equal(here[0].depth_m, top.depth_m)
    np.testing.assert_array_equal(read_project(project.file).seabed.surfaces[0].depth_m, old.depth_m)


def test_the_surface_is_cloud_optimised_with_overviews(project, result, tmp_path):
    places = publish_survey(result, project)
    for name in ("seabed.tif", "source.tif", "statistics.tif", "change.tif"):
        with rasterio.open(places.folder / name) as dataset:
            assert dataset.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG", name
            assert str(dataset.crs) == CRS and dataset.profile["tiled"]
    # 220 cells fit one block of 512 and need no overview; a larger one has them.
    grid = Grid(1300, 900, WEST, SOUTH, 1.0, CRS)
    values = np.random.default_rng(0).normal(50.0, 1.0, grid.shape).astype(np.float32)
    write_raster(tmp_path / "large.tif", grid, {"a": values, "b": values}, np.nan)
    with rasterio.open(tmp_path / "large.tif") as dataset:
        assert dataset.overviews(1) == [2, 4] and dataset.descriptions == ("a", "b")
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".large")]


def test_contacts_and_changes_are_geojson_in_degrees(project, result):
    places = publish_survey(result, project)
    content = json.loads((places.folder / "contacts.geojson").read_text())
    (feature,) = content["features"]
    longitude, latitude = np.array(feature["geometry"]["coordinates"][0]).mean(axis=0)
    assert (longitude, latitude) == pytest.approx((56.09, -15.72), abs=0.3)
    assert feature["properties"]["status"] == "new" and feature["properties"]["height_m"] == pytest.approx(
        3.0, abs=0.2
    )
    # What a plain vector reader makes of it, and this package's own: both get the shape and the figures.
    table = pyogrio.read_info(places.folder / "contacts.geojson")
    assert (table["features"], table["crs"], table["geometry_type"]) == (1, "EPSG:4326", "Polygon")
    meta, _, shapes, fields = pyogrio.raw.read(places.folder / "contacts.geojson")
    values = dict(zip(meta["fields"], (column[0] for column in fields), strict=True))
    assert values["status"] == "new" and values["kind"] == "object" and values["name"] == "C001"
    assert values["height_m"] == feature["properties"]["height_m"]
    assert shapely.from_wkb(shapes[0]).is_valid
    given = LayerSettings(name="found", file="contacts.geojson", rule="avoid", standoff_m=50.0)
    layer = read_layer(places.folder / "contacts.geojson", given, crs=CRS)
    assert layer.attributes[0]["status"] == "new" and layer.attributes[0]["height_m"] == values["height_m"]
    assert layer.geometries[0].symmetric_difference(result.new_objects[0].geometry).area < 0.01
    for name in ("pits", "known_contacts", "holes", "changes"):
        assert json.loads((places.folder / f"{name}.geojson").read_text())["type"] == "FeatureCollection"


def test_the_report_holds_every_figure_and_no_nan(project, result):
    places = publish_survey(result, project)
    report = json.loads(
        (places.folder / "survey.json").read_text(), parse_constant=lambda name: pytest.fail(name)
    )
    assert report["status"] == "ok" and report["order_met"] == "1a" and report["new_contacts"] == 1
    assert report["soundings"] == int(result.surface.count.sum()) and report["rejected"] == int(
        result.surface.rejected.sum()
    )
    assert report["cautions"] and report["inputs"][-1]["file"] == f"{HOSTILE}.xyz"
    rejected = (places.folder / "rejected.csv").read_text().splitlines()
    assert len(rejected) - 1 == report["rejected"] > 0


def test_spreadsheet_formulas_in_names_are_defused(project, result):
    text = (publish_survey(result, project).folder / "rejected.csv").read_text()
    assert HOSTILE in text and not re.search(r"(^|,)\"?[=+@]", text, re.M)


def test_running_it_again_replaces_the_set_and_from_the_new_project_is_refused(project, result):
    first = publish_survey(result, project)
    second = publish_survey(result, project)
    assert first == second and first.folder.with_name(first.folder.name + ".previous").is_dir()
    new = read_project(first.project_file)
    with pytest.raises(InputError, match="choose another name"):
        check_places(dataclasses.replace(survey_places(new, result.name), folder=first.folder), new)


def test_a_name_that_is_the_project_itself_is_refused(project):
    places = survey_places(project, "x")
    with pytest.raises(InputError, match="is the project itself"):
        check_places(dataclasses.replace(places, project_file=project.file.resolve()), project)


@pytest.mark.parametrize("name", ["../../etc/passwd", "a/b", "..", "CON:?*", "x" * 300])
def test_a_name_never_leaves_the_folder(project, name):
    try:
        plain = safe_name(name)
    except SettingError:
        return
    assert re.fullmatch(r"[A-Za-z0-9._-]{1,60}", plain) and not plain.startswith(".")
    assert survey_places(project, name).folder.parent == project.file.parent


def test_only_one_table_is_added_to_the_project_file():
    seabed = {"file": 'a "quoted" \\ name\n.tif', "values": "depth"}
    text = project_text(PROJECT, "May\n[[layer]]", seabed)
    assert tomllib.loads(text) == {
        **tomllib.loads(PROJECT),
        "seabed": [seabed, *tomllib.loads(PROJECT)["seabed"]],
    }
    assert text.replace(text[text.index("# Survey") : text.index("  [[seabed]]")], "") == PROJECT
    assert tomllib.loads(f"a = {toml_text(chr(7) + chr(127))}")["a"] == "\x07\x7f"


def test_a_heading_inside_a_text_is_not_taken_for_a_table():
    tricky = 'note = """\n[[seabed]]\n"""\n' + PROJECT.replace("[project]", "[project]\n", 1)
    text = project_text(tricky, "x", {"file": "a.tif"})
    assert tomllib.loads(text)["note"] == "[[seabed]]\n" and tomllib.loads(text)["seabed"][0] == {
        "file": "a.tif"
    }


def test_inline_surfaces_are_refused_not_mangled():
    with pytest.raises(SettingError, match="not written as"):
        project_text('seabed = [{file = "a.tif", values = "depth"}]\n', "x", {"file": "b.tif"})


FULL_DISK = """
import resource, signal, sys
import numpy as np
from pathlib import Path
from corridor.errors import CorridorError
from corridor.publish.survey_files import write_raster
from corridor.model.grid import Grid
from corridor.io.tables import LayerSettings
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
values = np.random.default_rng(0).normal(50.0, 1.0, (1200, 1200)).astype(np.float32)
grid = Grid(1200, 1200, 4e5, 8e6, 1.0, "EPSG:32740")
try:
    write_raster(Path(sys.argv[1]) / "a.tif", grid, {"a": values}, np.nan)
except CorridorError as error:
    print(error)
"""


@pytest.mark.parametrize("room", [100_000, 5_500_000, 6_100_000])
def test_a_disk_that_fills_up_leaves_nothing_half_written(tmp_path, room):
    """A limit on file size (setrlimit) stands for a full disk: at the first write, and late in the copy."""
    command = [sys.executable, "-c", FULL_DISK, str(tmp_path), str(room)]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "could not be written" in run.stdout and "disk full" in run.stdout
    assert list(tmp_path.iterdir()) == []


def test_an_interrupt_while_writing_leaves_nothing(project, result, monkeypatch):
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    before = digests(project.file.parent)
    monkeypatch.setattr("corridor.publish.survey_set.write_page", interrupt)
    with pytest.raises(KeyboardInterrupt):
        publish_survey(result, project)
    assert digests(project.file.parent) == before
    assert [p.name for p in project.file.parent.iterdir() if p.is_dir()] == []


def full_disk(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_nothing_new_is_an_empty_layer(project, result):
    places = publish_survey(dataclasses.replace(result, contacts=()), project)
    given = LayerSettings(name="found", file="contacts.geojson", rule="avoid", standoff_m=50.0)
    assert len(read_layer(places.folder / "contacts.geojson", given, crs=CRS)) == 0


@pytest.mark.parametrize("writer", ["write_csv", "write_geojson", "write_json", "write_page"])
def test_a_disk_that_fills_up_late_leaves_the_set_before_it(project, result, monkeypatch, writer):
    places = publish_survey(result, project)
    before, inside = digests(project.file.parent), digests(places.folder)
    monkeypatch.setattr(f"corridor.publish.survey_set.{writer}", full_disk)
    with pytest.raises(CorridorError, match=r"could not be written .*disk full"):
        publish_survey(dataclasses.replace(result, notes=("another",)), project)
    assert (digests(project.file.parent), digests(places.folder)) == (before, inside)
    assert not [p for p in project.file.parent.iterdir() if p.name.startswith(".")]


def test_no_room_for_the_project_file_leaves_nothing(project, result, monkeypatch):
    before = digests(project.file.parent)
    monkeypatch.setattr(Path, "write_text", full_disk)
    with pytest.raises(CorridorError, match="disk full"):
        publish_survey(result, project)
    assert digests(project.file.parent) == before
    assert not survey_places(project, result.name).folder.exists()


def test_a_protected_folder_is_reported(tmp_path):
    target = tmp_path / "no" / "such" / "a.tif"
    with pytest.raises(CorridorError, match="could not be written"):
        write_raster(target, Grid(2, 2, WEST, SOUTH, 1.0, CRS), {"a": np.ones((2, 2), np.float32)}, np.nan)


# -- the page


def test_the_page_holds_no_foreign_markup(project, result):
    text = (publish_survey(result, project).folder / "survey.html").read_text()
    assert "onerror=document" in text and "<img src=x" not in text and "<script>document" not in text
    assert text.count("<script") == 3 and "http" not in re.sub(r"http-equiv|https?://www\.w3\.org", "", text)
    assert "default-src 'none'" in text and "unsafe" not in text


def test_a_hostile_island_stays_closed():
    text = page({"survey": {"survey": "</script><script>alert(1)</script>"}, "pictures": []})
    assert "<script>alert" not in text and text.count("</script>") == 3


CHROMIUM = shutil.which("chromium")


@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="needs chromium")
def test_the_page_builds_itself_and_runs_nothing_hostile(project, result, tmp_path):
    path = publish_survey(result, project).folder / "survey.html"
    flags = (
        "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    )
    flags += "--disable-component-update --disable-sync --virtual-time-budget=4000 --dump-dom"
    command = [CHROMIUM, *flags.split(), f"--user-data-dir={tmp_path / 'profile'}", path.as_uri()]
    dom = subprocess.run(
        command, capture_output=True, text=True, timeout=60, check=True, env=dict(os.environ)
    ).stdout
    title = re.search(r"<title>(.*?)</title>", dom, re.S)[1]
    assert (
        title.startswith("&lt;/script&gt;") and "pwned" in title and "survey of Line" in title
    )  # text, not run
    assert dom.count("<figure>") == 6 and "meets order 1a" in dom and "C001" in dom
    assert not re.search(r"<img[^>]*onerror", dom)
