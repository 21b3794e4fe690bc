"""Athletes against the others of their group."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from scipy.stats import percentileofscore

from pipeline.analysis.comparisons import against_group
from pipeline.analysis.norms import norm_weeks, weekly_norms
from schemas.catalogue import CATALOGUE
from schemas.models import table_model
from tests.analysis.test_norms import MONDAY, SUNDAY, Row, on_day, results_of, roster, states_of

TWENTY = [f"a{i:02d}" for i in range(20)]


def compared(
    rows: list[Row],
    metric: str = "body_mass",
    people: pl.DataFrame | None = None,
    states: pl.DataFrame | None = None,
    error: float | None = None,
    as_of: date = SUNDAY,
) -> pl.DataFrame:
    results = results_of(rows, metric)
    if error is not None:
        results = results.with_columns(session_error=pl.col("value") * error)
    people = roster(sorted({row[0] for row in rows})) if people is None else people
    states = states_of(people, norm_weeks(results, as_of), sport="rowing") if states is None else states
    norms = weekly_norms(results, people, states, CATALOGUE, as_of, "09-01")
    found = against_group(
        results, people, states, norms["norms"], norms["populations"], CATALOGUE, as_of, "09-01"
    )
    table_model("against_group").validate(found, lazy=True)
    cited = norms["norms"].select("week", "norms_version", "population_id", "series_id")
    assert found.join(cited, on=cited.columns, how="anti").is_empty()
    return found


def jumps(values: list[float]) -> list[Row]:
    return [(who, SUNDAY, value, None) for who, value in zip(TWENTY, values, strict=False)]


@settings(deadline=None, max_examples=25)
@given(st.lists(st.integers(30, 40).map(float), min_size=9, max_size=20))
def test_percentile_is_scipys_mid_rank_among_the_others(values: list[float]) -> None:
    found = compared(jumps(values), "jump_height")
    for place, row in enumerate(found.iter_rows(named=True)):
        others = np.delete(values, place)
        expected = percentileofscore(others, values[place], kind="mean")
        assert row["percentile"] == pytest.approx(np.clip(expected, 1, 99))
        assert (row["percentile_raw"], row["n_others"]) == (row["percentile"], len(values) - 1)
        logs = np.log(others)
        if np.ptp(logs) > 0:
            z = (np.log(values[place]) - logs.mean()) / logs.std(ddof=1)
            assert (row["z"], row["t_score"]) == pytest.approx((z, 50 + 10 * z), rel=1e-6, abs=1e-6)


def test_where_lower_is_better_the_percentile_and_z_are_turned() -> None:
    values = [1.7 + i / 100 for i in range(12)]
    times = compared(jumps(values), "sprint_time", error=0.01)
    heights = compared(jumps(values), "jump_height", error=0.01)
    assert times["percentile"][0] == 99
    assert times["percentile_raw"][0] == 1
    for end, other in (("", ""), ("_low", "_high"), ("_high", "_low")):
        assert times[f"percentile{end}"].to_list() == pytest.approx(
            [100 - p for p in heights[f"percentile{other}"]]
        )
    assert times["z"].to_list() == pytest.approx([-z for z in heights["z"]])
    assert (times["percentile_low"] < times["percentile_high"]).all()


def test_context_metrics_have_no_turned_percentile_and_no_score() -> None:
    found = compared(on_day(TWENTY, SUNDAY)[:12])
    assert (
        found.select("percentile", "percentile_low", "percentile_high", "z", "t_score").null_count().row(0)
        == (12,) * 5
    )
    assert found["percentile_raw"].to_list() == [50.0] * 12
    assert found["withheld"].str.contains("No direction of this test is better").all()


def test_nobody_is_ranked_by_body_composition() -> None:
    assert CATALOGUE["skinfold_sum"].restricted_minors
    assert compared(jumps([60.0 + i for i in range(20)]), "skinfold_sum").is_empty()


def test_without_a_known_error_there_is_no_interval_and_it_says_so() -> None:
    found = compared(jumps([30.0 + i for i in range(12)]), "jump_height")
    unknown = ("percentile_low", "percentile_high", "value_error", "z_error")
    assert found.select(unknown).null_count().row(0) == (12, 12, 12, 12)
    assert found["withheld"].str.contains("No interval").all()


def test_a_larger_error_and_fewer_others_make_the_interval_wider() -> None:
    def width(n: int, error: float) -> float:
        found = compared(jumps([30.0 + 10 * i / n for i in range(n)]), "jump_height", error=error)
        middle = found.row(n // 2, named=True)
        return float(middle["percentile_high"] - middle["percentile_low"])

    assert width(20, 0.02) < width(20, 0.06)
    assert width(20, 0.02) < width(9, 0.02)


def test_the_error_of_a_median_of_sessions_is_smaller() -> None:
    rows = jumps([30.0 + i for i in range(12)])
    again: list[Row] = [("a00", MONDAY, 30.0, None)]
    one, two = (compared(held, "jump_height", error=0.05).row(0, named=True) for held in (rows, rows + again))
    assert (one["value_error"], one["n_sessions"], two["n_sessions"]) == (pytest.approx(1.5), 1, 2)
    assert two["value_error"] == pytest.approx(1.5 / 2**0.5)


@pytest.mark.parametrize(("rowers", "rung"), [(8, 4), (9, 3)])
def test_the_narrowest_group_with_eight_others_is_used(rowers: int, rung: int) -> None:
    people = roster(TWENTY)
    states = states_of(people, [MONDAY]).with_columns(
        sport=pl.Series(["rowing"] * rowers + ["judo"] * (20 - rowers))
    )
    results = results_of(jumps([30.0 + i for i in range(20)]), "jump_height")
    norms = weekly_norms(results, people, states, CATALOGUE, SUNDAY, "09-01")
    found = compared(jumps([30.0 + i for i in range(20)]), "jump_height", people, states)
    rungs = dict(norms["populations"].select("population_id", "rung").iter_rows())
    assert rungs[found["population_id"][0]] == rung
    assert found["n_others"][0] == {4: 19, 3: 8}[rung]


def test_eight_athletes_have_seven_others_and_no_row() -> None:
    assert compared(on_day(TWENTY[:8], SUNDAY)).is_empty()


@settings(deadline=None, max_examples=10)
@given(st.lists(st.floats(20, 60), min_size=9, max_size=20), st.floats(20, 60))
def test_athletes_of_another_group_change_nothing_here(values: list[float], other: float) -> None:
    rows = jumps(values)
    men = [f"m{i}" for i in range(9)]
    more: list[Row] = [(who, SUNDAY, other + i, None) for i, who in enumerate(men)]
    both = pl.concat([roster(TWENTY[: len(values)]), roster(men, sex="male")])
    before = compared(rows, "jump_height", error=0.03)
    after = compared([*more, *rows], "jump_height", both, error=0.03)
    kept = after.filter(pl.col("athlete_id").str.starts_with("a"))
    assert_frame_equal(kept.drop("norms_version"), before.drop("norms_version"), check_exact=True)


def test_a_past_week_again_gives_the_same() -> None:
    rows = jumps([30.0 + i for i in range(12)])
    later: list[Row] = [*rows, ("a00", date(2026, 3, 24), 55.0, None)]
    assert_frame_equal(
        compared(rows, "jump_height", error=0.03),
        compared(later, "jump_height", error=0.03),
        check_exact=True,
    )
