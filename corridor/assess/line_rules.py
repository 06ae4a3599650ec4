"""Rules that the alignment obeys by itself: ends, bearings, radii, straights, via points."""

from __future__ import annotations

import math

import numpy as np

from corridor.assess.findings import (
    ANGLE_DEG,
    LENGTH_M,
    SHARE,
    Findings,
    at_least,
    breaches_at,
    kp,
    together,
)
from corridor.model.alignment import Alignment
from corridor.model.project import Project
from corridor.model.results import Breach, Check
from corridor.model.rules import RouteEnd, RouteRules
from corridor.routing.chainage import station_of
from corridor.routing.geometry import (
    NO_BEND_RAD,
    Bends,
    Elements,
    at_station,
    bends,
    in_out_m,
    straight_runs,
)


def check_line(alignment: Alignment, line: Elements, project: Project, via_limit_m: float) -> Findings:
    """All rules on the alignment itself.

    `via_limit_m` is how near the line must come to via points.
    """
    found = [
        _radius(alignment, line, project.rules),
        *_straights(alignment, line, project.rules),
        _end("start", project.start, line, 0.0),
        _end("end", project.end, line, line.total_m),
    ]
    found += [_via(number, point, line, via_limit_m) for number, point in enumerate(project.via, start=1)]
    return together(found)


def effective_radius_m(alignment: Alignment, curve: Bends) -> np.ndarray:
    """Radius that a pipe would have to follow at each point: 0 at corners, inf where there is no bend."""
    radius = np.where(curve.arc_m > 0.0, np.nan_to_num(alignment.radius_m), 0.0)
    return np.where(np.abs(curve.deflection_rad) >= NO_BEND_RAD, radius, np.inf)


def _radius(alignment: Alignment, line: Elements, rules: RouteRules) -> Findings:
    curve = bends(alignment)
    radius = effective_radius_m(alignment, curve)
    limit = rules.min_bend_radius_m
    worst = int(np.argmin(radius))
    if not np.isfinite(radius[worst]):
        return Findings((Check("min_bend_radius_m", limit, None, None, True, "the line has no bends"),))
    kp_in, kp_out = in_out_m(curve)
    middle = 0.5 * (kp_in + kp_out)
    broken = np.flatnonzero(radius < limit * (1.0 - SHARE))
    name = alignment.names[worst]
    detail = f"{name} at {kp(middle[worst])}: " + (
        f"radius {radius[worst]:.2f} m" if radius[worst] > 0.0 else "a sharp corner (radius 0)"
    )
    if len(broken) > 1:
        detail += f"; {len(broken)} bends are too tight"
    check = Check(
        "min_bend_radius_m",
        limit,
        float(radius[worst]),
        float(middle[worst]) / 1000.0,
        len(broken) == 0,
        detail,
    )
    return Findings((check,), breaches_at(line, "min_bend_radius_m", middle[broken], radius[broken], limit))


def _straights(alignment: Alignment, line: Elements, rules: RouteRules) -> list[Findings]:
    """Straights between bends against min_straight_m, those at the ends against both limits.

    A line without bends has no straight that a bend could cut short. Overlapping
    arcs leave a negative straight, which breaks the rule even where none is asked for.
    """
    runs = straight_runs(alignment)
    if len(runs) == 1:
        detail = "the line has no bends"
        return [
            Findings((Check(rule, limit, None, None, True, detail),))
            for rule, limit in (
                ("min_straight_m", rules.min_straight_m),
                ("end_straight_m", rules.end_straight_m),
            )
        ]
    return [
        _least_straight("min_straight_m", rules.min_straight_m, alignment, line, runs),
        _least_straight("end_straight_m", rules.end_straight_m, alignment, line, [runs[0], runs[-1]]),
    ]


def _least_straight(
    rule: str, limit: float, alignment: Alignment, line: Elements, runs: list[tuple[int, int, float, float]]
) -> Findings:
    begin, end, start, size = min(runs, key=lambda run: run[3])
    broken = [run for run in runs if not at_least(run[3], limit)]
    names = alignment.names
    detail = f"{size:.2f} m between {names[begin]} and {names[end]} at {kp(start)}"
    if size < -LENGTH_M:
        detail = f"the arcs at {names[begin]} and {names[end]} overlap by {-size:.2f} m at {kp(start)}"
    breaches: list[Breach] = []
    for _, _, at, length in broken:
        breaches += breaches_at(line, rule, at + 0.5 * abs(length), length, limit)
    return Findings((Check(rule, limit, size, start / 1000.0, not broken, detail),), tuple(breaches))


def _end(name: str, wanted: RouteEnd, line: Elements, station: float) -> Findings:
    """Position and bearing of one end against the project's."""
    easting, northing, bearing = at_station(line, station)
    if name == "end":
        bearing = line.end_bearing_rad[-1]
    away = math.hypot(easting - wanted.easting, northing - wanted.northing)
    checks = [
        Check(
            name,
            0.0,
            away,
            station / 1000.0,
            away <= LENGTH_M,
            f"the line {'starts' if name == 'start' else 'ends'} {away:.3f} m from [route] {name} "
            f"({wanted.easting:.3f} E, {wanted.northing:.3f} N)",
        )
    ]
    if wanted.bearing_deg is not None:
        found = math.degrees(bearing) % 360.0
        off = abs((found - wanted.bearing_deg + 180.0) % 360.0 - 180.0)
        # Coordinates in files are rounded to 0.1 mm: on a short leg that turns its bearing a little more.
        leg = line.length_m[0] if name == "start" else line.length_m[-1]
        allowed = max(ANGLE_DEG, math.degrees(2e-4 / max(float(leg), 1e-3)))
        checks.append(
            Check(
                f"{name}.bearing_deg",
                wanted.bearing_deg % 360.0,
                found,
                station / 1000.0,
                off <= allowed,
                f"bearing at the {name} {found:.4f} degrees, {off:.4f} off the one asked for",
            )
        )
    return Findings(tuple(checks))


def _via(number: int, point: RouteEnd, line: Elements, limit_m: float) -> Findings:
    station, offset = station_of(line, point.easting, point.northing)
    away = abs(float(offset))
    detail = f"via point {number} ({point.easting:.1f} E, {point.northing:.1f} N) is passed at {away:.2f} m"
    return Findings(
        (Check(f"via {number}", limit_m, away, float(station) / 1000.0, away <= limit_m, detail),)
    )
