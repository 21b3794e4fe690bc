"""An attack: somebody who has two weeks' tables works out the value of one athlete in whom they differ.

The attacker sees every number of both tables and knows who was tested, who came and who left. What is sought
is one athlete's value. How well it is found is the share of its variance (R²) that the best linear rule
explains in halls that the rule was not fitted on: 1 is recovered, 0 is a guess. An attacker may also know all
other athletes' values; against that there are only the coarse numbers. Each hall is a series of its own, so
that one walk makes as many tables as are asked for. That groups which overlap, and weeks far apart, are no
way in either is tested in tests/analysis/test_told.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.norm_tables import MINIMUM
from pipeline.analysis.norms import weekly_norms
from pipeline.analysis.told import TOGETHER, Telling
from pipeline.publish import external
from pipeline.publish.coach import Caution, coach_norms
from pipeline.publish.coarsen import STEP_FACTOR
from schemas.catalogue import CATALOGUE
from schemas.frames import empty
from schemas.tables import TABLES
from tests.analysis.test_norms import MONDAY, roster, states_of

HALLS = 600
MEAN, SD = 38.0, 5.0  # of jump heights [cm], shown with one decimal
WEEKS = (MONDAY - timedelta(days=7), MONDAY)
COACH, OTHERS = Caution(MINIMUM, STEP_FACTOR), external.CAUTION
PLAIN = 0.0  # of steps: none but the last decimal
Tables = tuple[pl.DataFrame, pl.DataFrame]


@dataclass(frozen=True)
class Halls:
    """Values of the first week (halls, athletes) and of the second: NaN where somebody is not in it."""

    first: np.ndarray
    second: np.ndarray

    @property
    def sought(self) -> np.ndarray:
        """The value of the last one, who came; where nobody came, by how much the last one's changed."""
        return self.second[:, -1] - np.nan_to_num(self.first[:, -1])


def halls(n: int, changing: int, coming: int, seed: int = 1) -> Halls:
    """Halls of n athletes; in the second week some have another value, and some come."""
    rng = np.random.default_rng(seed + 100 * n)
    first = rng.normal(MEAN, SD, (HALLS, n + coming))
    second = first.copy()
    second[:, n - changing :] = rng.normal(MEAN, SD, (HALLS, changing + coming))
    first[:, n:] = np.nan
    return Halls(first, second)


def results(held: Halls) -> pl.DataFrame:
    """The sessions of all halls: an athlete tested again has so many equal ones that they are the median."""
    parts = []
    for week, values in zip(WEEKS, (held.first, held.second), strict=True):
        again = ~np.isnan(values) & (values != held.first)
        hall, athlete = np.nonzero(~np.isnan(values) if week == WEEKS[0] else again)
        found = pl.DataFrame({"hall": hall, "athlete": athlete, "value": values[hall, athlete]})
        times = 1 if week == WEEKS[0] else 3
        parts += [found.with_columns(local_date=pl.lit(week + timedelta(days=i))) for i in range(times)]
    rows = pl.concat(parts).with_columns(
        athlete_id=pl.format("a{}", "athlete"),
        series_id=pl.format("s{}", "hall"),
        session_id=pl.format("{}", "local_date"),
        metric=pl.lit("jump_height"),
        unit=pl.lit("cm"),
        n_trials=pl.lit(1, pl.Int32),
    )
    return pl.concat([empty(TABLES["results"]), rows.drop("hall", "athlete")], how="diagonal")


def told(held: Halls, caution: Caution, protected: bool = True) -> Tables:
    """The tables of both weeks, a row a hall; or as they would be, were nothing held back."""
    sessions = results(held)
    people = roster(sessions["athlete_id"].unique().sort().to_list())
    states = states_of(people, list(WEEKS))
    series = pl.DataFrame({"series_id": sessions["series_id"].unique()}).with_columns(
        metric=pl.lit("jump_height"), label=pl.col("series_id"), course=pl.col("series_id")
    )
    series = pl.concat([empty(TABLES["series"]), series], how="diagonal")
    found = []
    walk = Telling(caution.minimum)

    def see(*week: object) -> None:
        telling = walk if protected else Telling(caution.minimum)
        telling.see(*week)  # type: ignore[arg-type]
        frames = {**telling.tables(CATALOGUE, "09-01"), "series": series}
        rows = coach_norms(frames, "metric", CATALOGUE, {}, caution)
        number = pl.col("how").str.extract(r"s(\d+)").cast(pl.Int64)
        found.append(rows.with_columns(hall=number).sort("hall"))

    weekly_norms(sessions, people, states, CATALOGUE, WEEKS[1] + timedelta(days=6), "09-01", seen=see)
    first, second = found
    return first, second


