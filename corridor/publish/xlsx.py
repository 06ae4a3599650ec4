"""listings.xlsx: the tables as sheets, with number formats, frozen headers and filters."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

import numpy as np

from corridor.assess.cautions import CAUTIONS
from corridor.model.results import Study
from corridor.publish.features import checks_table
from corridor.publish.provenance import Stamp
from corridor.publish.tables import decimals, ordered, plain

LONGEST_CELL = 32767
"""Characters of one cell (ECMA-376, as spreadsheets implement it)."""

_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def write_xlsx(path: Path, study: Study, stamp: Stamp) -> None:
    """Write one sheet per listing; the profile stays in profile.csv, it can outgrow a sheet.

    Every text is stored as text, never as a formula.
    """
    from openpyxl import Workbook  # slow to import: only this file needs it
    from openpyxl.writer.excel import ExcelWriter

    book = Workbook(write_only=False)
    book.remove(book.active)
    book.properties.creator = "corridor"
    book.properties.title = _clean(stamp.line())
    book.properties.created = book.properties.modified = stamp.time.replace(tzinfo=None)
    for title, table in listings(study).items():
        _sheet(book.create_sheet(title), table)
    _sheet(book.create_sheet("Provenance"), _provenance(stamp))
    # Not book.save, which puts the clock in the place of the stamp's time.
    ExcelWriter(book, ZipFile(path, "w", ZIP_DEFLATED)).save()


def listings(study: Study) -> dict[str, Mapping[str, Any]]:
    """Sheet title -> table, in order; tables that were not assessed are left out."""
    assessed = study.assessment
    named = {
        "Alignment": ("alignment", assessed.points),
        "Setting-out": ("setting_out", assessed.setting_out),
        "Chainage": ("chainage", assessed.chainage),
        "Crossings": ("crossings", assessed.crossings),
        "Spans": ("spans", assessed.spans),
        "Supports": ("supports", assessed.supports),
        "Proximity": ("proximity", assessed.proximity),
        "Checks": ("checks", checks_table(study)),
    }
    return {title: ordered(name, table) for title, (name, table) in named.items() if table is not None}


def _sheet(sheet: Any, table: Mapping[str, Any]) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    columns = {name: plain(name, values) for name, values in table.items()}
    for number, (name, values) in enumerate(columns.items(), start=1):
        head = sheet.cell(1, number, name)
        head.font = Font(bold=True)
        for row, value in enumerate(values, start=2):
            _cell(sheet.cell(row, number), name, value)
        widest = max([len(name), *(min(len(_shown(name, value)), 40) for value in values[:200])])
        sheet.column_dimensions[get_column_letter(number)].width = widest + 3
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = sheet.dimensions
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _cell(cell: Any, column: str, value: Any) -> None:
    if value is None:
        return
    if isinstance(value, str):
        cell.value = _clean(value)
        cell.data_type = "s"  # a text that begins with = stays a text
        cell.quotePrefix = value[:1] in ("=", "+", "-", "@")
        return
    cell.value = value
    if isinstance(value, float):
        places = decimals(column)
        cell.number_format = "0." + "0" * places if places else "0"


def _shown(column: str, value: Any) -> str:
    return f"{value:.{decimals(column)}f}" if isinstance(value, float) else str(value)


def _clean(text: str) -> str:
    return _FORBIDDEN.sub(" ", text)[:LONGEST_CELL]


def _provenance(stamp: Stamp) -> dict[str, Any]:
    entries = [(key, str(value)) for key, value in stamp.as_dict().items() if key != "inputs"]
    entries += [(f"input {file}", digest) for file, digest in stamp.inputs]
    entries += [("caution", caution) for caution in CAUTIONS]
    return {
        "item": np.array([item for item, _ in entries], dtype=object),
        "value": np.array([value for _, value in entries], dtype=object),
    }
