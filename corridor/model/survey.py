"""Survey: what is declared about soundings, what is done with them, what comes out.

Depths are metres, positive down, on the project's vertical datum; positions
are on the project grid. Uncertainties are at 95 % throughout.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.errors import SettingError
from corridor.model.fields import setting, validate
from corridor.model.grid import Grid
from corridor.model.seabed import Uncertainty

ORDER_NAMES = ("2", "1b", "1a", "special", "exclusive")
"""The orders of IHO S-44 edition 6.1.0, the least demanding first."""

COLUMN_ROLES = ("easting", "northing", "z", "depth", "elevation", "uncertainty", "line", "skip")

UNITS_M = {"m": 1.0, "ft": 0.3048, "us_ft": 1200.0 / 3937.0, "fathom": 1.8288}
"""Metres per unit of depth: international foot, US survey foot, fathom of six international feet (exact)."""

EMPTY, MEASURED, FILLED = 0, 1, 2
"""What a cell of a survey's surface holds: nothing, soundings, an interpolation across a gap."""

SOURCE_NONE, SOURCE_SURVEY, SOURCE_FILLED, SOURCE_BLENDED = 0, 1, 2, 3
"""Where a cell of a merged surface comes from."""


@dataclass(frozen=True, slots=True)
class Declaration:
    """What a person says about a file of soundings: flags, or a side file ``<file>.toml``.

    A field left None is taken from the file where its format carries it, and
    asked for where it does not; it is never guessed.
    """

    values: str | None = setting(None, choices=("depth", "elevation"))
    crs: str | None = setting(None)
    vertical_datum: str | None = setting(None)
    vertical_offset_m: float | None = setting(None)
    vertical_offset_source: str | None = setting(None)
    unit: str = setting("m", choices=tuple(UNITS_M))
    columns: tuple[str, ...] | None = setting(None)
    delimiter: str | None = setting(None)
    header: bool | None = setting(None)
    nodata: float | None = setting(None)
    variable: str | None = setting(None)
    line: str | None = setting(None)
    uncertainty_level: str | None = setting(None, choices=("95", "sigma"))

    def __post_init__(self) -> None:
        validate(self)
        bad = [column for column in self.columns or () if column not in COLUMN_ROLES]
        if bad:
            raise SettingError(f"columns must be words out of {', '.join(COLUMN_ROLES)} (got {bad[0]!r})")
        if self.vertical_offset_m is not None and not self.vertical_offset_source:
            raise SettingError(
                f"vertical_offset_source is required with vertical_offset_m (got {self.vertical_offset_m}); "
                "say where the figure comes from"
            )


@dataclass(frozen=True, slots=True)
class SurveySettings:
    """The ``[survey]`` table. Lengths in m; uncertainties at 95 %.

    Defaults marked None are derived: `cell_m` from density and depth,
    `outlier_floor_m` half the TVU of the order, `fill_width_m` 3 cells,
    `feather_m` 10 cells, `contact_height_m` and `pit_depth_m` the order's
    feature size (order 1a's where the order has none), `contact_window_m` 15
    cells but at least 60 m, `shift_tolerance_m` the combined uncertainty.
    """

    order: str = setting("1a", choices=ORDER_NAMES)
    cell_m: float | None = setting(None, above=0.0)
    estimator: str = setting("mean", choices=("mean", "median", "weighted"))
    outlier_factor: float = setting(4.0, above=0.0)
    outlier_floor_m: float | None = setting(None, above=0.0)
    outlier_support: int = setting(2, least=0)
    max_bad_share: float = setting(0.01, least=0.0, most=1.0)
    depth_limits_m: tuple[float, ...] = setting((-100.0, 12000.0))
    fill_width_m: float | None = setting(None, least=0.0)
    feather_m: float | None = setting(None, least=0.0)
    uncertainty: Mapping[str, Any] | str | None = setting(None)
    existing_uncertainty: Mapping[str, Any] | str | None = setting(None)
    position_uncertainty_m: float | None = setting(None, least=0.0)
    shift_tolerance_m: float | None = setting(None, above=0.0)
    min_soundings_per_feature: float = setting(9.0, above=0.0)
    outline_gap_m: float | None = setting(None, above=0.0)
    min_change_cells: int = setting(9, least=1)
    contact_height_m: float | None = setting(None, above=0.0)
    pit_depth_m: float | None = setting(None, above=0.0)
    contact_window_m: float | None = setting(None, above=0.0)
    contact_max_length_m: float = setting(400.0, above=0.0)
    known_tolerance_m: float = setting(50.0, least=0.0)
    known_max_area_m2: float = setting(100_000.0, above=0.0)
    impact_margin_m: float = setting(25.0, least=0.0)
    max_cells: int = setting(60_000_000, least=1)

    def __post_init__(self) -> None:
        validate(self)
        faults = []
        if len(self.depth_limits_m) != 2 or not self.depth_limits_m[0] < self.depth_limits_m[1]:
            faults.append(
                f"depth_limits_m must be two numbers, shallow before deep (got {list(self.depth_limits_m)})"
            )
        for name in ("uncertainty", "existing_uncertainty"):
            faults += _uncertainty_faults(name, getattr(self, name))
        if faults:
            raise SettingError(faults)


