"""Lay the pipe on the assessed line and add what follows to the assessment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.assess.cautions import not_assessed
from corridor.model.alignment import Alignment
from corridor.model.project import Project
from corridor.model.results import Assessment, Table
from corridor.model.seabed import Uncertainty
from corridor.pipe.again import Bed, laid_on
from corridor.pipe.ground import CrossedAsset
from corridor.pipe.study import PipeResult
from corridor.progress import Progress, silent
from corridor.routing.geometry import Elements, at_station, elements
from corridor.terrain.sampling import depth_at

MOST_STATIONS = 2_000_000
"""The profile handed to the statics is never longer than this."""


def with_pipe(
    assessment: Assessment, alignment: Alignment, project: Project, progress: Progress = silent
) -> Assessment:
    """The assessment with the pipe laid on the line; unchanged where the project describes no pipe.

    The profile is sampled evenly at the spacing of the finest seabed; every
    station knows the cell size it was judged on and its vertical uncertainty.
    """
    if project.pipe is None or project.environment is None:
        return assessment
    bed, unknown = bed_under(assessment, alignment, project)
    radius = project.rules.min_bend_radius_m
    result = laid_on(bed, project.pipe, project.environment, radius, progress)
    return with_result(assessment, bed, result, unknown, project)


def bed_under(assessment: Assessment, alignment: Alignment, project: Project) -> tuple[Bed, tuple[str, ...]]:
    """What the pipe is laid on, and a warning for every crossed asset of unknown diameter.

    The crossings are those of the assessment.
    """
    line = elements(alignment)
    station = even_stations(line, project.seabed.finest_cell_m)
    easting, northing, _ = at_station(line, station)
    depth, source, cell = depth_at(project.seabed, easting, northing)
    humps, unknown = crossed_assets(assessment.crossings, project)
    return Bed(station, depth, cell, _tvu_m(project, depth, source), tuple(humps)), unknown


def with_result(
    assessment: Assessment, bed: Bed, result: PipeResult, unknown: tuple[str, ...], project: Project
) -> Assessment:
    """The assessment with what laying the pipe on `bed` has found."""
    return replace(
        assessment,
        spans={**result.spans, "reason": result.details["reason"]},
        supports=result.supports,
        pipe_summary=result.summary,
        profile=_profile(assessment.profile, bed.station_m, result.profile),
        not_assessed=not_assessed(project, spans=True),
        warnings=(*assessment.warnings, *result.warnings, *unknown),
    )


def even_stations(line: Elements, spacing_m: float) -> NDArray[np.float64]:
    """Chainages 0, h, 2h, ... up to the last whole step, m."""
    spacing = max(spacing_m, line.total_m / MOST_STATIONS)
    return np.arange(int(line.total_m / spacing + 1e-9) + 1, dtype=np.float64) * spacing


def crossed_assets(crossings: Table, project: Project) -> tuple[list[CrossedAsset], tuple[str, ...]]:
    """Crossed assets as humps under the pipe, and a warning for each whose diameter is unknown.

    Diameter, cover and separation come from the feature's attributes
    (``diameter_m``, ``cover_m``, ``separation_m``), else from its layer's table.
    """
    humps, unknown = [], []
    for row in range(len(crossings["kp_km"])):
        layer = project.layer(str(crossings["layer"][row]))
        feature = str(crossings["feature"][row])
        known = {**layer.settings, **_present(layer.attributes[layer.features.index(feature)])}
        kp = float(crossings["kp_km"][row])
        if "diameter_m" not in known:
            unknown.append(
                f"crossing of {layer.name} / {feature} at KP {kp:.3f}: diameter_m is not given, so the pipe "
                "is laid as if nothing stood on the seabed there; add the attribute or the layer key"
            )
            continue
        humps.append(
            CrossedAsset(
                name=feature,
                station_m=kp * 1000.0,
                diameter_m=float(known["diameter_m"]),
                cover_m=float(known.get("cover_m", 0.0)),
                separation_m=float(known.get("separation_m", crossings["separation_m"][row])),
            )
        )
    return humps, tuple(unknown)


def _present(attributes: Mapping[str, Any]) -> dict[str, float]:
    """The numeric attributes that describe a hump, where they hold a number."""
    found = {}
    for name in ("diameter_m", "cover_m", "separation_m"):
        value = attributes.get(name)
        if isinstance(value, (int, float)) and np.isfinite(value):
            found[name] = float(value)
    return found


def _tvu_m(project: Project, depth: NDArray, source: NDArray) -> NDArray | None:
    """95 % vertical uncertainty at every station; None unless every surface states its own."""
    surfaces = project.seabed.surfaces
    tvu = np.full(depth.shape, np.nan)
    for index, surface in enumerate(surfaces):
        here = source == index
        if isinstance(surface.uncertainty, Uncertainty):
            tvu[here] = surface.uncertainty.at(depth[here])
        elif surface.uncertainty is not None:
            tvu[here] = float(np.nanmean(surface.uncertainty))
        else:
            return None
    return tvu


def _profile(profile: Table, station: NDArray, laid: Table) -> Table:
    """profile.csv with the pipe beside the seabed; NaN beyond the last even station."""
    kp = np.asarray(profile["kp_km"])
    joined = dict(profile)
    for name in ("pipe_depth_m", "gap_m"):
        joined[name] = np.interp(kp, station / 1000.0, laid[name], left=np.nan, right=np.nan)
    return joined


def spans_by_verdict(assessed: Assessment) -> dict[str, int] | None:
    """How many spans have each verdict, by the load case that governs."""
    if assessed.spans is None:
        return None
    governs = np.asarray(assessed.spans["governs"]).astype(bool)
    verdicts, counts = np.unique(
        np.asarray(assessed.spans["verdict"])[governs].astype(str), return_counts=True
    )
    return dict(zip(verdicts.tolist(), counts.tolist(), strict=True))
