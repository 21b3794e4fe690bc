"""What changed in the numbers since a day, and why: rows new, released, corrected and withdrawn, and the
results they moved.

The facility is resolved again as it was known at the beginning of that day: with the files that had come, the
answers that had been given and the corrections that had been made. What has no date (the roster, layouts,
aliases.csv) counts as it is now. So nothing depends on how often anything was run.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.analysis.screening.screening import screen
from pipeline.facility.folder import Facility
from pipeline.intake.intake import knowledge_of
from pipeline.intake.renew import READ_TABLES
from pipeline.intake.resolve import FILE_DIGITS, resolve
from pipeline.intake.suspects import known_of
from pipeline.run import Run
from pipeline.steps import STEPS
from pipeline.warehouse.store import Warehouse
from schemas.families import FAMILIES
from schemas.tables import SAMPLE_SETS, TRIAL_TABLES

ROW_COLUMNS = (
    "kind",
    "source_table",
    "athlete_id",
    "local_date",
    "before",
    "after",
    "path",
    "line",
    "row_id",
)
RESULT_COLUMNS = ("athlete_id", "metric", "series", "local_date", "before", "after", "unit", "because")
_MEASURED = ("_measurements", "measurement_inputs", "series", "_value_flags")
_RESULT = ["athlete_id", "metric", "series_id", "session_id"]


@dataclass(frozen=True)
class Changed:
    """`rows`: a row a changed trial row, with `kind` (new, released, corrected, moved, withdrawn) and what it
    said before and after. `results`: a row a result that is not what it was, with the kinds of the rows
    behind it in `because`; `looked_at_anew` where none changed, but something that it is compared with
    did."""

    since: date
    rows: pl.DataFrame
    results: pl.DataFrame


def changed(facility: Facility, warehouse: Warehouse, since: date) -> Changed:
    """What changed since the beginning of a day, in the facility's time zone."""
    zone = ZoneInfo(facility.settings.timezone)
    moment = datetime.combine(since, time(), zone).astimezone(ZoneInfo("UTC")).replace(tzinfo=None)
    then = _computed(facility, warehouse, _as_known(facility, warehouse, moment), moment)
    names = (*TRIAL_TABLES, *SAMPLE_SETS, "superseded_rows", "_session_slots")
    now = _computed(facility, warehouse, {name: warehouse.read(name) for name in names}, None)
    rows = pl.concat([_rows(then, now, table) for table in TRIAL_TABLES])
    drops = warehouse.read("_drops").filter(pl.col("state") != "repeated")
    came = drops.select("received_at", "path", file_id=pl.col("file_id").str.slice(0, FILE_DIGITS))
    known = rows.join(came.unique("file_id"), on="file_id", how="left")
    released = (pl.col("kind") == "new") & (pl.col("received_at") < moment)
    kinds = known.with_columns(kind=pl.when(released).then(pl.lit("released")).otherwise("kind"))
    moved = _results(then, now, kinds)
    return Changed(since, kinds.select(ROW_COLUMNS).sort("kind", "local_date", "athlete_id", "row_id"), moved)


def _as_known(facility: Facility, warehouse: Warehouse, moment: datetime) -> dict[str, pl.DataFrame]:
    """The tables of intake as they were known at a moment."""
    knowledge, later = knowledge_of(facility, moment), knowledge_of(facility)
    drops = warehouse.read("_drops").filter(pl.col("received_at") < moment)
    # A cell that was answered since was not read as it is now: its line waited.
    answered = [
        (file, line)
        for file, cells in later.cell_answers.items()
        for line, field in cells
        if (line, field) not in knowledge.cell_answers.get(file, {})
    ]
    lines = pl.DataFrame(answered, schema={"file": pl.String, "line": pl.Int32}, orient="row")
    files = drops.select("drop_no", file=pl.col("file_id").str.slice(0, FILE_DIGITS))
    waited = files.join(lines, on="file").select("drop_no", "line")

    def before(name: str) -> pl.DataFrame:
        return warehouse.read(name).join(drops, on="drop_no", how="semi", maintain_order="left")

    reads = {
        name: before(name).join(waited, on=["drop_no", "line"], how="anti", maintain_order="left")
        for name in READ_TABLES
    }
    return resolve(drops, reads, before("_problems"), before("_skipped"), knowledge).tables


