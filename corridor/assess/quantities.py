"""Quantities of a line: pipe, joints, lay days, bends, crossings, supports, rock and trench, with money.

Every row stands for a KP range and says where its figure comes from. With
``[rates]`` a row has an amount; rows without a rate have none. Nothing is
bought twice: a rate for joints, one for double joints and one for metres of
pipe price the same pipe three times, and :func:`rate_warnings` says so.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from corridor.model.pipe import Environment, Pipe
from corridor.model.project import Project
from corridor.model.publication import RATES, QuantitySettings
from corridor.model.results import Assessment, Table
from corridor.pipe.section import Section, section

COLUMNS = (
    "item", "kp_from_km", "kp_to_km", "quantity", "unit", "rate", "amount", "currency", "source",
)  # fmt: skip
"""Columns of quantities.csv."""

COST_PREFIX = "route cost, "
"""Items that price the route's equivalent metres: listed apart, never added to the others."""

SLOPE_STEP_M = 12.2
"""Depths for the length along the seabed are taken at this spacing where no joint length is given: a
common joint (common practice, no source). Finer steps would measure the survey's noise."""

PIPE_RATES = ("pipe_per_m", "joint", "double_joint")


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity; `rate_key` is the key of ``[rates]`` that prices it."""

    item: str
    kp_from_km: float
    kp_to_km: float
    quantity: float
    unit: str
    rate_key: str
    source: str


def quantities(project: Project, assessed: Assessment) -> Table:
    """Quantities of the assessed line as the table of quantities.csv.

    Parameters
    ----------
    project : Project
        Its pipe, ``[rates]`` and ``tables["quantities"]`` (defaults where absent).
    assessed : Assessment

    Returns
    -------
    table
        :data:`COLUMNS`; `rate` and `amount` are NaN where no rate is given.
        ``amount = quantity * rate`` of the published (rounded) quantity.
    """
    settings = settings_of(project)
    rows = [
        *_line_rows(project, assessed, settings),
        *_bend_rows(assessed),
        *_crossing_rows(assessed),
        *_support_rows(assessed),
        *_trench_rows(assessed),
        *_cost_rows(project, assessed),
    ]
    quantity = np.round(np.array([row.quantity for row in rows], dtype=float), 3)
    rate = np.array([_rate(project.rates, row.rate_key) for row in rows], dtype=float)
    priced = np.isfinite(rate)
    return {
        "item": _words([row.item for row in rows]),
        "kp_from_km": np.array([row.kp_from_km for row in rows], dtype=float),
        "kp_to_km": np.array([row.kp_to_km for row in rows], dtype=float),
        "quantity": quantity,
        "unit": _words([row.unit for row in rows]),
        "rate": rate,
        "amount": quantity * rate,
        "currency": _words([settings.currency if priced[i] else "" for i in range(len(rows))]),
        "source": _words([row.source for row in rows]),
    }


def settings_of(project: Project) -> QuantitySettings:
    """The project's ``[quantities]`` table, or its defaults."""
    return project.tables.get("quantities") or QuantitySettings()


def totals(table: Table) -> dict[str, tuple[float, str, float]]:
    """Per item of the table, in its order: total quantity, unit, total amount (NaN without a rate)."""
    found: dict[str, tuple[float, str, float]] = {}
    for item, quantity, unit, amount in zip(
        table["item"], table["quantity"], table["unit"], table["amount"], strict=True
    ):
        before = found.get(str(item), (0.0, str(unit), 0.0))
        found[str(item)] = (before[0] + float(quantity), str(unit), before[2] + float(amount))
    return found


def total_amount(table: Table) -> float:
    """Sum of the amounts, the route's cost in equivalent metres left out; NaN where nothing is priced."""
    counted = np.array([not str(item).startswith(COST_PREFIX) for item in table["item"]], dtype=bool)
    amounts = np.asarray(table["amount"], dtype=float)[counted]
    return float(np.nansum(amounts)) if np.isfinite(amounts).any() else math.nan


