"""Others at work at the same time; and the same tables whatever way was taken to them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import duckdb

from tests.end_to_end.runs import ROOT, copy_of, tables_of
from tests.faults.compare import differences, everything, published
from tests.faults.hall import FIRST, drop, new_hall
from tests.faults.server import Server
from tests.faults.situations import HERE, RUN, Facilities, do, done

FLAT = (".parquet", ".csv")
ANALYST = """
import sys, duckdb
with duckdb.connect(sys.argv[1], read_only=True) as connection:
    for line in sys.stdin:
        print(connection.execute("SELECT count(*), max(local_date) FROM results").fetchone(), flush=True)
"""


def test_two_runs_at_once(server: Server, facilities: Facilities, tmp_path: Path):
    """The second says who holds the facility and leaves; neither loses or doubles anything."""
    folder = copy_of(facilities.start("more"), tmp_path / "hall")
    settings = folder / "config" / "facility.toml"
    text = settings.read_text(encoding="utf-8")
    # It waits in the inbox, with the lock.
    settings.write_text(text.replace("settle_seconds = 0", "settle_seconds = 500"), encoding="utf-8")
    first = [sys.executable, "-m", "pipeline.cli", "run", str(folder)]
    with subprocess.Popen(first, cwd=ROOT, stderr=subprocess.PIPE, encoding="utf-8") as other:
        try:
            assert other.stderr is not None
            while "take_in" not in other.stderr.readline():
                assert other.poll() is None
            ended = do(server, folder, RUN, wait=0.3)
        finally:
            other.kill()
    who = f"yardmark run, process {other.pid}"
    assert ended.status == 1 and ended.out == ""
    assert f"waiting for {who}" in ended.err and f"yardmark: {who}" in ended.err.splitlines()[-1]
    settings.write_text(text, encoding="utf-8")
    done(server, folder, RUN)
    assert differences(everything(folder), everything(facilities.end("a second run"))) == []


def test_an_analyst_has_the_published_copy_open(server: Server, facilities: Facilities, tmp_path: Path):
    """Another process keeps the numbers it opened while a run publishes; who opens it anew sees the new."""
    folder = copy_of(facilities.start("more"), tmp_path / "hall")
    file = folder / "published" / "yardmark.duckdb"
    with subprocess.Popen(
        [sys.executable, "-c", ANALYST, str(file)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    ) as analyst:
        assert analyst.stdin is not None and analyst.stdout is not None

        def asked() -> str:
            print(file=analyst.stdin, flush=True)
            return analyst.stdout.readline()  # type: ignore[union-attr]

        before = asked()
        done(server, folder, RUN)
        assert asked() == before != ""
    with duckdb.connect(str(file), read_only=True) as connection:
        now = connection.execute("SELECT count(*), max(local_date) FROM results").fetchone()
    assert f"{now}\n" != before
    assert differences(everything(folder), everything(facilities.end("a second run"))) == []


def test_a_rebuild_publishes_the_same_bytes(facilities: Facilities):
    """After corrections at the source, answers and new people."""
    before, after = (
        tables_of(folder, FLAT) for folder in (facilities.start("grown"), facilities.end("rebuild"))
    )
    passing = {"coach/today.csv"}
    assert before.keys() == after.keys() and len(before) > 40
    assert [name for name in before if before[name] != after[name] and name not in passing] == []


def test_files_in_any_order_publish_the_same(server: Server, facilities: Facilities, tmp_path: Path):
    """Where nothing supersedes: the last first, in three runs."""
    folder = new_hall(tmp_path / "hall")
    for path in (folder / "inbox").rglob("*.csv"):
        path.unlink()
    files = list(reversed(FIRST.items()))
    for some in (files[:1], files[1:4], files[4:]):
        drop(folder, dict(some))
        done(server, folder, ("intake", HERE))
    done(server, folder, RUN)
    assert differences(published(folder), published(facilities.end("the first run"))) == []
