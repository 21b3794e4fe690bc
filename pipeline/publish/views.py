"""The views of the published file: their SQL, what a row of each is, and what its columns mean."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pipeline.publish.change_views import CURRENT_CHANGES, CURRENT_ESTIMATES
from schemas.catalogue import SERIES_KEYS, Metric
from schemas.core import Family, Field
from schemas.ddl import literal, quote
from schemas.families import FAMILIES
from schemas.tables import TABLES, TRIAL_TABLES, columns_of

# Weeks after which a test is stale (methods, C8).
WEEKS_ADULT = 8
WEEKS_UNDER_18 = 6


@dataclass(frozen=True)
class View:
    """A view: its SQL, what a row is, its columns in order, and what else to know."""

    name: str
    row_is: str
    sql: str
    columns: dict[str, Field]
    note: str = ""

    @property
    def comment(self) -> str:
        """What a row is, and the note."""
        return f"A row is {self.row_is}. {self.note}".strip()

    def statements(self) -> list[str]:
        """CREATE VIEW and its COMMENTs."""
        name = quote(self.name)
        return [
            f"CREATE VIEW {name} AS {self.sql}",
            f"COMMENT ON VIEW {name} IS {literal(self.comment)}",
            *(
                f"COMMENT ON COLUMN {name}.{quote(column)} IS {literal(field.comment)}"
                for column, field in self.columns.items()
            ),
        ]


def views(valid_on: date, catalogue: dict[str, Metric]) -> tuple[View, ...]:
    """Every view of the published file; `valid_on` is the day on which tests are stale or not."""
    wide = (_results_wide(family, catalogue) for family in FAMILIES.values())
    fixed = (
        _current_estimates(),
        _current_changes(),
        _current_norms(),
        _current_against_group(),
        _files_first(),
        _lineage(),
        _stale_tests(valid_on),
    )
    return (*fixed, *(v for v in wide if v))


def _fields(table: str, *names: str) -> dict[str, Field]:
    """The named columns of a table."""
    columns = columns_of(TABLES[table])
    return {name: columns[name] for name in names}


def _text(name: str, meaning: str) -> dict[str, Field]:
    return {name: Field(name, "text", meaning)}


def _current_estimates() -> View:
    return View(
        "current_estimates",
        "an athlete's level of a series on the last day of a test of it",
        CURRENT_ESTIMATES,
        _in_words("trends"),
        "It may be old: see local_date, and stale_tests.",
    )


def _current_changes() -> View:
    return View(
        "current_changes",
        "an athlete's change of a series over a span, as of the last week with a test of it",
        CURRENT_CHANGES,
        _in_words("changes"),
        "First the change and its interval, then the odds, the verdict last. How many verdicts there "
        "would be had nobody changed is in expected_false_calls.",
    )


def _in_words(table: str) -> dict[str, Field]:
    """The columns of a table, and what its metric and series are called."""
    return (
        columns_of(TABLES[table])
        | _text("metric_label", "The metric in words.")
        | _text("series_label", "The series: what is equal for all its values.")
        | _fields("metrics", "decimals", "better")
    )


def _current_norms() -> View:
    return View(
        "current_norms",
        "a metric in a population in the latest week",
        """
SELECT n.*, p.label AS population_label, p.rung, m.label AS metric_label, s.label AS series_label,
       m.decimals, m.better
FROM norms n
JOIN populations p ON p.population_id = n.population_id
JOIN metrics m ON m.metric = n.metric
JOIN series s ON s.series_id = n.series_id
WHERE n.week = (SELECT max(week) FROM norms)""",
        columns_of(TABLES["norms"])
        | _text("population_label", "Who the population is.")
        | _fields("populations", "rung")
        | _text("metric_label", "The metric in words.")
        | _text("series_label", "The series: what is equal for all its values.")
        | _fields("metrics", "decimals", "better"),
        "Past weeks are in norms.",
    )


def _current_against_group() -> View:
    return View(
        "current_against_group",
        "an athlete's value of a metric among the others of a group, in words",
        """
SELECT g.*, p.label AS population_label, p.rung, m.label AS metric_label, s.label AS series_label,
       m.decimals, m.better
FROM against_group g
JOIN populations p ON p.population_id = g.population_id
JOIN metrics m ON m.metric = g.metric
JOIN series s ON s.series_id = g.series_id""",
        columns_of(TABLES["against_group"])
        | _text("population_label", "Who the population is.")
        | _fields("populations", "rung")
        | _text("metric_label", "The metric in words.")
        | _text("series_label", "The series: what is equal for all its values.")
        | _fields("metrics", "decimals", "better"),
        "Past weeks: refresh --as-of.",
    )


def _files_first() -> View:
    return View(
        "files_first",
        "a content that was dropped, at its first drop",
        """
SELECT * FROM files
QUALIFY row_number() OVER (PARTITION BY file_id ORDER BY received_at, drop_id) = 1""",
        columns_of(TABLES["files"]),
        "The same content dropped again has a row in files only.",
    )


def _lineage() -> View:
    trial_rows = " UNION ALL ".join(
        f"SELECT {literal(table)} AS source_table, row_id, file_id, line, version FROM {quote(table)}"
        for table in TRIAL_TABLES
    )
    return View(
        "lineage",
        "a trial row behind a measurement, down to file and line",
        f"""
