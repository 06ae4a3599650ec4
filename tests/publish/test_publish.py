"""The set as a whole: files, figures, provenance, the same twice, and no route."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
from dataclasses import replace
from pathlib import Path

import openpyxl
import pyogrio
import pytest
import shapely

import corridor.publish.publish as publish_module
from corridor.errors import InputError
from corridor.publish.map import island, page
from corridor.publish.provenance import stamp
from corridor.publish.publish import publish_no_route, publish_study

from .synthetic import HOSTILE, make_study

FILES = {
    "alignment.csv", "setting_out.csv", "chainage.csv", "chainage.geojson", "profile.csv", "crossings.csv",
    "crossings.geojson", "spans.csv", "spans.geojson", "proximity.csv", "cost_by_kp.csv", "route.geojson",
    "route.gpkg", "route.kml", "route.dxf", "listings.xlsx", "map.html", "report.html",
    "quantities.csv", "summary.json", ".corridor-set",
}  # fmt: skip


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    """Two runs on the same study at the same SOURCE_DATE_EPOCH."""
    base = tmp_path_factory.mktemp("published")
    study = make_study(base)
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = "1700000000"
    try:
        contents = [publish_study(study, base / name) for name in ("one", "two")]
    finally:
        del os.environ["SOURCE_DATE_EPOCH"]
        if before is not None:
            os.environ["SOURCE_DATE_EPOCH"] = before
    return base, study, contents


def test_the_set_is_complete(published) -> None:
    base, _, _ = published
    assert {path.name for path in (base / "one").iterdir()} == FILES


def test_the_same_study_gives_the_same_bytes(published) -> None:
    base, _, _ = published
    for name in FILES - {"route.gpkg", "listings.xlsx"}:
        assert (base / "one" / name).read_bytes() == (base / "two" / name).read_bytes(), name


def test_the_summary_follows_the_contract(published) -> None:
    base, _, contents = published
    held = json.loads((base / "one" / "summary.json").read_text(encoding="utf-8"))
    assert held == contents[0]
    # Keys: the project's own contract for summary.json.
    agreed = (
        "status length_m length_ellipsoid_m cost_m lower_bound_m gap_percent cost_terms bends crossings "
        "spans min_radius_m max_slope_along_deg max_slope_across_deg checks inputs version settings "
        "cautions not_assessed"
    )
    assert set(agreed.split()) <= set(held)
    assert (
        held["status"] == "rules broken"
        and held["bends"] == 2
        and held["crossings"] == 2
        and held["spans"] == 6
    )
    assert held["gap_percent"] == pytest.approx(
        2.0, abs=1e-3
    )  # 100 (cost - bound) / bound, bound = cost / 1.02
    assert set(held["checks"][0]) >= {"rule", "limit", "worst", "kp_km", "ok"}
    assert held["inputs"] == [{"file": "project.toml", "sha256": hashlib.sha256(b"[project]\n").hexdigest()}]


def test_every_kind_of_file_says_where_it_comes_from(published) -> None:
    base, _, contents = published
    one = base / "one"
    time, digest = "2023-11-14T22:13:20Z", contents[0]["inputs"][0]["sha256"]  # date -u -d @1700000000
    for name in ("summary.json", "route.geojson", "spans.geojson", "route.kml", "map.html"):
        text = (one / name).read_text(encoding="utf-8")
        assert "Synthetic line" in text and time in text and digest in text, name
    table = pyogrio.read_dataframe(one / "route.gpkg", layer="provenance").set_index("item")["value"]
    assert table["time"] == time and table["input project.toml"] == digest and table["revision"] == "B"
    book = openpyxl.load_workbook(one / "listings.xlsx")
    assert {row[0].value: row[1].value for row in book["Provenance"]}["time"] == time
    assert digest in (one / "route.dxf").read_text(encoding="utf-8")


def test_the_report_repeats_the_command(tmp_path: Path) -> None:
    publish_study(make_study(tmp_path), tmp_path / "out", command="corridor route <b>my</b>.toml")
    text = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "corridor route &lt;b&gt;my&lt;/b&gt;.toml" in text


def test_no_publisher_uses_the_private_names_of_another() -> None:
    folder = Path(publish_module.__file__).parent
    taken = {
        file.name: names
        for file in folder.glob("*.py")
        for block in re.findall(r"^from corridor\S* import (\([^)]*\)|.*)$", file.read_text("utf-8"), re.M)
        if (names := re.findall(r"\b_(?!environment)\w+", block))
    }
    assert taken == {}


def test_a_sample_sized_map_stays_small(published) -> None:
    base, _, _ = published
    assert (base / "one" / "map.html").stat().st_size < 3_000_000


def test_without_pipe_or_search_the_figures_say_so(tmp_path: Path) -> None:
    study = make_study(tmp_path, search=None)
    profile = {name: study.assessment.profile[name] for name in ("kp_km", "depth_m")}
    bare = replace(study.assessment, spans=None, profile=profile, min_radius_m=None)
    content = publish_study(replace(study, assessment=bare, others={}), tmp_path / "out")
    assert content["spans"] is None and content["lower_bound_m"] is None and content["gap_percent"] is None
    assert not (tmp_path / "out" / "spans.csv").exists()
    header = (tmp_path / "out" / "profile.csv").read_text().splitlines()[0]
    assert header == "kp_km,depth_m"


def test_hostile_names_build_every_file(tmp_path: Path) -> None:
    publish_study(make_study(tmp_path, HOSTILE), tmp_path / "out")
    text = (tmp_path / "out" / "proximity.csv").read_text(encoding="utf-8")
    assert "'=cmd|' /C calc'!A0" in text and "{{7*7}}" in text
    html = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert "<img" not in html.split('id="data-summary"')[1].split("<script>")[0]
    assert "{{7*7}}" in html and "49}}" not in html


def test_a_failing_writer_leaves_the_old_set(tmp_path: Path) -> None:
    study = make_study(tmp_path)
    publish_study(study, tmp_path / "out")
    before = (tmp_path / "out" / "summary.json").read_bytes()

    def fail(study, folder, marks):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        publish_study(study, tmp_path / "out", extras=[fail])
    assert (tmp_path / "out" / "summary.json").read_bytes() == before
    assert not (tmp_path / "out.previous").exists()


def test_extra_writers_take_part(tmp_path: Path) -> None:
    def note(study, folder, marks):
        (folder / "note.txt").write_text(marks.line())

    publish_study(make_study(tmp_path), tmp_path / "out", extras=[note])
    assert "revision B" in (tmp_path / "out" / "note.txt").read_text()


def test_the_project_file_is_never_moved(tmp_path: Path) -> None:
    study = make_study(tmp_path)
    with pytest.raises(InputError, match=r"project\.toml"):
        publish_study(study, tmp_path)


def test_no_route_is_explained_in_data_and_on_a_map(tmp_path: Path) -> None:
    project = make_study(tmp_path).project
    reason = {"rule": "standoff_m", "layer": "wrecks", "limit": 500.0, "needed": 210.0, "text": "two wrecks"}
    reason |= {"easting_m": 404000.0, "northing_m": 8267000.0}
    explanation = {
        "text": "closed",
        "reasons": [reason, {"rule": "depth_range_m"}],
        "cannot_help": ["min_bend_radius_m"],
    }
    barrier = [(shapely.LineString([(404000, 8264000), (404000, 8270000)]), {"rule": "standoff_m"})]
    content = publish_no_route(project, explanation, tmp_path / "out", barrier=barrier)
    held = json.loads((tmp_path / "out" / "no_route.json").read_text(encoding="utf-8"))
    assert held == content and held["status"] == "no route" and held["reasons"][0]["needed"] == 210.0
    assert held["cautions"] and held["cannot_help"] == ["min_bend_radius_m"]
    frame = pyogrio.read_dataframe(tmp_path / "out" / "no_route.geojson").to_crs(project.crs)
    assert list(frame["kind"]) == ["START", "END", "reason", "reason", "barrier"]
    assert (
        frame.geometry[2].distance(shapely.Point(404000.0, 8267000.0)) < 0.001 and frame.geometry[3] is None
    )
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "no_route.json",
        "no_route.geojson",
        "no_route.html",
        ".corridor-set",
    }


def test_time_comes_from_source_date_epoch_or_the_clock(tmp_path: Path) -> None:
    project = make_study(tmp_path).project
    assert stamp(project, {"SOURCE_DATE_EPOCH": "0"}).time_text == "1970-01-01T00:00:00Z"
    assert stamp(project, {}).time.year >= 2024
    with pytest.raises(InputError, match="SOURCE_DATE_EPOCH"):
        stamp(project, {"SOURCE_DATE_EPOCH": "yesterday"})


def test_the_policy_covers_every_script_and_style_and_data_cannot_leave_its_block() -> None:
    html = page({"summary": {"name": "</script><script>alert(1)</script>&amp;"}})
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', html)[1]
    for kind, tag in (("script", "<script>"), ("style", "<style>")):
        for code in re.findall(rf"{tag}(.*?)</{kind}>", html, re.S):
            digest = base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()
            assert f"'sha256-{digest}'" in policy
    assert "alert(1)</script>" not in html and "http://" not in html.split("<body>")[1].split("<script")[0]
    block = island("x", {"a": "</script>"})
    assert json.loads(re.search(r">(.*)</script>", block)[1]) == {"a": "</script>"}
    assert "Redistributions in binary form" in html  # Leaflet's licence travels with it


def test_the_page_about_no_route_takes_no_markup_from_the_data(tmp_path: Path) -> None:
    project = make_study(tmp_path).project
    hostile = "</style><script>alert(1)</script><img src=x onerror=alert(1)>"
    place = {"easting_m": 404000.0, "northing_m": 8267000.0}
    explanation = {
        "text": hostile,
        "reasons": [{"rule": "standoff_m", "text": hostile, "confirmed": True, **place}],
        "cannot_help": [{"text": hostile}],
    }
    barrier = [
        (shapely.Point(404000, 8266000).buffer(300.0), {"kind": "barrier", "layer": hostile}),
        (
            shapely.LineString([(404000, 8264000), (404000, 8270000)]),
            {"kind": "conceded line", "text": hostile},
        ),
    ]
    publish_no_route(project, explanation, tmp_path / "out", barrier=barrier)
    page = (tmp_path / "out" / "no_route.html").read_text(encoding="utf-8")
    assert "<script" not in page and "<img" not in page
    # Content Security Policy, W3C CSP level 3: nothing is loaded, nothing runs.
    assert "default-src 'none'" in page
    assert page.count("<svg") >= 1 and "NOT ALLOWED" in page


def test_numbers_of_places_that_would_cover_each_other_stand_together(tmp_path: Path) -> None:
    project = make_study(tmp_path).project
    places = [(404000.0, 8267000.0), (404005.0, 8267003.0), (406500.0, 8265000.0)]
    reasons = [
        {"rule": "x", "text": f"reason {k}", "confirmed": True, "easting_m": e, "northing_m": n}
        for k, (e, n) in enumerate(places)
    ]
    explanation = {"text": "why", "reasons": reasons, "cannot_help": []}
    publish_no_route(project, explanation, tmp_path / "out", barrier=[])
    page = (tmp_path / "out" / "no_route.html").read_text(encoding="utf-8")
    plan = page.split("<svg")[1].split("</svg>")[0]
    shown = [
        text for text in re.findall(r"<text[^>]*>([^<]*)</text>", plan) if text.strip("0123456789, ") == ""
    ]
    assert [text for text in shown if text] == ["1, 2", "3"]
