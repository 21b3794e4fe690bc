"""An attack: somebody who has two tables that differ in one athlete works out that athlete's own value.

The attacker knows everything but that value: who came, all earlier tables, and how these numbers are made. It
is asked how much of the athletes' spread the attack explains (R²): 1 is recovered, 0 is a guess. It is the
share that the best linear rule explains in cases it was not fitted on. What is left is the rough place that
the percentiles of a group give away by moving up or down.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.norm_tables import PERCENTILE_NEEDS
from pipeline.analysis.norms import weekly_norms
from pipeline.numerics.percentiles import percentile_type8
from pipeline.publish.coach import publish_norms
from pipeline.publish.coarsen import coarsened
from schemas.catalogue import CATALOGUE
from schemas.models import empty
from schemas.tables import TABLES
from tests.analysis.test_norms import MONDAY, SUNDAY, results_of, roster, states_of

CASES = 1_500
MEAN, SD = 38.0, 5.0  # of jump heights [cm], shown with one decimal


def table(groups: list[np.ndarray], coarse: bool) -> pl.DataFrame:
    """Mean, SD and the percentiles that their number allows of many groups of one size."""
    n = groups[0].size
    allowed = [p for p, need in PERCENTILE_NEEDS.items() if n >= need]
    told = {"mean": [g.mean() for g in groups], "sd": [g.std(ddof=1) for g in groups]}
    told |= {
        f"p{p:02d}": [percentile_type8(g, [p / 100])[0] for g in groups] for p in allowed
    }  # fmt: skip
    frame = pl.DataFrame(told).with_columns(n_athletes=pl.lit(n), decimals=pl.lit(1))
    frame = coarsened(frame, list(told)) if coarse else frame
    return frame.select(list(told))


def explained(features: np.ndarray, truth: np.ndarray) -> float:
    """R² of the best linear rule, fitted on two thirds of the cases, in the rest."""
    design = np.column_stack([np.ones(truth.size), features])
    cut = 2 * truth.size // 3
    rule = np.linalg.lstsq(design[:cut], truth[:cut], rcond=None)[0]
    wrong = truth[cut:] - design[cut:] @ rule
    return float(1 - wrong.var() / truth[cut:].var())


def attack(before: pl.DataFrame, after: pl.DataFrame, n: int, came: int) -> np.ndarray:
    """What tables of n and of n + came athletes say of the difference: sums, squares, percentiles."""
    sums = (n + came) * after["mean"] - n * before["mean"]
    squares = [
        (size - 1) * t["sd"] ** 2 + size * t["mean"] ** 2 for size, t in ((n, before), (n + came, after))
    ]
    moved = [after[p] - before[p] for p in before.columns if p.startswith("p") and p in after.columns]
    where = [t[p] for t in (before, after) for p in t.columns]
    return np.column_stack([sums, squares[1] - squares[0], *moved, *where])


@pytest.mark.parametrize("n", [8, 12, 20, 40, 100])
def test_the_one_who_came_is_not_recovered_from_two_weeks(n: int) -> None:
    rng = np.random.default_rng(n)
    groups = [rng.normal(MEAN, SD, n + 1) for _ in range(CASES)]
    truth = np.array([g[-1] for g in groups])
    tables = {c: [table([g[:size] for g in groups], c) for size in (n, n + 1)] for c in (False, True)}
    fine, coarse = (explained(attack(*tables[c], n, 1), truth) for c in (False, True))
    print(f"\n{n} athletes and one: exact tables explain {fine:.3f}, those that are told {coarse:.3f}")
    assert fine > 0.999  # the attack works where nothing is done against it
    assert coarse < 0.65
    guess = (n + 1) * tables[True][1]["mean"] - n * tables[True][0]["mean"]
    assert np.sqrt(np.mean((guess.to_numpy() - truth) ** 2)) > 1.8 * SD


@pytest.mark.parametrize("n", [9, 20, 40])
def test_one_whose_value_changed_is_not_recovered(n: int) -> None:
    """Membership stays, one athlete's value is another: what is sought is by how much it changed."""
    rng = np.random.default_rng(n)
    groups = [rng.normal(MEAN, SD, n) for _ in range(CASES)]
    change = rng.normal(0, 2, CASES)
    later = [np.append(g[:-1], g[-1] + c) for g, c in zip(groups, change, strict=True)]
    found = explained(attack(table(groups, True), table(later, True), n, 0), change)
    assert found < 0.45


