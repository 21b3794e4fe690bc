"""A dropped file to rows as read: the law of rows begins here.

Pure: a function of the bytes, the path, the layout and what people answered about single cells. Who an
athlete is, and which row is current, is none of its business (see `resolve`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import reduce
from operator import xor
from typing import BinaryIO

import polars as pl

from pipeline.intake.columns import (
    PROBLEMS,
    Overrides,
    Source,
    cell,
    constant_text,
    is_dated,
    is_nothing,
    text_of,
    with_answers,
)
from pipeline.intake.layouts import ColumnSource, Layout
from pipeline.intake.name_pattern import value_in_name
from pipeline.intake.traces import answers_for_runs
from pipeline.reading.lines import read_table, read_table_in_blocks
from pipeline.reading.split import UndecodableFile
from pipeline.reading.table import Dialect, HeadLine, Table, trimmed
from pipeline.reading.workbook import is_workbook, read_sheet, sheet_table
from schemas.codes import CODES
from schemas.families import FAMILIES

_NO_PROBLEMS = pl.DataFrame(schema={**PROBLEMS, "line": pl.Int32})


@dataclass(frozen=True)
class WholeFile:
    """Why a whole file waits."""

    code: str
    reason: str


@dataclass
class Texts:
    """A file as rows of text, each target of the layout in a column `text:<target>`.

    `source`: what the layout takes text from; `header`: the fields of the header row. `rows`: line, entry
    (which of the rows of its line), line_hash and the texts. `problems`: line, code, field, seen, reason, as
    the line reader found them. `skipped`: line, why. `rows_per_line`: line, n — how many rows each line has,
    counted before anything is typed, so that a lost row shows. `n_lines` lines follow line `first_line` - 1.
    """

    source: Source
    header: list[str]
    rows: pl.DataFrame
    problems: pl.DataFrame
    skipped: pl.DataFrame
    rows_per_line: pl.DataFrame
    n_lines: int
    first_line: int
    unmapped: list[str] = field(default_factory=list)


class Export:
    """A dropped file opened: text, or a workbook whose sheet depends on the layout that asks."""

    def __init__(self, name: str, data: bytes) -> None:
        self.name = name
        self.data = data
        self.is_workbook = is_workbook(data, name)
        self._sheets: dict[tuple[str | None, str], list[list[str]]] = {}

    def sheet(self, name: str | None, decimal: str) -> list[list[str]]:
        """The rows of a sheet as text, numbers with this decimal mark; UnreadableWorkbook where it can't."""
        key = (name, decimal)
        if key not in self._sheets:
            self._sheets[key] = read_sheet(self.data, name, decimal)
        return self._sheets[key]


def dialect_of(layout: Layout) -> Dialect:
    """The line reader's dialect that a layout describes."""
    f = layout.file
    return Dialect(f.encoding, f.delimiter, f.multiline, f.comment, tuple(f.trailer))


def read_export(
    export: Export, layout: Layout, head: list[HeadLine], header_at: int, timezone: str, overrides: Overrides
) -> Texts | WholeFile:
    """A file as text, through the layout that claims it. `head[header_at]` is the header row."""
    header_line = head[header_at]
    header = [name.strip() for name in header_line.fields or []]
    wanted = layout.mapped_names
    for name in wanted:
        if header.count(name) == 0:
            return WholeFile(
                "missing_column",
                f"The layout maps the column '{name}', and the header row "
                f"(line {header_line.line}) does not have it.",
            )
        if header.count(name) > 1:
            return WholeFile(
                "duplicate_header", f"The column '{name}' occurs twice in line {header_line.line}."
            )
    constants = _constants(layout, head[:header_at], export.name)
    if isinstance(constants, WholeFile):
        return constants
    try:
        table = _table(export, layout, header_line)
    except UndecodableFile as error:
        return WholeFile("undecodable", str(error))
    source = Source(
        layout,
        FAMILIES[layout.family],
        {name: f"c{i}" for i, name in enumerate(header)},
        constants,
        layout.columns["performed_at"].timezone or timezone,
        export.is_workbook,
        overrides,
    )
    fields = header_line.fields or []
    texts = _rows(source, fields, table, header_line.line + 1, table.n_lines - header_line.line)
    ignored = {*wanted, *layout.ignore, ""}
    texts.unmapped = [name for name in header if name not in ignored]
    return texts


