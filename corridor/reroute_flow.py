"""Reroute: the story of the least change to an approved line that clears something new."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from corridor.assess.assess import assess
from corridor.assess.change import Figures, compare
from corridor.assess.spans import with_pipe
from corridor.errors import AlignmentError, InputError
from corridor.model.alignment import Alignment
from corridor.model.layers import Layer
from corridor.model.project import Project
from corridor.model.reroute import (
    LAY_RATE_KM_DAY,
    ChangedPart,
    Clash,
    LayProgress,
    Reroute,
    RerouteSettings,
)
from corridor.model.results import Assessment, Study
from corridor.progress import Progress, silent
from corridor.reroute_search import ChangeSearch, Solved
from corridor.routing.clashes import clashes_with
from corridor.routing.geometry import Elements, elements
from corridor.routing.reroute import Change
from corridor.workflow import in_force

SAME_END_M = 1.0
"""An approved line whose ends are further than this from the project's is another line."""

JOINT_LENGTH_M = 12.2
"""Where there is no [pipe] table (common practice, no source)."""


def reroute(
    project: Project,
    approved: Alignment,
    around: Layer | Sequence[Layer],
    *,
    from_m: float | None = None,
    to_m: float | None = None,
    laid_to_m: float | None = None,
    accept_broken: bool = False,
    progress: Progress = silent,
) -> Reroute:
    """The least change to an approved line that clears new obstructions.

    Parameters
    ----------
    project : Project
    approved : Alignment
        From the project's START to its END.
    around : Layer or sequence of Layer
        New obstructions, rule "avoid", with their standoffs.
    from_m, to_m : float, optional
        Chainages between which the line may change.
    laid_to_m : float, optional
        Chainage of touchdown: what is laid stays, and so does the pipe up to the vessel.
    accept_broken : bool
        Go on although the approved line breaks rules by itself.
    progress : Progress

    Raises
    ------
    InputError
        Another line, a broken one, a range outside it, an obstruction on what is laid.
    NoRouteError
        No change obeys the rules; the explanation says why and what it would take.
    """
    project = in_force(project)
    layers = _named_apart(project, (around,) if isinstance(around, Layer) else tuple(around))
    asked = replace(project, layers=(*project.layers, *layers))
    settings = project.tables.get("reroute") or RerouteSettings()
    line = elements(approved)
    low_m, high_m = _range(line, from_m, to_m)
    _same_ends(project, approved)
    notes = _standing(project, approved, accept_broken, progress)
    clashes = tuple(clash for layer in layers for clash in clashes_with(line, layer, project))
    if not any(clash.hit for clash in clashes):
        return Reroute(asked, approved, approved, clashes, (), None, settings, notes)
    _on_the_line(line, laid_to_m)
    can_leave_m = low_m if laid_to_m is None else max(low_m, laid_to_m + settings.layback_m)
    _not_laid(clashes, laid_to_m)
    job = ChangeSearch(asked, approved, line, settings, can_leave_m, high_m, clashes, progress)
    solved = job.cheapest()
    alignment = _assembled(approved, [one.change for one in solved])
    parts = _parts(approved, alignment, solved)
    laying = None
    if laid_to_m is not None:
        laying = lay_progress(asked, settings, laid_to_m, parts[0].last_departure_m)
    notes += tuple(note for one in solved for note in one.notes)
    return Reroute(asked, approved, alignment, clashes, parts, laying, settings, notes)


def rerouted_study(found: Reroute, progress: Progress = silent) -> tuple[Study, Assessment, Figures]:
    """The new line in full, the approved one measured the same way, and both compared.

    Both are priced on the finest seabed, with the new obstructions in the project.
    """
    lines = (found.approved, found.alignment)
    old, new = (
        with_pipe(assess(line, found.project, progress=progress), line, found.project, progress)
        for line in lines
    )
    study = Study(
        found.project, found.alignment, new, others={"approved line": found.approved}, notes=found.notes
    )
    return study, old, compare(found, old, new)


def lay_progress(
    project: Project, settings: RerouteSettings, laid_to_m: float, last_departure_m: float
) -> LayProgress:
    """What may still be laid before touchdown and layback reach the last departure."""
    quantities = project.tables.get("quantities")
    rate = (
        settings.lay_rate_km_day
        or (quantities.lay_rate_km_day if quantities is not None else None)
        or LAY_RATE_KM_DAY
    )
    joint = project.pipe.joint_length_m if project.pipe is not None else JOINT_LENGTH_M
    left = last_departure_m - settings.layback_m - laid_to_m
    return LayProgress(
        laid_to_m=laid_to_m,
        layback_m=settings.layback_m,
        last_departure_m=last_departure_m,
        left_m=left,
        lay_rate_km_day=rate,
        decision_hours=settings.decision_hours,
        hours_left=left / 1000.0 / rate * 24.0 - settings.decision_hours,
        joint_length_m=joint,
        joints_left=math.floor(left / joint),
        doubles_left=math.floor(left / (2.0 * joint)),
    )


