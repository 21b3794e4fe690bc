"""Resolving only what was touched comes to the same as resolving everything, after every step."""

from __future__ import annotations

import random
import shutil
from datetime import date
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.intake import closure
from pipeline.intake.changes import Changed, changed
from pipeline.intake.fates import RUNS, spliced
from pipeline.intake.intake import knowledge_of
from pipeline.intake.renew import READ_TABLES, RESOLVED_TABLES
from pipeline.intake.resolve import resolve
from pipeline.warehouse.store import ALL_TABLES
from tests.end_to_end.runs import ROOT
from tests.intake.facility_maker import (
    JUMPS_HEADER,
    LAYOUTS,
    ROSTER,
    SETTINGS,
    WEIGHTS_HEADER,
    WIDE_HEADER,
    Hall,
    fill,
    run,
    runs,
)
from tests.intake.test_traces import ONE_RUN, file_a_run
from tests.intake.test_traces import SETTINGS as TRACE_SETTINGS

# A second layout of one device, in another zone and without numbers: its rows meet those of `runs`.
ABROAD = (
    LAYOUTS["runs"]
    .replace('layout = "runs"', 'layout = "abroad"')
    .replace('folder = "gates-1"', 'folder = "abroad"')
    .replace('format = "%Y-%m-%d %H:%M:%S"', 'format = "%Y-%m-%d %H:%M:%S"\ntimezone = "Europe/Madrid"')
)
ALL_LAYOUTS = {**LAYOUTS, "abroad": ABROAD}

names = st.sampled_from(["Ana Prado", "Anita", "João Sá", "Nobody", "Rui Costa", "Visitor One", "N. N."])
dates = st.sampled_from(["2025-03-01", "2025-03-02", "2025-07-01"])
times = st.sampled_from(["00:30:00", "10:00:00", "11:00:00", "23:30:00"])
run_lines = st.builds(
    run,
    names,
    times,
    st.sampled_from([1, 2, ""]),
    st.sampled_from(["1.83", "1.84", "1.8", "5", "x"]),
    st.sampled_from(["", "spikes"]),
    date=dates,
    gate=st.sampled_from([10, 20]),
)
run_files = st.lists(run_lines, min_size=1, max_size=5).map(lambda lines: runs(*lines))
jump_lines = st.builds("{},{} {},{}\n".format, names, dates, times, st.sampled_from(["500", "510", "505.4"]))
jump_files = st.lists(jump_lines, min_size=1, max_size=5).map(lambda lines: JUMPS_HEADER + "".join(lines))
wide_lines = st.builds(
    "{},01.03.2025 1{}:00,{},{},\n".format,
    names,
    st.integers(0, 1),
    *[st.sampled_from(["1.0", "1.9", ""])] * 2,
)
wide_files = st.lists(wide_lines, min_size=1, max_size=4).map(lambda lines: WIDE_HEADER + "".join(lines))
weight_lines = st.builds("{};{};weight;{};kg\n".format, names, dates, st.sampled_from(["60", "60,4", "75"]))
weight_files = st.lists(weight_lines, min_size=1, max_size=4).map(
    lambda lines: WEIGHTS_HEADER + "".join(lines)
)
files = st.one_of(
    st.tuples(st.sampled_from(["gates-1", "abroad", "lost"]), run_files),
    st.tuples(st.just("mat-1"), jump_files),
    st.tuples(st.just("gates-2"), wide_files),
    st.tuples(st.just("scales-1"), weight_files),
)
corrections = st.lists(
    st.sampled_from(
        [
            "2025-08-01,me,slip,,,,a01,2025-03-01,,1,strike,,",
            "2025-08-01,me,slip,gates-1,,,a02,2025-03-02,,,move,,a03",
            "2025-08-01,me,slip,mat-1,,,a01,2025-07-01,,,strike,,",
            "2025-08-01,me,slip,,,,a02,2025-03-01,,2,supply,shoes,flats",
        ]
    ),
    unique=True,
    max_size=3,
)
ROSTERS = [ROSTER, ROSTER + "a06,Nobody,2004-01-01,male,\n", ROSTER.replace("Anita", "N. N.")]
steps = st.one_of(
    st.tuples(st.just("take"), st.lists(files, min_size=1, max_size=3)),
    st.tuples(st.just("again"), st.integers(0, 9)),
    st.tuples(st.just("alias"), st.tuples(names, st.sampled_from(["a01", "a02", "a03"]), st.booleans())),
    st.tuples(st.just("correct"), corrections),
    st.tuples(st.just("withdraw"), st.integers(0, 9)),
    st.tuples(st.just("answer"), st.tuples(st.integers(0, 9), st.integers(0, 3))),
    st.tuples(st.just("roster"), st.sampled_from(ROSTERS)),
    st.tuples(st.just("retry"), st.none()),
    st.tuples(st.just("clock"), st.sampled_from([0, 3600, 86400 * 40])),
)


