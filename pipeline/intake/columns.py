"""From a layout's columns to typed values: text first, casts that never fail, every failed cell by line.

Pure. Works on `cells` (the lines of a file as text, from `pipeline.reading`) and gives a frame with one
column a target of the layout, plus problems with the columns line, code, field, seen, reason.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import polars as pl

from pipeline.facility.dates import read_dates
from pipeline.intake.layouts import SHEET_PREFIX, ColumnSource, DatedConstant, Layout
from pipeline.reading.numbers import parse_integer, parse_quantity, quantum
from pipeline.reading.table import trimmed
from pipeline.reading.times import parse_local, to_local
from pipeline.reading.units import UNITS, conversion, dimension, holds, is_told_by_row
from schemas.core import Family, Field

Overrides = Mapping[tuple[int, str], str]
"""(line, field as shown) -> the text that a person put in place of the cell."""

PROBLEMS = {
    "line": pl.Int64,
    "code": pl.String,
    "field": pl.String,
    "seen": pl.String,
    "reason": pl.String,
}
PLAIN_TARGETS = ("athlete", "session", "mark")
_LOOKED_AT = 2_000
LINES_A_FILE = 1 << 32
"""Where files are typed together, a line is its file's place times this, plus its number."""
MARKS = ("ok", "warm_up", "failed")


@dataclass
class Typed:
    """Rows with typed targets (line, entry, ...), the problems found, and how many rows each line has."""

    rows: pl.DataFrame
    problems: list[pl.DataFrame] = field(default_factory=list)


@dataclass(frozen=True)
class Source:
    """What a layout takes text from: the header's names to cell columns, and texts that hold for all rows."""

    layout: Layout
    family: Family
    positions: Mapping[str, str]
    constants: Mapping[str, str | None]
    timezone: str
    from_workbook: bool
    overrides: Overrides


def is_nothing(layout: Layout, text: str) -> bool:
    """Whether a text is one of the layout's words for nothing."""
    return not text or text in layout.file.null


def cell(source: Source, name: str) -> pl.Expr:
    """The text of an export's column, of trimmed cells; null where it is one of the layout's words for
    nothing."""
    text = pl.col(source.positions[name])
    return pl.when(~text.is_in(list(source.layout.file.null))).then(text)


def text_of(source: Source, target: str, column: ColumnSource) -> pl.Expr:
    """The text that a column of the layout has on each line, before any answer takes its place."""
    if target in source.constants:
        return pl.lit(source.constants[target], dtype=pl.String)
    names = column.from_ or ()
    if len(names) == 1:
        return cell(source, names[0])
    joined = pl.concat_str([cell(source, name).fill_null("") for name in names], separator=" ")
    joined = trimmed(joined)
    return pl.when(joined != "").then(joined)


def with_answers(source: Source, label: str, text: pl.Expr) -> pl.Expr:
    """The text, with what people answered in place of single cells."""
    mine = {line: answer for (line, name), answer in source.overrides.items() if name == label}
    if not mine:
        return text
    answered = pl.col("line").replace_strict(mine, default=None, return_dtype=pl.String)
    return pl.coalesce(answered, text)


def problems_where(
    rows: pl.DataFrame, bad: pl.Expr, code: str, label: str, seen: pl.Expr, reason: str
) -> pl.DataFrame:
    """A problem for each row where `bad` holds; `{seen}` in the reason is replaced by what was seen.

    Of a missing value nothing was seen in its field: there `seen` is of another field, for the reason alone.
    """
    found = rows.filter(bad).select(
        line=pl.col("line").cast(pl.Int64),
        code=pl.lit(code),
        field=pl.lit(label, dtype=pl.String),
        seen=seen.cast(pl.String).str.slice(0, 200),
    )
    before, mark, after = reason.partition("{seen}")
    shown = pl.col("seen").fill_null("nothing").str.slice(0, 60) if mark else pl.lit("")
    found = found.with_columns(reason=pl.concat_str(pl.lit(before), shown, pl.lit(after)))
    return found.with_columns(seen=pl.lit(None, pl.String)) if code == "missing_value" else found


