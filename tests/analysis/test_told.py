"""What groups are told of: never fewer than five athletes behind any difference that tables let one make."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.analysis.norms import norm_weeks, weekly_norms
from pipeline.analysis.told import TOGETHER, Telling
from schemas.catalogue import CATALOGUE
from schemas.models import table_model
from tests.analysis.hall import Hall, hall
from tests.analysis.test_norms import MONDAY, Row, results_of, roster, states_of

TWELVE = [f"a{i:02d}" for i in range(12)]
WEEKS = [MONDAY + timedelta(days=7 * i) for i in range(6)]


def walked(held: Hall, minimum: int = 8, as_of: date | None = None) -> tuple[Telling, list[pl.DataFrame]]:
    """The walk over a hall, and what is told in each of its weeks."""
    telling, weeks = Telling(minimum), []

    def see(*week: object) -> None:
        telling.see(*week)  # type: ignore[arg-type]
        weeks.append(telling.made_of().filter("is_told"))

    as_of = as_of or held.as_of
    weekly_norms(held.results, held.people, held.states, CATALOGUE, as_of, "09-01", seen=see)
    return telling, weeks


def behind(first: pl.DataFrame, second: pl.DataFrame) -> int | None:
    """Of all sums over groups of two tables, added and taken from each other: the fewest athletes on whom
    one depends; None where no table says anything.

    Whoever adds and subtracts sums weighs each *atom* (athletes in the same groups) of each table. An athlete
    with the same value in both drops out where the two weights cancel. Weights of 0 and 1 are enough: of any
    other, take 1 where the weight is one that occurs, and no more athletes are left.
    """
    atoms, values = zip(*(_atoms(table) for table in (first, second)), strict=True)
    sizes = [max(table.values(), default=-1) + 1 for table in atoms]
    if sum(sizes) == 0:
        return None
    weights = (np.arange(2 ** sum(sizes))[:, None] >> np.arange(sum(sizes))) & 1
    nothing = np.zeros((len(weights), 1), dtype=np.int64)  # of who is in no group
    here, there = (np.hstack([w, nothing]) for w in np.split(weights, [sizes[0]], axis=1))
    left = np.zeros(len(weights), dtype=np.int64)
    for who in atoms[0].keys() | atoms[1].keys():
        one, other = here[:, atoms[0].get(who, -1)], there[:, atoms[1].get(who, -1)]
        same = values[0].get(who) == values[1].get(who)
        left += one ^ other if same else one | other
    return int(left[left > 0].min())


def _atoms(table: pl.DataFrame) -> tuple[dict[str, int], dict[str, float]]:
    """By athlete: the number of all that are in the same groups, and the value."""
    rows = table.group_by("athlete_id").agg(pl.col("label").sort().str.join("|"), pl.col("value").first())
    rows = rows.with_columns(pl.col("label").rank("dense").cast(pl.Int64) - 1)
    return dict(rows.select("athlete_id", "label").iter_rows()), dict(
        rows.select("athlete_id", "value").iter_rows()
    )


@cache
def walk_of(seed: int, minimum: int = 8) -> tuple[Telling, list[pl.DataFrame]]:
    return walked(hall(seed), minimum)


@cache
def unprotected(seed: int) -> list[pl.DataFrame]:
    """The same of norms as they are known: every group of 8 and more, each week's own values."""
    held = hall(seed)
    weeks = []

    def see(*week: object) -> None:
        alone = Telling()
        alone.see(*week)  # type: ignore[arg-type]
        weeks.append(alone.made_of().filter("is_told"))

    weekly_norms(held.results, held.people, held.states, CATALOGUE, held.as_of, "09-01", seen=see)
    return weeks