WITH trial_rows AS ({trial_rows}),
inputs AS (
    SELECT measurement_id, source_table, row_id, role FROM measurement_inputs
    UNION ALL
    SELECT m.measurement_id, NULL, m.row_id, 'value' FROM measurements m
    WHERE m.row_id IS NOT NULL AND NOT EXISTS (
        SELECT 1 FROM measurement_inputs i WHERE i.measurement_id = m.measurement_id AND i.row_id = m.row_id)
)
SELECT m.measurement_id, m.athlete_id, m.metric, m.series_id, m.session_id, m.local_date, m.value, m.unit,
       i.role, coalesce(i.source_table, t.source_table) AS source_table, i.row_id, t.version,
       t.file_id, t.line, f.file_id AS file_sha256, f.path, f.layout
FROM measurements m
JOIN inputs i ON i.measurement_id = m.measurement_id
LEFT JOIN trial_rows t
    ON t.row_id = i.row_id AND (i.source_table IS NULL OR t.source_table = i.source_table)
LEFT JOIN files_first f ON left(f.file_id, 16) = t.file_id""",
        _fields(
            "measurements", "measurement_id", "athlete_id", "metric", "series_id", "session_id", "local_date"
        )
        | _fields("measurements", "value", "unit")
        | _fields("measurement_inputs", "role", "source_table", "row_id")
        | _fields(TRIAL_TABLES[0], "version", "file_id", "line")
        | _text("file_sha256", "SHA-256 of the file, all 64 hex digits: its name in the archive.")
        | _fields("files", "path", "layout"),
        "The original is in archive/ under the file's SHA-256.",
    )


def _stale_tests(valid_on: date) -> View:
    day = f"DATE {literal(valid_on.isoformat())}"
    return View(
        "stale_tests",
        "an athlete's last result of a metric and series that is too old to go by",
        f"""
WITH last_results AS (
    SELECT r.athlete_id, r.metric, r.series_id, max(r.local_date) AS last_date,
           CASE WHEN any_value(a.age_years) >= 18 THEN {WEEKS_ADULT} ELSE {WEEKS_UNDER_18} END
               AS weeks_allowed,
           any_value(a.available) AS available
    FROM results r LEFT JOIN athletes a ON a.athlete_id = r.athlete_id
    GROUP BY r.athlete_id, r.metric, r.series_id
)
SELECT l.athlete_id, l.metric, l.series_id, m.label AS metric_label, s.label AS series_label, l.available,
       l.last_date, CAST({day} - l.last_date AS INTEGER) AS days_since, l.weeks_allowed, {day} AS valid_on
FROM last_results l
JOIN metrics m ON m.metric = l.metric
JOIN series s ON s.series_id = l.series_id
WHERE {day} - l.last_date > 7 * l.weeks_allowed""",
        _fields("results", "athlete_id", "metric", "series_id")
        | _text("metric_label", "The metric in words.")
        | _text("series_label", "The series: what is equal for all its values.")
        | _fields("athletes", "available")
        | {
            "last_date": Field("last_date", "date", "Date of the last result."),
            "days_since": Field("days_since", "integer", "Days since the last result.", unit="days"),
            "weeks_allowed": Field("weeks_allowed", "integer", "Weeks a result is fresh.", unit="weeks"),
            "valid_on": Field("valid_on", "date", "Day that the ages count from."),
        },
        f"Older than {WEEKS_ADULT} weeks; {WEEKS_UNDER_18} weeks for under-18s and for unknown ages.",
    )


def _results_wide(family: Family, catalogue: dict[str, Metric]) -> View | None:
    """A row a session and test condition: one value a metric, whatever was tested that day."""
    metrics = [metric for metric in catalogue.values() if metric.family == family.name]
    if not metrics:
        return None
    keys = [key for key in SERIES_KEYS if any(key in metric.series_keys for metric in metrics)]
    session = (
        "athlete_id",
        "local_date",
        "age_years",
        "body_mass_kg",
        "sport",
        "position",
        "competition_level",
        "available",
    )
    parts = ["e.session_id", *(f"e.{column}" for column in session), "a.sex", "s.label AS test_condition"]
    parts += [f"s.{quote(key)}" for key in keys]
    values = [
        f"max(r.value) FILTER (WHERE r.metric = {literal(m.metric)}) AS {quote(m.metric)}" for m in metrics
    ]
    ours = ", ".join(literal(metric.metric) for metric in metrics)
    return View(
        f"results_wide_{family.name}",
        "a session's results under one test condition, with a column a metric",
        f"""
SELECT {", ".join(parts + values)}
FROM results r
JOIN series s ON s.series_id = r.series_id
JOIN sessions e ON e.session_id = r.session_id
LEFT JOIN athletes a ON a.athlete_id = e.athlete_id
WHERE r.metric IN ({ours})
GROUP BY ALL""",
        _fields("sessions", "session_id", *session)
        | _fields("athletes", "sex")
        | _text("test_condition", "What is equal for the row's values, as in the label of series.")
        | _fields("series", *keys)
        | {m.metric: Field(m.metric, "real", f"{m.label}. Not to be summed.", unit=m.unit) for m in metrics},
        f"Of {family.label}. A session has as many rows as test conditions; a metric that does not "
        "apply to a condition is NULL. Best values, numbers of trials and flags are in results.",
    )
