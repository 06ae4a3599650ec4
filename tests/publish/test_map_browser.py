"""The map in a real browser, network off: harmless, linked, and true to the data files."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyproj
import pytest

from corridor.publish.map import write_map
from corridor.publish.provenance import stamp
from corridor.publish.summary import summary
from corridor.publish.tables import write_csv

from .browser import Watched, chromium, contrast
from .synthetic import CRS, HOSTILE, make_assessment, make_study

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A study, its map and its data files."""
    folder = tmp_path_factory.mktemp("map")
    study = make_study(folder)
    marks = stamp(study.project)
    write_map(folder / "map.html", study, marks)
    for name in ("chainage", "profile", "crossings", "spans"):
        write_csv(folder / f"{name}.csv", name, getattr(study.assessment, name))
    write_csv(folder / "alignment.csv", "alignment", study.assessment.points)
    (folder / "summary.json").write_text(json.dumps(summary(study, marks), default=str))
    return folder


@pytest.fixture
def watched(browser, made):
    page = Watched(browser, made / "map.html")
    yield page
    assert page.requests == [] and page.faults == []
    page.page.context.close()


def entries(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def number(text: str) -> float:
    """A figure as the page writes it."""
    found = re.search(r"[−-]?[\d\u202f]+(?:\.\d+)?", text)
    assert found, text
    return float(found[0].replace("\u202f", "").replace("−", "-"))


def same(shown: str, held: str) -> bool:
    """The figure on the page is the file's, rounded to the page's decimals."""
    digits = len(shown.split(".")[1]) if "." in (shown := re.sub(r"[^\d.−-]", "", shown)) else 0
    return abs(number(shown) - float(held)) <= 0.5 * 10.0**-digits + 1e-9


def go(watched: Watched, words: str) -> None:
    watched.page.fill("#jump-to", words)
    watched.page.press("#jump-to", "Enter")
    watched.settle()


def popup(watched: Watched) -> dict[str, str]:
    """Title and facts of the popup opened last (an older one may still be fading)."""
    # On a busy machine the page may still be moving there.
    watched.page.wait_for_selector(".leaflet-popup h3", state="attached")
    return watched.page.evaluate(
        """() => {
            const box = [...document.querySelectorAll(".leaflet-popup")].pop();
            const facts = { title: box.querySelector("h3").textContent };
            for (const row of box.querySelectorAll(".facts tr")) {
                facts[row.querySelector("th").textContent] = row.querySelector("td").textContent;
            }
            return facts;
        }"""
    )


def test_the_page_opens_without_network_or_complaint(watched: Watched) -> None:
    assert watched.page.title() == "Synthetic line, revision B"
    assert watched.page.locator("#caution").inner_text().startswith("Screening aid")
    assert "check broken" in watched.page.locator("#status").inner_text()
    policy = watched.page.locator("meta[http-equiv='Content-Security-Policy']").get_attribute("content")
    assert policy.startswith("default-src 'none'") and "unsafe" not in policy


def test_the_policy_stops_foreign_scripts(browser, made) -> None:
    page = Watched(browser, made / "map.html")
    page.page.evaluate(
        "() => { const s = document.createElement('script'); s.textContent = 'window.hacked = 1';"
        " document.body.append(s); const i = document.createElement('img'); i.src = 'https://example.org/x.png';"
        " document.body.append(i); }"
    )
    page.settle()
    assert page.page.evaluate("() => window.hacked") is None
    assert page.refused == ["csp: https://example.org/x.png"]
    assert any("Content Security Policy" in fault for fault in page.faults)


def test_hostile_names_are_shown_as_text_and_run_nothing(browser, tmp_path: Path) -> None:
    study = make_study(tmp_path, HOSTILE)
    write_map(tmp_path / "h.html", study, stamp(study.project))
    watched = Watched(browser, tmp_path / "h.html")
    page = watched.page
    for name in HOSTILE[:2]:
        go(watched, name if name != HOSTILE[0] else "KP 1")
    # Every feature's popup holds its whole name, 10,000 characters too, and nothing but text.
    names = page.evaluate(
        """() => {
            const found = [];
            Corridor.parts.map.eachLayer((layer) => {
                if (!layer.getPopup || !layer.getPopup()) return;
                const box = layer.getPopup().getContent()();
                document.body.append(box);
                const foreign = box.querySelectorAll("img, script, a").length;
                found.push([box.querySelector("h3").textContent, foreign]);
            });
            return found;
        }"""
    )
    shown = {text for text, _ in names}
    assert set(HOSTILE) <= shown and all(count == 0 for _, count in names)
    for row in page.locator(".panel summary").all():
        row.click()
    watched.settle()
    assert page.evaluate("() => window.hacked") is None
    assert page.locator("img[src='x']").count() == 0
    assert watched.requests == [] and watched.faults == []


def test_figures_on_the_page_equal_the_files(watched: Watched, made: Path) -> None:
    held = json.loads((made / "summary.json").read_text())
    watched.page.locator("summary", has_text="Figures").click()
    rows = watched.page.locator(".panel details[open] .facts tr").all()
    shown = {row.locator("th").inner_text().strip(): row.locator("td").inner_text() for row in rows}
    for label, key in {
        "Length on the grid": "length_m",
        "Length on the ellipsoid": "length_ellipsoid_m",
        "Bends": "bends",
        "Least radius": "min_radius_m",
        "Greatest slope across": "max_slope_across_deg",
        "Crossings": "crossings",
        "Free spans": "spans",
        "Cost, equivalent": "cost_m",
        "No line costs less than": "lower_bound_m",
        "Gap to that bound": "gap_percent",
    }.items():
        assert same(shown[label], str(held[key])), label


def test_crossing_and_span_popups_equal_the_files(watched: Watched, made: Path) -> None:
    go(watched, "Cable one")
    facts, row = popup(watched), entries(made, "crossings")[0]
    assert facts["title"] == row["feature"]
    for label, column in {
        "KP": "kp_km",
        "Angle": "angle_deg",
        "Depth": "depth_m",
        "Easting": "easting_m",
    }.items():
        assert same(facts[label], row[column]), label
    assert facts["Owner"] == row["owner"] and facts["Rule"].endswith("holds")
    go(watched, "span 2")
    facts = popup(watched)
    row = next(r for r in entries(made, "spans") if r["span"] == "2" and r["governs"] == "true")
    assert facts["Verdict"] == row["verdict"] and facts["Load case"] == row["load_case"]
    for label, column in {
        "Length": "length_m",
        "Greatest gap": "max_gap_m",
        "Stress": "max_stress_MPa",
    }.items():
        assert same(facts[label], row[column]), label


def test_the_profile_reads_what_the_file_holds(watched: Watched, made: Path) -> None:
    rows = entries(made, "profile")
    kps = np.array([float(row["kp_km"]) for row in rows])
    for wanted in (0.0, 3.6, 5.123, 8.7):
        go(watched, f"KP {wanted}")
        words = watched.page.locator("#read").inner_text()
        row = rows[int(np.abs(kps - wanted).argmin())]
        assert same(re.search(r"KP ([\d.]+)", words)[1], row["kp_km"])
        assert same(re.search(r"depth ([\d.]+)", words)[1], row["depth_m"])
        assert same(re.search(r"pipe ([\d.]+)", words)[1], row["pipe_depth_m"])
        assert same(re.search(r"gap ([\d.]+)", words)[1], row["gap_m"])


def test_packed_tables_come_back_exactly(watched: Watched, made: Path) -> None:
    got = watched.page.evaluate(
        """() => {
            const { profile, chainage } = Corridor.parts.lines[0];
            const out = { lat: [] };
            for (const name of ["kp_km", "depth_m", "gap_m"]) {
                out[name] = [];
                for (let i = 0; i < profile.rows; i++) out[name].push(profile.at(name, i));
            }
            for (let i = 0; i < chainage.rows; i++) out.lat.push(chainage.text("latitude_deg", i));
            return out;
        }"""
    )
    rows = entries(made, "profile")
    for name in ("kp_km", "depth_m", "gap_m"):
        assert got[name] == [float(row[name]) for row in rows]
    assert [text.replace("−", "-") for text in got["lat"]] == [
        r["latitude_deg"] for r in entries(made, "chainage")
    ]


def test_pointer_coordinates_agree_with_proj(watched: Watched) -> None:
    # Outside reference: PROJ through pyproj. The brief asks for < 1 m; the lattice states its own error.
    rng = np.random.default_rng(7)
    lat, lon = rng.uniform(-15.70, -15.645, 200), rng.uniform(56.05, 56.17, 200)
    got = np.array(
        watched.page.evaluate(
            "(places) => places.map(([lat, lon]) => Corridor.parts.lattice.at(lat, lon))",
            np.column_stack([lat, lon]).tolist(),
        )
    )
    want = np.column_stack(pyproj.Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(lon, lat))
    assert np.hypot(*(got - want).T).max() < 0.02


def test_moving_on_the_profile_moves_the_marker_and_the_reverse(watched: Watched) -> None:
    page = watched.page
    box = page.locator("#chart").bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 40)
    watched.settle()
    at = page.evaluate("() => Corridor.parts.profile.cursor")
    marker = page.evaluate(
        "() => { const p = Corridor.parts.route.cursor.getLatLng(); return [p.lat, p.lng]; }"
    )
    assert marker == pytest.approx(page.evaluate("(kp) => Corridor.parts.lines[0].at(kp)", at), abs=1e-12)
    pixel = page.evaluate(
        """() => {
            const { map, lines } = Corridor.parts;
            const place = map.latLngToContainerPoint(lines[0].at(2.0));
            return [place.x, place.y];
        }"""
    )
    frame = page.locator("#map_corridor").bounding_box()
    page.mouse.move(frame["x"] + pixel[0], frame["y"] + pixel[1])
    watched.settle()
    assert page.evaluate("() => Corridor.parts.profile.cursor") == pytest.approx(2.0, abs=0.02)
    assert number(page.locator("#where").inner_text().split("KP ")[1]) == pytest.approx(2.0, abs=0.02)


