"""How good a survey is, against the orders of IHO S-44 and against itself."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from corridor.kernels.binning import DEPTH_UNITS
from corridor.kernels.survey_quality import (
    DECLARED_FAIL,
    FEATURE_CELLS,
    FEATURE_FAIL,
    TVU_CELLS,
    TVU_FAIL,
    cell_noise,
    tally_orders,
)
from corridor.model.survey import (
    MEASURED,
    ORDER_NAMES,
    Agreement,
    Existing,
    LineStatistics,
    OrderCheck,
    OrderResult,
    Quality,
    Region,
    SurveySettings,
    SurveySurface,
)
from corridor.survey import regions
from corridor.survey.existing import row_blocks
from corridor.survey.gridding import LineTally
from corridor.survey.s44 import ORDERS, Order

HOLES_LISTED = 500
HOLE_CELLS = 4
"""Smaller holes are counted, not drawn."""

SHARE_WITHIN = 95.0
"""S-44 states its uncertainties at 95 %: so many cells in a hundred must keep the limit."""

LEVEL = math.sqrt(2.0)
"""Two independent measurements, each within u at 95 %, differ by less than sqrt(2) u at 95 %."""


def noise_of(surface: SurveySurface) -> NDArray[np.float32]:
    """Spread of each cell's soundings less the share of the slope, m (see :func:`cell_noise`)."""
    noise = np.empty(surface.grid.shape, dtype=np.float32)
    cell_noise(surface.depth_m, surface.spread_m, surface.count, surface.state, noise)
    return noise


def noise_level(surface: SurveySurface) -> float:
    """The median of :func:`noise_of`, m; 0 where no cell shows any."""
    noise = noise_of(surface)
    known = noise[np.isfinite(noise)]
    return float(np.median(known, overwrite_input=True)) if known.size else 0.0


def judge(
    surface: SurveySurface,
    existing: Existing,
    lines: LineTally,
    settings: SurveySettings,
    notes: tuple[str, ...] = (),
) -> Quality:
    """Hold the survey against every order, and say which it meets and what keeps it from the next."""
    cell = surface.grid.cell_m
    gap_m = settings.outline_gap_m or 20.0 * cell
    inside = regions.outline(surface.measured, round(gap_m / cell))
    cells = int(inside.sum())
    covered = 100.0 * int(surface.measured.sum()) / cells
    twice = None if surface.passes is None else 100.0 * int((surface.passes >= 2).sum()) / cells
    holes, total = _holes(surface, inside)
    per_line, agreement = _line_agreement(lines)
    results = _orders(surface, settings, covered, twice, agreement)
    met, holds_back, following = _ladder(results)
    soundings = int(surface.count.sum(dtype=np.int64))
    return Quality(
        order_required=settings.order,
        orders=results,
        order_met=met,
        holds_back=holds_back,
        next_order=following,
        outline_area_m2=cells * cell**2,
        coverage_percent=covered,
        density_per_m2=soundings / (int(surface.measured.sum()) * cell**2) if surface.counted else None,
        holes=holes,
        holes_total=total,
        overlap=overlap(surface, existing),
        lines=per_line,
        line_agreement=agreement,
        notes=notes,
    )


def overlap(surface: SurveySurface, existing: Existing) -> Agreement | None:
    """New minus existing depth over the measured cells that both have."""
    total, within, parts = 0.0, 0, []
    for rows in row_blocks(surface.grid):
        new, old = surface.depth_m[rows], existing.depth_m[rows]
        both = (surface.state[rows] == MEASURED) & np.isfinite(old)
        difference = new[both].astype(np.float64) - old[both]
        combined = np.hypot(surface.uncertainty_m[rows][both], existing.uncertainty_m[rows][both])
        total += float(difference.sum())
        within += int((np.abs(difference) <= combined).sum())
        parts.append(difference.astype(np.float32))
    every = np.concatenate(parts)
    if not every.size:
        return None
    middle = float(np.median(every, overwrite_input=True))
    np.abs(every, out=every)
    return Agreement(
        cells=every.size,
        bias_m=total / every.size,
        median_m=middle,
        within_95_m=float(np.quantile(every, 0.95, overwrite_input=True)),
        share_within_combined=within / every.size,
    )


