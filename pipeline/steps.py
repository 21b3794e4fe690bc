"""The list of steps: what each reads, what it writes, and the function that does it.

The order, the flows, and the question what must be done again all come from `STEPS`. Steps between intake
and publishing are pure: frames in, frames out.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.analysis.age_norms import age_norms
from pipeline.analysis.comparisons import against_group
from pipeline.analysis.composites import composites
from pipeline.analysis.minors import restricted_values
from pipeline.analysis.norm_changes import norm_changes
from pipeline.analysis.norms import norm_weeks, weekly_norms
from pipeline.analysis.people import athletes_table, events_table
from pipeline.analysis.populations import RUNGS, OwnPopulation
from pipeline.analysis.results import summarise
from pipeline.analysis.sessions import build_sessions
from pipeline.facility.periods import periods_table, restricted_periods, state_on
from pipeline.intake.intake import take_in
from pipeline.metrics.measurements import flag_trials, measure_all
from pipeline.publish.edition import closed_week, edition_of, publish_edition
from pipeline.publish.external import (
    consenting,
    external_key,
    external_results,
    publish_external,
    remove_external,
)
from pipeline.publish.frames import in_order_of_keys
from pipeline.publish.publish import publish
from pipeline.run import Frames, Run, Step, compute_apart, not_as_published
from pipeline.run_log import read_runs
from schemas.catalogue import Metric
from schemas.codes import CODES
from schemas.models import polars_schema
from schemas.tables import FAMILY_OF_TABLE, SAMPLE_SETS, TABLES, TRIAL_TABLES


class NothingThatOld(Exception):
    """The as-of date is before the first test; nothing was published."""


def today(timezone: str) -> date:
    """Today in a time zone."""
    return datetime.now(ZoneInfo(timezone)).date()


def _take_in(run: Run) -> Frames:
    run.intake = take_in(run.facility, run.warehouse, run.say, run.settled)
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
        {**metric.model_dump(include=set(schema)), "series_keys": ";".join(metric.series_keys) or None}
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


def _norms(run: Run) -> Frames:
    results, people = _comparable(run)
    as_of = run.statistics_date()
    states = _weekly_states(run, results, norm_weeks(results, as_of))
    settings = run.facility.settings
    own = [OwnPopulation(name, **dict(held)) for name, held in sorted(settings.populations.items())]
    return weekly_norms(results, people, states, run.catalogue, as_of, settings.season_start, own)


def _comparisons(run: Run) -> Frames:
    results, people = _comparable(run)
    as_of = run.statistics_date()
    states = _weekly_states(run, results, norm_weeks(results, as_of)[-1:])
    season = run.facility.settings.season_start
    norms, populations = run.read("norms"), run.read("populations")

    def compared(which: pl.DataFrame, **rungs: tuple[int, ...]) -> pl.DataFrame:
        return against_group(which, people, states, norms, populations, run.catalogue, as_of, season, **rungs)

    of_domains = [m.metric for m in run.catalogue.values() if m.domain is not None]
    widest = compared(results.filter(pl.col("metric").is_in(of_domains)), rungs=(len(RUNGS),))
    return {
        "against_group": compared(results),
        "norm_changes": norm_changes(norms, populations, as_of),
        **composites(widest, people, states, run.catalogue, as_of),
        **age_norms(results, people, run.facility.records.lms_tables, run.catalogue, as_of),
    }


def _comparable(run: Run) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The results that people may be compared by (not a minor's body composition), and the people."""
    people = run.facility.athletes.select("athlete_id", "sex", "birth_date")
    return run.read("results").filter(~restricted_values(run.catalogue, people)), people


def _weekly_states(run: Run, results: pl.DataFrame, mondays: list[date]) -> pl.DataFrame:
    """What each athlete with results was on the Sunday of each week."""
    weeks = pl.DataFrame({"week": mondays}, schema={"week": pl.Date})
    asked = (
        results.select("athlete_id")
        .unique()
        .join(weeks, how="cross")
        .with_columns(on=pl.col("week").dt.offset_by("6d"))
    )
    return asked.select("athlete_id", "week").with_columns(
        state_on(run.facility.periods, asked).drop("athlete_id", "on")
    )


def _publish(run: Run) -> Frames:
    frames = {name: run.read(name) for name in _OPENED}
    frames["runs"] = read_runs(run.facility.state)
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
    _publish_external(run)
    return {}


