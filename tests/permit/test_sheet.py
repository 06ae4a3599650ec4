"""The printed sheet: to scale, complete, harmless, honest about what it cannot show."""

from __future__ import annotations

import re
from dataclasses import replace

import matplotlib
import numpy as np
import pytest
import shapely
from matplotlib.text import Text

from corridor.model.permit import Reference
from corridor.publish.zones_sheet import map_page, sheet_frame, write_zones_sheet
from corridor.publish.zones_sheet_map import (
    Frame,
    detail_windows,
    frame_around,
    grid_step_m,
    hatch_lines,
    number_zones,
    prepared,
)
from corridor.publish.zones_sheet_page import SETTINGS, Page, printable, text_mm, wrapped
from corridor.publish.zones_sheet_tables import (
    COORDINATES,
    coordinate_rows,
    definition,
    printed_zones,
    sections,
)
from corridor.routing.geodesy import to_wgs84

from .synthetic import STAMP, hostile_study, sample_study


@pytest.fixture(scope="module")
def study():
    return sample_study(applicant="Teapot Marine (invented)", drawing_number="TP-7", checked_by="C. D.")


def words(page: Page) -> list[str]:
    return [item.get_text() for item in page.figure.findobj(Text) if item.get_text()]


def made(study) -> tuple[Page, set[str]]:
    missing: set[str] = set()
    with matplotlib.rc_context(SETTINGS):
        return map_page(study, STAMP, sheet_frame(study), missing), missing


def test_sheet_carries_what_an_authority_asks_for(study):
    page, _ = made(study)
    text = "\n".join(words(page))
    for part in (
        "Scale 1:100 000 at A3", "N true", "Grid convergence at the centre +0.44°", "WGS 84 / UTM zone 31N",
        "Graticule: WGS 84, every 5 minutes", "Vertical datum: LAT", "Legend", "Keep out, in force (7)",
        "Discouraged ground, not in force (1)", "Key plan", "Detail A", "Revision", "B", "2027-02-01", "TP-7",
        "C. D.", "Teapot Marine (invented)", "003°25'E", "56°05'N", "525000 E", "6215000 N", "KP 10",
        "Study period: 2027-05-01 to 2027-07-31", "Screening aid. Not for construction",
    ):  # fmt: skip
        assert part in text


def test_convergence_on_the_sheet(study):
    """tan(gamma) = tan(lon - lon0) sin(lat): transverse Mercator on a sphere (Snyder 1987, from memory)."""
    frame = sheet_frame(study)
    lon, lat = to_wgs84(study.crs, frame.easting_m, frame.northing_m)
    gamma = np.degrees(np.arctan(np.tan(np.radians(lon - 3.0)) * np.sin(np.radians(lat))))
    assert f"{gamma:+.2f}" == "+0.44"


def test_map_is_to_scale(study):
    """1 km of grid is 10 mm on paper at 1:100,000; exact."""
    page, _ = made(study)
    frame = sheet_frame(study)
    main = page.figure.axes[1]
    box = main.get_position()
    width_mm = box.width * 420.0
    west, east = main.get_xlim()
    assert (east - west) / width_mm == pytest.approx(frame.scale / 1000.0, rel=1e-9)
    assert frame.scale == 100_000.0
    assert np.isclose(box.height * 297.0 / width_mm, np.ptp(main.get_ylim()) / (east - west))


def test_everything_near_the_line_is_on_the_map(study):
    frame = sheet_frame(study)
    assert frame.box.covers(study.corridor)
    assert all(frame.box.covers(zone.outline) for zone in study.zones)


def test_names_of_assets_stay_on_the_map(study):
    frame = sheet_frame(study)
    west, south, east, north = frame.bounds_m
    edges = {
        "An asset that leaves by the east (invented)": [
            (east - 900.0, south + 9e3),
            (east + 9e3, south + 9e3),
        ],
        "An asset along the north (invented)": [(west + 3e3, north - 10.0), (east, north - 10.0)],
        "An asset along the south (invented)": [(west + 3e3, south + 10.0), (east, south + 10.0)],
    }
    assets = tuple(
        Reference("cables", name, "cross", shapely.LineString(line), "", {}) for name, line in edges.items()
    )
    page, _ = made(replace(study, references=assets))
    main = page.figure.axes[1]
    page.figure.set_dpi(600)  # letters as wide as in print: at few pixels they are rounded
    page.figure.canvas.draw()
    shown = main.get_window_extent()
    for name in edges:
        box = next(item for item in main.texts if item.get_text() == name).get_window_extent()
        assert shown.x0 <= box.x0 and box.x1 <= shown.x1, name
        assert shown.y0 <= box.y0 and box.y1 <= shown.y1, name


