"""What a file would become, without storing anything."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.intake.dry_run import ROWS_SHOWN, dry_run
from tests.intake.facility_maker import WIDE_HEADER, Hall, run, runs

LINES = [run(trial=n) for n in range(30)]


@pytest.fixture
def hall(tmp_path: Path) -> Hall:
    return Hall(tmp_path / "hall")


@pytest.mark.parametrize("place", ["desk/export.csv", "gates-1/export.csv", "hall/inbox/gates-1/deep/x.csv"])
def test_a_file_anywhere_is_read_by_the_layout_that_fits(hall: Hall, tmp_path: Path, place: str) -> None:
    file = tmp_path / place
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(
        runs(*LINES, run(trial=40, split="x"), run("Nobody", trial=41)).replace("Battery", "Mood")
    )
    result = dry_run(hall.facility, file)
    assert result.layout == "runs"
    assert result.counts == {
        "status": "partly_held",
        "lines": 32,
        "loaded": 30,
        "held": 2,
        "repeated": 0,
        "superseding": 0,
        "skipped": 0,
    }
    assert result.rows.height == ROWS_SHOWN
    assert result.rows["line"].to_list() == list(range(2, 22))
    assert result.unmapped == ["Mood"]
    assert result.held.select("line", "code").rows() == [(32, "not_a_number"), (33, "unknown_name")]
    json.dumps(result.as_dict(), default=str)


def test_the_gates_of_a_run_are_shown_in_their_order(hall: Hall, tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    file.write_text(WIDE_HEADER + "Ana Prado,01.03.2025 10:00,1.1,1.9,3.2\n", encoding="utf-8")
    assert dry_run(hall.facility, file).rows["distance_m"].to_list() == [5, 10, 20]


def test_nothing_is_stored(hall: Hall, tmp_path: Path) -> None:
    file = tmp_path / "hall" / "inbox" / "gates-1" / "x.csv"
    file.parent.mkdir(parents=True)
    file.write_text(runs(run()), encoding="utf-8")
    before = sorted(path.name for path in (tmp_path / "hall").rglob("*"))
    dry_run(hall.facility, file)
    assert sorted(path.name for path in (tmp_path / "hall").rglob("*")) == before


def test_a_file_that_no_layout_reads(hall: Hall, tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    file.write_text("a,b\n1,2\n", encoding="utf-8")
    result = dry_run(hall.facility, file)
    assert (result.layout, result.counts["status"], result.counts["held"]) == (None, "held", 2)
    assert result.held["code"].to_list() == ["no_layout"]
    assert result.rows.is_empty()


def test_an_empty_file_and_a_pdf(hall: Hall, tmp_path: Path) -> None:
    for data, code in ((b"", "empty_file"), (b"%PDF-1.4", "unreadable")):
        file = tmp_path / "x.csv"
        file.write_bytes(data)
        assert dry_run(hall.facility, file).held["code"].to_list() == [code]
