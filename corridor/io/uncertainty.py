"""The ways a project file may state how well a depth is known."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from corridor.model.seabed import S44_TVU, Uncertainty

NORMAL_95 = 1.96
"""95 % of a normal error in one dimension lie within this many standard deviations."""


@dataclass(frozen=True, slots=True)
class UncertaintyBand:
    """Uncertainty from a band of the raster.

    Parameters
    ----------
    band : int
        Band number, from 1.
    factor : float or None
        Turns the band into 95 % values; None: 1.96 where the file says that it
        holds standard deviations, else 1.
    """

    band: int = 2
    factor: float | None = None


Choice = Uncertainty | UncertaintyBand


def parse_uncertainty(value: Any, where: str) -> tuple[Choice | None, list[str]]:
    """Turn the `uncertainty` of a ``[[seabed]]`` table into what it means.

    Parameters
    ----------
    value : None, table or text
        ``{a_m = 0.25, b = 0.0075}``, ``{band = 2, factor = 1.96}``, ``"band"``
        (band 2), or an order of IHO S-44: ``"exclusive"``, ``"special"``,
        ``"1a"``, ``"1b"``, ``"2"``, with or without the word "order".
    where : str

    Returns
    -------
    choice : Uncertainty, UncertaintyBand or None
    faults : list of str
    """
    if value is None or isinstance(value, (Uncertainty, UncertaintyBand)):
        return value, []
    if isinstance(value, str):
        return _from_text(value, where)
    if isinstance(value, Mapping):
        return _from_table(value, where)
    return None, [f"uncertainty must be a table or text (got {value!r}): {where}; {_REMEDY}"]


_REMEDY = (
    'write {a_m = 0.25, b = 0.0075}, "band" for a band of the file, '
    'or a survey order of S-44 such as "special"'
)


def _from_text(text: str, where: str) -> tuple[Choice | None, list[str]]:
    if text.strip().casefold() == "band":
        return UncertaintyBand(), []
    word = re.sub(r"\s*\border\b\s*", "", text.strip().casefold())
    if word in S44_TVU:
        return S44_TVU[word], []
    return None, [
        f"uncertainty must be 'band' or one of {', '.join(S44_TVU)} (got {text!r}): {where}; {_REMEDY}"
    ]


def _from_table(table: Mapping[str, Any], where: str) -> tuple[Choice | None, list[str]]:
    keys = set(table)
    if keys == {"a_m", "b"}:
        wrong = [key for key in ("a_m", "b") if not _number(table[key], least=0.0)]
        if not wrong:
            return Uncertainty(float(table["a_m"]), float(table["b"])), []
        return None, [
            f"uncertainty.{key} must be a finite number >= 0 (got {table[key]!r}): {where}; {_REMEDY}"
            for key in wrong
        ]
    if "band" in keys and keys <= {"band", "factor"}:
        band, factor = table["band"], table.get("factor", 1.0)
        if isinstance(band, int) and not isinstance(band, bool) and band >= 1 and _number(factor, above=0.0):
            return UncertaintyBand(band, float(factor)), []
        return None, [
            f"uncertainty must hold a band number >= 1 and a factor > 0 (got {dict(table)!r}): "
            f"{where}; {_REMEDY}"
        ]
    return None, [f"uncertainty has the keys {', '.join(sorted(keys)) or 'none'}: {where}; {_REMEDY}"]


def _number(value: Any, least: float = -math.inf, above: float = -math.inf) -> bool:
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    return plain and math.isfinite(value) and value >= least and value > above
