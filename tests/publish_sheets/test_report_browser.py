"""The report in headless Chromium with the network off: on screen at two sizes, and printed."""

from __future__ import annotations

import io
from pathlib import Path

import pypdf
import pytest

from corridor.model.results import Study
from corridor.publish.provenance import Stamp
from corridor.publish.report import report_writer
from tests.publish.browser import chromium

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser():
    with chromium() as one:
        yield one


@pytest.mark.parametrize("width", [1280, 390])
def test_it_opens_offline_without_a_word_of_complaint(
    browser, hostile_study: Study, a_stamp: Stamp, tmp_path: Path, width: int
) -> None:
    report_writer("corridor route project.toml")(hostile_study, tmp_path, a_stamp)
    context = browser.new_context(viewport={"width": width, "height": 900})
    context.set_offline(True)
    page = context.new_page()
    faults: list[str] = []
    page.on("console", lambda message: faults.append(message.text))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("dialog", lambda dialog: (faults.append(dialog.message), dialog.dismiss()))
    page.on(
        "request",
        lambda request: None if request.url.startswith(("file:", "data:")) else faults.append(request.url),
    )
    page.goto((tmp_path / "report.html").as_uri())
    assert faults == []
    assert page.evaluate("window.hacked") is None
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Our style took effect: the policy allows it.
    assert page.evaluate("getComputedStyle(document.querySelector('.status')).fontWeight") == "700"
    assert page.locator("svg image").count() == 1
    seen = page.evaluate("document.body.innerText")
    assert "<img src=x onerror=window.hacked=1>" in seen
    for table in page.locator(".scroll").all():
        assert table.evaluate("box => box.clientWidth <= document.documentElement.clientWidth")
    context.close()


def test_it_prints_on_a4_with_nothing_cut_off(browser, study: Study, a_stamp: Stamp, tmp_path: Path) -> None:
    report_writer("corridor route project.toml")(study, tmp_path, a_stamp)
    page = browser.new_page()
    page.goto((tmp_path / "report.html").as_uri())
    document = pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    page.close()
    words = [sheet.extract_text() for sheet in document.pages]
    assert all(len(text.strip()) > 20 for text in words)  # no empty page
    size = document.pages[0].mediabox
    # ISO 216: A4 is 210 x 297 mm.
    assert float(size.width) * 25.4 / 72 == pytest.approx(210.0, abs=0.5)
    assert float(size.height) * 25.4 / 72 == pytest.approx(297.0, abs=0.5)
    whole = "".join("".join(words).split())
    for words_wanted in ("Synthetic line", "To repeat it", "beside the ridge", "ab" * 32):
        assert "".join(words_wanted.split()) in whole


def test_no_table_is_wider_than_the_printed_page(
    browser, study: Study, a_stamp: Stamp, tmp_path: Path
) -> None:
    report_writer("corridor route project.toml")(study, tmp_path, a_stamp)
    # A4 less its margins of 13 mm at 96 px per inch.
    page = browser.new_page(viewport={"width": int((210 - 26) / 25.4 * 96), "height": 900})
    page.emulate_media(media="print")
    page.goto((tmp_path / "report.html").as_uri())
    too_wide = page.evaluate(
        "[...document.querySelectorAll('table')].filter(t => t.scrollWidth > t.parentElement.clientWidth + 1)"
        ".map(t => t.innerText.slice(0, 60))"
    )
    page.close()
    assert too_wide == []
