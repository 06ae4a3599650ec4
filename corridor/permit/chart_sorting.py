"""Chart features on their way into layers: sorted, widened, counted; nothing lost on the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from corridor.model.project import SourceFile
from corridor.permit.chart_rules import (
    ChartTable,
    Widening,
    codes_of,
    codes_without_rule,
    counted,
    matching_rule,
    widening,
)

PLUMBING = (
    *("RCID", "PRIM", "GRUP", "OBJL", "RVER", "AGEN", "FIDN", "FIDS", "LNAM_REFS", "FFPT_RIND"),
    *("NAME_RCNM", "NAME_RCID", "ORNT", "USAG", "MASK"),
)
"""Record numbers and pointers inside the cell: not attributes of anything at sea."""


@dataclass(slots=True)
class ChartRows:
    """Features that go to one table: columns as they come, one dict each."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    shapes: list[Any] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class ChartIntake:
    """Charts sorted into layers.

    Attributes
    ----------
    layers : mapping of layer name -> ChartRows, longitude and latitude, WGS 84
    unassigned : mapping of class -> ChartRows
        Classes without a rule.
    unplaced : ChartRows
        Features without geometry.
    table : ChartTable
    counts : mapping of class -> number of features read
    notes : tuple of str
        Everything a reader should know, one sentence each.
    inputs : tuple of SourceFile
    """

    layers: dict[str, ChartRows]
    unassigned: dict[str, ChartRows]
    unplaced: ChartRows
    table: ChartTable
    counts: dict[str, int]
    notes: tuple[str, ...]
    inputs: tuple[SourceFile, ...]


@dataclass(frozen=True, slots=True)
class CodeWords:
    """What classes and codes are called, from the tables that GDAL ships."""

    classes: dict[str, str]
    codes: dict[tuple[str, int], str]

    def decoded(self, attribute: str, value: Any) -> str:
        """Codes in words, separated by semicolons; unknown codes as they are."""
        return "; ".join(self.codes.get((attribute, code), f"code {code}") for code in codes_of(value))


class Sorting:
    """Features on their way into tables; counts and notes on the way.

    Parameters
    ----------
    table : ChartTable
    words : CodeWords
    area_deg : (west, south, east, north), degrees, or None
        Features that do not touch it are counted, not kept.
    """

    def __init__(
        self, table: ChartTable, words: CodeWords, area_deg: tuple[float, float, float, float] | None = None
    ):
        self.table = table
        self.words = words
        self.area = None if area_deg is None else shapely.box(*area_deg)
        self.layers: dict[str, ChartRows] = {}
        self.unassigned: dict[str, ChartRows] = {}
        self.unplaced = ChartRows()
        self.counts: Counter[str] = Counter()
        self.notes: list[str] = []
        self.unknown_codes: Counter[tuple[str, str, int]] = Counter()
        self.tally: Counter[str] = Counter()
        self.shared_ids: Counter[str] = Counter()
        self.seen: dict[str, set[bytes]] = {}

    def add(
        self,
        name: str,
        attributes: dict[str, Any],
        shape: Any,
        origin: dict[str, Any],
        quapos: Sequence[int],
        posacc: Sequence[float],
        catzoc: Sequence[int],
    ) -> None:
        """Put one feature where it belongs."""
        self.counts[name] += 1
        row = {key: chart_value(value) for key, value in attributes.items() if key not in PLUMBING}
        row = {"name": row.get("OBJNAM") or row.get("NOBJNM") or f"{name} {row.get('LNAM')}", "class": name,
               "class_name": self.words.classes.get(name, name), **row, **origin}  # fmt: skip
        if shape is None or shape.is_empty:
            self.unplaced.rows.append(row)
            self.unplaced.shapes.append(None)
            return
        if self.area is not None and not self.area.intersects(shape):
            self.tally["outside the project's area, not written"] += 1
            return
        if self._repeated(str(row.get("LNAM")), shape):
            self.tally["the same object in another cell too, written once"] += 1
            return
        rule = matching_rule(self.table, name, row)
        if rule is None:
            _append(self.unassigned.setdefault(name, ChartRows()), row, shape)
            return
        for attribute, code in codes_without_rule(self.table, name, row):
            self.unknown_codes[name, attribute, code] += 1
        law = self.table.layers[rule.layer]["rule"] == "jurisdiction"
        wider = Widening(0.0, 0.0, ()) if law else widening(self.table, row, quapos, posacc, catzoc)
        base = (
            rule.standoff_m
            if rule.standoff_m is not None
            else self.table.layers[rule.layer].get("standoff_m", 0.0)
        )
        row["standoff_m"] = float(base) + wider.standoff_m
        row["position_uncertainty_m"] = wider.position_m
        row["widened_by"] = "; ".join(wider.reasons)
        self.tally["widened for a doubtful position or depth"] += bool(wider.reasons)
        row["restriction"] = (
            self.words.decoded("RESTRN", row.get("RESTRN")) or "none stated (which does not mean free)"
        )
        row["remarks"] = rule.note
        if not rule.seasonal and (row.get("PERSTA") or row.get("PEREND")):
            row["remarks"] = (
                f"{rule.note} season {row.pop('PERSTA', None)} to {row.pop('PEREND', None)} not used".strip()
            )
        _append(self.layers.setdefault(rule.layer, ChartRows()), row, shape)

    def _repeated(self, lnam: str, shape: Any) -> bool:
        """True for an object met before with the same id and the same shape; note ids with other shapes."""
        shapes = self.seen.setdefault(lnam, set())
        key = shapely.to_wkb(shape)
        if key in shapes:
            return True
        if shapes:
            self.shared_ids[lnam] += 1
        shapes.add(key)
        return False

    def finished(self, inputs: tuple[SourceFile, ...]) -> ChartIntake:
        """Everything read, with the notes."""
        notes = list(self.notes)
        notes += [f"{counted(count)}: {text}" for text, count in self.tally.items() if count]
        if self.shared_ids:
            listed = ", ".join(list(self.shared_ids)[:5])
            notes.append(
                f"ids that stand for several shapes (all written): {len(self.shared_ids)} ({listed})"
            )
        for (name, attribute, code), count in sorted(self.unknown_codes.items()):
            notes.append(
                f"{name}: {attribute} {code} has no rule of its own ({counted(count)}); "
                "the class's general rule was used"
            )
        for name, rows in sorted(self.unassigned.items()):
            notes.append(
                f"class {name} is not in the table of rules ({counted(len(rows.rows))}); written to a table "
                "of its own, without a rule: decide and add it to the table"
            )
        if self.unplaced.rows:
            kinds = Counter(str(row["class"]) for row in self.unplaced.rows)
            listed = ", ".join(f"{count} {name}" for name, count in sorted(kinds.items()))
            notes.append(f"features without geometry: {listed}; listed in table features_without_place")
        unused = {name: count for name, count in sorted(self.counts.items()) if name in self.table.not_used}
        if unused:
            listed = ", ".join(f"{name} {count}" for name, count in unused.items())
            notes.append(f"read, without bearing on a line on the seabed: {listed}")
        return ChartIntake(
            self.layers, self.unassigned, self.unplaced, self.table, dict(self.counts), tuple(notes), inputs
        )


def _append(rows: ChartRows, row: dict[str, Any], shape: Any) -> None:
    rows.rows.append(row)
    rows.shapes.append(shape)


def chart_value(value: Any) -> Any:
    """A value as Python has it; None for NaN and empty text."""
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value != value:
        return None
    return value if not isinstance(value, str) or value.strip() else None
