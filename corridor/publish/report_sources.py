"""The report's sections about what was asked, what went in, how it was done, and how to repeat it."""

from __future__ import annotations

import dataclasses
import html
import importlib.metadata
import platform
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import pyproj
import shapely

from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.results import Study
from corridor.publish.provenance import Stamp
from corridor.publish.report_html import Head, Raw, bullets, paragraphs, table, text
from corridor.publish.report_words import (
    end_words,
    method_words,
    seed_words,
    toml_text,
    uncertainty_words,
)

LIBRARIES = (
    "numpy", "numba", "scipy", "shapely", "pyproj", "rasterio", "pyogrio", "geopandas", "matplotlib",
)  # fmt: skip
"""Packages whose version may change a figure or a picture."""

MOST_NOTES = 60


def asked_part(study: Study) -> str:
    """Ends, via points, rules, layers and what each demands."""
    project = study.project
    ends = [("start", end_words(project.start)), *(("via", end_words(end)) for end in project.via)]
    ends.append(("end", end_words(project.end)))
    heads = (Head("what", "", False), Head("words", "Position on the project grid", False, True))
    asked = table(heads, [{"what": name, "words": words} for name, words in ends])
    rules = project.rules
    given = project.settings.get("route", {})
    rows = [
        {
            "rule": Raw(f"<code>{text(field.name)}</code>"),
            "value": _value_words(getattr(rules, field.name)),
            "source": "project file" if field.name in given else "default",
        }
        for field in dataclasses.fields(rules)
    ]
    limits = (
        Head("rule", "Rule or price", False),
        Head("value", "Value", False),
        Head("source", "From", False),
    )
    return (
        paragraphs(
            f"A line from start to end in {project.crs}, depths below "
            f"{project.vertical_datum or 'a datum not stated'}, under these rules."
        )
        + asked
        + table(limits, rows)
        + "<h3>Layers</h3>\n"
        + _layer_table(project)
    )


def _value_words(value: Any) -> str:
    if value is None:
        return "chosen by the program"
    if isinstance(value, tuple):
        return ", ".join(map(_value_words, value)) or "none"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _layer_table(project: Project) -> str:
    heads = (
        Head("name", "Layer", False), Head("rule", "Rule", False), Head("count", "Features"),
        Head("demand", "What it demands", False, True), Head("file", "From", False),
    )  # fmt: skip
    rows = [
        {
            "name": layer.name,
            "rule": layer.rule,
            "count": len(layer),
            "demand": _demand(layer),
            "file": layer.file + (f", {layer.table}" if layer.table else ""),
        }
        for layer in project.layers
    ]
    return table(heads, rows) if rows else paragraphs("No layers were handed in.")


DEMANDS = {
    "avoid": "stay outside",
    "stay_within": "stay inside",
    "jurisdiction": "nothing: it is told who is in charge",
}
"""Of layers that ask for no distance."""


def _demand(layer: Layer) -> str:
    """A layer's rule in words."""
    if not len(layer):
        return "empty"
    words = []
    if layer.rule == "discourage":
        words.append(f"a metre inside counts {layer.factor:g} times")
    if layer.rule == "cross":
        words.append(
            f"angle at least {layer.min_angle_deg:g}°, straight {layer.straight_each_side_m:g} m each side, "
            f"fee {layer.crossing_cost_m:g} m"
        )
    if layer.rule in ("avoid", "cross", "stay_within") and float(layer.standoff_m.max()) > 0.0:
        words.append(f"standoff {_range_words(layer.standoff_m)}")
    if float(layer.position_uncertainty_m.max()) > 0.0:
        words.append(f"position uncertainty {_range_words(layer.position_uncertainty_m)}")
    if not words and layer.rule in DEMANDS:
        words.append(DEMANDS[layer.rule])
    if layer.needs_consent:
        words.append("law or safety: relaxing it needs an authority")
    return "; ".join(words)


def _range_words(values: Any) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:g} m" if low == high else f"{low:g} to {high:g} m"


