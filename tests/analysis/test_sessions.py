"""Sessions: dates, slots, ages, body mass, squads."""

import datetime as dt

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.analysis.sessions import age_years, build_sessions, session_id, session_keys, shown_age
from pipeline.ids import text_id
from schemas.models import table_model
from tests.metrics.trial_rows import DAY, jump, mass, trial_rows

CLOCK = pl.Datetime("us")
STATE_COLUMNS = ("squad", "sport", "position", "competition_level", "available")


def keys(
    *times: str,
    known: bool = True,
    written: list[str | None] | None = None,
    slots: tuple[str, ...] = ("03:00",),
) -> list[tuple[str, str]]:
    local = pl.Series([dt.datetime.fromisoformat(time) for time in times], dtype=CLOCK)
    column = None if written is None else pl.Series(written, dtype=pl.String)
    frame = session_keys(local, pl.Series([known] * len(times)), column, "03:00", slots)
    return [(str(day), slot) for day, slot in frame.iter_rows()]


def test_the_day_begins_at_day_start() -> None:
    assert keys("2026-01-05T02:59:59", "2026-01-05T03:00:00", "2026-01-05T23:59:00") == [
        ("2026-01-04", "03:00"),
        ("2026-01-05", "03:00"),
        ("2026-01-05", "03:00"),
    ]


def test_slots_are_named_by_the_boundary_that_opens_them() -> None:
    times = (
        "2026-01-05T06:00",
        "2026-01-05T11:59",
        "2026-01-05T12:00",
        "2026-01-05T20:00",
        "2026-01-06T01:00",
    )
    assert [slot for _, slot in keys(*times, slots=("17:00", "06:00", "12:00"))] == [
        "06:00", "06:00", "12:00", "17:00", "17:00",
    ]  # fmt: skip
    assert keys("2026-01-05T04:00", slots=("06:00", "12:00")) == [("2026-01-05", "06:00")]


def test_the_layouts_session_goes_before_the_clock() -> None:
    assert keys("2026-01-05T10:00", "2026-01-05T10:00", written=["evening", None]) == [
        ("2026-01-05", "evening"),
        ("2026-01-05", "03:00"),
    ]


def test_rows_with_a_date_only_keep_it_and_take_the_first_slot() -> None:
    assert keys("2026-01-05T00:00", known=False, slots=("12:00", "06:00")) == [("2026-01-05", "06:00")]


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.datetimes(dt.datetime(2026, 1, 1), dt.datetime(2026, 12, 1)), st.booleans()), min_size=2
    )
)
def test_rows_that_come_late_change_no_session(rows: list[tuple[dt.datetime, bool]]) -> None:
    def made(part: list[tuple[dt.datetime, bool]]) -> pl.DataFrame:
        local = pl.Series([time for time, _ in part], dtype=CLOCK)
        known = pl.Series([known for _, known in part], dtype=pl.Boolean)
        return session_keys(local, known, None, "03:00", ("06:00", "12:00", "17:00"))

    assert_frame_equal(made(rows).head(1), made(rows[:1]))


def test_session_id_is_a_hash_of_the_three() -> None:
    ids = session_id(pl.Series(["A1"]), pl.Series([DAY]), pl.Series(["03:00"]))
    assert ids.to_list() == [text_id("A1|2026-01-05|03:00")]


def build(
    trials: dict[str, pl.DataFrame], born: dt.date | None = dt.date(2000, 6, 1), **state: str
) -> dict[str, pl.DataFrame]:
    rows = pl.concat(
        [frame.select("session_id", "athlete_id", "local_date") for frame in trials.values()]
    ).unique()
    slots = rows.select("session_id", session_date="local_date", slot=pl.lit("03:00"))
    slots = pl.concat([slots, slots])  # as when two families name the same sessions
    people = rows.select("athlete_id").unique().with_columns(birth_date=pl.lit(born, dtype=pl.Date))
    said = [pl.lit(state.get(column), dtype=pl.String).alias(column) for column in STATE_COLUMNS]
    states = rows.select("athlete_id", "local_date").unique().with_columns(said)
    return build_sessions(trials, slots, people, states)


def mass_on(*readings: tuple[int, float]) -> dict[str, object]:
    """The session of DAY where body mass was read so many days after it (negative: before)."""
    days = [
        mass(kg, day=DAY + dt.timedelta(days=after), trial_id=f"{n}")
        for n, (after, kg) in enumerate(readings)
    ]
    frames = {"jump_trials": trial_rows("jump_trials", jump())}
    if days:
        frames["body_readings"] = trial_rows("body_readings", *days)
    row = build(frames)["sessions"].row(by_predicate=pl.col("local_date") == DAY, named=True)
    return {key.removeprefix("body_mass_"): row[key] for key in row if key.startswith("body_mass_")}


