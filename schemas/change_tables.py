"""The tables on error, trend and change."""

from __future__ import annotations

from schemas.core import Table


def _with_band(name: str) -> tuple[str, str, str]:
    return name, f"{name}_low", f"{name}_high"


_LINE = ("athlete_id", "metric", "series_id")
_BORROWED = "Errors until own repeats are many are borrowed from published studies: see origin."

TABLES_OF_CHANGE = (
    Table(
        "reliability",
        "the error of a metric's values in a series and age class, as known in a week; what the catalogue "
        f"pools over series stands in the row of each. {_BORROWED}",
        (
            "reliability_id",
            "week",
            "metric",
            "series_id",
            "age_class",
            "error_unit",
            "n_trials",
            "trial_error",
            "session_error",
            "error_low",
            "error_high",
            "session_error_robust",
            "cv_percent",
            *_with_band("icc_consistency"),
            *_with_band("icc_agreement"),
            "icc_athletes",
            *_with_band("learning"),
            "mdc95",
            "smallest_worthwhile",
            "worthwhile_origin",
            "drift",
            "n_athletes",
            "n_pairs",
            "degrees_of_freedom",
            "origin",
            "window_from",
            "window_to",
            "note",
        ),
        key=("week", "series_id", "age_class"),
        required=frozenset(
            {
                *(
                    "reliability_id",
                    "week",
                    "metric",
                    "series_id",
                    "age_class",
                    "error_unit",
                    "n_trials",
                    "drift",
                ),
                *("n_athletes", "n_pairs", "window_from", "window_to"),
            }
        ),
    ),
    Table(
        "trends",
        "an athlete's estimated level on a day. Growth of the young is in it",
        (
            *_LINE,
            "local_date",
            "value",
            *_with_band("estimate"),
            *_with_band("estimate_then"),
            "surprise",
            "stretch",
            "unit",
            "reliability_id",
        ),
        key=("series_id", "athlete_id", "local_date"),
        required=frozenset(
            {*_LINE, "local_date", "estimate", "estimate_then", "surprise", "stretch", "unit"}
        ),
    ),
    Table(
        "changes",
        "an athlete's change over a span, as of a week with a test of it. First the change and its interval, "
        "then the odds, the verdict last. Since when, never because of what; growth of the young is in it",
        (
            "as_of",
            *_LINE,
            "span",
            "from_date",
            "to_date",
            "from_value",
            "to_value",
            *_with_band("change"),
            *_with_band("change_percent"),
            "unit",
            "direction",
            "p_better",
            "p_within",
            "p_worse",
            "odds",
            "verdict",
            "sessions_needed",
            "note",
            "smallest_worthwhile:worthwhile_here",
            "n_before",
            "n_after",
            "basis",
            "reliability_id",
        ),
        key=("as_of", "series_id", "athlete_id", "span"),
        required=frozenset(
            {
                *(
                    "as_of",
                    *_LINE,
                    "span",
                    "from_date",
                    "to_date",
                    "from_value",
                    "to_value",
                    "change",
                    "unit",
                ),
                *("direction", "basis", "reliability_id"),
            }
        ),
        as_csv=True,
    ),
    Table(
        "expected_false_calls",
        "a span in a week: how many verdicts there are, and how many there would be had nobody changed",
        (
            "as_of",
            "span",
            "n_changes",
            "n_better",
            "n_worse",
            "n_leaning",
            "n_new",
            "expected_false_standing",
            "expected_false_new",
            "expected_false_leaning",
        ),
        key=("as_of", "span"),
        required=frozenset({"as_of", "span", "n_changes"}),
    ),
    Table(
        "squad_changes",
        "a squad's mean change over a span, of those tested that week and fully available. What shifts a "
        "whole day (a device, a surface, the weather) does not average out. It says nothing of causes",
        (
            "as_of",
            "squad",
            "metric",
            "series_id",
            "span",
            "n_athletes",
            *_with_band("change"),
            *_with_band("spread_of_response"),
            "unit",
        ),
        key=("as_of", "squad", "series_id", "span"),
        required=frozenset({"as_of", "squad", "metric", "series_id", "span", "n_athletes", "unit"}),
    ),
    Table(
        "personal_bests",
        "an athlete's best single value: a best of many tries, apart from the level, never compared with it",
        (*_LINE, "measurement_id", "value", "set_on", "previous_value", "unit"),
        key=("series_id", "athlete_id"),
        required=frozenset({*_LINE, "measurement_id", "value", "set_on", "unit"}),
    ),
    Table(
        "returns",
        "an athlete's series after an injury or illness, against the own level before and the other side. "
        "Reaching either is no clearance: that is for licensed people",
        (
            "athlete_id",
            "event_id",
            "kind",
            "from_date",
            "metric",
            "series_id",
            "to_date",
            *_with_band("before_value"),
            *_with_band("now_value"),
            *_with_band("percent_of_before"),
            *_with_band("percent_of_other_side"),
            "unit",
        ),
        key=("event_id", "series_id"),
        required=frozenset(
            {"athlete_id", "event_id", "kind", "from_date", "metric", "series_id", "to_date", "unit"}
        ),
        restricted=True,
    ),
)
