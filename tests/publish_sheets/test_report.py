"""The report: its figures are the files', its names are harmless, a reviewer can repeat it."""

from __future__ import annotations

import base64
import csv
import hashlib
import json
import re
import tomllib
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from corridor.assess.cautions import CAUTIONS
from corridor.assess.quantities import quantities
from corridor.model.results import Study
from corridor.publish.provenance import Stamp
from corridor.publish.report import report, report_writer
from corridor.publish.report_html import exact, figure, page_decimals, text
from corridor.publish.report_words import toml_text
from corridor.publish.summary import json_ready, summary
from corridor.publish.tables import decimals, write_csv

COMMAND = "corridor route 'my project.toml' --out <somewhere>"


class Reader(HTMLParser):
    """The page as a browser's parser takes it: tags, attributes, and the tables of each section.

    Standard library: html.parser.
    """

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.sections: dict[str, list[list[list[str]]]] = {}
        self.words: dict[str, str] = {}
        self.pre: list[str] = []
        self.classes: dict[str, list[str]] = {}
        self._section = ""
        self._in_pre = self._in_cell = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        held = dict(attrs)
        if tag == "section":
            self._section = held["id"] or ""
            self.sections[self._section], self.classes[self._section] = [], []
        elif tag == "table":
            self.sections[self._section].append([])
        elif tag == "tr":
            self.sections[self._section][-1].append([])
            self.classes[self._section].append(held.get("class") or "")
        elif tag in ("td", "th"):
            self.sections[self._section][-1][-1].append("")
            self._in_cell = True
        elif tag == "pre":
            self.pre.append("")
            self._in_pre = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._in_cell = False
        elif tag == "pre":
            self._in_pre = False

    def handle_data(self, data: str) -> None:
        self.words[self._section] = self.words.get(self._section, "") + data
        if self._in_cell:
            self.sections[self._section][-1][-1][-1] += data
        if self._in_pre:
            self.pre[-1] += data


def made(study: Study, stamp: Stamp, command: str = COMMAND) -> tuple[str, Reader]:
    html = report(study, stamp, quantities(study.project, study.assessment), command)
    return html, Reader(html)


@pytest.fixture
def page(study: Study, a_stamp: Stamp) -> tuple[str, Reader]:
    return made(study, a_stamp)


