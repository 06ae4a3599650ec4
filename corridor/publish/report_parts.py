"""The report's sections about the line: checks, cost, crossings, spans, zones, quantities."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from corridor.assess.quantities import COST_PREFIX, rate_warnings, total_amount, totals
from corridor.model.results import Study, Table
from corridor.publish.report_figures import cost_svg, swatches
from corridor.publish.report_html import (
    Head,
    Raw,
    bullets,
    exact,
    figure,
    inline_list,
    money,
    paragraphs,
    table,
    text,
)
from corridor.publish.report_words import bound_words
from corridor.publish.sheets_data import columns
from corridor.publish.tables import rows as table_rows

MOST_ROWS = 120
"""Rows of one table on the page; the data file named beside it holds all."""

WHOLE = ("pieces", "bend", "crossing", "support")
"""Units that come in whole numbers."""

TERM_WORDS = {
    "length_m": "length", "slope_m": "slope", "discouraged_m": "discouraged ground",
    "crossings_m": "crossings", "bends_m": "bends",
}  # fmt: skip

CHECKS = (
    Head("verdict", "", False, keep=True), Head("rule", "Rule", False, keep=True),
    Head("layer", "Layer", False), Head("limit", "Limit"), Head("worst", "Worst"), Head("kp_km", "at KP"),
    Head("detail", "Where and what", False, True),
)  # fmt: skip
POINTS = (
    Head("point", "Point", False, keep=True), Head("easting_m", "Easting m"),
    Head("northing_m", "Northing m"),
    Head("radius_m", "Radius m"), Head("deflection_deg", "Deflection °"), Head("arc_m", "Arc m"),
    Head("kp_in_km", "KP in"), Head("kp_out_km", "KP out"), Head("latitude_deg", "Latitude °"),
    Head("longitude_deg", "Longitude °"),
)  # fmt: skip
CROSSINGS = (
    Head("kp_km", "KP"), Head("feature", "What", False), Head("layer", "Layer", False),
    Head("owner", "Owner", False), Head("kind", "Kind", False), Head("status", "Status", False),
    Head("angle_deg", "Angle °"), Head("depth_m", "Depth m"), Head("straight_before_m", "Straight before m"),
    Head("straight_after_m", "after m"), Head("separation_m", "Separation m"), Head("ok", "Holds"),
)  # fmt: skip
SPANS = (
    Head("span", "Span"), Head("kp_start_km", "KP from"), Head("kp_end_km", "to"),
    Head("length_m", "Length m"), Head("allowable_length_m", "allowed m"), Head("max_gap_m", "Gap m"),
    Head("depth_m", "Depth m"), Head("max_stress_MPa", "Stress MPa"),
    Head("frequency_inline_hz", "In-line Hz"), Head("frequency_crossflow_hz", "Cross-flow Hz"),
    Head("probability", "Prob."), Head("load_case", "Load case", False, keep=True),
    Head("verdict", "Verdict", False, keep=True),
)  # fmt: skip
SUPPORTS = (
    Head("support", "Support"), Head("span", "for span"), Head("kp_km", "KP"),
    Head("height_m", "Height m"), Head("crest_depth_m", "Crest depth m"),
    Head("reaction_kN", "Reaction kN"), Head("rock_m3", "Rock m³"),
)  # fmt: skip
PROXIMITY = (
    Head("layer", "Layer", False), Head("feature", "Feature", False), Head("kp_km", "KP"),
    Head("side", "Side", False, keep=True), Head("distance_m", "Distance m"), Head("limit_m", "Limit m"),
    Head("ok", "Holds"),
)  # fmt: skip
QUANTITIES = (
    Head("item", "Item", False, True), Head("quantity", "Quantity"), Head("unit", "Unit", False, keep=True),
    Head("amount", "Amount"), Head("currency", "", False, keep=True),
)  # fmt: skip
QUANTITY_ROWS = (
    Head("item", "Item", False), Head("kp_from_km", "KP from"), Head("kp_to_km", "to"),
    Head("quantity", "Quantity"), Head("unit", "Unit", False, keep=True), Head("rate", "Rate"),
    Head("amount", "Amount"), Head("currency", "", False, keep=True), Head("source", "Source", False, True),
)  # fmt: skip


def key_figures(content: Mapping[str, Any]) -> str:
    """The result at a glance; figures are those of summary.json."""
    pairs = [
        ("length on the grid", f"{content['length_m'] / 1000.0:.3f} km"),
        ("length on the ellipsoid", f"{content['length_ellipsoid_m'] / 1000.0:.3f} km"),
        ("bends", str(content["bends"])),
        (
            "least radius",
            "no bend" if content["min_radius_m"] is None else f"{content['min_radius_m']:.1f} m",
        ),
        ("steepest along / across", f"{_angle(content, 'along')} / {_angle(content, 'across')}"),
        ("crossings", str(content["crossings"])),
        _span_figure(content),
        ("cost, equivalent m", figure("cost_m", content["cost_m"])),
        ("lower bound, equivalent m", figure("lower_bound_m", content["lower_bound_m"])),
        ("gap to the bound", "–" if content["gap_percent"] is None else f"{content['gap_percent']:.3f} %"),
    ]
    return inline_list(pairs)


def _angle(content: Mapping[str, Any], way: str) -> str:
    value = content[f"max_slope_{way}_deg"]
    return "–" if value is None else f"{value:.2f}°"


def _span_figure(content: Mapping[str, Any]) -> tuple[str, str]:
    """Name and figure of the spans: how many, and of these with each verdict."""
    if content["spans"] is None:
        return "free spans", "not assessed"
    verdicts = content["spans_by_verdict"] or {}
    counts = ", ".join(f"{count} {name}" for name, count in verdicts.items() if count)
    return "free spans" + (f": {counts}" if counts else ""), str(content["spans"])


def checks_part(content: Mapping[str, Any]) -> str:
    """Every rule with its limit, its worst value and where."""
    checks = content["checks"]
    held = [
        {
            **check,
            "verdict": "holds" if check["ok"] else "BROKEN",
            "rule": Raw(f"<code>{text(check['rule'])}</code>"),
            "limit": exact(check["limit"]),
            "worst": exact(check["worst"]),
        }
        for check in sorted(checks, key=lambda check: bool(check["ok"]))
    ]
    broken = sum(not check["ok"] for check in checks)
    words = (
        f"{broken} of {len(checks)} checks are broken; they stand first."
        if broken
        else f"All {len(checks)} checks hold."
    )
    return paragraphs(
        f"{words} Limits and worst values are in the unit that the rule's name ends in. Values come from "
        "measuring the finished line on the finest seabed and the exact outlines."
    ) + table(CHECKS, held, bad="ok")


def line_part(study: Study) -> str:
    """The points that define the line."""
    return paragraphs(
        "These points define the line: straights between the intersection points (IP), rounded by arcs of "
        "the radius given. KP in and KP out are the tangent points. alignment.csv holds the same figures to "
        "0.0001 m, setting_out.csv the tangent points, arc centres and legs, chainage.csv every "
        f"{study.project.output.kp_interval_m:g} m."
    ) + _limited(POINTS, study.assessment.points, "alignment.csv")


def cost_part(study: Study, content: Mapping[str, Any]) -> str:
    """Cost by term, and by KP as a diagram and a table."""
    total = content["cost_m"]
    terms = [
        {"term": TERM_WORDS.get(name, name), "cost_m": value, "share": f"{100.0 * value / total:.2f} %"}
        for name, value in content["cost_terms"].items()
    ]
    terms.append({"term": "total", "cost_m": total, "share": "100 %"})
    heads = (Head("term", "Term", False), Head("cost_m", "Equivalent m"), Head("share", "Share"))
    held = columns(study.assessment.cost_by_kp)
    drawing, colours = cost_svg(held)
    parts = [table(heads, terms, last_sum=True)]
    if drawing:
        legend = swatches((TERM_WORDS.get(name, name), colour) for name, colour in colours)
        words = "What each KP range costs above its length, equivalent m."
        parts.append(f"<figure>{drawing}<figcaption>{text(words)} {legend}</figcaption></figure>\n")
    by_kp = [Head(name, TERM_WORDS.get(name) or _title(name)) for name in held]
    parts.append(_limited(by_kp, study.assessment.cost_by_kp, "cost_by_kp.csv"))
    return "".join(parts)


def _title(column: str) -> str:
    """A column's heading: its name without the unit."""
    words = column.removesuffix("_km").removesuffix("_m").replace("_", " ")
    return words.replace("kp ", "KP ")


