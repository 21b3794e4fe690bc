"""From the inbox to the archive: what is taken, what waits, and that nothing is lost or taken twice."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import pytest

from pipeline.intake import archive, intake, law, renew
from pipeline.intake.archive import Drop, append_index, read_index, store, utc_now
from pipeline.intake.settle import is_whole, settled_files
from tests.intake.facility_maker import WEIGHTS_HEADER, Hall, fill, run, runs

# --- settling -------------------------------------------------------------------------------------------


@pytest.mark.mode(18)
def test_what_stands_still_is_settled_and_what_grows_waits(tmp_path: Path) -> None:
    still, grows = tmp_path / "b" / "still.csv", tmp_path / "a.csv"
    still.parent.mkdir()
    still.write_bytes(b"x\n")
    grows.write_bytes(b"x\n")
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        grows.write_bytes(b"x\ny\n")
        (tmp_path / "new.csv").write_bytes(b"x\n")

    settled, waiting = settled_files(tmp_path, 10, 60, sleep)
    assert list(settled) == [still]
    assert {w.path.name: w.why for w in waiting} == dict.fromkeys(
        ("a.csv", "new.csv"), "it is still being written"
    )
    assert slept == [10]


@pytest.mark.mode(18)
def test_an_unfinished_last_line_waits_longer(tmp_path: Path) -> None:
    cut, whole = tmp_path / "cut.csv", tmp_path / "whole.csv"
    cut.write_bytes(b"x\ny")
    whole.write_bytes(b"x\n")
    slept: list[float] = []
    settled, _ = settled_files(tmp_path, 10, 60, slept.append)
    assert (list(settled), slept) == ([cut, whole], [10, 50])

    def grow(seconds: float) -> None:
        if seconds == 50:
            cut.write_bytes(b"x\nyes\n")

    settled, waiting = settled_files(tmp_path, 10, 60, grow)
    assert (list(settled), [w.path for w in waiting]) == ([whole], [cut])


def test_an_empty_inbox_does_not_wait(tmp_path: Path) -> None:
    def never(seconds: float) -> None:
        raise AssertionError(seconds)

    assert settled_files(tmp_path, 10, 60, never) == ({}, [])


@pytest.mark.mode(18, 59)
def test_temporary_names_and_links_wait(tmp_path: Path) -> None:
    for name in ("~$x.xlsx", ".x.csv", "x.csv.part", "x.CSV.TMP"):
        (tmp_path / name).write_bytes(b"x\n")
    real = tmp_path / "real.csv"
    real.write_bytes(b"x\n")
    if hasattr(os, "symlink") and os.name != "nt":
        (tmp_path / "link.csv").symlink_to(real)
    settled, waiting = settled_files(tmp_path, 0, 0)
    assert list(settled) == [real]
    assert len(waiting) == len(list(tmp_path.iterdir())) - 1


@pytest.mark.parametrize(
    ("data", "whole"),
    [
        (b"", True),
        (b"a\n", True),
        (b"a\r", True),
        (b"a", False),
        ("a\n".encode("utf-16"), True),
        (b"PK\x03", False),
    ],
)
def test_a_whole_file_ends_its_last_line(tmp_path: Path, data: bytes, whole: bool) -> None:
    file = tmp_path / "x"
    file.write_bytes(data)
    assert is_whole(file) == whole


# --- the archive ----------------------------------------------------------------------------------------


def test_originals_are_kept_byte_for_byte_under_their_hash(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    data = b"\xef\xbb\xbf\r\nodd \xff bytes\r\n" + bytes(range(256))
    hall.take(("gates-1/deep/er/x.csv", data))
    kept = tmp_path / "archive" / hashlib.sha256(data).hexdigest()
    assert kept.read_bytes() == data
    assert not list(hall.inbox.rglob("*.csv"))
    (drop,) = read_index(tmp_path / "archive")
    assert (drop.path, drop.size, drop.file_id) == ("gates-1/deep/er/x.csv", len(data), kept.name)


def index_of(folder: Path, *paths: str) -> Path:
    drops = [Drop(0, f"d{p}"[:16], "f" * 64, p, utc_now(), 12, utc_now()) for p in paths]
    append_index(folder, drops)
    return folder / "index.csv"


def test_the_index_reads_back_what_was_written(tmp_path: Path) -> None:
    paths = ["a.csv", 'odd "name", with; marks.csv', "naïve/ß.csv", "new\nline.csv"]
    index_of(tmp_path, *paths)
    index_of(tmp_path, "later.csv")
    assert [d.path for d in read_index(tmp_path)] == [*paths, "later.csv"]
    assert [d.number for d in read_index(tmp_path)] == [1, 2, 3, 4, 5]


def test_an_index_of_an_earlier_version_is_read(tmp_path: Path) -> None:
    index = index_of(tmp_path, "a.csv")
    index.write_text("\n".join(line.rpartition(",")[0] for line in index.read_text().splitlines()) + "\n")
    index_of(tmp_path, "b.csv")
    old, new = read_index(tmp_path)
    assert (old.path, new.path) == ("a.csv", "b.csv")
    assert old.written_at == old.received_at


@pytest.mark.parametrize("cut", range(1, 130, 7))
def test_a_torn_last_line_is_passed_over_and_costs_no_later_one(tmp_path: Path, cut: int) -> None:
    index_of(tmp_path, "first.csv")
    index = index_of(tmp_path, 'a "quoted", name.csv')
    whole = index.read_bytes()
    index.write_bytes(whole[: max(len(whole) - cut, whole.find(b"first.csv") + 60)])
    torn = not index.read_bytes().endswith(b"\n")
    assert [d.path for d in read_index(tmp_path)] == ["first.csv"] or not torn
    index_of(tmp_path, "later.csv", "last.csv")
    assert [d.path for d in read_index(tmp_path)][-2:] == ["later.csv", "last.csv"]
    assert read_index(tmp_path)[0].path == "first.csv"


def test_storing_twice_keeps_one_copy(tmp_path: Path) -> None:
    file = tmp_path / "x"
    file.write_bytes(b"x\n")
    assert store(tmp_path / "archive", file) == store(tmp_path / "archive", file)
    assert len(list((tmp_path / "archive").iterdir())) == 1


# --- taking in twice, killed runs, rebuilding -----------------------------------------------------------

FILES = {
    "gates-1/a.csv": runs(run(), run(trial=2), run(trial=3, split="x"), run("Nobody", trial=4)),
    "gates-1/b.csv": runs(run(), run(trial=2, split="1.9"), run(trial=5)),
    "scales-1/w.csv": WEIGHTS_HEADER
    + "Ana Prado;2025-03-01;weight;60,5;kg\nMia Lund;2025-03-01;weight;1;kg\n",
    "nowhere/x.csv": "a,b\n1,2\n",
}


def same_tables(hall: Hall, before: dict[str, object]) -> None:
    for name, frame in hall.tables().items():
        assert frame.equals(before[name]), name  # type: ignore[arg-type]


def test_a_second_intake_changes_nothing(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(*FILES.items())
    before = hall.tables()
    report = hall.take_in()
    assert report.new_drops == 0
    same_tables(hall, before)


@pytest.mark.mode(14, 60)
def test_the_same_bytes_again_are_repeated_wherever_they_lie(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    data = runs(run(), "\n", run(trial=2))
    hall.take(("gates-1/a.csv", data))
    before = hall.table("sprint_splits")
    hall.take(("gates-1/a.csv", data))
    hall.take(("gates-1/again/b.csv", data))
    assert hall.counts() == [{"loaded": 2, "skipped": 1}, *[{"repeated": 2, "skipped": 1}] * 2]
    assert hall.table("files")["status"].to_list().count("repeated") == 2
    assert hall.table("sprint_splits").equals(before)


def test_bytes_that_were_claimed_nowhere_load_from_the_right_folder(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    data = runs(run(), run(trial=2))
    hall.take(("lost/a.csv", data))
    assert hall.counts() == [{"held": 3}]
    hall.take(("gates-1/a.csv", data))
    assert hall.counts() == [{"repeated": 2}, {"loaded": 2}]
    assert hall.held() == []
    assert not list((tmp_path / "held").glob("*.csv"))


def test_the_order_of_files_does_not_matter_where_nothing_supersedes(tmp_path: Path) -> None:
    texts = [
        runs(run(), run(trial=2), run("Nobody", trial=7)),
        runs(run(trial=2), run(trial=3), run("Nobody", trial=7), run(trial=4, split="x")),
        runs(run("João Sá"), run(trial=3), run()),
    ]
    made = []
    for order in ((0, 1, 2), (2, 1, 0), (1, 2, 0)):
        hall = Hall(tmp_path / "".join(map(str, order)))
        hall.take(*((f"gates-1/{place}.csv", texts[at]) for place, at in enumerate(order)))
        rows = hall.table("sprint_splits").drop("file_id", "line")
        held = hall.table("held_rows").select("code", "field", "value", "state")
        assert hall.table("superseded_rows").is_empty()
        made.append((rows, held.sort("code")))
    for rows, held in made[1:]:
        assert rows.equals(made[0][0])
        assert held.equals(made[0][1])


def test_a_rebuild_is_equal_to_the_byte(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(*FILES.items())
    hall.alias("Nobody", "a04")
    hall.take(
        ("gates-1/c.csv", runs(run(split="1.86"), run(trial=9))), ("lost/a.csv", FILES["gates-1/a.csv"])
    )
    hall.answer(fill(hall.sheet("a.csv"), {0: "1.77"}))
    hall.correct("2025-05-01,me,slip,,,,a01,2025-03-01,,9,strike,,")
    hall.take_in()
    before = hall.tables()
    assert before["superseded_rows"].height >= 2
    shutil.rmtree(tmp_path / "warehouse")
    hall.take_in()
    same_tables(hall, before)


def test_a_run_killed_before_the_commit_is_replayed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", FILES["gates-1/a.csv"]))
    path = hall.drop("gates-1/b.csv", FILES["gates-1/b.csv"])
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(law, "check_drops", lambda *given: (_ for _ in ()).throw(KeyboardInterrupt))
        hall.take_in()
    assert path.exists()
    assert len(read_index(tmp_path / "archive")) == 2
    assert len(hall.counts()) == 1
    hall.take_in()
    assert not path.exists()
    assert len(read_index(tmp_path / "archive")) == 2
    assert len(hall.counts()) == 2


def test_a_file_written_again_while_it_is_taken_in_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hall = Hall(tmp_path)
    path = hall.drop("gates-1/a.csv", runs(run()))
    resolve = renew.resolve

    def meanwhile(*given: object) -> object:
        path.write_text(runs(run(), run(trial=2)), encoding="utf-8")
        return resolve(*given)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(renew, "resolve", meanwhile)
        hall.take_in()
    assert path.exists()
    hall.take_in()
    assert hall.counts() == [{"loaded": 1}, {"loaded": 1, "repeated": 1}]


def test_a_file_that_cannot_be_removed_is_no_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hall = Hall(tmp_path)
    path = hall.drop("gates-1/a.csv", runs(run()))

    def locked(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(13, "in use", str(self))

    facility = hall.facility
    with hall.open() as warehouse, monkeypatch.context() as patch:
        patch.setattr(type(path), "unlink", locked)
        report = intake.take_in(facility, warehouse, print)
    assert [w.path for w in report.waiting] == [path]
    hall.take_in()
    assert not path.exists()
    assert hall.counts() == [{"loaded": 1}]


def test_a_file_that_grows_between_scan_and_copy_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hall = Hall(tmp_path)
    path = hall.drop("gates-1/a.csv", runs(run()))
    keep = archive.store

    def meanwhile(folder: Path, file: Path) -> tuple[str, int]:
        file.write_text(runs(run(), run(trial=2)), encoding="utf-8")
        return keep(folder, file)

    with monkeypatch.context() as patch:
        patch.setattr(archive, "store", meanwhile)
        report = hall.take_in()
    assert [w.why for w in report.waiting] == ["it is still being written"]
    assert (hall.counts(), path.exists()) == ([], True)