def _uncertainty_faults(name: str, value: Any) -> list[str]:
    if value is None or (isinstance(value, str) and value in ORDER_NAMES):
        return []
    if isinstance(value, Mapping) and set(value) == {"a_m", "b"}:
        numbers = [value["a_m"], value["b"]]
        if all(isinstance(v, (int, float)) and v >= 0 for v in numbers) and any(numbers):
            return []
    return [f"{name} must be {{a_m = ..., b = ...}} or one of {', '.join(ORDER_NAMES)} (got {value!r})"]


@dataclass(frozen=True, slots=True, eq=False)
class RawSoundings:
    """A batch of soundings as a file has them: its own CRS, sign, unit and datum.

    `uncertainty` and `line` are None where the file has none; `line` holds
    indices into the names the file's reader collects.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    uncertainty: NDArray[np.float64] | None = None
    line: NDArray[np.int32] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SoundingFile:
    """One file of soundings, everything about it declared or read, ready to stream.

    Attributes
    ----------
    name, kind, sha256 : str
        `kind` is "text", "las" or "grid".
    crs, vertical_datum : str
        Of the file; the CRS is horizontal.
    sign, unit_m, offset_m : float
        ``depth_m = sign * z * unit_m + offset_m``, positive down, on the
        project's vertical datum; `sign` is -1 for elevations.
    batches : callable -> iterator of RawSoundings
        Reads the file from its beginning in batches of bounded size.
    lines : list of str
        Names of the survey lines, filled while reading.
    cell_m, anchor_m : of a grid: cell size, and a corner of a cell on the file's grid
    uncertainty_factor : float
        What turns the file's uncertainty into 95 %.
    has_uncertainty : bool
        Whether every sounding comes with one.
    """

    name: str
    kind: str
    sha256: str
    crs: str
    vertical_datum: str
    sign: float
    unit_m: float
    offset_m: float
    batches: Callable[[], Iterator[RawSoundings]]
    lines: list[str] = field(default_factory=list)
    cell_m: float | None = None
    anchor_m: tuple[float, float] | None = None
    uncertainty_factor: float = 1.0
    has_uncertainty: bool = False
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Soundings:
    """A batch on the project grid, depth positive down on the project's datum, uncertainty at 95 %."""

    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    uncertainty_m: NDArray[np.float64] | None = None
    line: NDArray[np.int32] | None = None

    def __len__(self) -> int:
        return len(self.depth_m)


