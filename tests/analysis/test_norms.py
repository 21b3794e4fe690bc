"""Weekly norms: who and what enters, and how much is shown of how many."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.analysis.norms import norm_weeks, weekly_norms
from schemas.catalogue import CATALOGUE
from schemas.frames import empty
from schemas.models import table_model
from schemas.tables import TABLES

MONDAY = date(2026, 3, 9)
SUNDAY = date(2026, 3, 15)
KEYS = ("sport", "position", "competition_level")
Row = tuple[str, date, float, str | None]
Norms = dict[str, pl.DataFrame]
QUARTILES = "Percentiles 25 and 75 need 20"
EIGHT = [f"a{i}" for i in range(8)]  # the fewest of whom anything is shown


def results_of(rows: list[Row], metric: str = "body_mass") -> pl.DataFrame:
    """Results of one series from (athlete, date, value, flags), a session each."""
    frame = pl.DataFrame(
        [
            {"athlete_id": who, "metric": metric, "series_id": f"{metric}-1", "session_id": f"{number}",
             "local_date": day, "value": value, "n_trials": 1, "unit": CATALOGUE[metric].unit, "flags": flags}
            for number, (who, day, value, flags) in enumerate(rows)
        ]
    )  # fmt: skip
    return pl.concat(
        [empty(TABLES["results"]), frame.cast({"n_trials": pl.Int32, "flags": pl.String})], how="diagonal"
    )


def roster(athletes: list[str], sex: str = "female", born: date = date(2005, 1, 1)) -> pl.DataFrame:
    return pl.DataFrame([{"athlete_id": who, "sex": sex, "birth_date": born} for who in athletes])


def states_of(people: pl.DataFrame, weeks: list[date], **keys: str | None) -> pl.DataFrame:
    literals = [pl.lit(keys.get(key), pl.String).alias(key) for key in KEYS]
    return people.select("athlete_id").join(pl.DataFrame({"week": weeks}), how="cross").with_columns(literals)


def norms_of(
    rows: list[Row], people: pl.DataFrame, states: pl.DataFrame | None = None, as_of: date = SUNDAY
) -> Norms:
    results = results_of(rows)
    states = states_of(people, norm_weeks(results, as_of), sport="rowing") if states is None else states
    found = weekly_norms(results, people, states, CATALOGUE, as_of, "09-01")
    for name, frame in found.items():
        table_model(name).validate(frame, lazy=True)
    return found


def on_day(athletes: list[str], day: date, value: float = 50.0) -> list[Row]:
    """A session of each of some athletes on a day, all of one value."""
    return [(who, day, value, None) for who in athletes]


def one_week(n: int, day: date = SUNDAY) -> Norms:
    """Norms of n athletes in one group, with values 1 … n."""
    athletes = [f"a{i:03d}" for i in range(n)]
    return norms_of([(who, day, float(i), None) for i, who in enumerate(athletes, 1)], roster(athletes))


def test_weeks_are_mondays_from_the_first_session_to_the_date_as_of() -> None:
    results = results_of([("a", date(2026, 3, 1), 1.0, None), ("a", SUNDAY, 1.0, None)])
    assert norm_weeks(results, SUNDAY) == [date(2026, 2, 23), date(2026, 3, 2), MONDAY]
    assert norm_weeks(results, date(2026, 3, 16))[-1] == date(2026, 3, 16)
    assert norm_weeks(results.clear(), SUNDAY) == []


def test_without_results_the_tables_are_empty() -> None:
    people = roster(["a"])
    found = weekly_norms(empty(TABLES["results"]), people, states_of(people, []), CATALOGUE, SUNDAY, "09-01")
    for name in ("populations", "norms", "norm_percentiles"):
        assert found[name].height == 0
        table_model(name).validate(found[name], lazy=True)


@pytest.mark.parametrize(
    ("n", "shown", "withheld"),
    [
        (8, [50], f"{QUARTILES}, 10 and 90 need 40, 5 and 95 need 100 athletes; there are 8 here."),
        (19, [50], f"{QUARTILES}, 10 and 90 need 40, 5 and 95 need 100 athletes; there are 19 here."),
        (20, [25, 50, 75], "Percentiles 10 and 90 need 40, 5 and 95 need 100 athletes; there are 20 here."),
        (39, [25, 50, 75], "Percentiles 10 and 90 need 40, 5 and 95 need 100 athletes; there are 39 here."),
        (40, [10, 25, 50, 75, 90], "Percentiles 5 and 95 need 100 athletes; there are 40 here."),
        (99, [10, 25, 50, 75, 90], "Percentiles 5 and 95 need 100 athletes; there are 99 here."),
        (100, [5, 10, 25, 50, 75, 90, 95], None),
    ],
)  # fmt: skip
def test_how_much_is_shown_of_how_many(n: int, shown: list[int], withheld: str | None) -> None:
    found = one_week(n)
    row = found["norms"].row(0, named=True)
    assert (found["norms"].height, row["n_athletes"], row["withheld"]) == (1, n, withheld)
    assert [p for p in (5, 10, 25, 50, 75, 90, 95) if row[f"p{p:02d}"] is not None] == shown
    moments = [row[name] for name in ("mean", "sd", "shrunk_mean", "shrunk_sd")]
    assert all(value is not None for value in moments)


@pytest.mark.parametrize("n", [1, 7])
def test_a_group_of_fewer_than_eight_is_not_written_at_all(n: int) -> None:
    found = one_week(n)
    assert {name: frame.height for name, frame in found.items()} == dict.fromkeys(found, 0)
    assert set(found) == {"populations", "norms", "norm_percentiles"}


def test_numbers_are_numpys() -> None:
    row = one_week(100)["norms"].row(0, named=True)
    values = np.arange(1.0, 101.0)
    assert row["mean"] == pytest.approx(values.mean())
    assert row["sd"] == pytest.approx(values.std(ddof=1))
    assert (row["shrunk_mean"], row["shrunk_sd"]) == (row["mean"], row["sd"])  # no wider group
    for p in (5, 10, 25, 50, 75, 90, 95):
        assert row[f"p{p:02d}"] == pytest.approx(np.quantile(values, p / 100, method="median_unbiased"))
    assert (row["week"], row["metric"], row["unit"]) == (MONDAY, "body_mass", "kg")


def test_percentiles_long() -> None:
    long = one_week(20)["norm_percentiles"]
    assert long["percentile"].to_list() == [5, 10, 25, 50, 75, 90, 95]
    assert long["value"].is_null().to_list() == [True, True, False, False, False, True, True]
    # Ranks of the 90 % interval, of 20 values 1 … 20: binomial(20, p) has 5 % or less beyond each.
    assert long["value_low"].to_list() == [None, None, 2.0, 6.0, 12.0, None, None]
    assert long["value_high"].to_list() == [None, None, 9.0, 15.0, 19.0, None, None]
    assert long["withheld"].to_list() == [
        "Percentile 5 needs 100 athletes; there are 20 here.",
        "Percentile 10 needs 40 athletes; there are 20 here.",
        None,
        None,
        None,
        "Percentile 90 needs 40 athletes; there are 20 here.",
        "Percentile 95 needs 100 athletes; there are 20 here.",
    ]
    few = one_week(8)["norm_percentiles"]
    assert few.filter(pl.col("withheld").is_null())["percentile"].to_list() == [50]
    kept_back = few.filter(pl.col("percentile") != 50).select("value", "value_low", "value_high")
    assert kept_back.null_count().row(0) == (6, 6, 6)


def test_one_value_an_athlete_is_the_median_of_sessions() -> None:
    athletes = [f"a{i}" for i in range(8)]
    rows: list[Row] = [(who, SUNDAY, 50.0, None) for who in athletes[1:]]
    rows += [
        (athletes[0], SUNDAY - timedelta(days=i), value, None) for i, value in enumerate((10, 58, 90, 58))
    ]
    row = norms_of(rows, roster(athletes))["norms"].row(-1, named=True)
    assert (row["week"], row["n_athletes"], row["mean"]) == (MONDAY, 8, 51.0)


@pytest.mark.parametrize(("days", "n"), [(364, 16), (365, 8)])
def test_window_is_the_365_days_that_end_on_sunday(days: int, n: int) -> None:
    early = [f"b{i}" for i in range(8)]
    rows = [*on_day(early, SUNDAY - timedelta(days=days)), *on_day(EIGHT, SUNDAY)]
    found = norms_of(rows, roster([*early, *EIGHT]))["norms"]
    assert found.filter(pl.col("week") == MONDAY)["n_athletes"].item() == n
    assert found["week"].n_unique() == 53


def test_a_past_week_again_gives_the_same() -> None:
    athletes = [f"a{i}" for i in range(9)]
    rows: list[Row] = [(who, MONDAY, 50.0 + i, None) for i, who in enumerate(athletes)]
    then = norms_of(rows, roster(athletes))
    later = [*rows, ("a0", date(2026, 3, 24), 99.0, None)]
    assert_frame_equal(norms_of(later, roster(athletes), as_of=SUNDAY)["norms"], then["norms"])
    now = norms_of(later, roster(athletes), as_of=date(2026, 3, 24))["norms"]
    assert_frame_equal(now.filter(pl.col("week") == MONDAY), then["norms"])
    assert now["week"].unique().sort().to_list() == [MONDAY, date(2026, 3, 16), date(2026, 3, 23)]


def test_results_after_the_date_as_of_do_not_enter_its_week() -> None:
    rows = [*on_day(EIGHT, MONDAY), ("b", SUNDAY, 60.0, None)]
    saturday = date(2026, 3, 14)
    assert norms_of(rows, roster([*EIGHT, "b"]), as_of=saturday)["norms"]["n_athletes"].to_list() == [8]
    assert norms_of(rows, roster([*EIGHT, "b"]))["norms"]["n_athletes"].to_list() == [9]


def test_membership_and_age_are_those_of_the_weeks_sunday() -> None:
    """Athletes who turn 18 and change sport count in each week with what holds on its Sunday.

    In the first week nobody else is 16 or 17, and nobody else 18 to 22, so that no sport's group is written
    beside the wider.
    """
    people = roster(EIGHT, born=date(2008, 3, 15))
    weeks = [date(2026, 3, 2), MONDAY]
    sports = pl.concat(
        [states_of(people, weeks[:1], sport="judo"), states_of(people, weeks[1:], sport="rowing")]
    )
    others = roster([f"b{i}" for i in range(9)], born=date(2008, 1, 1))
    everybody = pl.concat([people, others])
    states = pl.concat([sports, states_of(others, weeks, sport="netball")])
    found = norms_of(on_day(everybody["athlete_id"].to_list(), date(2026, 3, 4)), everybody, states)
    named = found["norms"].join(found["populations"].select("population_id", "label"), on="population_id")
    counts = dict(named.select(pl.concat_str("week", "label", separator=" "), "n_athletes").iter_rows())
    assert counts == {
        "2026-03-02 sex=female; age=16-17": 8,
        "2026-03-02 sex=female; age=18-22": 9,
        "2026-03-09 sex=female; age=18-22; sport=netball": 9,
        "2026-03-09 sex=female; age=18-22; sport=rowing": 8,
        "2026-03-09 sex=female; age=18-22": 17,
    }


def test_a_week_is_in_the_season_of_its_sunday() -> None:
    found = norms_of(on_day(EIGHT, date(2026, 8, 31)), roster(EIGHT), as_of=date(2026, 9, 6))
    assert found["populations"]["season"].to_list() == ["2026/27"]
    assert found["norms"]["norms_version"].item().startswith("2026/27-")


def test_small_groups_are_drawn_toward_the_wider() -> None:
    rng = np.random.default_rng(7)
    athletes = [f"a{i:02d}" for i in range(36)]
    sports = ["rowing"] * 8 + ["judo"] * 20 + ["netball"] * 8
    centre = {"rowing": 80.0, "judo": 65.0, "netball": 70.0}
    rows: list[Row] = [
        (w, SUNDAY, centre[s] + rng.normal(0, 6), None) for w, s in zip(athletes, sports, strict=True)
    ]
    people = roster(athletes)
    states = states_of(people, [MONDAY]).with_columns(sport=pl.Series(sports))
    found = norms_of(rows, people, states)
    named = found["norms"].join(found["populations"], on="population_id").sort("rung", "sport")
    wide = named.row(-1, named=True)
    for row in named.filter(pl.col("rung") == 3).iter_rows(named=True):
        assert row["parent_id"] == wide["population_id"]
        assert min(row["mean"], wide["mean"]) < row["shrunk_mean"] < max(row["mean"], wide["mean"])
        n = row["n_athletes"]
        variance = (8 * wide["sd"] ** 2 + (n - 1) * row["sd"] ** 2) / (8 + n - 1)
        assert row["shrunk_sd"] == pytest.approx(variance**0.5)
    small = named.filter(pl.col("n_athletes") < 20).row(0, named=True)
    assert small["withheld"].startswith("Percentiles 25 and 75 need 20")


def test_of_small_groups_only_the_wider_is_written() -> None:
    people = roster(EIGHT)
    states = states_of(people, [MONDAY]).with_columns(sport=pl.Series(["rowing"] * 4 + ["judo"] * 4))
    found = norms_of(on_day(EIGHT, SUNDAY), people, states)
    assert found["populations"]["label"].to_list() == ["sex=female; age=18-22"]
    row = found["norms"].row(0, named=True)
    assert (found["norms"].height, row["n_athletes"]) == (1, 8)
    assert row["withheld"] == f"{QUARTILES}, 10 and 90 need 40, 5 and 95 need 100 athletes; there are 8 here."


def test_a_group_with_the_athletes_of_the_wider_is_not_written_for_that_series_and_week() -> None:
    """All were weighed, but the judoka a week later; and only rowers jumped."""
    judoka = [f"b{i}" for i in range(9)]
    people = roster([*EIGHT, *judoka])
    before = MONDAY - timedelta(days=7)
    sport = (
        pl.when(pl.col("athlete_id").str.starts_with("a")).then(pl.lit("rowing")).otherwise(pl.lit("judo"))
    )
    states = states_of(people, [before, MONDAY]).with_columns(sport=sport)
    weighed = results_of([*on_day(EIGHT, before), *on_day(judoka, SUNDAY)])
    jumped = results_of(on_day(EIGHT, SUNDAY, 0.2), "contact_time")
    found = weekly_norms(pl.concat([weighed, jumped]), people, states, CATALOGUE, SUNDAY, "09-01")
    named = found["norms"].join(found["populations"], on="population_id")
    rows = named.sort("metric", "week", "n_athletes").select("metric", "week", "sport", "n_athletes").rows()
    assert rows == [
        ("body_mass", before, None, 8),
        ("body_mass", MONDAY, "rowing", 8),
        ("body_mass", MONDAY, "judo", 9),
        ("body_mass", MONDAY, None, 17),
        ("contact_time", MONDAY, None, 8),
    ]


def test_results_of_somebody_who_is_not_among_the_people_change_nothing() -> None:
    people = roster(EIGHT)
    states = states_of(people, [MONDAY], sport="rowing")
    own, stranger = results_of(on_day(EIGHT, SUNDAY)), results_of(on_day(["a00"], SUNDAY, 500.0))
    for results in (own, pl.concat([stranger, own]), pl.concat([own, stranger])):
        found = weekly_norms(results, people, states, CATALOGUE, SUNDAY, "09-01")
        assert found["norms"]["n_athletes"].to_list() == [8]
        assert found["norms"].equals(weekly_norms(own, people, states, CATALOGUE, SUNDAY, "09-01")["norms"])


def rowers_and_a_judoka(weighed: list[str]) -> Norms:
    """Norms of eight rowers at school, a senior one and a judoka: those two jumped, and some were weighed."""
    everybody = [*EIGHT, "judoka", "senior"]
    people = roster(everybody)
    sport = pl.when(pl.col("athlete_id") == "judoka").then(pl.lit("judo")).otherwise(pl.lit("rowing"))
    level = pl.when(pl.col("athlete_id") == "senior").then(pl.lit("senior")).otherwise(pl.lit("school"))
    states = states_of(people, [MONDAY]).with_columns(sport=sport, competition_level=level)
    jumped = results_of(on_day(["judoka", "senior"], SUNDAY, 0.2), "contact_time")
    results = pl.concat([results_of(on_day(weighed, SUNDAY)), jumped])
    found = weekly_norms(results, people, states, CATALOGUE, SUNDAY, "09-01")
    masses = found["norms"].filter(metric="body_mass").join(found["populations"], on="population_id")
    return {**found, "masses": masses.sort("rung")}


def test_where_three_groups_in_a_row_are_the_same_only_the_widest_is_written() -> None:
    masses = rowers_and_a_judoka(EIGHT)["masses"]
    assert masses.select("label", "n_athletes").rows() == [("sex=female; age=18-22", 8)]


def test_a_population_stays_as_the_parent_of_another_where_it_has_no_rows_itself() -> None:
    """Nobody but rowers was weighed, so nothing is written of rowers; but the school's parent are they."""
    found = rowers_and_a_judoka([*EIGHT, "senior"])
    school, everybody = found["masses"].iter_rows(named=True)
    assert (school["competition_level"], school["n_athletes"]) == ("school", 8)
    assert (everybody["rung"], everybody["n_athletes"]) == (4, 9)
    rowers = found["populations"].filter(population_id=school["parent_id"]).row(0, named=True)
    assert (rowers["label"], rowers["parent_id"]) == (
        "sex=female; age=18-22; sport=rowing", everybody["population_id"],
    )  # fmt: skip