def _line_agreement(tally: LineTally) -> tuple[tuple[LineStatistics, ...], Agreement | None]:
    """Each line against the others, and all of them together; 95 % figures to one bin of the histogram."""
    found = [
        LineStatistics(
            name=name,
            cells=int(tally.table[k, 0]),
            bias_m=float(tally.table[k, 1] / tally.table[k, 0] / DEPTH_UNITS),
            within_95_m=_quantile(tally.histogram[k], tally.bin_m),
        )
        for k, name in enumerate(tally.names)
        if tally.table[k, 0] > 0
    ]
    if not found:
        return (), None
    cells = int(tally.table[:, 0].sum())
    worst = max(found, key=lambda line: abs(line.bias_m))
    return tuple(found), Agreement(
        cells=cells,
        bias_m=worst.bias_m,
        median_m=float(np.median([line.bias_m for line in found])),
        within_95_m=_quantile(tally.histogram.sum(axis=0), tally.bin_m),
    )


def _quantile(histogram: NDArray[np.int64], bin_m: float, share: float = 0.95) -> float:
    """Upper edge of the bin in which `share` of the values is reached."""
    total = np.cumsum(histogram)
    return float((np.searchsorted(total, share * total[-1]) + 1) * bin_m)


def _holes(surface: SurveySurface, inside: NDArray[np.bool_]) -> tuple[tuple[Region, ...], int]:
    """Patches inside the outline without soundings, the largest first."""
    labels, count = regions.label(inside & ~surface.measured)
    sizes = regions.sizes(labels, count)[1:]
    listed = np.flatnonzero(sizes >= HOLE_CELLS) + 1
    listed = listed[np.argsort(-sizes[listed - 1], kind="stable")][:HOLES_LISTED]
    grid = surface.grid
    found = []
    for number, window, mask in regions.patches(labels, listed):
        east, north = regions.centre(mask, grid, window)
        bridged = int((surface.state[window][mask] == 2).sum())
        found.append(
            Region(
                kind="hole",
                geometry=regions.polygon(mask, grid, window),
                area_m2=float(sizes[number - 1]) * grid.cell_m**2,
                easting_m=east,
                northing_m=north,
                figures={"cells": int(sizes[number - 1]), "cells_filled": bridged},
            )
        )
    return tuple(found), count


def _orders(
    surface: SurveySurface,
    settings: SurveySettings,
    covered: float,
    twice: float | None,
    agreement: Agreement | None,
) -> tuple[OrderResult, ...]:
    orders = [ORDERS[name] for name in ORDER_NAMES]
    limits = np.array(
        [
            (
                o.tvu.a_m,
                o.tvu.b,
                np.nan if o.feature_m is None else o.feature_m,
                o.feature_share,
                o.feature_from_m,
            )
            for o in orders
        ]
    )
    counts = np.zeros((len(orders), 5), dtype=np.int64)
    tally_orders(
        surface.depth_m, noise_of(surface), surface.uncertainty_m, surface.count, surface.state,
        surface.grid.cell_m, limits, settings.min_soundings_per_feature, counts,
    )  # fmt: skip
    measured = surface.measured
    depth = float(np.median(surface.depth_m[measured], overwrite_input=True))
    cells = int(measured.sum())
    return tuple(
        OrderResult(
            order.name,
            (
                *_uncertainty_checks(order, tally, cells, surface, settings, depth, agreement),
                *_coverage_checks(order, tally, surface, settings, depth, covered, twice),
            ),
        )
        for order, tally in zip(orders, counts, strict=True)
    )


def _percent_check(name: str, good: int, of: int, detail: str) -> OrderCheck:
    if of == 0:
        return OrderCheck(
            name, None, SHARE_WITHIN, "% of cells", None, f"{detail}: not assessed, no cell shows it"
        )
    share = 100.0 * good / of
    return OrderCheck(name, share, SHARE_WITHIN, "% of cells", share >= SHARE_WITHIN, detail)