def _computed(
    facility: Facility, warehouse: Warehouse, tables: dict[str, pl.DataFrame], until: datetime | None
) -> dict[str, pl.DataFrame]:
    """These tables of intake with all that results follow from."""
    run = Run.in_memory(facility, warehouse, date.max, None, tables)
    steps = {step.name: step.run for step in STEPS}
    for name in ("repetitions", "sessions", "measurements"):
        run.apart.update(steps[name](run))
    names = (*TRIAL_TABLES, "superseded_rows", *_MEASURED)
    read = {name.removeprefix("_"): run.read(name) for name in names} | run.trials()
    run.apart.update(screen(read, run.catalogue, known_of(facility, read, until)))
    run.apart.update(steps["results"](run))
    return run.apart


def _rows(then: dict[str, pl.DataFrame], now: dict[str, pl.DataFrame], table: str) -> pl.DataFrame:
    """The rows of a table that are not what they were: ROW_COLUMNS but for `path`, and file_id."""
    family = next(one for one in FAMILIES.values() if one.table == table)
    told = [
        pl.format(f"{field.name} {{}}", pl.col(field.name).cast(pl.String)) for field in family.row_columns
    ]
    said = pl.concat_str("athlete_id", *told, "mark", separator=", ", ignore_nulls=True)
    about = ["row_id", "athlete_id", "local_date", "file_id", "line", "version"]
    old, new = (frames[table].select(*about, said=said) for frames in (then, now))
    both = old.join(new, on="row_id", how="full", coalesce=True, suffix="_now")
    kind = (
        pl.when(pl.col("said").is_null())
        .then(pl.lit("new"))
        .when(pl.col("said_now").is_null())
        .then(pl.lit("withdrawn"))
        .when(pl.col("athlete_id") != pl.col("athlete_id_now"))
        .then(pl.lit("moved"))
        .when((pl.col("version") != pl.col("version_now")) | (pl.col("said") != pl.col("said_now")))
        .then(pl.lit("corrected"))
    )
    differing = both.with_columns(kind=kind).filter(pl.col("kind").is_not_null())
    latest = [pl.coalesce(f"{name}_now", name).alias(name) for name in about[1:5]]
    return differing.select(
        "kind", "row_id", *latest, source_table=pl.lit(table), before="said", after="said_now"
    )


def _results(then: dict[str, pl.DataFrame], now: dict[str, pl.DataFrame], rows: pl.DataFrame) -> pl.DataFrame:
    old, new = (frames["results"].select(*_RESULT, "local_date", "value", "unit") for frames in (then, now))
    both = old.join(new, on=_RESULT, how="full", coalesce=True, suffix="_now")
    moved = both.filter(pl.col("value").ne_missing(pl.col("value_now")))
    kinds = pl.concat([_kinds_behind(frames, rows) for frames in (then, now)]).unique()
    because = kinds.group_by(_RESULT).agg(because=pl.col("kind").sort().str.join(", "))
    labels = pl.concat(
        [frames["series"].select("series_id", series="label") for frames in (then, now)]
    ).unique()
    return (
        moved.join(because, on=_RESULT, how="left")
        .join(labels, on="series_id", how="left")
        .with_columns(
            pl.col("because").fill_null("looked_at_anew"),
            pl.coalesce("local_date_now", "local_date").alias("local_date"),
            pl.coalesce("unit_now", "unit").alias("unit"),
            before="value",
            after="value_now",
        )
        .select(RESULT_COLUMNS)
        .sort("local_date", "athlete_id", "metric", "series", descending=[True, False, False, False])
    )


def _kinds_behind(frames: dict[str, pl.DataFrame], rows: pl.DataFrame) -> pl.DataFrame:
    """The key of a result, kind: of the changed rows that its values are or were made of."""
    values = frames["measurements"].select(*_RESULT, "measurement_id", "row_id", "trial_id")
    trial_rows = pl.concat([frames[table].select("row_id", "trial_id") for table in TRIAL_TABLES])
    changed_rows = rows.select("row_id", "kind")
    direct = values.drop("trial_id").join(changed_rows, on="row_id")
    fed = values.drop("row_id", "trial_id").join(
        frames["measurement_inputs"].select("measurement_id", "row_id"), on="measurement_id"
    )
    trials = changed_rows.join(trial_rows, on="row_id").select("trial_id", "kind")
    of_trial = values.drop("row_id").join(trials, on="trial_id")
    parts = [direct, fed.join(changed_rows, on="row_id"), of_trial]
    return pl.concat([part.select(*_RESULT, "kind") for part in parts]).unique()
