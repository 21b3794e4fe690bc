"""A dropped file to rows as read: the law of rows begins here.

Pure: a function of the bytes, the path, the layout and what people answered about single cells. Who an
athlete is, and which row is current, is none of its business (see `resolve`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import pandera.errors
import polars as pl

from pipeline.intake.columns import (
    MARKS,
    PROBLEMS,
    Overrides,
    Source,
    Typed,
    constant_text,
    dated_value,
    is_dated,
    is_nothing,
    problems_where,
    text_of,
    type_target,
    type_time,
    with_answers,
)
from pipeline.intake.families import CHECKS
from pipeline.intake.layouts import ColumnSource, Layout
from pipeline.intake.traces import answers_for_runs
from pipeline.reading.lines import read_table
from pipeline.reading.split import UndecodableFile
from pipeline.reading.table import Dialect, HeadLine, Table
from pipeline.reading.workbook import is_workbook, read_sheet, sheet_table
from schemas.codes import CODES
from schemas.core import Family
from schemas.families import FAMILIES
from schemas.internal import read_fields
from schemas.models import DTYPES, family_model


@dataclass(frozen=True)
class WholeFile:
    """Why a whole file waits."""

    code: str
    reason: str


@dataclass
class Reading:
    """What reading one file gave.

    `rows`: columns of `schemas.internal.read_fields` without drop_no. `problems`: line, code, field, seen,
    reason. `skipped`: line, why. `rows_per_line`: line, n — how many rows each line has as text, counted
    before anything is typed, so that a lost row shows. `n_lines` lines follow line `first_line` - 1.
    """

    layout: Layout
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
) -> Reading | WholeFile:
    """Read a file through the layout that claims it. `head[header_at]` is the header row."""
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
    reading = _rows(source, table, header_line.line)
    ignored = {*wanted, *layout.ignore, ""}
    reading.unmapped = [name for name in header if name not in ignored]
    return reading


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
            match = re.search(column.filename, name)
            if match is None:
                return WholeFile("name_pattern", f"The file's name does not fit {column.filename}")
            text = match.group(target if target in match.re.groupindex else 1)
            found[target] = None if is_nothing(layout, text or "") else text
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
        for mark in (":", delimiter, "="):
            head, found, tail = text.partition(mark)
            if found and head.strip().strip('"').rstrip(":").strip() == key:
                return tail.strip().strip(delimiter).strip().strip('"').strip()
    return None


def _rows(source: Source, table: Table, header_line: int) -> Reading:
    layout, family = source.layout, source.family
    single = {t: c for t, c in layout.columns.items() if c.unpivot is None}
    if family.trace is not None and source.overrides:
        texts = table.cells.select(
            "line",
            *(
                text_of(source, target, column).alias(target)
                for target, column in single.items()
                if target not in family.trace.columns and not is_dated(column)
            ),
        )
        source = replace(source, overrides=answers_for_runs(texts, source.overrides))
    base = table.cells.select(
        "line",
        pl.concat_str(pl.all().exclude("line"), separator="\x1f")
        .hash(0)
        .reinterpret(signed=True)
        .alias("line_hash"),
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
            with_answers(source, f"{target} [{entry.from_}]", _entry_text(source, entry.from_)).alias(
                f"entry:{target}:{number}"
            )
            for target, column in layout.columns.items()
            for number, entry in enumerate(column.unpivot or ())
        ),
    )
    skipped = table.skipped
    spread = _spread(source, base)
    # What an unpivoted column adds to its rows, such as the time of a sample, is nothing measured.
    added = _added(layout)
    values = [
        pl.col(f"text:{name}").is_not_null()
        for name in family.values
        if f"text:{name}" in spread.columns and name not in added
    ]
    spread = spread.filter(pl.any_horizontal(values))
    empty = base.join(spread, on="line", how="anti").select("line", why=pl.lit("no_values"))
    skipped = pl.concat([skipped, empty.cast(skipped.schema)])
    rows_per_line = spread.group_by("line", maintain_order=True).agg(n=pl.len())
    typed = _typed(source, spread)
    found = [
        _text_problems(table),
        *(p.select(pl.col(c).cast(t) for c, t in PROBLEMS.items()) for p in typed.problems),
    ]
    problems = pl.concat(found).unique(maintain_order=True).sort("line", maintain_order=True)
    rows = _shape(family, typed.rows)
    return Reading(
        layout,
        rows.join(problems, on="line", how="anti"),
        problems,
        skipped.sort("line"),
        rows_per_line,
        table.n_lines - header_line,
        header_line + 1,
    )


def _unit_text(source: Source, target: str, column: ColumnSource) -> pl.Expr:
    name = column.unit_from or ""
    return with_answers(source, name, pl.col(source.positions[name]).str.strip_chars()).alias(
        f"unit:{target}"
    )


def _entry_text(source: Source, name: str) -> pl.Expr:
    text = pl.col(source.positions[name]).str.strip_chars()
    return pl.when(~text.is_in(list(source.layout.file.null))).then(text)


def _spread(source: Source, base: pl.DataFrame) -> pl.DataFrame:
    """One row a line, or one a line and distinct set of constants where the layout unpivots."""
    unpivoted = {t: c for t, c in source.layout.columns.items() if c.unpivot is not None}
    if not unpivoted:
        return base.with_columns(entry=pl.lit(0, dtype=pl.Int32))
    texts = base.select(pl.exclude("^entry:.*$"))
    parts = []
    for number, (constants, cells) in enumerate(_entries(unpivoted)):
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


def _added(layout: Layout) -> set[str]:
    """Columns that entries of unpivoted columns give as constants."""
    return {k for c in layout.columns.values() for e in c.unpivot or [] for k in e.constants}


def _entries(unpivoted: Mapping[str, ColumnSource]) -> list[tuple[dict[str, object], dict[str, int]]]:
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


def _typed(source: Source, spread: pl.DataFrame) -> Typed:
    """All targets typed: time first, because dated constants hang on it."""
    layout, family = source.layout, source.family
    timed = type_time(source, layout.columns["performed_at"], spread)
    rows, problems = timed.rows, timed.problems
    rows = rows.with_columns(
        dated_value(column.value or ()).alias(f"text:{target}")
        for target, column in layout.columns.items()
        if is_dated(column)
    )
    constants = _added(layout)
    for target, column in layout.columns.items():
        if target == "performed_at":
            continue
        typed = (
            _typed_by_entry(source, target, column, rows)
            if column.unpivot is not None
            else type_target(source, target, column, rows, target, _where(column), column.unit)
        )
        rows, problems = typed.rows, problems + typed.problems
    for target in constants:
        spec = family.field(target)
        rows = rows.with_columns(pl.col(f"text:{target}").cast(DTYPES[spec.type], strict=False).alias(target))
    rows = rows.with_columns(
        pl.lit(None, dtype=DTYPES[f.type]).alias(f.name) for f in family.columns if f.name not in rows.columns
    )
    rows, family_problems = CHECKS[family.name](rows)
    problems = [*problems, family_problems, _missing(rows, layout), _bad_marks(rows)]
    known = pl.concat([p.select("line", "field") for p in problems])
    # A value without a known unit is not missing too.
    of_units = {column.unit_from: target for target, column in layout.columns.items() if column.unit_from}
    field = pl.col("field").replace_strict(of_units, default=None, return_dtype=pl.String)
    known = pl.concat([known, known.with_columns(field.alias("field")).drop_nulls()])
    return Typed(rows, [*problems, *_invalid(family, layout, rows, known)])


def _where(column: ColumnSource) -> str:
    if column.from_:
        return "column " + " and ".join(f"'{name}'" for name in column.from_)
    if column.preamble is not None:
        lines = " and ".join(f"'{key}'" for key in column.preamble)
        return f"the line {lines} above the header row"
    return "the file's name" if column.filename is not None else "the layout's constant"


def _typed_by_entry(source: Source, target: str, column: ColumnSource, rows: pl.DataFrame) -> Typed:
    """An unpivoted column, typed entry by entry, because each may have its own unit and name."""
    unpivoted = {t: c for t, c in source.layout.columns.items() if c.unpivot is not None}
    parts: list[pl.DataFrame] = []
    problems: list[pl.DataFrame] = []
    for number, (_, cells) in enumerate(_entries(unpivoted)):
        part = rows.filter(pl.col("entry") == number)
        if target not in cells:
            parts.append(part.with_columns(pl.lit(None, dtype=pl.Float64).alias(target)))
            continue
        entry = (column.unpivot or ())[cells[target]]
        label, unit = f"{target} [{entry.from_}]", entry.unit or column.unit
        typed = type_target(source, target, column, part, label, f"column '{entry.from_}'", unit)
        parts.append(typed.rows)
        problems += typed.problems
    return Typed(pl.concat(parts, how="diagonal").sort("line", "entry", maintain_order=True), problems)


def _missing(rows: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    """Rows without a name or without a time, as text."""
    found = [
        problems_where(
            rows,
            pl.col(f"text:{target}").is_null(),
            "missing_value",
            target,
            pl.lit(None, dtype=pl.String),
            f"{_where(layout.columns[target]).capitalize()} is empty, and every row needs it.",
        )
        for target in ("athlete", "performed_at")
    ]
    return pl.concat(found)


def _bad_marks(rows: pl.DataFrame) -> pl.DataFrame:
    if "mark" not in rows.columns:
        return pl.DataFrame(schema=PROBLEMS)
    bad = pl.col("mark").is_not_null() & ~pl.col("mark").is_in(list(MARKS))
    reason = f"The mark is '{{seen}}'; known are {', '.join(MARKS)}."
    return problems_where(rows, bad, "not_allowed", "mark", pl.col("mark"), reason)


def _invalid(family: Family, layout: Layout, rows: pl.DataFrame, known: pl.DataFrame) -> list[pl.DataFrame]:
    """What the family's pandera model finds wrong with typed rows, as problems by line.

    A cell that is known to be bad already is not named twice.
    """
    if rows.is_empty():
        return []
    try:
        family_model(family).validate(rows.select(f.name for f in family.columns), lazy=True)
    except pandera.errors.SchemaErrors as errors:
        cases = errors.failure_cases
    else:
        return []
    numbered = rows.with_row_index("index")
    problems = []
    for column, check, index in cases.select("column", "check", "index").iter_rows():
        if index is None:
            raise RuntimeError(f"the model of {family.name} does not fit the frame: {column} {check}")
        code, _, name = str(check).partition(":")
        name = name or column
        code = {"not_nullable": "missing_value"}.get(code, "not_allowed" if code.startswith("isin") else code)
        problems.append((index, code, name))
    frame = pl.DataFrame(
        problems, schema={"index": pl.UInt32, "code": pl.String, "name": pl.String}, orient="row"
    )
    joined = frame.join(numbered, on="index").with_columns(
        seen=_seen(rows, frame["name"].unique().to_list()),
    )
    # A text that became no value was named for what it is.
    explained = pl.col("seen").is_not_null() & pl.col("line").is_in(known["line"].unique().implode())
    joined = joined.filter(~((pl.col("code") == "missing_value") & explained))
    reasons = {f.name: _limits_text(family, f.name) for f in family.columns}
    named = joined.select(
        line=pl.col("line").cast(pl.Int32),
        code=pl.col("code"),
        field=_label(layout, "name"),
        seen=pl.col("seen"),
        reason=pl.format(
            "For {} there is '{}'; {}.",
            "name",
            pl.col("seen").fill_null("nothing"),
            pl.col("name").replace_strict(reasons),
        ),
    )
    return [named.join(known, on=["line", "field"], how="anti")]


def _label(layout: Layout, name: str) -> pl.Expr:
    """The field as held rows name it: with the export's column where the layout unpivots it."""
    unpivoted = {t: c for t, c in layout.columns.items() if c.unpivot is not None}
    label = pl.col(name)
    for target, column in unpivoted.items():
        by_entry = {
            number: f"{target} [{(column.unpivot or ())[cells[target]].from_}]"
            for number, (_, cells) in enumerate(_entries(unpivoted))
            if target in cells
        }
        of_entry = pl.col("entry").replace_strict(by_entry, default=target, return_dtype=pl.String)
        label = pl.when(pl.col(name) == target).then(of_entry).otherwise(label)
    return label


