"""Soundings that cannot be what they are declared to be, and why.

A file is held against the existing seabed as it is declared, and as it would be
with another sign, unit, order of axes or zone. When the declaration fits badly
and one other reading fits well, that reading is named as the likely cause.
Nothing is ever corrected: the person who declared it must.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import ProjError

from corridor.errors import SeabedError
from corridor.model.seabed import Seabed
from corridor.model.survey import UNITS_M, FileCensus, SoundingFile, SurveySettings, uncertainty_of
from corridor.survey.collect import transformer
from corridor.survey.existing import depth_at, model_of
from corridor.survey.s44 import TVU

FEWEST = 30
"""Soundings that must lie over the existing seabed before it can contradict them."""

CLOSE_SHARE = 0.03
"""A reading fits when it is within the combined uncertainty plus this share of the depth."""

GEOGRAPHIC = "EPSG:4326"


@dataclass(frozen=True, slots=True)
class Fit:
    """How one reading of a file compares with the existing seabed (differences new minus old)."""

    text: str
    changes: int
    inside: int
    share_inside: float
    median_m: float
    scatter_m: float
    depth_m: float
    tolerance_m: float

    @property
    def fits(self) -> bool:
        """Over the seabed, level with it, and following its shape."""
        close = self.tolerance_m + CLOSE_SHARE * abs(self.depth_m)
        return self.inside >= FEWEST and abs(self.median_m) <= close and self.scatter_m <= 2.0 * close

    @property
    def is_shift(self) -> bool:
        """The difference is much the same everywhere."""
        return self.scatter_m <= 0.5 * abs(self.median_m)

    @property
    def misfit_m(self) -> float:
        """Root of the sum of squares of offset and scatter."""
        return float(np.hypot(self.median_m, self.scatter_m))


def check(
    pairs: Iterable[tuple[SoundingFile, FileCensus]], seabed: Seabed, settings: SurveySettings
) -> tuple[str, ...]:
    """Raise :class:`SeabedError` for every file the existing seabed contradicts.

    Returns
    -------
    tuple of str
        Notes: files that could not be compared, and offsets within tolerance.
    """
    faults, notes = [], []
    for file, census in pairs:
        fault, note = _judge(file, census, seabed, settings)
        faults += [fault] if fault else []
        notes += [note] if note else []
    if faults:
        raise SeabedError(faults)
    return tuple(notes)


def _judge(
    file: SoundingFile, census: FileCensus, seabed: Seabed, settings: SurveySettings
) -> tuple[str, str]:
    if not len(census.sample):
        return "", ""
    declared = _fit(_reading(file), census.sample, seabed, settings)
    tolerance = settings.shift_tolerance_m or declared.tolerance_m
    level = declared.inside < FEWEST or abs(declared.median_m) <= tolerance
    if declared.inside < FEWEST or not (level and declared.fits):
        best = _best_other(file, census, seabed, settings, declared)
        if best is not None:
            return _named(file, census, declared, best), ""
    if census.kept == 0 and census.outside:
        return _outside(file, census), ""
    if declared.inside < FEWEST:
        return "", f"{file.name} lies beside the existing seabed: nothing to compare it with"
    if level:
        return "", ""
    if declared.fits and not declared.is_shift:
        return "", (
            f"{file.name} differs from the existing seabed by {declared.median_m:+.2f} m (median, scatter "
            f"{declared.scatter_m:.2f} m), more than the combined uncertainty of {tolerance:.2f} m, but not "
            "by a constant: taken as change of the seabed"
        )
    return _unexplained(file, declared, tolerance), ""


def _best_other(
    file: SoundingFile, census: FileCensus, seabed: Seabed, settings: SurveySettings, declared: Fit
) -> Fit | None:
    """The reading with the fewest changes that fits far better than the declared one."""
    found = []
    for reading in _readings(file, seabed.crs):
        fit = _fit(reading, census.sample, seabed, settings)
        better = declared.inside < FEWEST or fit.misfit_m < 0.3 * declared.misfit_m
        # A zone that merely touches the seabed, or a chance overlap, is no explanation.
        placed = fit.share_inside > 0.5 * max(declared.share_inside, 0.2)
        if fit.fits and better and placed:
            found.append(fit)
    return min(found, key=lambda fit: (fit.changes, fit.misfit_m), default=None)


@dataclass(frozen=True, slots=True)
class _Reading:
    text: str
    changes: int
    crs: str
    swapped: bool
    factor: float
    offset_m: float


def _reading(file: SoundingFile) -> _Reading:
    return _Reading("as declared", 0, file.crs, False, file.sign * file.unit_m, file.offset_m)


def _readings(file: SoundingFile, project_crs: str) -> Iterator[_Reading]:
    """Every combination of place, sign and unit other than the declared one."""
    for place, crs, swapped in _places(file, project_crs):
        for sign, sign_text in ((1.0, ""), (-1.0, _sign_text(file))):
            for unit in ("m", "ft", "fathom"):
                same = abs(UNITS_M[unit] - file.unit_m) < 1e-3
                unit_text = (
                    "" if same else f"depths are in {_unit_name(unit)}, declared as {_declared_unit(file)}"
                )
                texts = [text for text in (place, sign_text, unit_text) if text]
                if texts:
                    factor = sign * file.sign * (file.unit_m if same else UNITS_M[unit])
                    yield _Reading("; ".join(texts), len(texts), crs, swapped, factor, file.offset_m)


def _sign_text(file: SoundingFile) -> str:
    now, other = ("depth", "elevation") if file.sign > 0 else ("elevation", "depth")
    return f"the sign is mirrored: values are {other}, declared as {now}"


def _unit_name(unit: str) -> str:
    return {"m": "metres", "ft": "feet", "fathom": "fathoms"}[unit]


def _declared_unit(file: SoundingFile) -> str:
    return next(
        (_unit_name(u) for u in ("m", "ft", "fathom") if abs(UNITS_M[u] - file.unit_m) < 1e-3), "another unit"
    )


def _places(file: SoundingFile, project_crs: str) -> Iterator[tuple[str, str, bool]]:
    """(text, CRS, axes swapped): as declared, swapped, neighbouring zones, the other hemisphere, degrees."""
    yield "", file.crs, False
    swap = "the axes are swapped: the first column is northing, the second easting"
    yield swap, file.crs, True
    others = dict.fromkeys([*_neighbour_zones(file.crs), project_crs, GEOGRAPHIC])
    declared = CRS.from_user_input(file.crs)
    for crs in others:
        if not CRS.from_user_input(crs).equals(declared, ignore_axis_order=True):
            kind = (
                "coordinates are degrees"
                if crs == GEOGRAPHIC
                else "the coordinates are in another zone or CRS"
            )
            yield f"{kind}: {crs}, declared as {file.crs}", crs, False
            yield f"{kind}: {crs}, declared as {file.crs}; {swap}", crs, True


def _neighbour_zones(crs: str) -> list[str]:
    """UTM zones beside a UTM zone, and its twin across the equator, on the same datum where EPSG knows it."""
    system = CRS.from_user_input(crs)
    zone = system.utm_zone
    code = system.to_epsg()
    if zone is None or code is None:
        return []
    number, hemisphere = int(zone[:-1]), zone[-1]
    codes = [code + step for step in (-1, 1, -2, 2) if 1 <= number + step <= 60]
    codes.append(code + (100 if hemisphere == "N" else -100))
    found = []
    for other in codes:
        try:
            candidate = CRS.from_epsg(other)
        except ProjError:
            continue
        if candidate.utm_zone is not None and candidate.datum == system.datum:
            found.append(f"EPSG:{other}")
    return found


def _fit(reading: _Reading, sample: NDArray, seabed: Seabed, settings: SurveySettings) -> Fit:
    x, y = (sample[:, 1], sample[:, 0]) if reading.swapped else (sample[:, 0], sample[:, 1])
    depth = reading.factor * sample[:, 2] + reading.offset_m
    place = _place(reading.crs, seabed.crs, x, y)
    if place is None:
        return Fit(reading.text, reading.changes, 0, 0.0, np.nan, np.nan, float(np.median(depth)), 0.0)
    old, source = depth_at(seabed, *place)
    known = np.isfinite(old)
    inside = int(known.sum())
    if inside < FEWEST:
        return Fit(
            reading.text,
            reading.changes,
            inside,
            inside / len(sample),
            np.nan,
            np.nan,
            float(np.median(depth)),
            0.0,
        )
    difference = depth[known] - old[known]
    middle = float(np.median(difference))
    scatter = 1.4826 * float(np.median(np.abs(difference - middle)))
    typical = float(np.median(old[known]))
    return Fit(
        reading.text,
        reading.changes,
        inside,
        inside / len(sample),
        middle,
        scatter,
        typical,
        _combined(seabed, source[known], typical, settings),
    )


def _place(crs: str, project_crs: str, x: NDArray, y: NDArray) -> tuple[NDArray, NDArray] | None:
    if crs == GEOGRAPHIC and (np.abs(x).max() > 180.0 or np.abs(y).max() > 90.0):
        return None
    try:
        easting, northing = transformer(crs, project_crs)(x, y)
    except ProjError:
        return None
    if not np.isfinite(easting).any():
        return None
    return np.where(np.isfinite(easting), easting, 1e30), np.where(np.isfinite(northing), northing, 1e30)


def _combined(seabed: Seabed, source: NDArray, depth_m: float, settings: SurveySettings) -> float:
    """Combined 95 % uncertainty of the new soundings and the old surface at a depth."""
    new = uncertainty_of(settings.uncertainty, TVU) or TVU[settings.order]
    surface = seabed.surfaces[int(np.bincount(source).argmax())]
    if isinstance(surface.uncertainty, np.ndarray):
        old = float(np.nanmedian(surface.uncertainty))
    else:
        old = float(model_of(surface, settings).at(depth_m))
    return float(np.hypot(new.at(depth_m), old))


_NOTHING = "Nothing was merged."


def _named(file: SoundingFile, census: FileCensus, declared: Fit, best: Fit) -> str:
    if declared.inside < FEWEST:
        against = (
            f"only {declared.inside} of {len(census.sample)} sampled soundings lie over the existing seabed"
        )
    else:
        against = f"it differs from the existing seabed by {declared.median_m:+.2f} m (median)"
    return (
        f"{file.name} contradicts the existing seabed: {against}. Likely cause: {best.text} "
        f"(read so, it differs by {best.median_m:+.2f} m). Correct the declaration and run again. {_NOTHING}"
    )


def _outside(file: SoundingFile, census: FileCensus) -> str:
    low, high = census.sample.min(axis=0), census.sample.max(axis=0)
    return (
        f"{file.name}: all {census.read} soundings lie outside the project "
        f"(x {low[0]:.6g} to {high[0]:.6g}, y {low[1]:.6g} to {high[1]:.6g} in {file.crs}); no other sign, "
        f"unit, order of axes or neighbouring zone explains it; check crs and columns. {_NOTHING}"
    )


def _unexplained(file: SoundingFile, declared: Fit, tolerance: float) -> str:
    side = "below" if declared.median_m > 0 else "above"
    text = (
        f"{file.name} lies {abs(declared.median_m):.2f} m {side} the existing seabed (median of "
        f"{declared.inside} sampled soundings, scatter {declared.scatter_m:.2f} m; at most "
        f"{tolerance:.2f} m is within the combined uncertainty). "
    )
    if declared.is_shift:
        cause = (
            "Likely cause: a constant shift, as from another vertical datum or a wrong tide. Declare "
            "vertical_datum and vertical_offset_m"
        )
    else:
        cause = "No single cause explains it. Check the declaration"
    return f"{text}{cause}, or raise shift_tolerance_m in [survey] if the seabed did move. {_NOTHING}"
