"""Tidy: the story of a line drawn by hand that becomes cheaper without leaving its place."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from corridor.assess.assess import assess
from corridor.assess.spans import with_pipe
from corridor.errors import AlignmentError, NoRouteError
from corridor.model.alignment import Alignment
from corridor.model.project import Project
from corridor.model.results import Assessment, Check, CostSurface, Study
from corridor.progress import Progress, silent
from corridor.publish.provenance import Stamp
from corridor.publish.publish import Extra
from corridor.publish.summary import write_json
from corridor.routing.chainage import station_of
from corridor.routing.fit import FitResult, attempt
from corridor.routing.geometry import bends, densify, elements, in_out_m
from corridor.terrain.cost import cost_surface, tighten
from corridor.workflow import SLOPE_MARGINS, in_force


@dataclass(frozen=True, slots=True, eq=False)
class Tidied:
    """A line handed in, and what became of it.

    Attributes
    ----------
    study : Study
        The tidied line, verified and assessed like any other.
    before : Assessment
        Of the line as it was handed in, priced on the same ground.
    moved_m : float
        The furthest that the tidied line lies from the one handed in.
    within_m : float or None
        The furthest that was allowed.
    fixed_ips : tuple of int
    """

    study: Study
    before: Assessment
    bends_before: int
    moved_m: float
    within_m: float | None
    fixed_ips: tuple[int, ...]

    def gains(self) -> Mapping[str, object]:
        """Figures before and after, as ``tidy.json`` holds them."""
        after = self.study.assessment
        return {
            "cost_before_m": self.before.cost_m,
            "cost_after_m": after.cost_m,
            "gain_m": self.before.cost_m - after.cost_m,
            "bends_before": self.bends_before,
            "bends_after": self.study.alignment.bends,
            "length_before_m": self.before.length_m,
            "length_after_m": after.length_m,
            "rules_broken_before": sorted({check.rule for check in self.before.checks if not check.ok}),
            "rules_broken_after": sorted({check.rule for check in after.checks if not check.ok}),
            "moved_m": self.moved_m,
            "within_m": self.within_m,
            "fixed_ips": list(self.fixed_ips),
        }


def tidy(
    project: Project,
    alignment: Alignment,
    *,
    within_m: float | None = None,
    fixed_ips: Sequence[int] = (),
    progress: Progress = silent,
) -> Tidied:
    """Improve a line within a distance of it, verify it on the finest seabed, and assess it.

    Parameters
    ----------
    project : Project
    alignment : Alignment
        The line handed in. Its ends must be the project's, or within `within_m`
        (one cell of the search without it): they are then moved there.
    within_m : float, optional
        The tidied line stays within this distance; without it, it may go anywhere
        that the fit takes it from there.
    fixed_ips : sequence of int
        IPs (1 = IP1) that stay where they are; their radii may change.
    progress : Progress

    Raises
    ------
    AlignmentError
        The line, its ends or the numbers of its IPs are at fault.
    NoRouteError
        No line within that distance obeys the rules, or not with those IPs.
    """
    project = in_force(project)
    if within_m is not None and not within_m > 0.0:
        raise AlignmentError(f"the distance to tidy within must be > 0 m (got {within_m:g})")
    wrong = [number for number in fixed_ips if not 1 <= number <= alignment.bends]
    if wrong:
        raise AlignmentError(
            f"IPs to keep must be numbers from 1 to {alignment.bends}, the IPs of the line handed in (got "
            f"{', '.join(map(str, wrong))})"
        )
    fixed = tuple(sorted(set(fixed_ips)))
    for margin in SLOPE_MARGINS:
        surface = cost_surface(project, slope_margin=margin, progress=progress)
        line = _between_ends(project, alignment, within_m or surface.grid.cell_m)
        try:
            study = _verified(project, line, surface, within_m, fixed, progress)
        except NoRouteError:
            if margin == SLOPE_MARGINS[-1]:
                raise
            continue
        before = assess(alignment, project, surface)
        assessment = with_pipe(study.assessment, study.alignment, project, progress)
        study = replace(study, assessment=assessment, others={"as handed in": alignment})
        return Tidied(study, before, alignment.bends, _apart_m(study.alignment, line), within_m, fixed)
    raise AssertionError("unreachable: the last margin either returns or raises")


def gain_text(tidied: Tidied) -> str:
    """What tidying gained, in one sentence."""
    after, before = tidied.study.assessment, tidied.before
    share = 100.0 * (before.cost_m - after.cost_m) / before.cost_m
    text = (
        f"tidied: cost {before.cost_m:.0f} -> {after.cost_m:.0f} equivalent m ({-share:+.1f} %), "
        f"bends {tidied.bends_before} -> {tidied.study.alignment.bends}, "
        f"length {before.length_m / 1000:.3f} -> {after.length_m / 1000:.3f} km, "
        f"at most {tidied.moved_m:.1f} m from the line handed in"
    )
    broken = sorted({check.rule for check in before.checks if not check.ok})
    return text + (f"; the line handed in broke {', '.join(broken)}" if broken else "")


def gains_writer(tidied: Tidied) -> Extra:
    """A writer of ``tidy.json`` for ``publish_study(extras=...)``."""

    def write(study: Study, folder: Path, stamp: Stamp) -> None:
        write_json(folder / "tidy.json", {**tidied.gains(), **stamp.as_dict()})

    return write


def _between_ends(project: Project, alignment: Alignment, near_m: float) -> Alignment:
    """The line with its ends on the project's START and END; AlignmentError where they lie elsewhere."""
    easting, northing = alignment.easting_m.copy(), alignment.northing_m.copy()
    faults = []
    for index, name, end in ((0, "START", project.start), (-1, "END", project.end)):
        away = math.hypot(easting[index] - end.easting, northing[index] - end.northing)
        if away > near_m:
            faults.append(
                f"{name} of the line must be within {near_m:g} m of the project's ({end.easting:.1f} E, "
                f"{end.northing:.1f} N); it is {away:.1f} m away: move it, or change [route] {name.lower()}"
            )
        easting[index], northing[index] = end.easting, end.northing
    if faults:
        raise AlignmentError(faults)
    return Alignment(easting, northing, alignment.radius_m, alignment.crs)