def reads_in_blocks(texts: Texts) -> bool:
    """Whether the rest of a file, of which these are the first lines, can be read part by part."""
    source, file = texts.source, texts.source.layout.file
    # What was answered of a run is said of all its lines, wherever they stand.
    of_runs = source.family.trace is not None and bool(source.overrides)
    return file.encoding != "utf-16" and not (file.multiline or source.from_workbook or of_runs)


def read_blocks(stream: BinaryIO, start: Texts) -> Iterator[Texts]:
    """A file of any size as text, part by part, as `start` (its first lines) was read."""
    dialect = dialect_of(start.source.layout)
    for table in read_table_in_blocks(stream, dialect, start.first_line - 1, start.header):
        yield _rows(start.source, start.header, table, start.first_line, table.n_lines)


def _table(export: Export, layout: Layout, header: HeadLine) -> Table:
    fields = header.fields or []
    if export.is_workbook:
        rows = export.sheet(layout.file.sheet, layout.file.decimal)
        return sheet_table(rows, dialect_of(layout), header.line, fields)
    return read_table(export.data, dialect_of(layout), header.line, fields)


def _constants(layout: Layout, preamble: list[HeadLine], name: str) -> dict[str, str | None] | WholeFile:
    """Texts that hold for every row: undated values, and what stands above the header or in the name.

    None where the place is there and empty, or has one of the layout's words for nothing.
    """
    found: dict[str, str | None] = {}
    for target, column in layout.columns.items():
        if column.preamble is not None:
            texts = [preamble_value(preamble, key, layout.file.delimiter) for key in column.preamble]
            missing = [key for key, text in zip(column.preamble, texts, strict=True) if text is None]
            if missing:
                return WholeFile(
                    "missing_preamble", f"No line above the header row begins with '{missing[0]}'."
                )
            words = [text for text in texts if text is not None and not is_nothing(layout, text)]
            found[target] = " ".join(words) or None
        elif column.filename is not None:
            text = value_in_name(column.filename, target, name)
            if text is None:
                return WholeFile("name_pattern", f"The file's name does not fit {column.filename}")
            found[target] = None if is_nothing(layout, text) else text
        elif column.value and not is_dated(column):
            found[target] = constant_text(column.value[0].is_)
    return found


def preamble_value(preamble: list[HeadLine], key: str, delimiter: str) -> str | None:
    """The text after `key` in a line such as 'Wind: 0.4' or 'Wind,0.4' above the header row."""
    for line in preamble:
        cells = [field.strip() for field in line.fields or () if field.strip()]
        if len(cells) == 2 and cells[0].rstrip(":").strip() == key:
            return cells[1]
        text = line.text.strip().strip('"')
        for mark in (":", delimiter, ",", "\t", "="):
            head, found, tail = text.partition(mark)
            if found and head.strip().strip('"').rstrip(":").strip() == key:
                return tail.strip(f'{delimiter},\t" ')
    return None