@pytest.mark.parametrize("n", [8, 20])
def test_groups_that_overlap_but_for_one_are_no_way_in(n: int) -> None:
    """All the wider, narrower and own groups of one week that have the athlete or lack only that one."""
    rng = np.random.default_rng(n)
    wide = [rng.normal(MEAN, SD, 2 * n + 1) for _ in range(CASES)]
    truth = np.array([g[0] for g in wide])
    with_one = [table([g[:k] for g in wide], True) for k in (n + 1, 2 * n + 1)]
    without = [table([g[1:k] for g in wide], True) for k in (n + 1, 2 * n + 1)]
    found = explained(
        np.hstack([attack(a, b, size, 1) for a, b, size in zip(without, with_one, (n, 2 * n), strict=True)]),
        truth,
    )
    assert found < 0.7


def test_rounding_costs_little() -> None:
    """Of 4 000 groups of 8: the error of the told mean is at most 13 % larger than that of the exact one."""
    rng = np.random.default_rng(9)
    groups = [rng.normal(MEAN, SD, 8) for _ in range(4_000)]
    exact, told = (np.std(table(groups, coarse)["mean"].to_numpy()) for coarse in (False, True))
    assert told < 1.13 * exact


def coach_tables(folder: Path, values: dict[str, float], came: float) -> list[pl.DataFrame]:
    """The coach's CSV of two weeks that follow each other; one athlete more in the second."""
    before = MONDAY - timedelta(days=7)
    rows = [(who, before, value, None) for who, value in values.items()] + [("new", SUNDAY, came, None)]
    people = roster([*values, "new"])
    results = results_of(rows, "jump_height")
    series = empty(TABLES["series"]).vstack(
        pl.DataFrame({"series_id": ["jump_height-1"], "metric": ["jump_height"], "label": ["x"]}).select(
            pl.col(c) if c in ("series_id", "metric", "label") else pl.lit(None, t).alias(c)
            for c, t in empty(TABLES["series"]).schema.items()
        )
    )
    found = []
    for as_of in (before + timedelta(days=6), SUNDAY):
        states = states_of(people, [before, MONDAY], sport="rowing")
        norms = weekly_norms(results, people, states, CATALOGUE, as_of, "09-01")
        athletes = people.select("athlete_id", "sex").with_columns(age_years=pl.lit(None))
        frames = {**norms, "series": series, "results": results, "athletes": athletes}
        publish_norms(folder, frames, people.select("athlete_id", "birth_date"), "metric", "F", CATALOGUE, {})
        found.append(pl.read_csv(folder / "norms.csv"))
    return found


def test_the_files_themselves_do_not_give_the_one_away(tmp_path: Path) -> None:
    """Of 60 made-up halls the guess from the two CSVs is more wrong than the group's mean would be."""
    rng = np.random.default_rng(3)
    wrong, from_mean = [], []
    for _ in range(60):
        values = {f"a{i}": float(rng.normal(MEAN, SD)) for i in range(12)}
        came = float(rng.normal(MEAN, SD))
        first, second = (t.row(0, named=True) for t in coach_tables(tmp_path, values, came))
        assert (first["n_athletes"], second["n_athletes"]) == (12, 13)
        wrong.append(13 * second["mean"] - 12 * first["mean"] - came)
        from_mean.append(first["mean"] - came)
    assert np.std(wrong) > 1.3 * np.std(from_mean)
