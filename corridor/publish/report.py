"""report.html: one file a reviewer can repeat the study from; no network, no scripts, prints well."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from corridor.assess.cautions import CAUTIONS
from corridor.assess.quantities import quantities
from corridor.model.publication import SheetSettings
from corridor.model.results import Study, Table
from corridor.publish.map import policy
from corridor.publish.palette import RULE_WORDS, rule_colour
from corridor.publish.provenance import Stamp
from corridor.publish.report_figures import plan_svg, profile_svg, swatches
from corridor.publish.report_html import bullets, section, text
from corridor.publish.report_parts import (
    bound_part,
    checks_part,
    cost_part,
    crossings_part,
    key_figures,
    line_part,
    quantities_part,
    spans_part,
    zones_part,
)
from corridor.publish.report_sources import (
    asked_part,
    inputs_part,
    limits_part,
    method_part,
    repeat_part,
    uncertainty_part,
)
from corridor.publish.sheets_data import SheetSet
from corridor.publish.summary import json_ready, summary
from corridor.publish.tables import write_csv


def report_writer(command: str = "") -> Callable[[Study, Path, Stamp], None]:
    """A writer of ``report.html`` and ``quantities.csv``, as ``publish_study`` calls it.

    Parameters
    ----------
    command : str
        The command as it was typed, for the reader who wants to repeat it.
    """

    def write(study: Study, folder: Path, stamp: Stamp) -> None:
        held = quantities(study.project, study.assessment)
        write_csv(folder / "quantities.csv", "quantities", held)
        write_report(folder / "report.html", study, stamp, held, command)

    return write


def write_report(path: Path, study: Study, stamp: Stamp, held: Table, command: str = "") -> None:
    """Write the report of `study`; `held` is its table of quantities."""
    path.write_text(report(study, stamp, held, command), encoding="utf-8")


def report(study: Study, stamp: Stamp, held: Table, command: str = "") -> str:
    """The whole page as text.

    Every figure comes from the tables and the summary at the precision of the
    data files. Text from the project reaches the page escaped; there is no
    script, and the Content-Security-Policy allows none.
    """
    content = json_ready(summary(study, stamp))
    parts = [
        ("asked", "What was asked", asked_part(study)),
        ("result", "The result at a glance", key_figures(content) + _drawings(study, stamp)),
        ("inputs", "What went in", inputs_part(study, stamp)),
        ("method", "How it was done", method_part(study)),
        ("line", "The line", line_part(study)),
        ("checks", "Checks", checks_part(content)),
        ("cost", "Cost by term and KP", cost_part(study, content)),
        ("bound", "Bound and gap", bound_part(study, content)),
        ("crossings", "Crossings", crossings_part(study)),
        ("spans", "Free spans and supports", spans_part(study)),
        ("zones", "Zones and obstructions", zones_part(study)),
        ("quantities", "Quantities", quantities_part(study, held)),
        ("uncertainty", "Uncertainties", uncertainty_part(study)),
        ("limits", "Not assessed, cautions", limits_part(content)),
        ("repeat", "To repeat it", repeat_part(study, stamp, command)),
    ]
    links = "".join(f'<li><a href="#{key}">{text(title)}</a></li>\n' for key, title, _ in parts)
    body = (
        f"{_head(content, stamp)}<nav><ol>\n{links}</ol></nav>\n<main>\n"
        + "".join(section(*part) for part in parts)
        + f"</main>\n<footer>{text(stamp.line())}. {text(CAUTIONS[0])}</footer>\n"
    )
    return _page(text(f"Report: {stamp.project}"), body)


def _head(content: Mapping[str, Any], stamp: Stamp) -> str:
    """Title, origin, status, the first cautions."""
    broken = sum(not check["ok"] for check in content["checks"])
    words = f"{broken} of {len(content['checks'])} checks BROKEN" if broken else "all checks hold"
    state = f'<p><span class="status {"broken" if broken else "ok"}">{text(words)}</span></p>\n'
    return (
        f"<header>\n<h1>{text(stamp.project)}</h1>\n"
        f'<p class="under">Route report, revision {text(stamp.revision)}, {text(stamp.time_text)}, '
        f"{text(stamp.crs)}, vertical datum {text(stamp.vertical_datum or 'not stated')}</p>\n{state}"
        f'<div class="caution">{bullets(CAUTIONS)}</div>\n</header>\n'
    )


def _drawings(study: Study, stamp: Stamp) -> str:
    """Plan and profile with their captions."""
    data = SheetSet(study, stamp, SheetSettings())
    rules = list(dict.fromkeys(drawn.layer.rule for drawn in data.layers))
    legend = swatches((RULE_WORDS[rule], rule_colour(rule)) for rule in rules)
    plan = plan_svg(study, data.line, data.layers)
    words = "The line, grid north up, on the shaded seabed (darker is deeper). Rings: crossings."
    parts = [f"<figure>{plan}<figcaption>{text(words)} {legend}</figcaption></figure>\n"]
    profile = profile_svg(study, data.spans)
    if profile:
        words = (
            f"Depth in m below {stamp.vertical_datum or 'a datum not stated'} over KP in km. "
            "Dashed: crossings. " + ("Marks at the foot: spans that are not ok." if data.spans else "")
        )
        parts.append(f"<figure>{profile}<figcaption>{text(words)}</figcaption></figure>\n")
    return "".join(parts)


def _page(title: str, body: str) -> str:
    css = resources.files("corridor.publish").joinpath("web_report", "report.css").read_text(encoding="utf-8")
    head = (
        '<meta charset="utf-8">\n<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="referrer" content="no-referrer">\n<title>{title}</title>\n<style>\n{css}</style>\n'
    )
    html = f'<!DOCTYPE html>\n<html lang="en">\n<head>\n{head}</head>\n<body>\n{body}</body>\n</html>\n'
    # The policy is computed from our own style alone: no text of the project can take part in it.
    rules = policy(f"<style>\n{css}</style>").replace("script-src ;", "script-src 'none';")
    return html.replace('<meta charset="utf-8">\n', '<meta charset="utf-8">\n' + rules, 1)
