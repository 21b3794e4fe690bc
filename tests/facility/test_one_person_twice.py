"""A person on the roster twice, a birth date that a spreadsheet made up."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.facility.folder import check_facility
from tests.intake.facility_maker import ROSTER, Hall, run, runs

TWICE = ROSTER + "b07,Lund Mía,2002-11-30,female,\n"


def said(hall: Hall) -> list[str]:
    return [str(problem) for problem in check_facility(hall.folder)]


@pytest.mark.mode(3)
def test_one_person_under_two_ids_is_named_and_made_one(tmp_path: Path) -> None:
    hall = Hall(tmp_path, roster=TWICE)
    (look,) = said(hall)
    assert "athletes.csv, line 7" in look and "'Mia Lund' (a03, line 4" in look
    hall.take(("gates-1/a.csv", runs(run("Mia Lund"), run("Lund Mía", "11:00:00"), run("b07", "12:00:00"))))
    assert [who for who, _ in hall.values()] == ["a03", "b07", "b07"]
    assert "write 'b07|Lund Mía' into the aliases of a03" in look
    hall.write("athletes.csv", ROSTER.replace("2002-11-30,female,", "2002-11-30,female,b07|Lund Mía"))
    hall.take_in()
    assert said(hall) == [] and [who for who, _ in hall.values()] == ["a03"] * 3
    # It can be taken back.
    hall.write("athletes.csv", TWICE)
    hall.take_in()
    assert [who for who, _ in hall.values()] == ["a03", "b07", "b07"]


@pytest.mark.mode(58)
@pytest.mark.parametrize("born", ["1900-01-01", "1904-01-01", "2999-01-01"])
def test_a_birth_date_that_is_none_is_refused(tmp_path: Path, born: str) -> None:
    hall = Hall(tmp_path, roster=ROSTER.replace("2002-11-30", born))
    (mistake,) = said(hall)
    assert "line 4" in mistake and "birth_date" in mistake and born in mistake
