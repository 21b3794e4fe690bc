"""Dates and times of an unknown export: the format, with the proof that it is the only one, or a question."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import Literal

import polars as pl

from pipeline.reading.times import parse_local

Kind = Literal["moment", "date", "time"]

_ORDERS = {"dmY": "day, month, year", "mdY": "month, day, year", "Ymd": "year, month, day"}
_DATE = re.compile(r"(\d{1,4})([-/. ])(\d{1,2})\2(\d{1,4})(?:(T| |, | - )(\S.*))?")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})(?:(T| |_)?(\d{6}|\d{4}))?")
_CLOCK = re.compile(r"\d{1,2}[:h.]\d{2}")
_TIMES = (
    (r"\d{1,2}:\d{2}:\d{2}", "%H:%M:%S"),
    (r"\d{1,2}:\d{2}", "%H:%M"),
    (r"\d{1,2}:\d{2}:\d{2}\.\d{1,6}", "%H:%M:%S.%f"),
    (r"\d{1,2}:\d{2}:\d{2},\d{1,6}", "%H:%M:%S,%f"),
    (r"\d{1,2}:\d{2} [AaPp][Mm]", "%I:%M %p"),
    (r"\d{1,2}:\d{2}[AaPp][Mm]", "%I:%M%p"),
    (r"\d{1,2}:\d{2}:\d{2} [AaPp][Mm]", "%I:%M:%S %p"),
    (r"\d{1,2}:\d{2}:\d{2}[AaPp][Mm]", "%I:%M:%S%p"),
    (r"\d{1,2}h\d{2}", "%Hh%M"),
    (r"\d{1,2}\.\d{2}\.\d{2}", "%H.%M.%S"),
    (r"\d{1,2}:\d{2}:\d{2}(?:[+-]\d{2}:?\d{2}|Z)", "%H:%M:%S%z"),
    (r"\d{1,2}:\d{2}:\d{2}\.\d{1,6}(?:[+-]\d{2}:?\d{2}|Z)", "%H:%M:%S.%f%z"),
    (r"\d{1,2}:\d{2}(?:[+-]\d{2}:?\d{2}|Z)", "%H:%M%z"),
)
_WRITTEN_MONTH = re.compile(r"\d{1,2}\.?[ -][A-Za-zé]{3,9}\.?,?[ -]\d{2,4}|[A-Za-zé]{3,9}\.? \d{1,2},? \d{4}")
_LEAST = 0.9  # the share of cells that must be of a format: exports have faulty dates too
_YEARS = (2000, 2060)


@dataclass(frozen=True)
class Moment:
    """What a column says of time. `formats` has one entry where it is proven, several where it is a question.

    A format of kind `time` has no date. `proof` says what was seen.
    """

    kind: Kind
    formats: tuple[str, ...]
    proof: str


def find_moment(texts: pl.Series, lines: pl.Series) -> Moment | None:
    """The moments that a column's cells are; None where they are none."""
    cells = pl.DataFrame({"text": texts, "line": lines}).drop_nulls().unique("text", maintain_order=True)
    if cells.is_empty():
        return None
    return _epoch(cells) or _time(cells) or _dated(cells)


def writes_months(texts: pl.Series) -> bool:
    """Whether the cells are dates with the month as a word, which a layout's format cannot say."""
    cells = texts.drop_nulls().head(200).to_list()
    return bool(cells) and sum(bool(_WRITTEN_MONTH.match(cell)) for cell in cells) > len(cells) / 2


def _epoch(cells: pl.DataFrame) -> Moment | None:
    for fmt, pattern in (("epoch_ms", r"^1[0-9]{12}(\.[0-9]+)?$"), ("epoch_s", r"^1[0-9]{9}([.,][0-9]+)?$")):
        if cells["text"].str.contains(pattern).mean() >= _LEAST:  # type: ignore[operator]
            first = parse_local(cells["text"].head(1), fmt)["local"][0]
            unit = "milliseconds" if fmt == "epoch_ms" else "seconds"
            return Moment("moment", (fmt,), f"{unit} since 1970, UTC: the first is {first:%Y-%m-%d %H:%M}")
    return None


def _time(cells: pl.DataFrame) -> Moment | None:
    for pattern, fmt in _TIMES:
        if "%z" in fmt or "." in fmt.removesuffix(".%f"):  # 15.09.25 is a date
            continue
        good = cells["text"].str.contains(f"^(?:{pattern})$")
        if good.mean() >= _LEAST and _parsed("2000-01-01 " + cells["text"], f"%Y-%m-%d {fmt}") >= _LEAST:  # type: ignore[operator]
            return Moment("time", (fmt,), f"such as {cells['text'][0]}")
    return None


