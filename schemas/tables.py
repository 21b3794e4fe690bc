"""Every table: what a row is, its columns, its key. Names beginning with `_` stay inside the warehouse.

A column is written as the name of its field, or as `column:field` where a table calls a field by a
shorter name (`status:file_status`).
"""

from __future__ import annotations

from dataclasses import replace

from schemas.catalogue import SERIES_KEYS
from schemas.change_tables import TABLES_OF_CHANGE
from schemas.core import Family, Field, Table, Trace
from schemas.families import FAMILIES
from schemas.fields import FIELDS
from schemas.internal import INTERNAL

TRIAL_HEAD = (
    "row_id",
    "trial_id",
    "athlete_id",
    "performed_at_utc",
    "local_date",
    "local_time",
    "time_known",
    "session_id",
    "device",
    "method_version",
)
TRIAL_TAIL = ("mark", "flags", "file_id", "line", "version")
_TRIAL_REQUIRED = frozenset(
    {*TRIAL_HEAD, "mark", "file_id", "line", "version"} - {"local_time", "method_version"}
)
_PEOPLE_TODAY = ("squad", "sport", "position", "competition_level", "available")


def _trial_table(family: Family) -> Table:
    columns = tuple(field.name for field in family.row_columns)
    return Table(
        family.table,
        family.row_is,
        (*TRIAL_HEAD, *columns, *TRIAL_TAIL),
        key=("row_id",),
        required=_TRIAL_REQUIRED | (frozenset(family.required) & frozenset(columns)),
        repeats=(("trial_id", "row_id"),) if family.row_is_trial else (),
        words_checked=True,
    )


def _sample_set(family: Family, trace: Trace) -> Table:
    return Table(
        trace.table,
        trace.row_is,
        ("sample_set_id", *trace.columns, *trace.filled, "file_id", "line"),
        key=("sample_set_id", "time_s", "line"),
        required=frozenset({"sample_set_id", "file_id", "line"})
        | (set(trace.columns) & set(family.required)),
        published=False,
        is_set=True,
    )


