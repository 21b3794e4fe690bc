"""Other tests: each value in the unit of the metric that the facility declared."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.metrics.measurements import measure_all
from schemas.catalogue import CATALOGUE, FedBy, Metric
from tests.metrics.trial_rows import sessions_of, trial_rows


def own(name: str, unit: str, **fields: object) -> Metric:
    return CATALOGUE["one_rep_max"].model_copy(
        update={
            "metric": name,
            "unit": unit,
            "summary": "mean",
            "series_keys": ("test", "side", "method", "method_version"),
            "fed_by": (FedBy(test=name),),
            "hard": (0.0, 1000.0),
            "soft": (0.0, 1000.0),
            **fields,
        }
    )


MAXIMA = (
    FedBy(test="squat_max", lift="back_squat"),
    FedBy(test="bench_max", lift="bench_press", variant="pause"),
)
DECLARED = {
    **CATALOGUE,
    "one_rep_max": CATALOGUE["one_rep_max"].model_copy(update={"fed_by": MAXIMA}),
    "broad_jump": own("broad_jump", "cm", hard=(50.0, 400.0)),
    "piece": own("piece", "s"),
}


def result(test: str, value: float, unit: str, **fields: object) -> dict[str, object]:
    return {"test": test, "trial": 1, "value": value, "unit": unit, **fields}


def measured(*rows: dict[str, object], catalogue: dict[str, Metric] = DECLARED) -> pl.DataFrame:
    trials = trial_rows("other_trials", *rows)
    tables = measure_all({"other_trials": trials}, sessions_of(trials), catalogue, {})
    return tables["measurements"].join(tables["series"], on=["metric", "series_id"]).sort("row_id")


def test_a_value_is_in_the_unit_of_its_metric() -> None:
    frame = measured(result("broad_jump", 2.35, "m"), result("piece", 402.3, "s"))
    assert frame.select("metric", "value", "unit").rows() == [
        ("broad_jump", 235.0, "cm"),
        ("piece", 402.3, "s"),
    ]


def test_lifted_maxima_are_one_metric_with_a_series_a_lift() -> None:
    frame = measured(result("squat_max", 140.0, "kg"), result("bench_max", 90.0, "kg", side="both"))
    assert frame["metric"].to_list() == ["one_rep_max", "one_rep_max"]
    assert frame["label"].to_list() == [
        "lift=back_squat; variant=unknown; side=unknown; method=device-1; method_version=unknown",
        "lift=bench_press; variant=pause; side=both; method=device-1; method_version=unknown",
    ]


def test_sides_are_series_of_a_pair() -> None:
    frame = measured(
        result("broad_jump", 1.8, "m", side="left"), result("broad_jump", 1.9, "m", side="right", trial=2)
    )
    assert frame["body_side"].to_list() == ["left", "right"]
    assert frame["pair_id"].n_unique() == 1 and frame["pair_id"].null_count() == 0


def test_limits_are_those_of_the_declaration() -> None:
    row = measured(result("broad_jump", 6.0, "m")).row(0, named=True)
    assert (row["value"], row["used"], row["flags"]) == (None, False, "range_hard")


def test_a_test_that_is_no_longer_declared_has_no_values() -> None:
    frame = measured(result("broad_jump", 2.0, "m"), result("piece", 400.0, "s"), catalogue=CATALOGUE)
    assert frame.is_empty()


def test_a_unit_of_another_kind_has_no_value() -> None:
    assert measured(result("broad_jump", 2.0, "kg")).is_empty()


@pytest.mark.parametrize("mark", ["warm_up", "failed"])
def test_a_mark_takes_a_value_out(mark: str) -> None:
    row = measured(result("squat_max", 150.0, "kg", mark=mark)).row(0, named=True)
    assert (row["flags"], row["used"]) == (mark, False)
