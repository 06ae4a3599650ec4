"""The map on paper: by its own button and by the browser's own command."""

from __future__ import annotations

from pathlib import Path

import pytest
from pypdf import PdfReader

from corridor.publish.map import write_map
from corridor.publish.provenance import stamp

from .browser import Watched, chromium
from .synthetic import make_study

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """A study's map, in a folder."""
    folder = tmp_path_factory.mktemp("print")
    study = make_study(folder)
    write_map(folder / "map.html", study, stamp(study.project))
    return folder


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_browsers_own_print_gets_the_page_drawn_for_paper(
    browser, made: Path, tmp_path: Path, scheme: str
) -> None:
    """Page.pdf is what Ctrl+P does: it says that it prints, and takes the page at once."""
    watched = Watched(browser, made / "map.html", scheme=scheme)
    page = watched.page
    state = """() => {
        const frame = document.getElementById("map_corridor").getBoundingClientRect();
        const { map, lines } = Corridor.parts;
        const ends = [0, lines[0].length].map((kp) => map.latLngToContainerPoint(lines[0].at(kp)).x);
        return {
            map: frame.width, drawn: map.getSize().x, chart: document.getElementById("chart").width, ends,
            theme: document.documentElement.dataset.theme,
            open: [...document.querySelectorAll(".panel details")].map((box) => box.open),
        };
    }"""
    before = page.evaluate(state)
    page.evaluate(f"() => addEventListener('beforeprint', () => (window.printed = ({state})()))")
    page.pdf(path=tmp_path / "map.pdf", landscape=True, print_background=True)
    printed = page.evaluate("() => window.printed")
    assert printed["map"] == printed["drawn"] == printed["chart"] == 1040  # 277 mm of A4 at 96 pixels an inch
    assert 0 < printed["ends"][0] < printed["ends"][1] < 1040 and printed["ends"][1] > 600
    assert printed["theme"] == "light" and all(printed["open"]) and not all(before["open"])
    # The seabed and what is drawn over it are both pictures on the first page (pypdf, an outside reader).
    sizes = sorted(image.image.size[0] for image in PdfReader(tmp_path / "map.pdf").pages[0].images)
    assert len(sizes) >= 2 and sizes[-1] >= 2 * 1040
    watched.settle()
    assert page.evaluate(state) == before
    assert watched.faults == []


def test_the_page_prints_with_map_profile_and_lists(browser, made: Path) -> None:
    watched = Watched(browser, made / "map.html")
    page = watched.page
    page.evaluate("() => Corridor.forPrint(true)")
    page.emulate_media(media="print")
    watched.settle()
    assert not page.locator(".tools").is_visible() and not page.locator("#where").is_visible()
    frame = page.locator("#map_corridor").bounding_box()
    chart = page.locator("#chart").bounding_box()
    panel = page.locator("#panel").bounding_box()
    assert frame["y"] + frame["height"] <= chart["y"] and chart["y"] + chart["height"] <= panel["y"] + 1
    assert page.locator("#caution").is_visible()