def file_rows(tmp_path: Path, name: str, table) -> list[dict[str, str]]:
    write_csv(tmp_path / f"{name}.csv", name, table)
    with (tmp_path / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def agrees(printed: str, in_file: str) -> bool:
    """A cell of the page is the file's: the same word, or its figure at the page's decimals."""
    if in_file in ("true", "false"):
        return printed == {"true": "yes", "false": "no"}[in_file]
    if not in_file:
        return printed in ("–", "")
    try:
        value = float(in_file)
    except ValueError:
        return printed == in_file
    places = len(printed.partition(".")[2])
    return float(printed) == round(value, places)


@pytest.mark.parametrize(
    ("key", "name", "columns"),
    [
        ("line", "alignment", "point easting_m northing_m radius_m deflection_deg arc_m kp_in_km kp_out_km "
         "latitude_deg longitude_deg"),
        ("crossings", "crossings", "kp_km feature layer owner kind status angle_deg depth_m "
         "straight_before_m straight_after_m separation_m ok"),
        ("spans", "supports", "support span kp_km height_m crest_depth_m reaction_kN rock_m3"),
        ("cost", "cost_by_kp", "kp_start_km kp_end_km pipe discouraged"),
    ],
)  # fmt: skip
def test_tables_hold_the_files_figures(
    page, study: Study, tmp_path: Path, key: str, name: str, columns: str
) -> None:
    tables = {"alignment": "points", "cost_by_kp": "cost_by_kp"}
    rows = file_rows(tmp_path, name, getattr(study.assessment, tables.get(name, name)))
    _, *shown = page[1].sections[key][-1]
    assert len(shown) == len(rows) > 0
    for cells, row in zip(shown, rows, strict=True):
        for cell, column in zip(cells, columns.split(), strict=True):
            assert agrees(cell, row[column]), (name, column, cell, row[column])


def test_spans_show_the_case_that_governs(page, study: Study, tmp_path: Path) -> None:
    rows = [row for row in file_rows(tmp_path, "spans", study.assessment.spans) if row["governs"] == "true"]
    _, *shown = page[1].sections["spans"][0]
    assert [cells[0] for cells in shown] == [row["span"] for row in rows]
    for cells, row in zip(shown, rows, strict=True):
        assert cells[-1] == row["verdict"] and cells[-2] == row["load_case"]
        assert agrees(cells[3], row["length_m"]) and agrees(cells[5], row["max_gap_m"])


def test_checks_are_those_of_the_summary_and_broken_ones_stand_first(
    page, study: Study, a_stamp: Stamp
) -> None:
    content = json_ready(summary(study, a_stamp))
    _, *shown = page[1].sections["checks"][0]
    checks = {(check["rule"], check["layer"]): check for check in content["checks"]}
    assert len(shown) == len(checks) == 3
    for cells in shown:
        check = checks[cells[1], cells[2]]
        assert cells[0] == ("holds" if check["ok"] else "BROKEN")
        assert float(cells[3]) == check["limit"] and float(cells[4]) == check["worst"]
        assert float(cells[5]) == round(check["kp_km"], 3) and cells[6] == check["detail"]
    assert shown[0][0] == "BROKEN" and page[1].classes["checks"][1] == "bad"
    assert "1 of 3 checks BROKEN" in page[1].words[""]


def test_key_figures_and_bound_are_the_summarys(page, study: Study, a_stamp: Stamp) -> None:
    content = json_ready(summary(study, a_stamp))
    glance, bound = page[1].words["result"], page[1].words["bound"]
    for figure_ in (
        f"{content['length_m'] / 1000:.3f} km", f"{content['length_ellipsoid_m'] / 1000:.3f} km",
        f"{content['cost_m']:.1f}", f"{content['lower_bound_m']:.1f}", f"{content['gap_percent']:.3f} %",
        f"{content['max_slope_along_deg']:.2f}°", "1500.0 m",
    ):  # fmt: skip
        assert figure_ in glance
    for figure_ in (
        f"{content['cost_m']:.1f}",
        f"{content['lower_bound_m']:.1f}",
        f"{content['gap_percent']:.3f} %",
    ):
        assert figure_ in bound
    assert "at most one for every run of them to the same side" in bound
    terms = {cells[0]: cells[1] for cells in page[1].sections["cost"][0][1:]}
    assert float(terms["total"]) == round(content["cost_m"], 1)
    assert float(terms["slope"]) == round(content["cost_terms"]["slope"], 1)


def test_quantities_on_the_page_are_the_files(page, study: Study, tmp_path: Path) -> None:
    rows = file_rows(tmp_path, "quantities", quantities(study.project, study.assessment))
    sums, shown = page[1].sections["quantities"][0], page[1].sections["quantities"][-1][1:]
    assert len(shown) == len(rows)
    for cells, row in zip(shown, rows, strict=True):
        plain = [cell.replace(" ", "") for cell in cells]
        assert (
            cells[0] == row["item"]
            and agrees(cells[1], row["kp_from_km"])
            and agrees(cells[2], row["kp_to_km"])
        )
        assert float(plain[3]) == float(row["quantity"]) and cells[8] == row["source"]
        assert (plain[6] == "") == (row["amount"] == "")
        assert not plain[6] or float(plain[6]) == round(float(row["amount"]), 2)
    total = sum(float(row["amount"]) for row in rows if row["amount"])
    assert float(sums[-1][3].replace(" ", "")) == pytest.approx(total, abs=0.005) and sums[-1][4] == "EUR"


def test_inputs_have_hashes_and_dates(page, study: Study, a_stamp: Stamp, tmp_path: Path) -> None:
    row = page[1].sections["inputs"][0][1]
    assert row[0] == "a.tif" and row[2] == "ab" * 32 and row[1] == "not known"  # there is no such file here
    stamped = replace(a_stamp, inputs=(("project.toml", "cd" * 32),))
    row = made(study, stamped)[1].sections["inputs"][0][1]
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d", row[1]) and row[2] == "cd" * 32


def test_a_reviewer_finds_command_versions_seed_and_settings(page, study: Study) -> None:
    command, settings = page[1].pre
    assert command == COMMAND
    assert tomllib.loads(settings) == study.project.settings
    versions = {cells[0]: cells[1] for cells in page[1].sections["repeat"][0][1:]}
    assert versions["corridor"] == "0.1.0" and versions["numpy"] and versions["PROJ"]
    assert "random_seed = 1" in page[1].words["repeat"] and "realisations = 200" in page[1].words["repeat"]
    assert "corridor assess project.toml --alignment alignment.csv" in page[1].words["repeat"]
    for subject in study.assessment.not_assessed:
        assert subject in page[1].words["limits"]
    for caution in CAUTIONS:
        assert caution in page[1].words["limits"] and caution in page[1].words[""]
    for warning in (*study.project.warnings, *study.assessment.warnings):
        assert warning in page[1].words["limits"]
    assert "synthetic" in page[1].words["method"]  # the study's note


_KEYS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1, max_size=8)
_PLAIN = (
    st.booleans()
    | st.integers(-(2**62), 2**62)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=20)
)
_TABLES = st.dictionaries(
    _KEYS, _PLAIN | st.lists(_PLAIN, max_size=3) | st.dictionaries(_KEYS, _PLAIN, max_size=2)
)


