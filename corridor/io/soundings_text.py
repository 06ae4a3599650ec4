"""Soundings in text: any delimiter, header or not, plain or gzip."""

from __future__ import annotations

import gzip
import io
import re
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pc
from numpy.typing import NDArray

from corridor.errors import SeabedError
from corridor.kernels.survey_stream import squeeze_blanks
from corridor.model.survey import Declaration, RawSoundings

HEAD_BYTES = 1 << 16
BLOCK_BYTES = 1 << 22
_COMMENT = re.compile(r"\s*(#|//|;|\*|!|%)")
_DELIMITERS = (",", ";", "\t", "|")
_VOID = ["", "nan", "NaN", "NAN", "null", "NULL", "na", "NA", "N/A", "-", "*"]
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+$")

_NAMES = {
    "easting": "easting east e x easting_m east_m utm_e lon long longitude longitude_deg",
    "northing": "northing north n y northing_m north_m utm_n lat latitude latitude_deg",
    "z": "z z_m value",
    "depth": "depth depth_m d dep water_depth",
    "elevation": "elevation elevation_m elev height height_m h altitude",
    "uncertainty": "uncertainty uncertainty_m tvu tvu_m u unc sigma sigma_z std",
    "line": "line line_id lineid line_name track swath survey_line",
}
_ROLE_OF = {name: role for role, names in _NAMES.items() for name in names.split()}


@dataclass(frozen=True, slots=True)
class TextLayout:
    """How a text file is laid out.

    Attributes
    ----------
    delimiter : str
        One character; a space stands for any run of spaces and tabs.
    skip : int
        Lines before the first sounding.
    columns : tuple of str
        What each column holds: see ``COLUMN_ROLES``.
    comma : bool
        Decimal commas.
    words : tuple of str
        What the header calls the columns; empty without one.
    ragged : bool
        Blanks that are not single spaces, and must be squeezed before the parser sees them.
    """

    delimiter: str
    skip: int
    columns: tuple[str, ...]
    comma: bool
    words: tuple[str, ...] = ()
    ragged: bool = False

    @property
    def z_role(self) -> str:
        """The role of the column with depths: "z", "depth" or "elevation"."""
        return next(role for role in self.columns if role in ("z", "depth", "elevation"))


def is_gzip(path: Path) -> bool:
    """True for a file that begins like one."""
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"


def look_at(path: Path, declared: Declaration) -> TextLayout:
    """Find out how a file is laid out from its first lines.

    Raises
    ------
    SeabedError
        Empty, binary, no numbers, fewer than three columns, or columns whose
        meaning nobody has stated.
    """
    lines = _head(path).splitlines()
    delimiter, comma, first = _first_row(lines, declared.delimiter, path.name)
    cells = _split(lines[first], delimiter)
    words = () if declared.header is False else _header(lines[:first], delimiter, len(cells))
    columns = declared.columns or _roles(words, len(cells), path.name)
    if len(columns) != len(cells):
        raise SeabedError(
            f"{path.name} has {len(cells)} columns in row {first + 1}, columns names {len(columns)}: "
            f"{', '.join(columns)}; name every column, those of no use as 'skip'"
        )
    for need in ("easting", "northing"):
        if columns.count(need) != 1:
            raise SeabedError(
                f"{path.name}: columns must hold {need} exactly once (got {', '.join(columns)})"
            )
    if sum(role in ("z", "depth", "elevation") for role in columns) != 1:
        raise SeabedError(
            f"{path.name}: columns must hold one of z, depth, elevation (got {', '.join(columns)})"
        )
    ragged = delimiter == " " and any(line != " ".join(line.split()) for line in lines[first:])
    return TextLayout(delimiter, first, tuple(columns), comma, words, ragged)


def read_text(
    path: Path, layout: TextLayout, nodata: float | None, lines: list[str]
) -> Iterator[RawSoundings]:
    """Stream a file in batches of some 4 MB of text.

    Parameters
    ----------
    path, layout : the file, and what :func:`look_at` says of it
    nodata : float or None
        Value of z that stands for none.
    lines : list of str, written
        Names of the survey lines, in the order met.

    Raises
    ------
    SeabedError
        A row with another number of columns, or one that is not a number: with its row.
    """
    lines.clear()
    codes: dict[str, int] = {}
    passed = 0
    try:
        for batch in _batches(path, layout):
            yield _soundings(batch, layout, nodata, codes, lines)
            passed += batch.num_rows
    except _RaggedError:
        # Single spaces so far, not any more: from the beginning with the blanks squeezed, past what is read.
        for batch in _batches(path, replace(layout, ragged=True)):
            fresh = batch.slice(min(passed, batch.num_rows))
            passed -= batch.num_rows - fresh.num_rows
            if fresh.num_rows:
                yield _soundings(fresh, layout, nodata, codes, lines)


