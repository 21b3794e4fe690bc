"""The list of steps: what each reads, what it writes, and the function that does it.

The order, the flows, and the question what must be done again all come from `STEPS`. Steps between intake
and publishing are pure: frames in, frames out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.analysis.bests import personal_bests
from pipeline.analysis.changes import changes_table, expected_false_calls, followed_changes
from pipeline.analysis.drift import with_drift
from pipeline.analysis.minors import restricted_values
from pipeline.analysis.norms import norm_weeks, weekly_norms
from pipeline.analysis.people import athletes_table, events_table
from pipeline.analysis.reliability import reliability
from pipeline.analysis.results import summarise
from pipeline.analysis.returns import returns
from pipeline.analysis.sessions import build_sessions
from pipeline.analysis.squads import squad_changes
from pipeline.analysis.trends import trends
from pipeline.analysis.usable import usable_sessions
from pipeline.facility.catalogue import facility_catalogue
from pipeline.facility.folder import Facility
from pipeline.facility.periods import periods_table, restricted_periods, state_on
from pipeline.intake.intake import IntakeReport, take_in
from pipeline.metrics.measurements import flag_trials, measure_all
from pipeline.publish.publish import PublishReport, publish
from pipeline.warehouse.store import Warehouse
from schemas.catalogue import Metric
from schemas.codes import CODES
from schemas.models import polars_schema
from schemas.tables import FAMILY_OF_TABLE, SAMPLE_SETS, TABLES, TRIAL_TABLES

Frames = Mapping[str, pl.DataFrame]
Say = Callable[[str], None]


@dataclass
class Run:
    """One run over the steps: the facility, its open warehouse, the two dates, and what the steps reported.

    `as_of` governs statistics (default: the last local date in the warehouse); `valid_on` governs what holds
    of people today.
    """

    facility: Facility
    warehouse: Warehouse
    say: Say
    valid_on: date
    as_of: date | None = None
    intake: IntakeReport | None = None
    published: PublishReport | None = None
    frames: dict[str, pl.DataFrame] = field(default_factory=dict)

    @property
    def catalogue(self) -> dict[str, Metric]:
        """The metric catalogue with the facility's own figures."""
        return facility_catalogue(self.facility.metrics)

    def read(self, name: str) -> pl.DataFrame:
        """A table: as an earlier step of this run made it, else as the warehouse holds it."""
        if name not in self.frames:
            self.frames[name] = self.warehouse.read(name)
        return self.frames[name]

    def trials(self) -> dict[str, pl.DataFrame]:
        """The current trial rows up to the as-of date, by table."""
        last = self.statistics_date()
        return {name: self.read(name).filter(pl.col("local_date") <= last) for name in TRIAL_TABLES}

    def samples(self, rows: Frames) -> dict[str, pl.DataFrame]:
        """The samples of the runs among `rows` (trial tables by name), by set."""
        runs = {name: rows[FAMILY_OF_TABLE[name].table] for name in SAMPLE_SETS}
        return {name: self.read(name).join(r, on="sample_set_id", how="semi") for name, r in runs.items()}

    def statistics_date(self) -> date:
        """The as-of date: as given, else the last local date in the warehouse, else `valid_on`."""
        if self.as_of is not None:
            return self.as_of
        days = [day for name in TRIAL_TABLES if (day := self.read(name)["local_date"].max()) is not None]
        return max(days) if days else self.valid_on  # type: ignore[return-value]


class NothingThatOld(Exception):
    """The as-of date is before the first test; nothing was published."""


@dataclass(frozen=True)
class Step:
    """A step of the pipeline: the tables it reads and writes, and what does it."""

    name: str
    says: str
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    run: Callable[[Run], Mapping[str, pl.DataFrame]]


def today(timezone: str) -> date:
    """Today in a time zone."""
    return datetime.now(ZoneInfo(timezone)).date()


def _take_in(run: Run) -> Frames:
    run.intake = take_in(run.facility, run.warehouse, run.say)
    run.frames.clear()
    return {}


