"""Which layout reads a file, and why none does."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from tests.intake.facility_maker import LAYOUTS, RUNS, Bench, Hall, run, runs

DATA = runs(run())


def reasons(hall: Hall) -> list[tuple[str, str]]:
    held = hall.table("held_rows").sort("code")
    assert held["line"].null_count() == held.height
    return held.select("code", "reason").rows()


@pytest.mark.parametrize(
    ("match", "place", "claimed"),
    [
        ('folder = "gates"', "gates/x.csv", True),
        ('folder = "gates"', "gates/deep/x.csv", True),
        ('folder = "gates/north"', "gates/north/x.csv", True),
        ('folder = "gates"', "gates-2/x.csv", False),
        ('folder = "gates"', "other/gates/x.csv", False),
        ('folder = "gates"', "gates.csv", False),
        ('folder = "Gates"', "gates/x.csv", False),
        ('filename = "RUN_*.CSV"', "any/run_7.csv", True),
        ('filename = "run_*.csv"', "any/RUN_7.CSV", True),
        ('filename = "run_*.csv"', "run_7/x.csv", False),
        ('header = ["Runner", "Split"]', "any/x.csv", True),
        ('header = ["runner"]', "any/x.csv", False),
    ],
)
def test_folder_name_and_header_must_all_hold(tmp_path: Path, match: str, place: str, claimed: bool) -> None:
    layout = RUNS.replace('folder = "gates-1"\nheader = ["Runner", "Split"]', match)
    facility = Hall(tmp_path, layouts={"runs": layout}).facility
    assert not facility.faulty_layouts
    told = Bench(facility).resolve((place, DATA))
    assert (told.fates() == {2: "loaded"}) == claimed


def test_the_header_is_looked_for_in_the_first_200_lines() -> None:
    bench = Bench()
    assert bench.resolve(("gates-1/x.csv", "remark\n" * 199 + DATA)).fates() == {201: "loaded"}
    late = bench.resolve(("gates-1/x.csv", "remark\n" * 200 + DATA))
    assert late.codes() == [(None, "no_layout")]
    assert set(late.fates().values()) == {"held"} and len(late.fates()) == 202


def test_header_names_are_trimmed() -> None:
    data = DATA.replace("Runner,Date", " Runner , Date\t")
    assert Bench().resolve(("gates-1/x.csv", data)).fates() == {2: "loaded"}


def test_two_layouts_that_claim_a_file_hold_it(tmp_path: Path) -> None:
    other = RUNS.replace('layout = "runs"', 'layout = "more"').replace('folder = "gates-1"\n', "")
    hall = Hall(tmp_path, layouts={**LAYOUTS, "more": other})
    hall.take(("gates-1/x.csv", DATA), ("elsewhere/y.csv", runs(run(trial=5))))
    assert reasons(hall) == [("two_layouts", "The layouts more and runs all claim this file.")]
    assert hall.counts() == [{"loaded": 1}, {"held": 2}]
    assert hall.table("files")["status"].sort().to_list() == ["held", "loaded"]


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    other = DATA.replace("Split", "Time (s)")
    hall.take(("gates-1/x.csv", other), ("lost/y.csv", other + "\n"))
    header, folder = sorted(reason for _, reason in reasons(hall))[::-1]
    assert folder.startswith("No layout is for files in this folder")
    assert header == "The layout runs fits the folder, but no header row has 'Split'."


def test_a_file_in_a_wrong_folder_is_told_the_right_one_and_settled_when_dropped_there(
    tmp_path: Path,
) -> None:
    hall = Hall(tmp_path)
    hall.take(("lost/x.csv", DATA))
    (told,) = (reason for _, reason in reasons(hall))
    assert told.startswith("The layout runs fits its header row, but is for the folder 'gates-1'.")
    hall.take(("gates-1/x.csv", DATA))
    assert hall.held() == []
    assert hall.values() == [("a01", 1.83)]


@pytest.mark.mode(20)
def test_a_renamed_column_is_held_and_released_by_retry(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    data = DATA.replace("Gate", "Metres")
    hall.take(("gates-1/x.csv", data))
    assert reasons(hall) == [
        ("missing_column", "The layout maps the column 'Gate', and the header row (line 1) does not have it.")
    ]
    assert hall.counts() == [{"held": 2}]
    hall.write("layouts/runs.toml", RUNS.replace('from = "Gate"', 'from = "Metres"'))
    hall.take_in()
    assert hall.counts() == [{"held": 2}]
    report = hall.retry()
    assert report.released == 2
    assert (hall.counts(), hall.held()) == ([{"loaded": 1}], [])


@pytest.mark.mode(20)
def test_a_mapped_column_that_occurs_twice_holds_the_file() -> None:
    told = Bench().resolve(("gates-1/x.csv", DATA.replace("Battery", "Split")))
    assert told.codes() == [(None, "duplicate_header")]
    unmapped = DATA.replace("Battery", "Note,Note").replace(",90", ",90,1")
    fine = Bench().resolve(("gates-1/x.csv", unmapped))
    assert fine.fates() == {2: "loaded"}
    assert fine.resolved.tables["files"]["unmapped"].to_list() == ["Note, Note"]


def test_a_faulty_layout_holds_its_own_files_only(tmp_path: Path) -> None:
    hall = Hall(tmp_path, layouts={**LAYOUTS, "jumps": "layout = 'jumps'\nfamly = 'contact_mat'\n"})
    assert list(hall.facility.faulty_layouts) == ["jumps"]
    hall.take(("gates-1/x.csv", DATA), ("mat-1/x.csv", "Name,At,Flight\nAna Prado,2025-03-01 10:00:00,500\n"))
    assert hall.counts() == [{"loaded": 1}, {"held": 2}]
    assert [code for code, _ in reasons(hall)] == ["faulty_layout"]
    hall.write("layouts/jumps.toml", LAYOUTS["jumps"])
    hall.retry()
    assert hall.counts() == [{"loaded": 1}, {"loaded": 1}]


# --- files that are no table ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "data", "status", "code", "lines"),
    [
        ("empty.csv", b"", "held", "empty_file", 0),
        ("x.pdf", b"%PDF-1.7\n1\n2", "rejected", "unreadable", 3),
        ("x.csv", b"\x89PNG\r\n\x1a\n", "rejected", "unreadable", 2),
        ("x.xlsx", b"no workbook\n", "rejected", "unreadable", 1),
        ("x.csv", b"\xff\xfea\x00\n\x00\x00\xd8", "held", "no_layout", None),
        ("x.csv", b"\x00\x01\x02\xff" * 9 + b"\n", "rejected", "unreadable", 1),
        ("x.csv", b"\n\n\n", "held", "no_layout", 3),
        ("x.csv", b"a\rb\rc", "held", "no_layout", 3),
    ],
)
def test_files_that_are_no_table(
    tmp_path: Path, name: str, data: bytes, status: str, code: str, lines: int | None
) -> None:
    hall = Hall(tmp_path)
    hall.take((f"gates-1/{name}", data), ("gates-1/good.csv", DATA))
    file = hall.table("files").filter(pl.col("status") != "loaded").row(0, named=True)
    assert (file["status"], file["lines"], file["held"]) == (status, lines, lines or 0)
    held = hall.table("held_rows").row(0, named=True)
    assert (held["line"], held["code"]) == (None, code)
    assert held["remedy"]
    assert hall.values() == [("a01", 1.83)]
    assert hall.sheet(name).read_bytes().startswith(b"\xef\xbb\xbf")


@pytest.mark.mode(59)
def test_a_file_over_the_limit_is_held_until_the_limit_is_raised(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    settings = (tmp_path / "config" / "facility.toml").read_text(encoding="utf-8")
    hall.write("facility.toml", "max_file_mb = 1\n" + settings)
    hall.take(("gates-1/x.csv", DATA + ("#" * 999 + "\n") * 1_001))
    file = hall.table("files").row(0, named=True)
    assert (file["status"], file["lines"], file["held"]) == ("held", None, 0)
    assert [code for code, _ in reasons(hall)] == ["too_large"]
    hall.write("facility.toml", settings)
    hall.retry()
    assert hall.counts() == [{"loaded": 1, "skipped": 1_001}]


def test_utf_16_that_cannot_be_split_is_held_without_lines(tmp_path: Path) -> None:
    layout = RUNS.replace('comment = "#"', 'encoding = "utf-16"\ncomment = "#"')
    hall = Hall(tmp_path, layouts={"runs": layout})
    whole = DATA.encode("utf-16")
    hall.take(("gates-1/good.csv", whole), ("gates-1/odd.csv", whole + b"\x00"))
    files = hall.table("files").sort("status").select("status", "lines").rows()
    assert files == [("held", None), ("loaded", 1)]
