"""Contact mat: jumps, hops and push-up flights, from the times a switch is open and closed."""

from schemas.core import Family, Field

_JUDGED = "judgement from world extremes and physics (methods, B1)"

FAMILY = Family(
    name="contact_mat",
    label="contact mat",
    table="jump_trials",
    row_is="a jump, a hop of a series, or a push-up flight",
    columns=(
        Field(
            "test",
            "text",
            "What was tested.",
            values=(
                "squat_jump",
                "countermovement_jump",
                "drop_jump",
                "repeated_hops",
                "push_up_flight",
            ),
        ),
        Field("trial", "integer", "Number of the trial in its occasion.", unit="count", low=0, high=100_000),
        Field("hop", "integer", "Number of the hop in its series.", unit="count", low=0, high=1_000),
        Field(
            "flight_time_s",
            "real",
            "Time in the air: from leaving the mat to landing on it.",
            unit="s",
            low=0.05,
            high=1.0,
            limits_from=_JUDGED,
            by="test",
            limits_by=(("push_up_flight", 0.02, 0.8),),
        ),
        Field(
            "contact_time_s",
            "real",
            "Time on the mat between two flights.",
            unit="s",
            low=0.08,
            high=2.0,
            limits_from=_JUDGED,
        ),
        Field(
            "drop_height_m",
            "real",
            "Height of the box stepped off; the true drop differs from it.",
            unit="m",
            low=0.05,
            high=1.2,
            limits_from=_JUDGED,
        ),
        Field(
            "added_load_kg",
            "real",
            "Mass carried beside the body.",
            unit="kg",
            low=0.0,
            high=300.0,
            limits_from=_JUDGED,
        ),
        Field("hands", "text", "Where the hands are.", values=("hips", "free", "floor")),
        Field("leg", "text", "Which leg takes off.", values=("both", "left", "right")),
        Field(
            "witness_jump_height_m",
            "real",
            "Jump height as the device computes it; kept to compare with ours, never used.",
            unit="m",
        ),
        Field(
            "witness_reactive_strength_m_s",
            "real",
            "Height over contact time as the device computes it; kept to compare with ours, never used.",
            unit="m/s",
        ),
    ),
    required=("test", "flight_time_s"),
    natural_key=("test", "leg", "trial", "hop"),
    trial_key=("test", "leg", "trial"),
    numbered="trial",
    values=("flight_time_s", "contact_time_s"),
)
