"""A list of people as a roster: ids, dates only where they are sure, and what is left open."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.facility.people import read_people
from pipeline.intake.propose.people import sexes
from pipeline.intake.propose.propose import Proposal, propose
from pipeline.intake.propose.roster import short_id

TEAM = """Lista da equipa
Apelido;Nome próprio;Data Nasc.;Sexo;Escalão;Telemóvel
Serra;Duarte;21/06/2007;M;Sub-19;911
Penha;Tomás;11/03/2003;M;Seniores;912
Torre;Mafalda;03/04/2008;F;Sub-19;913
"""


def proposed(tmp_path: Path, text: str, name: str = "team.csv") -> tuple[Proposal, list[dict[str, str]]]:
    file = tmp_path / name
    file.write_text(text, encoding="utf-8")
    proposal = propose(file, None)
    assert proposal.kind == "roster"
    rows = [line for line in proposal.text.splitlines() if not line.startswith("#")]
    return proposal, list(csv.DictReader(rows))


def open_choices(proposal: Proposal) -> str:
    return "\n".join(choice.reason for choice in proposal.choices if choice.standing == "open")


def test_a_list_of_people_becomes_a_roster_that_the_config_reads(tmp_path: Path) -> None:
    proposal, rows = proposed(tmp_path, TEAM)
    assert proposal.save_as == "config/athletes.csv"
    assert rows[0] == {
        "athlete_id": "dserra",
        "name": "Duarte Serra",
        "birth_date": "2007-06-21",
        "sex": "male",
        "aliases": "",
    }
    assert "# dserra,,,Sub-19" in proposal.text and "Left out: Telemóvel" in proposal.text
    config = tmp_path / "hall" / "config"
    config.mkdir(parents=True)
    (config / "athletes.csv").write_text(proposal.text, encoding="utf-8")
    people, problems = read_people(tmp_path / "hall", None, date(2026, 1, 1))
    assert problems == []
    assert people.athletes["birth_date"].to_list() == [date(2007, 6, 21), date(2003, 3, 11), date(2008, 4, 3)]
    assert people.athletes["sex"].to_list() == ["male", "male", "female"]


@pytest.mark.parametrize(
    "header",
    [
        "Name,Date of birth,Gender",
        "Nom et prénom,Né le,Sexe",
        "Nombre completo,Fecha de nacimiento,Sexo",
        "Name,Geburtsdatum,Geschlecht",
    ],
)
def test_in_any_language(tmp_path: Path, header: str) -> None:
    _, rows = proposed(tmp_path, f'{header}\n"Reis, Ana",2005-05-06,F\nRui Melo,2004-07-30,M\n')
    assert [(row["name"], row["birth_date"], row["sex"]) for row in rows] == [
        ("Ana Reis", "2005-05-06", "female"),
        ("Rui Melo", "2004-07-30", "male"),
    ]


def test_dates_that_could_be_two_days_are_left_empty_and_said(tmp_path: Path) -> None:
    proposal, rows = proposed(
        tmp_path, "Player,DOB,Sex\nAnn Lee,03/04/2005,female\nBo Park,05/06/2004,male\n"
    )
    assert [row["birth_date"] for row in rows] == ["", ""]
    assert [row["birth_date_as_written"] for row in rows] == ["03/04/2005", "05/06/2004"]
    assert "may be day/month or month/day" in open_choices(proposal)


def test_a_sex_that_cannot_be_told_is_left_empty_and_said(tmp_path: Path) -> None:
    proposal, rows = proposed(
        tmp_path, "Nome,Nascimento,Sexo\nAna Reis,2005-05-06,M\nEva Melo,2004-07-30,M\n"
    )
    assert [(row["sex"], row["sex_as_written"]) for row in rows] == [("", "M"), ("", "M")]
    assert "what does 'M' mean" in open_choices(proposal)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["M", "F"], {"M": "male", "F": "female"}),
        (["H", "M"], {"H": "male", "M": "female"}),
        (["w", "m"], {"w": "female", "m": "male"}),
        (["H", "F"], {"H": "male", "F": "female"}),
        (["F", "X"], {"F": "female", "X": None}),
        (["M"], {"M": None}),
        (["weiblich", "männlich"], {"weiblich": "female", "männlich": "male"}),
        (["Mulher", "homem"], {"Mulher": "female", "homem": "male"}),
        (["forward", "back"], None),
    ],
)
def test_sexes(words: list[str], told: dict[str, str | None] | None) -> None:
    assert sexes(words) == told


def test_people_of_one_name_are_asked_about_and_one_person_twice_is_written_once(tmp_path: Path) -> None:
    text = "Name,Birth date,Team\nAna Reis,2005-05-06,A\nAna Reis,2001-01-02,B\nRui Melo,2004-07-30,A\n"
    text += "Rui Melo,2004-07-30,B\nTó Paz,2003-01-30,B\nLia Sá,2003-01-29,B\n"
    proposal, rows = proposed(tmp_path, text)
    assert [row["athlete_id"] for row in rows] == ["areis", "areis2", "rmelo", "tpaz", "lsa"]
    assert "'Ana Reis' stands on lines 2 and 3" in open_choices(proposal)
    assert "# rmelo,,,A\n# rmelo,,,B\n" in proposal.text


def test_own_ids_are_kept(tmp_path: Path) -> None:
    _, rows = proposed(tmp_path, "ID,Name,DOB,Sex\nK-01,Ana Reis,2005-05-06,F\nK-02,Rui Melo,2004-07-30,M\n")
    assert [row["athlete_id"] for row in rows] == ["K-01", "K-02"]


def test_a_workbook_with_real_dates(tmp_path: Path) -> None:
    file = tmp_path / "team.xlsx"
    with xlsxwriter.Workbook(file) as book:
        sheet, form = book.add_worksheet(), book.add_format({"num_format": "dd/mm/yyyy"})
        sheet.write_row(0, 0, ["Spieler", "Geburtsdatum", "Mannschaft"])
        for at, (name, born) in enumerate([("Ida Berg", date(2005, 4, 3)), ("Udo Hof", date(2004, 6, 5))], 1):
            sheet.write_string(at, 0, name)
            sheet.write_datetime(at, 1, born, form)  # type: ignore[arg-type]
            sheet.write_string(at, 2, "U20")
    text = propose(file, None).text
    assert "iberg,Ida Berg,2005-04-03" in text and "uhof,Udo Hof,2004-06-05" in text


def test_measurements_of_people_are_no_roster(tmp_path: Path) -> None:
    file = tmp_path / "weighed.csv"
    file.write_text(
        "Name,Birth date,Sex,Weigh day,Mass (kg)\n"
        "Ana Reis,2005-05-06,F,2025-09-13,60.1\nRui Melo,2004-07-30,M,2025-09-13,70.2\n"
    )
    assert propose(file, None).kind == "layout"


@settings(deadline=None)
@given(st.lists(st.text(max_size=20), max_size=12))
def test_ids_are_short_plain_and_nobody_elses(names: list[str]) -> None:
    taken: set[str] = set()
    for name in names:
        one = short_id(name, taken)
        assert one not in taken and one.isascii() and one.isalnum() and len(one) <= 10
        taken.add(one)