def _named_apart(project: Project, layers: Sequence[Layer]) -> tuple[Layer, ...]:
    """The new layers under names that no other layer has."""
    taken = {layer.name for layer in project.layers}
    named = []
    for layer in layers:
        name, number = layer.name, 2
        while name in taken:
            name, number = f"{layer.name} {number}", number + 1
        taken.add(name)
        named.append(replace(layer, name=name))
    return tuple(named)


def _on_the_line(line: Elements, laid_to_m: float | None) -> None:
    if laid_to_m is not None and not 0.0 <= laid_to_m <= line.total_m:
        raise InputError(
            f"--laid-to-kp must lie on the approved line, KP 0 to {line.total_m / 1000:.3f} "
            f"(got {laid_to_m / 1000:.3f}): give the KP of touchdown"
        )


def _range(line: Elements, from_m: float | None, to_m: float | None) -> tuple[float, float]:
    low, high = 0.0 if from_m is None else from_m, line.total_m if to_m is None else to_m
    if not 0.0 <= low < high <= line.total_m + 1e-6:
        raise InputError(
            "--from-kp and --to-kp must lie on the approved line, in order: "
            f"KP 0 to {line.total_m / 1000:.3f} "
            f"(got {low / 1000:.3f} to {high / 1000:.3f})"
        )
    return low, high


def _same_ends(project: Project, approved: Alignment) -> None:
    faults = []
    for name, index, end in (("START", 0, project.start), ("END", -1, project.end)):
        off = math.hypot(
            float(approved.easting_m[index]) - end.easting, float(approved.northing_m[index]) - end.northing
        )
        if off > SAME_END_M:
            faults.append(
                f"the alignment's {name} must be the project's (it lies {off:.1f} m from "
                f"{end.easting:.1f} E, {end.northing:.1f} N): hand in the line approved for this project"
            )
    if faults:
        raise AlignmentError(faults)


def _standing(
    project: Project, approved: Alignment, accept_broken: bool, progress: Progress
) -> tuple[str, ...]:
    """What the approved line breaks by itself: a fault, or a note where that is accepted."""
    broken = [check for check in assess(approved, project, progress=progress).checks if not check.ok]
    texts = [
        f"the approved line breaks {check.rule}"
        + (f" ({check.layer})" if check.layer else "")
        + (f" at KP {check.kp_km:.3f}" if check.kp_km is not None else "")
        + f": {check.detail}"
        for check in broken
    ]
    if texts and not accept_broken:
        raise AlignmentError([*texts, "mend the line, or go on with --accept-broken"])
    return tuple(texts)


def _not_laid(clashes: Sequence[Clash], laid_to_m: float | None) -> None:
    if laid_to_m is None:
        return
    faults = [
        f"{clash.feature} ({clash.layer}) lies on what is laid: the pipe passes at {clash.distance_m:.1f} m, "
        f"{clash.limit_m:.1f} m are required, at KP {low / 1000:.3f}, "
        f"touchdown is at KP {laid_to_m / 1000:.3f}; "
        "no reroute helps there, take it out of --around"
        for clash in clashes
        for low, _ in clash.stretches_m[:1]
        if low <= laid_to_m
    ]
    if faults:
        raise InputError(faults)


def _assembled(approved: Alignment, changes: Sequence[Change]) -> Alignment:
    """All changes in one line."""
    line = changes[0].alignment
    for change in changes[1:]:
        # What is kept before this change, a part of a bend left out, is as the changes before it made it.
        kept = change.leave.row + (0 if change.leave.arc else 1)
        head = len(line.easting_m) - (len(approved.easting_m) - kept)
        line = Alignment(
            np.concatenate([line.easting_m[:head], change.alignment.easting_m[kept:]]),
            np.concatenate([line.northing_m[:head], change.alignment.northing_m[kept:]]),
            np.concatenate([line.radius_m[:head], change.alignment.radius_m[kept:]]),
            approved.crs,
        )
    return line


def _parts(approved: Alignment, line: Alignment, solved: Sequence[Solved]) -> tuple[ChangedPart, ...]:
    """Chainages on the whole new line: every change before shifts those behind it."""
    parts, shift, rows = [], 0.0, 0
    for one in solved:
        change = one.change
        longer = change.new_rejoin_m - change.rejoin_m
        parts.append(
            ChangedPart(
                old_from_m=change.leave_m,
                old_to_m=change.rejoin_m,
                new_from_m=change.leave_m + shift,
                new_to_m=change.new_rejoin_m + shift,
                first_ip=change.first_ip + rows,
                last_ip=change.last_ip + rows,
                obstructions=one.names,
                last_departure_m=one.last_departure_m,
                extra_cost_m=one.extra_cost_m,
                enough_ground=one.enough,
            )
        )
        shift += longer
        rows += len(change.alignment.easting_m) - len(approved.easting_m)
    return tuple(parts)
