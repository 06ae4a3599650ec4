"""The sheets as an outside reader (pypdf) finds them, and as they are drawn: figures, words, room."""

from __future__ import annotations

import csv
import gc
import re
from dataclasses import replace
from pathlib import Path

import matplotlib
import numpy as np
import pypdf
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from corridor.model.publication import SheetSettings
from corridor.model.results import Study
from corridor.publish.provenance import Stamp
from corridor.publish.sheets import sheet, write_sheets
from corridor.publish.sheets_data import SheetSet
from corridor.publish.sheets_index import index_pages, sheet_rows
from corridor.publish.tables import write_csv
from corridor.publish.zones_sheet_page import SETTINGS, Page

POINTS_PER_MM = 72.0 / 25.4


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[SheetSet, pypdf.PdfReader, Path]:
    """A study's sheets, read back, and its data files beside them."""
    from datetime import UTC, datetime

    from tests.publish.synthetic import CRS, make_study

    from .conftest import with_pipe

    folder = tmp_path_factory.mktemp("sheets")
    study = with_pipe(make_study(folder))
    stamp = Stamp("Synthetic line", "B", CRS, "LAT", "0.1.0", datetime(2024, 1, 2, tzinfo=UTC))
    data = SheetSet(study, stamp, SheetSettings(client="A client", drawing_number="X-1"))
    (path,) = write_sheets(data, folder)
    assessed = study.assessment
    tables = {"chainage": assessed.chainage, "crossings": assessed.crossings, "spans": assessed.spans}
    tables |= {"setting_out": assessed.setting_out, "supports": assessed.supports}
    for name, table in tables.items():
        assert table is not None
        write_csv(folder / f"{name}.csv", name, table)
    return data, pypdf.PdfReader(path), folder