class _RaggedError(Exception):
    """A row that does not split at single spaces."""


def _batches(path: Path, layout: TextLayout) -> Iterator[pa.RecordBatch]:
    """The wanted columns, in the order of their roles; NaN where a cell is void."""
    names = [f"column {k + 1}" for k in range(len(layout.columns))]
    wanted = {role: names[k] for k, role in enumerate(layout.columns) if role != "skip"}
    bad: list[Any] = []

    def refuse(row: Any) -> str:
        bad.append(row)
        return "error"

    kinds: dict[str, pa.DataType] = {name: pa.float64() for role, name in wanted.items() if role != "line"}
    if "line" in wanted:
        kinds[wanted["line"]] = pa.dictionary(pa.int32(), pa.string())
    try:
        with _source(path, layout) as source:
            yield from pc.open_csv(
                source,
                pc.ReadOptions(
                    use_threads=False, block_size=BLOCK_BYTES, skip_rows=layout.skip, column_names=names
                ),
                pc.ParseOptions(
                    delimiter=layout.delimiter,
                    quote_char=False if layout.delimiter == " " else '"',
                    invalid_row_handler=refuse,
                ),
                pc.ConvertOptions(
                    column_types=kinds,
                    include_columns=list(wanted.values()),
                    null_values=_VOID,
                    strings_can_be_null=True,
                    decimal_point="," if layout.comma else ".",
                ),
            )
    except pa.ArrowInvalid as error:
        if layout.delimiter == " " and not layout.ragged:
            raise _RaggedError from error
        raise _row_error(path, layout, bad, error) from error
    except (OSError, EOFError, zlib.error) as error:
        raise SeabedError(f"{path.name} cannot be read to its end: {error}; copy it again") from error


def _row_error(path: Path, layout: TextLayout, bad: list[Any], error: Exception) -> SeabedError:
    if bad:
        row = bad[0]
        return SeabedError(
            f"{path.name} has {row.actual_columns} columns in row {row.number}, {row.expected_columns} "
            f"before it: {row.text[:80]!r}; mend the row, or state delimiter and columns"
        )
    found = re.search(r"column #(\d+):(?: Row #(\d+):)?.*invalid value '(.*?)'", str(error), re.DOTALL)
    if found:
        return SeabedError(
            f"{path.name} has {found[3][:40]!r} in row {found[2]}, column {int(found[1]) + 1}, which is not "
            "a number; mend the row"
        )
    return SeabedError(f"{path.name} is not readable as text: {error}")


def _soundings(
    batch: pa.RecordBatch,
    layout: TextLayout,
    nodata: float | None,
    codes: dict[str, int],
    lines: list[str],
) -> RawSoundings:
    roles = [role for role in layout.columns if role != "skip"]
    found = {role: column for role, column in zip(roles, batch.columns, strict=True)}

    def number(role: str) -> NDArray[np.float64]:
        return found[role].to_numpy(zero_copy_only=False)

    z = number(layout.z_role)
    if nodata is not None:
        z = np.where(z == nodata, np.nan, z)
    return RawSoundings(
        number("easting"),
        number("northing"),
        z,
        number("uncertainty") if "uncertainty" in found else None,
        _line_codes(found["line"], codes, lines) if "line" in found else None,
    )


def _line_codes(column: pa.DictionaryArray, codes: dict[str, int], lines: list[str]) -> NDArray[np.int32]:
    """Indices into `lines`, which grows by the names not met before."""
    own = [str(name) for name in column.dictionary.to_pylist()]
    for name in own:
        if name not in codes:
            codes[name] = len(lines)
            lines.append(name)
    if column.null_count:
        if "" not in codes:
            codes[""] = len(lines)
            lines.append("unnamed")
        column = column.fill_null("") if "" in own else column
    table = np.array([codes[name] for name in own] + [codes.get("", 0)], dtype=np.int32)
    index = column.indices.fill_null(len(own)) if column.null_count else column.indices
    return table[index.to_numpy(zero_copy_only=False)]


def _head(path: Path) -> str:
    """The first lines as text, the last one left out where it is cut."""
    try:
        opener = gzip.open if is_gzip(path) else open
        with opener(path, "rb") as file:
            data = file.read(HEAD_BYTES)
    except (OSError, EOFError, zlib.error) as error:
        raise SeabedError(f"{path.name} cannot be read: {error}; copy it again") from error
    if not data.strip():
        raise SeabedError(f"{path.name} is empty; give a file with soundings")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise SeabedError(f"{path.name} is UTF-16 text; save it as plain text or UTF-8")
    strange = sum(byte < 9 or 13 < byte < 32 for byte in data)
    if b"\0" in data or strange > 0.01 * len(data):
        raise SeabedError(
            f"{path.name} is binary, not text; give XYZ or CSV text, LAS/LAZ, or a grid by its format"
        )
    text = data.decode("utf-8-sig", errors="replace")
    if len(data) == HEAD_BYTES and "\n" in text:
        text = text[: text.rindex("\n")]
    return text


