"""Formulas and HTML in names, squads and cells: no file that is written computes or runs them."""

from __future__ import annotations

import csv
import io
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from pipeline.facility.folder import load_facility
from pipeline.formulas import STARTS, plain, safe
from pipeline.publish.flat import inert
from tests.end_to_end.runs import done
from tests.intake.facility_maker import JUMPS_HEADER, Hall, fill, run, runs

LINK, SCRIPT = '=HYPERLINK("http://x","<b>y")', "<script>alert(1)</script>"
HOSTILE = (LINK, "@SUM(1)", "+1+1", "-1-1", SCRIPT, "'=2", "\t=3")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A hall whose people, squads, remarks and exports are hostile, with all that is written from them."""
    hall = Hall(tmp_path_factory.mktemp("hall"))
    rows = [("athlete_id", "name", "birth_date", "sex", "aliases")]
    rows += [(f"a{i:02d}", name, f"200{i}-02-03", "female", "") for i, name in enumerate(HOSTILE)]
    rows += [("=a99", "Ana Prado", "2000-01-01", "female", "")]
    write(hall.folder / "config" / "athletes.csv", rows)
    periods = [("athlete_id", "from", "until", "squad", "sport", "position", "status")]
    periods += [(f"a{i:02d}", "", "", name, name, name, "full") for i, name in enumerate(HOSTILE)]
    write(hall.folder / "config" / "athlete_periods.csv", periods)
    days = [
        ("date", "squad", "athlete_id", "test", "trials"),
        ("2025-03-01", LINK, "", "linear_sprint", "3"),
    ]
    write(hall.folder / "config" / "testing_days.csv", days)
    lines = [run(quoted(name), trial=n, shoes=quoted(LINK)) for name in HOSTILE for n in (1, 2)]
    hall.drop(
        "gates-1/=1+1.csv",
        runs(*lines, run('"=nobody"', trial=7), run("<i>nobody", trial=8), run(trial=9, split="=x")),
    )
    jumps = [f"{quoted(name)},2025-03-01 09:0{i}:00,{480 + i}\n" for i, name in enumerate(HOSTILE)]
    hall.drop("mat-1/@x.csv", JUMPS_HEADER + "".join(jumps))
    done("intake", hall.folder)
    done("answers", hall.folder, fill(hall.folder / "held" / "questions.csv", {0: "new", 1: "new"}))
    done("refresh", hall.folder)
    return hall.folder


def quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def write(file: Path, rows: list[tuple[str, ...]]) -> None:
    with file.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)


def test_no_cell_of_a_csv_file_is_a_formula(folder: Path) -> None:
    mine = [*folder.glob("published/**/*.csv"), *folder.glob("held/*.csv")]
    mine += [folder / "config" / name for name in ("answers.csv", "new_people.csv")]
    kept = ""
    for file in mine:
        with file.open(encoding="utf-8-sig", newline="") as stream:
            for row in csv.reader(stream):
                for cell in row:
                    assert not cell.startswith(STARTS) or is_number(cell), (file.name, cell)
                    kept += cell
    for text in ("'=HYPERLINK", "'@SUM(1)", "'+1+1", "'=nobody"):
        assert text in kept, text


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_no_cell_of_a_workbook_is_a_formula_or_a_link(folder: Path) -> None:
    books = [*folder.glob("published/**/*.xlsx")]
    assert books
    for book in books:
        with zipfile.ZipFile(io.BytesIO(book.read_bytes())) as parts:
            for name in parts.namelist():
                text = parts.read(name)
                if name.startswith("xl/worksheets/"):
                    assert b"<f" not in text and b"<hyperlink" not in text, (book.name, name)


class Tags(HTMLParser):
    """All tags and their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found |= {tag, *(name for name, _ in attrs)}


def test_no_text_becomes_part_of_a_page(folder: Path) -> None:
    pages = [*folder.glob("published/**/*.html")]
    assert pages
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert "alert(1)" not in text or "&lt;script&gt;alert(1)" in text
        assert not Tags(text).found & {"script", "b-y", "onclick", "onload", "iframe", "img", "a"}, page.name
        assert "<i>nobody" not in text


def test_people_keep_their_names_and_those_added_by_an_answer_lose_the_sign(folder: Path) -> None:
    names = load_facility(folder).athletes["name"].to_list()
    assert {*HOSTILE[:6], "nobody", "<i>nobody"} <= set(names)


def test_both_ways_of_making_cells_harmless_know_the_same_signs() -> None:
    texts = [sign + "1" for sign in STARTS] + ["x", "1", "", "'x"]
    assert inert(pl.DataFrame({"a": texts}))["a"].to_list() == [safe(text) for text in texts]
    assert [plain(safe(text)) for text in (*texts, *HOSTILE)] == [*texts, *HOSTILE]