def inputs_part(study: Study, stamp: Stamp) -> str:
    """Files with hashes and dates, and what was done to them on reading."""
    base = study.project.file.parent
    heads = (
        Head("file", "File", False),
        Head("date", "File's date, UTC", False, keep=True),
        Head("sha", "SHA-256", False),
    )
    rows = [
        {"file": file, "date": _date(base / file), "sha": Raw(f"<code>{text(digest)}</code>")}
        for file, digest in stamp.inputs
    ]
    notes = [
        *(f"{surface.name}: {note}" for surface in study.project.seabed.surfaces for note in surface.notes),
        *(f"{layer.name}: {note}" for layer in study.project.layers for note in layer.notes),
    ]
    surfaces = "".join(
        f"<li>{text(surface.name)}: {surface.grid.cols} x {surface.grid.rows} cells of "
        f"{surface.grid.cell_m:g} m</li>\n"
        for surface in study.project.seabed.surfaces
    )
    parts = [
        paragraphs("The hash was taken when the file was read: the same hash is the same content."),
        table(heads, rows),
        "<h3>Seabed, the first on top</h3>\n",
        f'<ol class="tight">\n{surfaces}</ol>\n',
    ]
    if notes:
        more = [f"{len(notes) - MOST_NOTES} further notes"] if len(notes) > MOST_NOTES else []
        parts += ["<h3>Done on reading</h3>\n", bullets([*notes[:MOST_NOTES], *more])]
    return "".join(parts)


def _date(path: Any) -> str:
    try:
        return datetime.fromtimestamp(path.stat().st_mtime, UTC).strftime("%Y-%m-%d %H:%M")
    except OSError:
        return "not known"


def method_part(study: Study) -> str:
    """How the line came about, in plain words."""
    return paragraphs(*method_words(study)) + bullets(study.notes)


def uncertainty_part(study: Study) -> str:
    """What the figures rest on."""
    return bullets(uncertainty_words(study.project, study))


def limits_part(content: Mapping[str, Any]) -> str:
    """What was not assessed, warnings, cautions."""
    parts = [
        "<h3>Not assessed</h3>\n",
        paragraphs(
            "No part of this run looked at the following; silence about them elsewhere means nothing."
        ),
        bullets(content["not_assessed"]),
    ]
    if content["warnings"]:
        parts += ["<h3>Warnings</h3>\n", bullets(content["warnings"])]
    parts += ["<h3>Cautions</h3>\n", f'<div class="caution">{bullets(content["cautions"])}</div>\n']
    return "".join(parts)


def repeat_part(study: Study, stamp: Stamp, command: str) -> str:
    """The exact command, versions, seeds and settings."""
    file = study.project.file.name
    again = f"corridor assess {file} --alignment alignment.csv"
    said = (
        f"<pre>{text(command, 2000)}</pre>\n"
        if command
        else paragraphs("Written by a program, not a command.")
    )
    versions = [
        {"name": "corridor", "version": stamp.version},
        {"name": "Python", "version": platform.python_version()},
        *({"name": name, "version": _version(name)} for name in LIBRARIES),
        {"name": "PROJ", "version": pyproj.proj_version_str},
        {"name": "GEOS", "version": shapely.geos_version_string},
    ]
    heads = (Head("name", "Software", False), Head("version", "Version", False))
    return (
        "<h3>Command</h3>\n" + said
        + paragraphs(f"The figures of this line follow from its points alone: {again}")
        + "<h3>Random numbers</h3>\n" + paragraphs(seed_words(study))
        + "<h3>Versions</h3>\n" + table(heads, versions)
        + "<h3>Settings, as read</h3>\n"
        + f"<pre>{html.escape(toml_text(study.project.settings))}</pre>\n"
        + _pipe_settings(study)
    )  # fmt: skip


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


def _pipe_settings(study: Study) -> str:
    """Every setting of pipe and sea with where it comes from, where the pipe was laid."""
    held = (study.assessment.pipe_summary or {}).get("settings")
    if not held:
        return ""
    heads = (
        Head("name", "Setting", False),
        Head("value", "Value", False),
        Head("source", "From", False, True),
    )
    rows = [
        {
            "name": Raw(f"<code>{text(name)}</code>"),
            "value": _plain_words(entry["value"]),
            "source": "project file" if entry["source"] == "project" else entry["source"],
        }
        for name, entry in held.items()
    ]
    return "<h3>Pipe and sea: every setting and where its value comes from</h3>\n" + table(heads, rows)


def _plain_words(value: Any) -> str:
    if value is None:
        return "not given"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, (list, tuple)):
        return ", ".join(map(_plain_words, value)) or "none"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_plain_words(item)}" for key, item in value.items())
    return str(value)