def expect_the_same(hall: Hall) -> None:
    """What the warehouse holds is what resolving everything that was read gives."""
    with hall.look() as warehouse:
        reads = {name: warehouse.read(name) for name in READ_TABLES}
        drops, problems, skipped = (warehouse.read(name) for name in ("_drops", "_problems", "_skipped"))
        whole = resolve(drops, reads, problems, skipped, knowledge_of(hall.facility))
        for name in (*RESOLVED_TABLES, "_session_slots"):
            key = list(ALL_TABLES[name].key)
            assert warehouse.read(name).sort(key).equals(whole.tables[name].sort(key)), name


def take_step(hall: Hall, done: list[tuple[str, str]], kind: str, what: object) -> None:
    """One thing that happens to a facility."""
    match kind, what:
        case "take", list(dropped):
            for place, data in dropped:
                done.append((f"{place}/{len(done)}.csv", data))
                hall.drop(*done[-1])
            hall.take_in()
        case "again", int(which) if done:
            place, data = done[which % len(done)]
            hall.take((f"{place.split('/')[0]}/again-{len(done)}.csv", data))
        case "alias", (str(name), str(athlete), narrow):
            hall.alias(name, athlete, **({"device": "gates-1"} if narrow else {}))
        case "correct", list(rows):
            hall.correct(*rows)
            hall.take_in()
        case "withdraw", int(which) if done:
            with hall.look() as warehouse:
                ids = warehouse.read("_drops").sort("drop_no")["file_id"].to_list()
            hall.correct(f"2025-08-01,me,wrong day,,{ids[which % len(ids)]},,,,,,strike,,")
            hall.take_in()
        case "answer", (int(which), int(word)):
            fill_one(hall, which, ("drop", "ok", "second_session", "correction")[word])
        case "roster", str(roster):
            hall.write("athletes.csv", roster)
            hall.take_in()
        case "retry", _:
            hall.retry()
        case "clock", int(seconds):
            clock = f"[[devices.mat-1.clock]]\noffset_seconds = {seconds}\n" if seconds else ""
            hall.write("facility.toml", SETTINGS + clock)
            hall.take_in()


def fill_one(hall: Hall, which: int, word: str) -> None:
    sheets = sorted(path for path in (hall.folder / "held").glob("*.csv") if path.name != "questions.csv")
    if sheets:
        hall.answer(fill(sheets[which % len(sheets)], {0: word}))


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(steps, min_size=2, max_size=5), st.sampled_from([1, 4, 1_000_000]))
def test_after_every_step_it_is_as_if_everything_were_resolved(
    happens: list[tuple[str, object]], together: int
) -> None:
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(closure, "TOGETHER", together)
        hall = Hall(Path(folder), layouts=ALL_LAYOUTS)
        done: list[tuple[str, str]] = []
        for kind, what in happens:
            take_step(hall, done, kind, what)
            expect_the_same(hall)


