"""Files that name people are their owner's alone, unless the facility says otherwise."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from fnmatch import fnmatchcase
from pathlib import Path

import polars as pl
import pytest

from pipeline.publish.external import external_key
from tests.intake.facility_maker import Hall, fill, run, runs

pytestmark = pytest.mark.skipif(os.name != "posix", reason="Windows knows no such rights")

# What anybody may open: none of it names anybody (of the database see test_privacy.py).
OPEN = (
    *("config/facility.toml", "config/metrics.toml", "config/layouts/*.toml"),
    *("published/yardmark.duckdb", "published/yardmark.current.txt", "published/tables/*"),
    *("published/coach/norms.csv", "published/coach/norms.xlsx", "runs.csv", "yardmark.lock"),
)
CLOSED = ("archive", "held", "warehouse", "published/people", "published/restricted")


def rights(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def files_of(folder: Path) -> Iterator[tuple[str, Path]]:
    return (
        (path.relative_to(folder).as_posix(), path) for path in sorted(folder.rglob("*")) if path.is_file()
    )


def test_of_the_demo_only_what_names_nobody_is_open(demo: Path) -> None:
    (name, *_) = pl.read_csv(demo / "config" / "athletes.csv")["name"]
    closed = []
    for place, path in files_of(demo):
        if not any(fnmatchcase(place, pattern) for pattern in OPEN):
            assert rights(path) == 0o600, place
            closed.append(place)
    for folder in CLOSED:
        assert rights(demo / folder) == 0o700, folder
        assert any(place.startswith(f"{folder}/") for place in closed), folder
    # What is closed names people, and the texts that are open do not.
    for place in ("config/athletes.csv", "published/people/athletes.csv"):
        assert name in (demo / place).read_text(encoding="utf-8-sig"), place
    for path in [
        *demo.glob("published/tables/*.csv"),
        *demo.glob("published/coach/norms.csv"),
        demo / "runs.csv",
    ]:
        assert name not in path.read_text(encoding="utf-8"), path


@pytest.fixture
def open_umask() -> Iterator[None]:
    before = os.umask(0o022)
    yield
    os.umask(before)


@pytest.mark.usefixtures("open_umask")
def test_a_hall_made_by_hand_keeps_its_own_rights(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    roster = tmp_path / "config" / "athletes.csv"
    roster.chmod(0o664)
    hall.take(("gates-1/x.csv", runs(run(), run("Nobody", trial=2))))
    assert [rights(tmp_path / name) for name in ("archive", "held", "warehouse")] == [0o700] * 3
    hall.answer(fill(tmp_path / "held" / "questions.csv", {0: "new"}))
    closed = [
        path for place, path in files_of(tmp_path) if place.startswith(("archive", "held", "warehouse"))
    ]
    closed += [tmp_path / "config" / name for name in ("answers.csv", "new_people.csv")]
    assert len(closed) >= 5
    assert {path: rights(path) for path in closed} == dict.fromkeys(closed, 0o600)
    assert rights(roster) == 0o664
    # Who shares them on purpose goes on sharing them.
    (tmp_path / "archive").chmod(0o750)
    (tmp_path / "config" / "answers.csv").chmod(0o640)
    hall.take(("gates-1/y.csv", runs(run("Somebody", trial=3))))
    hall.answer(fill(tmp_path / "held" / "questions.csv", {0: "a01"}))
    assert rights(tmp_path / "archive") == 0o750
    assert rights(tmp_path / "config" / "answers.csv") == 0o640


@pytest.mark.usefixtures("open_umask")
def test_the_key_of_pseudonyms_is_private(tmp_path: Path) -> None:
    external_key(tmp_path / "config" / "external.key")
    assert rights(tmp_path / "config" / "external.key") == 0o600
