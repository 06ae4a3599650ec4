"""The report's words: what was asked, how the line was found, what the bound means, what is uncertain."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping
from typing import Any

from corridor.model.project import Project
from corridor.model.results import Study
from corridor.model.rules import RouteEnd
from corridor.model.seabed import Surface, Uncertainty
from corridor.publish.report_html import figure

_UNSEEN = ("Cc", "Cf", "Cn", "Co", "Zl", "Zp")


def end_words(end: RouteEnd) -> str:
    """An end of the line in words."""
    place = f"{end.easting:.2f} E, {end.northing:.2f} N"
    return place + ("" if end.bearing_deg is None else f", bearing {end.bearing_deg:g}°")


def method_words(study: Study) -> list[str]:
    """How the line came about and how it was judged, in plain words."""
    rules = study.project.rules
    words = []
    if study.search is None:
        words.append("The line was handed in. Nothing was searched; it was measured as it is.")
    else:
        cell = f"{study.surface.grid.cell_m:g} m" if study.surface is not None else "square"
        words += [
            f"Search. The seabed was cut into {cell} cells. Every cell has a price per metre: 1 on flat open "
            "ground, more where it is steep or discouraged, none where a rule closes it. From the start, the "
            f"search moved along {rules.headings} fixed directions by straights and by bends whose arcs hold "
            "the least radius, so that every path it tried can be laid. It always went on with the path that "
            "could still become the cheapest, and stopped when no other path could be cheaper.",
            "Fit. The search's path was then redrawn with fewer intersection points and free directions, "
            "under the same rules and the same prices, wherever that made it cheaper.",
        ]
        words.append(
            "A place where the finished line broke a rule was closed and the work done again, a limited "
            "number of times; what remains broken is marked below."
        )
    words += [
        "Verification. The finished line was measured on the finest seabed and the exact outlines, "
        "independently of how it was found: radius, straights, bearings, depth, slopes along and across "
        f"averaged over {rules.slope_baseline_m:g} m, distances, crossing angles.",
        "Cost is counted in equivalent metres: one metre of pipe on flat open seabed costs 1. Slope adds "
        f"slope_cost = {rules.slope_cost:g} times (slope / limit) squared per metre, along and across each "
        "against its own limit; discouraged ground multiplies; each crossing and each bend "
        f"({rules.bend_cost_m:g} m) adds its fee.",
    ]
    if study.assessment.spans is not None:
        words.append(
            "Free spans. The pipe was laid on the sampled seabed as a beam with tension on springs that push "
            "but do not pull. Where the seabed does not push, the pipe spans. Each span was screened for "
            "static stress and for the onset of vibration with its own computed frequency; supports were "
            "added, as few as would do, where that screening fails, and the pipe was laid again on them."
        )
    return words


def bound_words(study: Study, content: Mapping[str, Any]) -> list[str]:
    """What the lower bound is, why it holds, and what the gap means; `content` is the summary."""
    search = study.search
    bound, cost, gap = content["lower_bound_m"], content["cost_m"], content["gap_percent"]
    if search is None or bound is None or gap is None:
        return [
            "No bound was computed: the line was handed in, not searched. Its cost is stated, how much "
            "cheaper another line could be is not."
        ]
    bends = content["cost_terms"].get("bends_m")
    words = [
        f"The line costs {figure('cost_m', cost)} equivalent m. No line on the gridded ground costs less "
        f"than {figure('cost_m', bound)}. The line is therefore at most {gap:.3f} % dearer than the best "
        "line there can be on this ground with these prices: 100 x (cost - bound) / bound.",
        "Why no line can beat the bound. Every cell was given the least price that any direction pays in it, "
        "and then the least price among itself and its eight neighbours; a cell counts as closed only when "
        "every direction breaks a limit there. On this optimistic ground the cheapest chain of grid steps "
        "from start to end was found. Any line can be followed by such a chain, whose steps were counted so "
        "short that it counts for no more than the line; what the chain may miss at the ends was taken off.",
        "Of bends the bound counts at most one for every run of them to the same side.",
        "What is left out makes the bound lower, never higher: the other bends, how radii and straights hold "
        "a line, and slope limits in single directions. The bound therefore also holds for lines no vessel "
        "could lay, and part of the gap cannot be closed by any line"
        + (f"; this one pays {figure('bends_m', bends)} m for its bends alone." if bends else "."),
        "What it does not say. It speaks of the gridded ground and of the prices in this report, not of the "
        "sea. The step from line to chain is exact on even ground and tested, not proven, where the ground "
        "is rough at the size of a cell.",
    ]
    if search.proven:
        words.append(
            "The search's own path is the cheapest of all its moves: no move contradicted its estimate."
        )
    else:
        words.append(
            "The search's own path is near the cheapest of its moves, but that was not proven: a bend cost "
            "less than its estimate and the search was not repeated without limit."
        )
    return words


def uncertainty_words(project: Project, study: Study) -> list[str]:
    """What the figures rest on, one sentence each."""
    words = [f"Seabed {surface.name}: {_surface_words(surface)}" for surface in project.seabed.surfaces]
    for layer in project.layers:
        if len(layer) and float(layer.position_uncertainty_m.max()) > 0.0:
            least, most = layer.position_uncertainty_m.min(), layer.position_uncertainty_m.max()
            span = f"{most:g} m" if least == most else f"{least:g} to {most:g} m"
            words.append(f"Positions in {layer.name}: {span}, added to the standoff.")
    unstated = [
        layer.name
        for layer in project.layers
        if len(layer)
        and layer.rule in ("avoid", "cross")
        and float(layer.position_uncertainty_m.max()) == 0.0
    ]
    if unstated:
        words.append(f"Positions in {', '.join(unstated)}: no uncertainty stated, none added.")
    scale = study.assessment.geodesy
    if "scale_least" in scale:
        words.append(
            "KP runs on the project grid; grid metres per ground metre lie between "
            f"{scale['scale_least']:.6f} and {scale['scale_most']:.6f} along the line."
        )
    words.append(
        f"Slopes are averages over {project.rules.slope_baseline_m:g} m; shorter steps of the seabed do not "
        "show."
    )
    pipe = project.pipe
    if study.assessment.spans is not None and pipe is not None:
        words.append(
            "The column probability of a span is the chance, from the seabed's stated uncertainty alone, "
            f"that it is longer than allowed ({pipe.realisations} simulated seabeds, random_seed = "
            f"{pipe.random_seed})."
        )
    return words


def _surface_words(surface: Surface) -> str:
    known = surface.uncertainty
    cells = f"{surface.grid.cell_m:g} m cells; "
    if known is None:
        return cells + "no uncertainty stated"
    if isinstance(known, Uncertainty):
        return cells + f"depth within sqrt({known.a_m:g}² + ({known.b:g} x depth)²) m at 95 %"
    return cells + "uncertainty at 95 % from its own raster"


def seed_words(study: Study) -> str:
    """What in the run was random."""
    pipe = study.project.pipe
    if study.assessment.spans is None or pipe is None:
        return "Nothing in this run was random."
    return (
        f"Random numbers served only the probabilities of spans: random_seed = {pipe.random_seed}, "
        f"realisations = {pipe.realisations}. Everything else is deterministic."
    )


def toml_text(settings: Mapping[str, Any]) -> str:
    """Settings as TOML: read back, they are the same settings."""
    plain = {key: value for key, value in settings.items() if not _is_table(value)}
    lines = [f"{_key(key)} = {_value(value)}" for key, value in plain.items()]
    for key, value in settings.items():
        if isinstance(value, Mapping):
            lines += ["", f"[{_key(key)}]", *_entries(value)]
        elif _is_table(value):
            for item in value:
                lines += ["", f"[[{_key(key)}]]", *_entries(item)]
    return "\n".join(lines).strip() + "\n"


def _is_table(value: Any) -> bool:
    listed = isinstance(value, (list, tuple)) and bool(value) and all(isinstance(v, Mapping) for v in value)
    return isinstance(value, Mapping) or listed


def _entries(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items()]


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_value, value)) + "]"
    return _quoted(str(value))


def _quoted(words: str) -> str:
    """A basic string: JSON's escapes are TOML's; signs that would not show, or turn text round, as well."""
    return "".join(
        f"\\U{ord(sign):08x}" if unicodedata.category(sign) in _UNSEEN else sign
        for sign in json.dumps(words, ensure_ascii=False)
    )


def _key(name: str) -> str:
    bare = name.replace("_", "").replace("-", "").isalnum() and name.isascii()
    return name if bare else _quoted(name)