def _publish_external(run: Run) -> None:
    """The edition for others, of those who agreed."""
    folder = run.facility.published / "external"
    results, people = _comparable(run)
    agreed = consenting(run.facility.people.consents, people, run.valid_on).implode()
    of_bodies = [m.metric for m in run.catalogue.values() if m.restricted_minors]
    results = results.filter(pl.col("athlete_id").is_in(agreed), ~pl.col("metric").is_in(of_bodies))
    people = people.filter(pl.col("athlete_id").is_in(agreed))
    if results.is_empty():
        remove_external(folder)
        return
    as_of, settings = run.statistics_date(), run.facility.settings
    week = norm_weeks(results, as_of)[-1]
    states = _weekly_states(run, results, [week])
    found = weekly_norms(results, people, states, run.catalogue, as_of, settings.season_start, weeks=[week])
    key = external_key(run.facility.state / "external.key")
    sunday, series = week + timedelta(days=6), run.read("series")
    told = external_results(results, people, states.select("athlete_id", "sport"), series, key, sunday)
    publish_external(folder, {**found, "series": series}, told, settings.units, run.catalogue)


def _edition(run: Run) -> Frames:
    week = closed_week(run.valid_on)
    try:
        then = compute_apart(run, week + timedelta(days=6), STEPS, set(_NORMED))
    except NothingThatOld:
        run.edition = []
        return {}
    settings = run.facility.settings
    frames = {name: then.read(name) for name in (*_NORMED, "series", "results", "athletes")}
    people = run.facility.athletes.select("athlete_id", "birth_date")
    run.edition = publish_edition(
        run.facility.published / "coach",
        week,
        in_order_of_keys(frames),
        people,
        settings.units,
        settings.name,
        run.catalogue,
        settings.method_labels,
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
# What ran says nothing about anybody, and is no reason to publish again.
_OPENED = tuple(name for name, table in TABLES.items() if table.published and name != "runs")

STEPS: tuple[Step, ...] = (
    Step("take_in", "takes in what lies in the inbox", (), _RESOLVED, _take_in, when="always"),
    Step(
        "people",
        "writes down who is who, and the catalogue",
        (),
        _PEOPLE,
        _people,
        ("people", "metrics", "valid_on"),
    ),
    Step(
        "sessions",
        "groups trials into sessions",
        (*TRIAL_TABLES, "_session_slots"),
        _SESSIONS,
        _sessions,
        ("people", "as_of"),
    ),
    Step(
        "measurements",
        "turns trials into values",
        (*TRIAL_TABLES, *SAMPLE_SETS, "sessions"),
        _MEASURED,
        _measurements,
        ("settings", "metrics", "as_of"),
    ),
    Step(
        "results",
        "sums up each session",
        ("measurements", "sessions"),
        ("results",),
        _results,
        ("metrics",),
    ),
    Step(
        "norms",
        "compares people, week by week",
        ("results",),
        _NORMED,
        _norms,
        ("people", "settings", "metrics", "as_of"),
    ),
    Step(
        "comparisons",
        "says where each athlete stands, in a group and at an age",
        ("results", "norms", "populations"),
        ("against_group", "norm_changes", "composites", "composite_parts", "age_norms", "against_age"),
        _comparisons,
        ("people", "settings", "metrics", "as_of"),
    ),
    Step("publish", "publishes", _OPENED, (), _publish, lacks=not_as_published),
    Step(
        "edition",
        "writes down the norms of the week that has closed, once and for all",
        _NORMED,
        (),
        _edition,
        when="weekly",
        lacks=lambda run: not edition_of(run.facility.published / "coach", closed_week(run.valid_on)),
    ),
)


def plain_steps() -> tuple[Step, ...]:
    """All steps but the weekly ones."""
    return tuple(step for step in STEPS if step.when != "weekly")


def take_in_steps() -> tuple[Step, ...]:
    """Intake alone."""
    return tuple(step for step in STEPS if step.when == "always")


def weekly_steps() -> tuple[Step, ...]:
    """The steps that are done once a week."""
    return tuple(step for step in STEPS if step.when == "weekly")


def refresh_steps() -> tuple[Step, ...]:
    """The steps after intake, without the weekly ones."""
    return tuple(step for step in STEPS if step.when == "changed")
