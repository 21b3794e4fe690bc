"""The columns of an unknown export: their cells as text and numbers, its marks and words for nothing."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from functools import cached_property

import polars as pl

from pipeline.intake.propose.choices import Choice
from pipeline.intake.propose.names import Name, take_apart
from pipeline.intake.propose.sniff import Sheet
from pipeline.intake.propose.words import common, plain, unit_of
from pipeline.reading.numbers import parse_number, parse_quantity
from pipeline.reading.table import WHITESPACE, HeadLine
from pipeline.reading.units import UNITS

_MARKS_FOR_NOTHING = frozenset({"-", "--", "---", "\u2013", "\u2014", ".", "..", "*", "?"})
_COMMA = re.compile(r"[+\-\u2212]?\d+,\d+")
_POINT = re.compile(r"[+\-\u2212]?\d+\.\d+")
_GROUPED_POINT = re.compile(r"[+\-\u2212]?[1-9]\d{0,2}(?:\.\d{3})+(?:,\d+)?")
_GROUPED_COMMA = re.compile(r"[+\-\u2212]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?")
_GROUPED_BLANK = re.compile(r"[+\-\u2212]?[1-9]\d{0,2}(?:[ \u00a0\u202f]\d{3})+(?:[.,]\d+)?")


@dataclass(frozen=True)
class Marks:
    """How a file writes numbers."""

    decimal: str
    thousands: str


@dataclass(frozen=True)
class Column:
    """A column, or a line above the header: `texts` are its trimmed cells, null where nothing is said.

    `lines` are their physical lines, `numbers` the cells as numbers (null where they are none), `units` the
    unit that each line says in a column of its own, where there is one.
    """

    name: Name
    texts: pl.Series
    lines: pl.Series
    numbers: pl.Series
    units: pl.Series | None = None

    @cached_property
    def filled(self) -> int:
        """Cells that say something."""
        return self.texts.len() - self.texts.null_count()

    @cached_property
    def words(self) -> list[str]:
        """The distinct cells, in order of appearance."""
        return self.texts.drop_nulls().unique(maintain_order=True).to_list()

    @cached_property
    def numeric(self) -> float:
        """The share of filled cells that are numbers."""
        return (self.numbers.len() - self.numbers.null_count()) / self.filled if self.filled else 0.0

    @cached_property
    def values(self) -> pl.Series:
        """The numbers, without nulls."""
        return self.numbers.drop_nulls()

    @cached_property
    def whole(self) -> bool:
        """Whether all numbers are whole and none is written with decimals, and nearly all cells are such."""
        return self.numeric >= 0.95 and bool((self.values == self.values.floor()).all())

    @cached_property
    def of_units(self) -> bool:
        """Whether the cells are units."""
        units = [unit_of(word) for word in self.words]
        # One letter may be anything: W is a turn, S a sprint.
        return (
            bool(units) and all(unit in UNITS for unit in units) and any(len(word) > 1 for word in self.words)
        )

    def in_row_units(self, to: str | None, marks: Marks) -> pl.Series | None:
        """The values by each line's own unit, held in `to` (None: each in its base unit), without nulls.

        None where there is no column of units, or most cells are not written in their line's unit.
        """
        if self.units is None:
            return None
        cells = pl.DataFrame({"x": self.texts, "unit": self.units}).drop_nulls()
        parts = []
        for (spelled,), part in cells.group_by("unit", maintain_order=True):
            unit = unit_of(str(spelled))
            if unit in UNITS and (to is None or convertible_to(unit, to)):
                parts.append(part.select(parse_quantity(pl.col("x"), unit, marks.decimal, to=to)).to_series())
        values = pl.concat(parts).drop_nulls() if parts else pl.Series(dtype=pl.Float64)
        return values if values.len() >= 0.8 * max(cells.height, 1) else None

    def written_as(self, unit: str, marks: Marks) -> float:
        """The share of filled cells that are written in a unit such as `ft_in` or `clock`."""
        if not self.filled:
            return 0.0
        parsed = self.texts.to_frame("x").select(parse_quantity(pl.col("x"), unit, marks.decimal)).to_series()
        return (parsed.len() - parsed.null_count()) / self.filled


def convertible_to(unit: str, to: str) -> bool:
    """Whether values written in a unit can be held in another."""
    return UNITS[unit].dimension == UNITS[to].dimension


def find_marks(sheet: Sheet) -> tuple[Marks, list[Choice]]:
    """Decimal and thousands mark, from how often cells are written with a comma, a point, or in groups."""
    cells = [c.strip() for name in sheet.table.cells.columns[1:] for c in sheet.table.cells[name].head(5_000)]
    cells += [word for line in sheet.head for word in re.split(r"[:=;\t]\s*", line.text)]
    seen = Counter(
        kind
        for cell in cells
        for kind, pattern in (
            ("comma", _COMMA),
            ("point", _POINT),
            ("by point", _GROUPED_POINT),
            ("by comma", _GROUPED_COMMA),
            ("by blank", _GROUPED_BLANK),
        )
        if pattern.fullmatch(cell)
    )
    comma, point = seen["comma"] - seen["by comma"], seen["point"] - seen["by point"]
    whole_groups = any(_GROUPED_POINT.fullmatch(c) and "," in c for c in cells)
    whole_groups_us = any(_GROUPED_COMMA.fullmatch(c) and "." in c for c in cells)
    return _judge_marks(sheet, seen, comma, point, whole_groups, whole_groups_us)


def _judge_marks(
    sheet: Sheet, seen: Counter[str], comma: int, point: int, european: bool, american: bool
) -> tuple[Marks, list[Choice]]:
    """The marks for these counts of cells."""
    standing = "sure"
    if european or american:
        decimal, thousands = (",", ".") if european else (".", ",")
        said = f"numbers such as 1{thousands}234{decimal}5 have both marks"
    elif comma and point:
        decimal, thousands = (",", "") if comma >= point else (".", "")
        standing = "doubtful"
        said = f"{comma} cells have a comma and {point} a point before decimals"
    elif comma or point:
        decimal, thousands = (",", "") if comma else (".", "")
        said = f"{comma or point} of the cells have a {'comma' if comma else 'point'} before decimals"
        grouped = seen["by point"] if comma else seen["by comma"]
        if grouped:
            thousands = "." if comma else ","
            standing, said = "doubtful", f"{said}; {grouped} look like groups of thousands"
    elif seen["by comma"] or seen["by point"]:
        decimal, thousands = (",", "") if seen["by comma"] else (".", "")
        standing = "doubtful"
        said = f"every number with a {decimal!r} has three digits after it: decimals, or groups of thousands?"
    else:
        decimal, thousands = ".", ""
        said = "no number has decimals"
    if seen["by blank"] and not thousands:
        thousands, said = " ", f"{said}; groups of thousands are parted by blanks"
    choices = [Choice("file.decimal", decimal, said, "doubtful" if standing == "doubtful" else "sure")]
    if thousands:
        choices.append(Choice("file.thousands", thousands, said, "doubtful"))
    return Marks(decimal, thousands), choices


def read_columns(sheet: Sheet, marks: Marks) -> tuple[list[Column], list[str], list[Choice]]:
    """The columns of a sheet, its words for nothing (the empty one first), and what was chosen."""
    frame = sheet.table.cells
    trimmed = frame.select("line", *(pl.col(c).str.strip_chars(WHITESPACE) for c in frame.columns[1:]))
    nulls, choices = _words_for_nothing(trimmed, marks)
    said = trimmed.with_columns(
        pl.when(~pl.col(c).is_in(["", *nulls])).then(pl.col(c)).alias(c) for c in trimmed.columns[1:]
    )
    columns = [
        _column(name, said[f"c{i}"], said["line"], marks)
        for i, name in enumerate(sheet.names)
        if sheet.names.count(name) == 1 and name
    ]
    columns = without_mere_numbers(columns)
    units = next((column.texts for column in columns if column.of_units), None)
    if units is not None:
        columns = [replace(column, units=units) for column in columns]
    return columns, ["", *nulls], choices


def without_mere_numbers(columns: list[Column]) -> list[Column]:
    """The columns with nothing for a name where most names are one word and a number (col1, col2, ...)."""
    stems = [re.sub(r"[\d\W_]+", "", column.name.written.casefold()) for column in columns]
    stem, count = Counter(stems).most_common(1)[0] if stems else ("", 0)
    is_mixed = (
        len({column.numeric > 0.5 for column, own in zip(columns, stems, strict=True) if own == stem}) == 2
    )
    if count < 3 or count < 0.6 * len(columns) or not (is_mixed or count == len(columns)):
        return columns
    return [
        replace(column, name=Name(column.name.written, "", None, False)) if own == stem else column
        for column, own in zip(columns, stems, strict=True)
    ]


def _column(name: str, texts: pl.Series, lines: pl.Series, marks: Marks) -> Column:
    texts = texts.alias("x")
    numbers = texts.to_frame().select(parse_number(pl.col("x"), marks.decimal, marks.thousands)).to_series()
    return Column(take_apart(name), texts, lines, numbers)


def _words_for_nothing(cells: pl.DataFrame, marks: Marks) -> tuple[list[str], list[Choice]]:
    """Words for: nothing was measured. Those of letters count only where all else in a column is numbers."""
    usual = common("nothing") | _MARKS_FOR_NOTHING
    found: dict[str, int] = {}
    for name in cells.columns[1:]:
        column = cells.select("line", x=pl.col(name)).filter(pl.col("x") != "")
        is_word = pl.col("x").str.to_lowercase().is_in(sorted(usual))
        rest = column.filter(~is_word)
        numbers = rest.select(parse_number(pl.col("x"), marks.decimal, marks.thousands)).to_series()
        of_numbers = rest.height > 0 and numbers.null_count() <= 0.1 * rest.height
        for word, line in (
            column.filter(is_word).unique("x", maintain_order=True).select("x", "line").iter_rows()
        ):
            if of_numbers or not plain(word) or "/" in word or "#" in word:
                found.setdefault(word, line)
    choices = [
        Choice("file.null", word, f"{word!r} stands where others have a value, first on line {line}")
        for word, line in sorted(found.items())
    ]
    strange = {word: said for word, said in _lone_words(cells, marks).items() if word not in found}
    choices += [Choice("file.null", word, said, "doubtful") for word, said in sorted(strange.items())]
    return sorted([*found, *strange]), choices


def _lone_words(cells: pl.DataFrame, marks: Marks) -> dict[str, str]:
    """Words that stand again and again, alone, among the numbers of a column and nowhere among words."""
    found: dict[str, str] = {}
    among_words: set[str] = set()
    for name in cells.columns[1:]:
        column = cells.select("line", x=pl.col(name)).filter(pl.col("x") != "")
        numbers = column.select(parse_number(pl.col("x"), marks.decimal, marks.thousands)).to_series()
        odd = column.filter(numbers.is_null())
        if odd["x"].n_unique() == 1 and odd.height > 1 and column.height - odd.height > 2:
            word, line = odd["x"][0], odd["line"][0]
            found[word] = (
                f"{word!r} stands {odd.height} times among numbers, first on line {line}: is it nothing?"
            )
        elif odd.height > column.height / 2:
            among_words |= set(odd["x"])
    return {word: said for word, said in found.items() if word not in among_words}


def read_preamble(head: list[HeadLine], delimiter: str, nulls: list[str], marks: Marks) -> list[Column]:
    """The lines above the header that say `key: value`, as columns of one cell."""
    columns = []
    for line in head:
        found = _key_and_value(line, delimiter)
        if found is not None:
            key, value = found
            texts = pl.Series([None if value in nulls else value], dtype=pl.String)
            columns.append(_column(key, texts, pl.Series([line.line], dtype=pl.Int32), marks))
    return columns


def _key_and_value(line: HeadLine, delimiter: str) -> tuple[str, str] | None:
    """As `read.preamble_value` reads such a line."""
    cells = [field.strip() for field in line.fields or () if field.strip()]
    if len(cells) == 2 and not re.search("[:=].", cells[0]):
        return cells[0].rstrip(":").strip(), cells[1]
    text = line.text.strip().strip('"').strip(delimiter)
    for mark in (":", delimiter, "="):
        head, found, tail = text.partition(mark)
        key = head.strip().strip('"').rstrip(":").strip()
        if found and key and tail.strip():
            return key, tail.strip().strip(delimiter).strip().strip('"').strip()
    return None