def rate_warnings(project: Project, assessed: Assessment) -> tuple[str, ...]:
    """Rates that price nothing, prices paid twice, amounts without a currency, in words."""
    found = []
    layers = {f"crossing_{_key(layer.name)}" for layer in project.layers if layer.rule == "cross"}
    for name in project.rates:
        if name not in RATES and name not in layers:
            known = ", ".join([*RATES, *sorted(layers)])
            found.append(f"[rates] {name} prices nothing; rates are {known}")
    twice = [name for name in PIPE_RATES if name in project.rates]
    if len(twice) > 1:
        found.append(
            f"[rates] {', '.join(twice)} price the same pipe; the total counts it {len(twice)} times"
        )
    settings = settings_of(project)
    if project.rates and not settings.currency:
        found.append("[rates] is given without [quantities] currency: the amounts have no currency")
    if "lay_per_day" in project.rates and settings.lay_rate_km_day is None:
        found.append("[rates] lay_per_day needs [quantities] lay_rate_km_day: lay days are not counted")
    missing = [name for name in ("joint", "double_joint", "steel_per_t") if name in project.rates]
    if project.pipe is None and missing:
        found.append(f"[rates] {', '.join(missing)} needs a [pipe] table: the pipe is not counted")
    return tuple(found)


def along_seabed_m(assessed: Assessment, at_m: NDArray, step_m: float) -> NDArray[np.float64]:
    """Length along the seabed from KP 0 to chainages, ground metres.

    The plan length on the ellipsoid, spread evenly over the line, and the
    difference of depth between points `step_m` apart (Pythagoras); where no depth
    is known the seabed counts as level.
    """
    ground = assessed.length_ellipsoid_m / assessed.length_m
    marks = np.append(np.arange(0.0, assessed.length_m, step_m), assessed.length_m)
    kp, depth = np.asarray(assessed.profile["kp_km"]) * 1e3, np.asarray(assessed.profile["depth_m"])
    known = np.isfinite(depth)
    level = np.interp(marks, kp[known], depth[known]) if known.any() else np.zeros(len(marks))
    steps = np.hypot(np.diff(marks) * ground, np.diff(level))
    return np.interp(at_m, marks, np.concatenate([[0.0], np.cumsum(steps)]))


def _line_rows(project: Project, assessed: Assessment, settings: QuantitySettings) -> Iterator[Row]:
    """Length, joints, weights and lay days of each interval of the line."""
    pipe = project.pipe
    step = pipe.joint_length_m if pipe is not None else SLOPE_STEP_M
    edges = _edges(assessed.length_m, settings.interval_km)
    plan = edges * (assessed.length_ellipsoid_m / assessed.length_m)
    laid = along_seabed_m(assessed, edges, step)
    tube = None if pipe is None else _section(pipe, project.environment)
    for i in range(len(edges) - 1):
        where = (edges[i] / 1e3, edges[i + 1] / 1e3)
        length = laid[i + 1] - laid[i]
        yield Row(
            "line, plan length", *where, plan[i + 1] - plan[i], "m", "",
            "ellipsoidal length of the line (summary.json length_ellipsoid_m)",
        )  # fmt: skip
        yield Row(
            "line, length along the seabed", *where, length, "m", "pipe_per_m",
            f"plan length and the fall of the seabed between points {step:g} m apart (profile.csv)",
        )  # fmt: skip
        if pipe is not None and tube is not None:
            yield from _pipe_rows(where, laid[i], laid[i + 1], pipe, tube)
        if settings.lay_rate_km_day is not None:
            yield Row(
                "lay days", *where, length / 1e3 / settings.lay_rate_km_day, "d", "lay_per_day",
                f"length along the seabed at lay_rate_km_day = {settings.lay_rate_km_day:g}; no weather, "
                "no mobilisation, initiation or laydown",
            )  # fmt: skip


def _pipe_rows(
    where: tuple[float, float], laid_from_m: float, laid_to_m: float, pipe: Pipe, tube: Section
) -> Iterator[Row]:
    """Joints, double joints and weights of a stretch of pipe."""
    joint, length = pipe.joint_length_m, laid_to_m - laid_from_m
    for item, size, key in (("joints", joint, "joint"), ("double joints", 2 * joint, "double_joint")):
        yield Row(
            item, *where, _begun(laid_to_m, size) - _begun(laid_from_m, size), "pieces", key,
            f"pieces of {size:g} m begun along the seabed (joint_length_m = {joint:g}); no spares",
        )  # fmt: skip
    yield Row(
        "steel pipe", *where, tube.steel_kg_m * length / 1e3, "t", "steel_per_t",
        f"{tube.steel_kg_m:.3f} kg/m over the length along the seabed ([pipe])",
    )  # fmt: skip
    if tube.coating_kg_m > 0.0:
        yield Row(
            "coating", *where, tube.coating_kg_m * length / 1e3, "t", "coating_per_t",
            f"{tube.coating_kg_m:.3f} kg/m over the length along the seabed ([pipe] coating), field joints "
            "not deducted",
        )  # fmt: skip