def test_no_reading_no_mass() -> None:
    assert mass_on() == {"kg": None, "row_id": None, "age_days": None, "provisional": None}


@pytest.mark.parametrize(
    ("readings", "kg", "age", "provisional"),
    [
        ([(0, 70.0)], 70.0, 0, False),
        ([(-14, 70.0)], 70.0, 14, False),
        ([(-15, 70.0)], 70.0, 15, True),
        ([(-14, 70.0), (1, 72.0)], 70.0, 14, False),
        ([(-15, 70.0), (40, 72.0)], 72.0, -40, True),
        ([(1, 72.0), (9, 73.0)], 72.0, -1, True),
        ([(-20, 69.0), (-3, 70.0), (-9, 71.0)], 70.0, 3, False),
        ([(0, 70.0), (0, 70.4)], 70.2, 0, False),
    ],
)
@pytest.mark.mode(6)
def test_which_mass_a_session_has(
    readings: list[tuple[int, float]], kg: float, age: int, provisional: bool
) -> None:
    found = mass_on(*readings)
    assert found["kg"] == pytest.approx(kg)
    assert (found["age_days"], found["provisional"]) == (age, provisional)


def test_the_mass_names_its_row() -> None:
    assert mass_on((-20, 69.0), (-3, 70.0))["row_id"] == "body_readings-1"


def test_only_used_readings_of_the_same_athlete_count() -> None:
    trials = {
        "jump_trials": trial_rows("jump_trials", jump()),
        "body_readings": trial_rows(
            "body_readings",
            mass(70.0, day=DAY - dt.timedelta(days=2)),
            mass(90.0, mark="failed"),
            mass(91.0, flags="warm_up"),
            mass(92.0, athlete_id="A2"),
            {"quantity": "stature", "reading": 1, "value": 1.8, "unit": "m"},
        ),
    }
    sessions = build(trials)["sessions"].filter(pl.col("local_date") == DAY)
    assert dict(sessions.select("athlete_id", "body_mass_kg").iter_rows()) == {"A1": 70.0, "A2": 92.0}


def test_a_night_sessions_own_reading_is_not_a_later_one() -> None:
    night = {"session_id": "night", "local_date": DAY + dt.timedelta(days=1)}
    readings = trial_rows("body_readings", mass(70.0, **night))
    trials = {"jump_trials": trial_rows("jump_trials", jump(session_id="night")), "body_readings": readings}
    slots = pl.DataFrame({"session_id": ["night"], "session_date": [DAY], "slot": ["03:00"]})
    people = pl.DataFrame({"athlete_id": ["A1"], "birth_date": [dt.date(2000, 6, 1)]})
    states = pl.DataFrame(
        schema={"athlete_id": pl.String, "local_date": pl.Date, **dict.fromkeys(STATE_COLUMNS, pl.String)}
    )
    row = build_sessions(trials, slots, people, states)["sessions"].row(0, named=True)
    assert (row["body_mass_age_days"], row["body_mass_provisional"], row["local_date"]) == (0, False, DAY)


def test_the_tables_are_as_declared() -> None:
    trials = {
        "jump_trials": trial_rows("jump_trials", jump(), jump(athlete_id="A2")),
        "body_readings": trial_rows("body_readings", mass(70.0, day=dt.date(2026, 2, 1))),
    }
    for name, frame in build(trials, squad="first|youth", sport="rowing").items():
        table_model(name).validate(frame, lazy=True)


def test_a_session_is_of_every_squad_of_its_date() -> None:
    trials = {"jump_trials": trial_rows("jump_trials", jump(), jump(trial=2))}
    tables = build(trials, squad="youth | first|")
    assert list(tables["session_squads"].iter_rows()) == [(f"A1-{DAY}", "first"), (f"A1-{DAY}", "youth")]
    assert tables["sessions"]["available"].to_list() == ["yes"]


def test_no_squad_no_row() -> None:
    assert build({"jump_trials": trial_rows("jump_trials", jump())})["session_squads"].is_empty()


def age(born: dt.date, on: dt.date) -> float | None:
    years: float | None = pl.select(age_years(pl.lit(born), pl.lit(on))).item()
    return years