def _seen(rows: pl.DataFrame, names: list[str]) -> pl.Expr:
    """What stood in the cell that a problem's `name` is about."""
    seen = pl.lit(None, dtype=pl.String)
    for name in names:
        text = f"text:{name}"
        shown = pl.col(text) if text in rows.columns else pl.col(name).cast(pl.String)
        seen = pl.when(pl.col("name") == name).then(shown).otherwise(seen)
    return seen


def _limits_text(family: Family, name: str) -> str:
    spec = family.field(name)
    if spec.values:
        return "known are " + ", ".join(spec.values)
    if spec.low is None or spec.high is None:
        return "every row needs it"
    unit = "" if spec.unit in (None, "count", "1") else f" {spec.unit}"
    by = "".join(f"; for {word} {low:g} to {high:g}" for word, low, high in spec.limits_by)
    return f"possible are {spec.low:g} to {spec.high:g}{unit}{by}"


def _text_problems(table: Table) -> pl.DataFrame:
    """Problems that the line reader found, in the columns of all problems."""
    sentences = {code.code: code.sentence for code in CODES.values()}
    return table.problems.select(
        pl.col("line").cast(pl.Int32),
        "code",
        field=pl.lit(None, dtype=pl.String),
        seen="seen",
        # Not what was seen: a line has names in it, and the reason is published.
        reason=pl.format("{} Expected: {}.", pl.col("code").replace_strict(sentences), "expected"),
    )


def _shape(family: Family, rows: pl.DataFrame) -> pl.DataFrame:
    """The columns of `read_fields`, in order, but for drop_no."""
    optional = {
        "slot_text": pl.col("session") if "session" in rows.columns else pl.lit(None, dtype=pl.String),
        "mark": (pl.col("mark") if "mark" in rows.columns else pl.lit(None, dtype=pl.String)).fill_null("ok"),
        "written_name": pl.col("athlete"),
        "seq": pl.int_range(pl.len(), dtype=pl.Int32),
    }
    columns = []
    for spec in read_fields(family)[1:]:
        made = optional.get(spec.name)
        if made is None:
            made = pl.col(spec.name) if spec.name in rows.columns else pl.lit(None)
        columns.append(made.cast(DTYPES[spec.type]).alias(spec.name))
    return rows.select(columns)
