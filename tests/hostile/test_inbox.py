"""Names, links, pipes and folders in the inbox, and layouts, that are made to do harm."""

from __future__ import annotations

import csv
import hashlib
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from pipeline.intake.archive import read_index
from pipeline.intake.name_pattern import value_in_name
from pipeline.intake.sheets import sheet_name
from tests.end_to_end.runs import here
from tests.intake.facility_maker import LAYOUTS, RUNS, Hall, run, runs

NOBODY = 65_534
posix_only = pytest.mark.skipif(os.name != "posix", reason="such names and files are those of POSIX")

NAMES = (
    *(b"new\nline.csv", b"\xff\xfebad.csv", b"-rf.csv", b"*.csv", b"[a].csv", b"CON", b"aux.csv", b"trail. "),
    *(b"trail.csv ", b"dots...csv", b'"quoted", name;.csv', b"=cmd.csv", "\u202egnp.csv".encode(), b"x.CSV"),
    *(b"\x01ctl\x1b[31m.csv", b" lead.csv", b"back\\slash.csv", b"a\tb.csv", b"<script>.csv", b"index.csv"),
    *("é.csv".encode(), "e\u0301.csv".encode(), b"a" * 251 + b".csv", "é".encode() * 125 + b".csv"),
    *("\U0001f600".encode() * 62 + b".csv", b"deep/" * 60 + b"x.csv", b"questions.csv", b"folder.csv/in.csv"),
)  # fmt: skip


@posix_only
def test_a_file_of_any_name_is_taken_in_and_told_of_in_plain_text(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    files = {}
    for i, name in enumerate(NAMES):
        data = runs(run(trial=i + 1), run("Nobody", trial=i + 1)).encode()
        files[hall.drop(f"gates-1/{os.fsdecode(name)}", data)] = data
    ended = here("intake", tmp_path)
    assert ended.status == 0, ended.err
    assert f"{len(NAMES)} file(s) taken in" in ended.out
    assert not [path for path in files if path.exists()]
    for data in files.values():
        assert (tmp_path / "archive" / hashlib.sha256(data).hexdigest()).read_bytes() == data
    assert hall.counts() == [{"loaded": 1, "held": 1}] * len(NAMES)
    # All that was written is where it belongs, under names that every system has.
    assert {path.name for path in tmp_path.iterdir()} <= {
        *("config", "inbox", "archive", "held", "warehouse", "published", "runs.csv", "yardmark.lock")
    }
    sheets = [path.name for path in (tmp_path / "held").iterdir()]
    assert len(sheets) == len(NAMES) + 1
    for sheet in sheets:
        assert len(os.fsencode(sheet)) <= 255 - len("..part")
        assert not set(sheet) & set('<>:"/\\|?*\n\t\x01\x1b')
        assert sheet.partition(".")[0].lower() not in ("con", "aux")
    told = here("held", tmp_path)
    assert told.status == here("held", tmp_path, "--json").status == 0
    assert "ctl" in told.out and not set(told.out) & {"\x1b", "\x01", "\u202e"}
    # The same drops are the same to a rebuild.
    before = hall.tables()
    assert here("rebuild", tmp_path).status == 0
    for name, frame in hall.tables().items():
        assert frame.equals(before[name]), name


@posix_only
def test_what_is_no_plain_file_is_left_alone_and_named(tmp_path: Path) -> None:
    hall = Hall(tmp_path / "hall")
    inbox = hall.inbox / "gates-1"
    inbox.mkdir()
    secret = tmp_path / "secret.csv"
    secret.write_text(runs(run(trial=1)))
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "x.csv").write_text(runs(run(trial=2)))
    (inbox / "link.csv").symlink_to(secret)
    (inbox / "dangling.csv").symlink_to("nowhere")
    (inbox / "outside").symlink_to(tmp_path / "outside")
    (inbox / "loop").symlink_to("..")
    (inbox / "endless.csv").symlink_to("endless.csv")
    (inbox / "device.csv").symlink_to("/dev/zero")
    os.mkfifo(inbox / "pipe.csv")
    place, here_ = Path.cwd(), socket.socket(socket.AF_UNIX)
    os.chdir(inbox)  # a socket's path may have some hundred bytes only
    try:
        here_.bind("socket.csv")
    finally:
        os.chdir(place)
        here_.close()
    os.link(secret, inbox / "hard.csv")
    report = hall.take_in()
    waits = {waiting.path.relative_to(inbox).as_posix(): waiting.why for waiting in report.waiting}
    links = ("link.csv", "dangling.csv", "outside", "loop", "endless.csv", "device.csv")
    assert {name for name, why in waits.items() if why.startswith("it is a link: put the file")} == set(links)
    assert {name for name, why in waits.items() if why == "it is no plain file"} == {"pipe.csv", "socket.csv"}
    # A hard link is a file like any other; what it was made from stays.
    assert hall.counts() == [{"loaded": 1}]
    assert secret.read_text() == runs(run(trial=1))
    assert [drop.path for drop in read_index(tmp_path / "hall" / "archive")] == ["gates-1/hard.csv"]