def bound_part(study: Study, content: Mapping[str, Any]) -> str:
    """The proof of the gap, in words."""
    return paragraphs(*bound_words(study, content))


def crossings_part(study: Study) -> str:
    """Every crossing."""
    if not len(study.assessment.crossings["kp_km"]):
        return paragraphs("The line crosses none of the assets in the layers handed in.")
    return _limited(CROSSINGS, study.assessment.crossings, "crossings.csv", bad="ok")


def spans_part(study: Study) -> str:
    """Spans by the load case that governs, and supports."""
    assessed = study.assessment
    if assessed.spans is None:
        why = (
            "there is no [pipe] table" if study.project.pipe is None else "the pipe was not laid in this run"
        )
        return paragraphs(f"Not assessed: {why}.")
    rows = [row for row in table_rows(assessed.spans) if row["governs"]]
    parts = [
        paragraphs(
            "One row per span, with the load case that decides. ok means only that the span passes this "
            "screening; assess asks for an engineer's own assessment; support needs a cure. Where current, "
            "waves or yield strength are not given, that part is not assessed. spans.csv holds every load "
            "case."
        ),
        table(SPANS, rows[:MOST_ROWS], more=_rest(rows, "spans.csv"))
        if rows
        else paragraphs("No free spans."),
        "<h3>Supports</h3>\n",
    ]
    if assessed.supports is None or not len(assessed.supports["support"]):
        parts.append(paragraphs("None."))
    else:
        parts.append(
            paragraphs(
                "The fewest supports that cure the spans above, with the pipe laid again on them. Rock "
                "volumes are berms on level ground."
            )
        )
        parts.append(_limited(SUPPORTS, assessed.supports, "supports.csv"))
    sources = (assessed.pipe_summary or {}).get("cautions", ())
    return "".join(parts) + bullets(sources)


