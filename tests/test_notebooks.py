"""The notebooks run from the first cell to the last, and what they show was looked at.

No outside source: the notebooks belong to this project. Each is run in a fresh kernel by nbclient.
"""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
import pyproj
import pytest
from nbclient import NotebookClient

import corridor

FOLDER = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
MOST_BYTES = 600_000


def read(file: Path) -> nbformat.NotebookNode:
    return nbformat.read(file, as_version=4)


def run(name: str) -> str:
    """Run a notebook where it stands; everything it printed, and a line per picture."""
    book = read(FOLDER / name)
    NotebookClient(
        book, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(FOLDER)}}
    ).execute()
    return told(book)


def told(book: nbformat.NotebookNode) -> str:
    """Text of all outputs; pictures as ``<picture>``."""
    pieces = []
    for cell in book.cells:
        for output in cell.get("outputs", ()):
            assert output.output_type != "error"
            data = output.get("data", {})
            pieces.append(output.get("text") or data.get("text/plain", ""))
            pieces.append("<picture>\n" if "image/png" in data else "\n")
    return "".join(pieces)


def number(pattern: str, text: str) -> float:
    found = re.search(pattern, text)
    assert found, pattern
    return float(found[1])


def test_the_sample_notebook() -> None:
    text = run("01_route_on_the_sample.ipynb")
    assert "every rule obeyed: True" in text
    cost, bound = number(r"cost (\d+)", text), number(r"bound (\d+)", text)
    assert 30_000 < bound < cost
    assert text.count("<picture>") == 2
    for name in (
        "alignment.csv",
        "route.gpkg",
        "route.dxf",
        "listings.xlsx",
        "spans.csv",
        "map.html",
        "report.html",
    ):
        assert name in text


def test_the_search_notebook() -> None:
    text = run("02_how_the_search_works.ipynb")
    # The worst excess of grid directions is the secant of half the largest gap: exact.
    assert number(r"\b8 headings: ([\d.]+) %", text) == pytest.approx(8.2392, abs=1e-3)
    assert number(r"\b32 headings: ([\d.]+) %", text) == pytest.approx(1.3081, abs=1e-3)
    searched = number(r"search: +([\d.]+)", text)
    fitted = number(r"fit: +([\d.]+)", text)
    bound = number(r"bound: +([\d.]+)", text)
    assert bound < fitted <= searched
    costs = [float(cost) for cost in re.findall(r"radius +\d+ m: cost +([\d.]+)", text)]
    assert len(costs) == 6 and costs[0] == fitted
    assert costs[-1] > costs[0]  # a vessel that cannot bend pays for it
    assert text.count("<picture>") == 6


def test_the_survey_notebook() -> None:
    text = run("03_from_soundings_to_impact.ipynb")
    assert "asked for: order 1a; met: order 1a" in text
    assert re.search(r"held back from special: soundings on a feature", text)
    # The sample's writer puts one new object of 6 m beside the line, and lets the sand waves travel.
    new = re.search(r"C001 +([\d.]+) +(-?[\d.]+) +([\d.]+)", text)
    assert new and float(new[3]) == pytest.approx(6.0, abs=0.5) and -60.0 < float(new[2]) < -40.0
    assert "'ok': 24}" in text and "broken" not in text
    assert number(r"differs by up to ([\d.]+) m", text) > 1.0
    before, after = re.findall(r"^spans +([\d.]+) -> +([\d.]+)", text, re.MULTILINE)[0]
    assert float(after) - float(before) == text.count("appeared") - text.count(" gone ") > 0
    assert "lists first: survey-new-survey/seabed.tif" in text
    for name in ("seabed.tif", "contacts.geojson", "changes.csv", "survey.html"):
        assert name in text
    assert text.count("<picture>") == 2


