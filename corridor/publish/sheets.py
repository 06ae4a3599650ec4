"""sheets.pdf: alignment sheets, A3: plan over profile over data rows on one KP axis, and an index.

Sheets are drawn one at a time and written before the next is begun. A long set
is split into files, so that neither memory nor a file grows with the line.
"""

from __future__ import annotations

import gc
from pathlib import Path

import matplotlib
from matplotlib.backends.backend_pdf import PdfPages

from corridor.model.publication import SheetSettings
from corridor.model.results import Study
from corridor.progress import Progress, silent
from corridor.publish.provenance import Stamp
from corridor.publish.sheets_data import SheetSet
from corridor.publish.sheets_index import index_pages
from corridor.publish.sheets_map import draw_plan
from corridor.publish.sheets_plan import Strip
from corridor.publish.sheets_profile import draw_profile
from corridor.publish.sheets_rows import GUTTER_MM, draw_rows
from corridor.publish.sheets_side import draw_side, foot
from corridor.publish.zones_sheet_page import BORDER_MM, SETTINGS, Page

LEFT_MM = BORDER_MM + GUTTER_MM
PLAN_Y_MM = 160.5
PROFILE_Y_MM = 80.5


def sheet_set(study: Study, stamp: Stamp, settings: SheetSettings | None = None) -> SheetSet:
    """A study cut into sheets; `settings` default to the project's ``[sheets]`` table."""
    return SheetSet(study, stamp, settings or study.project.tables.get("sheets") or SheetSettings())


def write_sheets(data: SheetSet, folder: Path, progress: Progress = silent) -> list[Path]:
    """Write alignment sheets into `folder`.

    Returns
    -------
    list of Path
        ``sheets.pdf``, or ``sheets-01.pdf``, ``sheets-02.pdf``, ...; the first begins with the index.
    """
    written, done = [], 0
    with matplotlib.rc_context(SETTINGS):  # type: ignore[arg-type]
        for part, strips in enumerate(data.files):
            path = folder / data.file_name(part)
            with PdfPages(path, metadata=_metadata(data, path)) as document:
                if part == 0:
                    for page in index_pages(data):
                        document.savefig(page.figure)
                for strip in strips:
                    progress("drawing sheets", done / len(data.strips))
                    document.savefig(sheet(data, strip).figure)
                    done += 1
            written.append(path)
            gc.collect()  # figures hold on to one another: a file's go before the next file's come
    progress("drawing sheets", 1.0)
    return written


def sheet(data: SheetSet, strip: Strip) -> Page:
    """One alignment sheet."""
    page = Page(set())
    ground = draw_plan(page, LEFT_MM, PLAN_Y_MM, data, strip)
    draw_profile(page, LEFT_MM, PROFILE_Y_MM, data, strip)
    draw_rows(page, LEFT_MM, PROFILE_Y_MM - 1.0, data, strip)
    draw_side(page, data, strip, ground)
    foot(page, data, page.missing)
    return page


def _metadata(data: SheetSet, path: Path) -> dict[str, object]:
    return {
        "Title": data.stamp.project,
        "Subject": f"{data.settings.title}, {path.name}, revision {data.stamp.revision}",
        "Creator": data.stamp.line(),
        "CreationDate": data.stamp.time,
    }
