"""A printed page in millimetres: text that stays text, lines, tables, the title block."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font
from matplotlib.patches import Rectangle

from corridor.publish.zones_rows import shown

WIDTH_MM, HEIGHT_MM = 420.0, 297.0
"""A3, landscape (ISO 216)."""

BORDER_MM = 8.0
MM_PER_INCH = 25.4
POINT_MM = MM_PER_INCH / 72.0
FONT = "DejaVu Sans"
EVEN_FONT = "DejaVu Sans Mono"
WIDEST_EM = 1.05
"""No letter of the font is wider than this: short texts need no measuring."""

INK = "#1d1f24"
SOFT = "#555b66"

SETTINGS = {
    "pdf.fonttype": 42,
    "font.family": [FONT],
    "text.parse_math": False,
    "axes.unicode_minus": False,
    "hatch.linewidth": 0.4,
}
"""For `matplotlib.rc_context`: embedded fonts, and no text is taken for a formula."""


@dataclass(slots=True)
class Page:
    """One sheet; coordinates in mm from its lower left corner.

    Attributes
    ----------
    figure : Figure
    paper : Axes
        The whole sheet, 0 to 420 by 0 to 297.
    missing : set of str
        Characters met that the font lacks; shared by the pages of a document.
    """

    missing: set[str] = field(default_factory=set)
    figure: Figure = field(init=False)
    paper: Axes = field(init=False)

    def __post_init__(self) -> None:
        self.figure = Figure(figsize=(WIDTH_MM / MM_PER_INCH, HEIGHT_MM / MM_PER_INCH))
        self.paper = self.axes(0.0, 0.0, WIDTH_MM, HEIGHT_MM)
        self.paper.set_xlim(0.0, WIDTH_MM)
        self.paper.set_ylim(0.0, HEIGHT_MM)
        self.paper.axis("off")
        self.box(BORDER_MM, BORDER_MM, WIDTH_MM - 2 * BORDER_MM, HEIGHT_MM - 2 * BORDER_MM, width=0.5)

    def axes(self, x: float, y: float, width: float, height: float) -> Axes:
        """Axes with their lower left corner at (x, y)."""
        return self.figure.add_axes((x / WIDTH_MM, y / HEIGHT_MM, width / WIDTH_MM, height / HEIGHT_MM))

    def text(
        self, x: float, y: float, words: Any, size: float = 7.0, most_mm: float | None = None, **style: Any
    ) -> None:
        """One line of text, baseline at y, cut to `most_mm`; `size` in points.

        Text in the even font is ours (figures in columns): it is set as it is.
        """
        even = style.get("family") == EVEN_FONT
        line = words if even else self.fitted(words, size, most_mm, style.get("weight", "normal"))
        style = {"color": INK, "va": "baseline", **style}
        self.paper.text(x, y, line, fontsize=size, parse_math=False, **style)

    def paragraph(
        self, x: float, y: float, words: Any, most_mm: float, size: float = 6.0, **style: Any
    ) -> float:
        """Text broken into lines of at most `most_mm`; returns the y below it."""
        for line in wrapped(printable(shown(words, 4000), self.missing), size, most_mm):
            self.text(x, y, line, size, **style)
            y -= size * POINT_MM * 1.3
        return y

    def fitted(self, words: Any, size: float, most_mm: float | None, weight: str = "normal") -> str:
        """`words` with unprintable characters replaced, cut to a width."""
        line = printable(shown(words, 400), self.missing)
        if (
            most_mm is None
            or len(line) * size * WIDEST_EM * POINT_MM <= most_mm
            or text_mm(line, size, weight) <= most_mm
        ):
            return line
        while line and text_mm(line + "…", size, weight) > most_mm:
            line = line[: max(int(len(line) * 0.95) - 1, 0)]
        return line + "…"

    def line(self, x: Sequence[float], y: Sequence[float], width: float = 0.25, color: str = INK) -> None:
        """A line; `width` in mm."""
        self.paper.plot(x, y, color=color, linewidth=width / POINT_MM, solid_capstyle="butt")

    def box(
        self, x: float, y: float, width_mm: float, height_mm: float, width: float = 0.25, **style: Any
    ) -> None:
        """A rectangle; `width` of its line in mm."""
        style = {"facecolor": "none", "edgecolor": INK, **style}
        self.paper.add_patch(Rectangle((x, y), width_mm, height_mm, linewidth=width / POINT_MM, **style))


@lru_cache(maxsize=4)
def _font(weight: str) -> FT2Font:
    return FT2Font(findfont(FontProperties(family=FONT, weight=weight)))


@lru_cache(maxsize=1)
def _glyphs() -> frozenset[int]:
    return frozenset(_font("normal").get_charmap())


def text_mm(line: str, size: float, weight: str = "normal") -> float:
    """Width of a line of text, mm."""
    font = _font(weight)
    # Measured large: small letters are moved to whole pixels, which falsifies sums.
    font.set_size(100.0, 72)
    font.set_text(line, 0.0)
    return font.get_width_height()[0] / 64.0 * POINT_MM * size / 100.0


def printable(line: str, missing: set[str]) -> str:
    """`line` with characters the sheet cannot show replaced by U+FFFD and added to `missing`.

    The font has Latin, Greek and Cyrillic. Scripts that run from right to left
    are replaced too: they would come out in the wrong order.
    """
    result = []
    for sign in line:
        if sign.isspace() or (
            ord(sign) in _glyphs() and unicodedata.bidirectional(sign) not in ("R", "AL", "AN")
        ):
            result.append(sign)
        else:
            if sign != "\ufffd":
                missing.add(sign)
            result.append("\ufffd")
    return "".join(result)


def wrapped(line: str, size: float, most_mm: float) -> list[str]:
    """Lines of at most `most_mm`, broken at spaces, long words inside."""
    lines, current = [], ""
    for word in line.split(" "):
        longer = f"{current} {word}" if current else word
        if text_mm(longer, size) <= most_mm:
            current = longer
            continue
        if current:
            lines.append(current)
        while text_mm(word, size) > most_mm and len(word) > 1:
            cut = max(int(len(word) * most_mm / text_mm(word, size)), 1)
            lines.append(word[:cut])
            word = word[cut:]
        current = word
    return [*lines, current] if current else lines


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a printed table: heading, width in mm, right-aligned or not, even letters or not."""

    title: str
    width_mm: float
    right: bool = False
    even: bool = False

    @property
    def style(self) -> dict[str, Any]:
        """How its text is set."""
        family = {"family": EVEN_FONT} if self.even else {}
        return {"ha": "right" if self.right else "left", **family}


