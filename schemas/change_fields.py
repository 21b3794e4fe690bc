"""Fields of the tables on error, trend and change."""

from __future__ import annotations

from schemas.core import OWN_UNIT, Field


def _text(name: str, meaning: str, values: tuple[str, ...] = ()) -> Field:
    return Field(name, "text", meaning, values=values)


def _real(name: str, meaning: str, unit: str) -> Field:
    return Field(name, "real", meaning, unit=unit)


def _count(name: str, meaning: str) -> Field:
    return Field(name, "integer", meaning, unit="count", low=0, high=2**31 - 1)


def _band(name: str, meaning: str, unit: str) -> tuple[Field, Field]:
    ends = (("low", "Lower"), ("high", "Upper"))
    return tuple(
        _real(f"{name}_{end}", f"{word} end of the 90 % interval of {meaning}.", unit) for end, word in ends
    )  # type: ignore[return-value]


VERDICTS = ("better", "leaning_better", "no_clear_change", "leaning_worse", "worse", "cannot_tell")
SPANS = ("since_baseline", "since_block", "since_last", "since_usual", "since_season_start", "since_year")

RELIABILITY_FIELDS = (
    _text("reliability_id", "Id of the row: a hash of all that went into it."),
    _text("age_class", "Age class; 18 years and over, or not known to be.", ("youth", "adult")),
    _text("error_unit", "Unit of the errors: % where the metric's scale is log, else the metric's unit."),
    _real("error_low", "Lower end of the 90 % interval of session_error (chi-square).", OWN_UNIT),
    _real("error_high", "Upper end of the 90 % interval of session_error (chi-square).", OWN_UNIT),
    _real(
        "session_error_robust",
        "The own session error by the median, which a few wild pairs don't move; not blended.",
        OWN_UNIT,
    ),
    _real("cv_percent", "The session's error as per cent of the level.", "%"),
    *(
        field
        for name, what in (
            ("icc_consistency", "ICC(3,1) of the athletes' last pairs of sessions"),
            ("icc_agreement", "ICC(2,1) of the same pairs"),
        )
        for field in (
            _real(name, f"{what}; grows with how much athletes differ. NULL: fewer than 5 athletes.", "1"),
            *_band(name, name, "1"),
        )
    ),
    _count("icc_athletes", "Athletes behind the ICCs."),
    _real("learning", "Mean change from the first session of a series to the second.", OWN_UNIT),
    *_band("learning", "learning", OWN_UNIT),
    _real(
        "mdc95",
        "1.96 sqrt 2 session_error: a change between two single sessions beyond it is seldom noise.",
        OWN_UNIT,
    ),
    _real(
        "smallest_worthwhile",
        "Smallest change that matters: a judgement, see worthwhile_origin; not what can be measured.",
        OWN_UNIT,
    ),
    _real("worthwhile_here", "Smallest change that matters, at from_value; see reliability.", OWN_UNIT),
    _text(
        "worthwhile_origin",
        "Whose judgement: the coach's; 0.2 of the true SD between athletes of a sex; half the session error.",
        ("coach", "spread", "error"),
    ),
    _real(
        "drift",
        "How far a level wanders in 28 days (SD), pooled over the metric, never below its floor.",
        OWN_UNIT,
    ),
    _count("n_pairs", "Pairs of sessions behind the own session error."),
    _real(
        "degrees_of_freedom", "Degrees of freedom of session_error; a published figure counts as 10.", "count"
    ),
    _text(
        "origin", "Whose session error it is; published ones are borrowed.", ("own", "published", "blended")
    ),
    Field("window_from", "date", "First day that own sessions are taken from."),
    Field("window_to", "date", "Last day that own sessions are taken from."),
    _text("note", "What to look into, in a sentence; NULL: nothing."),
)

