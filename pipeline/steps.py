"""The list of steps: what each reads, what it writes, and the function that does it.

The order, the flows, and the question what must be done again all come from `STEPS`. Steps between intake
and publishing are pure: frames in, frames out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from functools import partial

import polars as pl

from pipeline.analysis.age_norms import age_norms
from pipeline.analysis.bests import personal_bests
from pipeline.analysis.changes import SUMMED, changes_table, expected_false_calls, followed_changes
from pipeline.analysis.comparisons import against_group
from pipeline.analysis.composites import composites
from pipeline.analysis.drift import with_drift
from pipeline.analysis.minors import restricted_values
from pipeline.analysis.norm_changes import norm_changes
from pipeline.analysis.norms import norm_weeks, weekly_norms
from pipeline.analysis.people import athletes_table, events_table
from pipeline.analysis.populations import RUNGS, OwnPopulation
from pipeline.analysis.profiles import fit_profiles
from pipeline.analysis.reliability import reliability
from pipeline.analysis.results import summarise
from pipeline.analysis.returns import returns
from pipeline.analysis.screening.screening import flag_rows, screen
from pipeline.analysis.sessions import build_sessions
from pipeline.analysis.squads import squad_changes
from pipeline.analysis.told import Telling
from pipeline.analysis.trends import trends
from pipeline.analysis.usable import usable_sessions
from pipeline.clock import today
from pipeline.facility.periods import periods_table, restricted_periods, state_on
from pipeline.intake.archive import utc_now
from pipeline.intake.gone import gone_rows
from pipeline.intake.intake import knowledge_of, take_in
from pipeline.intake.suspect_sheet import write_suspects
from pipeline.intake.suspects import known_of
from pipeline.metrics.found_reps import found_reps, samples_with_reps
from pipeline.metrics.measurements import flag_trials, measure_all
from pipeline.publish.edition import closed_week, edition_of, publish_edition
from pipeline.publish.external import MINIMUM as EXTERNAL_MINIMUM
from pipeline.publish.external import (
    consenting,
    consenting_by_week,
    external_key,
    external_results,
    publish_external,
    remove_external,
)
from pipeline.publish.frames import Lazily, in_order_of_keys
from pipeline.publish.publish import publish
from pipeline.publish.words import called
from pipeline.run import Frames, Run, Step, compute_apart, not_as_published
from pipeline.run_log import read_runs
from schemas.catalogue import Metric
from schemas.codes import CODES
from schemas.frames import polars_schema
from schemas.tables import FAMILY_OF_TABLE, SAMPLE_SETS, TABLES, TRIAL_TABLES


class NothingThatOld(Exception):
    """The as-of date is before the first test; nothing was published."""


def _take_in(run: Run) -> Frames:
    run.intake = take_in(run.facility, run.warehouse, run.say, run.settled)
    return {}


def _today(run: Run) -> Frames:
    # It runs some of these steps itself, over one day.
    from pipeline.today import write_todays_sheet

    asked = None if run.valid_on == today(run.facility.settings.timezone) else run.valid_on
    write_todays_sheet(run.facility, run.warehouse, utc_now(), asked)
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
    return pl.DataFrame([_metric_row(metric, set(schema)) for metric in catalogue.values()], schema=schema)


def _metric_row(metric: Metric, columns: set[str]) -> dict[str, object]:
    """A metric as a row of `metrics`."""
    error = metric.typical_error
    return {
        **metric.model_dump(include=columns),
        "series_keys": ";".join(metric.series_keys) or None,
        "pool_keys": ";".join(metric.pool_keys) or None,
        **dict(zip(("hard_low", "hard_high"), metric.hard, strict=True)),
        **dict(zip(("soft_low", "soft_high"), metric.soft, strict=True)),
        **dict(zip(("soft_youth_low", "soft_youth_high"), metric.soft_youth or (None, None), strict=True)),
        "typical_error_trial": error and error.trial,
        "typical_error_session": error and error.session,
        "typical_error_source": error and f"{error.source} ({error.verified})",
        "typical_error_origin": error and error.origin,
    }


def _codes_table() -> pl.DataFrame:
    schema = polars_schema(TABLES["flag_codes"])
    return pl.DataFrame(
        [{name: getattr(code, name) for name in schema} for code in CODES.values()], schema=schema
    )


def _repetitions(run: Run) -> Frames:
    return {"_found_reps": found_reps(run.read("bar_sets"), run.read("bar_samples"))}


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


def measured(run: Run, trials_alone: bool = False) -> Frames:
    """What the step `measurements` makes; `trials_alone`: see `measure_all`."""
    trials = run.trials()
    about = (run.read("sessions"), run.catalogue, _methods(run), _people_measured(run))
    made = measure_all(trials | run.samples(trials), *about, trials_alone)
    return {f"_{name}" if name in _SCREENED else name: frame for name, frame in made.items()}


def _profiles(run: Run) -> Frames:
    trials = run.trials()
    about = (run.read("sessions"), run.catalogue, _methods(run), _people_measured(run))
    return fit_profiles(trials | run.samples(trials), *about)


def _methods(run: Run) -> dict[str, str]:
    """Device -> its method."""
    return {name: device.method for name, device in run.facility.settings.devices.items()}


def _people_measured(run: Run) -> pl.DataFrame:
    """athlete_id, sex, and the equations by which body composition is estimated of those who asked for it."""
    said = run.facility.settings.body_composition
    asked = pl.col("athlete_id").is_in(list(said.athletes))
    chosen = {name: pl.when(asked).then(pl.lit(getattr(said, name))) for name in ("equation", "fat")}
    return run.facility.athletes.select("athlete_id", "sex", **chosen)


def screened(run: Run, trials_alone: bool = False) -> Frames:
    """What the step `screening` makes; `trials_alone`: see `screen`."""
    names = (*TRIAL_TABLES, "superseded_rows", *_MEASURED)
    tables = {name.removeprefix("_"): run.read(name) for name in names} | run.trials()
    known = known_of(run.facility, tables)
    if not run.apart:  # Today's sheet is made at each intake, and has no time to look at all exports.
        withdrawn = knowledge_of(run.facility).withdrawn
        known = replace(known, gone=gone_rows(run.warehouse, withdrawn))
    return screen(tables, run.catalogue, known, trials_alone)


def _results(run: Run) -> Frames:
    return {"results": summarise(run.read("measurements"), run.read("sessions"), run.catalogue)}


def _usable(run: Run) -> pl.DataFrame:
    def made() -> pl.DataFrame:
        results, sessions, squads, events, series = (run.read(name) for name in _USED)
        return usable_sessions(results, sessions, squads, events, series, run.catalogue)

    return run.once(_USED, made)


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
    table, followed = changes_table(followed), followed.select(SUMMED)
    shown = followed.filter(~restricted_values(run.catalogue, people, "from_date"))
    return {
        "changes": table,
        "expected_false_calls": expected_false_calls(shown),
        "squad_changes": squad_changes(shown, squads, run.catalogue),
    }


def _returns(run: Run) -> Frames:
    trends, registry, events, series = (run.read(n) for n in ("trends", "reliability", "events", "series"))
    return {"returns": returns(trends, _usable(run), registry, events, series, run.catalogue)}


def _personal_bests(run: Run) -> Frames:
    return {"personal_bests": personal_bests(run.read("measurements"), run.catalogue)}


def _norms(run: Run) -> Frames:
    results, people = _comparable(run)
    as_of = run.statistics_date()
    states = _weekly_states(run, results, norm_weeks(results, as_of))
    settings = run.facility.settings
    own = [OwnPopulation(name, **dict(held)) for name, held in sorted(settings.populations.items())]
    telling, season = Telling(), settings.season_start
    found = weekly_norms(results, people, states, run.catalogue, as_of, season, own, seen=telling.see)
    told = telling.tables(run.catalogue, season)
    return found | {f"_told_{name}": frame for name, frame in told.items()}


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
    """The results that people may be compared by (not a minor's body composition, nor what ranks nobody),
    and the people."""
    people = run.facility.athletes.select("athlete_id", "sex", "birth_date")
    ranked = [metric.metric for metric in run.catalogue.values() if metric.ranked]
    compared = ~restricted_values(run.catalogue, people) & pl.col("metric").is_in(ranked)
    return run.read("results").filter(compared), people


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
    flags = run.read_once("value_flags").filter(pl.col("owner_table").is_in(TRIAL_TABLES))
    frames = {name: partial(run.read_once, name) for name in _OPENED}
    frames |= {name: partial(_flagged, run, name, flags) for name in TRIAL_TABLES}
    write_suspects(run.facility, knowledge_of(run.facility).names, run.read("_suspects"))
    run.published = publish(
        Lazily(frames | {"runs": partial(read_runs, run.facility.state)}),
        _told(run),
        run.facility.athletes.select("athlete_id", "name", "birth_date"),
        run.facility.published,
        as_of=run.statistics_date(),
        valid_on=run.valid_on,
        units=run.facility.settings.units,
        facility_name=run.facility.settings.name,
        catalogue=run.catalogue,
        labels=run.facility.settings.method_labels,
        words=run.facility.settings.words,
        sample_sets=Lazily({name: partial(_samples_by_month, run, name) for name in SAMPLE_SETS}),
    )
    _publish_external(run)
    return {}


def _flagged(run: Run, name: str, flags: pl.DataFrame) -> pl.DataFrame:
    """The rows of a trial table with what a comparison of rows found (a split that does not rise) on them."""
    rows = run.rows(name)
    sets = {s: _samples(run, s, rows) for s in SAMPLE_SETS if FAMILY_OF_TABLE[s].table == name}
    flagged = flag_rows(flag_trials({name: rows} | sets), flags)
    run.let_go()
    return flagged.get(name, rows)  # what a trace is cut into is flagged, and not the trace


def _samples(run: Run, name: str, rows: pl.DataFrame) -> pl.DataFrame:
    """The samples of a set that belong to these rows of its trial table, with the repetitions found."""
    samples = run.read(name).join(rows, on="sample_set_id", how="semi")
    return samples_with_reps(samples, run.read("_found_reps")) if name == "bar_samples" else samples


def _samples_by_month(run: Run, name: str) -> pl.DataFrame:
    """The current samples of a set with the month (YYYY-MM) of their run."""
    rows = run.rows(FAMILY_OF_TABLE[name].table)
    months = rows.select("sample_set_id", month=pl.col("local_date").dt.strftime("%Y-%m"))
    samples = _samples(run, name, rows).join(months, on="sample_set_id")
    run.let_go()
    return samples


def _publish_external(run: Run) -> None:
    """The edition for others, of those who agreed."""
    folder = run.facility.published / "external"
    results, people = _comparable(run)
    consents = run.facility.people.consents
    agreed = consenting(consents, people, run.valid_on).implode()
    of_bodies = [m.metric for m in run.catalogue.values() if m.restricted_minors]
    results = results.filter(~pl.col("metric").is_in(of_bodies))
    told = results.filter(pl.col("athlete_id").is_in(agreed))
    if told.is_empty():
        remove_external(folder)
        return
    as_of, settings = run.statistics_date(), run.facility.settings
    weeks = norm_weeks(results, as_of)
    present = consenting_by_week(consents, people, weeks, run.valid_on)
    once_agreed = results.join(present, on="athlete_id", how="semi")
    states = _weekly_states(run, once_agreed, weeks)
    telling, season = Telling(EXTERNAL_MINIMUM), settings.season_start
    weekly_norms(once_agreed, people, states, run.catalogue, as_of, season, seen=telling.see, present=present)
    gone = present.filter(~pl.col("athlete_id").is_in(agreed))["athlete_id"].unique()
    norms = telling.tables(run.catalogue, season, gone.to_list())
    key = external_key(run.facility.state / "external.key")
    people, series = people.filter(pl.col("athlete_id").is_in(agreed)), run.read("series")
    rows = external_results(told, people, states, series, key, as_of)
    publish_external(folder, {**norms, "series": series}, rows, settings.units, run.catalogue)


def _edition(run: Run) -> Frames:
    week = closed_week(run.valid_on)
    try:
        then = compute_apart(run, week + timedelta(days=6), STEPS, set(_TOLD))
    except NothingThatOld:
        run.edition = []
        return {}
    settings = run.facility.settings
    frames = {name: then.read(name) for name in ("series", "results", "athletes")}
    people = run.facility.athletes.select("athlete_id", "birth_date")
    run.edition = publish_edition(
        run.facility.published / "coach",
        week,
        in_order_of_keys(frames)
        | {name: called(frame, settings.words) for name, frame in _told(then).items()},
        people,
        settings.units,
        settings.name,
        run.catalogue,
        settings.method_labels,
    )
    return {}


def _told(run: Run) -> dict[str, pl.DataFrame]:
    """The norms as coaches are told them, by the names of the tables that they are like."""
    return {name.removeprefix("_told_"): run.read(name) for name in _TOLD}


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
_MEASURED = ("_measurements", "measurement_inputs", "series", "_value_flags")
_SCREENED = ("measurements", "value_flags")
_NORMED = ("populations", "norms", "norm_percentiles")
_TOLD = tuple(f"_told_{name}" for name in _NORMED)
_SESSIONS = ("sessions", "session_squads")
# What ran says nothing about anybody, and is no reason to publish again.
_OPENED = tuple(name for name, table in TABLES.items() if table.published and name != "runs")
_PUBLISHED = (*_OPENED, *_TOLD, "_found_reps", "_suspects")
_USED = ("results", "sessions", "session_squads", "events", "series")
_CHANGED = ("changes", "expected_false_calls", "squad_changes")

STEPS: tuple[Step, ...] = (
    Step("take_in", "takes in what lies in the inbox", (), _RESOLVED, _take_in, when="always"),
    Step(
        "today",
        "writes today's sheet",
        (*TRIAL_TABLES, *SAMPLE_SETS, "held_rows"),
        (),
        _today,
        when="always",
    ),
    Step(
        "people",
        "writes down who is who, and the catalogue",
        (),
        _PEOPLE,
        _people,
        ("people", "metrics", "valid_on"),
    ),
    Step(
        "repetitions",
        "finds repetitions in bar traces",
        ("bar_sets", "bar_samples"),
        ("_found_reps",),
        _repetitions,
        (),
    ),
    Step(
        "sessions",
        "groups trials into sessions",
        (*TRIAL_TABLES, "_found_reps", "_session_slots"),
        _SESSIONS,
        _sessions,
        ("people", "as_of"),
    ),
    Step(
        "measurements",
        "turns trials into values",
        (*TRIAL_TABLES, "_found_reps", *SAMPLE_SETS, "sessions"),
        _MEASURED,
        measured,
        ("people", "settings", "metrics", "as_of"),
    ),
    Step(
        "screening",
        "looks at each athlete's trials beside his own level, and at each day's beside the others",
        (*TRIAL_TABLES, "_found_reps", "superseded_rows", *_MEASURED),
        ("measurements", "value_flags", "_suspects"),
        screened,
        ("people", "metrics", "testing_days", "answers", "as_of"),
    ),
    Step(
        "profiles",
        "fits curves and lines",
        (*TRIAL_TABLES, "_found_reps", *SAMPLE_SETS, "sessions"),
        ("profiles", "profile_values"),
        _profiles,
        ("people", "settings", "metrics", "as_of"),
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
        "reliability",
        "says how far values are off",
        (*_USED, "measurements"),
        ("reliability",),
        _reliability,
        ("people", "metrics", "as_of"),
    ),
    Step("trends", "follows levels", (*_USED, "reliability"), ("trends",), _trends, ("metrics",)),
    Step(
        "changes",
        "says who changed",
        (*_USED, "reliability"),
        _CHANGED,
        _changes,
        ("people", "settings", "metrics"),
    ),
    Step(
        "returns",
        "sets people after an injury beside themselves",
        (*_USED, "trends", "reliability"),
        ("returns",),
        _returns,
        ("metrics",),
    ),
    Step(
        "personal_bests",
        "keeps bests apart",
        ("measurements",),
        ("personal_bests",),
        _personal_bests,
        ("metrics",),
    ),
    Step(
        "norms",
        "compares people, week by week",
        ("results",),
        (*_NORMED, *_TOLD),
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
    Step("publish", "publishes", _PUBLISHED, (), _publish, lacks=not_as_published),
    Step(
        "edition",
        "writes down the norms of the week that has closed, once and for all",
        _TOLD,
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