def seen_in(tables: Tables) -> np.ndarray:
    """All that the attacker makes of two tables: every number of each, sums, sums of squares, what moved."""
    shown = ["mean", "sd", *(c for c in tables[0].columns if c[:1] == "p" and c[1:3].isdigit())]
    shown = [c for c in shown if all(table[c].is_not_null().all() for table in tables)]
    numbers = [table.select(shown).to_numpy() for table in tables]
    n, mean, sd = (np.stack([table[c].to_numpy() for table in tables]) for c in ("n_athletes", "mean", "sd"))
    sums, squares = n * mean, (n - 1) * sd**2 + n * mean**2
    return np.column_stack([*numbers, numbers[1] - numbers[0], sums[1] - sums[0], squares[1] - squares[0]])


def explained(features: np.ndarray, truth: np.ndarray) -> float:
    """R² of the best linear rule, fitted on two thirds of the halls, in the rest."""
    scaled = (features - features.mean(axis=0)) / np.where(features.std(axis=0) > 0, features.std(axis=0), 1)
    design = np.column_stack([np.ones(truth.size), scaled])
    cut = 2 * truth.size // 3
    rule = np.linalg.lstsq(design[:cut], truth[:cut], rcond=1e-9)[0]
    wrong = truth[cut:] - design[cut:] @ rule
    return float(1 - wrong.var() / truth[cut:].var())


@pytest.mark.parametrize(("changing", "coming"), [(1, 0), (0, 1), (4, 0)])
@pytest.mark.parametrize(("n", "caution"), [(12, COACH), (20, OTHERS)])
def test_fewer_than_five_change_nothing_that_is_told(
    n: int, caution: Caution, changing: int, coming: int
) -> None:
    """A few tested, one who came: the second table has the first one's numbers, and says of which week."""
    first, second = told(halls(n, changing, coming), caution)
    assert first.height == HALLS
    assert second.drop("week", "norms_version").equals(first.drop("week", "norms_version"))
    assert second["numbers_of"].unique().to_list() == [WEEKS[0]]


@pytest.mark.parametrize(("n", "caution"), [(12, COACH), (40, COACH), (20, OTHERS)])
def test_one_of_five_is_not_recovered(n: int, caution: Caution) -> None:
    """Five change together. A sum of five tells a fifth of the variance of one at best; the rule that finds
    the one who changed alone, where nothing is held back, finds no more than that, give or take chance."""
    alone, together = halls(n, 1, 0), halls(n, TOGETHER, 0)
    plain = Caution(caution.minimum, PLAIN)
    open_tables = explained(seen_in(told(alone, plain, protected=False)), alone.sought)
    shown = explained(seen_in(told(together, caution)), together.sought)
    print(
        f"\n{n} athletes: open tables explain {open_tables:.3f} of one, those told {shown:.3f} of one of five"
    )
    assert open_tables > 0.9  # the attack works where nothing is done against it
    assert shown < 1 / TOGETHER + 0.08
    # A 90 % interval of the value is 2 · 1.645 · √(1 - R²) SD wide, no narrower than 0.84 of a guess's.
    assert np.sqrt(1 - max(shown, 0)) > 0.84


@pytest.mark.parametrize(
    ("n", "caution", "changing", "coming"), [(12, COACH, 1, 0), (40, COACH, 0, 1), (20, OTHERS, 0, 1)]
)
def test_what_coarse_numbers_leave_where_waiting_does_not_help(
    n: int, caution: Caution, changing: int, coming: int
) -> None:
    """To an attacker who knows the other four of five, or all others' values; and of a test that comes in
    late or is corrected, or somebody who is forgotten, for then the walk is made anew. Against these there
    are only the steps in which numbers are told. They leave a rough place: the rule's error is 0.38 SD of the
    athletes or more, a 90 % interval of ± 0.6 SD at least."""
    late = halls(n, changing, coming)
    exact, coarse = (
        explained(seen_in(told(late, Caution(caution.minimum, f), protected=False)), late.sought)
        for f in (PLAIN, caution.factor)
    )
    error = np.sqrt(1 - coarse) * late.sought.std() / SD
    print(f"\n{n} athletes, late: exact tables explain {exact:.3f}, coarse {coarse:.3f} ({error:.2f} SD)")
    assert exact > 0.9
    assert error > 0.38


def test_rounding_costs_little() -> None:
    """Of groups of 8: the error of the told mean is at most 13 % larger than that of the exact one."""
    held = halls(8, 0, 0)
    exact, coarse = (told(held, Caution(MINIMUM, f))[0]["mean"].std() for f in (PLAIN, STEP_FACTOR))
    assert isinstance(exact, float) and isinstance(coarse, float)
    assert coarse < 1.13 * exact
