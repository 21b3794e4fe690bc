"""Twenty thousand damaged exports, each taken in with no line lost; and the fuzzer sees a lost line.

More of them: `python -m tests.fuzz --count 1000000 --seed 7`.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline.facility.folder import load_facility
from pipeline.intake import intake, read
from pipeline.intake import law as intake_law
from pipeline.warehouse.store import Warehouse, open_warehouse
from tests.fuzz.batches import Files, broken, damaged_files, fewest, take, write_case
from tests.fuzz.damage import ON_BYTES, ON_LINES
from tests.fuzz.exports import ROOT, make_hall, samples
from tests.fuzz.law import complaints, physical_lines

COUNT, SEEDS = 20_000, (1, 2, 3, 4)


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fuzz") / "hall"
    make_hall(folder)
    return folder


@pytest.mark.parametrize("seed", SEEDS)
def test_no_damage_costs_a_line(seed: int, tmp_path: Path) -> None:
    # In a process of its own, because it looks at its own peak memory.
    command = [sys.executable, "-m", "tests.fuzz", "--cases", str(tmp_path), "--seed", str(seed)]
    command += ["--count", str(COUNT // len(SEEDS)), "--batch", "5000"]
    one_thread = {
        **os.environ,
        "POLARS_MAX_THREADS": "1",
    }  # the tests themselves are as many as there are cores
    done = subprocess.run(command, cwd=ROOT, env=one_thread, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-4_000:] + done.stderr[-4_000:]
    assert f"{COUNT // len(SEEDS):,} files" in done.stdout


def test_every_layout_is_damaged_in_every_way_and_the_same_seed_damages_the_same(hall: Path) -> None:
    files = damaged_files(hall, 1, 0, 400)
    assert files == damaged_files(hall, 1, 0, 400)
    assert files != damaged_files(hall, 2, 0, 400)
    assert {path.split("/")[0] for path in files} == {sample.folder for sample in samples(hall)}
    assert len(set(files.values())) > 350
    assert len({*ON_LINES, *ON_BYTES}) > 30


def some(hall: Path) -> Files:
    """A few jumps, among them some that are taken in without a fault."""
    (sample,) = (one for one in samples(hall) if one.folder == "mat-1")
    lines = [*sample.top, *sample.rows[:5]]
    whole = sample.end.join([*lines, ""]).encode()
    return {
        "mat-1/whole.csv": whole,
        "mat-1/held.csv": whole.replace(b"2025", b"2x25"),
        "mat-1/no.csv": b"x\n",
    }


def test_what_is_sound_is_not_broken(hall: Path) -> None:
    assert broken(some(hall), hall) == []


def without_a_line(made: Callable[..., object]) -> Callable[..., object]:
    """The line reader, which forgets line 4."""

    def lossy(*given: object) -> object:
        table = made(*given)
        table.cells = table.cells.filter(pl.col("line") != 4)  # type: ignore[attr-defined]
        return table

    return lossy


def let_sleep(monkeypatch: pytest.MonkeyPatch) -> None:
    """Intake does not check the law of rows by itself."""
    for module, check in ((intake, "check_read"), (intake_law, "check_part"), (intake_law, "check_drops")):
        monkeypatch.setattr(module, check, lambda *given: None)


def test_a_lost_line_is_seen(hall: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(read, "_table", without_a_line(read._table))
    (refused,) = broken(some(hall), hall)
    assert "LawOfRows" in refused and "line 4" in refused
    # And where intake's own check of the law sleeps, by the fuzzer's.
    let_sleep(monkeypatch)
    found = broken(some(hall), hall)
    assert any("whole.csv, line 4: the next fate is of lines 5 to" in one for one in found)
    assert any("whole.csv: 5 lines, and the fates of" in one for one in found)


@pytest.fixture(scope="module")
def taken(hall: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The hall with those jumps taken in."""
    folder = tmp_path_factory.mktemp("taken") / "hall"
    shutil.copytree(hall, folder)
    facility = load_facility(folder)
    with open_warehouse(facility.warehouse_file) as warehouse:
        take(facility, warehouse, some(hall))
        assert complaints(facility, warehouse, some(hall)) == []
    return folder


