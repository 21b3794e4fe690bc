"""The screening step: codes that need the athlete's own level or the others of that day.

Pure, and recomputed from all current rows at each refresh; it flags and never holds. What it needs of trials
and sessions is in `levels`; each kind of look is a module of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.analysis.screening.counts import masses_jumped, trials_missing
from pipeline.analysis.screening.identity import identity_suspects
from pipeline.analysis.screening.levels import (
    OWN_CODES,
    beside_level,
    session_medians,
    trial_values,
    without_own_codes,
)
from pipeline.analysis.screening.protocol import (
    arms_used,
    ends_swapped,
    landing_suspects,
    sides_swapped,
    squat_above_counter,
    warm_ups,
)
from pipeline.analysis.screening.questions import filing_questions, identity_questions, unit_questions
from pipeline.analysis.screening.shift import session_shifts
from pipeline.analysis.screening.units import unit_suspects
from pipeline.metrics.measurements import long_flags, why_not_used
from pipeline.metrics.ranges import partial_repetitions, ranges_changed
from pipeline.metrics.rows import as_table, join_codes
from schemas.catalogue import Metric
from schemas.families import FAMILIES

TELLING = (
    "jump_height",
    "push_up_rise",
    "sprint_time",
    "change_of_direction_time",
    "resisted_plateau_velocity",
    "bar_mean_velocity",
    "bar_propulsive_velocity",
    "bar_peak_velocity",
    "body_mass",
    "stature",
    "neck_force",
    "neck_torque",
    "one_rep_max",
)
"""Metrics that tell people apart, beside the facility's own tests; what only repeats another is left out."""
ASKED_OF_FILING = ("test_suspect", "landing_suspect", "protocol_suspect", "gone_at_source")
_TRIAL = (
    *("row_id", "trial_id", "athlete_id", "session_id", "device", "local_date", "performed_at_utc"),
    *("time_known", "mark", "file_id", "line"),
)


@dataclass(frozen=True)
class Known:
    """What people said that screening goes by.

    `expected` and `absent`: athlete_id, local_date of who was planned and who was away. `settled`: code,
    row_id of what was answered `ok`. `all_count`: devices on which every trial counts. `gone`: row_id of what
    a later export leaves out.
    """

    expected: pl.DataFrame
    absent: pl.DataFrame
    settled: pl.DataFrame
    all_count: list[str]
    gone: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema={"row_id": pl.String}))


def nothing_known() -> Known:
    """Nobody said anything."""
    people = pl.DataFrame(schema={"athlete_id": pl.String, "local_date": pl.Date})
    return Known(people, people, pl.DataFrame(schema={"code": pl.String, "row_id": pl.String}), [])


def screen(
    tables: Mapping[str, pl.DataFrame],
    catalogue: Mapping[str, Metric],
    known: Known,
    trials_alone: bool = False,
) -> dict[str, pl.DataFrame]:
    """The tables `measurements` and `value_flags` with the codes of screening, and `_suspects`: what to ask.

    `tables`: the trial tables, measurements, measurement_inputs, series, value_flags. A value that a code
    takes out is no longer used. Screening its own result again changes nothing.
    `trials_alone`: `value_flags` of trial rows, without those of values.
    """
    rows = _all_rows(tables)
    measurements = _as_before(tables["measurements"], rows)
    found = _look(measurements, rows, tables, catalogue, known)
    codes = _codes_of_values(measurements, rows, tables["measurement_inputs"], found)
    flagged = measurements.join(codes, on="measurement_id", how="left", maintain_order="left")
    both = (
        pl.when(pl.col("codes").is_null())
        .then("flags")
        .otherwise(join_codes(pl.col("flags"), pl.col("codes")))
    )
    flagged = flagged.with_columns(flags=both).drop("codes")
    flagged = flagged.with_columns(why_not_used(flagged["flags"]))
    screened = as_table(flagged.with_columns(used=pl.col("why_not_used").is_null()), "measurements")
    flags = [_row_flags(tables["value_flags"], rows, found.rows)]
    if not trials_alone:
        flags.append(long_flags(screened, "measurements", "measurement_id"))
    suspects = pl.concat([found.identity, found.units, found.filing]).sort(
        "code", "local_date", "device", "places"
    )
    return {
        "measurements": screened,
        "value_flags": pl.concat(flags).unique().sort(pl.all()),
        "_suspects": suspects,
    }


