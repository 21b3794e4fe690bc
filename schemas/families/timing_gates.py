"""Timing gates: split times of sprints and turns at declared distances."""

from schemas.core import Family, Field

_JUDGED = "judgement from world extremes and physics (methods, B3)"

FAMILY = Family(
    name="timing_gates",
    label="timing gates",
    table="sprint_splits",
    row_is="a gate passed in a run",
    columns=(
        Field(
            "test",
            "text",
            "What was tested.",
            values=("linear_sprint", "flying_sprint", "change_of_direction"),
        ),
        Field("trial", "integer", "Number of the trial in its occasion.", unit="count", low=0, high=100_000),
        Field(
            "distance_m",
            "real",
            "Distance of this gate from the first gate, along the run.",
            unit="m",
            low=0.5,
            high=1_000.0,
            limits_from=_JUDGED,
        ),
        Field(
            "split_time_s",
            "real",
            "Time from the start of the clock to this gate.",
            unit="s",
            low=0.1,
            high=600.0,
            limits_from=_JUDGED,
        ),
        Field(
            "start",
            "text",
            "How the run begins.",
            values=("standing", "three_point", "blocks", "flying"),
        ),
        Field(
            "start_offset_m",
            "real",
            "Distance of the athlete behind the first gate at the start.",
            unit="m",
            low=0.0,
            high=60.0,
            limits_from=_JUDGED,
        ),
        Field("timing", "text", "How the time is taken.", values=("electronic", "hand")),
        Field("course", "text", "Name of the course run."),
        Field(
            "turn_angle_deg",
            "real",
            "Angle of the turn.",
            unit="deg",
            low=0.0,
            high=180.0,
            limits_from=_JUDGED,
        ),
        Field("approach", "text", "How a turn is approached.", values=("standing", "flying")),
        Field("side", "text", "Leg that pushes off in the turn.", values=("left", "right")),
        Field("surface", "text", "What is run on."),
        Field("shoes", "text", "What is worn on the feet."),
        Field(
            "wind_m_s",
            "real",
            "Wind along the run.",
            unit="m/s",
            low=-20.0,
            high=20.0,
            limits_from=_JUDGED,
            sign="a tailwind is positive",
        ),
        Field(
            "witness_interval_speed_m_s",
            "real",
            "Speed from the gate before to this one as the device computes it; kept to compare with ours, "
            "never used.",
            unit="m/s",
        ),
    ),
    required=("test", "distance_m", "split_time_s"),
    natural_key=("test", "side", "trial", "distance_m"),
    trial_key=("test", "side", "trial"),
    numbered="trial",
    values=("split_time_s",),
)
