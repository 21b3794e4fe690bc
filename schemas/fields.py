"""Fields that more than one family or step uses; a family's own are in `schemas.families`."""

from __future__ import annotations

from schemas.catalogue import DOMAINS, SERIES_KEYS
from schemas.change_fields import FIELDS_OF_CHANGE
from schemas.core import OWN_UNIT, Field
from schemas.families import FAMILIES


def _text(name: str, meaning: str, values: tuple[str, ...] = ()) -> Field:
    return Field(name, "text", meaning, values=values)


def _count(name: str, meaning: str) -> Field:
    return Field(name, "integer", meaning, unit="count", low=0, high=2**31 - 1)


def _real(name: str, meaning: str, unit: str) -> Field:
    return Field(name, "real", meaning, unit=unit)


_PEOPLE = (
    _text("athlete_id", "Who: the facility's id of the athlete."),
    _text("name", "Name as the facility writes it."),
    Field("birth_date", "date", "Date of birth."),
    _text("sex", "Sex as the roster says.", ("female", "male")),
    Field(
        "age_years",
        "real",
        "Age in years, to a tenth, counted from the middle of the month of birth.",
        unit="years",
        low=0,
        high=120,
        limits_from="length of human life",
    ),
    _text("squad", "Squad."),
    _text("sport", "Sport."),
    _text("position", "Position, event or seat within the sport."),
    _text("competition_level", "Level of competition."),
    _text("status", "Training status.", ("full", "modified", "rehab", "paused")),
    _text("restriction", "What is restricted, in the facility's words."),
    _text("available", "Whether the athlete may train fully.", ("yes", "limited", "no")),
    Field("valid_from", "date", "First day this holds; NULL is open."),
    Field("valid_until", "date", "Last day this holds; NULL is open."),
)

_TRIALS = (
    _text("row_id", "Id of the row: a hash of its natural key; the same in every version."),
    _text("trial_id", "Id of the trial; the rows of one trial share it."),
    _text("sample_set_id", "Id of a trace: the samples of one version of a run share it."),
    _real("sample_from_s", "Time of the first sample in its trace.", "s"),
    _real("sample_until_s", "Time of the last sample in its trace.", "s"),
    Field("performed_at_utc", "timestamp", "When it was done, in UTC.", unit="UTC"),
    Field("local_date", "date", "Date in the facility's time zone."),
    Field(
        "local_time", "time", "Time of day in the facility's time zone; NULL where only the date is known."
    ),
    Field("time_known", "boolean", "Whether the export has a time of day."),
    _text("session_id", "Id of the athlete's test occasion: a hash of athlete, session date and slot."),
    _text("device", "Device in facility.toml."),
    _text("method_version", "Version of the device's method, where the layout says one."),
    _text("mark", "The operator's mark.", ("ok", "warm_up", "failed")),
    _text("flags", "Codes that the row or value carries, sorted, joined by ';'; see flag_codes. NULL: none."),
    _text("file_id", "First 16 hex digits of the SHA-256 of the file; all 64 in files."),
    Field(
        "line",
        "integer",
        "Physical line in the file, the first being 1.",
        unit="count",
        low=1,
        high=2**31 - 1,
    ),
    Field(
        "version", "integer", "Version of the row, the first being 1.", unit="count", low=1, high=2**31 - 1
    ),
)

_FILES = (
    _text("drop_id", "Id of a drop: a hash of path, size, time and content."),
    _text("path", "Folder below the inbox, and the file's hash in place of its name."),
    _text("layout", "Layout that read it."),
    _text("family", "Device family."),
    Field("received_at", "timestamp", "When it was taken in.", unit="UTC"),
    _text(
        "file_status", "What became of the file.", ("loaded", "partly_held", "held", "repeated", "rejected")
    ),
    _count("lines", "Lines after the header row."),
    _count("loaded", "Lines whose rows are in a table for the first time."),
    _count("held", "Lines that wait for a person."),
    _count("repeated", "Lines that say what an earlier line said."),
    _count("superseding", "Lines that gave a row a new version."),
    _count("skipped", "Blank lines, repeated headers, trailers, comments, and lines without any value."),
    _text("unmapped", "Columns that the layout neither maps nor ignores."),
    _text("code", "Code; see flag_codes."),
    _text("field_name", "Field concerned."),
    _text("seen", "What was seen; NULL for names."),
    _text("reason", "Why, in plain words."),
    _text("remedy", "What to do."),
    _text("state", "Where the question stands.", ("open", "answered", "released")),
    _count("first_line", "First line of a run of lines."),
    _count("last_line", "Last line of a run of lines."),
    _text("fate", "What became of the lines.", ("loaded", "held", "repeated", "superseding", "skipped")),
    Field(
        "known_from",
        "timestamp",
        "When the file that says this version was written, or the day of its correction; "
        "never before the version before it.",
        unit="UTC",
    ),
    Field("known_until", "timestamp", "When the newer version became known, by the same rule.", unit="UTC"),
    _text("superseded_by", "Version that took its place; NULL where the row was struck."),
    _text("cause", "Why there is a newer version.", ("export", "finer_value", "correction", "strike")),
    _text("row", "The row as JSON."),
    _text("source_table", "Table that the row is in."),
    _text("role", "What the row is used for."),
)