WHO = [f"a{i:02d}" for i in range(26)]
sessions = st.tuples(
    st.sampled_from(WHO),
    st.integers(0, 20).map(lambda days: SUNDAY - timedelta(days=days)),
    st.floats(40, 120),
    st.sampled_from([None, "range_soft", "few_trials;range_soft"]),
)
few_or_many = st.lists(sessions, min_size=1, max_size=60)
# Of the first so many athletes a session each, so that some groups are large enough, and of any some more.
many = st.tuples(st.integers(8, len(WHO)), few_or_many).map(
    lambda drawn: [(who, SUNDAY, 40.0 + i, None) for i, who in enumerate(WHO[: drawn[0]])] + drawn[1]
)
RESTRICTED = [
    "familiarisation", "not_fully_available", "mass_provisional", "warm_up", "failed", "split_not_rising",
]  # fmt: skip
restricted = st.tuples(
    st.sampled_from(WHO),
    st.integers(0, 20).map(lambda days: SUNDAY - timedelta(days=days)),
    st.floats(500, 900),
    st.sampled_from(RESTRICTED).map(lambda code: f"few_trials;{code};range_soft"),
)


def _mixed(people: pl.DataFrame) -> pl.DataFrame:
    """Two sports, two levels, and one athlete without either, over every week that the tests touch."""
    weeks = [MONDAY - timedelta(days=7 * i) for i in range(5)]
    number = pl.col("athlete_id").str.slice(1).cast(pl.Int32)
    return states_of(people, weeks).with_columns(
        sport=pl.when(number % 2 == 0).then(pl.lit("rowing")).when(number > 1).then(pl.lit("judo")),
        competition_level=pl.when(number % 3 == 0).then(pl.lit("college")).otherwise(pl.lit("school")),
    )


