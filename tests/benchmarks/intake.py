"""How long taking in takes, and how much memory: `python -m tests.benchmarks.intake --help`.

Every figure stands beside what it is compared with, measured in the same run: these machines differ and are
shared, so only ratios tell. Nothing here is asserted.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import duckdb

# What intake imports late, once a process, is not what is measured.
import schemas.models  # noqa: F401
from pipeline.facility.folder import load_facility
from pipeline.intake.intake import take_in
from pipeline.today import write_todays_sheet
from pipeline.warehouse.store import open_warehouse
from tests.benchmarks.halls import A_DAY, bar_reps, last_day, make_hall, rows_of, write_export

_GB = 1e9 if sys.platform == "darwin" else 1e6  # what the system counts peak memory in, in 1 GB
_FIVE_YEARS = 5 * 365


@dataclass(frozen=True)
class Took:
    """What work took: time [s], processor time [s], peak memory [GB]."""

    wall: float
    cpu: float
    peak: float

    def __str__(self) -> str:
        return f"{self.wall:.1f} s ({self.cpu:.1f} s of processor), peak {self.peak:.2f} GB"


def alone(work: Callable[..., object], *given: object) -> Took:
    """Do work in a process of its own."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_report, args=(theirs, work, *given))
    process.start()
    theirs.close()
    told: Took = ours.recv()
    process.join()
    return told


def _report(pipe: Any, work: Callable[..., object], *given: object) -> None:
    start, cpu = time.perf_counter(), time.process_time()
    work(*given)
    wall, cpu = time.perf_counter() - start, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    pipe.send(Took(wall, cpu, peak / _GB))


def take(folder: Path, _: date | None = None) -> None:
    """One intake, as the command does it, but for the sheet."""
    facility = load_facility(folder)
    with open_warehouse(facility.warehouse_file) as warehouse:
        take_in(facility, warehouse, lambda text: None)


def take_and_tell(folder: Path, day: date) -> None:
    """One intake and the sheet of that day, as `yardmark intake` does them."""
    facility = load_facility(folder)
    with open_warehouse(facility.warehouse_file) as warehouse:
        take_in(facility, warehouse, lambda text: None)
        write_todays_sheet(facility, warehouse, datetime.now(UTC).replace(tzinfo=None), day)


def command(*words: str) -> Took:
    """A command of yardmark, from its start to its end."""
    start = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"`yardmark {' '.join(words)}` ended with {process.returncode}")
    wall, cpu = time.perf_counter() - start, used.ru_utime + used.ru_stime
    return Took(wall, cpu, used.ru_maxrss / _GB)


def bare(file: Path, database: Path) -> None:
    """What DuckDB takes to read the same file, as it is, into a table."""
    with duckdb.connect(str(database)) as connection:
        connection.execute("SET enable_progress_bar = false")
        connection.execute("CREATE TABLE reps AS SELECT * FROM read_csv(?) LIMIT 0", [str(file)])
        connection.execute("INSERT INTO reps SELECT * FROM read_csv(?)", [str(file)])


def large_file(work: Path, megabytes: int) -> None:
    """One export of so many MB, taken in whole."""
    hall = make_hall(work / "large")
    file = write_export(work / "large.csv", 0, rows_of(megabytes))
    before = alone(bare, file, work / "before.duckdb")
    shutil.copyfile(file, hall / "inbox" / "bar-1" / "large.csv")
    took = alone(take, hall)
    after = alone(bare, file, work / "after.duckdb")
    wall, cpu = took.wall / (before.wall + after.wall) * 2, took.cpu / (before.cpu + after.cpu) * 2
    print(f"{megabytes} MB, {rows_of(megabytes):,} rows: {took}", flush=True)
    print(f"  bare DuckDB: {before}; {after}; ratio {wall:.1f}, of processor time {cpu:.1f}", flush=True)


def many_files(work: Path, count: int, rows: int = 30) -> None:
    """So many small exports at once."""
    hall = make_hall(work / "many")
    for number in range(count):
        bar_reps(number * rows, rows).write_csv(hall / "inbox" / "bar-1" / f"{number:06d}.csv")
    took = alone(take, hall)
    speed = f"{count / took.wall:.0f} files/s, {count / took.cpu:.0f} a second of processor"
    print(f"{count:,} files of {rows} rows: {took}; {speed}", flush=True)


def curve(work: Path, sizes: list[int], rows: int = 1_000, times: int = 7) -> None:
    """A file of some rows, new ones and such as are there already, with ever more rows in the warehouse.

    The least of several files counts: whatever else the machine does only adds. Each new one begins a day, so
    that all are of as many people.
    """
    hall = make_hall(work / "curve")
    days = 0
    first: dict[str, float] = {}
    for size in sizes:
        past = hall / "inbox" / "bar-1" / f"past-{size}.csv"
        if size // A_DAY > days:
            write_export(past, days * A_DAY, (size // A_DAY - days) * A_DAY)
            take(hall)
            days = size // A_DAY
        told = []
        for what, work_of in (("new", take), ("new, and the sheet", take_and_tell), ("known", take)):
            took = []
            for turn in range(times):
                day = days // 2 if what == "known" else days
                name = hall / "inbox" / "bar-1" / f"{what}-{size}-{turn}.csv"
                write_export(name, day * A_DAY + (turn if what == "known" else 0), rows)
                days += what != "known"
                took.append(alone(work_of, hall, last_day(day * A_DAY).date()))
            wall, cpu = (min(getattr(one, of) for one in took) * 1e3 for of in ("wall", "cpu"))
            more = cpu - first.setdefault(what, cpu)
            told.append(f"{what} {wall:.0f} ms, {cpu:.0f} ms of processor ({more:+.0f})")
        print(f"{size:>12,} rows stored; {rows:,} rows more: {'; '.join(told)}", flush=True)


def rebuild(work: Path, rows: int) -> None:
    """`yardmark rebuild` of so many rows of 1,000 athletes in five years, and all that follows from them."""
    hall = make_hall(work / "rebuild")
    name = hall / "inbox" / "bar-1" / "past.csv"
    write_export(name, 0, rows, a_day=max(1, rows // _FIVE_YEARS))
    take(hall)
    took = command("rebuild", str(hall))
    print(f"rebuild of {rows:,} rows of five years of 1,000 athletes: {took}", flush=True)


def main() -> None:
    """Run one benchmark, or all of them."""
    parser = argparse.ArgumentParser(description="Measure how fast yardmark takes in exports.")
    parser.add_argument("what", nargs="*", default=["large", "many", "curve", "rebuild"])
    parser.add_argument("--megabytes", type=int, default=1_000)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--rows", type=int, nargs="+", default=[0, 1_000_000, 3_000_000, 10_000_000])
    parser.add_argument("--rebuild-rows", type=int, default=1_000_000)
    given = parser.parse_args()
    work = Path(mkdtemp(prefix="yardmark-bench-"))
    try:
        if "large" in given.what:
            large_file(work, given.megabytes)
        if "many" in given.what:
            many_files(work, given.files)
        if "curve" in given.what:
            curve(work, given.rows)
        if "rebuild" in given.what:
            rebuild(work, given.rebuild_rows)
    finally:
        shutil.rmtree(work)


if __name__ == "__main__":
    main()