_ALL = (
    Table(
        "files",
        "a file that was dropped",
        (
            "drop_id",
            "file_id",
            "path",
            "layout",
            "family",
            "received_at",
            "status:file_status",
            "lines",
            "loaded",
            "held",
            "repeated",
            "superseding",
            "skipped",
            "unmapped",
        ),
        key=("drop_id",),
        required=frozenset({"drop_id", "file_id", "path", "received_at", "status"}),
        as_csv=True,
    ),
    Table(
        "held_rows",
        "a reason a line is held back",
        ("file_id", "line", "code", "field:field_name", "value:seen", "reason", "remedy", "state"),
        key=("file_id", "line", "code", "field"),
        required=frozenset({"file_id", "code", "reason", "remedy", "state"}),
        as_csv=True,
    ),
    Table(
        "line_fates",
        "a run of lines of one drop that share a fate",
        ("drop_id", "first_line", "last_line", "fate"),
        key=("drop_id", "first_line"),
        required=frozenset({"drop_id", "first_line", "last_line", "fate"}),
        published=False,
    ),
    *(_trial_table(family) for family in FAMILIES.values()),
    *(_sample_set(family, family.trace) for family in FAMILIES.values() if family.trace is not None),
    replace(
        _trial_table(FAMILIES["bar_speed"]),
        name="_found_reps",
        row_is="a repetition found in a trace, with the times of its samples",
        fields=(
            *_trial_table(FAMILIES["bar_speed"]).fields,
            "sample_set_id",
            "from_s:sample_from_s",
            "until_s:sample_until_s",
        ),
        published=False,
    ),
    Table(
        "superseded_rows",
        "an earlier version of a trial row",
        (
            "row_id",
            "version",
            "source_table",
            "file_id",
            "line",
            "known_from",
            "known_until",
            "superseded_by",
            "cause",
            "row",
        ),
        key=("row_id", "version"),
        required=frozenset(
            {"row_id", "version", "source_table", "file_id", "line", "known_from", "cause", "row"}
        ),
    ),
    Table(
        "athletes",
        "an athlete, without name or birth date (those are in people/)",
        ("athlete_id", "sex", "age_years", *_PEOPLE_TODAY),
        key=("athlete_id",),
        required=frozenset({"athlete_id"}),
    ),
    Table(
        "athlete_periods",
        "a span in which an athlete's squads, sport, level and availability stay the same",
        ("athlete_id", "valid_from", "valid_until", *_PEOPLE_TODAY),
        key=("athlete_id", "valid_from"),
        required=frozenset({"athlete_id", "available"}),
    ),
    Table(
        "sessions",
        "an athlete's test occasion",
        (
            "session_id",
            "athlete_id",
            "started_at_utc",
            "session_date",
            "slot",
            "local_date",
            "age_years",
            "body_mass_kg",
            "body_mass_row_id",
            "body_mass_age_days",
            "body_mass_provisional",
            "sport",
            "position",
            "competition_level",
            "available",
        ),
        key=("session_id",),
        required=frozenset({"session_id", "athlete_id", "session_date", "local_date"}),
    ),
    Table(
        "session_squads",
        "a squad the athlete was in on the date of an occasion",
        ("session_id", "squad"),
        key=("session_id", "squad"),
        required=frozenset({"session_id", "squad"}),
    ),
    Table(
        "metrics",
        "a metric of the catalogue",
        (
            "metric",
            "label",
            "family",
            "unit",
            "decimals",
            "better",
            "scale",
            "summary",
            "learned",
            "series_keys",
            "pool_keys",
            "hard_low",
            "hard_high",
            "soft_low",
            "soft_high",
            "soft_youth_low",
            "soft_youth_high",
            "typical_error_trial",
            "typical_error_session",
            "typical_error_source",
            "typical_error_origin:error_origin",
            "formula",
            "source",
            "verified",
            "caution",
        ),
        key=("metric",),
        required=frozenset(
            {
                "metric",
                "label",
                "unit",
                "decimals",
                "better",
                "scale",
                "summary",
                "learned",
                "formula",
                "source",
                "verified",
            }
        ),
        as_csv=True,
    ),
    Table(
        "series",
        "what must be equal for values to be compared",
        (
            "series_id",
            "metric",
            "label",
            "body_side",
            "pair_id",
            *(f"{key}:series_{key}" for key in SERIES_KEYS),
        ),
        key=("series_id",),
        required=frozenset({"series_id", "metric", "label"}),
        as_csv=True,
    ),
    Table(
        "flag_codes",
        "a code that lines, rows and values can carry",
        ("code", "sentence", "threshold", "effect", "remedy"),
        key=("code",),
        required=frozenset({"code", "sentence", "effect", "remedy"}),
        as_csv=True,
    ),
    Table(
        "measurements",
        "a value from one trial",
        (
            "measurement_id",
            "athlete_id",
            "metric",
            "series_id",
            "session_id",
            "local_date",
            "trial",
            "trial_id",
            "row_id",
            "value",
            "unit",
            "standard_error",
            "flags",
            "used",
            "why_not_used",
        ),
        key=("measurement_id",),
        required=frozenset(
            {
                "measurement_id",
                "athlete_id",
                "metric",
                "series_id",
                "session_id",
                "local_date",
                "unit",
                "used",
            }
        ),
    ),
    Table(
        "measurement_inputs",
        "a row behind a measurement that several rows feed",
        ("measurement_id", "source_table", "row_id", "role"),
        key=("measurement_id", "row_id", "role"),
        required=frozenset({"measurement_id", "source_table", "row_id", "role"}),
    ),
    Table(
        "results",
        "a session's summary of a metric in a series",
        (
            "athlete_id",
            "metric",
            "series_id",
            "session_id",
            "local_date",
            "value",
            "best",
            "n_trials",
            "n_tried",
            "unit",
            "trial_error",
            "session_error",
            "error_origin",
            "flags",
        ),
        key=("metric", "series_id", "session_id"),
        required=frozenset(
            {"athlete_id", "metric", "series_id", "session_id", "local_date", "value", "n_trials", "unit"}
        ),
        as_csv=True,
    ),
    Table(
        "value_flags",
        "a code on a row or a value",
        ("owner_table", "owner_id", "code"),
        key=("owner_table", "owner_id", "code"),
        required=frozenset({"owner_table", "owner_id", "code"}),
    ),
    Table(
        "profiles",
        "a fitted curve or line of an athlete, or why there is none",
        (
            "profile_id",
            "athlete_id",
            "kind:profile_kind",
            "metric",
            "series_id",
            "session_id",
            "local_date",
            "trial_id",
            "n:n_points",
            "residual_sd",
            "residual_unit",
            "accepted",
            "why_not",
        ),
        key=("profile_id",),
        required=frozenset({"profile_id", "athlete_id", "kind", "local_date", "n", "accepted"}),
    ),
    Table(
        "profile_values",
        "a value that a fit came to",
        ("profile_id", "name:value_name", "value", "error:fit_error", "unit"),
        key=("profile_id", "name"),
        required=frozenset({"profile_id", "name", "value", "unit"}),
    ),
    Table(
        "populations",
        "who is compared with whom",
        (
            "population_id",
            "label",
            "season",
            "sex",
            "age_band",
            "sport",
            "position",
            "competition_level",
            "rung",
            "parent_id",
        ),
        key=("population_id",),
        required=frozenset({"population_id", "label", "season", "sex", "age_band", "rung"}),
    ),
    Table(
        "norms",
        "a metric in a population in a week, from each athlete's median session of the last 365 days",
        (
            "week",
            "norms_version",
            "population_id",
            "metric",
            "series_id",
            "n_athletes",
            "mean",
            "sd",
            "geometric_mean",
            "geometric_sd_percent",
            "shrunk_mean",
            "shrunk_sd",
            "p05",
            "p10",
            "p25",
            "p50",
            "p75",
            "p90",
            "p95",
            "unit",
            "withheld",
        ),
        key=("week", "population_id", "series_id"),
        required=frozenset(
            {"week", "norms_version", "population_id", "metric", "series_id", "n_athletes", "unit"}
        ),
        as_csv=True,
    ),
    Table(
        "norm_percentiles",
        "a percentile of a metric in a population in a week",
        (
            "week",
            "norms_version",
            "population_id",
            "metric",
            "series_id",
            "n_athletes",
            "percentile",
            "value",
            "value_low",
            "value_high",
            "unit",
            "withheld",
        ),
        key=("week", "population_id", "series_id", "percentile"),
        required=frozenset(
            {
                "week",
                "norms_version",
                "population_id",
                "metric",
                "series_id",
                "n_athletes",
                "percentile",
                "unit",
            }
        ),
        as_csv=True,
    ),
    *TABLES_OF_CHANGE,
    Table(
        "against_group",
        "an athlete's value of a metric among the others of a group, in the current week",
        (
            "week",
            "norms_version",
            "athlete_id",
            "metric",
            "series_id",
            "population_id",
            "value",
            "value_error",
            "n_sessions",
            "last_date",
            "n_others",
            "percentile:percentile_turned",
            "percentile_low",
            "percentile_high",
            "percentile_raw",
            "percentile_raw_low",
            "percentile_raw_high",
            "z",
            "z_error",
            "t_score",
            "unit",
            "withheld",
        ),
        key=("week", "athlete_id", "series_id"),
        required=frozenset(
            {
                "week",
                "norms_version",
                "athlete_id",
                "metric",
                "series_id",
                "population_id",
                "value",
                "n_sessions",
                "last_date",
                "n_others",
                "percentile_raw",
                "unit",
            }
        ),
        as_csv=True,
    ),
    Table(
        "norm_changes",
        "what changed in a group's norms of a metric from the week before to the current one",
        (
            "week",
            "norms_version",
            "previous_version",
            "population_id",
            "metric",
            "series_id",
            "n_athletes",
            "n_athletes_before",
            "n_athletes_change",
            "mean",
            "mean_before",
            "mean_change",
            "p50",
            "p50_before",
            "p50_change",
            "unit",
        ),
        key=("week", "population_id", "series_id"),
        required=frozenset(
            {"week", "norms_version", "previous_version", "population_id", "metric", "series_id"}
        ),
    ),
    Table(
        "composites",
        "an athlete's composite score among all of the same sex and age band, in the current week",
        (
            "week",
            "norms_version",
            "athlete_id",
            "metric",
            "population_id",
            "value:composite_value",
            "value_error:composite_error",
            "n_domains",
            "n_domains_of",
            "coverage",
            "unit",
            "withheld",
        ),
        key=("week", "athlete_id"),
        required=frozenset(
            {
                "week",
                "norms_version",
                "athlete_id",
                "metric",
                "population_id",
                "n_domains",
                "coverage",
                "unit",
            }
        ),
    ),
    Table(
        "composite_parts",
        "a domain's part of an athlete's composite score",
        ("week", "athlete_id", "domain", "population_id", "z:domain_z", "z_error:domain_z_error", "n_series"),
        key=("week", "athlete_id", "domain"),
        required=frozenset({"week", "athlete_id", "domain", "population_id", "z", "n_series"}),
    ),
    Table(
        "age_norms",
        "a point of a curve over age, for youths of one sex, in the current week",
        (
            "week",
            "metric",
            "series_id",
            "sex",
            "method:curve_method",
            "source:curve_source",
            "age_years:curve_age",
            "l:lms_l",
            "m:lms_m",
            "s:lms_s",
            *(f"p{p:02d}" for p in (10, 25, 50, 75, 90)),
            "n_athletes",
            "unit",
        ),
        key=("series_id", "sex", "method", "source", "age_years"),
        required=frozenset(
            {"week", "metric", "series_id", "sex", "method", "source", "age_years", "l", "m", "s", "unit"}
        ),
    ),
    Table(
        "against_age",
        "a youth's value of a metric on a curve over age, in the current week",
        (
            "week",
            "athlete_id",
            "metric",
            "series_id",
            "method:curve_method",
            "source:curve_source",
            "age_years",
            "value",
            "value_error",
            "z:age_z",
            "z_low",
            "z_high",
            "percentile:age_percentile",
            "unit",
        ),
        key=("athlete_id", "series_id", "method", "source"),
        required=frozenset(
            {"week", "athlete_id", "metric", "series_id", "method", "source", "age_years", "value", "unit"}
        ),
    ),
    Table(
        "events",
        "a training block, camp or season, or a squad's break (health: in the restricted file only)",
        ("event_id", "athlete_id", "squad", "kind", "label", "from_date", "to_date"),
        key=("event_id",),
        required=frozenset({"event_id", "kind", "from_date"}),
    ),
    Table(
        "restricted_periods",
        "a span of an athlete's status, with what is restricted",
        ("athlete_id", "valid_from", "valid_until", "status", "restriction"),
        key=("athlete_id", "valid_from"),
        required=frozenset({"athlete_id", "status"}),
        restricted=True,
    ),
    Table(
        "runs",
        "a step that ran",
        (
            "run_id",
            "step",
            "started_by",
            "as_of:run_as_of",
            "valid_on",
            "started_at",
            "seconds",
            "rows",
            "outcome",
            "code_version",
            "inputs_hash",
            "outputs_hash",
        ),
        key=("started_at", "run_id", "step"),
        required=frozenset({"run_id", "step", "started_by", "valid_on", "started_at", "seconds", "outcome"}),
        flat=False,
    ),
)