@dataclass(frozen=True, slots=True, eq=False)
class FileCensus:
    """What the first pass found in one file.

    `sample` is (n, 3): x, y, z as in the file, evenly drawn; it serves the
    comparison with the existing seabed.
    """

    name: str
    sha256: str
    kind: str
    read: int
    kept: int
    not_finite: int
    absurd: int
    outside: int
    shoalest_m: float
    deepest_m: float
    sample: NDArray[np.float64]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SurveySurface:
    """Statistics per cell of a grid; NaN (or 0) where a cell holds no soundings.

    Attributes
    ----------
    grid : Grid
    depth_m : array (rows, cols) float32
        The estimate (mean, median or weighted mean) of the accepted soundings;
        interpolated where `state` is FILLED.
    shoalest_m, deepest_m : float32, of the accepted soundings
    spread_m : float32, standard deviation (n - 1) of the accepted soundings, NaN below two
    uncertainty_m : float32, 95 %
    count : uint32, accepted soundings; rejected : uint16
    state : uint8, EMPTY, MEASURED or FILLED
    passes : uint8, how many survey lines a cell holds; None when lines are not known
    line_difference_m : float32, largest difference between line means; None likewise
    counted : bool
        False when the input was itself a grid, so that counts and spread say nothing.
    uncertainty_note : str, where the uncertainty comes from
    """

    grid: Grid
    depth_m: NDArray[np.float32]
    shoalest_m: NDArray[np.float32]
    deepest_m: NDArray[np.float32]
    spread_m: NDArray[np.float32]
    uncertainty_m: NDArray[np.float32]
    count: NDArray[np.uint32]
    rejected: NDArray[np.uint16]
    state: NDArray[np.uint8]
    passes: NDArray[np.uint8] | None = None
    line_difference_m: NDArray[np.float32] | None = None
    counted: bool = True
    uncertainty_note: str = ""

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Cells that hold accepted soundings."""
        return self.state == MEASURED


@dataclass(frozen=True, slots=True, eq=False)
class LineStatistics:
    """One survey line against the other lines in the cells they share."""

    name: str
    cells: int
    bias_m: float
    within_95_m: float


@dataclass(frozen=True, slots=True)
class OrderCheck:
    """One criterion of an order; `ok` is None where it could not be assessed."""

    criterion: str
    value: float | None
    limit: float | None
    unit: str
    ok: bool | None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class OrderResult:
    """One order of S-44 with its criteria; met when none fails."""

    order: str
    checks: tuple[OrderCheck, ...]

    @property
    def met(self) -> bool:
        """True when no criterion fails (one that could not be assessed does not fail)."""
        return all(check.ok is not False for check in self.checks)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Differences between two surfaces, or between lines: new minus old, positive = deeper now."""

    cells: int
    bias_m: float
    median_m: float
    within_95_m: float
    share_within_combined: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """A patch of cells: a hole, or an area of change; geometry on the project grid."""

    kind: str
    geometry: Any
    area_m2: float
    easting_m: float
    northing_m: float
    figures: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Quality:
    """How good the survey is."""

    order_required: str
    orders: tuple[OrderResult, ...]
    order_met: str | None
    holds_back: tuple[OrderCheck, ...]
    next_order: str | None
    outline_area_m2: float
    coverage_percent: float
    density_per_m2: float | None
    holes: tuple[Region, ...]
    holes_total: int
    overlap: Agreement | None
    lines: tuple[LineStatistics, ...]
    line_agreement: Agreement | None
    notes: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """True when the order asked for is met."""
        return any(result.order == self.order_required and result.met for result in self.orders)


@dataclass(frozen=True, slots=True, eq=False)
class Existing:
    """The project's seabed on the survey's grid; NaN where it has none."""

    depth_m: NDArray[np.float32]
    uncertainty_m: NDArray[np.float32]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class MergedSurface:
    """What goes on top of the project's seabed; outside it the old surfaces still count."""

    grid: Grid
    depth_m: NDArray[np.float32]
    uncertainty_m: NDArray[np.float32]
    source: NDArray[np.uint8]
    edge: str
    feather_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """Something that stands proud of the seabed around it, or a pit in it.

    `height_m` is positive for both; `least_depth_m` is the shoalest sounding on
    an object, the deepest in a pit. `known_as` names the feature of a layer it
    matches, "" when it is new.
    """

    name: str
    kind: str
    geometry: Any
    easting_m: float
    northing_m: float
    length_m: float
    width_m: float
    bearing_deg: float
    height_m: float
    height_uncertainty_m: float
    size_uncertainty_m: float
    least_depth_m: float
    seabed_depth_m: float
    soundings: int
    status: str
    known_as: str = ""
    known_distance_m: float | None = None
    kp_km: float | None = None
    offset_m: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """Everything one run finds out, before anything is written."""

    name: str
    settings: SurveySettings
    files: tuple[FileCensus, ...]
    surface: SurveySurface
    cell_reason: str
    quality: Quality
    merged: MergedSurface
    change_m: NDArray[np.float32]
    significant: NDArray[np.bool_]
    changes: tuple[Region, ...]
    contacts: tuple[Contact, ...]
    affected_km: tuple[tuple[float, float], ...]
    rejected: Mapping[str, NDArray]
    notes: tuple[str, ...] = ()

    @property
    def new_objects(self) -> tuple[Contact, ...]:
        """Objects no layer knows of: what a line may have to go around."""
        return tuple(c for c in self.contacts if c.kind == "object" and c.status == "new")


def uncertainty_of(
    declared: Mapping[str, Any] | str | None, orders: Mapping[str, Uncertainty]
) -> Uncertainty | None:
    """The model a setting stands for: an order's name, or its own two figures."""
    if declared is None:
        return None
    if isinstance(declared, str):
        return orders[declared]
    return Uncertainty(float(declared["a_m"]), float(declared["b"]))