def _same(left: Norms, right: Norms) -> None:
    for name, frame in left.items():
        assert_frame_equal(frame, right[name], check_exact=True)


@settings(deadline=None, max_examples=15)
@given(many, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(rows: list[Row], random: object) -> None:
    people, results = roster(WHO), results_of(rows)
    states = _mixed(people)
    seed = random.randint(0, 10_000)  # type: ignore[attr-defined]
    one, two, three = (f.sample(fraction=1.0, shuffle=True, seed=seed) for f in (results, people, states))
    _same(
        weekly_norms(results, people, states, CATALOGUE, SUNDAY, "09-01"),
        weekly_norms(one, two, three, CATALOGUE, SUNDAY, "09-01"),
    )


@settings(deadline=None, max_examples=15)
@given(many, st.lists(restricted, min_size=1, max_size=10))
def test_restricted_sessions_never_enter(rows: list[Row], extra: list[Row]) -> None:
    people = roster(WHO)
    states = _mixed(people)
    _same(norms_of(rows, people, states), norms_of([*rows, *extra], people, states))


@settings(deadline=None, max_examples=15)
@given(many)
def test_athletes_of_another_group_change_nothing_here(rows: list[Row]) -> None:
    men = [f"b{i:02d}" for i in range(8)]
    women, others = roster(WHO), roster(men, sex="male")
    before = norms_of(rows, women, _mixed(women))
    everybody = pl.concat([others, women])
    after = norms_of([*on_day(men, MONDAY, 77.0), *rows], everybody, _mixed(everybody))
    here = before["populations"].select("population_id")
    assert after["populations"].height > here.height > 0
    for name in ("populations", "norms", "norm_percentiles"):
        kept = after[name].join(here, on="population_id", how="semi", maintain_order="left")
        version = [c for c in ("norms_version",) if c in kept.columns]
        assert_frame_equal(kept.drop(version), before[name].drop(version), check_exact=True)


@settings(deadline=None, max_examples=15)
@given(many, st.integers(1, 3))
def test_athletes_are_counted_not_tests(rows: list[Row], times: int) -> None:
    people = roster(WHO)
    states = _mixed(people)
    found = norms_of(rows, people, states)
    _same(found, norms_of(rows * times, people, states))
    widest = found["populations"].filter(pl.col("rung") == 4)["population_id"].item()
    last = found["norms"].filter(pl.col("population_id") == widest, pl.col("week") == MONDAY)
    assert last["n_athletes"].item() == len({who for who, *_ in rows})


def test_seven_athletes_with_many_tests_are_still_too_few() -> None:
    assert norms_of(on_day(WHO[:7], SUNDAY) * 9, roster(WHO))["norms"].height == 0


anything = st.lists(st.one_of(sessions, restricted), min_size=1, max_size=60) | many


@settings(deadline=None, max_examples=40)
@given(anything)
def test_no_row_is_of_fewer_than_eight(rows: list[Row]) -> None:
    """Whatever the rows: and every row that is there has its mean and median."""
    people = roster(WHO)
    found = norms_of(rows, people, _mixed(people))
    usable = [row for row in rows if not _is_left_out(row[3])]
    counted = len({who for who, *_ in usable})
    assert (found["norms"].height > 0) == (counted >= 8)
    for name in ("norms", "norm_percentiles"):
        assert found[name].filter(pl.col("n_athletes") < 8).height == 0
    assert found["norms"].select("mean", "p50").null_count().row(0) == (0, 0)


@settings(deadline=None, max_examples=40)
@given(anything)
def test_every_population_is_used_and_every_parent_is_there(rows: list[Row]) -> None:
    people = roster(WHO)
    found = norms_of(rows, people, _mixed(people))
    populations = found["populations"]
    ids, parents = set(populations["population_id"]), set(populations["parent_id"].drop_nulls())
    used = set(found["norms"]["population_id"])
    assert parents <= ids
    assert used <= ids
    assert ids - used <= parents
    assert set(found["norm_percentiles"]["population_id"]) == used


def _is_left_out(flags: str | None) -> bool:
    return bool(set(RESTRICTED) & set((flags or "").split(";")))


def test_version_tells_the_inputs() -> None:
    rows: list[Row] = [*on_day(EIGHT, MONDAY), ("b", MONDAY, 60.0, None)]
    people = roster([*EIGHT, "b"])

    def version(rows: list[Row], sport: str = "rowing") -> str:
        found = norms_of(rows, people, states_of(people, [MONDAY], sport=sport))
        return str(found["norms"]["norms_version"].unique().item())

    first = version(rows)
    assert first == version(rows[::-1])
    assert first.startswith("2025/26-")
    assert len(first) == len("2025/26-") + 12
    assert first != version([("a0", MONDAY, 50.1, None), *rows[1:]])
    assert first != version(rows, sport="judo")


def test_metrics_and_series_stay_apart() -> None:
    """Equal numbers in two metrics are two rows, each in its own unit; a context metric has norms too."""
    athletes = [f"a{i}" for i in range(8)]
    mass = results_of([(who, SUNDAY, 50.0 + i, None) for i, who in enumerate(athletes)])
    contact = results_of(
        [(who, SUNDAY, 0.2 + i / 100, None) for i, who in enumerate(athletes)], "contact_time"
    )
    assert CATALOGUE["contact_time"].better == "context"
    people = roster(athletes)
    found = weekly_norms(
        pl.concat([mass, contact]), people, states_of(people, [MONDAY]), CATALOGUE, SUNDAY, "09-01"
    )["norms"]
    assert dict(found.select("metric", "unit").iter_rows()) == {"body_mass": "kg", "contact_time": "s"}
    assert found.sort("metric")["p50"].to_list() == pytest.approx([53.5, 0.235])