@pytest.mark.parametrize(("seed", "minimum"), [(1, 8), (2, 10)])
def test_any_difference_of_any_two_weeks_has_five_behind_it(seed: int, minimum: int) -> None:
    """All groups together, consecutive weeks and weeks far apart; athletes come, leave, move and age."""
    _, weeks = walk_of(seed, minimum)
    steps = [
        *pairwise(weeks),
        *((weeks[i], weeks[j]) for i in range(5, 60, 14) for j in range(i + 2, 70, 17)),
    ]
    found = [n for n in (behind(*pair) for pair in steps) if n is not None]
    assert len(found) > 70
    assert min(found) >= TOGETHER
    renewed = {week["numbers_of"].max() for week in weeks}
    assert len(renewed) > 30  # it is not that nothing is ever told


def test_the_check_finds_the_one_where_nothing_is_held_back() -> None:
    found = [n for n in (behind(*pair) for pair in pairwise(unprotected(1)[:30])) if n is not None]
    assert min(found) == 1


def of_twelve(changes: dict[int, list[str]], people: pl.DataFrame | None = None) -> list[pl.DataFrame]:
    """Twelve rowers tested in the first week, and some again in later weeks (number: who)."""
    rows: list[Row] = [(who, WEEKS[0], 30.0 + i, None) for i, who in enumerate(TWELVE)]
    rows += [(who, WEEKS[n], 60.0 + n, None) for n, whose in changes.items() for who in whose]
    results = results_of(rows, "jump_height")
    people = roster(sorted(results["athlete_id"].unique())) if people is None else people
    states = states_of(people, WEEKS, sport="rowing")
    return walked(Hall(results, people, states, WEEKS[-1] + timedelta(days=6)))[1]


def numbers_of(weeks: list[pl.DataFrame]) -> list[int]:
    """The number of the week that the numbers of each week are of."""
    return [WEEKS.index(week["numbers_of"].max()) for week in weeks]  # type: ignore[arg-type]


def test_four_wait_and_the_fifth_lets_all_in() -> None:
    assert numbers_of(of_twelve({1: TWELVE[:1], 2: TWELVE[1:4], 4: TWELVE[4:5]})) == [0, 0, 0, 0, 4, 4]
    # One who is tested again and again is one.
    assert numbers_of(of_twelve({1: TWELVE[:3], 2: TWELVE[:3], 3: TWELVE[:3]})) == [0] * 6


def test_who_comes_waits_too_and_is_not_counted_before() -> None:
    weeks = of_twelve({1: ["new"], 3: TWELVE[:4]})
    assert numbers_of(weeks) == [0, 0, 0, 3, 3, 3]
    assert [week["athlete_id"].n_unique() for week in weeks] == [12, 12, 12, 13, 13, 13]


def test_five_who_move_do_not_bring_in_the_one_who_changed() -> None:
    """Six of 12 girls turn 18 in the third week, when a woman is tested. The two sums added would be hers."""
    girls, women = TWELVE, [f"b{i:02d}" for i in range(12)]
    birthday = WEEKS[2].replace(year=WEEKS[2].year - 18)
    people = pl.concat(
        [
            roster(girls[:6], born=birthday),
            roster(girls[6:], born=birthday + timedelta(days=300)),
            roster(women),
        ]
    )
    rows: list[Row] = [(who, WEEKS[0], 30.0 + i, None) for i, who in enumerate([*girls, *women])]
    rows += [("b00", WEEKS[2], 60.0, None)]
    later: list[Row] = [(who, WEEKS[4], 50.0 + i, None) for i, who in enumerate([*girls[6:11], *women[1:6]])]
    results = results_of([*rows, *later], "jump_height")
    states = states_of(people, WEEKS)
    weeks = walked(Hall(results, people, states, WEEKS[-1] + timedelta(days=6)))[1]
    assert numbers_of(weeks) == [0, 0, 0, 0, 4, 4]
    sizes = [dict(week.group_by("label").len().iter_rows()) for week in weeks]
    young, adult = "sex=female; age=16-17", "sex=female; age=18-22"
    assert sizes[3] == {young: 12, adult: 12}
    assert sizes[4] == {adult: 18}  # and six girls are too few to be told of
    assert min(n for n in (behind(*pair) for pair in pairwise(weeks)) if n) >= TOGETHER