def _verified(
    project: Project, line: Alignment, surface: CostSurface, within_m: float | None,
    fixed: tuple[int, ...], progress: Progress,
) -> Study:  # fmt: skip
    """Fit, measure on the finest seabed, tighten; the best line of all rounds when none is clean."""
    best: tuple[Alignment, Assessment, CostSurface] | None = None
    notes: list[str] = []
    for number in range(project.rules.breach_rounds + 1):
        fitted = _fitted(project, line, surface, within_m, fixed, progress)
        if not fitted.feasible:
            if best is None:
                raise _no_line(project, line, surface, within_m, fixed, fitted)
            notes.append(f"round {number + 1}: no other line is left within reach")
            break
        assessment = assess(fitted.alignment, project, surface, progress)
        if best is None or len(_broken(assessment)) < len(_broken(best[1])):
            best = (fitted.alignment, assessment, surface)
        if assessment.ok:
            break
        rules = ", ".join(sorted({check.rule for check in _broken(assessment)}))
        notes.append(f"round {number + 1}: the finest seabed breaks {rules}; that place was tightened")
        surface = tighten(surface, assessment.breaches)
    assert best is not None
    if fixed and not best[1].ok:
        fitted = FitResult(best[0], best[1].cost_m, False, line.bends, best[0].bends)
        raise _no_line(project, line, best[2], within_m, fixed, fitted)
    return Study(project, best[0], best[1], best[2], notes=tuple(notes))


def _fitted(
    project: Project, line: Alignment, surface: CostSurface, within_m: float | None,
    fixed: tuple[int, ...], progress: Progress,
) -> FitResult:  # fmt: skip
    return attempt(
        line, surface, project.rules, project.start, project.end,
        fixed_ips=fixed, within_m=within_m, progress=progress,
    )  # fmt: skip


