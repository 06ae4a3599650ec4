"""What the layers hand to each other: surfaces, paths, lines, tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.model.alignment import Alignment
from corridor.model.grid import Grid
from corridor.model.project import Project


@dataclass(frozen=True, slots=True, eq=False)
class CostSurface:
    """The gridded ground: what the search, the fit and the bound all see.

    The cost of a metre of line in direction t in a cell is
    ``factor * 1 + slope_cost * ((g.t / tan_along)**2 + (g.n / tan_across)**2)``
    with g the gradient of the seabed in that cell (slope is not multiplied by
    `factor`), n the normal of t.

    Attributes
    ----------
    grid : Grid
    ground : array (rows, cols, 4) float32
        factor (>= 1; inf where closed), gradient east, gradient south
        (tangents, positive where the seabed rises), and the index of the
        cell's rim record (0 = none).
    rim : array (n, 3) float64
        Clearance of the cell's centre in cells, and the unit vector (east,
        south) along which it grows. Row 0 is unused. A path piece in the cell
        at offset o from the centre is allowed while
        ``clearance + direction . o >= 0``: exact for straight edges, safe for
        convex features.
    tan_along, tan_across : float
        Tangents of the slope limits the search holds: those of the rules times
        `slope_margin`. Prices refer to the rules' own limits.
    slope_cost : float
    assets : Assets
        The lines that may be crossed, in cell coordinates.
    depth_m : array (rows, cols), m, positive down; NaN = hole
    source : array (rows, cols) int16
        Which surface of the seabed each cell came from; -1 = none.
    closed_by : array (rows, cols) int16
        Why a cell is closed: -1 open, else an index into `reasons`.
    reasons : tuple of str
    hold_along, hold_across : bool
        False: the slope limit is not held there; steepness keeps its price.
    """

    grid: Grid
    ground: NDArray[np.float32]
    rim: NDArray[np.float64]
    tan_along: float
    tan_across: float
    slope_cost: float
    assets: Assets
    depth_m: NDArray[np.float32]
    source: NDArray[np.int16]
    closed_by: NDArray[np.int16]
    reasons: tuple[str, ...] = ()
    slope_margin: float = 1.0
    hold_along: bool = True
    hold_across: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Assets:
    """Pipelines and cables that may be crossed, cut into segments.

    Attributes
    ----------
    segments : array (n, 4)
        u1, v1, u2, v2 in cell units of the search grid.
    asset : array (n,) int32
        Which asset (one feature of one layer) a segment belongs to.
    fee_m, sin_min_angle, straight_m : array (assets,)
        Crossing fee (equivalent m), sine of the least angle, straight needed
        each side (m).
    names : tuple of (layer, feature)
    """

    segments: NDArray[np.float64]
    asset: NDArray[np.int32]
    fee_m: NDArray[np.float64]
    sin_min_angle: NDArray[np.float64]
    straight_m: NDArray[np.float64]
    names: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SearchResult:
    """The cheapest line on the search grid.

    Attributes
    ----------
    alignment : Alignment
    cost_m : float
        Equivalent metres, bends and crossings included, as the search counts.
    lower_bound_m : float
        No line on the gridded ground costs less (see :mod:`corridor.routing.bound`).
    expanded : int
        States settled.
    bound_weight : float
        Factor on the relaxed field.
    proven : bool
        No move seen contradicts the bound: this is the grid optimum.
    tags : (int, int)
        Tags of the gates that the line leaves START and reaches END through; -1 where they have none.
    """

    alignment: Alignment
    cost_m: float
    lower_bound_m: float
    expanded: int
    bound_weight: float
    proven: bool = True
    tags: tuple[int, int] = (-1, -1)


@dataclass(frozen=True, slots=True)
class Check:
    """One rule, measured on the finished line.

    `worst` is in the unit of the rule's name; `kp_km` is where; `detail` names
    the feature or the place in words.
    """

    rule: str
    limit: float | None
    worst: float | None
    kp_km: float | None
    ok: bool
    detail: str = ""
    layer: str = ""


@dataclass(frozen=True, slots=True)
class Breach:
    """A place where the finished line breaks a rule, for the search to avoid."""

    rule: str
    easting_m: float
    northing_m: float
    bearing_deg: float
    value: float
    limit: float


Table = Mapping[str, NDArray]
"""Column name -> array; the columns are those of CONTRACT's files, in order."""


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """A line measured against the finest seabed, the layers and the rules.

    Every table is a dict of equally long arrays whose keys are the columns of
    the file of the same name.
    """

    points: Table
    setting_out: Table
    chainage: Table
    profile: Table
    crossings: Table
    proximity: Table
    checks: tuple[Check, ...]
    breaches: tuple[Breach, ...]
    length_m: float
    length_ellipsoid_m: float
    cost_m: float
    cost_terms: Mapping[str, float]
    cost_by_kp: Table
    min_radius_m: float | None
    max_slope_along_deg: float
    max_slope_across_deg: float
    spans: Table | None = None
    supports: Table | None = None
    pipe_summary: Mapping[str, Any] | None = None
    not_assessed: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    geodesy: Mapping[str, float] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        """True when no rule is broken."""
        return all(check.ok for check in self.checks)


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """One project with one line and what was measured on it."""

    project: Project
    alignment: Alignment
    assessment: Assessment
    surface: CostSurface | None = None
    search: SearchResult | None = None
    others: Mapping[str, Alignment] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