LIES = {
    "UPDATE held_rows SET code = 'no_such_code'": "is not declared",
    "UPDATE held_rows SET code = 'gap'": "holds nothing",
    "UPDATE held_rows SET remedy = ''": "the remedy is ''",
    "UPDATE held_rows SET reason = ' '": "there is no reason",
    "UPDATE held_rows SET line = 1 WHERE line = 3": "are held, or have a reason, and not both",
    "UPDATE jump_trials SET flight_time_s = 'nan'": "flight_time_s is nan",
    "UPDATE jump_trials SET flight_time_s = 1e300": "flight_time_s is 1e+300",
    "UPDATE jump_trials SET line = line + 10": "it counts as loaded, and has no row",
    "DELETE FROM jump_trials WHERE line = 3": "line 3: it counts as loaded, and has no row",
    "UPDATE line_fates SET fate = 'skipped' WHERE fate = 'loaded'": "does not count as loaded",
    "UPDATE files SET loaded = loaded + 1": "lines, and the fates of",
    "UPDATE files SET lines = lines + 1, loaded = loaded + 1": "are counted",
    "UPDATE line_fates SET last_line = last_line + 1": "in line_fates",
    "DELETE FROM files": "it has no row in files",
    "DELETE FROM _drops": "0 drop(s) are stored",
}


@pytest.mark.parametrize("lie", LIES)
def test_a_lie_in_a_table_is_seen(hall: Path, taken: Path, lie: str, tmp_path: Path) -> None:
    facility = load_facility(taken)
    file = Path(shutil.copy(facility.warehouse_file, tmp_path))
    with Warehouse(file) as warehouse:
        warehouse.execute(lie)
        found = complaints(facility, warehouse, some(hall))
    assert any(LIES[lie] in one for one in found), found


def test_a_lost_file_and_a_formula_are_seen(hall: Path, taken: Path, tmp_path: Path) -> None:
    folder = tmp_path / "hall"
    shutil.copytree(taken, folder)
    facility = load_facility(folder)
    files = some(hall)
    for kept in facility.archive.glob("?" * 64):
        kept.write_bytes(b"other")
    (facility.held / "odd.csv").write_text("a,b\n=1,2\n3\n")
    (facility.inbox / "mat-1" / "no.csv").write_bytes(b"x\n")
    with open_warehouse(facility.warehouse_file) as warehouse:
        found = "\n".join(complaints(facility, warehouse, files))
    assert "its bytes are not in the archive" in found
    assert "mat-1/no.csv: it is in the inbox still" in found
    assert "the cell '=1' is a formula" in found and "['3'] is no row of it" in found


def test_lines_are_counted_as_the_fine_print_says() -> None:
    for data, encoding, lines in (
        (b"", "utf-8", 0),
        (b"\xef\xbb\xbf", "utf-8", 0),
        (b"a\n\nb", "utf-8", 3),
        (b"a\r\nb\r\n", "utf-8", 2),
        (b"a\rb\r", "utf-8", 2),
        (b"a\rb\n", "utf-8", 1),
        ("a\nb\n".encode("utf-16"), "utf-16", 2),
        (b"\xff\xfea", "utf-16", None),
    ):
        assert physical_lines(data, encoding) == lines, data


def test_what_breaks_is_narrowed_down_and_written_out(tmp_path: Path) -> None:
    files = {f"x/{i}.csv": bytes([i]) for i in range(100)}
    assert fewest(files, lambda some: "x/77.csv" in some) == {"x/77.csv": bytes([77])}
    pair = fewest(files, lambda some: {"x/3.csv", "x/98.csv"} <= set(some))
    assert list(pair) == ["x/3.csv", "x/98.csv"]
    case = write_case(tmp_path / "case", pair, ["it broke"], "seed 1, batch 2 of 100 files")
    assert (case / "x" / "98.csv").read_bytes() == bytes([98])
    assert (case / "found.txt").read_text() == "seed 1, batch 2 of 100 files\nit broke"
