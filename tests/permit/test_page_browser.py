"""The page in real Chromium, network off: harmless, filtered, searched and used by keyboard alone."""

from __future__ import annotations

import re

import pytest
import shapely

from corridor.publish.zones_page import display_shapes, write_zones_page, zones_page

from ..publish.browser import Watched, chromium
from .synthetic import HOSTILE, STAMP, hostile_study, objects, sample_study


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("zones")
    write_zones_page(folder / "zones.html", sample_study(), STAMP)
    write_zones_page(folder / "hostile.html", hostile_study(), STAMP)
    return folder


@pytest.fixture
def watched(browser, files):
    page = Watched(browser, files / "zones.html")
    yield page
    assert page.requests == [] and page.faults == []
    page.page.context.close()


def listed(page) -> list[str]:
    return page.locator("#list button > span:nth-child(2) bdi").all_inner_texts()


@pytest.mark.browser
def test_page_shows_the_zones_and_asks_nobody(watched):
    page = watched.page
    assert page.title() == "Exclusion zones (invented)"
    assert page.inner_text("#count") == "8 of 8 zones"
    assert "WGS 84 and EPSG:32631" in page.inner_text("#subtitle") and "LAT" in page.inner_text("#subtitle")
    assert "Not for construction" in page.inner_text("#caution")
    assert page.locator(".legend li").all_inner_texts()[0] == "Keep out"
    drawn = page.evaluate(
        """() => { const c = document.querySelector('#map canvas');
                   const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
                   let red = 0;
                   for (let i = 0; i < d.length; i += 4)
                     if (d[i] > 150 && d[i + 1] < 90 && d[i + 2] < 60) red++;
                   return red; }"""
    )
    assert drawn > 200  # outlines in the colour of keep-out zones


@pytest.mark.browser
def test_search_and_choose_by_keyboard_alone(watched):
    page = watched.page
    page.keyboard.press("/")
    page.keyboard.type("γλαρος")  # without its accent
    page.wait_for_timeout(50)
    assert listed(page) == ["Γλάρος"]
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.closest('#list') !== null"):
            break
    page.keyboard.press("Enter")
    assert page.is_visible("#detail")
    text = page.inner_text("#detail")
    assert "210.0 m = standoff 150.0 + position 50.0 + lay tolerance 10.0" in text
    assert "Wreck order 7 (invented)" in text and "Harbour authority (invented)" in text
    assert page.inner_text(".leaflet-control-scale-line").endswith(" m")  # zoomed in from kilometres
    page.keyboard.press("Escape")
    assert not page.is_visible("#detail")


@pytest.mark.browser
def test_arrows_walk_the_list(watched):
    page = watched.page
    page.locator("#list button").first.focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    assert "Чайка" in page.evaluate("document.activeElement.innerText")
    page.keyboard.press("ArrowUp")
    assert "Γλάρος" in page.evaluate("document.activeElement.innerText")


@pytest.mark.browser
def test_filter_by_class(watched):
    page = watched.page
    page.locator("#class-box summary").focus()
    page.keyboard.press("Enter")
    page.click("#class-none")
    assert page.inner_text("#count") == "0 of 8 zones"
    page.get_by_label("wrecks").focus()
    page.keyboard.press("Space")
    assert page.inner_text("#count") == "4 of 8 zones"
    page.click("#reset")
    page.wait_for_timeout(50)
    assert page.inner_text("#count") == "8 of 8 zones"


@pytest.mark.browser
def test_filter_by_season(watched):
    page = watched.page
    page.select_option("#force", "out")
    assert listed(page) == ["Rolling Pin"]
    page.select_option("#force", "day")
    page.fill("#day", "2027-12-24")
    names = listed(page)
    assert "Rolling Pin" in names and "Doily reserve" not in names
    page.fill("#day", "2027-04-01")
    names = listed(page)
    assert "Rolling Pin" not in names and "Doily reserve" in names


@pytest.mark.browser
def test_click_on_the_map_tells_the_zone(watched):
    page = watched.page
    page.fill("#search", "breadboard")
    page.wait_for_timeout(50)
    page.locator("#list button").click()
    page.keyboard.press("Escape")
    box = page.locator("#map").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2.0, box["y"] + box["height"] / 2.0)
    assert "Breadboard safety zone" in page.inner_text("#detail")
    assert "only an authority can relax this limit" in page.inner_text("#detail")
    where = page.inner_text("#where")
    easting = float(re.search(r"E ([\d\u202f]+\.\d)", where)[1].replace("\u202f", ""))
    assert 537_000.0 < easting < 538_000.0  # the zone's own coordinates


@pytest.mark.browser
def test_print_style(watched):
    page = watched.page
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert not page.is_visible(".side") and page.is_visible("#printed table")
    assert page.locator("#printed tbody tr").count() == 8
    assert page.locator("#tables details:not([open])").count() == 0
    width = page.evaluate("document.querySelector('#map canvas').getBoundingClientRect().width")
    assert width == pytest.approx(396.0 / 25.4 * 96.0, abs=4.0)  # 396 mm of A3 at 96 pixels an inch
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("#tables details:not([open])").count() > 0


@pytest.mark.browser
def test_hostile_names_are_plain_text(browser, files):
    watched = Watched(browser, files / "hostile.html")
    page = watched.page
    assert page.locator("#list button").count() == len(HOSTILE)
    for i in range(len(HOSTILE)):
        page.locator("#list button").nth(i).click()
        heading = page.locator("#detail h2 bdi").evaluate("(e) => e.textContent")
        if i not in (5, 7):
            assert heading == HOSTILE[i]
        assert page.locator("#detail h2").evaluate("(e) => e.querySelectorAll('img, script').length") == 0
    assert page.evaluate("document.querySelectorAll('main img, main script, #tables img').length") == 0
    assert page.title() == HOSTILE[1]
    assert "49" not in page.inner_text("#class-box")  # {{ 7 * 7 }} was not worked out
    assert watched.requests == [] and watched.faults == []
    page.context.close()


@pytest.mark.browser
def test_narrow_screen_and_dark_theme(browser, files):
    watched = Watched(browser, files / "zones.html", width=420, height=800, scheme="dark")
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= 420
    assert watched.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(25, 28, 34)"
    assert watched.requests == [] and watched.faults == []
    watched.page.context.close()


def test_page_allows_nothing_but_itself():
    """W3C Content Security Policy level 3: everything denied, own scripts and styles by hash."""
    html = zones_page(hostile_study(), STAMP)
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', html)[1]
    assert policy.startswith("default-src 'none'") and "unsafe" not in policy and "http" not in policy
    data = re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', html, re.S)
    assert len(data) == 7 and not any("<" in content for content in data)
    assert html.index("Content-Security-Policy") < html.index("<script")
    assert "sourceMappingURL" not in html


def test_display_is_simplified_only_when_it_must_be(monkeypatch):
    study = sample_study()
    outlines = objects([zone.outline for zone in study.zones])
    same, tolerance = display_shapes(outlines, 5.0)
    assert tolerance == 0.0 and all(a is b for a, b in zip(same, outlines, strict=True))
    monkeypatch.setattr("corridor.publish.zones_page.MOST_VERTICES", 120)
    drawn, tolerance = display_shapes(outlines, 5.0)
    assert tolerance >= 5.0
    for before, after in zip(outlines, drawn, strict=True):
        assert before.hausdorff_distance(after) <= tolerance * 1.5
    assert shapely.get_num_coordinates(drawn).sum() <= 120
