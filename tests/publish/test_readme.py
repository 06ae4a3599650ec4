"""What the README shows and says of the files: its pictures, the explanation without a line, the options.

No outside source: the README is this project's own promise.
"""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from corridor.routing.concession_text import cannot, reason
from corridor.routing.explain import _explanation
from corridor.routing.options_table import Options, comparison

from .synthetic import make_study

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PICTURES = re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", README)
MOST_BYTES = 150_000


def test_the_pictures_are_those_that_the_script_makes() -> None:
    folder = ROOT / "tests" / "pictures"
    shown = {ROOT / file for _, file in PICTURES}
    assert shown == set(folder.glob("*.webp")) and len(shown) == 3
    script = (folder / "make_pictures.py").read_text(encoding="utf-8")
    assert all(f'"{file.stem}"' in script for file in shown)


@pytest.mark.parametrize(("words", "file"), PICTURES, ids=lambda text: Path(text).stem)
def test_a_picture_is_small_and_shows_something(words: str, file: str) -> None:
    path = ROOT / file
    assert path.stat().st_size < MOST_BYTES
    assert len(words) > 20  # said in words for those who do not see it
    with Image.open(path) as picture:
        assert picture.format == "WEBP" and picture.width >= 1000
        grey = np.asarray(picture.convert("L"), dtype=float)
    assert grey.std() > 20.0  # neither blank nor of one colour


def test_every_member_of_the_explanation_is_described() -> None:
    sources = "".join(inspect.getsource(made) for made in (reason, cannot, _explanation))
    members = set(re.findall(r'^\s+"(\w+)":|(?:entry|content)\["(\w+)"\]', sources, re.MULTILINE))
    names = {first or second for first, second in members}
    assert {"no_line_found_at", "proven_limit", "enters", "pair", "barrier", "cannot_help"} <= names
    told = set(re.findall(r"\w+", README.split("**When no line obeys the rules**")[1].split("## ")[0]))
    assert not names - told


def test_every_column_of_the_options_is_described(tmp_path: Path) -> None:
    study = make_study(tmp_path)
    row = comparison(Options((study,), ("A",), (), study.assessment.length_m, 1))[0]
    told = re.search(r"`(option,length_m,[^`]+)`", README)
    assert told
    costs = {name for name in row if name.startswith("cost_") and name != "cost_m"}  # of invented terms here
    assert set(row) - costs <= set(told[1].split(","))
