"""What is true now, brought up to what was touched: resolved in closed parts, put in place of what was there.

All inside the caller's transaction. A part is resolved by the one pure resolver as if there were nothing else
(see `closure`); what it gives takes the place of what is stored of the same lines.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import chain

import polars as pl

from pipeline.intake import closure, law
from pipeline.intake.answers import WHOLE_FILE, Answer, LineSubject
from pipeline.intake.closure import Part, dates_near, files_of_traces, listed, parts_of
from pipeline.intake.fates import RUNS, file_rows, line_fates, spliced
from pipeline.intake.knowledge import Knowledge
from pipeline.intake.placing import Keys
from pipeline.intake.resolve import FILE_DIGITS, Resolved, file_keys, resolve
from pipeline.intake.touched import Touched
from pipeline.warehouse.store import ALL_TABLES, Warehouse
from schemas.core import Family
from schemas.families import FAMILIES
from schemas.frames import polars_schema
from schemas.internal import read_table
from schemas.tables import SAMPLE_SETS, TRIAL_TABLES

READ_TABLES = tuple(read_table(family).name for family in FAMILIES.values())
EXPECTED = {"drop_no": pl.Int32, "n": pl.UInt32}
RESOLVED_TABLES = (*TRIAL_TABLES, *SAMPLE_SETS, "superseded_rows", "held_rows", "line_fates", "files")
_NO_KEYS = pl.DataFrame(schema={"claim": pl.UInt32, "drop_no": pl.Int32, "group": pl.String})
_NOTHING_READ = {name: pl.DataFrame(schema=polars_schema(ALL_TABLES[name])) for name in READ_TABLES}


@dataclass
class Renewed:
    """The touched drops (rows of `_drops`, with `file`), and their rows of `files` before and now."""

    drops: pl.DataFrame
    before: pl.DataFrame
    files: pl.DataFrame


@dataclass
class _Work:
    """What is gathered from part to part."""

    warehouse: Warehouse
    knowledge: Knowledge
    answers: Mapping[str, Mapping[LineSubject, Answer]]
    whole: set[int]
    before: list[pl.DataFrame] = field(default_factory=list)
    runs: list[pl.DataFrame] = field(default_factory=list)
    left: list[pl.DataFrame] = field(default_factory=list)
    days: dict[str, tuple[date, date]] = field(default_factory=dict)
    expected: list[pl.DataFrame] = field(default_factory=list)


def renew(warehouse: Warehouse, knowledge: Knowledge, touched: Touched) -> Renewed:
    """Resolve anew what was touched and what has to do with it. Raises LawOfRows."""
    traces, whole = _traces(warehouse, knowledge, touched)
    plans = {}
    for family in (family for family in FAMILIES.values() if family.trace is None):
        mine = _drops_with_rows(warehouse, family, whole)
        plans[family.name] = parts_of(warehouse, family, mine, touched.of(family), knowledge)
    work = _Work(warehouse, knowledge, _by_file(knowledge), whole)
    _forget(work, touched)
    parts = (part for _, found in plans.values() for part in found)
    of_traces = ((drops, _rows_of(warehouse, family, drops)) for family, drops, _ in traces)
    if sum(size for size, _ in plans.values()) + sum(size for *_, size in traces) <= closure.TOGETHER:
        given = _given(work, [*parts, *(part for _, part in of_traces)], whole)
        _store(work, given, _keyless(given))
    else:
        others = whole - {drop_no for _, drops, _ in traces for drop_no in drops}
        first = iter([_given(work, [], others)])
        then = (_given(work, [part], drops) for drops, part in of_traces)
        last = (_given(work, [part], set()) for part in parts)
        _resolve_each(work, chain(first, then, last))
    return _finish(work)


def _traces(
    warehouse: Warehouse, knowledge: Knowledge, touched: Touched
) -> tuple[list[tuple[Family, set[int], int]], set[int]]:
    """Groups of files of traces that have to do with one another, with their sizes; and all whole drops."""
    whole = set(touched.whole)
    groups: list[tuple[Family, set[int], int]] = []
    for family in (family for family in FAMILIES.values() if family.trace is not None):
        mine = _drops_with_rows(warehouse, family, whole)
        if mine or touched.of(family).height:
            found = files_of_traces(warehouse, family, mine, touched.of(family), knowledge)
            groups += [(family, drops, size) for drops, size in found]
    return groups, whole.union(*(drops for _, drops, _ in groups))


def _drops(warehouse: Warehouse, numbers: Iterable[int]) -> pl.DataFrame:
    found = warehouse.rows("_drops", f"drop_no IN {listed(set(numbers))}").sort("drop_no")
    return found.with_columns(file=pl.col("file_id").str.slice(0, FILE_DIGITS))


def _drops_with_rows(warehouse: Warehouse, family: Family, drops: set[int]) -> set[int]:
    found = warehouse.select(
        f"""SELECT drop_no FROM _drops
            WHERE state = 'read' AND family = '{family.name}' AND drop_no IN {listed(drops)}"""
    )
    return set(found["drop_no"])


def _rows_of(warehouse: Warehouse, family: Family, drops: Iterable[int]) -> Part:
    return Part(family, warehouse.rows(read_table(family).name, f"drop_no IN {listed(set(drops))}"))


def _by_file(knowledge: Knowledge) -> dict[str, dict[LineSubject, Answer]]:
    found: dict[str, dict[LineSubject, Answer]] = defaultdict(dict)
    for subject, answer in knowledge.line_answers.items():
        found[subject.file_id][subject] = answer
    return found


def _forget(work: _Work, touched: Touched) -> None:
    """Delete all that was resolved of whole drops, and note what it was."""
    warehouse = work.warehouse
    if touched.everything:
        work.before.append(warehouse.read("files"))
        for name in (*RESOLVED_TABLES, "_session_slots"):
            warehouse.clear(name)
        return
    drops = _drops(warehouse, work.whole - touched.fresh)
    if drops.is_empty():
        return
    mine, ids = drops.select("file"), drops.select("drop_id")
    work.before.append(warehouse.rows("files", "drop_id IN (FROM _ids)", _ids=ids))
    for name in (*TRIAL_TABLES, *SAMPLE_SETS, "superseded_rows", "held_rows"):
        _delete(work, name, "file_id IN (FROM _mine)", _mine=mine)
    for name in ("line_fates", "files"):
        warehouse.delete(name, "drop_id IN (FROM _ids)", _ids=ids)


def _delete(work: _Work, name: str, where: str, **frames: pl.DataFrame) -> None:
    """Delete rows, and note the sessions of trials that may have none left."""
    if name in TRIAL_TABLES:
        sessions = f"SELECT DISTINCT session_id FROM {name} WHERE {where}"
        work.left.append(work.warehouse.select(sessions, **frames))
    work.warehouse.delete(name, where, **frames)


@dataclass(frozen=True)
class _Given:
    """What some rows are resolved from, and their lines (drop_no, line); see `resolve`."""

    parts: list[Part]
    drops: pl.DataFrame
    reads: Mapping[str, pl.DataFrame]
    problems: pl.DataFrame
    skipped: pl.DataFrame
    knowledge: Knowledge
    lines: pl.DataFrame


def _resolve_each(work: _Work, parts: Iterable[_Given]) -> None:
    """Resolve part by part; while one is stored, the next is resolved in a thread.

    Only this thread uses the warehouse, and nothing that is given is changed by what is stored.
    """
    with ThreadPoolExecutor(1) as pool:
        last: tuple[_Given, Future[Resolved]] | None = None
        for given in parts:
            coming = pool.submit(_keyless, given)
            if last is not None:
                _store(work, last[0], last[1].result())
            last = given, coming
        if last is not None:
            _store(work, last[0], last[1].result())


def _given(work: _Work, parts: list[Part], lines_of: set[int]) -> _Given:
    """These rows, and the lines without rows of the drops `lines_of`."""
    warehouse = work.warehouse
    rows = {read_table(part.family).name: part.rows for part in parts}
    reads = {**_NOTHING_READ, **rows}
    numbers = {int(drop_no) for frame in rows.values() for drop_no in frame["drop_no"].unique()}
    drops = _drops(warehouse, numbers | lines_of)
    within = f"drop_no IN {listed(lines_of)}"
    problems, skipped = warehouse.rows("_problems", within), warehouse.rows("_skipped", within)
    lines = _lines_of(reads)
    knowledge = _answers_for(work, drops, lines, lines_of)
    return _Given(parts, drops, reads, problems, skipped, knowledge, lines)


def _lines_of(reads: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """The lines (drop_no, line) that have rows, each once."""
    lines = pl.concat([frame.select("drop_no", "line") for frame in reads.values()])
    step = lines.select(pl.col("drop_no").cast(pl.Int64) * 2**32 + pl.col("line")).to_series().diff()
    lines, step = lines.filter((step != 0).fill_null(True)), step.filter(step != 0)
    # In order they are mostly, and then each is there once.
    return lines if (step > 0).all() else lines.unique()


def _store(work: _Work, given: _Given, keyless: Resolved) -> None:
    """Store what follows from a part; `keyless`: what it came to without the keys that a rule asks about."""
    warehouse, parts = work.warehouse, given.parts
    resolved = _resolved(work, given, keyless)
    at = given.lines.join(given.drops.select("drop_no", "file"), on="drop_no")
    days = {part.family.name: _days(work, part) for part in parts if part.rows.height}
    _put(work, resolved, days, at.filter(~pl.col("drop_no").is_in(sorted(work.whole))))
    law.check_part(warehouse, {name: _on(*span) for name, span in days.items()}, resolved, at)
    for name, span in days.items():
        first, last = work.days.get(name, span)
        work.days[name] = min(first, span[0]), max(last, span[1])
    work.expected.append(resolved.expected.group_by("drop_no").agg(pl.col("n").sum()))
    work.runs.append(resolved.runs)


def _days(work: _Work, part: Part) -> tuple[date, date]:
    """The first and last local date that rows of a part can have."""
    return dates_near(part.rows, set(work.knowledge.devices), work.knowledge)


def _on(first: date, last: date) -> str:
    return f"local_date BETWEEN DATE '{first}' AND DATE '{last}'"


def _answers_for(work: _Work, drops: pl.DataFrame, lines: pl.DataFrame, lines_of: set[int]) -> Knowledge:
    """What is known, with the answers about these lines alone, and those about whole files."""
    known: dict[LineSubject, Answer] = {}
    for drop_no, file, state in drops.select("drop_no", "file", "state").iter_rows():
        said = work.answers.get(file)
        if said is None or state == "repeated":
            continue
        here = set(lines.filter(pl.col("drop_no") == drop_no)["line"])
        elsewhere = set() if drop_no not in lines_of else _with_rows(work.warehouse, drop_no, said) - here
        for subject, answer in said.items():
            mine = subject.line in here or (drop_no in lines_of and subject.line not in elsewhere)
            if mine or subject.line == WHOLE_FILE:
                known[subject] = answer
    return replace(work.knowledge, line_answers=known)


def _with_rows(warehouse: Warehouse, drop_no: int, said: Mapping[LineSubject, Answer]) -> set[int]:
    """Which of the lines about which something was said have rows."""
    lines = pl.DataFrame({"line": sorted({subject.line for subject in said})}, {"line": pl.Int32})
    found = [
        warehouse.select(
            f"SELECT DISTINCT line FROM {name} WHERE drop_no = {drop_no} AND line IN (FROM _lines)",
            _lines=lines,
        )
        for name in READ_TABLES
    ]
    return set(pl.concat(found)["line"])


def _keyless(given: _Given) -> Resolved:
    """Resolve with the keys of no file."""
    return _resolve(given, {family.name: Keys(_NO_KEYS, ()) for family in FAMILIES.values()})


def _resolved(work: _Work, given: _Given, resolved: Resolved) -> Resolved:
    """Resolve again until the keys are known of all those drops that a rule asks about."""
    asked: set[int] = set()
    while not resolved.wanted <= asked:
        asked |= resolved.wanted
        keys = {family.name: _keys(work, family, asked) for family in FAMILIES.values()}
        resolved = _resolve(given, keys)
    return resolved


def _resolve(given: _Given, keys: Mapping[str, Keys]) -> Resolved:
    return resolve(given.drops, given.reads, given.problems, given.skipped, given.knowledge, keys)


def _keys(work: _Work, family: Family, drops: set[int]) -> Keys:
    mine = _drops_with_rows(work.warehouse, family, drops)
    if not mine:
        return Keys(_NO_KEYS, drops)
    read = _rows_of(work.warehouse, family, mine).rows
    return file_keys(family, _drops(work.warehouse, mine), read, work.knowledge)


def _put(work: _Work, resolved: Resolved, days: Mapping[str, tuple[date, date]], lines: pl.DataFrame) -> None:
    """Store what was resolved, in place of what is stored of these lines (file, line) of drops that stay."""
    warehouse, at = work.warehouse, lines.select("file", "line")
    if at.height:
        mine = "(file_id, line) IN (FROM _at)"
        for name, span in days.items():
            _delete(work, FAMILIES[name].table, f"{_on(*span)} AND {mine}", _at=at)
        for name in ("superseded_rows", "held_rows"):
            warehouse.delete(name, mine, _at=at)
    for name in (*TRIAL_TABLES, *SAMPLE_SETS, "superseded_rows", "held_rows"):
        warehouse.append(name, resolved.tables[name])
    _add_slots(warehouse, resolved.tables["_session_slots"])


def _finish(work: _Work) -> Renewed:
    """Fates, counts and sessions of what was touched; and the law of rows for it."""
    warehouse = work.warehouse
    runs = pl.concat([pl.DataFrame(schema=RUNS), *work.runs])
    drops = _drops(warehouse, work.whole | set(runs["drop_no"]))
    stay = drops.filter(~pl.col("drop_no").is_in(sorted(work.whole))).select("drop_id", "drop_no")
    old = pl.DataFrame(schema=RUNS)
    if stay.height:
        stays = "drop_id IN (SELECT drop_id FROM _stay)"
        work.before.append(warehouse.rows("files", stays, _stay=stay))
        old = warehouse.rows("line_fates", stays, _stay=stay).join(stay, on="drop_id")
        for name in ("line_fates", "files"):
            warehouse.delete(name, stays, _stay=stay)
    fates = line_fates(drops, spliced(old, runs))
    files = file_rows(drops, fates)
    warehouse.append("line_fates", fates)
    warehouse.append("files", files)
    _drop_slots(work)
    none = pl.DataFrame({"drop_no": sorted(work.whole), "n": 0}, EXPECTED)
    expected = pl.concat([none, *work.expected]).group_by("drop_no").agg(pl.col("n").sum())
    mine = expected.filter(pl.col("drop_no").is_in(sorted(work.whole)))
    law.check_drops(warehouse, {name: _on(*span) for name, span in work.days.items()}, drops, mine)
    before = pl.concat([files.clear(), *work.before])
    return Renewed(drops, before, files)


def _add_slots(warehouse: Warehouse, slots: pl.DataFrame) -> None:
    """Add the slots of new sessions."""
    if slots.is_empty():
        return
    # The date is part of a session's id; by it few blocks of the table are looked at.
    known = warehouse.select(
        """SELECT session_id FROM _session_slots
           WHERE (session_date, session_id) IN (SELECT session_date, session_id FROM _new)""",
        _new=slots,
    )
    fresh = slots.join(known, on="session_id", how="anti").sort("session_date", "session_id")
    warehouse.append("_session_slots", fresh)


def _drop_slots(work: _Work) -> None:
    """Delete the slots of sessions that no trial is of any more."""
    warehouse = work.warehouse
    left = pl.concat([pl.DataFrame(schema={"session_id": pl.String}), *work.left]).unique()
    for name in TRIAL_TABLES:
        if left.height:
            used = f"SELECT DISTINCT session_id FROM {name} WHERE session_id IN (FROM _left)"
            left = left.join(warehouse.select(used, _left=left), on="session_id", how="anti")
    if left.height:
        warehouse.delete("_session_slots", "session_id IN (FROM _left)", _left=left)