def _begun(length_m: float, size_m: float) -> int:
    """Pieces needed for a length from the line's start; 1 mm is not worth a piece."""
    return math.ceil(max(length_m - 1e-3, 0.0) / size_m)


def _edges(length_m: float, interval_km: float | None) -> NDArray[np.float64]:
    if interval_km is None:
        return np.array([0.0, length_m])
    edges = np.arange(0.0, length_m, interval_km * 1e3)
    return np.append(edges, length_m)


def _section(pipe: Pipe, environment: Environment | None) -> Section:
    # Steel and coating do not depend on the water and the soil: any environment serves.
    return section(pipe, environment or Environment(soil_stiffness_static_kN_m2=1.0))


def _bend_rows(assessed: Assessment) -> Iterator[Row]:
    points = assessed.points
    for i in range(1, len(points["point"]) - 1):
        yield Row(
            "bends", float(points["kp_in_km"][i]), float(points["kp_out_km"][i]), 1, "bend", "bend",
            f"{points['point'][i]}, arc of {points['arc_m'][i]:.3f} m (alignment.csv)",
        )  # fmt: skip


def _crossing_rows(assessed: Assessment) -> Iterator[Row]:
    """One row per crossing; the item names layer and kind, so that kinds can be counted."""
    table = assessed.crossings
    for i in range(len(table["kp_km"])):
        layer, kind = str(table["layer"][i]), str(table["kind"][i] or "")
        at = float(table["kp_km"][i])
        yield Row(
            f"crossings, {layer}" + (f", {kind}" if kind else ""), at, at, 1, "crossing",
            f"crossing_{_key(layer)}", f"{table['feature'][i]} (crossings.csv)",
        )  # fmt: skip


def _support_rows(assessed: Assessment) -> Iterator[Row]:
    table = assessed.supports
    if table is None:
        return
    for i in range(len(table["support"])):
        at, number = float(table["kp_km"][i]), int(table["support"][i])
        source = f"support {number} for span {table['span'][i]} (supports.csv)"
        yield Row("supports", at, at, 1, "support", "support", source)
        yield Row("rock for supports", at, at, float(table["rock_m3"][i]), "m3", "rock_per_m3", source)


def _trench_rows(assessed: Assessment) -> Iterator[Row]:
    for number, trench in enumerate((assessed.pipe_summary or {}).get("trenches", ()), 1):
        where = (float(trench["from_kp_km"]), float(trench["to_kp_km"]))
        shape = (
            f"{trench['depth_m']:g} m deep, bottom {trench['bottom_m']:g} m, sides 1:{trench['side_slope']:g}"
        )
        yield Row(
            "trench", *where, float(trench["volume_m3"]), "m3", "trench_per_m3",
            f"trench {number}: {shape} ([pipe] trench)",
        )  # fmt: skip


def _cost_rows(project: Project, assessed: Assessment) -> Iterator[Row]:
    """The route's cost by term and KP, only where ``equivalent_m`` has a rate; terms of 0 left out."""
    if "equivalent_m" not in project.rates:
        return
    table = assessed.cost_by_kp
    ranges = [name for name in table if name.startswith("kp_")]
    for term in (name for name in table if name not in ranges and name != "total_m"):
        for low, high, value in zip(table[ranges[0]], table[ranges[1]], table[term], strict=True):
            if value != 0.0:
                yield Row(
                    COST_PREFIX + term.removesuffix("_m").replace("_", " "), float(low), float(high),
                    float(value), "equivalent m", "equivalent_m", "cost_by_kp.csv",
                )  # fmt: skip


def _rate(rates: Mapping[str, float], key: str) -> float:
    """The rate of a key, a crossing's by its layer or in general; NaN where there is none."""
    if key in rates:
        return float(rates[key])
    if key.startswith("crossing_"):
        return float(rates.get("crossing", math.nan))
    return math.nan


def _key(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


def _words(values: list[str]) -> NDArray[np.object_]:
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array