def type_target(
    source: Source,
    target: str,
    column: ColumnSource,
    rows: pl.DataFrame,
    label: str,
    where: str,
    unit: str | None,
) -> Typed:
    """Add a target as a typed column to rows that hold its text as `text:<target>`.

    `label` is the field as held rows name it, `where` the place in the export as people see it. Adds
    `quantum_<target>` for the family's measured values. A text that does not become a value gives a
    problem; null stays null.
    """
    spec = None if target in PLAIN_TARGETS else source.family.field(target)
    if not column.map and (spec is None or spec.type == "text"):
        return Typed(rows.with_columns(pl.col(f"text:{target}").alias(target)))
    texts = [f"text:{target}", *([f"unit:{target}"] if column.unit_from else [])]
    answered = any(name == label for _, name in source.overrides)
    if answered or not _says_again(rows, texts):
        return _type_rows(source, target, column, rows, label, where, unit)
    return _type_texts(source, target, column, rows, texts, label, where, unit)


def _says_again(rows: pl.DataFrame, texts: list[str]) -> bool:
    """Whether the same texts stand on many rows, so that it pays to look at each text once."""
    start = rows.select(texts).head(_LOOKED_AT)
    return rows.height > _LOOKED_AT and start.n_unique() < _LOOKED_AT / 2


def _type_texts(
    source: Source,
    target: str,
    column: ColumnSource,
    rows: pl.DataFrame,
    texts: list[str],
    label: str,
    where: str,
    unit: str | None,
) -> Typed:
    """`_type_rows`, each distinct text once."""
    distinct, numbers = _distinct(rows.select(texts))
    numbered = distinct.with_columns(entry=pl.lit(0)).with_row_index("line")
    made = _type_rows(source, target, column, numbered, label, where, unit)
    problems = [
        rows.select("line", text_no=numbers)
        .join(problem.rename({"line": "text_no"}), on=pl.col("text_no").cast(pl.Int64), maintain_order="left")
        .select(pl.col(name).cast(dtype) for name, dtype in PROBLEMS.items())
        for problem in made.problems
        if problem.height
    ]
    known = made.rows.drop("line", "entry", *texts[1:])
    return Typed(rows.with_columns(known[numbers]), problems)


def _distinct(texts: pl.DataFrame) -> tuple[pl.DataFrame, pl.Series]:
    """Distinct rows of texts, and which of them each row is."""
    if texts.width == 1:
        # As below, and sooner.
        known = texts.to_series().unique().drop_nulls()
        numbers = texts.to_series().cast(pl.Enum(known)).to_physical().cast(pl.UInt32)
        return known.extend_constant(None, 1).to_frame(), numbers.fill_null(len(known))
    distinct = texts.unique(maintain_order=True).with_row_index("number")
    found = texts.join(distinct, on=texts.columns, how="left", nulls_equal=True, maintain_order="left")
    return distinct.drop("number"), found["number"]


def _type_rows(
    source: Source,
    target: str,
    column: ColumnSource,
    rows: pl.DataFrame,
    label: str,
    where: str,
    unit: str | None,
) -> Typed:
    """`type_target` of a column that is no plain text."""
    spec = None if target in PLAIN_TARGETS else source.family.field(target)
    problems: list[pl.DataFrame] = []
    if column.map:
        rows, unknown = _mapped(source, target, column, rows, label, where, spec)
        problems.append(unknown)
    text = pl.col(f"text:{target}")
    if spec is None or spec.type == "text":
        return Typed(rows.with_columns(text.alias(target)), problems)
    # Constants and the words of a map are written in TOML.
    in_toml = column.value is not None or column.map
    marks = (".", "") if in_toml else (source.layout.file.decimal, source.layout.file.thousands)
    if spec.type == "integer":
        value = parse_integer(text, *marks).cast(pl.Int32, strict=False)
        typed = rows.with_columns(value.alias(target))
        reason = f"In {where} there is '{{seen}}', which is no whole number."
        bad = text.is_not_null() & pl.col(target).is_null()
        return Typed(typed, [*problems, problems_where(typed, bad, "not_a_number", label, text, reason)])
    if unit is None and column.unit_from:
        made = _by_unit_column(source, column, rows, target, label, where, marks)
    else:
        made = _quantity(source, rows, target, label, where, unit or "1", marks)
    return Typed(made.rows, [*problems, *made.problems])


