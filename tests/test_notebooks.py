"""The notebooks run from the first cell to the last, and what they show was looked at.

No outside source: the notebooks belong to this project. Each is run in a fresh kernel by nbclient.
"""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
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
    for name in ("alignment.csv", "route.gpkg", "route.dxf", "listings.xlsx", "spans.csv", "map.html"):
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