@given(st.dictionaries(_KEYS, _PLAIN | _TABLES | st.lists(_TABLES, min_size=1, max_size=3), max_size=5))
def test_settings_read_back_are_the_same(settings: dict) -> None:
    """Against the standard library's TOML reader."""
    assert tomllib.loads(toml_text(settings)) == settings


def test_the_page_is_one_file_without_scripts_under_a_tight_policy(page) -> None:
    html, read = page
    assert "script" not in read.tags and read.tags.count("style") == 1
    assert not [name for _, name, _ in read.attributes if name.startswith("on") or name == "style"]
    links = [value or "" for _, name, value in read.attributes if name in ("href", "src", "xlink:href")]
    assert links and all(link.startswith(("#", "data:image/webp;base64,")) for link in links)
    assert set(re.findall(r"https?://[^\s\"<]+", html)) <= {"http://www.w3.org/2000/svg"}
    policy = next(
        value for tag, name, value in read.attributes if tag == "meta" and value and "default-src" in value
    )
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    assert (
        rules["default-src"] == rules["script-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    )
    css = re.search(r"<style>(.*?)</style>", html, re.S)
    assert css is not None
    digest = base64.b64encode(hashlib.sha256(css[1].encode()).digest()).decode()
    assert rules["style-src"] == f"'sha256-{digest}'" and rules["img-src"] == "data: blob:"


def test_hostile_names_make_no_markup(hostile_study: Study, study: Study, a_stamp: Stamp) -> None:
    name = "</title><script>window.hacked=4</script>"
    project = replace(hostile_study.project, name=name, settings={"project": {"name": name}})
    hostile = replace(hostile_study, project=project, notes=(name,))
    stamp = replace(a_stamp, project=name, inputs=((name, name),))
    html, read = made(hostile, stamp, command=f"corridor route {name}")
    plain = made(study, a_stamp)[1]
    assert set(read.tags) <= set(plain.tags) and "script" not in read.tags and "img" not in read.tags
    assert "<img src=x onerror" not in html and name not in html
    assert "<img src=x onerror=window.hacked=1>" in "".join(read.words.values())  # as words
    assert "{{7*7}}" in html and "x" * 500 not in html
    assert html.count("<title>") == plain.tags.count("title")
    assert tomllib.loads(read.pre[1]) == {"project": {"name": name}}


def test_a_line_handed_in_without_pipe_says_what_is_missing(study: Study, a_stamp: Stamp) -> None:
    assessed = replace(study.assessment, spans=None, supports=None, pipe_summary=None)
    bare = replace(
        study, search=None, assessment=assessed, project=replace(study.project, pipe=None, rates={})
    )
    _, read = made(bare, a_stamp, command="")
    assert "No bound was computed" in read.words["bound"] and "–" in read.words["result"]
    assert "Not assessed: there is no [pipe] table." in read.words["spans"]
    assert "The line was handed in" in read.words["method"]
    assert (
        "not a command" in read.words["repeat"] and "Nothing in this run was random" in read.words["repeat"]
    )
    assert [cells[0] for cells in read.sections["quantities"][0][0]] != []
    assert len(read.sections["quantities"][0][0]) == 3  # no amounts


def test_the_writer_leaves_both_files(study: Study, a_stamp: Stamp, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    report_writer(COMMAND)(study, out, a_stamp)
    assert {file.name for file in out.iterdir()} == {"report.html", "quantities.csv"}
    again = tmp_path / "again"
    again.mkdir()
    report_writer(COMMAND)(study, again, a_stamp)
    for file in out.iterdir():
        assert file.read_bytes() == (again / file.name).read_bytes()
    assert (out / "report.html").stat().st_size < 1_000_000


@pytest.mark.parametrize(
    "column",
    [
        "kp_km",
        "kp_in_km",
        "depth_m",
        "easting_m",
        "latitude_deg",
        "radius_m",
        "frequency_inline_hz",
        "cost_m",
    ],
)
def test_pages_never_show_more_decimals_than_the_files(column: str) -> None:
    assert page_decimals(column) <= decimals(column)


def test_figures_and_words_one_by_one() -> None:
    # The contract: KP has three decimals on pages.
    assert figure("kp_km", 1.23456) == "1.235" and figure("kp_in_km", 0.0) == "0.000"
    assert figure("slope_along_deg", -0.001) == "0.00" and figure("depth_m", None) == "–"
    assert exact(1500.0) == "1500" and exact(-0.0) == "0" and exact(6.8123) == "6.8123" and exact(None) == "–"
    assert text("<b>\u202e a\n b") == "&lt;b&gt; a b" and text(None) == ""
    assert json.loads(json.dumps(text('"'))) == "&quot;"
