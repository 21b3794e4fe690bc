"""Body measures: mass, stature and the lengths that formulas need, by scales and tapes."""

from schemas.core import Family, Field

FAMILY = Family(
    name="body_measures",
    label="body measures",
    table="body_readings",
    row_is="a reading of a scale or a tape",
    columns=(
        Field(
            "quantity",
            "text",
            "What was measured.",
            values=("mass", "stature", "sitting_height", "leg_length", "push_off_distance"),
        ),
        Field(
            "reading", "integer", "Number of the reading in its occasion.", unit="count", low=0, high=1_000
        ),
        Field(
            "value",
            "real",
            "The reading, in the unit beside it: kilograms for mass, metres for lengths. Not to be summed.",
            unit="kg or m",
            low=0.0,
            high=250.0,
            limits_from="judgement from world extremes (methods, B7)",
            by="quantity",
            limits_by=(
                ("mass", 15.0, 250.0),
                ("stature", 0.9, 2.3),
                ("sitting_height", 0.4, 1.3),
                ("leg_length", 0.4, 1.4),
                ("push_off_distance", 0.2, 0.6),
            ),
        ),
        Field("unit", "text", "Unit of the value: kg or m."),
    ),
    required=("quantity", "value"),
    natural_key=("quantity", "reading"),
    trial_key=("quantity", "reading"),
    numbered="reading",
    values=("value",),
)