def _parsed(texts: pl.Series, fmt: str) -> float:
    local = parse_local(texts, fmt)["local"]
    return (local.len() - local.null_count()) / local.len()


def _dated(cells: pl.DataFrame) -> Moment | None:
    """A date, with or without a time."""
    shapes = Counter(filter(None, (_shape(text) for text in cells["text"].head(2_000))))
    if not shapes:
        return None
    (separator, join, clock), _ = shapes.most_common(1)[0]
    if separator == "":
        formats = {"Ymd": f"%Y%m%d{join}{clock}"}
    else:
        formats = {order: _format(order, separator, join, clock) for order in _ORDERS}
        formats |= {f"{order}!": _format(order, separator, join, clock, "y") for order in _ORDERS}
    times = {order: parse_local(cells["text"], fmt)["local"] for order, fmt in formats.items()}
    return _judge(cells, formats, times, "moment" if clock else "date")


def _shape(text: str) -> tuple[str, str, str] | None:
    """The separator of the date, what joins it with the time, and the time's format."""
    compact = _COMPACT.fullmatch(text)
    if compact and 2000 <= int(compact[1]) <= 2060:
        clock = {None: "", 4: "%H%M", 6: "%H%M%S"}[len(compact[5]) if compact[5] else None]
        return "", compact[4] or "", clock
    found = _DATE.fullmatch(text)
    if found is None:
        return None
    if found[6] is None:
        return found[2], "", ""
    for pattern, fmt in _TIMES:
        if re.fullmatch(pattern, found[6]):
            return found[2], found[5], fmt
    return None


def _format(order: str, separator: str, join: str, clock: str, year: str = "Y") -> str:
    day = separator.join(f"%{letter}" for letter in order).replace("%Y", f"%{year}")
    return f"{day}{join}{clock}"


def _judge(
    cells: pl.DataFrame, formats: dict[str, str], times: dict[str, pl.Series], kind: Kind
) -> Moment | None:
    """The one format that reads nearly all cells, or all that might be."""
    count = cells.height
    good = {
        order: (local.is_not_null() & local.dt.year().is_between(*_YEARS)) for order, local in times.items()
    }
    reads = {order: int(mask.sum()) for order, mask in good.items()}
    possible = [order for order, n in reads.items() if n >= _LEAST * count or (n and count - n <= 1)]
    if not possible:
        return _in_both_orders(cells, formats, good, kind)
    best = max(reads[order] for order in possible)
    # A format that reads fewer is out only where some cell proves it: one faulty cell alone proves nothing.
    left = [order for order in possible if reads[order] == best or not _proves(good, order, possible, reads)]
    if len(left) > 1:
        named = tuple(formats[order] for order in left)
        line, text = cells["line"][0], cells["text"][0]
        said = " or ".join(_ORDERS[order.rstrip("!")] for order in left)
        return Moment(
            kind, named, f"{text!r} in line {line} may be {said}, and no cell of the column says which"
        )
    order = left[0]
    return Moment(kind, (formats[order],), _proof(cells, order, good, formats))


def _in_both_orders(
    cells: pl.DataFrame, formats: dict[str, str], good: dict[str, pl.Series], kind: Kind
) -> Moment | None:
    """The question where some cells have the day first and others the month; None where they are no dates."""
    for one, other in (("dmY", "mdY"), ("dmY!", "mdY!")):
        if one in good and (good[one] | good[other]).sum() >= _LEAST * cells.height:
            first = cells.filter(good[one] & ~good[other]).row(0, named=True)
            second = cells.filter(good[other] & ~good[one]).row(0, named=True)
            said = f"{first['text']!r} (line {first['line']}) has the day first, {second['text']!r} "
            return Moment(kind, (formats[one], formats[other]), f"{said}(line {second['line']}) the month")
    return None


def _proves(good: dict[str, pl.Series], order: str, possible: list[str], reads: dict[str, int]) -> bool:
    """Whether cells that other formats read rule this one out, and none is read by this one alone."""
    return any(reads[other] > reads[order] and not (good[order] & ~good[other]).any() for other in possible)


def _proof(cells: pl.DataFrame, order: str, good: dict[str, pl.Series], formats: dict[str, str]) -> str:
    if order.startswith("Y"):
        return f"the year stands first, as in {cells['text'][0]!r}"
    rival = order.replace("d", "?").replace("m", "d").replace("?", "m")
    told = good[order] & ~good[rival] if rival in good else good[order]
    first = cells.filter(told).row(0, named=True)
    numbers = re.findall(r"\d+", first["text"])
    day = numbers[order.index("d")]
    others = f" ({int(told.sum())} such cells)" if told.sum() > 1 else ""
    return f"a day of {day} in line {first['line']}: {first['text']!r} can be read in one order only{others}"
