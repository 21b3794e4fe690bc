"""The law of rows: every line has one fate, and the tables agree with it, or nothing is stored."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.intake import drops, read, typed
from pipeline.intake.law import LawOfRows
from pipeline.warehouse.store import Warehouse
from tests.intake.facility_maker import (
    COUNTS,
    JUMPS_HEADER,
    RUNS_HEADER,
    WEIGHTS_HEADER,
    WIDE_HEADER,
    Bench,
    Hall,
    run,
    runs,
)

bench = Bench()

names = st.sampled_from(
    ["Ana Prado", "ANA  PRADO", "Prado, Ana", "a02", "João Sá", "Nobody", "Visitor One", ""]
)
splits = st.sampled_from(["1.8", "1.83", "1.84", "9.9", "x", "-", "", "700", "1,83"])
good = st.builds(
    run,
    names,
    st.sampled_from(["10:00:00", "10:00:01", "25:00:00"]),
    st.sampled_from([1, 2, "", "one"]),
    splits,
    st.sampled_from(["", "spikes"]),
    date=st.sampled_from(["2025-03-01", "2023-03-01", "2099-01-01"]),
    drill=st.sampled_from(["LIN", "COD", "XXX"]),
)
odd = st.sampled_from(
    [
        "\n",
        "# remark\n",
        "Total,5\n",
        RUNS_HEADER,
        ",,,,,,,,\n",
        '"open\n',
        "too,few\n",
        "a,b,c,d,e,f,g,h,i,j\n",
        "\r\n",
    ]
)
exports = st.lists(st.one_of(good, odd), max_size=9).map(lambda lines: RUNS_HEADER + "".join(lines))
wide_lines = st.builds(
    "{},01.03.2025 10:0{},{},{},{}\n".format,
    names,
    st.integers(0, 1),
    *[st.sampled_from(["1.0", "1.1", "", "x", "8.8"])] * 3,
)
wides = st.lists(wide_lines, max_size=7).map(lambda lines: WIDE_HEADER + "".join(lines))
jump_lines = st.builds(
    "{},2025-03-01 10:00:0{},{}\n".format,
    names,
    st.integers(0, 1),
    st.sampled_from(["500", "510", "x", "5000"]),
)
jumps = st.lists(jump_lines, max_size=7).map(lambda lines: JUMPS_HEADER + "".join(lines))
weight_lines = st.builds(
    "{};2025-03-0{};{};{};{}\n".format,
    names,
    st.integers(1, 2),
    st.sampled_from(["weight", "height", "girth"]),
    st.sampled_from(["60", "60,4", "1.060", "60.4", ""]),
    st.sampled_from(["kg", "cm", "stone", ""]),
)
weighings = st.lists(weight_lines, max_size=7).map(lambda lines: WEIGHTS_HEADER + "".join(lines))
dropped = st.one_of(
    st.tuples(st.just("gates-1/x.csv"), exports),
    st.tuples(st.just("gates-2/x.csv"), wides),
    st.tuples(st.just("mat-1/x.csv"), jumps),
    st.tuples(st.just("scales-1/x.csv"), weighings),
)


def hold_to_account(files: list[tuple[str, str]]) -> None:
    told = bench.resolve(*files)
    counted = told.resolved.tables["files"].sort("received_at")
    for (_, data), row in zip(files, counted.to_dicts(), strict=True):
        assert row["lines"] == data.count("\n") - 1 == sum(row[name] for name in COUNTS)
    held = told.resolved.tables["held_rows"]
    drops_of = counted.select("file_id", number=pl.int_range(1, pl.len() + 1))
    for file_id, number in drops_of.unique("file_id", keep="first").iter_rows():
        fates = told.fates(number)
        waits = set(held.filter(pl.col("file_id") == file_id[:16])["line"])
        # A line that asks something is held, and a held line asks something.
        assert {line for line, fate in fates.items() if fate == "held"} == waits
    tables = ("sprint_splits", "jump_trials", "body_readings")
    rows = pl.concat([told.rows(name).select("row_id", "file_id", "line") for name in tables])
    kept = pl.concat([rows, told.earlier.select("row_id", "file_id", "line")])
    stored = {(file, line) for file, line in kept.select("file_id", "line").iter_rows()}
    promised = {
        (file_id[:16], line)
        for file_id, number in drops_of.iter_rows()
        for line, fate in told.fates(number).items()
        if fate in ("loaded", "superseding")
    }
    assert stored == promised


@given(st.lists(dropped, min_size=1, max_size=4, unique_by=lambda file: file[1]))
@settings(max_examples=15, deadline=timedelta(seconds=10), suppress_health_check=[HealthCheck.too_slow])
def test_every_line_of_any_files_has_one_fate(files: list[tuple[str, str]]) -> None:
    hold_to_account(files)


@given(st.lists(exports, min_size=2, max_size=4, unique=True))
@settings(max_examples=12, deadline=timedelta(seconds=10), suppress_health_check=[HealthCheck.too_slow])
@pytest.mark.mode(15)
def test_every_line_of_overlapping_exports_has_one_fate(texts: list[str]) -> None:
    hold_to_account([("gates-1/x.csv", text) for text in texts])


def test_each_kind_of_line_is_counted(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    first = runs(run(), "\n", "# made by the device\n", RUNS_HEADER, run(trial=2, split="x"), "Total,2\n")
    second = runs(run(), run(split="1.85", trial=1, time="10:00:01"), run(trial=3, split="-"))
    hall.take(("gates-1/1.csv", first), ("gates-1/2.csv", second))
    hall.take(("gates-1/3.csv", runs(run(split="1.90"))))
    assert hall.counts() == [
        {"loaded": 1, "held": 1, "skipped": 4},
        {"loaded": 1, "repeated": 1, "skipped": 1},
        {"superseding": 1},
    ]
    files = hall.table("files")
    assert sorted(files["status"]) == ["loaded", "loaded", "partly_held"]
    assert files.select((pl.col("lines") == pl.sum_horizontal(COUNTS)).all()).item()


DATA = runs(run(), run(trial=2), run(trial=3))


def expect_refusal(hall: Hall, line: int) -> None:
    """Intake refuses, names file and line, stores nothing, keeps the file; the next run completes."""
    before = hall.tables()
    path = hall.drop("gates-1/new.csv", DATA)
    with pytest.raises(LawOfRows, match=rf"gates-1/new\.csv, line {line}:"):
        hall.take_in()
    assert path.read_bytes() == DATA.encode()
    for name, frame in hall.tables().items():
        assert frame.equals(before[name]), name


def expect_completion(hall: Hall) -> None:
    hall.take_in()
    assert not list(hall.inbox.rglob("*.csv"))
    assert hall.counts()[-1] == {"loaded": 3}
    assert hall.table("sprint_splits").filter(pl.col("local_date") == pl.date(2025, 3, 1)).height == 3


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    hall = Hall(tmp_path_factory.mktemp("made"))
    hall.take(("gates-1/old.csv", runs(run(date="2025-02-01"))))
    return hall


@pytest.fixture
def hall(made: Hall, tmp_path: Path) -> Hall:
    return Hall.copy_of(made, tmp_path)


def test_a_row_lost_while_reading_is_refused(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    shape = typed._shape
    with monkeypatch.context() as patch:
        patch.setattr(typed, "_shape", lambda family, rows: shape(family, rows).filter(pl.col("line") != 3))
        expect_refusal(hall, 3)
    expect_completion(hall)


def test_a_line_lost_before_it_is_a_row_is_refused(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    table = read._table

    def without_a_line(*given: object) -> object:
        made = table(*given)  # type: ignore[arg-type]
        made.cells = made.cells.filter(pl.col("line") != 4)
        return made

    with monkeypatch.context() as patch:
        patch.setattr(read, "_table", without_a_line)
        expect_refusal(hall, 4)
    expect_completion(hall)


def test_a_row_lost_between_reading_and_warehouse_is_refused(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    read_opened = drops.read_opened

    def lossy(*given: object) -> object:
        made = read_opened(*given)  # type: ignore[arg-type]
        for item in made:
            item.reading.rows = item.reading.rows.head(-1)
        return made

    with monkeypatch.context() as patch:
        patch.setattr("pipeline.intake.intake.read_opened", lossy)
        expect_refusal(hall, 4)
    expect_completion(hall)


@pytest.mark.parametrize("table", ["sprint_splits", "_read_sprint_splits"])
def test_a_row_lost_on_storing_is_refused(hall: Hall, monkeypatch: pytest.MonkeyPatch, table: str) -> None:
    append = Warehouse.append

    def lossy(self: Warehouse, name: str, frame: pl.DataFrame) -> None:
        if name == table:
            frame = frame.filter(pl.col("line") != 3)
        append(self, name, frame)

    with monkeypatch.context() as patch:
        patch.setattr(Warehouse, "append", lossy)
        expect_refusal(hall, 3)
    expect_completion(hall)


def test_a_row_too_many_is_refused(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    shape = typed._shape
    with monkeypatch.context() as patch:
        patch.setattr(typed, "_shape", lambda *given: pl.concat([shape(*given), shape(*given).tail(1)]))
        expect_refusal(hall, 4)
    expect_completion(hall)


def test_a_reason_lost_on_storing_is_refused(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    append = Warehouse.append

    def lossy(self: Warehouse, name: str, frame: pl.DataFrame) -> None:
        append(self, name, frame.head(0) if name == "held_rows" else frame)

    hall.drop("gates-1/held.csv", runs(run(), run(split="x")))
    with monkeypatch.context() as patch:
        patch.setattr(Warehouse, "append", lossy)
        with pytest.raises(LawOfRows, match=r"gates-1/held\.csv, line 3:"):
            hall.take_in()
    hall.take_in()
    assert hall.held() == [(3, "not_a_number", "open")]
