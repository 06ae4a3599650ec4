"""The map's profile under fingers: touches come from the browser's own input, not from made-up events."""

from __future__ import annotations

from pathlib import Path

import pytest

from corridor.publish.map import write_map
from corridor.publish.provenance import stamp

from .browser import Watched, chromium
from .synthetic import make_study

pytestmark = pytest.mark.browser

WIDTH, HEIGHT = 768, 1024


class Fingers:
    """Fingers on a page, by the DevTools protocol (Input.dispatchTouchEvent)."""

    def __init__(self, watched: Watched):
        self.watched = watched
        self.session = watched.session

    def _send(self, kind: str, places: list[tuple[float, float]]) -> None:
        points = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
        self.session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def drag(self, *paths: tuple[tuple[float, float], tuple[float, float]], steps: int = 8) -> None:
        """Move fingers together, each along its path."""
        self._send("touchStart", [path[0] for path in paths])
        for step in range(1, steps + 1):
            share = step / steps
            self._send(
                "touchMove",
                [(a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share) for a, b in paths],
            )
        self._send("touchEnd", [])
        self.watched.settle()


@pytest.fixture(scope="module")
def map_file(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("touch")
    study = make_study(folder)
    write_map(folder / "map.html", study, stamp(study.project))
    return folder / "map.html"


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


@pytest.fixture
def watched(browser, map_file: Path):
    page = Watched(browser, map_file, WIDTH, HEIGHT)
    yield page
    assert page.requests == [] and page.faults == []
    page.page.context.close()


def kp_at(watched: Watched, x: float) -> float:
    """KP of the profile under a place of the page."""
    left = watched.page.locator("#chart").bounding_box()["x"]
    return watched.page.evaluate("(x) => Corridor.parts.profile.kpAt(x)", x - left)


def test_two_fingers_zoom_the_profile_and_the_map_follows(watched: Watched) -> None:
    box = watched.page.locator("#chart").bounding_box()
    y = box["y"] + 60.0
    before = watched.page.evaluate("() => [...Corridor.parts.profile.range]")
    zoom = watched.page.evaluate("() => Corridor.parts.map.getZoom()")
    held = kp_at(watched, 350.0), kp_at(watched, 450.0)
    Fingers(watched).drag(((350.0, y), (250.0, y)), ((450.0, y), (550.0, y)))
    after = watched.page.evaluate("() => [...Corridor.parts.profile.range]")
    # Fingers three times as far apart: a third of the length, and what they held is still under them.
    assert after[1] - after[0] == pytest.approx((before[1] - before[0]) / 3.0, rel=0.03)
    assert (kp_at(watched, 250.0), kp_at(watched, 550.0)) == pytest.approx(held, abs=0.05)
    assert watched.page.evaluate("() => Corridor.parts.map.getZoom()") > zoom
    Fingers(watched).drag(((250.0, y), (350.0, y)), ((550.0, y), (450.0, y)))
    back = watched.page.evaluate("() => [...Corridor.parts.profile.range]")
    assert back == pytest.approx(before, abs=0.1)


def test_one_finger_reads_and_drags_the_profile(watched: Watched) -> None:
    box = watched.page.locator("#chart").bounding_box()
    y = box["y"] + 60.0
    fingers = Fingers(watched)
    fingers.drag(((300.0, y), (300.0, y)), steps=1)
    assert watched.page.evaluate("() => Corridor.parts.profile.cursor") == pytest.approx(
        kp_at(watched, 300.0), abs=0.01
    )
    assert watched.page.locator("#read").inner_text().startswith("KP ")
    fingers.drag(((350.0, y), (250.0, y)), ((450.0, y), (550.0, y)))
    before = watched.page.evaluate("() => [...Corridor.parts.profile.range]")
    held = kp_at(watched, 500.0)
    fingers.drag(((500.0, y), (400.0, y)))
    after = watched.page.evaluate("() => [...Corridor.parts.profile.range]")
    assert after[0] > before[0] and after[1] - after[0] == pytest.approx(before[1] - before[0])
    assert kp_at(watched, 400.0) == pytest.approx(held, abs=0.02)


def test_two_fingers_zoom_the_map_and_the_profile_follows(watched: Watched) -> None:
    box = watched.page.locator("#map_corridor").bounding_box()
    y = box["y"] + box["height"] / 2.0
    before = watched.page.evaluate("() => [...Corridor.parts.profile.range]")
    zoom = watched.page.evaluate("() => Corridor.parts.map.getZoom()")
    Fingers(watched).drag(((350.0, y), (200.0, y)), ((420.0, y), (570.0, y)))
    watched.page.wait_for_timeout(400)
    after = watched.page.evaluate("() => [...Corridor.parts.profile.range]")
    assert watched.page.evaluate("() => Corridor.parts.map.getZoom()") > zoom + 1.0
    assert after[1] - after[0] < 0.6 * (before[1] - before[0])
