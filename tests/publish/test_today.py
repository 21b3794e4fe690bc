"""Today's sheet: what is written, for whom, and that nothing people typed becomes part of the page."""

from __future__ import annotations

import csv
import os
from datetime import date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.intake.archive import utc_now
from pipeline.publish.today import Sheet, as_html, as_rows
from pipeline.steps import STEPS
from pipeline.today import todays_sheet, write_todays_sheet
from tests.intake.facility_maker import JUMPS_HEADER, WEIGHTS_HEADER, Hall, file_id, run, runs

NOW = datetime(2025, 3, 1, 11, 30)
DAY = date(2025, 3, 1)
PLAN = """date,squad,athlete_id,test,trials,attended
2025-03-01,Juniors,,linear_sprint,2,
2025-03-01,,a03,countermovement_jump,2,
2025-03-02,,a04,,,
"""
PERIODS = """athlete_id,from,until,squad,sport,position,competition_level,status,restriction
a01,,,Juniors,,,,full,
a02,,,Juniors,,,,rehab,knee surgery
a05,,,Juniors,,,,paused,"ill, <b>flu</b>"
"""


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    hall = Hall(tmp_path_factory.mktemp("hall"))
    hall.write("testing_days.csv", PLAN)
    hall.write("athlete_periods.csv", PERIODS)
    hall.write(
        "athletes.csv",
        (hall.folder / "config" / "athletes.csv").read_text("utf-8").replace("Mia Lund", "=Mia & <i>"),
    )
    hall.take(
        ("gates-1/a.csv", runs(run(), run("<script>alert(1)</script>", trial=2))),
        ("mat-1/j.csv", JUMPS_HEADER + "a03,2025-03-01 09:00:00,500\na03,2025-03-01 09:01:00,520\n"),
    )
    return hall


def sheet(hall: Hall) -> Sheet:
    with hall.open() as warehouse:
        return todays_sheet(hall.facility, warehouse, NOW)


def test_who_is_not_tested_yet_and_what_is_half_done(hall: Hall) -> None:
    planned = sheet(hall).planned.select("athlete_id", "test", "done", "wanted").rows()
    assert planned == [
        ("a02", "linear_sprint", 0, 2),  # who is paused is not asked for
        ("a01", "linear_sprint", 1, 2),
        ("a03", "countermovement_jump", 2, 2),
    ]


def test_the_page_lists_people_by_test_and_name_whatever_their_ids_are() -> None:
    rows = [("x9", "jump_height"), ("x1", "jump_height"), ("x5", None), ("x2", "body_mass")]
    planned = pl.DataFrame(
        [(who, "Juniors", test, 1, 0) for who, test in rows],
        ["athlete_id", "squad", "test", "wanted", "done"],
        orient="row",
    )
    none = pl.DataFrame(schema=["athlete_id", "device", "about", "why"])
    devices = pl.DataFrame(schema=["device", "label", "last_at"])
    names = {"x9": "Ana", "x1": "bea", "x5": "Cy", "x2": "Zoe"}
    page = as_html(Sheet("Hall", DAY, NOW, planned, none, none, none, devices, names))
    assert [page.index(name) for name in ("Zoe", "Ana", "bea", "Cy")] == sorted(
        page.index(name) for name in names.values()
    )


def test_what_to_repeat_and_to_ask(hall: Hall) -> None:
    made = sheet(hall)
    assert made.repeats.select("athlete_id", "why").rows() == [
        ("a01", "the distance behind the first gate is not known"),
        ("a03", "the last trial is the best, and still getting better"),
    ]
    assert made.questions.select("about", "why").rows() == [
        ("<script>alert(1)</script>", "who is this? 1 line(s) wait")
    ]


