"""Other tests: what is measured without a device of the other families; the facility declares them."""

from schemas.core import Family, Field

FAMILY = Family(
    name="other_tests",
    label="other tests",
    table="other_trials",
    row_is="a trial of a test that the facility has declared",
    columns=(
        Field("test", "text", "What was tested: a test declared in config/metrics.toml."),
        Field("trial", "integer", "Number of the trial in its occasion.", unit="count", low=0, high=100_000),
        Field(
            "value",
            "real",
            "The value, in the unit beside it. Not to be summed.",
            unit="any",
            limits_from="each test's own limits, in config/metrics.toml",
        ),
        Field("unit", "text", "Unit of the value: the base unit of its kind, such as m, s, kg or N."),
        Field("side", "text", "Which side was tested.", values=("both", "left", "right")),
    ),
    required=("test", "value"),
    natural_key=("test", "side", "trial"),
    trial_key=("test", "side", "trial"),
    numbered="trial",
    values=("value",),
)
