"""``corridor sheets``: from a project and a line to a folder of sheets."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pypdf
import pytest

from corridor.cli import sheets
from corridor.errors import InputError, SettingError
from corridor.model.publication import SheetSettings
from tests.cli.conftest import Folder


def parsed(*arguments: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    sheets.add_to(parser.add_subparsers())
    return parser.parse_args(["sheets", *arguments])


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def test_a_line_becomes_sheets_and_a_summary(folder: Folder, capsys: pytest.CaptureFixture) -> None:
    options = parsed(
        str(folder.project), "--alignment", str(folder.line()), "--json", "--kp-per-sheet-km", "2"
    )
    code = options.run(options)
    content = json.loads(capsys.readouterr().out)
    assert code == (0 if content["status"] == "ok" else 5)
    out = folder.path / "out_sheets"
    assert {file.name for file in out.iterdir()} == {"sheets.pdf", "summary.json", ".corridor-set"}
    assert content["sheets"] == 2 and content["files"] == ["sheets.pdf"]
    assert len(pypdf.PdfReader(out / "sheets.pdf").pages) == 3
    assert content["sheet_settings"]["kp_per_sheet_km"] == 2.0
    assert json.loads((out / "summary.json").read_text()) == content


def test_without_a_line_it_says_where_it_looked(folder: Folder) -> None:
    options = parsed(str(folder.project), "--quiet")
    with pytest.raises(InputError, match=r"alignment\.csv"):
        options.run(options)
    assert not (folder.path / "out_sheets").exists()


def test_options_stand_in_for_the_table() -> None:
    table = SheetSettings(scale=10_000.0, kp_per_sheet_km=2.0, client="A client")
    got = sheets.sheet_settings(parsed("p", "--scale", "5000"), table)
    assert (got.scale, got.kp_per_sheet_km, got.client) == (5000.0, None, "A client")
    got = sheets.sheet_settings(parsed("p", "--orientation", "north"), table)
    assert (got.scale, got.kp_per_sheet_km, got.orientation) == (10_000.0, 2.0, "north")
    with pytest.raises(SettingError, match="scale must be >= 10000"):
        sheets.sheet_settings(parsed("p", "--scale", "5000", "--kp-per-sheet-km", "3"), None)