class Page(HTMLParser):
    """The tags of a page, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.links: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.links += [name for name, _ in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_has_nothing_from_elsewhere_and_shows_what_was_typed_as_text(hall: Hall) -> None:
    page = Page(as_html(sheet(hall)))
    assert not page.tags & {"script", "img", "link", "iframe"} and page.links == []
    assert "<script>alert(1)</script>" in page.text and "=Mia & <i>" in page.text
    assert "Saturday 1 March 2025" in page.text and "As of 11:30" in page.text


def test_nothing_about_health_is_on_it(hall: Hall) -> None:
    with hall.open() as warehouse:
        page, table = write_todays_sheet(hall.facility, warehouse, NOW)
    for text in (page.read_text("utf-8"), table.read_text("utf-8")):
        assert not any(word in text for word in ("knee", "flu", "rehab", "paused"))


def test_the_files_are_for_their_owner_and_no_formula_for_a_spreadsheet(hall: Hall) -> None:
    with hall.open() as warehouse:
        paths = write_todays_sheet(hall.facility, warehouse, NOW)
    assert [path.name for path in paths] == ["today.html", "today.csv"]
    if os.name == "posix":
        assert {path.stat().st_mode & 0o777 for path in paths} == {0o600}
    with paths[1].open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["part"] for row in rows} == {
        "not_tested",
        "unfinished",
        "done",
        "repeat",
        "question",
        "device",
    }
    assert "'=Mia & <i>" in {row["athlete"] for row in rows}


def test_another_day_is_empty_and_a_device_tells_when_its_last_file_came(hall: Hall) -> None:
    with hall.open() as warehouse:
        later = todays_sheet(hall.facility, warehouse, utc_now())
    assert later.planned.is_empty() and later.repeats.is_empty()
    text = Page(as_html(later)).text
    assert "Nobody is planned" in text and " min ago" in text and "no file yet" in text
    assert later.devices.filter(pl.col("last_at").is_not_null())["device"].sort().to_list() == [
        "gates-1",
        "mat-1",
    ]


def jumps_of(name: str, day: date, *flights_ms: int) -> list[str]:
    return [f"{name},{day} 09:0{minute}:00,{flight}\n" for minute, flight in enumerate(flights_ms)]


def test_the_sheet_is_what_comes_of_measuring_everything_anew_also_after_words_on_earlier_days(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sheet measures single trials alone, so it is held against the steps of a run."""
    hall = Hall(tmp_path)
    past = [DAY - timedelta(days=back) for back in (2, 4, 7, 9)]
    lines = [line for day in past for line in jumps_of("Ana Prado", day, 560, 480, 545)]
    lines += [line for day in past for line in jumps_of("Nobody Known", day, 530, 520)]
    lines += jumps_of("Ana Prado", DAY, 560, 470) + jumps_of("Mia Lund", DAY, 560, 500)
    jumps = JUMPS_HEADER + "".join(lines)
    hall.take(
        ("mat-1/j.csv", jumps),
        ("gates-1/r.csv", runs(run(), run(gate=20, split="3.1"), run(trial=2), run(trial=2, gate=30))),
        ("scales-1/w.csv", WEIGHTS_HEADER + f"Ana Prado;{past[0]};weight;61,5;kg\n"),
    )
    steps = {step.name: step.run for step in STEPS}

    def told() -> list[tuple[object, ...]]:
        fast = as_rows(sheet(hall))
        with monkeypatch.context() as patched:
            for step, name in (("measurements", "measured"), ("screening", "screened")):
                patched.setattr(f"pipeline.today.{name}", lambda run, trials_alone, of=step: steps[of](run))
            assert_frame_equal(fast, as_rows(sheet(hall)))
        return fast.filter(part="repeat").select("athlete_id", "why").rows()

    wide = "the trials are more than twice as far apart as usual"
    # Ana always jumps so; of Mia nothing is known but what is usual for people.
    assert ("a01", wide) not in (before := told()) and ("a03", wide) in before
    low = [number for number, line in enumerate(jumps.splitlines(), 1) if line.endswith(",480")]
    words = f"2025-03-01,Bea,slipped,,{file_id(jumps)},"
    hall.correct(*(f"{words}{line},,,,,strike,," for line in low))
    hall.retry()
    assert ("a01", wide) in told()
    hall.alias("Nobody Known", "a03")
    assert ("a03", wide) in told()
    hall.correct(*(f"{words}{line},,,,,move,,a03" for line in low))
    hall.retry()
    assert ("a01", wide) in (after := told()) and ("a03", wide) not in after


def test_the_day_begins_when_the_facility_says_so(hall: Hall) -> None:
    with hall.open() as warehouse:
        night = todays_sheet(hall.facility, warehouse, datetime(2025, 3, 2, 2, 30))
    assert night.day == DAY
