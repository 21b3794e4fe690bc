"""From a result to its lines: every version, why there is a newer one, and the line's own text."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.run import Run, run_steps
from pipeline.steps import refresh_steps
from pipeline.trace.trace import Trace, trace
from schemas.catalogue import CATALOGUE
from tests.end_to_end.runs import here
from tests.intake.facility_maker import Hall, file_id, fill, quiet, run, runs

FIRST = runs(run(), run(trial=2, split="1.90"), run("João Sá", split="2.00"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    hall = Hall(tmp_path_factory.mktemp("made"))
    hall.take(("gates-1/a.csv", FIRST))
    return hall


@pytest.fixture
def hall(made: Hall, tmp_path: Path) -> Hall:
    return Hall.copy_of(made, tmp_path)


def traced(hall: Hall, athlete: str, metric: str = "sprint_time") -> Trace:
    """After a refresh."""
    run_steps(Run(hall.facility, quiet, date(2025, 3, 2)), refresh_steps())
    with hall.open() as warehouse:
        return trace(hall.facility, warehouse, athlete, CATALOGUE[metric])


def the(found: list[Any]) -> Any:
    assert len(found) == 1
    return found[0]


def test_a_result_leads_to_the_text_of_its_lines(hall: Hall) -> None:
    session = the(traced(hall, "a01").sessions)
    summed = the(session["results"])
    assert summed["result"]["value"] == pytest.approx((1.83 + 1.90) / 2)
    assert summed["series"].startswith("distance=10 m; test=linear_sprint")
    told = [the(the(one["rows"])["versions"]) for one in summed["measurements"]]
    assert [version["values"]["split_time_s"] for version in told] == [1.83, 1.90]
    lines = FIRST.splitlines()
    for version, line in zip(told, (2, 3), strict=True):
        assert version["path"] == "gates-1/a.csv" and version["file_sha256"][:16] == file_id(FIRST)
        assert (version["first_line"], version["last_line"]) == (line, line)
        assert version["originals"] == [{"line": line, "text": lines[line - 1]}]
        assert version["current"] and version["ended"] is None and version["known_from"] is not None


def test_both_versions_are_there_after_a_corrected_export(hall: Hall) -> None:
    second = runs(run(), run(trial=2, split="1.94"), run("João Sá", split="2.00"))
    hall.take(("gates-1/b.csv", second))
    summed = the(the(traced(hall, "a01").sessions)["results"])
    now, before = the(summed["measurements"][1]["rows"])["versions"]
    assert (now["number"], now["current"], now["values"]["split_time_s"]) == (2, True, 1.94)
    assert (before["number"], before["current"], before["values"]["split_time_s"]) == (1, False, 1.90)
    assert before["ended"] == "a later export gave other values"
    assert before["known_until"] == now["known_from"]
    assert "1.94" in the(now["originals"])["text"] and "1.90" in the(before["originals"])["text"]


def test_a_moved_trial_is_told_of_both_athletes_with_who_moved_it_and_why(hall: Hall) -> None:
    hall.correct(f"2025-04-01,head coach,it was Mia,,{file_id(FIRST)},3,,,,,move,,a03")
    hall.take_in()
    once = traced(hall, "a01")
    session = the(once.sessions)
    assert the(session["results"])["result"]["n_trials"] == 1
    gone = the(session["no_longer"])
    assert [version["athlete_id"] for version in gone["versions"]] == ["a03", "a01"]
    why = "move by head coach on 2025-04-01: it was Mia (config/corrections.csv, line 2)"
    assert gone["versions"][1]["ended"] == why
    hers = the(the(the(traced(hall, "a03").sessions)["results"])["measurements"])
    assert [version["ended"] for version in the(hers["rows"])["versions"]] == [None, why]


def test_a_struck_trial_and_a_withdrawn_file_are_told_where_they_counted(hall: Hall) -> None:
    hall.correct(f"2025-04-01,me,stumbled,,{file_id(FIRST)},3,,,,,strike,,")
    hall.take_in()
    gone = the(the(traced(hall, "a01").sessions)["no_longer"])
    assert the(gone["versions"])["ended"].startswith("strike by me on 2025-04-01: stumbled")
    hall.correct(f"2025-04-01,me,wrong file,,{file_id(FIRST)},,,,,,strike,,")
    hall.take_in()
    withdrawn = the(traced(hall, "a01").sessions)
    assert withdrawn["session_date"] == date(2025, 3, 1) and withdrawn["results"] == []
    ended = [the(row["versions"])["ended"] for row in withdrawn["no_longer"]]
    assert ended == ["strike by me on 2025-04-01: wrong file (config/corrections.csv, line 2)"] * 2


def test_an_answer_in_place_of_a_cell_is_told_with_the_line(hall: Hall) -> None:
    hall.take(("gates-1/c.csv", runs(run(trial=3, split="1.8S"))))
    hall.answer(fill(hall.sheet("c.csv"), {0: "1.85"}))
    third = the(the(traced(hall, "a01").sessions)["results"])["measurements"][2]
    version = the(the(third["rows"])["versions"])
    assert version["values"]["split_time_s"] == 1.85
    assert "1.8S" in the(version["originals"])["text"]
    assert the(version["answers"])["answer"] == "1.85"


def test_an_athlete_without_values_is_told_what_there_is(hall: Hall) -> None:
    found = traced(hall, "a01", "jump_height")
    assert found.sessions == [] and found.others == ["interval_speed", "sprint_time"]


def test_the_command_takes_id_name_and_alias_and_names_the_nearest(hall: Hall) -> None:
    traced(hall, "a01")
    ways = [
        here("trace", hall.folder, who, "sprint_time", "--json") for who in ("A01", "Prado, Ana", "Anita")
    ]
    assert [way.status for way in ways] == [0, 0, 0]
    assert ways[0].report == ways[1].report == ways[2].report
    assert ways[0].report["athlete_id"] == "a01"
    stranger = here("trace", hall.folder, "Anna Prado", "sprint_time")
    assert stranger.status == 2 and "Ana Prado (a01)" in stranger.err
    two = here("trace", hall.folder, "Rui Costa", "sprint_time")
    assert two.status == 2 and "a04" in two.err and "a05" in two.err
    wrong = here("trace", hall.folder, "a01", "sprint_tme")
    assert wrong.status == 2 and "'sprint_time'" in wrong.err
    text = here("trace", hall.folder, "a01", "sprint_time")
    assert text.status == 0 and "Ana Prado,2025-03-01,10:00:00,LIN,1,10,1.83,,90" in text.out