_METRICS = (
    _text("metric", "Metric of the catalogue."),
    _text("label", "What it is called; a series and a population: what is equal in it, as key=value."),
    _text("unit", "Unit of the value."),
    _count("decimals", "Decimals to show; values are stored unrounded."),
    _text("better", "Which direction is better.", ("higher", "lower", "context")),
    _text("scale", "Scale on which errors are even: log for proportional errors.", ("log", "raw")),
    _text("summary", "How a session's trials become one value.", ("mean", "median", "best")),
    Field("learned", "boolean", "Whether the first session is set aside because people learn."),
    _text("pool_keys", "Keys of the series over which errors and drift are pooled, joined by ';'."),
    _text("series_keys", "Keys that must be equal for values to be compared, joined by ';'."),
    _real("hard_low", "A value below is not used; of some series other limits hold.", OWN_UNIT),
    _real("hard_high", "A value above is not used; of some series other limits hold.", OWN_UNIT),
    _real("soft_low", "A value below is used and flagged.", OWN_UNIT),
    _real("soft_high", "A value above is used and flagged.", OWN_UNIT),
    _real("soft_youth_low", "A value below is used and flagged under 18; NULL: as of adults.", OWN_UNIT),
    _real("soft_youth_high", "A value above is used and flagged under 18; NULL: as of adults.", OWN_UNIT),
    _real("typical_error_trial", "SD of one trial [%, or the row's unit where scale is raw].", "any"),
    _real("typical_error_session", "SD of a session's value between days, likewise.", "any"),
    _text("typical_error_source", "Where the typical errors are from, and how that was verified."),
    _text("formula", "Formula."),
    _text("source", "Where the formula or limit comes from."),
    _text("verified", "How the source was verified."),
    _text("caution", "What to keep in mind."),
    _text("series_id", "Id of a series: values of different series are never compared."),
    _text("body_side", "Side of the body that the series is of.", ("left", "right", "both")),
    _text("pair_id", "Equal for the two sides of the same thing; NULL where there are no sides."),
    _text("sentence", "The code in a sentence."),
    _text("threshold", "The number behind the code; NULL where there is none."),
    _text("effect", "What the code does.", ("holds_file", "holds_line", "note", "flags", "excludes")),
    _text("measurement_id", "Id of the measurement."),
    _count("trial", "Number of the trial in its occasion."),
    _real("value", "The value, in the row's unit. Not to be summed.", OWN_UNIT),
    _real(
        "best",
        "Best value of the session, apart from the level; NULL where no direction is better.",
        OWN_UNIT,
    ),
    _real(
        "standard_error",
        "Standard error of a fitted value; else the noise of one trial, from a published typical error. "
        "NULL: not known.",
        OWN_UNIT,
    ),
    _real("trial_error", "Trial-to-trial error within a session (SD); NULL: not known yet.", OWN_UNIT),
    _real("session_error", "Error of a session's value between days (SD); NULL: not known yet.", OWN_UNIT),
    _text("error_origin", "Whose errors these are: published ones are borrowed.", ("published", "facility")),
    Field("used", "boolean", "Whether the value enters the session's result."),
    _text("why_not_used", "Why it does not; NULL where it does."),
    _count("n_trials", "Trials behind the value."),
    _count("n_tried", "Trials that there are, those that do not count too."),
    _text("owner_table", "Table that carries the flag."),
    _text("owner_id", "Id of the row or value that carries the flag."),
)

