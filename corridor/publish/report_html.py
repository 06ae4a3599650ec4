"""The report's pieces of HTML: text that cannot be markup, tables with figures as the files have them."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from corridor.publish.tables import decimals
from corridor.publish.zones_rows import shown

LONGEST = 400
"""Characters of a text in the report; the data files hold all of it."""

_PAGE_DECIMALS = (
    (re.compile(r"(^|_)kp_(.*_)?km$|^kp_km$"), 3),
    (re.compile(r"(latitude|longitude)_deg$"), 6),
    (re.compile(r"(easting|northing)_m$"), 2),
    (re.compile(r"(bearing|deflection)(_.*)?_deg$"), 3),
    (re.compile(r"_deg$"), 2),
    (re.compile(r"_hz$"), 3),
    (re.compile(r"^probability$"), 2),
    (re.compile(r"_m3$"), 2),
    (re.compile(r"_(kNm|MPa|kN)$"), 1),
    (re.compile(r"(gap|height|separation)(_.*)?_m$"), 2),
    (re.compile(r"_m$"), 1),
)


@dataclass(frozen=True, slots=True)
class Head:
    """A column of a report's table: its key in the rows, heading, and whether it holds figures.

    Text breaks where it must; `keep` columns hold short words of our own that do not.
    """

    key: str
    title: str
    number: bool = True
    wide: bool = False
    keep: bool = False


def text(value: Any, most: int = LONGEST) -> str:
    """Any value as one line of harmless HTML text; empty for None."""
    return "" if value is None else html.escape(shown(value, most), quote=True)


def page_decimals(column: str) -> int:
    """Decimals of a column on pages: never more than its file has."""
    places = next((n for pattern, n in _PAGE_DECIMALS if pattern.search(column)), 3)
    return min(places, decimals(column))


def figure(column: str, value: float | int | None) -> str:
    """A value of the files' precision as it stands on pages; an en dash for None."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    places = page_decimals(column)
    return f"{round(value, places) + 0.0:.{places}f}"


def exact(value: float | None) -> str:
    """A value of the files' precision with all its decimals but trailing zeros; an en dash for None."""
    return "–" if value is None else f"{value + 0.0:.4f}".rstrip("0").rstrip(".")


def money(value: float) -> str:
    """An amount in groups of three, two decimals."""
    return f"{value:,.2f}".replace(",", " ")


def table(
    heads: Sequence[Head],
    rows: Iterable[dict[str, Any]],
    *,
    bad: str | None = None,
    more: str = "",
    last_sum: bool = False,
) -> str:
    """A table; figures are set by :func:`figure`, text is escaped, ready-made cells are :class:`Raw`.

    Parameters
    ----------
    bad : str, optional
        Key of a boolean: rows where it is False stand out.
    more : str
        A line under the table, plain text.
    last_sum : bool
        The last row is a sum.
    """
    held = list(rows)
    head = "".join(f"<th{_class(h)}>{text(h.title)}</th>" for h in heads)
    body = []
    for number, row in enumerate(held, 1):
        marks = ["bad"] if bad and row.get(bad) is False else []
        marks += ["sum"] if last_sum and number == len(held) else []
        cells = "".join(f"<td{_class(h)}>{_cell(h, row.get(h.key))}</td>" for h in heads)
        body.append(f"<tr{_attribute('class', ' '.join(marks))}>{cells}</tr>")
    note = f"<p>{text(more)}</p>\n" if more else ""
    return (
        f'<div class="scroll"><table><thead><tr>{head}</tr></thead>\n<tbody>{chr(10).join(body)}</tbody>'
        f"</table></div>\n{note}"
    )


class Raw(str):
    """HTML of our own that is not escaped again."""

    __slots__ = ()


def _cell(head: Head, value: Any) -> str:
    if isinstance(value, Raw):
        return str(value)
    if isinstance(value, (int, float)):
        return figure(head.key, value)
    if value is None:
        return "–" if head.number else ""
    return text(value)


def _class(head: Head) -> str:
    marks = {"n": head.number, "w": head.wide, "k": head.keep}
    return _attribute("class", " ".join(mark for mark, holds in marks.items() if holds))


def _attribute(name: str, value: str) -> str:
    return f' {name}="{value}"' if value else ""


def paragraphs(*lines: str) -> str:
    """Paragraphs of plain text."""
    return "".join(f"<p>{text(line, 4000)}</p>\n" for line in lines if line)


def bullets(lines: Iterable[str]) -> str:
    """A list of plain texts; nothing where there are none."""
    items = "".join(f"<li>{text(line, 2000)}</li>\n" for line in lines)
    return f'<ul class="tight">\n{items}</ul>\n' if items else ""


def section(key: str, title: str, body: str) -> str:
    """A numberless section with an anchor."""
    return f'<section id="{key}">\n<h2>{text(title)}</h2>\n{body}</section>\n'


def inline_list(pairs: Iterable[tuple[str, str]]) -> str:
    """Key figures side by side: (name, figure) pairs of plain text."""
    items = "".join(f"<div><b>{text(value)}</b><span>{text(name)}</span></div>\n" for name, value in pairs)
    return f'<div class="figures">\n{items}</div>\n'
