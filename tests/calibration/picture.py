"""The calibration as a picture: false calls against power, a panel a circumstance."""

from __future__ import annotations

from collections.abc import Iterator
from xml.sax.saxutils import escape

import polars as pl

from tests.calibration.grid import OURS

_SIDE, _GAP, _COLUMNS, _TOP = 210, 56, 4, 110
_SHAPES = {  # told apart by shape and word, not by colour alone
    OURS: '<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="#1b4f72"/>',
    "last beats previous best": '<path d="M{x0:.1f} {y0:.1f} h10 v10 h-10 z" fill="none" stroke="#a04000"/>',
    "last minus first beyond MDC": '<path d="M{x:.1f} {y0:.1f} l6 11 h-12 z" fill="none" stroke="#1e8449"/>',
    "change over 5 %": '<path d="M{x0:.1f} {y0:.1f} l10 10 m0 -10 l-10 10" stroke="#6c3483"/>',
}
_POWER = "power_1.0"


def picture(measures: pl.DataFrame) -> str:
    """The picture as SVG text."""
    shown = measures.filter(pl.col(_POWER).is_not_null())
    cells = shown["cell"].unique(maintain_order=True).to_list()
    height = _TOP + -(-len(cells) // _COLUMNS) * (_SIDE + _GAP) + 20
    width = 40 + _COLUMNS * (_SIDE + _GAP)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        'font-family="sans-serif">',
        f'<rect width="{width}" height="{height}" fill="white"/>',
        '<text x="40" y="28" font-size="17">False calls against power: the upper left corner is best</text>',
        '<text x="40" y="48" font-size="12">across: called better though nothing changed, at any '
        "look of 24 weeks; "
        "up: called better after a gain of one MDC95; dotted: 5 %</text>",
        *_legend(),
    ]
    for number, cell in enumerate(cells):
        x = 40 + number % _COLUMNS * (_SIDE + _GAP)
        y = _TOP + number // _COLUMNS * (_SIDE + _GAP)
        lines += _panel(shown.filter(pl.col("cell") == cell), cell, x, y)
    return "\n".join([*lines, "</svg>"]) + "\n"


def _legend() -> Iterator[str]:
    for number, rule in enumerate(_SHAPES):
        yield _mark(rule, 46 + number * 240, 70)
        yield f'<text x="{58 + number * 240}" y="75" font-size="13">{escape(rule)}</text>'


def _mark(rule: str, x: float, y: float) -> str:
    return _SHAPES[rule].format(x=x, y=y, x0=x - 5, y0=y - 5)


def _panel(rows: pl.DataFrame, cell: str, x: int, y: int) -> Iterator[str]:
    at_5 = x + 0.05 * _SIDE
    yield f'<rect x="{x}" y="{y}" width="{_SIDE}" height="{_SIDE}" fill="none" stroke="#888"/>'
    yield f'<path d="M{at_5:.1f} {y} v{_SIDE}" stroke="#888" stroke-dasharray="2 3"/>'
    yield f'<text x="{x}" y="{y - 6}" font-size="12">{escape(cell)}</text>'
    for share in (0, 1):
        along, up = x + share * (_SIDE - 22), y + (1 - share) * (_SIDE - 10) + 10
        yield f'<text x="{along}" y="{y + _SIDE + 13}" font-size="10">{share * 100} %</text>'
        yield f'<text x="{x - 30}" y="{up}" font-size="10">{share * 100} %</text>'
    for rule, false, power in rows.select("rule", "false_better", _POWER).iter_rows():
        yield _mark(rule, x + false * _SIDE, y + (1 - power) * _SIDE)
