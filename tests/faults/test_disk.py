"""A disk that is full or can't be written: said in a line, exit status 1, made up for by the next run."""

from __future__ import annotations

import errno
import os
import random
import shutil
from pathlib import Path

import pytest

from tests.end_to_end.runs import copy_of
from tests.faults.compare import differences, everything, taken_in
from tests.faults.server import Ended, Server
from tests.faults.situations import HERE, RUN, SITUATIONS, Facilities, do, done

WRITES = ("open", "mkdir", "fsync", "rename")


def _is_told(ended: Ended, said: str) -> None:
    """In plain words, and in one line."""
    assert ended.status == 1, (ended.status, ended.err, ended.fell)
    [line] = [line for line in ended.err.splitlines() if line.startswith("yardmark: ")]
    assert said in line, ended.err


@pytest.mark.parametrize(
    ("name", "times"),
    [("intake of the first files", 4), ("intake of more", 4), ("a second run", 4), ("answers", 4)],
)
def test_a_disk_that_fills_up_at_any_write(
    name: str, times: int, server: Server, facilities: Facilities, tmp_path: Path
):
    """From some write on there is no room for anything more; four times over, then there is."""
    situation, chance = SITUATIONS[name], random.Random(name)
    state = taken_in if "intake" in situation.command else everything
    wanted = state(facilities.end(name))
    scratch = copy_of(facilities.start(situation.start), tmp_path / "scratch")
    counts = done(server, scratch, situation.command).counts
    most = sum(counts[kind] for kind in WRITES)
    for _ in range(times // 4):
        folder = copy_of(facilities.start(situation.start), tmp_path / "facility")
        for at in sorted(chance.randint(1, most) for _ in range(4)):
            ended = do(server, folder, situation.command, at=at, only=WRITES, action="ENOSPC")
            if ended.fell is None:
                break
            _is_told(ended, os.strerror(errno.ENOSPC))
            assert "make room on the disk" in ended.err
        done(server, folder, situation.command)
        assert differences(state(folder), wanted) == []
        shutil.rmtree(folder)


def test_files_that_can_grow_no_more(server: Server, facilities: Facilities, tmp_path: Path):
    """The system itself refuses, also what DuckDB and polars write: no file may be larger than this."""
    folder = copy_of(facilities.start("more"), tmp_path / "facility")
    for limit in (0, 1_000, 40_000, 300_000):
        _is_told(do(server, folder, RUN, file_limit=limit), "yardmark: ")
    done(server, folder, RUN)
    assert differences(everything(folder), everything(facilities.end("a second run"))) == []


@pytest.mark.parametrize(
    ("name", "places"),
    [("a second run", ("", "archive", "held", "published")), ("answers", ("config",))],
)
def test_folders_that_are_read_only(
    name: str, places: tuple[str, ...], server: Server, facilities: Facilities, tmp_path: Path
):
    """Root may write anywhere, so the system's answer is put in its place."""
    situation = SITUATIONS[name]
    folder = copy_of(facilities.start(situation.start), tmp_path / "facility")
    before = {path: path.read_bytes() for path in (folder / "inbox").rglob("*.csv")}
    for place in places:
        words = (str(folder) if word == HERE else word for word in situation.command)
        ended = server.do(*words, root=folder / place, at=1, only=("open",), action="EROFS")
        _is_told(ended, os.strerror(errno.EROFS))
        assert "let yardmark write there" in ended.err
        if place == "archive":
            assert {path: path.read_bytes() for path in (folder / "inbox").rglob("*.csv")} == before
    done(server, folder, situation.command)
    assert differences(everything(folder), everything(facilities.end(name))) == []
