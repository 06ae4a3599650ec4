"""ENC cells as files: whole, of one edition, with their updates in order.

The record structure is ISO/IEC 8211's: every record begins with its own length
in five digits (from memory). GDAL reads what is there; that nothing is missing
is checked here.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from corridor.io import _environment  # noqa: F401  (before pyogrio loads GDAL)

# isort: split
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from corridor.errors import LayerError
from corridor.permit.chart_sorting import chart_value


def group_cells(paths: Iterable[Path]) -> list[tuple[Path, list[Path]]]:
    """Base cells with their updates: those named and those beside them."""
    groups: dict[str, list[Path]] = {}
    faults = []
    for path in paths:
        if not (path.suffix[1:].isdecimal() and len(path.suffix) == 4):
            faults.append(f"{path.name} is not an ENC cell: its name must end in .000 (updates in .001, ...)")
            continue
        beside = [
            p for p in path.parent.glob(path.stem + ".*") if p.suffix[1:].isdecimal() and len(p.suffix) == 4
        ]
        groups.setdefault(path.stem, []).extend([path, *beside])
    cells = []
    for stem, members in groups.items():
        unique = sorted(set(members), key=lambda path: (path.suffix, path.as_posix()))
        bases = [path for path in unique if path.suffix == ".000"]
        if len(bases) != 1:
            faults.append(
                f"cell {stem}: exactly one file {stem}.000 is needed (got {len(bases)}); name the base cell"
            )
        else:
            cells.append((bases[0], [path for path in unique if path.suffix != ".000"]))
    if faults:
        raise LayerError(faults)
    return cells


def check_records(path: Path) -> None:
    """Walk the records of an ISO 8211 file: each states its length in its first five digits."""
    content = path.read_bytes()
    at, heads, features, vectors = 0, 0, 0, 0
    while at < len(content):
        digits = content[at : at + 5]
        if not digits.isdigit() or len(digits) < 5:
            raise LayerError(
                f"{path.name} is damaged at byte {at}: no record begins there; get the file again"
            )
        length = int(digits)
        if length == 0:
            return  # a record over 99,999 bytes does not state its length: left to the reader
        if at + length > len(content) or length < 24:
            raise LayerError(
                f"{path.name} is truncated: the record at byte {at} needs {length} bytes, "
                f"{len(content) - at} are there; get the file again"
            )
        entries = content[at + 24 : at + min(length, 200)]
        heads += at > 0
        features += at > 0 and b"FRID" in entries
        vectors += at > 0 and b"VRID" in entries
        at += length
    if heads == 0:
        raise LayerError(f"{path.name} holds no records; get the file again")
    if path.suffix == ".000":
        _check_counts(path, features, vectors)


def _check_counts(path: Path, features: int, vectors: int) -> None:
    """The cell says how many records it has: a file cut between two records shows here."""
    head = head_of(path)
    stated_features = sum(head[f"DSSI_{key}"] or 0 for key in ("NOMR", "NOCR", "NOGR", "NOLR"))
    stated_vectors = sum(head[f"DSSI_{key}"] or 0 for key in ("NOIN", "NOCN", "NOED", "NOFA"))
    for word, stated, found in (("feature", stated_features, features), ("vector", stated_vectors, vectors)):
        if found < stated:
            raise LayerError(
                f"{path.name} is truncated: it states {stated} {word} records, {found} are there; "
                "get the file again"
            )


def head_of(path: Path, updates: bool = False) -> dict[str, Any]:
    """Data set identification, structure and parameters of one file."""
    try:
        meta, _, _, columns = pyogrio.raw.read(
            path, layer="DSID", read_geometry=False, UPDATES="APPLY" if updates else "IGNORE"
        )
    except (DataSourceError, DataLayerError) as error:
        raise LayerError(f"{path.name} is no readable ENC cell ({error}); get the file again") from error
    return {
        name: chart_value(values[0])
        for name, values in zip(meta["fields"], columns, strict=True)
        if len(values)
    }


def update_chain(base: Path, head: dict[str, Any], updates: list[Path], notes: list[str]) -> list[Path]:
    """Updates to apply, in order without a gap, for this edition."""
    edition, done = str(head["DSID_EDTN"]), int(head["DSID_UPDN"] or 0)
    chain: list[Path] = []
    for path in updates:
        number = int(path.suffix[1:])
        own = head_of(path)
        if number <= done:
            notes.append(f"{path.name}: already part of {base.name} (update {done}), not applied")
            continue
        wanted = done + len(chain) + 1
        if number != wanted:
            raise LayerError(
                f"{path.name}: update {number} is out of order, {base.stem}.{wanted:03d} is missing; "
                "get it too: updates build on each other"
            )
        if str(own["DSID_EDTN"]) == "0":
            raise LayerError(
                f"{path.name}: this update cancels the cell {base.stem}; use the cell that replaces it"
            )
        if str(own["DSID_EDTN"]) != edition or int(own["DSID_UPDN"] or 0) != number:
            raise LayerError(
                f"{path.name} says it is update {own['DSID_UPDN']} of edition {own['DSID_EDTN']}, needed is "
                f"update {number} of edition {edition} ({base.name}); get the updates of this edition"
            )
        chain.append(path)
    return chain
