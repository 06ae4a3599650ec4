"""Headless Chromium with the network off, for the tests of the map."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, sync_playwright

ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def chromium_path() -> str:
    """Debian's Chromium; without it the tests skip, in CI they fail."""
    found = shutil.which("chromium")
    if found:
        return found
    if os.environ.get("CI") == "true":
        pytest.fail("chromium is not installed, and CI must test the map")
    pytest.skip("chromium is not installed")


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser."""
    path = chromium_path()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(ARGUMENTS))
        yield browser
        browser.close()


class Watched:
    """A page opened from a file, with everything it must not do written down.

    Attributes
    ----------
    requests : list of str
        Addresses asked for that are not a file or part of the page itself, refused ones included.
    refused : list of str
        Why and what: "csp: https://..." never left the page.
    faults : list of str
        Script errors, and console messages of refused or failed content.
    """

    def __init__(
        self, browser: Browser, file: Path, width: int = 1400, height: int = 900, scheme: str = "light"
    ):
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme, has_touch=width < 1000
        )
        context.set_offline(True)
        self.requests: list[str] = []
        self.refused: list[str] = []
        self.faults: list[str] = []
        self.page: Page = context.new_page()
        self.page.on("request", self._note)
        self.page.on(
            "requestfailed", lambda request: self.refused.append(f"{request.failure}: {request.url}")
        )
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on(
            "console", lambda message: self.faults.append(message.text) if message.type == "error" else None
        )
        self.page.on("dialog", lambda dialog: (self.faults.append(dialog.message), dialog.dismiss()))
        self.session = context.new_cdp_session(self.page)
        self.session.send("Performance.enable", {"timeDomain": "threadTicks"})
        self.page.goto(file.as_uri())
        self.page.wait_for_selector("html[data-ready=yes]", state="attached")

    def _note(self, request) -> None:
        if not request.url.startswith(("file:", "data:", "blob:")):
            self.requests.append(request.url)

    def processor_s(self) -> float:
        """Processor time of the page's main thread so far (DevTools protocol, Performance.getMetrics)."""
        metrics = self.session.send("Performance.getMetrics")["metrics"]
        return next(metric["value"] for metric in metrics if metric["name"] == "ThreadTime")

    def settle(self) -> None:
        """Wait until the map has followed and everything is drawn."""
        self.page.wait_for_timeout(250)
        self.page.evaluate(
            "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )


def contrast(page, name: str) -> float:
    """Contrast ratio of an element's text (WCAG 2.1, relative luminance)."""
    colours = page.evaluate(
        "(name) => { let e = document.querySelector(name); const ink = getComputedStyle(e).color;"
        " while (e && getComputedStyle(e).backgroundColor === 'rgba(0, 0, 0, 0)') e = e.parentElement;"
        " return [ink, getComputedStyle(e).backgroundColor]; }",
        name,
    )
    lights = []
    for colour in colours:
        rgb = np.array([float(v) for v in re.findall(r"[\d.]+", colour)[:3]]) / 255.0
        linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        lights.append(float(linear @ [0.2126, 0.7152, 0.0722]))
    return (max(lights) + 0.05) / (min(lights) + 0.05)