def test_zooming_one_view_moves_the_other(watched: Watched) -> None:
    page = watched.page
    box = page.locator("#chart").bounding_box()
    before = page.evaluate("() => Corridor.parts.map.getZoom()")
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 60)
    page.mouse.wheel(0, -900)
    watched.settle()
    zoomed = page.evaluate("() => Corridor.parts.map.getZoom()")
    first = page.evaluate("() => Corridor.parts.profile.range")
    assert zoomed > before and first[1] - first[0] < 3.0
    page.evaluate("() => Corridor.parts.map.setView(Corridor.parts.lines[0].at(7.5), 17, { animate: false })")
    watched.settle()
    second = page.evaluate("() => Corridor.parts.profile.range")
    assert second[0] < 7.5 < second[1] and second[1] - second[0] < 1.5
    page.click("#tool-link")
    page.evaluate("() => Corridor.parts.map.setView(Corridor.parts.lines[0].at(1), 17, { animate: false })")
    watched.settle()
    assert page.evaluate("() => Corridor.parts.profile.range") == second


def test_lines_are_switchable(watched: Watched) -> None:
    page = watched.page
    page.select_option("#line", "1")
    watched.settle()
    assert page.evaluate("() => Corridor.parts.route.line.name") == "option 2"
    assert "not assessed" in page.locator(".panel").inner_text()
    go(watched, "IP1")
    assert page.evaluate("() => Corridor.parts.profile.cursor") > 3.0