_SESSIONS = (
    Field(
        "started_at_utc",
        "timestamp",
        "First trial of the occasion, in UTC; NULL: only the date is known.",
        unit="UTC",
    ),
    Field("session_date", "date", "Date of the occasion; the day begins at day_start of facility.toml."),
    _text("slot", "Part of the day, or the layout's session."),
    Field(
        "body_mass_kg",
        "real",
        "Body mass from the warehouse's own readings.",
        unit="kg",
        low=15,
        high=250,
        limits_from="judgement from world extremes (methods, B7)",
    ),
    _text("body_mass_row_id", "Row of body_readings that the mass is from."),
    Field(
        "body_mass_age_days",
        "integer",
        "Age of the reading; negative where it is later than the session.",
        unit="days",
        low=-4_000,
        high=4_000,
    ),
    Field("body_mass_provisional", "boolean", "Whether the mass is from a later reading, or an old one."),
)

_PROFILES = (
    _text("profile_id", "Id of the fit."),
    _text("profile_kind", "What was fitted, to what: sprint, resisted_load_velocity ..."),
    _count("n_points", "Points that the fit rests on."),
    _real("residual_sd", "Scatter of the points about the fit (SD, n less the fitted numbers).", OWN_UNIT),
    _text("residual_unit", "Unit of residual_sd."),
    Field("accepted", "boolean", "Whether the fit is good enough to be used."),
    _text("why_not", "Why it is not, in a sentence; NULL where it is."),
    _text("value_name", "Name of a value that the fit came to."),
    _real("fit_error", "Standard error of the value, from the fit; NULL: not known.", OWN_UNIT),
)

_NORMS = (
    Field("week", "date", "Monday of the ISO week; the window ends on its Sunday."),
    _text("norms_version", "Version: the season, and a hash of what went in."),
    Field("numbers_of", "date", "Monday of the week that the numbers told of a group are of."),
    Field("is_told", "boolean", "Whether the group's numbers may be told."),
    _text("population_id", "Id of the population."),
    _text("season", "Season, a label."),
    _text("age_band", "Ages in years, on the week's Sunday."),
    _count("rung", "Rung of the fallback ladder; 1 is the narrowest, 0 a population of the facility's own."),
    _text("parent_id", "Next wider population; NULL for the widest."),
    _count("n_athletes", "Athletes, each counted once."),
    _real("mean", "Mean over athletes.", OWN_UNIT),
    _real("sd", "Standard deviation over athletes (n - 1); includes measurement error.", OWN_UNIT),
    _real("geometric_mean", "Mean on the log scale, for metrics of that scale.", OWN_UNIT),
    _real("geometric_sd_percent", "SD on the log scale: 100 (exp(SD of the logs) - 1).", "%"),
    _real(
        "shrunk_mean", "Mean drawn toward the parent population's, more so where athletes are few.", OWN_UNIT
    ),
    _real("shrunk_sd", "SD drawn toward the parent population's, more so where athletes are few.", OWN_UNIT),
    *(
        _real(
            f"p{p:02d}",
            f"Percentile {p}, Hyndman-Fan definition 8; NULL where athletes are too few.",
            OWN_UNIT,
        )
        for p in (5, 10, 25, 50, 75, 90, 95)
    ),
    Field("percentile", "integer", "Percentile, of the values as measured.", unit="%", low=0, high=100),
    _real("value_low", "Lower end of the 90 % interval by order statistics; NULL: cannot tell.", OWN_UNIT),
    _real("value_high", "Upper end of the 90 % interval by order statistics; NULL: cannot tell.", OWN_UNIT),
    _text("withheld", "Why values are left out, in a sentence; NULL where none is."),
    _real(
        "value_error",
        "Error (SD) of the value: that of a session, for the median of so many; NULL: not known yet.",
        OWN_UNIT,
    ),
    _count("n_sessions", "Sessions behind the value."),
    Field("last_date", "date", "Date of the last session behind the value."),
    _count("n_others", "Others in the group, the athlete left out."),
    *(
        _real(name, meaning, "%")
        for name, meaning in (
            (
                "percentile_turned",
                "Share of the others who are worse, those equal counted half, kept within 1 to 99; high is "
                "better. NULL where no direction is.",
            ),
            (
                "percentile_low",
                "Lower end of the 90 % interval of percentile, from measurement error and the number of "
                "others; NULL: cannot tell yet.",
            ),
            ("percentile_high", "Upper end of the 90 % interval of percentile; NULL: cannot tell yet."),
            ("percentile_raw", "Share of the others with a lower value, whatever is better. 1 to 99."),
            (
                "percentile_raw_low",
                "Lower end of the 90 % interval of percentile_raw; NULL: cannot tell yet.",
            ),
            (
                "percentile_raw_high",
                "Upper end of the 90 % interval of percentile_raw; NULL: cannot tell yet.",
            ),
        )
    ),
    _real(
        "z",
        "Standard score among the others, on the metric's scale; high is better. NULL where nothing is.",
        "1",
    ),
    _real("z_error", "Error (SD) of z: of measurement, and of the others' mean and SD.", "1"),
    _real("t_score", "50 + 10 z.", "1"),
    _text(
        "curve_method",
        "Kind of curve: LMS (100 athletes or more), log-quadratic (20 or more), or a published table.",
        ("lms", "log_quadratic", "published"),
    ),
    _text("curve_source", "Whose curve it is: a citation, where it is published."),
    _real("curve_age", "Age.", "years"),
    _real("lms_l", "L of the LMS method: the power that takes the skew away.", "1"),
    _real("lms_m", "M of the LMS method: the median at that age.", OWN_UNIT),
    _real("lms_s", "S of the LMS method: the coefficient of variation.", "1"),
    _real("age_z", "Standard score at that age; high is better. NULL where no direction is.", "1"),
    _real("z_low", "Lower end of the 90 % interval of z by measurement error; NULL: cannot tell yet.", "1"),
    _real("z_high", "Upper end of the 90 % interval of z by measurement error; NULL: cannot tell yet.", "1"),
    _real(
        "age_percentile", "Percentile at that age, by the curve, kept within 1 to 99; high is better.", "%"
    ),
    _text("previous_version", "Version of the norms of the week before."),
    _count("n_athletes_before", "Athletes in the week before."),
    Field(
        "n_athletes_change",
        "integer",
        "Athletes more (or fewer) than in the week before.",
        unit="count",
        low=-(2**31),
        high=2**31 - 1,
    ),
    _real("mean_before", "Mean of the week before.", OWN_UNIT),
    _real("mean_change", "Change of the mean.", OWN_UNIT),
    _real("p50_before", "Median of the week before.", OWN_UNIT),
    _real("p50_change", "Change of the median.", OWN_UNIT),
    _real(
        "composite_value",
        "Mean of the domains' scores as T: 50 + 10 z. Arbitrary weights; no ranking. NULL: see withheld.",
        "1",
    ),
    _real("composite_error", "Error (SD) of the composite; NULL: an error of a part is not known yet.", "1"),
    _count("n_domains", "Domains with a score."),
    _count("n_domains_of", "Domains in which somebody of the group has a score."),
    _real("coverage", "Share of the domains that have a score.", "%"),
    _text("domain", "Quality that tests are of.", DOMAINS),
    _real("domain_z", "Mean standard score of the domain's series; high is better.", "1"),
    _real("domain_z_error", "Error (SD) of it; NULL: not known yet.", "1"),
    _count("n_series", "Series behind it."),
    _text("event_id", "Id of the event."),
    _text("kind", "Kind of event."),
    Field("from_date", "date", "First day."),
    Field("to_date", "date", "Last day; NULL is open."),
)

