"""Curves over age, and who stands where on them."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.age_norms import age_norms
from pipeline.numerics.lms import lms_z
from schemas.catalogue import CATALOGUE
from schemas.models import table_model
from tests.analysis.test_norms import SUNDAY, results_of

NONE = pl.DataFrame(
    schema={"source": pl.String, "metric": pl.String, "sex": pl.String}
    | dict.fromkeys(("age_years", "l", "m", "s"), pl.Float64)
)
PUBLISHED = NONE.vstack(
    pl.DataFrame(
        [("A paper 1999", "jump_height", "female", 10.0, 0.5, 20.0, 0.15),
         ("A paper 1999", "jump_height", "female", 18.0, 0.5, 36.0, 0.15)], schema=NONE.schema, orient="row"
    )
)  # fmt: skip


def made(n: int, published: pl.DataFrame = NONE, metric: str = "jump_height") -> dict[str, pl.DataFrame]:
    rng = np.random.default_rng(n)
    who = [f"a{i:03d}" for i in range(n)]
    born = [SUNDAY - timedelta(days=int(days)) for days in rng.uniform(10.2 * 365.25, 17.8 * 365.25, n)]
    people = pl.DataFrame({"athlete_id": who, "sex": "female", "birth_date": born})
    rows = [(w, SUNDAY, 20 + 0.01 * (SUNDAY - b).days / 4, None) for w, b in zip(who, born, strict=True)]
    results = results_of([(w, d, v * float(np.exp(rng.normal(0, 0.1))), f) for w, d, v, f in rows], metric)
    results = results.with_columns(session_error=pl.col("value") * 0.04)
    found = age_norms(results, people, published, CATALOGUE, SUNDAY)
    for name, frame in found.items():
        table_model(name).validate(frame, lazy=True)
    return found


@pytest.mark.parametrize(("n", "method"), [(19, []), (20, ["log_quadratic"]), (100, ["lms"])])
def test_how_many_athletes_make_which_curve(n: int, method: list[str]) -> None:
    found = made(n)
    assert found["age_norms"]["method"].unique().to_list() == method
    assert found["against_age"].height == (n if method else 0)


def test_youths_spread_around_their_curve_as_they_should() -> None:
    found = made(300)["against_age"]
    assert (found["z"].mean(), found["z"].std()) == pytest.approx((0, 1), abs=0.02)
    assert (found["z_low"] < found["z"]).all()
    assert (found["z"] < found["z_high"]).all()


def test_a_published_curve_stands_beside_and_changes_nothing() -> None:
    own, both = made(120), made(120, PUBLISHED)
    for name, frame in own.items():
        assert both[name].filter(pl.col("method") != "published").equals(frame)
    beside = both["against_age"].filter(method="published")
    assert beside["source"].unique().to_list() == ["A paper 1999"]
    row = beside.row(0, named=True)
    m = 20 + (36 - 20) * (row["age_years"] - 10) / 8
    lms = (np.array([number]) for number in (0.5, m, 0.15))
    assert row["z"] == pytest.approx(lms_z(np.array([row["value"]]), *lms)[0])


def test_where_lower_is_better_z_is_turned_and_context_has_none() -> None:
    times, heights = (made(120, metric=metric)["against_age"] for metric in ("sprint_time", "jump_height"))
    assert times["z"].to_list() == pytest.approx([-z for z in heights["z"]])
    masses = made(120, metric="body_mass")
    assert masses["age_norms"].height > 0
    assert masses["against_age"].select("z", "percentile").null_count().row(0) == (120, 120)


def test_adults_and_body_composition_are_in_no_curve() -> None:
    people = pl.DataFrame(
        {"athlete_id": [f"a{i}" for i in range(30)], "sex": "male", "birth_date": date(1999, 1, 1)}
    )
    results = results_of([(who, SUNDAY, 30.0, None) for who in people["athlete_id"]], "jump_height")
    assert age_norms(results, people, NONE, CATALOGUE, SUNDAY)["age_norms"].is_empty()
    assert made(120, metric="skinfold_sum")["age_norms"].is_empty()
