"""The history of each row: its versions in order, the current one in the trial table, the others kept."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.analysis.sessions import session_id, session_keys
from pipeline.ids import text_ids
from pipeline.intake.corrections import apply_corrections
from pipeline.intake.knowledge import Knowledge
from pipeline.intake.placing import duplicated, shared
from pipeline.intake.traces import runs_of, samples_of, with_sample_sets
from schemas.core import Family
from schemas.frames import polars_schema
from schemas.tables import TABLES, columns_of


@dataclass
class FamilyTables:
    """The family's trial table, the earlier versions of its rows, the slots of its sessions, its samples."""

    current: pl.DataFrame
    superseded: pl.DataFrame
    slots: pl.DataFrame
    samples: pl.DataFrame | None = None


def family_tables(
    family: Family, rows: pl.DataFrame, broken: pl.DataFrame, knowledge: Knowledge
) -> FamilyTables:
    """From rows with their fates to the family's tables; corrections are the last versions.

    `broken`: drop_no, line of lines that are held by themselves; they leave gaps in traces.
    """
    kept = _kept(family, rows)
    trials = kept if family.trace is None else runs_of(family.trace, kept, broken)
    versions = _versions(family, rows, trials, knowledge).with_columns(
        local_time=pl.when("time_known").then(pl.col("here").dt.time()),
        performed_at_utc="utc",
        file_id="file",
        unordered=_unordered(family),
    )
    current = versions.filter("is_current").with_columns(cause=pl.lit(None, dtype=pl.String))
    earlier = versions.filter(~pl.col("is_current")).with_columns(cause="next_cause")
    places = versions.select("row_id", "file", "line")
    corrected = apply_corrections(family, current, knowledge.corrections, places)
    now = _flagged(_in_sessions(corrected.rows, knowledge))
    old = pl.concat([earlier, corrected.superseded.select(earlier.columns)], how="vertical_relaxed")
    shaped = now.select(pl.col(c).cast(t) for c, t in polars_schema(TABLES[family.table]).items())
    slot = ["session_id", "session_date", "slot"]
    # The rows of a session mostly follow one another.
    begins = pl.col("session_id").ne_missing(pl.col("session_id").shift(1))
    slots = now.select(slot).filter(begins).unique()
    samples = None if family.trace is None else samples_of(family.trace, kept, versions)
    return FamilyTables(_by_day(shaped), _superseded(family, old, knowledge), slots, samples)


def _by_day(trials: pl.DataFrame) -> pl.DataFrame:
    """Trial rows in the order of time, so that the rows of a day lie together in the warehouse."""
    # As a file mostly has them.
    of_one_file = trials["file_id"].n_unique() == 1 and trials["line"].diff().min() != 0
    if of_one_file and trials["local_date"].is_sorted() and trials["line"].is_sorted():
        return trials
    return trials.sort("local_date", "file_id", "line", "row_id")


def _unordered(family: Family) -> pl.Expr:
    """Whether several trials have one time and no number, so that nothing says which was first."""
    if family.trace is not None or family.numbered != "trial":
        return pl.lit(False)
    return pl.col("counted") & (pl.col("number").max().over("group") > 1).fill_null(False)


def _kept(family: Family, rows: pl.DataFrame) -> pl.DataFrame:
    """Rows that are or were versions of something, with row_id and trial_id."""
    rows = rows.with_columns(pl.coalesce(family.numbered, "number").alias(family.numbered))
    kept = rows.filter(pl.col("fate").is_in(["loaded", "superseding"]) & ~pl.col("line_held"))
    again = pl.when(~pl.col("counted") & (pl.col("number") > 1)).then(pl.format("|{}", "number"))
    number = pl.concat_str(pl.col(family.numbered).cast(pl.String).fill_null(""), again.fill_null(""))

    def ids(base: str) -> pl.Series:
        key = pl.concat_str(pl.lit(family.table), base, number, separator="|")
        return text_ids(kept.select(key.alias("key")).to_series())

    kept = kept.with_columns(row_id=ids("base"))
    return kept.with_columns(trial_id="row_id" if family.row_is_trial else ids("trial_base"))