@contextmanager
def as_nobody(folder: Path) -> Iterator[None]:
    """As somebody without special rights, to whom the folder belongs: root reads everything."""
    if os.geteuid() != 0:
        yield
        return
    for path in (folder, *folder.rglob("*")):
        os.chown(path, NOBODY, NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@posix_only
def test_what_cannot_be_read_is_left_and_named(tmp_path: Path) -> None:
    # What is imported where it is needed is imported now: nobody may not read it.
    Hall(tmp_path).take(("gates-1/open.csv", runs(run())))
    with TemporaryDirectory() as name:
        folder = Path(name)
        hall = Hall(folder)
        closed = hall.drop("gates-1/closed.csv", runs(run()))
        hidden = hall.drop("gates-2/hidden.csv", runs(run())).parent
        with as_nobody(folder):
            closed.chmod(0)
            hidden.chmod(0)
            waits = {waiting.path: waiting.why for waiting in hall.take_in().waiting}
            hidden.chmod(0o700)
        assert waits[closed] == "it can't be read now (Permission denied)"
        assert waits[hidden] == "the folder can't be looked into (Permission denied)"
        assert closed.exists() and (hidden / "hidden.csv").exists()


def test_sheets_have_names_that_every_system_has() -> None:
    assert sheet_name("x/CON.csv", "0123456789") == "_CON.csv.01234567.csv"
    assert sheet_name("x/com1", "0123456789") == "_com1.01234567.csv"
    assert sheet_name("x/conny.csv", "0123456789") == "conny.csv.01234567.csv"
    assert len(sheet_name("ü" * 127, "0123456789").encode()) < 200


def test_a_pattern_of_a_name_takes_no_time_however_it_is_written(tmp_path: Path) -> None:
    start = time.process_time()
    name = "_" + "a" * 240 + "!.csv"
    assert value_in_name(r"_(a+)+$", "surface", name) is None
    assert value_in_name(r"^_((a|aa)+)+\.csv$", "surface", name) is None
    layout = RUNS + '[columns.surface]\nfilename = "_(?P<surface>(a|aa)+)+$"\n'
    hall = Hall(tmp_path, {**LAYOUTS, "runs": layout})
    hall.take((f"gates-1/{name}", runs(run())))
    assert hall.held() == [(None, "name_pattern", "open")]
    assert time.process_time() - start < 60  # Python's own engine would take longer than the universe is old


def test_patterns_that_are_not_known_are_mistakes_of_the_layout(tmp_path: Path) -> None:
    for pattern, said in (("(?<=a)(b)", "look-around"), ("(a{1000}){1000}", "exceeds size limit")):
        Hall(tmp_path, {"runs": RUNS + f"[columns.surface]\nfilename = '{pattern}'\n"})
        ended = here("check", tmp_path)
        assert ended.status == 2
        assert "columns.surface.filename" in ended.err and said in ended.err


@pytest.mark.parametrize("folder", ["../..", "/etc", "a/../../b", "..\\\\..", "C:\\\\x"])
def test_a_layout_looks_at_nothing_outside_the_inbox(tmp_path: Path, folder: str) -> None:
    Hall(tmp_path, {"runs": RUNS.replace('folder = "gates-1"', f'folder = "{folder}"')})
    ended = here("check", tmp_path)
    assert ended.status == 2
    assert "match.folder" in ended.err and "must be a folder below inbox/" in ended.err


def test_no_cell_of_a_sheet_is_a_formula(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    formulas = ("=1+1", "+1", "-1", "@x", "\t=1", "''=1", '=HYPERLINK(""http://x"")')
    hall.take(("gates-1/=1.csv", runs(*(run(f'"{text}"', trial=i + 1) for i, text in enumerate(formulas)))))
    for sheet in (tmp_path / "held").glob("*.csv"):
        with sheet.open(encoding="utf-8-sig", newline="") as stream:
            cells = [cell for row in csv.reader(stream) for cell in row]
        assert any("1+1" in cell for cell in cells), sheet
        assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))], sheet