def test_sample_exports_in_any_split_and_order(tmp_path: Path) -> None:
    hall = Hall.__new__(Hall)
    hall.folder = tmp_path
    shutil.copytree(ROOT / "config" / "demo", tmp_path / "config")
    shutil.copytree(ROOT / "config" / "layouts", tmp_path / "config" / "layouts", dirs_exist_ok=True)
    exports = ROOT / "sample_exports"
    folders = [exports / device for device in hall.facility.settings.devices if (exports / device).is_dir()]
    dropped = sorted(path for folder in folders for path in folder.rglob("*") if path.is_file())
    random.Random(5).shuffle(dropped)
    for start in range(0, len(dropped), 70):
        for path in dropped[start : start + 70]:
            hall.drop(path.relative_to(exports).as_posix(), path.read_bytes())
        hall.take_in()
        expect_the_same(hall)


run_names = st.sampled_from(["Ana Prado", "João Sá", "Nobody"])
trace_files = st.builds(
    lambda name, clock, shift, bad: file_a_run(
        who=name, clock=clock, changed={5: "x;y;z"} if bad else {5: f"0,10;0,{shift}10;50,0"}
    ),
    run_names,
    st.sampled_from(["10:00:00", "10:05:00"]),
    st.integers(3, 4),
    st.booleans(),
)


@settings(max_examples=3, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(trace_files, st.booleans()), min_size=2, max_size=5))
def test_traces_too(happens: list[tuple[str, bool]]) -> None:
    with TemporaryDirectory() as folder:
        hall = Hall(Path(folder), {"one-run": ONE_RUN}, TRACE_SETTINGS)
        for number, (data, answers) in enumerate(happens):
            hall.take((f"line-1/run_{number}.csv", data))
            expect_the_same(hall)
            if answers:
                fill_one(hall, number, "drop")
                expect_the_same(hall)
        hall.alias("Nobody", "a03")
        expect_the_same(hall)


def spoken(**parts: object) -> dict[str, object]:
    return {"names": {}, "lines": {}, "corrections": [], "settings": "", **parts}


def test_what_changed_is_found() -> None:
    strike = {"file_id": "", "date": "2025-03-01", "action": "strike"}
    move = {"file_id": "f" * 64, "date": "", "action": "move"}
    vague = {"file_id": "", "date": "", "action": "strike"}
    assert changed(spoken(), spoken()) == Changed()
    assert changed(None, spoken()).everything
    assert changed(spoken(), spoken(settings="other")).everything
    assert changed(spoken(), spoken(corrections=[vague])).everything
    assert changed(spoken(corrections=[strike, move]), spoken(corrections=[move, strike])).everything
    some = changed(spoken(corrections=[strike]), spoken(corrections=[strike, move]))
    assert (some.files, some.days) == ({"f" * 16}, set())
    assert changed(spoken(corrections=[strike]), spoken()).days == {date(2025, 3, 1)}
    assert changed(spoken(), spoken(lines={"abc:1:unknown_name:athlete": ["a01", ""]})).files == {"abc"}
    renamed = changed(spoken(names={"ana": ["name a01"], "mia": ["guest"]}), spoken(names={"mia": ["guest"]}))
    assert [renamed.names(name) for name in ("Ana", "Mia")] == [True, False]


fates = st.dictionaries(st.integers(1, 12), st.sampled_from("abc"))


@given(fates, fates)
def test_runs_of_fates_are_spliced_line_by_line(old: dict[int, str], new: dict[int, str]) -> None:
    def points(fates: dict[int, str]) -> pl.DataFrame:
        rows = [(1, line, line, fate) for line, fate in sorted(fates.items())]
        return pl.DataFrame(rows, RUNS, orient="row")

    none = pl.DataFrame(schema=RUNS)
    found = spliced(spliced(none, points(old)), spliced(none, points(new)))
    spans = found.select("first_line", "last_line", "fate").rows()
    assert {line: fate for first, last, fate in spans for line in range(first, last + 1)} == {**old, **new}
    assert all(a[1] + 1 < b[0] or a[2] != b[2] for a, b in pairwise(spans))