def _uncertainty_checks(
    order: Order,
    tally: NDArray,
    cells: int,
    surface: SurveySurface,
    settings: SurveySettings,
    depth: float,
    agreement: Agreement | None,
) -> list[OrderCheck]:
    tvu = float(order.tvu.at(depth))
    checks = [
        _percent_check(
            "spread of soundings within TVU",
            int(tally[TVU_CELLS] - tally[TVU_FAIL]),
            int(tally[TVU_CELLS]) if surface.counted else 0,
            f"1.96 standard deviations in a cell, slope taken off, against {tvu:.2f} m at {depth:.1f} m",
        )
    ]
    if surface.uncertainty_note.startswith("declared"):
        checks.append(
            _percent_check(
                "declared uncertainty within TVU",
                cells - int(tally[DECLARED_FAIL]),
                cells,
                f"95 % uncertainty of a cell against {tvu:.2f} m at {depth:.1f} m",
            )
        )
    else:
        checks.append(
            OrderCheck(
                "declared uncertainty within TVU", None, tvu, "m", None, "not assessed: none was declared"
            )
        )
    limit = LEVEL * tvu
    if agreement is None:
        checks.append(
            OrderCheck("agreement between lines", None, limit, "m", None, "not assessed: no lines overlap")
        )
    else:
        value = agreement.within_95_m
        detail = (
            f"95 % of differences between lines, against sqrt(2) TVU; largest bias {agreement.bias_m:+.2f} m"
        )
        checks.append(OrderCheck("agreement between lines", value, limit, "m", value <= limit, detail))
    thu = float(order.thu_at(depth))
    declared = settings.position_uncertainty_m
    checks.append(
        OrderCheck(
            "position uncertainty within THU",
            declared,
            thu,
            "m",
            None if declared is None else declared <= thu,
            "not assessed: position_uncertainty_m is not declared" if declared is None else "as declared",
        )
    )
    return checks


def _coverage_checks(
    order: Order,
    tally: NDArray,
    surface: SurveySurface,
    settings: SurveySettings,
    depth: float,
    covered: float,
    twice: float | None,
) -> list[OrderCheck]:
    need = max(order.coverage_percent, order.search_percent)
    # A cell without a sounding, bridged or not, is not covered; one in a thousand is chance.
    limit = min(need, 100.0) - (0.1 if need >= 100.0 else 0.0)
    detail = f"bathymetric coverage {order.coverage_percent:g} %, feature search {order.search_percent:g} %"
    checks = [OrderCheck("coverage", covered, limit, "% of the outline", covered >= limit, detail)]
    if need > 100.0:
        ok = None if twice is None else twice >= limit
        said = (
            "not assessed: lines are not told apart" if twice is None else "cells passed by two lines or more"
        )
        checks.append(OrderCheck("coverage twice over", twice, limit, "% of the outline", ok, said))
    if order.feature_m is None:
        return checks
    size = float(order.feature_at(depth))
    checks.append(
        _percent_check(
            "soundings on a feature",
            int(tally[FEATURE_CELLS] - tally[FEATURE_FAIL]),
            int(tally[FEATURE_CELLS]) if surface.counted else 0,
            f"at least {settings.min_soundings_per_feature:g} soundings on a cube of {size:.2g} m at "
            f"{depth:.1f} m (number: common practice, no source)",
        )
    )
    return checks


def _ladder(results: tuple[OrderResult, ...]) -> tuple[str | None, tuple[OrderCheck, ...], str | None]:
    """The most demanding order met; the next one up; and the criteria of that one that fail."""
    met = [k for k, result in enumerate(results) if result.met]
    best = max(met, default=-1)
    if best + 1 == len(results):
        return results[best].order, (), None
    following = results[best + 1]
    failing = tuple(check for check in following.checks if check.ok is False)
    return (results[best].order if best >= 0 else None), failing, following.order
