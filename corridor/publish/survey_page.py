"""survey.html: the survey's quality and what it found, one file, no network.

As for the map: data goes in as JSON that the browser does not execute and
reaches the page as text; a Content-Security-Policy allows the page's own
script and style by their hashes and nothing else.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.model.survey import Survey
from corridor.publish.map import island, policy
from corridor.publish.summary import json_ready
from corridor.publish.survey_pictures import pictures

ROWS_SHOWN = 300
"""Rows of a table on the page; the files hold all."""


def write_page(
    path: Path, survey: Survey, report: Mapping[str, Any], line_m: NDArray[np.float64] | None
) -> None:
    """Write the page.

    Parameters
    ----------
    report : mapping
        The content of survey.json.
    line_m : array (n, 2), optional
        The line on the project grid.
    """
    shown = dict(report)
    for name in ("contacts", "changes", "lines"):
        shown[name] = list(report[name])[:ROWS_SHOWN]
        shown[f"{name}_total"] = len(report[name])
    islands = {
        "survey": json_ready(shown),
        "pictures": [dataclasses.asdict(picture) for picture in pictures(survey, line_m)],
    }
    path.write_text(page(islands), encoding="utf-8")


def page(islands: Mapping[str, Any]) -> str:
    """The whole page around its data islands."""
    data = "".join(island(name, content) for name, content in islands.items())
    body = (
        f"<style>\n{_file('survey.css')}</style>\n</head>\n<body>\n{_file('survey.html')}"
        f"{data}<script>\n{_file('survey.js')}</script>\n</body>\n</html>\n"
    )
    head = '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
    head += '<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>Survey</title>\n'
    return head + policy(body) + body


def _file(name: str) -> str:
    return resources.files("corridor.publish").joinpath("web", name).read_text(encoding="utf-8")
