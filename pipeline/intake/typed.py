"""Rows of text to rows as read: values in SI, and a problem for each cell that does not become one.

Pure. Many files of one layout are typed together, because what a frame costs hardly depends on its length.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.intake.columns import (
    LINES_A_FILE,
    MARKS,
    PROBLEMS,
    Source,
    Typed,
    dated_value,
    is_dated,
    problems_where,
    type_target,
    type_time,
)
from pipeline.intake.families import CHECKS
from pipeline.intake.layouts import ColumnSource, FileFormat, Layout
from pipeline.intake.read import Texts, added, entries
from pipeline.reading.units import UNITS, conversion
from schemas.core import Family, Field
from schemas.frames import DTYPES
from schemas.internal import read_fields


@dataclass
class Reading:
    """What reading one file gave.

    `rows`: columns of `schemas.internal.read_fields` without drop_no. `problems`: line, code, field, seen,
    reason. `skipped`, `rows_per_line`, `n_lines`, `first_line`: as in `Texts`.
    """

    layout: Layout
    rows: pl.DataFrame
    problems: pl.DataFrame
    skipped: pl.DataFrame
    rows_per_line: pl.DataFrame
    n_lines: int
    first_line: int
    unmapped: list[str] = field(default_factory=list)


def read_all(texts: list[Texts]) -> list[Reading]:
    """The readings of files, in order; those of one layout are typed together."""
    batches: dict[tuple[str, FileFormat, bool], list[int]] = defaultdict(list)
    for at, text in enumerate(texts):
        layout = text.source.layout
        batches[(layout.layout, layout.file, text.source.from_workbook)].append(at)
    found: dict[int, Reading] = {}
    for places in batches.values():
        found |= zip(places, _read_batch([texts[at] for at in places]), strict=True)
    return [found[at] for at in range(len(texts))]


def _read_batch(texts: list[Texts]) -> list[Reading]:
    """The readings of files of one layout."""
    source = replace(texts[0].source, overrides=_overrides(texts))
    spread = pl.concat([_in_file(text.rows, at) for at, text in enumerate(texts)], how="diagonal")
    typed = _typed(source, spread)
    found = [_in_file(text.problems, at) for at, text in enumerate(texts)]
    found += [problem.select(pl.col(c).cast(t) for c, t in PROBLEMS.items()) for problem in typed.problems]
    problems = pl.concat(found).unique(maintain_order=True).sort("line", maintain_order=True)
    rows = _shape(source.family, typed.rows)
    if problems.height:
        rows = rows.join(problems, on="line", how="anti", maintain_order="left")
    rows_of, problems_of = _by_file(rows, len(texts)), _by_file(problems, len(texts))
    return [
        Reading(
            source.layout,
            rows_of[at].with_columns(seq=pl.int_range(pl.len(), dtype=pl.Int32)),
            problems_of[at],
            text.skipped,
            text.rows_per_line,
            text.n_lines,
            text.first_line,
            text.unmapped,
        )
        for at, text in enumerate(texts)
    ]


def _in_file(rows: pl.DataFrame, at: int) -> pl.DataFrame:
    """Rows with their lines as lines of the batch."""
    return rows.with_columns(line=pl.col("line").cast(pl.Int64) + at * LINES_A_FILE)


def _by_file(rows: pl.DataFrame, files: int) -> list[pl.DataFrame]:
    """The rows of each file of a batch, with their own lines again."""
    if files == 1:
        return [rows.with_columns(pl.col("line").cast(pl.Int32))]
    placed = rows.with_columns(
        file=pl.col("line") // LINES_A_FILE, line=(pl.col("line") % LINES_A_FILE).cast(pl.Int32)
    )
    parts = placed.partition_by("file", as_dict=True, include_key=False, maintain_order=True)
    return [parts.get((at,), placed.drop("file").clear()) for at in range(files)]


def _overrides(texts: list[Texts]) -> dict[tuple[int, str], str]:
    return {
        (line + at * LINES_A_FILE, label): answer
        for at, text in enumerate(texts)
        for (line, label), answer in text.source.overrides.items()
    }


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
    constants = added(layout)
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
    for number, (_, cells) in enumerate(entries(unpivoted)):
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
    # pandera brings pandas, which takes a second to import: commands that read no export do without.
    from pandera.errors import SchemaErrors

    from schemas.models import family_model

    try:
        family_model(family).validate(rows.select(f.name for f in family.columns), lazy=True)
    except SchemaErrors as errors:
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
    reasons = pl.lit("")
    for spec in family.columns:
        column = layout.columns.get(spec.name)
        said = pl.lit(_limits_text(spec, column))
        for word, *limits in spec.limits_by:
            own = pl.lit(f"possible for {word} are {_span(spec, column, *limits)}")
            said = pl.when(pl.col(str(spec.by)) == word).then(own).otherwise(said)
        reasons = pl.when(pl.col("name") == spec.name).then(said).otherwise(reasons)
    named = joined.select(
        line="line",
        code=pl.col("code"),
        field=_label(layout, "name"),
        seen=pl.col("seen"),
        reason=pl.format(
            "For {} there is '{}'; {}.",
            "name",
            pl.col("seen").fill_null("nothing"),
            reasons,
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
            for number, (_, cells) in enumerate(entries(unpivoted))
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


def _limits_text(spec: Field, column: ColumnSource | None) -> str:
    """What a field allows."""
    if spec.values:
        return "known are " + ", ".join(spec.values)
    if spec.low is None or spec.high is None:
        return "every row needs it"
    return f"possible are {_span(spec, column, spec.low, spec.high)}"


def _span(spec: Field, column: ColumnSource | None, low: float, high: float) -> str:
    """Limits in the unit that the export writes a field in, where that is one for all rows."""
    unit, factor = spec.unit, 1.0
    written = column.unit if column else None
    # A field of several dimensions (kg or m) is held in the base unit of each.
    held_in = unit if unit in UNITS else None
    if written in UNITS and unit is not None and UNITS[written].written == "number":
        unit, factor = written, float(1 / conversion(written, held_in))
    shown = "" if unit in (None, "count", "1") else f" {unit}"
    return f"{_short(low * factor)} to {_short(high * factor)}{shown}"


def _short(number: float) -> str:
    return f"{float(f'{number:.4g}'):g}"


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
        if spec.name == "line":  # of the batch; see _by_file
            columns.append(pl.col("line"))
            continue
        made = optional.get(spec.name)
        if made is None:
            made = pl.col(spec.name) if spec.name in rows.columns else pl.lit(None)
        columns.append(made.cast(DTYPES[spec.type]).alias(spec.name))
    return rows.select(columns)
