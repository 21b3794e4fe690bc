"""The inbox watched: what has stood still, by the watcher's own clock."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.intake.watching import AGAIN_SECONDS, InboxWatch


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    return folder


def names(settled) -> list[str]:
    return [path.name for path in settled[0]]


def test_a_file_is_settled_when_it_has_stood_still_for_long_enough(inbox: Path):
    watch = InboxWatch(inbox)
    (inbox / "a.csv").write_text("x\n1\n")
    assert names(watch.look(10, 60, now=0)) == []
    assert names(watch.look(10, 60, now=9.9)) == []
    assert names(watch.look(10, 60, now=10)) == ["a.csv"]


def test_a_file_that_grows_waits_from_its_last_change_on(inbox: Path):
    watch = InboxWatch(inbox)
    (inbox / "a.csv").write_text("x\n1\n")
    watch.look(10, 60, now=0)
    with (inbox / "a.csv").open("a") as stream:
        stream.write("2\n")
    settled = watch.look(10, 60, now=11)
    assert names(settled) == [] and "stood still" in settled[1][0].why
    assert names(watch.look(10, 60, now=20.5)) == []
    assert names(watch.look(10, 60, now=21)) == ["a.csv"]


def test_an_old_time_of_a_copied_file_does_not_settle_it(inbox: Path):
    """`cp -p` keeps the time of the original: the watcher's own clock counts."""
    (inbox / "a.csv").write_text("x\n1\n")
    os.utime(inbox / "a.csv", (1, 1))
    assert names(InboxWatch(inbox).look(10, 60, now=1e6)) == []


def test_a_last_line_without_an_end_waits_longer(inbox: Path):
    watch = InboxWatch(inbox)
    (inbox / "a.csv").write_text("x\n1")
    watch.look(10, 60, now=0)
    settled = watch.look(10, 60, now=59)
    assert names(settled) == [] and "line end" in settled[1][0].why
    assert names(watch.look(10, 60, now=60)) == ["a.csv"]


def test_without_waiting_a_file_is_settled_at_once(inbox: Path):
    (inbox / "a.csv").write_text("x\n1")
    assert names(InboxWatch(inbox).look(0, 0, now=0)) == ["a.csv"]


def test_a_file_that_intake_could_not_remove_is_not_new_until_later(inbox: Path):
    watch = InboxWatch(inbox)
    (inbox / "a.csv").write_text("x\n1\n")
    settled = watch.look(0, 0, now=0)
    watch.handed_over(settled, now=1)
    assert names(watch.look(0, 0, now=2)) == []
    assert names(watch.look(0, 0, now=1 + AGAIN_SECONDS)) == ["a.csv"]


def test_a_file_written_again_under_its_name_is_new(inbox: Path):
    watch = InboxWatch(inbox)
    (inbox / "a.csv").write_text("x\n1\n")
    watch.handed_over(watch.look(0, 0, now=0), now=1)
    (inbox / "a.csv").write_text("x\n1\n2\n")
    assert names(watch.look(0, 0, now=2)) == ["a.csv"]
    (inbox / "a.csv").unlink()
    watch.handed_over(watch.look(0, 0, now=3), now=3)
    (inbox / "a.csv").write_text("x\n1\n2\n")
    assert names(watch.look(0, 0, now=4)) == ["a.csv"]
