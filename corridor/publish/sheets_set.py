"""The folder that ``corridor sheets`` writes: the sheets and a summary of what they show."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from corridor.model.publication import SheetSettings
from corridor.model.results import Study
from corridor.progress import Progress, silent
from corridor.publish.folder import output_folder
from corridor.publish.provenance import Stamp, stamp
from corridor.publish.publish import project_inputs
from corridor.publish.sheets import sheet_set, write_sheets
from corridor.publish.summary import json_ready, summary, write_json


def publish_sheets(
    study: Study,
    folder: str | Path,
    *,
    settings: SheetSettings | None = None,
    inputs: Iterable[str | Path] = (),
    progress: Progress = silent,
) -> dict[str, Any]:
    """Write ``sheets.pdf`` (or its parts) and ``summary.json``; the folder appears as a whole.

    Parameters
    ----------
    settings : SheetSettings, optional
        Default: the project's ``[sheets]`` table.
    inputs : iterable of path
        Files the run read besides those of the project.

    Returns
    -------
    dict
        What ``summary.json`` holds: that of the study, with ``sheets`` (their
        number), ``files`` and ``sheet_settings``.
    """
    marks = stamp(study.project)
    data = sheet_set(study, marks, settings)
    with output_folder(folder, [*project_inputs(study.project), *inputs]) as fresh:
        files = write_sheets(data, fresh, progress)
        content = json_ready(
            {
                **summary(study, marks),
                "sheets": len(data.strips),
                "files": [file.name for file in files],
                "sheet_settings": data.settings,
            }
        )
        write_json(fresh / "summary.json", content)
    return content


def sheets_writer(settings: SheetSettings | None = None, progress: Progress = silent):
    """A writer of the sheets for ``publish_study(extras=...)``."""

    def write(study: Study, folder: Path, marks: Stamp) -> None:
        write_sheets(sheet_set(study, marks, settings), folder, progress)

    return write
