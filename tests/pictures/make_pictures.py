"""The README's pictures, made from the sample: the maps in a browser, and one alignment sheet.

Run it after a change of how either looks, then look at what it wrote::

    python tests/pictures/make_pictures.py

It needs the test packages and Debian's Chromium, and takes a minute or two.
"""

from __future__ import annotations

import io
import shutil
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

import matplotlib
from PIL import Image
from playwright.sync_api import sync_playwright

import corridor
from corridor.model.results import Assessment, Study
from corridor.publish.map import write_map
from corridor.publish.provenance import stamp
from corridor.publish.sheets import sheet, sheet_set
from corridor.publish.zones_sheet_page import SETTINGS

HERE = Path(__file__).parent
SAMPLE = HERE.parents[1] / "sample_gis" / "project.toml"
WIDTH, HEIGHT = 1280, 800
SHEET_AT_KM = 10.0
"""The sheet that holds this KP: sand waves, spans and a crossing are on it."""


def map_picture(study: Study, others: Mapping[str, Assessment] | None = None, place: str = "") -> Image.Image:
    """The map as it opens, or about a place of the line, with a marker on the profile and on the line."""
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        page_file = Path(folder) / "map.html"
        write_map(page_file, study, stamp(study.project), others)
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
        page.goto(page_file.as_uri())
        page.wait_for_selector("html[data-ready=yes]", state="attached")
        if place:
            page.fill("#jump-to", place)
            page.press("#jump-to", "Enter")
            page.wait_for_timeout(800)
        box = page.locator("#chart").bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + 0.56 * box["width"], box["y"] + 30)
        page.wait_for_timeout(800)
        shot = page.screenshot()
        browser.close()
    return Image.open(io.BytesIO(shot)).convert("RGB")


def sheet_picture(study: Study) -> Image.Image:
    """One alignment sheet at a size that a screen shows."""
    data = sheet_set(study, stamp(study.project))
    strip = next(one for one in data.strips if one.kp_to_km > SHEET_AT_KM)
    buffer = io.BytesIO()
    with matplotlib.rc_context(SETTINGS):  # type: ignore[arg-type]
        sheet(data, strip).figure.savefig(buffer, format="png", dpi=96)
    return Image.open(buffer).convert("RGB")


def reroute_picture() -> Image.Image:
    """The approved line and the one round the new wreck."""
    project = corridor.read_project(SAMPLE)
    approved = corridor.read_alignment(SAMPLE.with_name("approved_line.csv"), project.crs)
    wreck = corridor.read_around(str(SAMPLE.with_name("new_wreck.geojson")), project.crs, None)
    study, old, _ = corridor.rerouted_study(corridor.reroute(project, approved, wreck))
    return map_picture(study, {"approved line": old}, "KP 21.5")


def main() -> None:
    study = corridor.route(corridor.read_project(SAMPLE))
    pictures = {"map": map_picture(study), "sheet": sheet_picture(study), "reroute": reroute_picture()}
    for name, picture in pictures.items():
        file = HERE / f"{name}.webp"
        picture.save(file, "WEBP", quality=82, method=6)
        print(f"{file.name}: {picture.width} x {picture.height}, {file.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