def _rows(source: Source, header: list[str], table: Table, first_line: int, n_lines: int) -> Texts:
    layout, family = source.layout, source.family
    single = {t: c for t, c in layout.columns.items() if c.unpivot is None}
    hashes = [pl.col(f"c{at}").hash(at) for at in range(table.cells.width - 1)]
    line_hash = table.cells.select(reduce(xor, hashes).reinterpret(signed=True)).to_series()
    cells = table.cells.with_columns(trimmed(pl.col(source.positions[name])) for name in layout.mapped_names)
    if family.trace is not None and source.overrides:
        texts = cells.select(
            "line",
            *(
                text_of(source, target, column).alias(target)
                for target, column in single.items()
                if target not in family.trace.columns and not is_dated(column)
            ),
        )
        source = replace(source, overrides=answers_for_runs(texts, source.overrides))
    base = cells.select(
        "line",
        line_hash.alias("line_hash"),
        *(
            with_answers(source, target, text_of(source, target, column)).alias(f"text:{target}")
            for target, column in single.items()
            if not is_dated(column)
        ),
        *(
            _unit_text(source, target, column)
            for target, column in layout.columns.items()
            if column.unit_from
        ),
        *(
            with_answers(source, f"{target} [{entry.from_}]", cell(source, entry.from_)).alias(
                f"entry:{target}:{number}"
            )
            for target, column in layout.columns.items()
            for number, entry in enumerate(column.unpivot or ())
        ),
    )
    skipped = table.skipped
    spread = _spread(source, base)
    # What an unpivoted column adds to its rows, such as the time of a sample, is nothing measured.
    constants = added(layout)
    values = [
        pl.col(f"text:{name}").is_not_null()
        for name in family.values
        if f"text:{name}" in spread.columns and name not in constants
    ]
    spread = spread.filter(pl.any_horizontal(values))
    # The rows of a line follow one another.
    rows_per_line = spread.select(runs=pl.col("line").rle()).select(
        line=pl.col("runs").struct.field("value"), n=pl.col("runs").struct.field("len")
    )
    if rows_per_line.height < base.height:
        empty = base.join(rows_per_line, on="line", how="anti").select("line", why=pl.lit("no_values"))
        skipped = pl.concat([skipped, empty.cast(skipped.schema)])
    problems = _text_problems(table)
    return Texts(source, header, spread, problems, skipped.sort("line"), rows_per_line, n_lines, first_line)


def _unit_text(source: Source, target: str, column: ColumnSource) -> pl.Expr:
    name = column.unit_from or ""
    return with_answers(source, name, pl.col(source.positions[name])).alias(f"unit:{target}")


def _spread(source: Source, base: pl.DataFrame) -> pl.DataFrame:
    """One row a line, or one a line and distinct set of constants where the layout unpivots."""
    unpivoted = {t: c for t, c in source.layout.columns.items() if c.unpivot is not None}
    if not unpivoted:
        return base.with_columns(entry=pl.lit(0, dtype=pl.Int32))
    texts = base.select(pl.exclude("^entry:.*$"))
    parts = []
    for number, (constants, cells) in enumerate(entries(unpivoted)):
        part = texts.with_columns(
            pl.lit(number, dtype=pl.Int32).alias("entry"),
            *(pl.lit(constant_text(v), dtype=pl.String).alias(f"text:{k}") for k, v in constants.items()),
            *(
                (base[f"entry:{t}:{cells[t]}"] if t in cells else pl.lit(None, dtype=pl.String)).alias(
                    f"text:{t}"
                )
                for t in unpivoted
            ),
        )
        parts.append(part)
    return pl.concat(parts, how="diagonal").sort("line", "entry", maintain_order=True)


def added(layout: Layout) -> set[str]:
    """Columns that entries of unpivoted columns give as constants."""
    return {k for c in layout.columns.values() for e in c.unpivot or [] for k in e.constants}


def entries(unpivoted: Mapping[str, ColumnSource]) -> list[tuple[dict[str, object], dict[str, int]]]:
    """The rows that one line becomes: (constants, which entry of each unpivoted column feeds it).

    Entries of several columns with the same constants feed the same row; the same constants twice in one
    column are two rows.
    """
    rows: dict[tuple[object, ...], tuple[dict[str, object], dict[str, int]]] = {}
    for target, column in unpivoted.items():
        seen: dict[object, int] = {}
        for number, entry in enumerate(column.unpivot or ()):
            constants = dict(entry.constants)
            key = tuple(sorted((k, str(v)) for k, v in constants.items()))
            again = seen[key] = seen.get(key, -1) + 1
            rows.setdefault((key, again), (constants, {}))[1][target] = number
    return list(rows.values())


def _text_problems(table: Table) -> pl.DataFrame:
    """Problems that the line reader found, in the columns of all problems."""
    if table.problems.is_empty():
        return _NO_PROBLEMS
    sentences = {code.code: code.sentence for code in CODES.values()}
    return table.problems.select(
        pl.col("line").cast(pl.Int32),
        "code",
        field=pl.lit(None, dtype=pl.String),
        seen="seen",
        # Not what was seen: a line has names in it, and the reason is published.
        reason=pl.format("{} Expected: {}.", pl.col("code").replace_strict(sentences), "expected"),
    )