ROW_MM = 4.6
TABLE_SIZE = 6.5


def table_rows(
    page: Page, x: float, y: float, columns: Sequence[Column], rows: Sequence[Sequence[Any]]
) -> float:
    """Draw a table with its heading, top at y; returns the y below it.

    A row that is a string stands as a line of its own across the table. A table
    wider than the page is drawn narrower, column by column.
    """
    room = WIDTH_MM - BORDER_MM - 4.0 - x
    width = sum(column.width_mm for column in columns)
    if width > room:
        columns = [replace(column, width_mm=column.width_mm * room / width) for column in columns]
        width = room
    at = x
    for column in columns:
        place = at + column.width_mm - 1.5 if column.right else at + 0.5
        size = TABLE_SIZE if column.even else TABLE_SIZE - 0.5
        page.text(place, y - 3.3, column.title, size, column.width_mm - 1.5, color=SOFT, **column.style)
        at += column.width_mm
    y -= ROW_MM
    page.line([x, x + width], [y, y], 0.3)
    for row in rows:
        if isinstance(row, str):
            page.text(x + 0.5, y - 3.3, row, TABLE_SIZE, width - 1.0, weight="bold")
        else:
            _cells(page, x, y, columns, row)
        y -= ROW_MM
        page.line([x, x + width], [y, y], 0.08, SOFT)
    return y


def _cells(page: Page, x: float, y: float, columns: Sequence[Column], row: Sequence[Any]) -> None:
    for column, cell in zip(columns, row, strict=True):
        place = x + column.width_mm - 1.5 if column.right else x + 0.5
        page.text(place, y - 3.3, cell, TABLE_SIZE, column.width_mm - 1.5, **column.style)
        x += column.width_mm
