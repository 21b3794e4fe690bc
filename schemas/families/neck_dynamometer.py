"""Neck dynamometer: isometric peak force by direction, and peak torque of rotation."""

from schemas.core import Family, Field

ROTATIONS = ("rotation_left", "rotation_right")

FAMILY = Family(
    name="neck_dynamometer",
    label="neck dynamometer",
    table="neck_trials",
    row_is="an isometric trial of the neck in one direction",
    columns=(
        Field(
            "direction",
            "text",
            "Direction of the effort; left and right are lateral flexion.",
            values=("flexion", "extension", "left", "right", *ROTATIONS),
        ),
        Field("trial", "integer", "Number of the trial in its occasion.", unit="count", low=0, high=100_000),
        Field(
            "peak_force_n",
            "real",
            "Highest force on the pad.",
            unit="N",
            low=5.0,
            high=900.0,
            limits_from="judgement (methods, B8)",
        ),
        Field(
            "peak_torque_n_m",
            "real",
            "Highest torque about the long axis of the neck, in rotation.",
            unit="N.m",
            low=0.2,
            high=60.0,
            limits_from="judgement (from memory: adults reach 5 to 20 N.m)",
        ),
        Field(
            "lever_arm_m",
            "real",
            "Distance of the pad from the axis of the movement.",
            unit="m",
            low=0.02,
            high=0.5,
            limits_from="judgement from the size of heads and necks",
        ),
        Field("posture", "text", "How the athlete sits, stands or lies, and what holds the trunk."),
        Field("examiner", "text", "Who ran the test."),
        Field(
            "witness_highest_force_n",
            "real",
            "Highest force of the occasion's trials in this direction as the device tells it; kept to "
            "compare with ours, never used.",
            unit="N",
        ),
    ),
    required=("direction",),
    natural_key=("direction", "trial"),
    trial_key=("direction", "trial"),
    numbered="trial",
    values=("peak_force_n", "peak_torque_n_m"),
)
