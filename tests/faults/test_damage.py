"""Damaged files: what is said of them, and that one command mends what can be mended."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline.warehouse.store import Warehouse
from tests.end_to_end.runs import copy_of
from tests.faults.compare import State, differences, everything, taken_in, timeless
from tests.faults.hall import VALID_ON, drop
from tests.faults.server import Server
from tests.faults.situations import HERE, RUN, Facilities, do, done

REBUILD = ("rebuild", HERE, *VALID_ON)
NOISE = random.Random(11).randbytes(40_000)


def flipped(data: bytes) -> bytes:
    """A byte in each block is another, but for the head of the file."""
    spoilt = bytearray(data)
    for at in range(12_388, len(spoilt), 4_096):
        spoilt[at] ^= 0x55
    return bytes(spoilt)


DAMAGES: dict[str, Callable[[bytes], bytes]] = {
    "no byte": lambda data: b"",
    "another file": lambda data: b"athlete,flight\nAna,500\n",
    "random bytes": lambda data: NOISE,
    "its first bytes": lambda data: data[:100],
    "half of it": lambda data: data[: len(data) // 2],
    "its head gone": lambda data: NOISE[:4096] + data[4096:],
    "a byte in each block": flipped,
}


@pytest.fixture
def grown(facilities: Facilities, tmp_path: Path) -> Path:
    """A facility with a history, that a test may damage."""
    return copy_of(facilities.start("grown"), tmp_path / "grown")


def warehouse_of(folder: Path) -> Path:
    return folder / "warehouse" / "yardmark.duckdb"


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_warehouse_is_named_with_what_mends_it(damage: str, server: Server, grown: Path):
    file = warehouse_of(grown)
    file.write_bytes(DAMAGES[damage](file.read_bytes()))
    spoilt = file.read_bytes()
    for command in (("held", HERE), ("trace", HERE, "a01", "jump_height"), RUN):
        ended = do(server, grown, command)
        assert ended.status == 1 and ended.out == ""
        last = ended.err.splitlines()[-1]
        assert last.startswith(f"yardmark: the warehouse {file} can't be ") and "`yardmark rebuild`" in last
    assert file.read_bytes() == spoilt


@pytest.mark.parametrize("damage", ["half of it", "a byte in each block"])
def test_a_rebuild_mends_a_damaged_warehouse(
    damage: str, server: Server, grown: Path, facilities: Facilities
):
    file = warehouse_of(grown)
    file.write_bytes(DAMAGES[damage](file.read_bytes()))
    done(server, grown, REBUILD)
    assert differences(everything(grown), everything(facilities.end("rebuild"))) == []


def test_a_warehouse_that_is_gone_is_made_again_by_who_needs_it(
    server: Server, grown: Path, facilities: Facilities
):
    warehouse_of(grown).unlink()
    assert "ambiguous" not in done(server, grown, ("held", HERE)).out
    wanted, found = taken_in(facilities.start("grown")), taken_in(grown)
    read = [name for name in wanted if name.startswith("warehouse _read") or name.endswith("_splits")]
    assert read and all(found[name].equals(wanted[name]) for name in read)  # type: ignore[attr-defined]


@pytest.mark.parametrize("log", ["random bytes", "of another warehouse"])
def test_a_log_that_lies_beside_the_warehouse(
    log: str, server: Server, grown: Path, facilities: Facilities, tmp_path: Path
):
    """It is never mixed in: the numbers stand, or the warehouse is said to be damaged and made again."""
    stray = NOISE
    if log == "of another warehouse":
        other = copy_of(facilities.start("more"), tmp_path / "other")
        counts = done(server, copy_of(other, tmp_path / "count"), ("intake", HERE)).counts
        killed = do(server, other, ("intake", HERE), at=counts["committed"], only=["committed"])
        left = warehouse_of(other).with_name("yardmark.duckdb.wal")
        assert killed.killed and left.is_file()
        stray = left.read_bytes()
    warehouse_of(grown).with_name("yardmark.duckdb.wal").write_bytes(stray)
    ended = do(server, grown, RUN)
    if ended.status != 0:
        assert "`yardmark rebuild`" in ended.err
        done(server, grown, REBUILD)
    wanted = everything(facilities.end("rebuild"))
    # One that was passed over may lie there still.
    wanted |= {name: True for name in everything(grown) if name.endswith(".duckdb.wal")}
    assert differences(everything(grown), wanted) == []


def original_of(folder: Path, path: str) -> Path:
    """The archived original of what was dropped at a path."""
    with Warehouse(warehouse_of(folder)) as warehouse:
        drops = warehouse.read("_drops").filter(pl.col("path") == path)
    return folder / "archive" / str(drops["file_id"][0])


def trials(folder: Path) -> State:
    """The trial tables, and what became of each line of each drop."""
    with Warehouse(warehouse_of(folder)) as warehouse:
        names = ("jump_trials", "sprint_splits", "resisted_runs", "superseded_rows", "line_fates")
        return {name: timeless(warehouse.read(name)) for name in names}


@pytest.mark.parametrize("how", ["other bytes", "gone"])
def test_a_damaged_original_waits_and_all_else_is_made(how: str, server: Server, grown: Path):
    original, before = original_of(grown, "mat-1/march.csv"), trials(grown)
    data = original.read_bytes()
    if how == "gone":
        original.unlink()
    else:
        original.write_bytes(data.replace(b"480", b"580", 1))
    warehouse_of(grown).unlink()
    seen = done(server, grown, ("held", HERE)).out
    assert original.name in seen and "back from a backup" in seen
    assert differences(trials(grown), before) == ["jump_trials", "line_fates"]
    if how == "gone":
        # The same file again, by whoever has it.
        drop(grown, {"mat-1/march.csv": data.decode()})
        done(server, grown, ("intake", HERE))
    else:
        original.write_bytes(data)
    done(server, grown, ("retry", HERE))
    assert original.read_bytes() == data
    assert differences(trials(grown), before) == []


def test_an_index_with_a_damaged_line(server: Server, grown: Path):
    index = grown / "archive" / "index.csv"
    whole = index.read_bytes()
    lines = whole.splitlines(keepends=True)
    index.write_bytes(b"".join([*lines[:2], b"0000", lines[2][30:], *lines[3:]]))
    ended = do(server, grown, REBUILD)
    assert ended.status == 1 and f"{index} has a line that names no drop: '0000" in ended.err
    index.write_bytes(whole)
    done(server, grown, RUN)


@pytest.mark.parametrize("lost", ["the file", "its last lines"])
def test_an_index_that_lacks_lines(lost: str, server: Server, grown: Path):
    """Nothing new is taken in under numbers that others have."""
    index, before = grown / "archive" / "index.csv", trials(grown)
    whole = index.read_bytes()
    if lost == "the file":
        index.unlink()
    else:
        index.write_bytes(b"".join(whole.splitlines(keepends=True)[:3]))
    for command in (RUN, *([REBUILD] if lost == "the file" else [])):
        ended = do(server, grown, command)
        assert ended.status == 1 and f"{index} " in ended.err and "back from a backup" in ended.err
    index.write_bytes(whole)
    done(server, grown, RUN)
    assert differences(trials(grown), before) == []


def test_a_torn_last_line_of_the_index_is_no_damage(server: Server, facilities: Facilities, tmp_path: Path):
    """The power failed while it was written: its file is in the inbox still."""
    folder = copy_of(facilities.start("more"), tmp_path / "more")
    with (folder / "archive" / "index.csv").open("ab") as stream:
        stream.write(b"0123456789abcdef,77aa")
    done(server, folder, ("intake", HERE))
    assert differences(taken_in(folder), taken_in(facilities.end("intake of more"))) == []
    shutil.rmtree(folder)