def rows_of(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def figures_after(title: str, page: str) -> list[str]:
    """The figures of a data row."""
    line = next(line for line in page.splitlines() if re.match(re.escape(title) + r" -?\d", line))
    return line.removeprefix(title).split()


def same(printed: str, in_file: str) -> bool:
    """A printed figure is the file's, rounded to its own decimals; never minus nought."""
    places = len(printed.partition(".")[2])
    return float(printed) == round(float(in_file), places) and not re.fullmatch(r"-0\.?0*", printed)


def test_pages_are_a3_with_embedded_true_type(written) -> None:
    data, reader, _ = written
    assert len(reader.pages) == len(data.strips) + 1 == 4
    for page in reader.pages:
        # ISO 216: A3 is 297 x 420 mm.
        size = (float(page.mediabox.width) / POINTS_PER_MM, float(page.mediabox.height) / POINTS_PER_MM)
        assert size == pytest.approx((420.0, 297.0), abs=0.1)
        fonts = [font.get_object() for font in page["/Resources"]["/Font"].values()]
        kinds = {font["/Subtype"] for font in fonts}
        assert fonts and "/Type3" not in kinds
    assert reader.metadata is not None
    assert reader.metadata.title == "Synthetic line" and "revision B" in (reader.metadata.subject or "")


def test_the_data_rows_are_the_chainage_files_figures(written) -> None:
    data, reader, folder = written
    by_kp = {row["kp_km"]: row for row in rows_of(folder, "chainage")}
    seen = 0
    for number, strip in enumerate(data.strips, 1):
        words = reader.pages[number].extract_text()
        kps = figures_after("KP, km", words)
        assert len(kps) >= 12
        assert all(strip.kp_from_km - 1e-6 <= float(kp) <= strip.kp_to_km + 1e-6 for kp in kps)
        for title, column in (
            ("Depth, m", "depth_m"), ("Slope along, °", "slope_along_deg"),
            ("Slope across, °", "slope_across_deg"),
        ):  # fmt: skip
            figures = figures_after(title, words)
            assert len(figures) == len(kps)
            for kp, figure in zip(kps, figures, strict=True):
                assert same(figure, by_kp[f"{float(kp):.6f}"][column]), (title, kp)
                seen += 1
    assert seen > 100


def test_alignment_crossings_spans_and_supports_are_the_files_figures(written) -> None:
    _, reader, folder = written
    words = "\n".join(page.extract_text() for page in reader.pages[1:])
    for row in rows_of(folder, "setting_out")[1:-1]:
        for column in ("kp_in_km", "kp_out_km"):
            assert f"TP {float(row[column]):.3f}" in words
        assert f"R {float(row['radius_m']):.1f} m, arc {float(row['arc_m']):.1f} m" in words
        assert f"{row['point']}: {abs(float(row['deflection_deg'])):.2f}° to the" in words
        assert re.search(
            rf"{row['point']}\s*{float(row['easting_m']):.2f}\s*{float(row['northing_m']):.2f}", words
        )
    for row in rows_of(folder, "setting_out")[:-1]:
        assert f"straight {float(row['straight_m']):.1f} m" in words
        assert f"bearing {float(row['leg_bearing_deg']):.3f}°" in words
    for row in rows_of(folder, "crossings"):
        assert row["feature"] in words
        tail = "" if row["ok"] == "true" else ", BROKEN"
        assert f"KP {float(row['kp_km']):.3f}, {float(row['angle_deg']):.1f}°{tail}" in words
    for row in rows_of(folder, "spans"):
        assert f"{row['span']}: {float(row['length_m']):.0f} m" in words
    for row in rows_of(folder, "supports"):
        assert f"{row['support']}: KP {float(row['kp_km']):.3f}, {float(row['height_m']):.2f} m" in words


def test_every_sheet_has_its_furniture(written) -> None:
    data, reader, _ = written
    last = len(data.strips)
    for number, strip in enumerate(data.strips, 1):
        words = reader.pages[number].extract_text()
        assert f"Sheet {number} of {last}" in words
        assert f"KP {strip.kp_from_km:.3f} to KP {strip.kp_to_km:.3f}" in words
        assert "Plan 1:10 000 at A3" in words and "N true" in words and "Key plan" in words
        assert "Grid convergence" in words and "Vertical datum: LAT" in words and "EPSG:32740" in words
        assert "Screening aid. Not for construction, installation or navigation." in words
        assert "A client" in words and "X-1" in words
        scales = re.search(r"horizontal 1:10 000, vertical 1:([\d ]+), vertical exaggeration ([\d.]+)", words)
        assert scales is not None
        assert float(scales[2]) == pytest.approx(1e4 / float(scales[1].replace(" ", "")), rel=5e-3)
        for neighbour, kp in ((number - 1, strip.kp_from_km), (number + 1, strip.kp_to_km)):
            if 1 <= neighbour <= last:
                assert f"MATCH LINE KP {kp:.3f}, sheet {neighbour}" in words
    assert "START, KP 0.000" in reader.pages[1].extract_text()
    assert f"END, KP {data.strips[-1].kp_to_km:.3f}" in reader.pages[last].extract_text()


def test_the_index_lists_every_sheet_and_says_what_is_broken(written) -> None:
    data, reader, _ = written
    words = reader.pages[0].extract_text()
    assert "Index of 3 sheets" in words and "1 of 3 checks BROKEN" in words
    assert "Not assessed: on-bottom stability; buckling; trawl impact" in words
    for strip in data.strips:
        assert re.search(rf"{strip.number}\s*{strip.kp_from_km:.3f}\s*{strip.kp_to_km:.3f}\s*1:10 000", words)


def test_two_runs_give_the_same_bytes(written, tmp_path: Path) -> None:
    data, _, folder = written
    write_sheets(SheetSet(data.study, data.stamp, data.settings), tmp_path)
    assert (tmp_path / "sheets.pdf").read_bytes() == (folder / "sheets.pdf").read_bytes()


def test_a_long_set_is_split_and_no_page_stays_in_memory(data: SheetSet, tmp_path: Path) -> None:
    settings = SheetSettings(kp_per_sheet_km=3.0, sheets_per_file=2, picture_dpi=0)
    split = SheetSet(data.study, data.stamp, settings)
    gc.collect()
    before = sum(isinstance(item, Figure) for item in gc.get_objects())
    files = write_sheets(split, tmp_path)
    gc.collect()
    assert sum(isinstance(item, Figure) for item in gc.get_objects()) == before
    assert [file.name for file in files] == ["sheets-01.pdf", "sheets-02.pdf"]
    assert [len(pypdf.PdfReader(file).pages) for file in files] == [3, 1]  # the index and three sheets
    assert "sheets-02.pdf" in pypdf.PdfReader(files[0]).pages[0].extract_text()


def all_pages(data: SheetSet) -> list[Page]:
    with matplotlib.rc_context(SETTINGS):  # type: ignore[arg-type]
        return [*index_pages(data), *(sheet(data, strip) for strip in data.strips)]


def words_of(page: Page) -> list[Text]:
    found = page.figure.findobj(Text)
    return [text for text in found if text.get_text().strip() and text.get_visible()]


@pytest.mark.parametrize("orientation", ["line", "north"])
def test_no_words_leave_the_sheet_or_cover_each_other(study: Study, a_stamp: Stamp, orientation: str) -> None:
    """Every text of the sheet itself and every level label of a plan keeps clear of the others."""
    for page in all_pages(SheetSet(study, a_stamp, SheetSettings(orientation=orientation))):
        canvas = FigureCanvasAgg(page.figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        width, height = page.figure.bbox.size
        boxes = []
        for text in words_of(page):
            box = text.get_window_extent(renderer)
            assert box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height, text.get_text()
            if text.get_rotation() == 0.0:
                boxes.append((text.get_text(), box.x0 + 0.5, box.y0 + 0.7, box.x1 - 0.5, box.y1 - 0.7))
        for i, (one, x0, y0, x1, y1) in enumerate(boxes):
            for two, a0, b0, a1, b1 in boxes[i + 1 :]:
                assert not (x0 < a1 and a0 < x1 and y0 < b1 and b0 < y1), f"{one!r} covers {two!r}"


def test_hostile_names_are_words_on_the_sheet(hostile_study: Study, a_stamp: Stamp) -> None:
    pages = all_pages(SheetSet(hostile_study, a_stamp, SheetSettings()))
    words = "\n".join(text.get_text() for page in pages for text in words_of(page))
    assert "{% x %}" in words and "${7*7} `id` & <b>" in words and "=cmd|' /C calc'!A0" in words
    assert not any(
        text.get_parse_math() for page in pages for text in words_of(page) if "$" in text.get_text()
    )
    assert "x" * 1000 not in words and "\x00" not in words


def test_without_pipe_and_without_seabed_the_sheet_says_so(study: Study, a_stamp: Stamp) -> None:
    table = study.assessment.profile
    depth = np.array(table["depth_m"])
    depth[(table["kp_km"] > 1.0) & (table["kp_km"] < 2.0)] = np.nan
    assessed = replace(
        study.assessment, spans=None, supports=None, profile={"kp_km": table["kp_km"], "depth_m": depth}
    )
    words = [text.get_text() for text in words_of(one_page(replace(study, assessment=assessed), a_stamp))]
    assert words.count("not assessed") == 2 and "no seabed data" in words and "seabed (no pipe laid)" in words
    blind = replace(assessed, profile={"kp_km": table["kp_km"], "depth_m": np.full(len(depth), np.nan)})
    blind_data = SheetSet(replace(study, assessment=blind), a_stamp, SheetSettings(picture_dpi=0))
    assert [row[4] for row in sheet_rows(blind_data)] == ["no data"] * 3
    assert words_of(one_page(blind_data.study, a_stamp))


def test_the_revision_block_has_what_was_given_and_this_issue_once(study: Study, a_stamp: Stamp) -> None:
    rows = tuple({"revision": letter, "date": "2024-01-01", "text": f"issue {letter}"} for letter in "AB")
    words = [text.get_text() for text in words_of(one_page(study, a_stamp, revisions=rows))]
    assert words.count("issue B") == 1 and "this issue" not in words
    words = [text.get_text() for text in words_of(one_page(study, a_stamp, revisions=rows[:1]))]
    assert "issue A" in words and "this issue" in words


def one_page(study: Study, a_stamp: Stamp, **settings) -> Page:
    """The first sheet, without its picture."""
    data = SheetSet(study, a_stamp, SheetSettings(picture_dpi=0, **settings))
    with matplotlib.rc_context(SETTINGS):  # type: ignore[arg-type]
        return sheet(data, data.strips[0])
