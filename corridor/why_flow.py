"""Why here: what each rule costs, found by dropping it and looking for the cheapest line again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.assess.cautions import CAUTIONS
from corridor.errors import AlignmentError, NoRouteError
from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.project import Project
from corridor.model.results import CostSurface, Table
from corridor.model.rules import RouteEnd
from corridor.progress import Progress, silent
from corridor.publish.folder import output_folder
from corridor.publish.provenance import stamp
from corridor.publish.publish import project_inputs
from corridor.publish.summary import json_ready, write_json
from corridor.publish.tables import rows, write_csv
from corridor.routing.chainage import station_of
from corridor.routing.fit import attempt, keeps_rules
from corridor.routing.geometry import at_station, bends, densify_stations, elements, in_out_m
from corridor.routing.measure import cost_by_kp, line_cost
from corridor.routing.prices import (
    Dropped,
    Price,
    droppable,
    ground_without,
    parts,
    project_without,
    same_ground,
)
from corridor.routing.search import search
from corridor.side_by_side import side_by_side
from corridor.terrain.cost import cost_surface, search_grid
from corridor.workflow import SLOPE_MARGINS, in_force

LEAST_M = 1.0
"""A price below this is none, equivalent m: the fit is not finer."""

RULES_AT_ONCE = 2
"""Rules dropped at the same time, at most: each search needs much memory."""

SPARE = 1.1
"""Lines up to this many times as dear as the stretch are within the window that is searched."""


@dataclass(frozen=True, slots=True, eq=False)
class Why:
    """What holds a stretch of line where it is.

    Attributes
    ----------
    project : Project
    from_kp_km, to_kp_km : float
        The stretch, widened to the middle of the straights it begins and ends on.
    cost_m : float
        Of the stretch as it was handed in, equivalent m.
    cheapest_m : float
        Of the cheapest line found there with every rule: prices count from it.
    terms : table
        Cost of the stretch by term and KP.
    prices : tuple of Price, dearest first
    notes : tuple of str
    """

    project: Project
    from_kp_km: float
    to_kp_km: float
    cost_m: float
    cheapest_m: float
    terms: Table
    prices: tuple[Price, ...]
    notes: tuple[str, ...] = ()


@dataclass(slots=True, eq=False)
class _Case:
    """One project on one ground, and the cheapest line found on it."""

    project: Project
    surface: CostSurface
    line: Alignment | None = None
    cost_m: float = math.inf

    def offer(self, line: Alignment) -> None:
        """Keep a line that obeys the rules and is cheaper."""
        project = self.project
        if not keeps_rules(line, self.surface, project.rules, project.start, project.end):
            return
        cost = sum(line_cost(line, self.surface, project.rules).values())
        if cost < self.cost_m:
            self.line, self.cost_m = line, cost

    def fit(self, line: Alignment) -> None:
        """Fit from a line, and keep what is cheaper."""
        project = self.project
        fitted = attempt(line, self.surface, project.rules, project.start, project.end)
        if fitted.feasible:
            self.offer(fitted.alignment)

    def search(self) -> None:
        """Search from scratch, and fit."""
        project = self.project
        try:
            found = search(
                self.surface, replace(project.rules, bend_cost_m=0.0), project.start, project.end, reruns=0
            )
        except NoRouteError:
            return
        self.fit(found.alignment)


def why_here(
    project: Project,
    alignment: Alignment,
    from_kp_km: float | None = None,
    to_kp_km: float | None = None,
    progress: Progress = silent,
) -> Why:
    """The price of every rule on a line, or on a stretch of it.

    The cheapest line is looked for with every rule, and without each. A line
    found without a rule is also mended to obey it, and any line that obeys
    all rules competes for the cheapest with them, so that a better fit is not
    mistaken for a price. A price is never below zero.

    Parameters
    ----------
    project : Project
    alignment : Alignment
        The line in question; it should obey the rules.
    from_kp_km, to_kp_km : float, optional
        Default: the whole line.
    progress : Progress

    Raises
    ------
    AlignmentError
        The range is not on the line.
    NoRouteError
        No line obeys the rules there.
    """
    project = in_force(project)
    stretch, low, high, ends_included = _stretch(project, alignment, from_kp_km, to_kp_km)
    local = _local(project, stretch)
    window = _window(local, stretch)
    base = None
    for margin in SLOPE_MARGINS:
        base = _Case(local, cost_surface(local, grid=window, slope_margin=margin))
        base.offer(stretch)
        base.fit(stretch)
        base.search()
        if base.line is not None:
            break
    if base is None or base.line is None:
        raise NoRouteError(
            f"No line from KP {low:.3f} to {high:.3f} obeys the rules as they stand: none has a price. "
            "corridor assess says what the line breaks."
        )
    notes = []
    if not keeps_rules(stretch, base.surface, local.rules, local.start, local.end):
        notes.append(
            "the line handed in breaks a rule there on the gridded ground; prices count from one "
            "that does not"
        )
    cases = _cases(base, list(droppable(local, ends_included)), progress)
    binding = [one.layer for one, case in cases if one.rule == "layer" and case and _worth(base, case)]
    finer = [part for name in binding for part in parts(local, name)]
    cases += _cases(base, finer, progress)
    progress("why", 1.0)
    for _, case in cases:
        if case is not None:
            case.offer(base.line)
    cost = sum(line_cost(stretch, base.surface, local.rules).values())
    found = [_price(base, one, case, low) for one, case in cases]
    return Why(
        project, low, high, cost, base.cost_m, _terms(stretch, base, low),
        tuple(sorted(found, key=lambda price: -price.price_m)), tuple(notes),
    )  # fmt: skip


def _cases(base: _Case, dropped: list[Dropped], progress: Progress) -> list[tuple[Dropped, _Case | None]]:
    """The cheapest line without each; None where the ground does not know the difference."""

    def without(one: Dropped) -> _Case | None:
        return _without(base, one)

    cases = side_by_side(without, dropped, RULES_AT_ONCE, "why", progress)
    for case in cases:
        if case is None or case.line is None:
            continue
        base.offer(case.line)
        if case.cost_m < base.cost_m - LEAST_M:
            base.fit(case.line)
    return list(zip(dropped, cases, strict=True))


def _without(base: _Case, one: Dropped) -> _Case | None:
    """The cheapest line without a rule; `base` stays as it is."""
    assert base.line is not None
    project = project_without(base.project, one, base.surface.grid.cell_m)
    on_ground = one.layer or one.rule in ("depth_range_m", "lay_tolerance_m")
    surface = base.surface
    if on_ground:
        surface = cost_surface(project, grid=surface.grid, slope_margin=surface.slope_margin)
    surface = ground_without(surface, one)
    if on_ground and same_ground(surface, base.surface):
        return None
    case = _Case(project, surface)
    case.offer(base.line)
    case.fit(base.line)
    case.search()
    return case


def _worth(base: _Case, case: _Case) -> bool:
    return base.cost_m - case.cost_m >= LEAST_M


def _price(base: _Case, one: Dropped, case: _Case | None, low_km: float) -> Price:
    assert base.line is not None
    line = base.line if case is None or case.line is None else case.line
    cost = base.cost_m if case is None else min(case.cost_m, base.cost_m)
    price = base.cost_m - cost
    length = elements(line).total_m
    if price < LEAST_M:
        return Price(one, False, 0.0, base.cost_m, elements(base.line).total_m, base.line.bends, 0.0, None)
    moved, station = _furthest(base.line, line)
    at = low_km + station / 1000.0 if moved > 1.0 else None
    return Price(one, True, price, cost, length, line.bends, moved, at)


def _furthest(line: Alignment, other: Alignment) -> tuple[float, float]:
    """(distance, chainage on `line`) where two lines are furthest apart, m."""
    along = elements(line)
    marks = densify_stations(along, 0.5)
    marks = np.union1d(marks, np.arange(0.0, along.total_m, 50.0))
    easting, northing, _ = at_station(along, marks)
    _, offset = station_of(elements(other), easting, northing)
    worst = int(np.argmax(np.abs(offset)))
    return float(abs(offset[worst])), float(marks[worst])


def _terms(stretch: Alignment, base: _Case, low_km: float) -> Table:
    table = dict(cost_by_kp(stretch, base.surface, base.project.rules))
    for name in ("kp_from_km", "kp_to_km"):
        table[name] = table[name] + low_km
    return table


def _stretch(
    project: Project, alignment: Alignment, from_kp_km: float | None, to_kp_km: float | None
) -> tuple[Alignment, float, float, bool]:
    """The part of the line in question, from the middle of a straight to that of another."""
    total = elements(alignment).total_m
    first = 0.0 if from_kp_km is None else from_kp_km * 1000.0
    last = total if to_kp_km is None else to_kp_km * 1000.0
    if not (0.0 <= first < last <= total + 0.5):
        raise AlignmentError(
            f"the range must lie on the line, KP 0 to {total / 1000:.3f}, and be in order "
            f"(got {first / 1000:.3f} to {last / 1000:.3f})"
        )
    kp_in, kp_out = in_out_m(bends(alignment))
    # Chainages in the middle of every straight, START and END among them.
    middles = 0.5 * (kp_out[:-1] + kp_in[1:])
    posts = np.concatenate([[0.0], middles[1:-1], [total]]) if alignment.bends > 1 else np.array([0.0, total])
    low = float(posts[np.searchsorted(posts, first + 1e-6, side="right") - 1])
    high = float(posts[np.searchsorted(posts, last - 1e-6, side="left")])
    inner = [i for i in range(1, alignment.bends + 1) if kp_in[i] >= low - 1e-6 and kp_out[i] <= high + 1e-6]
    easting, northing, _ = at_station(elements(alignment), np.array([low, high]))
    line = Alignment(
        np.concatenate([easting[:1], alignment.easting_m[inner], easting[1:]]),
        np.concatenate([northing[:1], alignment.northing_m[inner], northing[1:]]),
        np.concatenate([[np.nan], alignment.radius_m[inner], [np.nan]]),
        alignment.crs,
    )
    return line, low / 1000.0, high / 1000.0, low == 0.0 or high == total


def _local(project: Project, stretch: Alignment) -> Project:
    """The project between the ends of the stretch: inside the line, position and bearing are held."""
    bearing = np.degrees(bends(stretch).bearing_rad) % 360.0
    ends = []
    for index, wanted in ((0, project.start), (-1, project.end)):
        easting, northing = float(stretch.easting_m[index]), float(stretch.northing_m[index])
        if math.hypot(easting - wanted.easting, northing - wanted.northing) < 0.01:
            ends.append(wanted)
        else:
            ends.append(RouteEnd(easting, northing, float(bearing[index])))
    rules = project.rules
    if ends[0] is not project.start or ends[1] is not project.end:
        rules = replace(rules, end_straight_m=0.0)
    return replace(project, start=ends[0], end=ends[1], via=(), rules=rules)


def _window(local: Project, stretch: Alignment) -> Grid:
    """The part of the search grid in which every line lies that costs no more than the stretch, and a little.

    A metre costs at least a metre: from one end over a place to the other is at
    least the straight way, so that all such places lie in an ellipse.
    """
    grid = search_grid(local.seabed, local.rules, local.start)
    near = _part(
        grid, stretch.easting_m, stretch.northing_m, 3.0 + elements(stretch).total_m / grid.cell_m / 20.0
    )
    cost = sum(line_cost(stretch, cost_surface(local, grid=near), local.rules).values())
    ends = np.array([[end.easting, end.northing] for end in (local.start, local.end)])
    half = 0.5 * SPARE * cost
    focal = 0.5 * float(np.hypot(*(ends[1] - ends[0])))
    wide = math.sqrt(max(half**2 - focal**2, grid.cell_m**2))
    along = (ends[1] - ends[0]) / max(2.0 * focal, 1e-9)
    # Half the extent of an ellipse in each coordinate.
    reach = np.hypot(half * along, wide * along[::-1])
    corners = np.array([ends.mean(axis=0) - reach, ends.mean(axis=0) + reach])
    return _part(grid, corners[:, 0], corners[:, 1], 2.0)


def _part(grid: Grid, easting: NDArray, northing: NDArray, margin: float) -> Grid:
    """The part of a grid that holds some positions, `margin` cells around them included."""
    points = np.column_stack(grid.to_cells(easting, northing))
    left, above = np.maximum(np.floor(points.min(axis=0) - margin), 0).astype(int)
    right = min(int(points[:, 0].max() + margin) + 1, grid.cols)
    below = min(int(points[:, 1].max() + margin) + 1, grid.rows)
    return Grid(
        rows=below - int(above),
        cols=right - int(left),
        west_m=grid.west_m + int(left) * grid.cell_m,
        north_m=grid.north_m - int(above) * grid.cell_m,
        cell_m=grid.cell_m,
        crs=grid.crs,
    )


def price_table(why: Why) -> Table:
    """The prices as the columns of why.csv; `amount` where ``[rates]`` has ``equivalent_m``."""
    rate = why.project.rates.get("equivalent_m")
    settings = why.project.tables.get("quantities")
    currency = getattr(settings, "currency", "") if rate is not None else ""
    prices = why.prices
    return {
        "rule": np.array([p.dropped.rule for p in prices], dtype=object),
        "layer": np.array([p.dropped.layer for p in prices], dtype=object),
        "limit": np.array(
            [np.nan if p.dropped.limit is None else p.dropped.limit for p in prices], dtype=float
        ),
        "binding": np.array([p.binding for p in prices], dtype=bool),
        "price_m": np.array([p.price_m for p in prices], dtype=float),
        "amount": np.array([np.nan if rate is None else p.price_m * rate for p in prices], dtype=float),
        "currency": np.array([currency for _ in prices], dtype=object),
        "cost_without_m": np.array([p.cost_without_m for p in prices], dtype=float),
        "length_without_m": np.array([p.length_without_m for p in prices], dtype=float),
        "bends_without": np.array([p.bends_without for p in prices], dtype=int),
        "moved_m": np.array([p.moved_m for p in prices], dtype=float),
        "kp_km": np.array([np.nan if p.kp_km is None else p.kp_km for p in prices], dtype=float),
        "needs_consent": np.array([p.dropped.needs_consent for p in prices], dtype=bool),
    }


def publish_why(why: Why, folder: str | Path, inputs: tuple[str | Path, ...] = ()) -> Mapping[str, Any]:
    """Write why.csv, why_terms.csv and why.json; the folder appears or is replaced as a whole."""
    table = price_table(why)
    marks = stamp(why.project)
    content = json_ready(
        {
            "status": "ok",
            "kp_from_km": round(why.from_kp_km, 6),
            "kp_to_km": round(why.to_kp_km, 6),
            "cost_m": round(why.cost_m, 3),
            "cheapest_m": round(why.cheapest_m, 3),
            "prices": rows(table),
            "cost_terms": rows(why.terms),
            "notes": list(why.notes),
            "cautions": list(CAUTIONS),
            **marks.as_dict(),
            "settings": why.project.settings,
        }
    )
    with output_folder(folder, [*project_inputs(why.project), *inputs]) as fresh:
        write_csv(fresh / "why.csv", "why", table)
        write_csv(fresh / "why_terms.csv", "why_terms", why.terms)
        write_json(fresh / "why.json", content)
    return dict(content)
