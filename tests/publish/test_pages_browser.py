"""Report, options and zones on a dark screen and on a tablet: readable, and the map comes first."""

from __future__ import annotations

from pathlib import Path

import pytest

from corridor.publish.options_page import page as options_page
from corridor.publish.provenance import stamp
from corridor.publish.report import report_writer
from corridor.publish.summary import json_ready
from corridor.publish.zones_page import write_zones_page
from corridor.routing.geometry import elements
from corridor.routing.options_table import Options, comparison

from ..permit.synthetic import STAMP, sample_study
from .browser import chromium, contrast
from .synthetic import make_alignment, make_study

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("pages")
    study = make_study(folder)
    marks = stamp(study.project)
    report_writer("corridor route project.toml")(study, folder, marks)
    options = Options((study,), ("A",), (), study.assessment.length_m, 1)
    content = {"options": json_ready(comparison(options)), "notes": [], "cautions": ["Screening aid."]}
    (folder / "options.html").write_text(options_page(options, content, marks), encoding="utf-8")
    write_zones_page(folder / "zones.html", sample_study(), STAMP)
    return folder


def opened(browser, file: Path, width: int, height: int, scheme: str):
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    context.set_offline(True)
    page = context.new_page()
    page.goto(file.as_uri())
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(
    ("name", "places"),
    [
        ("report", ("h1", ".under", ".status", ".caution", "td", "th", "nav a", "figcaption", "footer")),
        ("options", ("h1", "#title", ".caution", "td", "th", "a", "#legend")),
        ("zones", ("h1", ".names", "td", ".foot")),
    ],
)
def test_text_stands_out_on_a_light_and_on_a_dark_screen(
    browser, pages: Path, name: str, places: tuple[str, ...], scheme: str
) -> None:
    page = opened(browser, pages / f"{name}.html", 1280, 900, scheme)
    ground = page.evaluate("() => getComputedStyle(document.body).backgroundColor")
    if ground == "rgba(0, 0, 0, 0)":
        ground = page.evaluate("() => getComputedStyle(document.documentElement).backgroundColor")
    light = sum(int(part) for part in ground[4:-1].split(",")[:3]) > 3 * 128
    assert light == (scheme == "light")
    # WCAG 2.1, success criterion 1.4.3: text against its ground at least 4.5 to 1.
    for place in places:
        assert contrast(page, place) >= 4.5, place
    page.context.close()


def test_the_options_plan_has_a_true_scale_bar(browser, pages: Path) -> None:
    page = opened(browser, pages / "options.html", 1280, 900, "light")
    bar = page.evaluate("() => document.querySelector('#scale-bar path').getBBox().width")
    line = page.evaluate("() => document.querySelector('#plan polyline:last-of-type').getTotalLength()")
    assert page.locator("#scale-bar text").text_content() == "1 km"
    # The plan is drawn in metres, lines and bar alike.
    assert bar == pytest.approx(1000.0) and line == pytest.approx(elements(make_alignment()).total_m, abs=1.0)
    page.context.close()


def test_on_a_tablet_the_zones_map_comes_before_the_list(browser, pages: Path) -> None:
    page = opened(browser, pages / "zones.html", 768, 1024, "light")
    drawn, listed = page.locator(".mapside").bounding_box(), page.locator(".side").bounding_box()
    assert drawn["y"] + drawn["height"] <= listed["y"] + 1.0
    assert drawn["y"] + drawn["height"] < 1024 * 0.8  # all of it in sight when the page opens
    page.context.close()
