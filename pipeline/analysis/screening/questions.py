"""What screening asks: whose trials these are, in which unit, and whether they are filed rightly."""

from __future__ import annotations

import re
from collections.abc import Iterable

import polars as pl

from schemas.frames import polars_schema
from schemas.internal import SUSPECTS

Places = dict[str, list[int]]


def identity_questions(whose: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """A question an athlete, device, day and candidate; rows of `_suspects`.

    `whose`: see `identity.identity_suspects`; `rows`: row_id, trial_id, file_id, line.
    """
    group = ["athlete_id", "device", "local_date", "like"]
    asked = rows.select("trial_id", "file_id", "line", "performed_at_utc").join(
        whose.select("trial_id", *group, "away"), on="trial_id"
    )
    questions = asked.sort("file_id", "line").group_by(group, maintain_order=True).agg(
        pl.col("file_id", "line"),
        n_trials=pl.col("trial_id").n_unique().cast(pl.Int32),
        first_at=pl.col("performed_at_utc").min(),
        last_at=pl.col("performed_at_utc").max(),
        away=pl.col("away").median(),
    )  # fmt: skip
    return _as_suspects(questions.with_columns(code=pl.lit("identity_suspect"), like_athlete_id="like"))


def unit_questions(units: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """A question a file, test, column and ratio: a device writes a whole export in one unit.

    `complete`: no other row of these lines and this test has the column, so that all can be converted.
    """
    places = rows.select("row_id", "source_table", "test", "file_id", "line")
    found = units.join(places, on="row_id")
    lines = ["source_table", "test", "file_id", "line"]
    on_line = places.join(found.select(lines).unique(), on=lines, nulls_equal=True).group_by(lines).agg(
        here=pl.len()
    )  # fmt: skip
    suspect = found.group_by(*lines, "field").agg(suspect=pl.col("row_id").n_unique())
    counted = found.join(on_line, on=lines, nulls_equal=True).join(
        suspect, on=[*lines, "field"], nulls_equal=True
    )
    group = ["file_id", "source_table", "test", "field", "ratio"]
    questions = counted.sort("file_id", "line", "row_id").group_by(group, maintain_order=True).agg(
        pl.col("line"),
        pl.col("device", "local_date", "value", "proposed", "unit").first(),
        n_trials=pl.col("row_id").n_unique().cast(pl.Int32),
        athlete_id=pl.when(pl.col("athlete_id").n_unique() == 1).then(pl.col("athlete_id").first()),
        complete=(pl.col("suspect") == pl.col("here")).all(),
        file=pl.col("file_id").first().repeat_by(pl.len()),
    )  # fmt: skip
    renamed = questions.drop("file_id").rename({"file": "file_id"})
    return _as_suspects(renamed.with_columns(code=pl.lit("unit_suspect")))


_SIDE = {"jump_trials": "leg", "neck_trials": "direction"}
"""Trial column that says the side; elsewhere it is `side`."""


def filing_questions(doubted: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """A question an athlete, device, day, code and table; rows of `_suspects`.

    `doubted`: trial_id, code, change (`a/b`: the two that may be mixed up; a word: what is perhaps true;
    empty: nothing to change). `field` is the column that an answer changes, `test` what it changes there.
    """
    side = pl.col("source_table").replace_strict(_SIDE, default="side", return_dtype=pl.String)
    change = pl.col("change")
    of_change = (
        pl.when(change == "free")
        .then(pl.lit("hands"))
        .when(change.str.starts_with("squat_jump/"))
        .then(pl.lit("test"))
        .when(change.str.contains("/"))
        .then(side)
    )
    trials = rows.select(
        *("trial_id", "athlete_id", "device", "local_date", "performed_at_utc", "source_table"),
        *("file_id", "line"),
    )
    asked = trials.join(doubted, on="trial_id").with_columns(field=of_change)
    group = ["code", "athlete_id", "device", "local_date", "source_table", "field", "change"]
    questions = asked.sort("file_id", "line").group_by(group, maintain_order=True).agg(
        pl.col("file_id", "line"),
        n_trials=pl.col("trial_id").n_unique().cast(pl.Int32),
        first_at=pl.col("performed_at_utc").min(),
        last_at=pl.col("performed_at_utc").max(),
    )  # fmt: skip
    return _as_suspects(questions.with_columns(test=pl.when(change != "").then(change)))


def _as_suspects(questions: pl.DataFrame) -> pl.DataFrame:
    texts = [
        places_text(zip(files, lines, strict=True))
        for files, lines in questions.select("file_id", "line").iter_rows()
    ]
    schema = polars_schema(SUSPECTS)
    placed = questions.with_columns(places=pl.Series(texts, dtype=pl.String))
    absent = [pl.lit(None, dtype=t).alias(name) for name, t in schema.items() if name not in placed.columns]
    return placed.with_columns(absent).select(pl.col(name).cast(t) for name, t in schema.items())


def places_text(places: Iterable[tuple[str, int]]) -> str:
    """Lines of files as text: `1f0c…:4-6,9;77ab…:3`."""
    of_file: dict[str, set[int]] = {}
    for file, line in places:
        of_file.setdefault(file, set()).add(line)
    return ";".join(f"{file}:{_spans(sorted(lines))}" for file, lines in sorted(of_file.items()))


def _spans(lines: list[int]) -> str:
    spans: list[list[int]] = []
    for line in lines:
        if spans and line == spans[-1][1] + 1:
            spans[-1][1] = line
        else:
            spans.append([line, line])
    return ",".join(str(first) if first == last else f"{first}-{last}" for first, last in spans)


def places_of(text: str) -> Places:
    """The lines of each file that a text of `places_text` names; ValueError where it is none."""
    found: Places = {}
    for part in text.split(";"):
        match = re.fullmatch(r"([0-9a-f]{16}):(\d+(?:-\d+)?(?:,\d+(?:-\d+)?)*)", part)
        if match is None:
            raise ValueError(f"{text!r} names no lines of files")
        lines: list[int] = []
        for span in match[2].split(","):
            first, _, last = span.partition("-")
            lines += range(int(first), int(last or first) + 1)
        found[match[1]] = lines
    return found