def _versions(family: Family, rows: pl.DataFrame, kept: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """All versions of all rows, with their numbers, how long each was current and is_current."""
    kept = kept.with_columns(known_from="written_at")
    # What one file says, and once, has no other version.
    again = shared(kept["row_id"]) | kept["withdrawn"]
    if kept["drop_no"].n_unique() > 1:
        files = kept.select("group", "drop_no").unique()
        said_again = files.filter(pl.col("group").is_duplicated())["group"].unique()
        again |= kept["group"].is_in(said_again.implode())
    single = kept.filter(~again).with_columns(
        version=pl.lit(1, dtype=pl.Int32),
        known_until=pl.lit(None, dtype=pl.Datetime("us")),
        next_cause=pl.lit(None, dtype=pl.String),
        is_current=pl.lit(True),
        superseded_by=pl.lit(None, dtype=pl.String),
    )
    several = kept.filter(again).sort("row_id", "drop_no", "line")
    several = several.with_columns(version=pl.int_range(1, pl.len() + 1, dtype=pl.Int32).over("row_id"))
    following = pl.col("version").shift(-1).over("row_id", "group")
    ended = _with_ends(several, knowledge).with_columns(superseded_by=following.cast(pl.String))
    versions = pl.concat([single.select(ended.columns), ended])
    if family.trace is not None:
        versions = with_sample_sets(versions)
    return versions.with_columns(removed=_removed_at_source(family, rows, versions))


def _with_ends(kept: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """Set known_from; add known_until, next_cause and is_current: a trial's rows end together when a later
    file says the trial anew (a gate may be missing there), or when their file is withdrawn.

    Times are those of the files, not of the runs that took them in; of files dropped in another order than
    they were written, the later one's time is at least the earlier one's.
    """
    trial = ["group", "number"]
    said = kept.select(*trial, "drop_no", "written_at", "cause").unique().sort(*trial, "drop_no")
    said = said.with_columns(known_from=pl.col("written_at").cum_max().over(trial))
    ends = said.select(
        *trial,
        "drop_no",
        "known_from",
        known_until=pl.col("known_from").shift(-1).over(trial),
        next_cause=pl.col("cause").shift(-1).over(trial),
        is_last=pl.col("drop_no") == pl.col("drop_no").max().over(trial),
    )
    days = {file: day for file, day in knowledge.withdrawn.items() if day is not None}
    day = pl.col("file").replace_strict(days, default=None, return_dtype=pl.Date).cast(pl.Datetime("us"))
    withdrawn_at = pl.when(day.is_not_null()).then(pl.max_horizontal(day, "known_from"))
    return (
        kept.drop("known_from")
        .join(ends, on=[*trial, "drop_no"], how="left", nulls_equal=True, maintain_order="left")
        .select(
            pl.exclude("known_until", "next_cause", "is_last"),
            known_until=pl.when("withdrawn").then(withdrawn_at).otherwise("known_until"),
            next_cause=pl.when("withdrawn").then(pl.lit("strike")).otherwise("next_cause"),
            is_current=pl.col("is_last") & ~pl.col("withdrawn"),
        )
    )


def _removed_at_source(family: Family, rows: pl.DataFrame, versions: pl.DataFrame) -> pl.Series:
    """Whether a later file gives the row's very trial to another athlete, and no longer to this one.

    Only where the time has seconds: then one device can't have had two people with equal values. The file
    in which the other athlete first appears decides, so that an old export changes nothing.
    """
    # One instant twice is soon looked for, and rare.
    twice = versions.filter(versions["seconds_known"] & duplicated(versions["utc"]))
    met = twice.select("device", "utc", "athlete_id").unique()
    shared = met.filter(pl.struct("device", "utc").is_duplicated()).select("device", "utc").unique()
    if shared.is_empty():
        return pl.repeat(False, versions.height, eager=True)
    values = ("n_samples",) if family.trace else family.values
    said = [pl.col(name).cast(pl.String).fill_null("") for name in (*family.natural_key, *values)]
    saying = pl.concat_str("device", pl.col("utc").cast(pl.String), *said, separator="|")
    timed = versions.filter("seconds_known").join(shared, on=["device", "utc"], how="semi")
    timed = timed.select("row_id", "athlete_id", "group", "drop_no", saying=saying)
    first = timed.group_by("saying", "athlete_id", "group").agg(pl.col("drop_no").min())
    newest = first.group_by("saying").agg(
        newest=pl.col("drop_no").max(), people=pl.col("athlete_id").n_unique()
    )
    older = first.join(newest.filter(pl.col("people") > 1), on="saying").filter(
        pl.col("drop_no") < pl.col("newest")
    )
    still_there = rows.select("group", newest="drop_no").unique()
    gone = older.join(still_there, on=["group", "newest"], how="anti").select("saying", "athlete_id")
    ids = timed.join(gone, on=["saying", "athlete_id"], how="semi")["row_id"]
    return versions.select(removed=pl.col("row_id").is_in(ids.unique().implode()))["removed"]


def _in_sessions(rows: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    keys = session_keys(
        rows["here"], rows["time_known"], rows["slot_text"], knowledge.day_start, list(knowledge.slots)
    )
    rows = rows.with_columns(keys)
    return rows.with_columns(session_id=session_id(rows["athlete_id"], rows["session_date"], rows["slot"]))


def _flagged(rows: pl.DataFrame) -> pl.DataFrame:
    """`flags` of trial rows: what their time and their mark say."""
    codes = pl.concat_list(
        pl.when("ambiguous").then(pl.lit("time_ambiguous")),
        pl.when(pl.col("mark") != "ok").then("mark"),
        pl.when("removed").then(pl.lit("removed_at_source")),
        pl.when("unordered").then(pl.lit("order_unknown")),
        pl.when("gap").then(pl.lit("gap")) if "gap" in rows.columns else pl.lit(None, dtype=pl.String),
    )
    joined = codes.list.drop_nulls().list.sort().list.join(";")
    return rows.with_columns(flags=pl.when(joined != "").then(joined))


def _superseded(family: Family, old: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """Earlier versions, each with its row as JSON."""
    table = TABLES["superseded_rows"]
    rows = _flagged(_in_sessions(old, knowledge))
    columns = [c for c in columns_of(TABLES[family.table]) if c in rows.columns]
    as_json = pl.struct(columns).struct.json_encode()
    shaped = rows.with_columns(row=as_json, source_table=pl.lit(family.table))
    return shaped.select(pl.col(c).cast(t) for c, t in polars_schema(table).items()).sort("row_id", "version")