def test_figures_and_checks_are_those_of_the_line_shown(browser, tmp_path: Path) -> None:
    study = make_study(tmp_path)
    line = study.others["option 2"]
    known = make_assessment(study.project, line)
    held = next(check for check in known.checks if check.ok)
    known = replace(known, checks=(replace(held, worst=1567.25),), cost_m=12345.5)
    write_map(tmp_path / "two.html", study, stamp(study.project), {"option 2": known}, "Option A")
    watched = Watched(browser, tmp_path / "two.html")
    page = watched.page
    assert page.locator("#subtitle").inner_text().startswith("Option A")
    assert "check broken" in page.locator("#status").inner_text()
    assert page.locator(".keys .swatch.line").count() == 2 and page.locator(".keys .dashed").count() == 1
    page.select_option("#line", "1")
    watched.settle()
    page.locator("summary", has_text="Figures").click()
    told = page.locator(".panel").inner_text()
    assert "12\u202f345.5 m" in told and "1567.25" in told and "6.8123" not in told
    assert same(re.search(r"([\d.]+) km", page.locator("#subtitle").inner_text())[1], known.length_m / 1000.0)
    assert "all checks hold" in page.locator("#status").inner_text()
    assert watched.faults == []
    page.context.close()


@pytest.mark.parametrize(("width", "height"), [(1400, 900), (768, 1024)])
def test_no_figure_is_broken_over_two_lines(browser, made: Path, width: int, height: int) -> None:
    watched = Watched(browser, made / "map.html", width, height)
    page = watched.page
    if not page.locator(".panel").is_visible():
        page.click("#tool-panel")
    heights = page.evaluate(
        """() => [...document.querySelectorAll(".checks td:not(:first-child)")].map((cell) => {
            const range = document.createRange();
            range.selectNodeContents(cell);
            return range.getClientRects().length;
        })"""
    )
    assert len(heights) >= 12 and max(heights) == 1
    assert page.evaluate(
        "() => { const p = document.getElementById('panel'); return p.scrollWidth <= p.clientWidth; }"
    )
    go(watched, "Cable one")  # the whole of a crossing's figures, with no scrolling
    box = page.locator(".leaflet-popup-content").last
    assert box.evaluate("(e) => e.scrollHeight <= e.clientHeight + 1")
    page.context.close()


