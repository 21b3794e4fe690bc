"""A worksheet that prints well: formats, rows as high as their text, on one page where that can be read."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

FIRST_ROW = 3  # of a table: below its title, a remark and the header
_LINE = 15.0  # points of a line of text of the default size, 11 points
_HIGHEST = 409.0  # points; a row can't be higher
_PAPER = {"metric": 9, "us": 1}  # A4, Letter
# Points that both papers have for a table, upright and lying.
_UPRIGHT, _LYING = (537.0, 705.0), (734.0, 525.0)
# Text that is shrunk more can't be read: 11 points become 5.5.
_SMALLEST = 0.5
_RULE = {"bottom": 4, "bottom_color": "#9AA5B1"}
_HEAD = {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1, "bg_color": "#E8EDF2"}
_STYLES: dict[str, dict[str, Any]] = {
    "title": {"bold": True, "font_size": 14},
    "heading": {"bold": True, "text_wrap": True, "valign": "bottom"},
    "text": {"text_wrap": True, "valign": "top"},
    "cell": {"text_wrap": True, "valign": "top", **_RULE},
    "first cell": {"text_wrap": True, "valign": "top", "bold": True, **_RULE},
    "centred": {"text_wrap": True, "valign": "top", "align": "center", **_RULE},
    "interval": {"valign": "top", "align": "left", "font_size": 9, "font_color": "#555555", **_RULE},
    "head of rows": {"bold": True, "text_wrap": True, "valign": "top", "bg_color": "#F4F6F8"},
    "head of cell": _HEAD,
    "head of centred": {**_HEAD, "align": "center"},
    "head of interval": _HEAD,
    "head of number": {**_HEAD, "align": "right"},
}


@dataclass(frozen=True)
class Column:
    """A column of a table; `kind`: cell, centred, interval (small) or number."""

    name: str
    head: str
    width: float
    kind: str = "cell"


@dataclass
class Styles:
    """The formats of a workbook by name; numbers by their decimals."""

    book: xlsxwriter.Workbook
    made: dict[str, Format] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Format:
        return self._format(name, _STYLES[name])

    def number(self, decimals: int) -> Format:
        """The format of a number with so many decimals."""
        shown = "0." + "0" * decimals if decimals else "0"
        return self._format(shown, {"num_format": shown, "valign": "top", "align": "right", **_RULE})

    def _format(self, name: str, properties: dict[str, Any]) -> Format:
        if name not in self.made:
            self.made[name] = self.book.add_format(properties)
        return self.made[name]


@lru_cache(10_000)  # names and tests stand in many rows
def lines_needed(text: str, width: float) -> int:
    """Lines that a text takes in a column of a width as a spreadsheet counts it: in digits.

    The middle letter of a text is narrower than a digit, by a tenth or more in any usual font: a line holds
    more letters than are counted on here.
    """
    letters = max(1, int(width * 1.05) - 1)
    wrapped = (textwrap.wrap(part, letters, break_on_hyphens=False) for part in text.split("\n"))
    return sum(max(1, len(lines)) for lines in wrapped)


def height(texts: Sequence[str], widths: Sequence[float]) -> float:
    """Height [points] of a row whose cells have these texts in columns of these widths."""
    lines = max(lines_needed(text, width) for text, width in zip(texts, widths, strict=True))
    return min(_HIGHEST, _LINE * lines)


def table_head(sheet: Worksheet, title: str, remark: str, columns: Sequence[Column], styles: Styles) -> float:
    """Title, a remark as wide as the table, and header row, repeated on every page; how high [points]."""
    heads, widths = [column.head for column in columns], [column.width for column in columns]
    sheet.write_string(0, 0, title, styles["title"])
    sheet.set_row(0, 20)
    sheet.merge_range(1, 0, 1, len(columns) - 1, remark, styles["text"])
    of_remark = height([remark], [sum(widths)]) + 4
    sheet.set_row(1, of_remark)
    for place, column in enumerate(columns):
        sheet.set_column(place, place, column.width)
        sheet.write_string(FIRST_ROW - 1, place, column.head, styles[f"head of {column.kind}"])
    # Bold letters are wider, and the button of a filter stands in the lower corner.
    of_heads = max(2 * _LINE, height(heads, [width - 2 for width in widths]))
    sheet.set_row(FIRST_ROW - 1, of_heads)
    sheet.repeat_rows(0, FIRST_ROW - 1)
    sheet.freeze_panes(FIRST_ROW, 1)
    return 20 + of_remark + of_heads


def print_setup(
    sheet: Worksheet, footer: tuple[str, str], units: str, widths: Sequence[float], points: float
) -> None:
    """One page, upright or lying, whichever shrinks a table of these widths and so many points high less;
    lying, one page wide and as many long as it takes, where it could not be read. With the two texts of the
    footer and the page number."""
    wide = sum(5.25 * width + 3.75 for width in widths)
    upright, lying = (min(1.0, w / wide, h / points) for w, h in (_UPRIGHT, _LYING))
    on_one_page = max(upright, lying) >= _SMALLEST
    if lying >= upright or not on_one_page:
        sheet.set_landscape()
    sheet.set_paper(_PAPER[units])
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    sheet.fit_to_pages(1, int(on_one_page))
    # An ampersand is a command in a footer, and a footer has 255 characters.
    left, middle = (text[:80].replace("&", "&&") for text in footer)
    sheet.set_footer(f"&L{left}&C{middle}&R&P / &N")
