"""Who a written name is: exact after normalising, and never a guess."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.intake.identity import Alias, Names, Who, normalise
from tests.intake.facility_maker import ROSTER, SETTINGS, Bench, Hall, run, runs

DAY = date(2025, 3, 1)
PEOPLE = [
    ("a01", "Ana Prado", ["Anita"]),
    ("a02", "João Sá", []),
    ("a04", "Rui Costa", []),
    ("a05", "Rui Costa", []),
    ("a06", "Anne-Marie O'Dell", []),
]


def who(written: str, *aliases: Alias, device: str = "gates-1", day: date = DAY) -> Who:
    return Names(PEOPLE, aliases, ["Visitor One", "Ana Prado"]).who(written, device, day)


@pytest.mark.parametrize(
    ("written", "athlete_id"),
    [
        ("Ana Prado", "a01"),
        ("  ana   PRADO ", "a01"),
        ("Prado, Ana", "a01"),
        ("PRADO,ANA", "a01"),
        ("Anita", "a01"),
        ("A01", "a01"),
        ("Joao Sa", "a02"),
        ("Joa\u0303o Sa\u0301", "a02"),
        ("SÁ, JOÃO", "a02"),
        ("anne marie o’dell", "a06"),
        ("Ana\u00a0Prado", "a01"),
    ],
)
@pytest.mark.mode(1)
def test_ways_of_writing_one_name(written: str, athlete_id: str) -> None:
    assert who(written) == Who(athlete_id)


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("Çağla Yıldızgil", "YILDIZGIL, Çağla"),
        ("Çağla Yıldızgil", "Cagla Yildizgil"),
        ("Łukasz Żurawicz", "Lukasz Zurawicz"),
        ("Øyvind Sætrevik", "OYVIND SAETREVIK"),
        ("Đorđe Šimrak", "Dorde Simrak"),
        ("Götz Weißgerb", "GOTZ WEISSGERB"),
    ],
)
@pytest.mark.mode(1)
def test_letters_that_a_device_does_not_have(name: str, written: str) -> None:
    assert Names([("a01", name, [])], [], []).who(written, "gates-1", DAY) == Who("a01")


@pytest.mark.parametrize(
    "written", ["Ana Prad", "Ana Pradoo", "Prado Ana", "Ana", "Sá", "a0", "", "Ana, Prado"]
)
@pytest.mark.mode(1)
def test_what_is_only_like_a_name_is_unknown(written: str) -> None:
    assert who(written) == Who(None, "unknown_name")


@given(st.text(max_size=12))
def test_no_text_is_guessed(written: str) -> None:
    found = who(written)
    exact = {normalise(name) for _, name, others in PEOPLE for name in (name, *others)}
    ids = {athlete_id for athlete_id, _, _ in PEOPLE}
    if found.athlete_id is not None:
        assert normalise(written) in exact or written.strip().casefold() in ids


@given(st.text(max_size=12))
def test_normalising_twice_is_normalising_once(written: str) -> None:
    assert normalise(normalise(written)) == normalise(written)


@pytest.mark.mode(2)
def test_one_name_of_two_people_is_ambiguous() -> None:
    assert who("Rui Costa") == Who(None, "ambiguous_name", ("a04", "a05"))
    assert who("rui costa", Alias("Rui Costa", "a05")) == Who("a05")
    assert who("rui costa", Alias("Rui Costa", "a05", "mat-1")).code == "ambiguous_name"
    assert who("rui costa", Alias("Rui Costa", "a05", "mat-1"), device="mat-1") == Who("a05")


def test_an_alias_of_two_people_is_ambiguous() -> None:
    found = who("RC", Alias("RC", "a05"), Alias("rc", "a04"))
    assert found == Who(None, "ambiguous_name", ("a04", "a05"))


def test_a_name_goes_before_an_alias_and_an_id_before_a_name() -> None:
    assert who("Ana Prado", Alias("Ana Prado", "a02"), Alias("Ana Prado", "a04", "gates-1")) == Who("a01")
    assert who("a02", Alias("a02", "a01")) == Who("a02")


def test_until_is_inclusive() -> None:
    alias = Alias("Runner 7", "a02", "gates-1", date(2025, 3, 1), date(2025, 3, 31))
    holds = {
        date(2025, 2, 28): None,
        date(2025, 3, 1): "a02",
        date(2025, 3, 31): "a02",
        date(2025, 4, 1): None,
    }
    for day, athlete_id in holds.items():
        assert who("runner 7", alias, day=day).athlete_id == athlete_id
    assert who("runner 7", alias, device="gates-2").athlete_id is None


def test_a_narrow_alias_goes_before_a_general_one() -> None:
    aliases = [Alias("R7", "a01"), Alias("R7", "a02", "gates-1", None, date(2025, 3, 1))]
    assert who("R7", *aliases) == Who("a02")
    assert who("R7", *aliases, day=date(2025, 3, 2)) == Who("a01")


@pytest.mark.mode(5)
def test_guests_are_asked_about_by_nobody_and_are_never_on_the_roster() -> None:
    assert who("visitor ONE") == Who(None, "guest")
    assert who("Ana Prado") == Who("a01")


def test_the_three_nearest_are_proposed_likest_first() -> None:
    names = Names(PEOPLE, [], [])
    assert names.nearest("Ana Prada")[0] == "a01"
    assert names.nearest("Joao Saa")[0] == "a02"
    assert len(names.nearest("Rui Costa Ana")) <= 3
    assert names.nearest("qqqqqq") == []
    assert names.nearest("=1+2") == []  # what shares a letter or two is no proposal


# --- through the resolver -------------------------------------------------------------------------------


@pytest.mark.mode(1)
def test_names_that_are_not_settled_hold_their_lines_with_proposals() -> None:
    told = Bench().runs(
        run("Ana Prada") + run("Rui Costa", trial=2) + run("Visitor One", trial=3) + run("joao sa", trial=4)
    )
    assert told.codes() == [(2, "unknown_name"), (3, "ambiguous_name"), (4, "guest")]
    held = {row["line"]: row for row in told.resolved.held.to_dicts()}
    assert held[2]["candidates"].split(";")[0] == "a01"
    assert held[3]["candidates"] == "a04;a05"
    assert told.rows()["athlete_id"].to_list() == ["a02"]
    # Names stay out of the table; they are in the sheets.
    assert told.resolved.tables["held_rows"]["value"].null_count() == 3


@pytest.mark.mode(5)
def test_a_guest_is_likened_to_nobody(tmp_path: Path) -> None:
    hall = Hall(tmp_path, settings=SETTINGS.replace("Visitor One", "Ana Pradoo"))
    hall.take(("gates-1/a.csv", runs(run("Ana Pradoo"), run("Ana Prada", trial=2))))
    guest, unknown = [line.split(",") for line in hall.sheet().read_text("utf-8-sig").splitlines()[1:]]
    assert guest[2] == "guest" and "Nearest" not in guest[5]
    assert unknown[2] == "unknown_name" and "Nearest" in unknown[5]


def test_aliases_of_the_config_by_device_and_date(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.write("aliases.csv", "alias,athlete_id,device,from,until\nRui Costa,a04,gates-1,,2025-03-01\n")
    data = runs(run("Rui Costa"), run("Rui Costa", date="2025-03-02"))
    hall.take(("gates-1/a.csv", data))
    assert hall.values() == [("a04", 1.83)]
    assert hall.held() == [(3, "ambiguous_name", "open")]


def test_a_person_put_on_the_roster_is_known_at_the_next_run(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", runs(run("Eva Novo"))))
    assert hall.held() == [(2, "unknown_name", "open")]
    hall.write("athletes.csv", ROSTER + "a09,Eva Novo,,,\n")
    hall.take_in()
    assert (hall.values(), hall.held()) == ([("a09", 1.83)], [])


def test_a_file_without_any_row_and_a_roster_without_anybody(tmp_path: Path) -> None:
    hall = Hall(tmp_path, roster="athlete_id,name\n", settings=SETTINGS)
    hall.take(("gates-1/a.csv", runs()), ("gates-1/b.csv", runs(run())))
    assert hall.counts() == [{}, {"held": 1}]