@pytest.mark.parametrize(
    ("extent_m", "scale"), [(20_000.0, 100_000.0), (25_000.0, 125_000.0), (990.0, 5_000.0)]
)
def test_scale_is_the_largest_round_one_that_fits(extent_m, scale):
    frame = frame_around((0.0, 0.0, extent_m, 10.0), 220.0, 200.0)
    assert frame.scale == scale
    assert frame_around((0.0, 0.0, extent_m, 10.0), 220.0, 200.0, 5e4).scale == 5e4


def test_grid_ticks_are_round_and_apart():
    for scale in (5e3, 2e4, 1e5, 7.5e5):
        step = grid_step_m(Frame(0.0, 0.0, scale, 280.0, 260.0))
        assert 30.0 <= step / scale * 1000.0 <= 75.0
        assert f"{step:.0f}".rstrip("0") in ("1", "2", "5")


def test_hatch_lies_inside_and_is_evenly_spaced():
    square = shapely.box(0.0, 0.0, 100.0, 100.0)
    lines = hatch_lines(np.array([square], dtype=object), 1.0, 10.0)
    assert len(lines) in (13, 14, 15)  # diagonal 141.4 m across by 10 m
    for line in lines:
        assert square.buffer(1e-6).covers(shapely.LineString(line))
    offsets = sorted((line[0, 1] - line[0, 0]) / np.sqrt(2.0) for line in lines)
    assert np.diff(offsets) == pytest.approx(10.0)


def test_numbers_do_not_cover_each_other(study):
    page = Page()
    frame = sheet_frame(study)
    left = number_zones(prepared(page, frame, 16.0, 16.0), frame, [*study.zones, *study.zones])
    assert left >= len(study.zones)  # every number a second time finds its place taken


def test_details_show_small_zones(study):
    frame = Frame(533_000.0, 6_213_000.0, 200_000.0, 280.0, 260.0)
    windows = detail_windows(study.zones, frame, 40.0, 3)
    assert windows and all(window.scale < frame.scale for window in windows)
    small = study.zones[0].outline
    assert any(window.box.covers(small) for window in windows)


def test_coordinates_define_the_zones(study):
    rows = coordinate_rows(study, study.zones)
    assert rows[0] == "Zone 1: all within 110.0 m of the point"
    assert "56°03.694649'N" in rows[1][0] and "524000.00" in rows[1][0]
    assert definition(study.zones[6]) == "the area bounded by"
    assert definition(study.zones[7]) == "all within 210.0 m of the line through"
    assert all(len(row) == len(COORDINATES) for row in rows if not isinstance(row, str))


def test_limits_of_print_are_said(study):
    few = sample_study(sheet_vertices=3)
    rows = coordinate_rows(few, few.zones)
    assert rows[-1].endswith("further zones: coordinates stand in zones.csv")
    assert printed_zones(study, sheet_frame(study).box) == list(study.zones)
    titles = [title for title, *_ in sections(study, sheet_frame(study).box)]
    assert titles[:3] == ["Schedule of zones", "Coordinates that define the zones", "Conditions"]


def test_characters_the_font_lacks_are_replaced_and_counted():
    missing: set[str] = set()
    assert printable("Ølnebben Γλάρος Чайка ½ °", missing) == "Ølnebben Γλάρος Чайка ½ °" and not missing
    assert printable("沈船 מזבח", missing) == "\ufffd\ufffd \ufffd\ufffd\ufffd\ufffd"
    assert missing == set("沈船מזבח")


def test_text_fits_its_width():
    lines = wrapped("a few words and " + "x" * 400, 7.0, 50.0)
    assert "".join(lines).replace(" ", "") == ("afewwordsand" + "x" * 400)
    assert max(text_mm(line, 7.0) for line in lines) <= 50.0
    page = Page()
    assert text_mm(page.fitted("wide " * 50, 7.0, 30.0), 7.0) <= 30.0


def test_hostile_sheet_is_written_and_says_what_is_missing(tmp_path):
    """No name is taken for a formula or for markup; the document has A3 pages and embedded fonts."""
    study = hostile_study()
    page, missing = made(study)
    text = "\n".join(words(page))
    assert "</script>" in text and "\u202e" not in text
    assert missing == set()  # no zone's name stands on the map itself, only its number
    path = tmp_path / "zones.pdf"
    write_zones_sheet(path, study, STAMP)
    content = path.read_bytes()
    boxes = set(re.findall(rb"/MediaBox \[ ?([\d. ]+?) ?\]", content))
    # A3 landscape (ISO 216): 420 x 297 mm = 1190.55 x 841.89 points.
    sides = {tuple(round(float(value), 1) for value in box.split()) for box in boxes}
    assert sides == {(0.0, 0.0, 1190.6, 841.9)}
    assert len(re.findall(rb"/Type /Page\b(?!s)", content)) >= 4
    assert b"/FontFile2" in content and b"/Subtype /Type3" not in content
    assert b"/JavaScript" not in content and b"/URI" not in content
