"""When a zone is in force: validity dates, yearly seasons, and the study's own period.

S-57 writes dates as CCYYMMDD, CCYYMM or CCYY, and yearly ones with dashes for
the year, ``--MMDD`` or ``--MM`` (IHO S-57 appendix A, attributes DATSTA,
DATEND, PERSTA, PEREND; forms from memory). Other attributes use ISO 8601.
A date that can be read in two ways is not guessed: the zone counts as in force
and the list says so.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from corridor.errors import SettingError
from corridor.model.layers import Layer
from corridor.model.permit import ZoneSettings

MonthDay = tuple[int, int]

FROM_KEYS = ("valid_from", "DATSTA", "start_date", "date_start")
TO_KEYS = ("valid_to", "DATEND", "end_date", "date_end")
_FULL = re.compile(r"(\d{4})-?(\d{2})-?(\d{2})(?:[T ].*)?")
_MONTH = re.compile(r"(\d{4})-?(\d{2})-{0,2}")
_YEAR = re.compile(r"(\d{4})-{0,4}")
_YEARLY = re.compile(r"-{2,4}(\d{2})-?(\d{2})")
_YEARLY_MONTH = re.compile(r"-{2,4}(\d{2})-{0,2}")
_MONTH_DAY = re.compile(r"(\d{2})-(\d{2})")
_DOTTED = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})")


@dataclass(frozen=True, slots=True)
class Validity:
    """When a feature is in force.

    Attributes
    ----------
    first, last : date or None
        Fixed limits, both included.
    season : ((month, day), (month, day)) or None
        Every year, both days included; the end may come before the start: over New Year.
    doubts : tuple of str
        Dates that could not be read.
    """

    first: date | None = None
    last: date | None = None
    season: tuple[MonthDay, MonthDay] | None = None
    doubts: tuple[str, ...] = ()

    @property
    def season_days(self) -> tuple[str, str]:
        """First and last day as MM-DD; ("", "") without a season."""
        if self.season is None:
            return "", ""
        (month, day), (end_month, end_day) = self.season
        return f"{month:02d}-{day:02d}", f"{end_month:02d}-{end_day:02d}"

    @property
    def season_text(self) -> str:
        """``1 Apr to 31 Aug``; empty without a season."""
        if self.season is None:
            return ""
        start, end = (f"{day} {calendar.month_abbr[month]}" for month, day in self.season)
        return f"{start} to {end}"


def parse_day(text: Any, end: bool = False) -> date | MonthDay:
    """A date, or the month and day of a yearly one.

    Parameters
    ----------
    text : str, date or number
    end : bool
        An incomplete date means its last day instead of its first.

    Raises
    ------
    ValueError
        When it is no date, or can be read in two ways.
    """
    if isinstance(text, datetime):
        return text.date()
    if isinstance(text, date):
        return text
    if isinstance(text, float) and text.is_integer():
        text = int(text)
    word = str(text).strip()
    if match := _FULL.fullmatch(word):
        return date(int(match[1]), int(match[2]), int(match[3]))
    if match := _YEARLY.fullmatch(word) or _MONTH_DAY.fullmatch(word):
        return _month_day(int(match[1]), int(match[2]))
    if match := _YEARLY_MONTH.fullmatch(word):
        month = int(match[1])
        return _month_day(month, _last_day(2023, month) if end else 1)
    if match := _MONTH.fullmatch(word):
        year, month = int(match[1]), int(match[2])
        return date(year, month, _last_day(year, month) if end else 1)
    if match := _YEAR.fullmatch(word):
        return date(int(match[1]), 12, 31) if end else date(int(match[1]), 1, 1)
    if match := _DOTTED.fullmatch(word):
        return _day_first(int(match[1]), int(match[3]), int(match[4]), word)
    raise ValueError(f"{word!r} is not a date; write YYYY-MM-DD, or MM-DD for every year")


def _day_first(a: int, b: int, year: int, word: str) -> date:
    if a <= 12 and b <= 12 and a != b:
        raise ValueError(f"{word!r} can be read as day and month in two ways; write YYYY-MM-DD")
    return date(year, a, b) if b > 12 else date(year, b, a)


def _month_day(month: int, day: int) -> MonthDay:
    date(2024, month, day)  # raises ValueError for the 31st of a short month; 29 February passes
    return month, day


def _last_day(year: int, month: int) -> int:
    if not 1 <= month <= 12:
        raise ValueError(f"month must be 1 to 12 (got {month})")
    return calendar.monthrange(year, month)[1]


def parse_season(value: Any) -> tuple[MonthDay, MonthDay]:
    """A yearly season: ``"04-01/08-31"``, or a list of two yearly dates.

    Raises
    ------
    ValueError
    """
    ends = value.split("/") if isinstance(value, str) else value
    if not isinstance(ends, (list, tuple)) or len(ends) != 2:
        raise ValueError(f"{value!r} is not a season; write MM-DD/MM-DD, for example 04-01/08-31")
    start, end = parse_day(ends[0]), parse_day(ends[1], end=True)
    if isinstance(start, date) or isinstance(end, date):
        raise ValueError(f"{value!r} has a year; a season comes back every year: write MM-DD/MM-DD")
    return start, end


def validity(attributes: Mapping[str, Any], settings: Mapping[str, Any], layer: str = "") -> Validity:
    """When a feature is in force, from its attributes and its layer's keys.

    Parameters
    ----------
    attributes : mapping
        ``PERSTA``/``PEREND`` give a season, ``DATSTA``/``DATEND`` or
        ``valid_from``/``valid_to`` fixed limits; ``season`` any season text.
    settings : mapping
        Keys of the ``[[layer]]`` table: `season` (a season, or the name of an
        attribute), `valid_from`, `valid_to` (dates, or names of attributes).
        They count where the feature has none of its own.

    Raises
    ------
    SettingError
        A wrong date in the layer's own keys; in attributes it becomes a doubt.
    """
    own = {key: value for key, value in attributes.items() if _given(value)}
    found, doubts = _from_attributes(own)
    season, first, last = found.season, found.first, found.last
    for key in ("season", "valid_from", "valid_to"):
        value = settings.get(key)
        if value is None or (isinstance(value, str) and value in attributes):
            if value is not None and value in own:
                reading, more = _read(key, own[value])
                doubts += more
                season, first, last = _filled(season, first, last, reading)
            continue
        reading, more = _read(key, value)
        if more:
            raise SettingError(f"{key}: {more[0]}: [[layer]] {layer!r}; or name an attribute that holds it")
        season, first, last = _filled(season, first, last, reading)
    return Validity(first, last, season, tuple(doubts))


def _filled(season: Any, first: Any, last: Any, reading: Validity) -> tuple[Any, Any, Any]:
    return season or reading.season, first or reading.first, last or reading.last


def _given(value: Any) -> bool:
    """False for None, NaN, NaT and empty text."""
    return value is not None and value == value and str(value).strip() not in ("", "NaT", "None")


def _read(key: str, value: Any) -> tuple[Validity, list[str]]:
    try:
        if key == "season":
            return Validity(season=parse_season(value)), []
        day = parse_day(value, end=key == "valid_to")
    except ValueError as error:
        return Validity(), [str(error)]
    if not isinstance(day, date):
        return Validity(), [f"{value!r} has no year; write YYYY-MM-DD, or use season"]
    return (Validity(first=day) if key == "valid_from" else Validity(last=day)), []


def _from_attributes(own: Mapping[str, Any]) -> tuple[Validity, list[str]]:
    doubts: list[str] = []
    result = Validity()
    if "PERSTA" in own and "PEREND" in own:
        result, doubts = _periodic(own["PERSTA"], own["PEREND"])
    elif "PERSTA" in own or "PEREND" in own:
        doubts.append("PERSTA and PEREND must come together: one of them is missing")
    elif "season" in own:
        result, doubts = _read("season", own["season"])
    for key, names in (("valid_from", FROM_KEYS), ("valid_to", TO_KEYS)):
        name = next((name for name in names if name in own), None)
        if name is not None:
            reading, more = _read(key, own[name])
            doubts += [f"{name}: {text}" for text in more]
            if key == "valid_from" and result.first is None:
                result = replace(result, first=reading.first)
            if key == "valid_to" and result.last is None:
                result = replace(result, last=reading.last)
    return result, doubts


def _periodic(start: Any, end: Any) -> tuple[Validity, list[str]]:
    """PERSTA and PEREND: yearly when both are, a fixed period when both have a year."""
    try:
        first, last = parse_day(start), parse_day(end, end=True)
    except ValueError as error:
        return Validity(), [f"PERSTA/PEREND: {error}"]
    if isinstance(first, date) and isinstance(last, date):
        return Validity(first=first, last=last), []
    if isinstance(first, date) or isinstance(last, date):
        return Validity(), [
            f"PERSTA {start!r} and PEREND {end!r} do not match: one has a year, the other none"
        ]
    return Validity(season=(first, last)), []


def activity(valid: Validity, period: tuple[date, date] | None) -> tuple[bool, str]:
    """Whether a zone is in force during `period`, and why.

    Returns
    -------
    active : bool
    reason : str
    """
    if valid.doubts:
        return True, "counted as in force: " + "; ".join(valid.doubts)
    if period is None:
        seasonal = valid.season or valid.first or valid.last
        return True, "no study date set: counted as in force" if seasonal else "all year"
    first, last = period
    if valid.first is not None and last < valid.first:
        return False, f"not before {valid.first.isoformat()}"
    if valid.last is not None and first > valid.last:
        return False, f"ended {valid.last.isoformat()}"
    if valid.season is None:
        return True, "all year" if valid.first is None and valid.last is None else "within its dates"
    inside = any(
        max(start, first, valid.first or start) <= min(end, last, valid.last or end)
        for start, end in _seasons(valid.season, first.year - 1, last.year)
    )
    return inside, ("in season" if inside else "out of season") + f" ({valid.season_text})"


def _seasons(season: tuple[MonthDay, MonthDay], first_year: int, last_year: int) -> list[tuple[date, date]]:
    (month, day), (end_month, end_day) = season
    over = 1 if (end_month, end_day) < (month, day) else 0
    return [
        (_in_year(year, month, day), _in_year(year + over, end_month, end_day))
        for year in range(first_year, last_year + 1)
    ]


def _in_year(year: int, month: int, day: int) -> date:
    return date(year, month, min(day, calendar.monthrange(year, month)[1]))


def active_features(layer: Layer, settings: ZoneSettings) -> NDArray[np.bool_]:
    """Which features of `layer` are in force in the study's period, (n,) bool."""
    period = settings.period
    return np.array(
        [activity(validity(a, layer.settings, layer.name), period)[0] for a in layer.attributes], dtype=bool
    )


def active_layers(
    layers: tuple[Layer, ...], settings: ZoneSettings
) -> tuple[tuple[Layer, ...], tuple[str, ...]]:
    """The layers the search obeys: features out of force left out, and a note for each layer touched."""
    kept, notes = [], []
    for layer in layers:
        active = active_features(layer, settings)
        if active.all():
            kept.append(layer)
            continue
        kept.append(layer.chosen(np.flatnonzero(active)))
        names = ", ".join(layer.features[i][:60] for i in np.flatnonzero(~active)[:5])
        notes.append(
            f"layer {layer.name!r}: {int((~active).sum())} not in force in the study's period ({names})"
        )
    return tuple(kept), tuple(notes)
