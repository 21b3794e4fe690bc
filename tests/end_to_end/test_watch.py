"""`yardmark watch` as real processes of an installed wheel: dropped files, answers, power cuts, schedules.

At the end what is published is what plain `run` makes of the same files and answers in a fresh facility.
"""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import signal
import time
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import polars as pl
import pytest

from pipeline.run_log import read_runs
from schemas.tables import TABLES
from tests.end_to_end.runs import DEMO_CONFIG, ROOT, done, process
from tests.end_to_end.watched import RUNNER, SERVER, Watched, wait_for

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and `ps`")
SAMPLES = ROOT / "sample_exports"
EXPORTS = (
    *("mat-1/2025-10-20_jumps.csv", "mat-1/2025-10-21_jumps.csv", "mat-1/2025-11-10_jumps.csv"),
    *("mat-1/2025-11-11_jumps.csv", "mat-1/2025-11-14_jumps_again.csv"),
    *("rack-2/history_2025-10-03.csv", "rack-2/history_2026-01-30.csv"),
    *("scales-1/weigh-in_2025-09-22.csv", "scales-1/weigh-in_2025-10-06.csv"),
    *("scales-1/weigh-in_2025-10-06_copy.csv", "scales-1/weigh-in_2025-10-20.csv"),
)
ALIAS = ("Ines Carvalhau", "a10")
STRIKE = "2025-10-22,coach,slipped,mat-1,,,a01,2025-10-20,countermovement_jump,2,strike,,\n"
WORDS = """
[schedule]
weekly_day = "{day}"
weekly_time = "{at}"
"""


def drop(facility: Path, export: str) -> None:
    """Copy an export into the inbox as a slow network would: in pieces, under its own name."""
    target = facility / "inbox" / export
    target.parent.mkdir(parents=True, exist_ok=True)
    content = (SAMPLES / export).read_bytes()
    with target.open("wb") as stream:
        for start in range(0, len(content), 20_000):
            stream.write(content[start : start + 20_000])
            stream.flush()
    shutil.copystat(SAMPLES / export, target)


def new_facility(folder: Path) -> Path:
    shutil.copytree(DEMO_CONFIG, folder / "config")
    (folder / "inbox").mkdir()
    settings = folder / "config" / "facility.toml"
    text = settings.read_text(encoding="utf-8")
    assert "settle_seconds = 0" in text
    settings.write_text(text.replace("settle_seconds = 0", "settle_seconds = 1"), encoding="utf-8")
    return folder


def is_taken_in(facility: Path, exports: tuple[str, ...]) -> bool:
    archive = facility / "archive" / "index.csv"
    known = archive.read_text(encoding="utf-8") if archive.exists() else ""
    return all(export in known and not (facility / "inbox" / export).exists() for export in exports)


def is_published(facility: Path) -> bool:
    """Whether nothing is left to do."""
    last = read_runs(facility).filter(pl.col("outcome") == "done").sort("started_at")["step"].to_list()
    return bool(last) and last[-1] in ("publish", "edition")


def published(facility: Path) -> dict[str, pl.DataFrame]:
    """Every published table without what tells of the clock; rows in the order of all columns."""
    found = {}
    for file in ("yardmark.duckdb", "restricted/yardmark.duckdb"):
        with duckdb.connect(str(facility / "published" / file), read_only=True) as connection:
            tables = [
                row[0] for row in connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()
            ]
            for table in tables:
                frame = connection.sql(f'SELECT * FROM "{table}"').pl()
                frame = frame.select(pl.exclude("^.*_at$", "known_from", "known_until"))
                found[f"{file}:{table}"] = frame.sort(frame.columns)
    return {name: frame for name, frame in found.items() if not name.endswith(":runs")}