def _people(run: Run) -> Frames:
    facility = run.facility
    ids = facility.athletes.select("athlete_id", on=pl.lit(run.valid_on))
    return {
        "athletes": athletes_table(facility.athletes, state_on(facility.periods, ids), run.valid_on),
        "athlete_periods": periods_table(facility.periods),
        "restricted_periods": restricted_periods(facility.periods),
        "events": events_table(facility.events),
        "metrics": _metrics_table(run.catalogue),
        "flag_codes": _codes_table(),
    }


def _metrics_table(catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    schema = polars_schema(TABLES["metrics"])
    rows = [
        {
            **metric.model_dump(include=set(schema)),
            "series_keys": ";".join(metric.series_keys) or None,
            "pool_keys": ";".join(metric.pool_keys) or None,
        }
        for metric in catalogue.values()
    ]
    return pl.DataFrame(rows, schema=schema)


def _codes_table() -> pl.DataFrame:
    schema = polars_schema(TABLES["flag_codes"])
    return pl.DataFrame(
        [{name: getattr(code, name) for name in schema} for code in CODES.values()], schema=schema
    )


def _sessions(run: Run) -> Frames:
    trials = run.trials()
    if (
        run.as_of
        and all(frame.is_empty() for frame in trials.values())
        and any(run.read(n).height for n in TRIAL_TABLES)
    ):
        raise NothingThatOld(f"no test is as old as {run.as_of}; what is published stays as it is")
    days = pl.concat([frame.select("athlete_id", "local_date") for frame in trials.values()]).unique()
    states = state_on(run.facility.periods, days.rename({"local_date": "on"})).rename({"on": "local_date"})
    athletes = run.facility.athletes.select("athlete_id", "birth_date")
    return build_sessions(trials, run.read("_session_slots"), athletes, states)


def _measurements(run: Run) -> Frames:
    methods = {name: device.method for name, device in run.facility.settings.devices.items()}
    trials = run.trials()
    return measure_all(trials | run.samples(trials), run.read("sessions"), run.catalogue, methods)


def _results(run: Run) -> Frames:
    return {"results": summarise(run.read("measurements"), run.read("sessions"), run.catalogue)}


def _usable(run: Run) -> pl.DataFrame:
    results, sessions, squads, events, series = (run.read(name) for name in _USED)
    return usable_sessions(results, sessions, squads, events, series, run.catalogue)


def _reliability(run: Run) -> Frames:
    people = run.facility.athletes.select("athlete_id", "sex", "birth_date")
    days = _usable(run).filter(~restricted_values(run.catalogue, people))
    weeks = norm_weeks(run.read("results"), run.statistics_date())
    sexes = people.select("athlete_id", "sex")
    rows = reliability(days, run.read("measurements"), sexes, run.catalogue, weeks)
    return {"reliability": with_drift(rows, days, run.catalogue)}


def _trends(run: Run) -> Frames:
    return {"trends": trends(_usable(run), run.read("reliability"), run.catalogue)}


def _changes(run: Run) -> Frames:
    people, squads = run.facility.athletes.select("athlete_id", "birth_date"), run.read("session_squads")
    season = run.facility.settings.season_start
    followed = followed_changes(
        _usable(run), run.read("reliability"), run.read("events"), squads, run.catalogue, season
    )
    shown = followed.filter(~restricted_values(run.catalogue, people, "from_date"))
    return {
        "changes": changes_table(followed),
        "expected_false_calls": expected_false_calls(shown),
        "squad_changes": squad_changes(shown, squads, run.catalogue),
    }


def _returns(run: Run) -> Frames:
    trends, registry, events, series = (run.read(n) for n in ("trends", "reliability", "events", "series"))
    return {"returns": returns(trends, _usable(run), registry, events, series, run.catalogue)}


def _personal_bests(run: Run) -> Frames:
    return {"personal_bests": personal_bests(run.read("measurements"), run.catalogue)}


def _norms(run: Run) -> Frames:
    people = run.facility.athletes.select("athlete_id", "sex", "birth_date")
    results = run.read("results").filter(~restricted_values(run.catalogue, people))
    as_of = run.statistics_date()
    weeks = pl.DataFrame({"week": norm_weeks(results, as_of)}, schema={"week": pl.Date})
    asked = (
        results.select("athlete_id")
        .unique()
        .join(weeks, how="cross")
        .with_columns(on=pl.col("week").dt.offset_by("6d"))
    )
    states = asked.select("athlete_id", "week").with_columns(
        state_on(run.facility.periods, asked).drop("athlete_id", "on")
    )
    season = run.facility.settings.season_start
    return weekly_norms(results, people, states, run.catalogue, as_of, season)


def _publish(run: Run) -> Frames:
    names = [name for name, table in TABLES.items() if table.published]
    frames = {name: run.read(name) for name in names}
    # What a comparison of rows found (a split that does not rise) is shown on the rows themselves.
    sets = run.samples(frames)
    frames.update(flag_trials({name: frames[name] for name in TRIAL_TABLES} | sets))
    run.published = publish(
        frames,
        run.facility.athletes.select("athlete_id", "name", "birth_date"),
        run.facility.published,
        as_of=run.statistics_date(),
        valid_on=run.valid_on,
        units=run.facility.settings.units,
        facility_name=run.facility.settings.name,
        catalogue=run.catalogue,
        labels=run.facility.settings.method_labels,
        sample_sets={
            name: samples.join(_months(frames, name), on="sample_set_id") for name, samples in sets.items()
        },
    )
    return {}


def _months(frames: Frames, name: str) -> pl.DataFrame:
    """sample_set_id and month (YYYY-MM) of each current run of a sample set."""
    runs = frames[FAMILY_OF_TABLE[name].table]
    return runs.select("sample_set_id", month=pl.col("local_date").dt.strftime("%Y-%m"))


_PEOPLE = ("athletes", "athlete_periods", "restricted_periods", "events", "metrics", "flag_codes")
_RESOLVED = (
    *TRIAL_TABLES,
    *SAMPLE_SETS,
    "superseded_rows",
    "line_fates",
    "files",
    "held_rows",
    "_session_slots",
)
_MEASURED = ("measurements", "measurement_inputs", "series", "value_flags")
_NORMED = ("populations", "norms", "norm_percentiles")
_SESSIONS = ("sessions", "session_squads")
_USED = ("results", "sessions", "session_squads", "events", "series")
_CHANGED = ("changes", "expected_false_calls", "squad_changes")

STEPS: tuple[Step, ...] = (
    Step("take_in", "takes in what lies in the inbox", (), _RESOLVED, _take_in),
    Step("people", "writes down who is who, and the catalogue", (), _PEOPLE, _people),
    Step("sessions", "groups trials into sessions", (*TRIAL_TABLES, "_session_slots"), _SESSIONS, _sessions),
    Step(
        "measurements",
        "turns trials into values",
        (*TRIAL_TABLES, *SAMPLE_SETS, "sessions"),
        _MEASURED,
        _measurements,
    ),
    Step("results", "sums up each session", ("measurements", "sessions"), ("results",), _results),
    Step(
        "reliability",
        "says how far values are off",
        (*_USED, "measurements"),
        ("reliability",),
        _reliability,
    ),
    Step("trends", "follows levels", (*_USED, "reliability"), ("trends",), _trends),
    Step("changes", "says who changed", (*_USED, "reliability"), _CHANGED, _changes),
    Step(
        "returns",
        "sets people after an injury beside themselves",
        (*_USED, "trends", "reliability"),
        ("returns",),
        _returns,
    ),
    Step("personal_bests", "keeps bests apart", ("measurements",), ("personal_bests",), _personal_bests),
    Step("norms", "compares people, week by week", ("results",), _NORMED, _norms),
    Step("publish", "publishes", tuple(n for n, t in TABLES.items() if t.published), (), _publish),
)


def run_steps(run: Run, steps: tuple[Step, ...]) -> None:
    """Run steps in order; what the pure ones give is committed to the warehouse together, then published."""
    made: dict[str, pl.DataFrame] = {}
    for step in steps:
        run.say(f"{step.name}: {step.says}")
        if step.name == "publish" and made:
            _commit(run, made)
            made = {}
        frames = dict(step.run(run))
        run.frames.update(frames)
        made.update(frames)
    if made:
        _commit(run, made)


def _commit(run: Run, made: Mapping[str, pl.DataFrame]) -> None:
    with run.warehouse.transaction():
        for name, frame in made.items():
            run.warehouse.replace(name, frame)


def refresh_steps() -> tuple[Step, ...]:
    """All steps after intake."""
    return tuple(step for step in STEPS if step.name != "take_in")