def test_numbers_are_numpys_of_those_let_in_and_tables_are_as_declared() -> None:
    telling, weeks = walk_of(1)
    found = telling.tables(CATALOGUE, "09-01")
    for name, frame in found.items():
        table_model(f"_told_{name}").validate(frame, lazy=True)
    told = found["norms"].filter("is_told").join(found["populations"], on="population_id")
    assert told.height > 3
    for row in told.iter_rows(named=True):
        values = weeks[-1].filter(pl.col("label") == row["label"])["value"].to_numpy()
        assert row["n_athletes"] == values.size >= 8
        assert (row["mean"], row["sd"]) == pytest.approx((values.mean(), values.std(ddof=1)))
        assert row["p50"] == pytest.approx(np.median(values))


def test_a_group_with_somebody_who_took_consent_back_is_not_told() -> None:
    telling, weeks = walk_of(1)
    one = weeks[-1]["athlete_id"][0]
    with_one = set(weeks[-1].filter(pl.col("athlete_id") == one)["label"])
    found = telling.tables(CATALOGUE, "09-01", [one])
    told = found["norms"].filter("is_told").join(found["populations"], on="population_id")["label"]
    assert with_one and not with_one & set(told)


def test_a_past_week_again_is_told_the_same_and_the_order_of_rows_does_not_matter() -> None:
    held = hall(1)
    _, weeks = walk_of(1)
    day = norm_weeks(held.results, held.as_of)[19] + timedelta(days=6)
    results = held.results.sample(fraction=1.0, shuffle=True, seed=1)
    shuffled = Hall(results, held.people.reverse(), held.states.reverse(), day)
    assert_frame_equal(walked(shuffled)[1][-1], weeks[19], check_row_order=False, check_exact=True)


def test_what_is_told_is_not_far_behind() -> None:
    """Sixty athletes, an eighth of whom is tested a week: the mean of the whole age band as told is off from
    that of the week by less than 0.15 of the athletes' SD in nine weeks of ten."""
    everybody = pl.col("label") == "sex=female; age=18-22"
    off = []
    for now, told in zip(unprotected(1), walk_of(1)[1], strict=True):
        here, there = (week.filter(everybody)["value"].to_numpy() for week in (now, told))
        if min(here.size, there.size) > 0:
            off.append(abs(here.mean() - there.mean()) / here.std(ddof=1))
    print(f"\nbehind by {np.round(np.quantile(off, [0.5, 0.9, 1.0]), 3)} SD (median, 90 %, most)")
    assert len(off) > 60
    assert np.quantile(off, 0.9) < 0.15


def test_nothing_seen_is_nothing_told() -> None:
    found = Telling().tables(CATALOGUE, "09-01")
    assert {name: frame.height for name, frame in found.items()} == dict.fromkeys(found, 0)


def test_athletes_of_another_sex_change_nothing_that_is_told_here() -> None:
    held = hall(1, weeks=25)
    men = hall(2, weeks=25)
    apart = [frame.with_columns(pl.concat_str(pl.lit("m"), "athlete_id").alias("athlete_id"))
             for frame in (men.results, men.people.with_columns(sex=pl.lit("male")), men.states)]  # fmt: skip
    together = [pl.concat(pair) for pair in zip((held.results, held.people, held.states), apart, strict=True)]
    both = walked(Hall(together[0], together[1], together[2], held.as_of))[1]
    for alone, mixed in zip(walked(held)[1], both, strict=True):
        here = mixed.filter(pl.col("label").str.starts_with("sex=female"))
        assert_frame_equal(alone, here, check_row_order=False, check_exact=True)
    assert both[-1].height > here.height


def test_groups_that_take_turns_in_being_left_out_leave_no_few() -> None:
    """A small hall that tests seldom: in its sixth week another sport would be left out than before, and both
    taken from the whole would leave two; later six would leave a rest of four beside a sport told before."""
    _, weeks = walked(hall(52, athletes=45, a_week=0.06))
    found = [n for n in (behind(*pair) for pair in pairwise(weeks)) if n is not None]
    assert len(found) > 60
    assert min(found) >= TOGETHER