def zones_part(study: Study) -> str:
    """Features near the line, the tightest first."""
    rows = table_rows(study.assessment.proximity)
    if not rows:
        return paragraphs(f"Nothing within {study.project.rules.proximity_m:g} m of the line.")

    def margin(row: Mapping[str, Any]) -> float:
        limit = row["limit_m"] if row["limit_m"] is not None else 0.0
        return (row["distance_m"] if row["distance_m"] is not None else math.inf) - limit

    ordered = sorted(rows, key=lambda row: (row["ok"] is not False, margin(row)))
    shown = ordered[: MOST_ROWS // 3]
    return paragraphs(
        f"Nearest approach of the features within {study.project.rules.proximity_m:g} m, the tightest first. "
        "The limit is standoff, position uncertainty and lay tolerance together, in ground metres."
    ) + table(PROXIMITY, shown, bad="ok", more=_rest(ordered, "proximity.csv", len(shown)))


def quantities_part(study: Study, held: Table) -> str:
    """Totals per item, then the rows they come from."""
    sums = totals(held)
    currency = next((str(word) for word in held["currency"] if word), "")
    own = [_total_row(item, *figures, currency) for item, figures in sums.items() if not _is_cost(item)]
    parts = [
        paragraphs(
            "Screening quantities: no spares, cut-offs, mobilisation or weather. quantities.csv holds these "
            "rows with their rates and sources; each belongs to a KP range."
        )
    ]
    amount = total_amount(held)
    if math.isnan(amount):
        parts.append(table(QUANTITIES[:3], own))
    else:
        own.append(
            {"item": "total of the amounts", "amount": money(amount), "currency": currency, "quantity": ""}
        )
        parts.append(table(QUANTITIES, own, last_sum=True))
    cost = [_total_row(item, *figures, currency) for item, figures in sums.items() if _is_cost(item)]
    if cost:
        parts.append(
            paragraphs("The route's cost in equivalent metres at its own rate; not part of the total:")
        )
        parts.append(table(QUANTITIES, cost))
    parts.append(bullets(rate_warnings(study.project, study.assessment)))
    rows = [_priced(row) for row in table_rows(held) if not _is_cost(row["item"])]
    parts.append("<h3>By KP range</h3>\n")
    parts.append(table(QUANTITY_ROWS, rows[:MOST_ROWS], more=_rest(rows, "quantities.csv")))
    return "".join(parts)


def _is_cost(item: str) -> bool:
    return item.startswith(COST_PREFIX)


def _total_row(item: str, quantity: float, unit: str, amount: float, currency: str) -> dict[str, Any]:
    priced = not math.isnan(amount)
    return {
        "item": item,
        "quantity": _amount_of(quantity, unit),
        "unit": unit,
        "amount": money(amount) if priced else "",
        "currency": currency if priced else "",
    }


def _priced(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row of the quantities as it stands on the page: whole pieces, money in groups of three."""
    prices = {name: "" if row[name] is None else money(row[name]) for name in ("rate", "amount")}
    return {**row, **prices, "quantity": _amount_of(row["quantity"], row["unit"])}


def _amount_of(quantity: float, unit: str) -> str:
    return f"{quantity:.0f}" if unit in WHOLE else figure("quantity", quantity)


def _limited(heads: Iterable[Head], held: Table, file: str, bad: str | None = None) -> str:
    """The first rows of a table, and where the rest stands."""
    rows = table_rows(held)
    return table(list(heads), rows[:MOST_ROWS], bad=bad, more=_rest(rows, file))


def _rest(rows: list[Any], file: str, shown: int = MOST_ROWS) -> str:
    left = len(rows) - shown
    return f"{left} further rows stand in {file}." if left > 0 else ""