def artifacts(watched: Watched) -> set[str]:
    """The keys of the artifacts that the server of a watcher has."""
    [*_, url] = re.findall(r"http://127\.0\.0\.1:\d+", watched.log.read_text(encoding="utf-8"))
    asked = urllib.request.Request(
        f"{url}/api/artifacts/latest/filter", b"{}", {"Content-Type": "application/json"}, method="POST"
    )
    with urllib.request.urlopen(asked, timeout=10) as answer:
        found = json.load(answer)
    assert all(one["data"] for one in found)
    return {one["key"] for one in found}


@pytest.fixture
def watched(installed: Path, tmp_path: Path) -> Iterator[Watched]:
    one = Watched(installed, new_facility(tmp_path / "hall"), tmp_path / "watch.log")
    yield one
    if one._process is not None and one._process.poll() is None:
        one.kill()


def test_killed_at_random_it_ends_where_plain_runs_end(watched: Watched, tmp_path: Path):
    chance = random.Random(20261125)
    hall = watched.facility
    watched.start()
    for number, export in enumerate(EXPORTS):
        if export == EXPORTS[-1]:
            wait_for("server and runner", lambda: {SERVER, RUNNER} <= set(watched.children()))
        drop(hall, export)
        if number == 2:
            wait_for("the first three", lambda: is_taken_in(hall, EXPORTS[:3]))
            assert process("alias", hall, *ALIAS).status == 0
        if number == 5:
            with (hall / "config" / "corrections.csv").open("a", encoding="utf-8") as stream:
                stream.write(STRIKE)
        if number == 6:
            assert process("run", hall).status == 0
            second = process("watch", hall)
            assert second.status == 1 and "watched already" in second.err
        if number in (1, 4, 7):
            # Somewhere in settling, intake, refresh or publishing.
            wait_for("a run", lambda: not read_runs(hall).is_empty())
            time.sleep(chance.uniform(0.2, 4.0))
            watched.kill()
            watched.start()
        if number == 9:
            wait_for("the server", lambda: SERVER in watched.children())
            os.kill(watched.children()[SERVER], signal.SIGKILL)
    wait_for("all is published", lambda: is_taken_in(hall, EXPORTS) and is_published(hall))
    wait_for("the artifacts", lambda: artifacts(watched) == {"intake", "norms"})
    # A moved schedule is seen to fire: the weekly edition, in the facility's time zone, within two minutes.
    due = datetime.now(UTC) + timedelta(seconds=75)
    local = due.astimezone(ZoneInfo("Europe/Lisbon"))
    with (hall / "config" / "facility.toml").open("a", encoding="utf-8") as stream:
        stream.write(WORDS.format(day=local.strftime("%A").lower(), at=local.strftime("%H:%M")))
    wait_for("the edition", lambda: "edition" in read_runs(hall)["step"].to_list(), seconds=150)
    assert watched.stop() == 0
    assert watched.log.read_text(encoding="utf-8").count("Traceback") == 0
    fresh = tmp_path / "fresh"
    shutil.copytree(hall / "config", fresh / "config")
    (fresh / "inbox").mkdir()
    (fresh / "config" / "answers.csv").unlink()
    for some in (EXPORTS[:3], EXPORTS[3:]):
        for export in some:
            drop(fresh, export)
        done("run", fresh)
        # Names that an alias releases were held until then, and are told apart from those that never were.
        done("alias", fresh, *ALIAS)
    mine, plain = published(hall), published(fresh)
    assert mine.keys() == plain.keys() and len(mine) >= len([t for t in TABLES.values() if t.published]) - 1
    assert [name for name in mine if not mine[name].equals(plain[name])] == []
    assert mine["yardmark.duckdb:measurements"].height > 1_000
    struck = mine["yardmark.duckdb:superseded_rows"].filter(pl.col("cause") == "strike")
    assert struck.height == 1
    released = pl.col("athlete_id") == "a10", pl.col("local_date") == pl.date(2025, 10, 20)
    assert mine["yardmark.duckdb:jump_trials"].filter(*released).height >= 5