def _first_row(lines: Sequence[str], delimiter: str | None, name: str) -> tuple[str, bool, int]:
    """(delimiter, decimal commas, index) of the first line that holds three numbers or more."""
    if delimiter is not None:
        choices = [" " if delimiter in (" ", "blank", "space", "\t ") else delimiter.replace("\\t", "\t")]
        if len(choices[0]) != 1:
            raise SeabedError(f"{name}: delimiter must be one character or 'blank' (got {delimiter!r})")
    else:
        choices = [*_DELIMITERS, " "]
    for index, line in enumerate(lines):
        if not line.strip() or _COMMENT.match(line):
            continue
        for choice in choices:
            cells = _split(line, choice)
            if sum(bool(_NUMBER.match(cell)) for cell in cells) >= 3:
                return choice, False, index
        for choice in choices:
            cells = _split(line, choice)
            commas = sum(bool(_COMMA_NUMBER.match(cell)) for cell in cells)
            plain = sum(bool(_NUMBER.match(cell)) for cell in cells)
            if choice != "," and commas and commas + plain >= 3:
                return choice, True, index
    raise SeabedError(
        f"{name} has no line with three numbers in its first {len(lines)} lines; give easting, northing and "
        "depth (state delimiter and columns where they are unusual)"
    )


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    return [cell.strip().strip('"') for cell in line.rstrip("\r\n").split(delimiter)]


def _header(before: Sequence[str], delimiter: str, count: int) -> tuple[str, ...]:
    """The last line before the soundings, when it names as many columns."""
    for line in reversed(before):
        remark = _COMMENT.match(line)
        bare = line[remark.end() :].strip() if remark else line.strip()
        if bare:
            cells = _split(bare, delimiter)
            known = any(_plain(cell) in _ROLE_OF for cell in cells)
            return tuple(cells) if len(cells) == count and (known or not remark) else ()
    return ()


def _roles(words: tuple[str, ...], count: int, name: str) -> tuple[str, ...]:
    """What the columns hold, by their names; three nameless ones are easting, northing, z."""
    if not words:
        if count == 3:
            return ("easting", "northing", "z")
        raise SeabedError(
            f"{name} has {count} columns and no header: say what they hold with columns, for example "
            "columns = ['easting', 'northing', 'z', 'skip'] in its side file"
        )
    roles = tuple(_ROLE_OF.get(_plain(word), "skip") for word in words)
    doubled = sorted({role for role in roles if role != "skip" and roles.count(role) > 1})
    heights = [role for role in roles if role in ("z", "depth", "elevation")]
    missing = [role for role in ("easting", "northing") if role not in roles] + ([] if heights else ["depth"])
    if missing or doubled or len(heights) > 1:
        problem = f"no {', '.join(missing)}" if missing else f"more than one {', '.join(doubled or heights)}"
        raise SeabedError(
            f"{name}: its header ({', '.join(words)}) has {problem}; say what the columns hold with "
            "columns in its side file"
        )
    return roles


def _plain(word: str) -> str:
    """A column's name without its unit in brackets, lower case, blanks as underscores."""
    return re.sub(r"[\s.]+", "_", re.sub(r"[\[(].*?[\])]", "", word).strip().casefold())


def _source(path: Path, layout: TextLayout) -> Any:
    """What pyarrow reads from: the file itself, or its text with the blanks squeezed."""
    plain = pa.OSFile(str(path))
    unpacked = pa.CompressedInputStream(plain, "gzip") if is_gzip(path) else plain
    return pa.PythonFile(_Squeezed(unpacked), mode="r") if layout.ragged else unpacked


class _Squeezed(io.RawIOBase):
    """A stream of text whose runs of blanks come out as single spaces, none at the ends of lines."""

    def __init__(self, source: Any):
        self._source = source
        self._state = np.array([True, False])

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        while data := self._source.read(size):
            text = np.frombuffer(data, dtype=np.uint8)
            out = np.empty(len(text) + 1, dtype=np.uint8)
            written = squeeze_blanks(text, self._state, out)
            if written:  # a block of nothing but blanks must not look like the end of the file
                return out[:written].tobytes()
        return b""

    def close(self) -> None:
        if not self.closed:
            self._source.close()
        super().close()