def _mapped(
    source: Source,
    target: str,
    column: ColumnSource,
    rows: pl.DataFrame,
    label: str,
    where: str,
    spec: Field | None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows with the map's words in place of the text, and a problem for each text that it does not know."""
    words = dict(column.map or {})
    text = pl.col(f"text:{target}")
    mapped = text.replace_strict(words, default=None, return_dtype=pl.String)
    # A person's answer may also be the field's own word.
    own = {word: word for word in (spec.values if spec else MARKS if target == "mark" else ())}
    answered = [line for line, name in source.overrides if name == label]
    if own and answered:
        said = text.replace_strict(own, default=None, return_dtype=pl.String)
        mapped = pl.coalesce(mapped, pl.when(pl.col("line").is_in(answered)).then(said))
    bad = text.is_not_null() & mapped.is_null()
    listed = ", ".join(sorted(words)[:12])
    reason = f"In {where} there is '{{seen}}'; the layout's map knows: {listed}."
    problem = problems_where(rows, bad, "not_in_map", label, text, reason)
    return rows.with_columns(mapped.alias(f"text:{target}")), problem


def _quantity(
    source: Source,
    rows: pl.DataFrame,
    target: str,
    label: str,
    where: str,
    unit: str,
    marks: tuple[str, str],
) -> Typed:
    text = pl.col(f"text:{target}")
    if unit == "clock" and is_hand_sheet(source.layout):
        # After a colon both marks can only be decimal ones; whoever writes by hand writes either.
        text = text.str.replace(r"^([0-9:]*:[0-9]{2})[.,]([0-9]+)$", f"${{1}}{marks[0]}${{2}}")
    # A field in mm or % is held in it; where the row says which, in the base unit of what is written.
    own = source.family.field(target).unit
    held_in = own if own in UNITS else None
    typed = rows.with_columns(parse_quantity(text, unit, *marks, to=held_in).alias(target))
    if target in source.family.values:
        factor = conversion(unit, held_in)
        last_place = quantum(text, *marks) * factor.numerator / factor.denominator
        typed = typed.with_columns(last_place.alias(f"quantum_{target}"))
        if is_told_by_row(own or ""):
            typed = typed.with_columns(pl.lit(dimension(unit)).alias("dimension"))
    bad = text.is_not_null() & pl.col(target).is_null()
    reason = (
        f"In {where} there is '{{seen}}', which is no number in {unit} with the decimal mark '{marks[0]}'."
    )
    cut = text.str.contains(rf"^-?[0-9](?:{re.escape(marks[0])}[0-9]{{1,2}})?E[+-][0-9]{{2}}$")
    few = f"In {where} there is '{{seen}}': a spreadsheet has cut its digits."
    problems = [
        problems_where(typed, bad, "not_a_number", label, text, reason),
        problems_where(typed, cut & ~bad, "spreadsheet_damage", label, text, few),
    ]
    return Typed(typed, problems)


def _by_unit_column(
    source: Source,
    column: ColumnSource,
    rows: pl.DataFrame,
    target: str,
    label: str,
    where: str,
    marks: tuple[str, str],
) -> Typed:
    """A quantity whose unit stands in another column of the export."""
    own = source.family.field(target).unit or "1"
    fitting = {unit for unit in UNITS if holds(own, unit)}
    unit_text = pl.col(f"unit:{target}")
    parts: list[pl.DataFrame] = []
    problems: list[pl.DataFrame] = []
    for (unit,), part in rows.partition_by(f"unit:{target}", as_dict=True, maintain_order=True).items():
        if unit in fitting:
            typed = _quantity(source, part, target, label, where, str(unit), marks)
            parts.append(typed.rows)
            problems += typed.problems
        else:
            parts.append(_without_value(part, target))
            bad = pl.col(f"text:{target}").is_not_null()
            reason = f"The unit '{{seen}}' is not one of {', '.join(sorted(fitting))}."
            problems.append(
                problems_where(part, bad, "unknown_unit", column.unit_from or "", unit_text, reason)
            )
    together = pl.concat(parts or [_without_value(rows, target)], how="diagonal")
    return Typed(together.sort("line", "entry", maintain_order=True), problems)


def _without_value(rows: pl.DataFrame, target: str) -> pl.DataFrame:
    """Rows with an empty target, in a unit of no known dimension."""
    nothing = {target: pl.Float64, "dimension": pl.String}
    return rows.with_columns(pl.lit(None, dtype=dtype).alias(name) for name, dtype in nothing.items())


def type_time(source: Source, column: ColumnSource, rows: pl.DataFrame) -> Typed:
    """Add local, utc, time_known, seconds_known from the text of `performed_at`."""
    text = rows["text:performed_at"]
    fmt = column.format or ""
    times = parse_local(text, fmt, iso_too=source.from_workbook)
    local = times["local"]
    if times["utc"].null_count() < times.height:
        explicit = to_local(times["utc"], source.timezone)
        local = times.select(pl.coalesce(pl.lit(explicit), pl.col("local")).alias("local"))["local"]
    typed = rows.with_columns(
        local,
        times["utc"],
        time_known=times["time_known"].fill_null(False),
        seconds_known=times["seconds_known"].fill_null(False),
    )
    if is_hand_sheet(source.layout):
        typed = _with_dates_by_hand(typed)
    shown = pl.col("text:performed_at")
    bad = shown.is_not_null() & pl.col("local").is_null()
    reason = f"There is '{{seen}}', which is no date and time written as {fmt}."
    if is_hand_sheet(source.layout):
        reason = (
            "There is '{seen}', which is no date, or may be two (day/month or month/day) and no line of "
            "the sheet says which. Answer with the date as 2026-02-28; in the spreadsheet, format the "
            "column as YYYY-MM-DD, or save as .xlsx."
        )
    return Typed(typed, [problems_where(typed, bad, "bad_date", "performed_at", shown, reason)])


def is_hand_sheet(layout: Layout) -> bool:
    """Whether a layout reads sheets that yardmark prints and people fill in, as a spreadsheet saved them."""
    return layout.layout.startswith(SHEET_PREFIX)


def _with_dates_by_hand(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with the dates that a spreadsheet has written its own way, where a file proves what they mean."""
    texts = rows.select("text:performed_at", file=pl.col("line") // LINES_A_FILE).with_row_index("at")
    missing = set(rows.with_row_index("at").filter(pl.col("local").is_null())["at"])
    known: dict[int, datetime] = {}
    for _, part in texts.drop_nulls().group_by("file", maintain_order=True):
        if missing.isdisjoint(part["at"]):
            continue
        dates, _ = read_dates(dict(part.select("at", "text:performed_at").iter_rows()))
        known |= {at: datetime(day.year, day.month, day.day) for at, day in dates.items() if at in missing}
    if not known:
        return rows
    at = pl.int_range(pl.len(), dtype=pl.UInt32)
    by_hand = at.replace_strict(known, default=None, return_dtype=pl.Datetime("us"))
    found = rows.with_columns(by_hand=by_hand)
    told = pl.col("by_hand").is_not_null()
    return found.with_columns(
        local=pl.coalesce("local", "by_hand"),
        time_known=pl.col("time_known") & ~told,
        seconds_known=pl.col("seconds_known") & ~told,
    ).drop("by_hand")


def is_dated(column: ColumnSource) -> bool:
    """Whether a column is a constant that changes with time."""
    spans = column.value or ()
    return len(spans) > 1 or any(span.from_ or span.until for span in spans)


def dated_value(spans: Sequence[DatedConstant]) -> pl.Expr:
    """The text of a constant that changes with time, by the local date; null outside all its spans.

    `from` is inclusive, `until` exclusive; the first span that fits counts.
    """
    day = pl.col("local").dt.date()
    chain = pl.lit(None, dtype=pl.String)
    for span in reversed(spans):
        fits = pl.lit(True)
        if span.from_ is not None:
            fits &= day >= span.from_
        if span.until is not None:
            fits &= day < span.until
        chain = pl.when(fits).then(pl.lit(constant_text(span.is_))).otherwise(chain)
    return chain


def constant_text(value: object) -> str:
    """A TOML constant as the text that would stand in a cell, with a decimal point."""
    if isinstance(value, str):
        return value
    return json.dumps(value)