TREND_FIELDS = (
    _real("estimate", "The level that day, as seen from all tests until now. Not to be summed.", OWN_UNIT),
    *_band("estimate", "the estimate", OWN_UNIT),
    _real("estimate_then", "The level as it was known that day, from the tests until then.", OWN_UNIT),
    *_band("estimate_then", "estimate_then", OWN_UNIT),
    Field("surprise", "boolean", "Whether the day's value was so far off that it counts with less weight."),
    Field(
        "stretch",
        "integer",
        "Number of the stretch of the series: the level starts anew with each, nothing is carried over.",
        unit="count",
        low=1,
        high=2**31 - 1,
    ),
)

CHANGE_FIELDS = (
    Field("as_of", "date", "Monday of the week as of whose Sunday this was known."),
    _text("span", "What it is compared with.", SPANS),
    _real("from_value", "The level it is compared with.", OWN_UNIT),
    _real("to_value", "The level now.", OWN_UNIT),
    _real("change", "to_value less from_value.", OWN_UNIT),
    *_band("change", "the change", OWN_UNIT),
    _real(
        "change_percent", "The change as per cent of from_value; NULL where the metric's scale is raw.", "%"
    ),
    *_band("change_percent", "change_percent", "%"),
    _text("direction", "Which way the 90 % interval points.", ("up", "down", "unclear")),
    _real(
        "p_better", "Chance that it is better by more than the smallest worthwhile change; flat prior.", "1"
    ),
    _real("p_within", "Chance that the change is smaller than the smallest worthwhile one; flat prior.", "1"),
    _real("p_worse", "Chance that it is worse by more than the smallest worthwhile change; flat prior.", "1"),
    _text("odds", "The likeliest of the three in plain words."),
    _text("verdict", "The word for it; NULL for context metrics.", VERDICTS),
    Field(
        "sessions_needed",
        "integer",
        "Further sessions until settled, should the estimate stay; NULL: this baseline cannot settle it.",
        unit="count",
        low=0,
        high=2**31 - 1,
    ),
    _count("n_before", "Sessions that the level compared with rests on."),
    _count("n_after", "Sessions since."),
    _text(
        "basis",
        "trend: the level is followed. pairs: fewer than 3 sessions, values against values.",
        ("trend", "pairs"),
    ),
    _count("n_changes", "Changes with a verdict."),
    _count("n_better", "Of them better."),
    _count("n_worse", "Of them worse."),
    _count("n_leaning", "Of them leaning either way."),
    _count("n_new", "Better or worse now, and not so at the look before."),
    _real(
        "expected_false_standing",
        "How many would be better or worse had nobody changed, standing ones counted too.",
        "count",
    ),
    _real("expected_false_new", "Those of them that would be new this week.", "count"),
    _real("expected_false_leaning", "How many would be leaning either way had nobody changed.", "count"),
    _real(
        "spread_of_response",
        "SD of the athletes' true changes, beyond noise; NULL: none detectable.",
        OWN_UNIT,
    ),
    *_band("spread_of_response", "the spread", OWN_UNIT),
    _real("previous_value", "The best before it; NULL: none.", OWN_UNIT),
    Field("set_on", "date", "When it was set."),
)

RETURN_FIELDS = (
    _real("before_value", "Own level before, from the tests until then alone; NULL: none.", OWN_UNIT),
    *_band("before_value", "before_value", OWN_UNIT),
    _real("now_value", "The level at the last test since.", OWN_UNIT),
    *_band("now_value", "now_value", OWN_UNIT),
    _real("percent_of_before", "now_value as per cent of before_value.", "%"),
    *_band("percent_of_before", "percent_of_before", "%"),
    _real("percent_of_other_side", "The last value as per cent of the other side's, of the same day.", "%"),
    *_band("percent_of_other_side", "percent_of_other_side", "%"),
)

FIELDS_OF_CHANGE = (*RELIABILITY_FIELDS, *TREND_FIELDS, *CHANGE_FIELDS, *RETURN_FIELDS)