def _broken(assessment: Assessment) -> list[Check]:
    return [check for check in assessment.checks if not check.ok]


def _no_line(
    project: Project, line: Alignment, surface: CostSurface, within_m: float | None,
    fixed: tuple[int, ...], fitted: FitResult,
) -> NoRouteError:  # fmt: skip
    """Why nothing came of it: which fixed IP, which rule, where."""
    place = "near the line handed in" if within_m is None else f"within {within_m:g} m of the line handed in"
    kp_in, kp_out = in_out_m(bends(line))
    middle = 0.5 * (kp_in + kp_out)
    reasons = []
    for number in fixed:
        alone = _fitted(project, line, surface, within_m, (number,), silent)
        broken = _rules_broken(project, alone, surface) if len(fixed) > 1 else None
        if alone.feasible and not broken and len(fixed) > 1:
            continue
        broken = broken or _rules_broken(project, fitted, surface)
        reasons.append(_reason(line, number, middle[number], place, broken))
    if fixed and not reasons:
        names = ", ".join(f"IP{number} (KP {middle[number] / 1000:.3f})" for number in fixed)
        broken = _rules_broken(project, fitted, surface)
        text = f"{names} can each be kept alone, {place}, but not together: {_listed(broken)}"
        reasons.append({**_reason(line, fixed[0], middle[fixed[0]], place, broken), "text": text})
    if not fixed:
        broken = _rules_broken(project, fitted, surface)
        text = f"No line {place} obeys the rules. The nearest to it: {_listed(broken)}"
        reasons.append({**_reason(line, 0, 0.0, place, broken), "text": text})
    text = "\n".join(str(reason["text"]) for reason in reasons)
    advice = "free an IP, " if fixed else ""
    return NoRouteError(f"{text}\nTry: {advice}allow more distance, or ease the rule named.", reasons)


def _rules_broken(project: Project, fitted: FitResult, surface: CostSurface) -> list[Check]:
    """What the best line that could be had breaks when it is measured."""
    return _broken(assess(fitted.alignment, project, surface))


def _reason(
    line: Alignment, number: int, station_m: float, place: str, broken: Sequence[Check]
) -> dict[str, object]:
    """One reason as ``no_route.json`` lists them."""
    if number:
        # What breaks between the neighbours of the IP is its doing, as far as anything is.
        kp_in, kp_out = in_out_m(bends(line))
        first, last = kp_in[number - 1] / 1000.0, kp_out[number + 1] / 1000.0
        broken = [check for check in broken if first <= (check.kp_km or 0.0) <= last] or broken
    worst = min(broken, key=lambda check: abs((check.kp_km or 0.0) - station_m / 1000.0), default=None)
    text = f"IP{number} at KP {station_m / 1000:.3f} cannot stay where it is, {place}: {_listed(broken)}"
    return {
        "rule": worst.rule if worst else "unknown",
        "layer": worst.layer if worst else "",
        "limit": worst.limit if worst else None,
        "needed": None,
        "easting_m": float(line.easting_m[number]),
        "northing_m": float(line.northing_m[number]),
        "kp_km": station_m / 1000.0,
        "text": text,
    }


def _listed(broken: Sequence[Check]) -> str:
    """Broken rules in words."""
    if not broken:
        return "the gridded ground closes every way that the fit found"
    parts = []
    for check in broken:
        layer = f" ({check.layer})" if check.layer else ""
        where = "" if check.kp_km is None else f" at KP {check.kp_km:.3f}"
        parts.append(f"{check.rule}{layer} is broken{where}: {check.detail}")
    return "; ".join(parts)


def _apart_m(line: Alignment, other: Alignment) -> float:
    """Furthest distance of `line` from `other`, m."""
    points = densify(line, 0.05)
    steps = np.linspace(0.0, 1.0, 21)[1:]
    between = [a + np.outer(steps, b - a) for a, b in pairwise(points)]
    fine = np.vstack([points[:1], *between])
    _, offset = station_of(elements(other), fine[:, 0], fine[:, 1])
    return float(np.abs(offset).max())
