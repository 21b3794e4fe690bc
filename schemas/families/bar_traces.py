"""Bar traces: the height of a bar over time, from which the repetitions of a set are found.

Not a device family of its own: a layout of `bar_speed` that maps a position is one of traces.
"""

from schemas.core import Family, Field, Trace
from schemas.families.bar_speed import FAMILY as BAR_SPEED

_JUDGED = "judgement from world extremes and physics (methods, B6)"
_OF_A_SET = ("lift", "variant", "implement", "implement_count", "load_kg", "side", "set")
_AND_HOW = ("accommodating", "intent")

FAMILY = Family(
    name="bar_traces",
    label="bar trace",
    table="bar_sets",
    row_is="a set of a lift with a trace",
    columns=(
        *(BAR_SPEED.field(name) for name in (*_OF_A_SET, *_AND_HOW)),
        Field(
            "witness_set_repetitions",
            "integer",
            "Repetitions of the set as the device counts them; kept to compare with ours, never used.",
            unit="count",
        ),
        Field(
            "witness_set_peak_velocity_m_s",
            "real",
            "Highest velocity of the set's lifts as the device computes it; kept to compare with ours, "
            "never used.",
            unit="m/s",
        ),
        Field(
            "time_s",
            "real",
            "Time of the sample from the start of the trace.",
            unit="s",
            low=-5.0,
            high=3_600.0,
            limits_from=_JUDGED,
        ),
        Field(
            "position_m",
            "real",
            "Height of the bar above any fixed place.",
            unit="m",
            low=-5.0,
            high=5.0,
            limits_from=_JUDGED,
            sign="up is positive",
        ),
    ),
    required=("lift", "load_kg", "time_s", "position_m"),
    natural_key=("lift", "variant", "side", "set"),
    trial_key=("lift", "variant", "side", "set"),
    numbered="set",
    values=("time_s", "position_m"),
    # Samples near zero differ by any share: a trace exported again is taken as it is.
    share=float("inf"),
    device_family=BAR_SPEED.name,
    trace=Trace(
        table="bar_samples",
        row_is="a sample of a set's trace",
        columns=("time_s", "position_m"),
        adds=(
            Field("sample_set_id", "text", "The set's samples in bar_samples."),
            Field(
                "n_samples",
                "integer",
                "Samples of the set.",
                unit="count",
                low=1,
                high=10_000_000,
                limits_from="counted",
            ),
            Field(
                "sample_rate_hz",
                "real",
                "Samples a second: one over the median step of time. NULL: fewer than two samples.",
                unit="Hz",
                low=0.0,
                high=100_000.0,
                limits_from="counted",
            ),
        ),
        filled=("row_id",),
    ),
)