def test_measure_gives_grid_metres_and_bearing(watched: Watched) -> None:
    page = watched.page
    frame = page.locator("#map_corridor").bounding_box()
    page.click("#tool-measure")
    places = [(300, 150), (620, 330)]
    for x, y in places:
        page.mouse.click(frame["x"] + x, frame["y"] + y)
    watched.settle()
    words = page.locator("#measured").inner_text()
    ends = page.evaluate(
        """(places) => places.map((place) => {
            const found = Corridor.parts.map.containerPointToLatLng(place);
            return [found.lng, found.lat];
        })""",
        places,
    )
    (e1, n1), (e2, n2) = (
        pyproj.Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(*end) for end in ends
    )
    assert number(words.split("Leg ")[1]) == pytest.approx(
        np.hypot(e2 - e1, n2 - n1), abs=1.0
    )  # a tenth of a pixel
    assert number(words.split("bearing ")[1]) == pytest.approx(
        np.degrees(np.arctan2(e2 - e1, n2 - n1)) % 360, abs=0.1
    )
    assert page.locator(".leaflet-popup").count() == 0
    page.keyboard.press("Escape")
    assert page.locator("#measured").inner_text() == ""


def test_keys_work(watched: Watched) -> None:
    page = watched.page
    page.keyboard.press("n")
    watched.settle()
    first = page.evaluate("() => Corridor.parts.profile.cursor")
    page.keyboard.press("n")
    watched.settle()
    assert page.evaluate("() => Corridor.parts.profile.cursor") > first > 0
    page.keyboard.press("d")
    assert not page.locator(".panel").is_visible()
    theme = page.evaluate("() => document.documentElement.dataset.theme")
    page.keyboard.press("t")
    assert page.evaluate("() => document.documentElement.dataset.theme") != theme
    page.keyboard.press("g")
    page.keyboard.type("w")
    assert page.locator("#jump-to").input_value() == "w"
    page.locator("#chart").focus()
    page.keyboard.press("End")
    assert page.evaluate("() => Corridor.parts.profile.cursor === Corridor.parts.lines[0].length")


def test_kp_labels_thin_out(watched: Watched) -> None:
    page = watched.page

    def boxes() -> list[dict]:
        return [label.bounding_box() for label in page.locator(".label span").all()]

    far = [label.inner_text() for label in page.locator(".label .kp").all()]
    go(watched, "KP 4.5")
    page.keyboard.press("Escape")
    near = [label.inner_text() for label in page.locator(".label .kp").all()]
    assert far and near and not any("." in text for text in far) and any("." in text for text in near)
    found = boxes()
    for i, a in enumerate(found):
        for b in found[:i]:
            apart = a["x"] >= b["x"] + b["width"] or b["x"] >= a["x"] + a["width"]
            assert apart or a["y"] >= b["y"] + b["height"] or b["y"] >= a["y"] + a["height"]


@pytest.mark.parametrize(("width", "height"), [(1400, 900), (800, 1100)])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_overlaps_or_is_clipped_at_two_sizes(
    browser, made: Path, width: int, height: int, scheme: str
) -> None:
    watched = Watched(browser, made / "map.html", width, height, scheme)
    page = watched.page
    parts = [page.locator(name).bounding_box() for name in (".top", "#map_corridor", ".profile", ".foot")]
    for above, below in pairwise(parts):
        assert above["y"] + above["height"] <= below["y"] + 1.0
    assert parts[-1]["y"] + parts[-1]["height"] <= height + 1.0
    assert parts[1]["height"] > 200 and parts[2]["height"] > 200
    for button in page.locator(".top button, .top select, .top input").all():
        box = button.bounding_box()
        assert box["x"] >= 0 and box["x"] + box["width"] <= width
    assert page.evaluate("() => document.documentElement.dataset.theme") == scheme
    # WCAG 2.1, success criterion 1.4.3: text against its ground at least 4.5 to 1.
    for name in ("#title", "#subtitle", "#status", "#caution", "#where", ".key"):
        assert contrast(page, name) >= 4.5, name
    assert watched.requests == [] and watched.faults == []


def test_no_label_lies_on_the_mark_of_another_point(watched: Watched) -> None:
    page = watched.page
    # As if the first bend lay close behind START, to the north-east: where the label of START goes first.
    page.evaluate(
        """() => {
            const { map, route } = Corridor.parts;
            const held = route.pointAt.bind(route);
            const start = map.latLngToContainerPoint(held(0));
            route.pointAt = (i) => {
                if (i !== 1) return held(i);
                const { lat, lng } = map.containerPointToLatLng(start.add([24, -15]));
                return [lat, lng];
            };
            route.refresh();
        }"""
    )
    frame = page.locator("#map_corridor").bounding_box()
    marks = page.evaluate(
        """() => [0, 1, 2, 3].map((i) => {
            const { map, route } = Corridor.parts;
            const at = map.latLngToContainerPoint(route.pointAt(i));
            return [at.x, at.y];
        })"""
    )
    labels = page.locator(".label .ip").all()
    assert labels
    for label in labels:
        box = label.bounding_box()
        left, top = box["x"] - frame["x"], box["y"] - frame["y"]
        for x, y in marks:
            inside = left < x < left + box["width"] and top < y < top + box["height"]
            assert not inside, label.inner_text()
