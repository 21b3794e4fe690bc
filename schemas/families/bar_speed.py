"""Bar speed: the repetitions of a lift, with the velocities of what is lifted."""

from schemas.core import Family, Field

_JUDGED = "judgement from world extremes and physics (methods, B6)"

FAMILY = Family(
    name="bar_speed",
    label="bar speed",
    table="bar_reps",
    row_is="a repetition of a lift",
    columns=(
        Field("lift", "text", "What was lifted how, in the facility's words, such as back_squat."),
        Field("variant", "text", "Variant of the lift: depth, pause, grip; as far as it is not in its name."),
        Field("implement", "text", "What the load is: a bar (which one), dumbbells, a machine."),
        Field(
            "implement_count",
            "integer",
            "How many of the implement are lifted at once.",
            unit="count",
            low=1,
            high=8,
            limits_from=_JUDGED,
        ),
        Field(
            "load_kg",
            "real",
            "All that is lifted beside the body, bar and collars included.",
            unit="kg",
            low=-200.0,
            high=700.0,
            limits_from=_JUDGED,
            sign="assistance is negative",
        ),
        Field("side", "text", "Which side lifts.", values=("both", "left", "right")),
        Field("set", "integer", "Number of the set in its occasion.", unit="count", low=0, high=1_000),
        Field("rep", "integer", "Number of the repetition in its set.", unit="count", low=0, high=1_000),
        Field(
            "mean_velocity_m_s",
            "real",
            "Mean velocity of the lifting phase.",
            unit="m/s",
            low=0.03,
            high=3.0,
            limits_from=_JUDGED,
        ),
        Field(
            "peak_velocity_m_s",
            "real",
            "Highest velocity of the lifting phase.",
            unit="m/s",
            low=0.05,
            high=6.0,
            limits_from=_JUDGED,
        ),
        Field(
            "propulsive_velocity_m_s",
            "real",
            "Mean velocity of the lifting phase while the load is not braked (acceleration above -g).",
            unit="m/s",
            low=0.03,
            high=3.0,
            limits_from=_JUDGED,
        ),
        Field(
            "range_of_motion_m",
            "real",
            "Way of the load in the lifting phase.",
            unit="m",
            low=0.02,
            high=2.5,
            limits_from=_JUDGED,
        ),
        Field(
            "accommodating",
            "text",
            "What makes the load grow on the way up.",
            values=("none", "chains", "bands"),
        ),
        Field(
            "intent", "text", "Whether the lift was meant to be as fast as possible.", values=("max", "other")
        ),
    ),
    required=("lift", "load_kg"),
    natural_key=("lift", "variant", "side", "set", "rep"),
    trial_key=("lift", "variant", "side", "set", "rep"),
    numbered="rep",
    values=("mean_velocity_m_s", "peak_velocity_m_s", "propulsive_velocity_m_s", "range_of_motion_m"),
)
