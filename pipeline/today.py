"""Today's sheet of a facility: what is planned, done, to be repeated and asked, as the warehouse has it
now."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.analysis.screening.levels import trial_values
from pipeline.analysis.screening.screening import TELLING
from pipeline.analysis.today import repeats
from pipeline.analysis.today.planned import trials_done
from pipeline.facility.folder import Facility
from pipeline.facility.periods import state_on
from pipeline.facility.testing_days import planned
from pipeline.intake.intake import knowledge_of
from pipeline.intake.suspect_sheet import proposed_in_words, seen_in_words
from pipeline.intake.waiting import held_with_context
from pipeline.publish.today import Sheet, write_sheet
from pipeline.publish.words import called, series_in_words
from pipeline.run import Run
from pipeline.steps import STEPS, measured, screened
from pipeline.todays_rows import what_today_needs
from pipeline.warehouse.store import Warehouse
from schemas.catalogue import SERIES_KEYS
from schemas.families import FAMILIES
from schemas.tables import TRIAL_TABLES

_MADE_BY = ("repetitions", "sessions", "measurements", "screening")
_BRIEF = (
    *("from_distance", "distance", "test", "lift", "load", "site", "direction", "side", "leg", "drop_height"),
    *("added_load", "resistance", "resistance_setting", "sled_mass"),
)
_ROW = {"athlete_id": pl.String, "device": pl.String, "about": pl.String, "why": pl.String}


@dataclass(frozen=True)
class _Day:
    """What was tested on a day, measured and screened: `run` has the frames of those who were tested."""

    day: date
    run: Run

    def rows(self, name: str) -> pl.DataFrame:
        """The day's rows of a table."""
        return self.run.read(name).filter(pl.col("local_date") == self.day)


def write_todays_sheet(
    facility: Facility, warehouse: Warehouse, now: datetime, day: date | None = None
) -> list[Path]:
    """Write `published/coach/today.html` and `today.csv`; returns them. See `todays_sheet`."""
    return write_sheet(facility.published / "coach", todays_sheet(facility, warehouse, now, day))


def todays_sheet(facility: Facility, warehouse: Warehouse, now: datetime, day: date | None = None) -> Sheet:
    """The sheet of a day. `now`: in UTC, without a zone; `day`: which day, by default the one `now` is in
    (it begins at the facility's `day_start`).

    Only those who were tested that day are measured and screened again, beside their own last sessions
    alone (see `todays_rows`), so it is quick enough for each intake. Why somebody is not fully available is
    not read here: the sheet can't show it.
    """
    local = now.replace(tzinfo=ZoneInfo("UTC")).astimezone(ZoneInfo(facility.settings.timezone))
    start = facility.settings.day_start
    of_now = (local - timedelta(hours=start.hour, minutes=start.minute)).date()
    tested = _tested(facility, warehouse, day or of_now)
    labels = _labels(facility, tested.run)
    names = dict(facility.athletes.select("athlete_id", "name").iter_rows())
    return Sheet(
        facility=facility.settings.name,
        day=tested.day,
        made_at=local.replace(tzinfo=None),
        planned=_planned(facility, tested),
        repeats=_repeats(facility, tested, labels),
        questions=_questions(facility, warehouse, tested),
        shifts=_shifts(tested, labels),
        devices=_devices(facility, warehouse),
        names=names,
    )


def _tested(facility: Facility, warehouse: Warehouse, day: date) -> _Day:
    run = Run.in_memory(facility, warehouse, day, day, what_today_needs(warehouse, day))
    steps = {step.name: step.run for step in STEPS}
    # What several trials of an occasion come to is not on the sheet.
    steps["measurements"] = partial(measured, trials_alone=True)
    steps["screening"] = partial(screened, trials_alone=True)
    for name in _MADE_BY:
        run.apart.update(steps[name](run))
    return _Day(day, run)


def _planned(facility: Facility, tested: _Day) -> pl.DataFrame:
    """athlete_id, squad, test, wanted, done."""
    days = facility.testing_days.filter(pl.col("date") == tested.day)
    wanted = planned(days, facility.periods, facility.athletes)
    flags = tested.run.read("value_flags")
    tables = {name: _with_codes(tested.rows(name), name, flags) for name in TRIAL_TABLES}
    counted = trials_done(wanted, tables, tested.rows("measurements"))
    asked = counted.select("athlete_id", on=pl.lit(tested.day)).unique()
    squads = called(state_on(facility.periods, asked).select("athlete_id", "squad"), facility.settings.words)
    return counted.join(squads, on="athlete_id", how="left", maintain_order="left")


def _with_codes(rows: pl.DataFrame, name: str, flags: pl.DataFrame) -> pl.DataFrame:
    """Trial rows whose flags are all that is known of them."""
    own = flags.filter(pl.col("owner_table") == name).group_by(row_id="owner_id").agg(
        codes=pl.col("code").sort().str.join(";")
    )  # fmt: skip
    return (
        rows.drop("flags")
        .join(own, on="row_id", how="left", maintain_order="left")
        .rename({"codes": "flags"})
    )