_RUNS = (
    _text("run_id", "Id of the run; its steps share it."),
    _text("step", "What ran: a step, or a rebuild or weekly edition."),
    _text("started_by", "The command that started it; under watch: what it was for."),
    Field("run_as_of", "date", "Last day of the statistics; NULL where the run ended before it was known."),
    Field("valid_on", "date", "Day that squads and availability are of."),
    Field("started_at", "timestamp", "When it began.", unit="UTC"),
    Field("seconds", "real", "How long it took.", unit="s", low=0, high=1e9, limits_from="thirty years"),
    Field("rows", "bigint", "Rows written; of intake, lines taken in.", unit="count", low=0, high=2**63 - 1),
    _text("outcome", "done, or failed and why."),
    _text("code_version", "Version of yardmark, and a hash of its source."),
    _text("inputs_hash", "Hash of all it was made from: code, tables, config, dates; NULL where it failed."),
    _text("outputs_hash", "Hash of the tables it wrote; NULL for intake and publishing."),
)

_SERIES = tuple(
    _text(
        f"series_{key}",
        f"Key of the series: {key.replace('_', ' ')}, as in the label; NULL: not one of its keys.",
    )
    for key in SERIES_KEYS
)


def _merge() -> dict[str, Field]:
    shared = (*_PEOPLE, *_TRIALS, *_FILES, *_METRICS, *_SESSIONS, *_PROFILES, *_NORMS, *_RUNS)
    shared = (*shared, *FIELDS_OF_CHANGE, *_SERIES)
    fields = {field.name: field for field in shared}
    if len(fields) != len(shared):
        raise ValueError("a field is declared twice in schemas/fields.py")
    for family in FAMILIES.values():
        for field in family.columns:
            fields.setdefault(field.name, field)
    return fields


FIELDS: dict[str, Field] = _merge()