# Values as measured, before screening looks at them beside the others.
_AS_MEASURED = tuple(
    replace(table, name=f"_{table.name}", published=False, as_csv=False)
    for table in _ALL
    if table.name in ("measurements", "value_flags")
)
# What groups are told of in the tables for coaches and others: see pipeline/analysis/told.py.
_TOLD = tuple(
    replace(
        table,
        name=f"_told_{table.name}",
        fields=(*table.fields, *(("numbers_of", "is_told") if table.name == "norms" else ())),
        published=False,
        as_csv=False,
    )
    for table in _ALL
    if table.name in ("populations", "norms", "norm_percentiles")
)
TABLES: dict[str, Table] = {table.name: table for table in (*_ALL, *_AS_MEASURED, *_TOLD)}
TRIAL_TABLES: tuple[str, ...] = tuple(family.table for family in FAMILIES.values())
SAMPLE_SETS: tuple[str, ...] = tuple(name for name, table in TABLES.items() if table.is_set)
FAMILY_OF_TABLE: dict[str, Family] = {
    **{family.table: family for family in FAMILIES.values()},
    **{family.trace.table: family for family in FAMILIES.values() if family.trace is not None},
}
_ROWS_LIKE = {"_found_reps": "bar_reps"}


def columns_of(table: Table) -> dict[str, Field]:
    """Column name -> its field, in order; a family's own field goes before a shared one of that name."""
    if table.name in INTERNAL:
        return {field.name: field for field in INTERNAL[table.name][1]}
    family = FAMILY_OF_TABLE.get(_ROWS_LIKE.get(table.name, table.name))
    own = {field.name: field for field in (*family.columns, *family.row_columns)} if family else {}
    columns: dict[str, Field] = {}
    for item in table.fields:
        column, _, name = item.partition(":")
        field = own.get(column) or FIELDS[name or column]
        columns[column] = replace(field, name=column)
    return columns