def test_the_zones_notebook() -> None:
    text = run("04_exclusion_zones_for_a_permit.ipynb")
    widths = re.findall(r"(\d+) m wide: +(\d+) zones, +([\d.]+) ha", text)
    assert len(widths) == 8
    taken = [float(area) for _, _, area in widths]
    assert taken == sorted(taken) and taken[0] < 1.0 < taken[-1]  # a wider corridor takes no less
    # The line keeps every distance, also from the reef, which it passes as near as allowed.
    assert 0.0 <= number(r"Doily reef \(invented\) +[\d.]+ +(-?[\d.]+)", text) < 5.0
    assert number(r"(\d+) of 13 hold; to be settled", text) == 13 - len(
        re.findall(r"^- ", text, re.MULTILINE)
    )
    assert "- The working corridor, 200 m wide, stays outside" in text and "- The line" not in text
    assert "every condition holds: False" in text
    for name in ("zones.pdf", "zones.csv", "zones.gpkg", "permit_conditions.csv"):
        assert name in text
    # Degrees and minutes and the grid say the same place: pyproj, an outside reference.
    row = re.search(r"1 +(\d+)°([\d.]+)'S +(\d+)°([\d.]+)'E +([\d.]+) +([\d.e+]+)", text)
    assert row
    lat = -(float(row[1]) + float(row[2]) / 60.0)
    lon = float(row[3]) + float(row[4]) / 60.0
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32740", always_xy=True)
    assert to_grid.transform(lon, lat)[0] == pytest.approx(float(row[5]), abs=0.01)
    assert text.count("<picture>") == 2


def test_the_reroute_notebook() -> None:
    text = run("05_rerouting_around_a_new_wreck.ipynb")
    leaves, rejoins = number(r"leaves at KP ([\d.]+)", text), number(r"rejoins at old KP ([\d.]+)", text)
    last = number(r"last departure KP ([\d.]+)", text)
    assert leaves <= last < 21.687 < rejoins  # the wreck lies at KP 21.687 of the approved line
    required = number(r"([\d.]+) m required", text)
    assert required == pytest.approx(130.0, rel=2e-3)  # standoff 120 and lay tolerance 10, ground metres
    for touchdown, left, joints, doubles, hours in re.findall(
        r"\d +(1[58]\.0|20\.5) +([\d.]+) +(\d+) +(\d+) +(-?[\d.]+)", text
    ):
        assert float(left) == pytest.approx(1000.0 * (last - float(touchdown)) - 250.0, abs=1.0)
        assert (int(joints), int(doubles)) == (float(left) // 12.2, float(left) // 24.4)
        assert float(hours) == pytest.approx(float(left) / 3500.0 * 24.0 - 6.0, abs=0.1)
    assert number(r"([\d.]+) m of line would have to be recovered", text) == pytest.approx(
        1000.0 * (21.45 - last), abs=2.0
    )
    assert "the new line keeps every rule: True" in text
    row = re.search(r"nearest approach: new obstructions +m? *([\d.]+)", text)
    assert row and float(row[1]) < required
    assert text.count("<picture>") == 1


@pytest.mark.parametrize("file", NOTEBOOKS, ids=lambda file: file.name)
def test_what_is_committed_is_whole_and_small(file: Path) -> None:
    book = read(file)
    assert file.stat().st_size < MOST_BYTES
    codes = [cell for cell in book.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in codes] == list(range(1, len(codes) + 1)), "run it anew"
    assert "<picture>" in told(book)
    assert "invented" in "".join(cell.source for cell in book.cells)


@pytest.mark.parametrize("file", NOTEBOOKS, ids=lambda file: file.name)
def test_only_public_names_are_used(file: Path) -> None:
    source = "\n".join(cell.source for cell in read(file).cells if cell.cell_type == "code")
    assert not re.search(r"^\s*from corridor|import corridor\.", source, re.MULTILINE)
    used = set(re.findall(r"\bcorridor\.(\w+)", source))
    assert used and used <= set(corridor.__all__)
