"""Zones as they are published, and the settings that go with them: the ``[zones]`` table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.errors import SettingError
from corridor.model.alignment import Alignment
from corridor.model.fields import setting, validate
from corridor.model.layers import Layer
from corridor.model.results import Table
from corridor.model.rules import RouteRules

ZONE_RULES = ("avoid", "discourage")
"""Rules whose features become zones."""

ZONE_CAUTIONS = (
    "Distances, seasons and legal bases are those of the project's own settings and attributes; "
    "the authority's own text decides.",
    "A chart that states no restriction does not say that there is none.",
    "Zones of features whose dates could not be read count as in force.",
)
"""Stand, with the general cautions, on every file, page and sheet about zones."""


@dataclass(frozen=True, slots=True)
class ZoneSettings:
    """The ``[zones]`` table. Dates are text, ``YYYY-MM-DD``.

    Attributes
    ----------
    study_date : str or None
        A zone with a season or with validity dates is active on this day or not.
    laying_season : (first day, last day) or ()
        The same for a period: active if it is active on any day of it. With
        neither, every zone counts as active.
    working_corridor_m : float
        Full width of the working corridor about the line, ground metres.
    legal_basis, authority : str
        For zones whose layer and attributes state none.
    publish_columns : tuple of str
        Attribute columns to publish although they look like personal data.
    sheet_scale : float or None
        Denominator of the printed map's scale; None chooses the largest round one that fits.
    sheet_vertices : int
        Coordinate rows printed at most; the rest stands in zones.csv.
    display_tolerance_m : float
        The page draws outlines simplified by at most this much; data files never.
    """

    title: str = setting("Exclusion zones")
    study_date: str | None = setting(None, remedy='write it in quotes: "2027-05-14"')
    laying_season: tuple[str, ...] = setting((), remedy='write ["2027-04-15", "2027-09-30"]')
    working_corridor_m: float = setting(200.0, above=0.0)
    legal_basis: str = setting("")
    authority: str = setting("")
    publish_columns: tuple[str, ...] = setting((), remedy="give a list of column names")
    applicant: str = setting("")
    drawing_number: str = setting("")
    sheet_date: str = setting("", remedy='write it in quotes: "2027-05-14"')
    drawn_by: str = setting("")
    checked_by: str = setting("")
    approved_by: str = setting("")
    sheet_scale: float | None = setting(None, above=0.0)
    sheet_vertices: int = setting(2000, least=0)
    display_tolerance_m: float = setting(5.0, least=0.0)

    def __post_init__(self) -> None:
        validate(self)
        faults = []
        if self.study_date is not None and self.laying_season:
            faults.append("study_date and laying_season exclude each other; give one of them")
        if self.laying_season and len(self.laying_season) != 2:
            faults.append(f"laying_season must be two dates (got {list(self.laying_season)})")
        for key, text in self._dates():
            try:
                date.fromisoformat(str(text))
            except ValueError:
                faults.append(f'{key} must be a date, for example "2027-05-14" (got {text!r})')
        faults += [
            f"publish_columns must be a list of names (got {column!r})"
            for column in self.publish_columns
            if not isinstance(column, str)
        ]
        if not faults and self.laying_season and self.period[0] > self.period[1]:  # type: ignore[index]
            faults.append(f"laying_season must begin before it ends (got {list(self.laying_season)})")
        if faults:
            raise SettingError(faults)

    def _dates(self) -> list[tuple[str, Any]]:
        given = [("laying_season", text) for text in self.laying_season]
        if self.study_date is not None:
            given.append(("study_date", self.study_date))
        if self.sheet_date:
            given.append(("sheet_date", self.sheet_date))
        return given

    @property
    def period(self) -> tuple[date, date] | None:
        """First and last day for which zones are judged active, or None: always."""
        if self.study_date is not None:
            return (date.fromisoformat(self.study_date),) * 2
        if self.laying_season:
            first, last = self.laying_season
            return date.fromisoformat(first), date.fromisoformat(last)
        return None


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """One feature of an avoid or discourage layer, as published.

    Attributes
    ----------
    number : int
        Running number on this issue's maps and lists, from 1.
    id : str
        Layer and feature; stays the same when other features come and go.
    kind : str
        Class for lists and filters (chart class in words, else the layer's name).
    source : shapely geometry
        The feature, project CRS.
    outline : shapely geometry
        The zone, project CRS: contains every point within `buffer_m` ground
        metres of `source` and little more. A line or point that has no buffer
        stays one.
    buffer_m, standoff_m, uncertainty_m, lay_tolerance_m : float, ground metres
        The first is the sum of the others.
    area_m2, perimeter_m : float
        Of `outline` on the ellipsoid of the project CRS.
    valid_from, valid_to, season : str
        As understood, days as YYYY-MM-DD, the season in words; empty where there is none.
    season_start, season_end : str
        MM-DD, both days included; empty without a season.
    active : bool
    activity : str
        Why it is active or not.
    source_id, source_date : str
        The feature's id and date in its source, empty where not stated.
    attributes : mapping
        What may be published of the feature's attributes; hostile text until escaped.
    """

    number: int
    id: str
    layer: str
    feature: str
    kind: str
    rule: str
    source: Any
    outline: Any
    buffer_m: float
    standoff_m: float
    uncertainty_m: float
    lay_tolerance_m: float
    area_m2: float
    perimeter_m: float
    legal_basis: str
    authority: str
    valid_from: str
    valid_to: str
    season: str
    season_start: str
    season_end: str
    active: bool
    activity: str
    file: str
    table: str
    source_id: str
    source_date: str
    needs_consent: bool
    attributes: Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """A feature that is no zone but belongs on the map: an asset to cross, a jurisdiction."""

    layer: str
    feature: str
    rule: str
    geometry: Any
    owner: str
    attributes: Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class ZoneStudy:
    """Everything `corridor zones` publishes; the publishers only write it down.

    Attributes
    ----------
    alignment : Alignment or None
    corridor : shapely geometry or None
        The working corridor about the line, project CRS.
    tables : mapping of name -> Table
        Permit tables of the line: stretches, jurisdiction, overlap, approach, parties, conditions.
    left_out : tuple of (layer, column, reason)
        Attribute columns not published.
    notes : tuple of str
        What was found that a reader should know: repairs, doubtful dates, repeated ids.
    """

    crs: str
    settings: ZoneSettings
    zones: tuple[Zone, ...]
    references: tuple[Reference, ...]
    alignment: Alignment | None = None
    corridor: Any = None
    tables: Mapping[str, Table] = field(default_factory=dict)
    left_out: tuple[tuple[str, str, str], ...] = ()
    notes: tuple[str, ...] = ()


def zone_distance_m(layer: Layer, rules: RouteRules) -> NDArray[np.float64]:
    """How far the zone of each feature reaches beyond it: one truth for search and maps.

    Parameters
    ----------
    layer : Layer
    rules : RouteRules
        `lay_tolerance_m` is taken from it.

    Returns
    -------
    array (n,), ground metres, >= 0
        avoid: standoff + position uncertainty + lay tolerance. cross: the same
        where a standoff is given, else 0. discourage: standoff + position
        uncertainty (a price, no limit: the lay tolerance stays out).
        stay_within: the distance to keep inside the edge, as for cross. jurisdiction: 0.
    """
    position = np.asarray(layer.standoff_m, float) + np.asarray(layer.position_uncertainty_m, float)
    if layer.rule == "avoid":
        return position + rules.lay_tolerance_m
    if layer.rule in ("cross", "stay_within"):
        return np.where(np.asarray(layer.standoff_m) > 0.0, position + rules.lay_tolerance_m, 0.0)
    if layer.rule == "discourage":
        return position
    return np.zeros(len(layer))