@pytest.mark.parametrize(
    ("born", "on", "years"),
    [
        (dt.date(2000, 6, 1), dt.date(2018, 6, 1), 18.0),
        (dt.date(2000, 6, 1), dt.date(2018, 5, 31), 17 + 364 / 365),
        (dt.date(2000, 2, 29), dt.date(2018, 2, 28), 17 + 364 / 365),
        (dt.date(2000, 2, 29), dt.date(2018, 3, 1), 18.0),
        (dt.date(2000, 2, 29), dt.date(2020, 2, 29), 20.0),
        (dt.date(2000, 1, 1), dt.date(2000, 1, 1), 0.0),
        (dt.date(2000, 12, 31), dt.date(2001, 1, 1), 1 / 365),
    ],
)
def test_age_in_years(born: dt.date, on: dt.date, years: float) -> None:
    assert age(born, on) == pytest.approx(years, abs=1e-12)


def test_nobody_has_an_age_before_birth() -> None:
    assert age(dt.date(2000, 6, 1), dt.date(2000, 5, 31)) is None
    sessions = build({"jump_trials": trial_rows("jump_trials", jump())}, born=dt.date(2026, 2, 1))["sessions"]
    assert sessions["age_years"].to_list() == [None]


@settings(deadline=None)
@given(st.dates(dt.date(1940, 1, 1), dt.date(2020, 1, 1)), st.integers(min_value=0, max_value=30_000))
def test_age_grows_day_by_day_and_is_whole_on_birthdays(born: dt.date, days: int) -> None:
    on = born + dt.timedelta(days=days)
    today, tomorrow = age(born, on), age(born, on + dt.timedelta(days=1))
    assert today is not None and tomorrow is not None
    assert 0 < tomorrow - today < 0.003
    had_birthday = (on.month, on.day) >= (born.month, born.day)
    assert int(today) == on.year - born.year - (not had_birthday)


@pytest.mark.mode(58)
def test_an_unknown_birth_date_gives_no_age() -> None:
    assert build({"jump_trials": trial_rows("jump_trials", jump())}, born=None)["sessions"][
        "age_years"
    ].to_list() == [None]


@pytest.mark.parametrize(
    ("born", "years"),
    [
        (dt.date(2000, 1, 15), 26.0),  # DAY is 5 January 2026: ten days before the middle of the month
        (dt.date(2000, 1, 1), 26.0),
        (dt.date(2000, 1, 31), 26.0),
        (dt.date(2008, 6, 1), 17.6),
        (dt.date(2008, 6, 30), 17.6),
        (dt.date(2008, 2, 29), 17.9),
    ],
)
def test_a_session_shows_an_age_to_a_tenth(born: dt.date, years: float) -> None:
    sessions = build({"jump_trials": trial_rows("jump_trials", jump())}, born=born)["sessions"]
    assert sessions["age_years"].to_list() == [years]


@settings(deadline=None, max_examples=30)
@given(st.integers(1960, 2016), st.integers(1, 12))
def test_no_number_of_sessions_gives_more_than_the_month_of_birth_away(year: int, month: int) -> None:
    """Sessions on every day of two years show the same of all born in a month, and nearly their age."""
    first = dt.date(year, month, 1)
    births = pl.date_range(first, pl.lit(first).dt.month_end(), eager=True).alias("born")
    days = pl.date_range(dt.date(2024, 1, 1), dt.date(2025, 12, 31), eager=True).alias("on")
    both = pl.DataFrame(births).join(pl.DataFrame(days), how="cross")
    ages = both.with_columns(
        shown=shown_age(pl.col("born"), pl.col("on")), exact=age_years(pl.col("born"), pl.col("on"))
    )
    assert ages.group_by("on").agg(pl.col("shown").n_unique())["shown"].unique().to_list() == [1]
    assert ages.select((pl.col("shown") - pl.col("exact")).abs().max()).item() < 0.1


def jump_at(hour: int, known: bool, **fields: object) -> dict[str, object]:
    return jump(
        performed_at_utc=dt.datetime.combine(DAY, dt.time(hour)),
        time_known=known,
        local_time=dt.time(hour) if known else None,
        **fields,
    )


@pytest.mark.parametrize(
    ("times", "hour"),
    [
        ([(0, False)], None),
        ([(0, False), (0, False)], None),
        ([(0, False), (16, True), (14, True)], 14),
        ([(9, True)], 9),
    ],
)
def test_a_session_starts_with_its_first_trial_that_has_a_time(
    times: list[tuple[int, bool]], hour: int | None
) -> None:
    """Where only the date is known, the start is not: midnight would be made up."""
    rows = [jump_at(at, known, trial=n) for n, (at, known) in enumerate(times, 1)]
    sessions = build({"jump_trials": trial_rows("jump_trials", *rows)})["sessions"]
    start = None if hour is None else dt.datetime.combine(DAY, dt.time(hour))
    assert sessions.select("started_at_utc", "local_date").rows() == [(start, DAY)]
