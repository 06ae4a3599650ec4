"""Settings of what leaves the office: the ``[sheets]``, ``[quantities]`` and ``[rates]`` tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from corridor.errors import SettingError
from corridor.model.fields import setting, validate

STRIP_MM = 300.0
"""Length of the plan strip on an A3 sheet: a sheet's KP length must fit in it at its scale."""

ORIENTATIONS = ("line", "north")


@dataclass(frozen=True, slots=True)
class SheetSettings:
    """The ``[sheets]`` table: alignment sheets, A3.

    Attributes
    ----------
    scale : float or None
        Denominator of the scale along the line. None: the largest round scale
        at which `kp_per_sheet_km` fits.
    kp_per_sheet_km : float or None
        KP length of a sheet. None: as much as fits at `scale`, or, with neither,
        3 km at 1:10 000 and more on lines that would need too many sheets.
    orientation : {"line", "north"}
        Which way is up: the line runs from left to right, or grid north is up.
    sheets_per_file : int
        A longer set is split into several files of this many sheets.
    picture_dpi : int
        Resolution of the seabed picture; 0 leaves it out (contours stay).
    contour_interval_m : float or None
        None: a round interval, at most some ten contours on a sheet.
    revisions : tuple of tables {revision, date, text}
        The revision block, oldest first; the project's own revision stands last.
    """

    scale: float | None = setting(None, above=0.0)
    kp_per_sheet_km: float | None = setting(None, above=0.0)
    orientation: str = setting("line", choices=ORIENTATIONS)
    sheets_per_file: int = setting(40, least=1, most=200)
    picture_dpi: int = setting(120, least=0, most=300)
    contour_interval_m: float | None = setting(None, above=0.0)
    title: str = setting("Alignment sheets")
    client: str = setting("")
    drawing_number: str = setting("")
    sheet_date: str = setting("", remedy='write it in quotes: "2027-05-14"')
    drawn_by: str = setting("")
    checked_by: str = setting("")
    approved_by: str = setting("")
    revisions: tuple[Mapping[str, Any], ...] = setting(())

    def __post_init__(self) -> None:
        validate(self)
        faults = []
        if self.scale is not None and self.kp_per_sheet_km is not None:
            needed = self.kp_per_sheet_km * 1e6 / STRIP_MM
            if self.scale < needed * (1.0 - 1e-9):
                faults.append(
                    f"scale must be >= {needed:g} for kp_per_sheet_km = {self.kp_per_sheet_km:g} "
                    f"(got {self.scale:g}): the strip is {STRIP_MM:g} mm long; give one of the two"
                )
        if self.sheet_date and not _is_date(self.sheet_date):
            faults.append(f'sheet_date must be a date, for example "2027-05-14" (got {self.sheet_date!r})')
        for number, row in enumerate(self.revisions, 1):
            faults += _revision_faults(number, row)
        if faults:
            raise SettingError(faults)


def _revision_faults(number: int, row: Any) -> list[str]:
    keys = ("revision", "date", "text")
    if not isinstance(row, Mapping) or not set(row) <= set(keys):
        return [f"revisions {number} must be a table with {', '.join(keys)} (got {row!r})"]
    return [
        f"revisions {number}: {key} must be text (got {value!r})"
        for key, value in row.items()
        if not isinstance(value, str)
    ]


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class QuantitySettings:
    """The ``[quantities]`` table.

    Attributes
    ----------
    currency : str
        Of the amounts that the ``[rates]`` table gives, as it shall stand in the files.
    lay_rate_km_day : float or None
        Progress of the lay vessel; without it no lay days.
    interval_km : float or None
        Cuts the quantities of the whole line (length, joints, weights, lay days)
        into rows of this KP length. None: one row each.
    """

    currency: str = setting("", remedy='write, for example, "EUR"')
    lay_rate_km_day: float | None = setting(None, above=0.0)
    interval_km: float | None = setting(None, least=0.05)

    def __post_init__(self) -> None:
        validate(self)


RATES: Mapping[str, str] = {
    "pipe_per_m": "per metre of pipe along the seabed",
    "joint": "per joint",
    "double_joint": "per double joint",
    "steel_per_t": "per tonne of steel pipe",
    "coating_per_t": "per tonne of coating",
    "lay_per_day": "per lay day",
    "bend": "per bend",
    "crossing": "per crossing; crossing_<layer> for one layer, with _ for anything but letters and digits",
    "support": "per support",
    "rock_per_m3": "per cubic metre of rock",
    "trench_per_m3": "per cubic metre of trench",
    "equivalent_m": "per equivalent metre of the route's cost, listed apart from the rest",
}
"""Keys of the ``[rates]`` table that quantities go by, and what they stand for."""
