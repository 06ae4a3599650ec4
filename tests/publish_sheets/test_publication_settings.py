"""The settings tables: what is refused, and with which words."""

from __future__ import annotations

import pytest

from corridor.errors import SettingError
from corridor.io.tables import build_table
from corridor.model.publication import QuantitySettings, SheetSettings


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"scale": 5000.0, "kp_per_sheet_km": 3.0}, "scale must be >= 10000 for kp_per_sheet_km = 3"),
        ({"orientation": "south"}, "one of line, north"),
        ({"sheets_per_file": 0}, ">= 1"),
        ({"picture_dpi": 900}, "<= 300"),
        ({"sheet_date": "14.5.2027"}, "sheet_date must be a date"),
        ({"revisions": ({"rev": "A"},)}, "revisions 1 must be a table"),
        ({"revisions": ({"revision": 3},)}, "revisions 1: revision must be text"),
        ({"scale": float("nan")}, "finite"),
    ],
)
def test_sheet_settings_refuse(given: dict, words: str) -> None:
    with pytest.raises(SettingError, match=words):
        SheetSettings(**given)


def test_a_scale_that_just_holds_its_length_is_taken() -> None:
    """3 km on 300 mm is 1:10 000 (exact)."""
    assert SheetSettings(scale=10_000.0, kp_per_sheet_km=3.0).scale == 10_000.0


@pytest.mark.parametrize(
    ("given", "words"), [({"lay_rate_km_day": 0.0}, "> 0"), ({"interval_km": 0.01}, ">= 0.05")]
)
def test_quantity_settings_refuse(given: dict, words: str) -> None:
    with pytest.raises(SettingError, match=words):
        QuantitySettings(**given)


def test_both_are_read_as_tables_of_a_project_file() -> None:
    table = {"scale": 20000, "revisions": [{"revision": "A", "date": "2027-01-02", "text": "first"}]}
    sheets, faults = build_table(SheetSettings, table, "[sheets] in project.toml")
    assert faults == [] and sheets.scale == 20000.0 and sheets.revisions[0]["text"] == "first"
    _, faults = build_table(QuantitySettings, {"currencey": "EUR"}, "[quantities] in project.toml")
    assert len(faults) == 1 and "did you mean 'currency'" in faults[0]