def _repeats(facility: Facility, tested: _Day, labels: pl.DataFrame) -> pl.DataFrame:
    run = tested.run
    columns = ("trial_id", "device", "performed_at_utc", "time_known")
    trials = pl.concat([run.read(name).select(columns) for name in TRIAL_TABLES]).unique("trial_id")
    telling = pl.col("metric").is_in([*TELLING, *facility.metrics.tests])
    values = trial_values(run.read("measurements").filter(telling), trials, run.catalogue)
    values = values.join(labels, on="series_id")
    today = pl.col("local_date") == tested.day
    told = [
        repeats.still_rising(values, today),
        repeats.spread_wide(values, today),
        repeats.side_missing(values, run.read("series"), today),
        repeats.split_missing(tested.rows("sprint_splits")),
        repeats.facts_missing(_coded(tested)),
        repeats.load_below_bar(tested.rows("bar_reps"), facility.records.equipment),
    ]
    return pl.concat(told).unique().sort("athlete_id", "about", "why")


def _labels(facility: Facility, run: Run) -> pl.DataFrame:
    """series_id, metric_label, label: the metric, and briefly what it is of: it is read beside the device."""
    series = run.read("series")
    plain = {"leg": "both", "added_load": "0 kg", "side": "both"}
    brief = series.with_columns(
        pl.when(pl.col(key).ne_missing(plain.get(key)) if key in _BRIEF else False).then(key).alias(key)
        for key in SERIES_KEYS
    )
    words = series_in_words(brief, (), facility.settings.method_labels)
    labels = {metric.metric: metric.label for metric in run.catalogue.values()}
    named = series.select("series_id", metric_label=pl.col("metric").replace(labels))
    how = pl.when(pl.col("how") != "").then("how")
    label = pl.concat_str("metric_label", how, separator=", ", ignore_nulls=True)
    return named.join(words, on="series_id").select("series_id", "metric_label", label=label)


def _coded(tested: _Day) -> pl.DataFrame:
    """athlete_id, device, about, code of what today's trial rows carry."""
    flags = tested.run.read("value_flags")
    parts = []
    for family in FAMILIES.values():
        rows = tested.rows(family.table)
        about = next((name for name in ("test", "site", "direction") if name in rows.columns), None)
        named = rows.select(
            "athlete_id", "device", owner_id="row_id", about=pl.col(about) if about else pl.lit(family.label)
        )
        own = flags.filter(pl.col("owner_table") == family.table).select("owner_id", "code")
        parts.append(named.join(own, on="owner_id").drop("owner_id"))
    return pl.concat(parts)


def _questions(facility: Facility, warehouse: Warehouse, tested: _Day) -> pl.DataFrame:
    """athlete_id, device, about, why of names that are not known and trials that may be somebody else's."""
    held = held_with_context(warehouse).filter(
        pl.col("code").is_in(["unknown_name", "ambiguous_name"]) & (pl.col("day") == tested.day)
    )
    unknown = held.group_by("seen", "device").agg(lines=pl.len()).select(
        athlete_id=pl.lit(None, dtype=pl.String),
        device="device",
        about="seen",
        why=pl.format("who is this? {} line(s) wait", "lines"),
    )  # fmt: skip
    names = knowledge_of(facility).names
    suspects = tested.run.read("_suspects").filter(pl.col("local_date") == tested.day)
    asked = [
        (
            row["athlete_id"],
            row["device"],
            seen_in_words(row),
            proposed_in_words(row, names) or "whose are they?",
        )
        for row in suspects.iter_rows(named=True)
    ]
    return pl.concat([unknown, pl.DataFrame(asked, schema=_ROW, orient="row")]).sort(pl.all())


def _shifts(tested: _Day, labels: pl.DataFrame) -> pl.DataFrame:
    """athlete_id (NULL), device, about, why of what everybody's values did today."""
    run = tested.run
    flagged = tested.rows("measurements").filter(
        pl.col("flags").str.split(";").list.contains("session_shift").fill_null(False)
    )
    devices = pl.concat([run.read(name).select("trial_id", "device") for name in TRIAL_TABLES]).unique(
        "trial_id"
    )
    told = (
        flagged.join(devices, on="trial_id")
        .join(labels, on="series_id")
        .group_by("device", "label")
        .agg(people=pl.col("athlete_id").n_unique())
    )
    return told.select(
        athlete_id=pl.lit(None, dtype=pl.String),
        device="device",
        about="label",
        why=pl.format("most of the {} tested moved the same way: look at the set-up now", "people"),
    ).sort(pl.all())


def _devices(facility: Facility, warehouse: Warehouse) -> pl.DataFrame:
    """device, label, last_at (facility's local time; NULL: no file yet); hand-written sheets only if used."""
    last = warehouse.select("SELECT device, max(received_at) AS last FROM _drops GROUP BY device")
    zone = facility.settings.timezone
    known = pl.DataFrame(
        [(name, one.label or name) for name, one in facility.settings.devices.items()],
        schema={"device": pl.String, "label": pl.String},
        orient="row",
    )
    local = pl.col("last").dt.replace_time_zone("UTC").dt.convert_time_zone(zone).dt.replace_time_zone(None)
    joined = known.join(last, on="device", how="left").with_columns(last_at=local)
    return joined.filter(
        pl.col("last_at").is_not_null() | ~pl.col("device").str.starts_with("sheet-")
    ).sort("last_at", "device", descending=[True, False], nulls_last=True).drop("last")  # fmt: skip