@dataclass(frozen=True)
class _Found:
    """`rows`: row_id, code. `shifts`: see `shift`. `identity`, `units`, `filing`: questions."""

    rows: pl.DataFrame
    shifts: pl.DataFrame
    identity: pl.DataFrame
    units: pl.DataFrame
    filing: pl.DataFrame


def _all_rows(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """The rows of all trial tables: who, when, where, and `test` (or the quantity) where there is one."""
    parts = []
    for family in FAMILIES.values():
        rows = tables[family.table]
        test = next((pl.col(name) for name in ("test", "quantity") if name in rows.columns), pl.lit(None))
        trial = pl.col("trial") if "trial" in rows.columns else pl.lit(None)
        parts.append(
            rows.select(
                *_TRIAL,
                test=test.cast(pl.String),
                trial=trial.cast(pl.Int32),
                source_table=pl.lit(family.table),
            )
        )
    return pl.concat(parts).sort("row_id")


def _as_before(measurements: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Measurements as the step before made them: without the codes of screening."""
    texts = pl.DataFrame({"flags": measurements["flags"].drop_nulls().unique()})
    bare = pl.col("flags").str.split(";").list.set_difference(["warm_up"]).list.join(";")
    # Once for each distinct text: there are few of them.
    cleaned = texts.with_columns(without=without_own_codes(pl.col("flags"))).with_columns(
        cold=without_own_codes(bare)
    )
    marked = rows.filter(pl.col("mark") == "warm_up")["trial_id"].unique()
    unmarked = pl.col("trial_id").is_not_null() & ~pl.col("trial_id").is_in(marked.implode())
    told = measurements.join(cleaned, on="flags", how="left", maintain_order="left")
    flags = pl.when(unmarked).then("cold").otherwise("without")
    before = told.with_columns(flags=flags).drop("without", "cold")
    return before.with_columns(why_not_used(before["flags"]))


def _look(
    measurements: pl.DataFrame,
    rows: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    catalogue: Mapping[str, Metric],
    known: Known,
) -> _Found:
    """Every look in its turn; what one finds is taken out before the next, so that nothing is told twice."""
    series = tables["series"]
    trials = rows.sort("performed_at_utc", "row_id").unique("trial_id", keep="first", maintain_order=True)
    values = trial_values(
        measurements, trials.select("trial_id", "device", "performed_at_utc", "time_known"), catalogue
    )
    own_tests = [metric.metric for metric in catalogue.values() if metric.family == "other_tests"]
    medians = session_medians(values)
    beside = beside_level(values, medians)
    units = unit_suspects(beside, own_tests)
    units = units.join(known.settled.filter(pl.col("code") == "unit_suspect"), on="row_id", how="anti")
    if not units.is_empty():
        values = _without(values, units)
        medians = session_medians(values)
        beside = beside_level(values, medians)
    learned = [metric.metric for metric in catalogue.values() if metric.learned]
    telling = pl.col("metric").is_in([*TELLING, *own_tests])
    # What is computed from several values (a fit, a ratio) shifts with them, and by chance besides; lifted
    # maxima rise together after a block, and nothing of the set-up does that.
    shifting = (telling | (pl.col("metric") == "interval_speed")) & (pl.col("metric") != "one_rep_max")
    shifts = session_shifts(medians.filter(shifting), learned)
    whose = identity_suspects(
        beside.filter(telling),
        medians.filter(telling),
        trials,
        shifts,
        known.expected,
        known.absent,
    )
    settled = rows.join(known.settled.filter(pl.col("code") == "identity_suspect"), on="row_id")
    whose = whose.join(settled, on="trial_id", how="anti")
    cold = warm_ups(_without(values, whose), known.all_count)
    if not (whose.is_empty() and cold.is_empty()):
        values = _without(_without(values, whose), cold)
        medians = session_medians(values)
        beside = beside_level(values, medians)
    filed = {
        ("test_suspect", "squat_jump/countermovement_jump"): squat_above_counter(values, series),
        ("test_suspect", "left/right"): sides_swapped(values, series),
        ("test_suspect", "flexion/extension"): ends_swapped(values, series),
        ("landing_suspect", ""): landing_suspects(beside, series),
        ("gone_at_source", ""): rows.join(known.gone, on="row_id", how="semi").select("trial_id"),
        ("protocol_suspect", "free"): arms_used(beside, medians, series),
    }
    doubted = _doubted(filed, rows, known)
    by_trial = {
        "warm_up": cold,
        "identity_suspect": whose,
        **{code: doubted.filter(pl.col("code") == code) for code in ASKED_OF_FILING},
        "mass_jump": masses_jumped(values),
        "trial_missing": trials_missing(rows),
    }
    coded = [
        rows.join(found.select("trial_id"), on="trial_id", how="semi").select("row_id", code=pl.lit(code))
        for code, found in by_trial.items()
    ]
    partial = partial_repetitions(tables["bar_reps"]).select("row_id", code=pl.lit("partial_repetition"))
    moved = ranges_changed(tables["bar_reps"]).select("row_id", code=pl.lit("range_changed"))
    of_units = units.select("row_id", code=pl.lit("unit_suspect")).drop_nulls()
    return _Found(
        pl.concat([*coded, partial, moved, of_units]).unique(),
        shifts,
        identity_questions(whose, rows),
        unit_questions(units, rows),
        filing_questions(doubted, rows),
    )


def _doubted(filed: Mapping[tuple[str, str], pl.DataFrame], rows: pl.DataFrame, known: Known) -> pl.DataFrame:
    """trial_id, code, change of trials that were perhaps not done or not filed as asked, but for those that
    somebody has answered. `filed`: (code, change: what an answer would change) -> column trial_id."""
    found = pl.concat(
        [
            trials.select("trial_id", code=pl.lit(code), change=pl.lit(change))
            for (code, change), trials in filed.items()
        ]
    ).unique(["trial_id", "code"], keep="first", maintain_order=True)
    settled = rows.join(known.settled, on="row_id").select("trial_id", "code").unique()
    return found.join(settled, on=["trial_id", "code"], how="anti", maintain_order="left")


def _without(values: pl.DataFrame, trials: pl.DataFrame) -> pl.DataFrame:
    return values.join(trials.select("trial_id"), on="trial_id", how="anti")


def _codes_of_values(
    measurements: pl.DataFrame, rows: pl.DataFrame, inputs: pl.DataFrame, found: _Found
) -> pl.DataFrame:
    """measurement_id, codes (joined): of the row that a value is from, of its trial, of any of its inputs,
    and of its day."""
    ids = measurements.select("measurement_id", "trial_id", "row_id", "series_id")
    direct = ids.join(found.rows, on="row_id").select("measurement_id", "code")
    fed = inputs.join(found.rows, on="row_id").select("measurement_id", "code")
    days = rows.select("trial_id", "device", "local_date").unique("trial_id")
    moved = (
        ids.join(days, on="trial_id")
        .join(found.shifts, on=["device", "local_date", "series_id"], how="semi")
        .select("measurement_id", code=pl.lit("session_shift"))
    )
    codes = pl.concat([direct, fed, moved]).unique()
    return codes.group_by("measurement_id").agg(codes=pl.col("code").sort().str.join(";"))


def _row_flags(flags: pl.DataFrame, rows: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """The rows of `value_flags` about trial rows: those of before, and those found."""
    marked = rows.filter(pl.col("mark") == "warm_up").select("row_id")
    before = flags.filter((pl.col("owner_table") != "measurements") & ~pl.col("code").is_in(OWN_CODES))
    warm = before.filter(pl.col("code") == "warm_up").join(
        marked, left_on="owner_id", right_on="row_id", how="semi"
    )
    others = before.filter(pl.col("code") != "warm_up")
    new = found.join(rows.select("row_id", "source_table"), on="row_id").select(
        owner_table="source_table", owner_id="row_id", code="code"
    )
    return pl.concat([others, warm, new.select(before.columns)])


def flag_rows(trials: Mapping[str, pl.DataFrame], flags: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The trial tables with the codes of `value_flags` about their rows in `flags` too."""
    flagged = {}
    for name, rows in trials.items():
        own = flags.filter(pl.col("owner_table") == name)
        codes = own.group_by(row_id="owner_id").agg(codes=pl.col("code").sort().str.join(";"))
        joined = rows.join(codes, on="row_id", how="left", maintain_order="left")
        flagged[name] = joined.with_columns(flags=join_codes(pl.col("flags"), pl.col("codes"))).drop("codes")
    return flagged
