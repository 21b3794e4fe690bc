"""A run over the steps: each under the facility's lock, each only where something it is made from changed.

The lock is let go between longer steps, so that `alias` or `answers` get in between. What they change there
is seen by the hashes (see `pipeline.stamps`), and the steps that depend on it are done again before the run
ends.
"""

from __future__ import annotations

import json
import time
import uuid
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import Literal

import polars as pl

from pipeline.facility.catalogue import facility_catalogue
from pipeline.facility.folder import Facility, load_facility
from pipeline.intake.archive import read_index
from pipeline.intake.intake import IntakeReport, is_behind, is_unheard, update
from pipeline.intake.settle import Settled
from pipeline.lock import facility_lock, let_others_in
from pipeline.publish.publish import PublishReport
from pipeline.run_log import RunStep, record
from pipeline.stamps import code_version, config_stamps, content_stamp, digest, inputs_stamp
from pipeline.warehouse.store import Warehouse, open_warehouse, remove_warehouse
from schemas.catalogue import Metric
from schemas.tables import FAMILY_OF_TABLE, SAMPLE_SETS, TRIAL_TABLES

Frames = Mapping[str, pl.DataFrame]
Say = Callable[[str], None]
Shell = Callable[[str, Callable[[], None]], None]
"""Something that does a named piece of work, once, now: directly, or as a task of a scheduler."""

PARTS = ("people", "settings", "metrics", "testing_days", "answers", "as_of", "valid_on")
_PUBLISHED = "published"
# Tables of fewer rows are held from one step to the next; larger ones are read again by each that needs them.
_HELD_ROWS = 20_000
# So many rows are handed to the database at once: it copies what it is given.
_ROWS_AT_ONCE = 250_000
# The lock is let go after the step that ends later than this.
_HELD_SECONDS = 1.0
# A run that meets a change each time would never end.
_MOST_TIMES = 60


@dataclass(frozen=True)
class Step:
    """A step of the pipeline: the tables it reads and writes, and what does it.

    `uses`: the parts of the config and the dates that it is made from beside its tables. `when` it is done:
    at every run, where one of all these has changed, or weekly (only in runs that are asked for it). `lacks`:
    whether what it leaves outside the warehouse is missing, so that it is due all the same.
    """

    name: str
    says: str
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    run: Callable[[Run], Frames]
    uses: tuple[str, ...] = PARTS
    when: Literal["always", "changed", "weekly"] = "changed"
    lacks: Callable[[Run], bool] = lambda run: False


@dataclass
class Run:
    """One run: the facility, the two dates, who started it, and what the steps reported.

    `as_of` governs statistics (default: the last local date in the warehouse); `valid_on` governs what holds
    of people today. `settled`: what the inbox has that is settled, where the caller has watched it.
    `asked`: questions about trials that may be wrong. `last_day`: the as-of date of what is published in the
    end. `done`: the steps that had something to do. `apart`: tables of this run alone, which stand before
    those of the warehouse.
    """

    facility: Facility
    say: Say
    valid_on: date
    as_of: date | None = None
    started_by: str = "run"
    settled: Settled | None = None
    intake: IntakeReport | None = None
    published: PublishReport | None = None
    edition: list[Path] | None = None
    asked: int = 0
    last_day: date | None = None
    run_id: str = field(default_factory=lambda: uuid.uuid4().hex[:16])
    done: list[str] = field(default_factory=list)
    apart: dict[str, pl.DataFrame] = field(default_factory=dict)
    _warehouse: Warehouse | None = None
    _config: dict[str, str] = field(default_factory=dict)
    _frames: dict[str, tuple[str | None, pl.DataFrame]] = field(default_factory=dict)
    _made: dict[tuple[str, ...], tuple[str, pl.DataFrame]] = field(default_factory=dict)

    @classmethod
    def in_memory(
        cls, facility: Facility, warehouse: Warehouse, valid_on: date, as_of: date | None, tables: Frames
    ) -> Run:
        """A run over an open warehouse that commits nothing: `tables` stand before those it holds."""
        quiet: Say = lambda text: None  # noqa: E731
        return cls(facility, quiet, valid_on, as_of, apart=dict(tables), _warehouse=warehouse)

    @property
    def warehouse(self) -> Warehouse:
        """The open warehouse; only inside `opened`."""
        if self._warehouse is None:
            raise RuntimeError("the warehouse is open only while the facility is locked")
        return self._warehouse

    @contextmanager
    def opened(self, anew: bool = False) -> Iterator[None]:
        """The facility locked and its warehouse open; `anew` removes the old one first. The config is read
        again: somebody may have edited it while this waited. Raises ArchiveDamaged, Busy, ConfigError,
        WarehouseDamaged."""
        with facility_lock(self.facility.state, f"yardmark {self.started_by}", self.say):
            self.facility = load_facility(self.facility.folder)
            self._config = config_stamps(self.facility)
            if anew:
                # A damaged index is told before anything is removed.
                read_index(self.facility.archive)
                remove_warehouse(self.facility.warehouse_file)
            with open_warehouse(self.facility.warehouse_file) as self._warehouse:
                try:
                    yield
                finally:
                    self._warehouse = None

    @property
    def catalogue(self) -> dict[str, Metric]:
        """The metric catalogue with the facility's own figures."""
        return facility_catalogue(self.facility.metrics, self.facility.records.series_joins)

    def read(self, name: str) -> pl.DataFrame:
        """A table as the warehouse holds it; read once in a step, as long as nobody changes it."""
        if name in self.apart:
            return self.apart[name]
        stamp = table_stamp(self.warehouse, name)
        known = self._frames.get(name)
        if known is None or known[0] != stamp:
            self._frames[name] = known = (stamp, self.warehouse.read(name))
        return known[1]

    def read_once(self, name: str) -> pl.DataFrame:
        """A table for which this step does not ask again: a large one is not held."""
        frame = self.read(name)
        self.let_go()
        return frame

    def once(self, names: tuple[str, ...], make: Callable[[], pl.DataFrame]) -> pl.DataFrame:
        """What is made of some tables and the catalogue: by the steps that read them all, it is made once."""
        if self.apart:
            return make()
        stamp = digest(
            self._config.get("metrics", ""), *(str(table_stamp(self.warehouse, name)) for name in names)
        )
        if names not in self._made or self._made[names][0] != stamp:
            self._made[names] = stamp, make()
        return self._made[names][1]

    def let_go(self, needed: Collection[str] = ()) -> None:
        """Hold no large table any more but those `needed`: together they may not fit into memory."""
        self._frames = {
            name: known
            for name, known in self._frames.items()
            if name in needed or known[1].height < _HELD_ROWS
        }
        self._made = {names: known for names, known in self._made.items() if set(names) <= set(needed)}

    def keep(self, made: Frames) -> None:
        """Commit what a step has made, with the stamps of its tables. Inside a transaction."""
        for name, frame in made.items():
            stamp = content_stamp(frame)
            self.warehouse.clear(name)
            for piece in frame.iter_slices(_ROWS_AT_ONCE):
                self.warehouse.append(name, piece)
            self.warehouse.set_meta(f"table {name}", stamp)
            self._frames[name] = (stamp, frame)

    def trials(self) -> dict[str, pl.DataFrame]:
        """The current trial rows up to the as-of date, by table."""
        last = self.statistics_date()
        return {name: _up_to(self.rows(name), last) for name in TRIAL_TABLES}

    def rows(self, name: str) -> pl.DataFrame:
        """A trial table with all its rows: those read, and of `bar_reps` those found in traces too."""
        read = self.read(name)
        if name != "bar_reps" or (found := self.read("_found_reps")).is_empty():
            return read
        return pl.concat([read, found.select(read.columns)]).sort("row_id")

    def samples(self, rows: Frames) -> dict[str, pl.DataFrame]:
        """The samples of the runs among `rows` (trial tables by name), by set."""
        runs = {name: rows[FAMILY_OF_TABLE[name].table] for name in SAMPLE_SETS}
        return {name: self.read(name).join(r, on="sample_set_id", how="semi") for name, r in runs.items()}

    def statistics_date(self) -> date:
        """The as-of date: as given, else the last local date in the warehouse, else `valid_on`."""
        if self.as_of is not None:
            return self.as_of
        return self.warehouse.last_date(TRIAL_TABLES, "local_date") or self.valid_on


def _up_to(rows: pl.DataFrame, last: date) -> pl.DataFrame:
    """The rows up to a date; all of them are not copied."""
    until = rows["local_date"] <= last
    return rows if until.all(ignore_nulls=False) else rows.filter(until)


def table_stamp(warehouse: Warehouse, name: str) -> str | None:
    """What tells whether a table has changed: a hash of its rows, or of all that intake made it from."""
    return warehouse.meta(f"table {name}") or warehouse.meta("resolved")


def directly(name: str, work: Callable[[], None]) -> None:
    """Do a piece of work, here and now."""
    work()


def run_steps(run: Run, steps: tuple[Step, ...], shell: Shell = directly) -> None:
    """Run the steps that have something to do, in order. Raises whatever a step raises; what was done
    before it is kept."""
    _catch_up(run, takes_in=any(step.when == "always" for step in steps))
    for step in steps:
        if step.when == "always":
            with run.opened():
                shell(step.name, partial(_perform, run, step))
            let_others_in()
    derived = tuple(step for step in steps if step.when != "always")
    for _ in range(_MOST_TIMES):
        with run.opened():
            if not _do_what_is_due(run, derived, shell):
                _tell_published(run)
                return
        let_others_in()


def _catch_up(run: Run, takes_in: bool) -> None:
    """After a change of the declarations, or a lost file, everything is read from the archive first: else
    what is published would be nothing. Where the run takes nothing in, what people have said since (a
    correction, an alias) is brought in force here: else what is published would not know of it."""
    with run.opened():
        if is_behind(run.facility, run.warehouse):
            with logged(run, "rebuild") as entry:
                run.intake = update(run.facility, run.warehouse, run.say)
                entry.rows = run.intake.new_drops
        elif not takes_in and is_unheard(run.facility, run.warehouse):
            run.say("take_in: brings corrections and names in force")
            with logged(run, "take_in") as entry:
                entry.rows = update(run.facility, run.warehouse, run.say).new_drops


def _do_what_is_due(run: Run, steps: tuple[Step, ...], shell: Shell) -> bool:
    """Do steps, one after the other, for about a second; whether anything may be left to do."""
    end = time.monotonic() + _HELD_SECONDS
    while time.monotonic() < end:
        due = next((step for step in steps if _has_to_do(run, step)), None)
        if due is None:
            return False
        shell(due.name, partial(_perform, run, due))
    return True


def _has_to_do(run: Run, step: Step) -> bool:
    if step.when == "weekly":
        return step.name not in run.done and step.lacks(run)
    return run.warehouse.meta(f"step {step.name}") != _inputs(run, step) or step.lacks(run)


def _inputs(run: Run, step: Step) -> str:
    tables = {name: str(table_stamp(run.warehouse, name)) for name in step.reads}
    used = {**run._config, "valid_on": str(run.valid_on), "as_of": str(run.statistics_date())}
    return inputs_stamp(step.name, tables, {part: used[part] for part in step.uses})


def _perform(run: Run, step: Step) -> None:
    """Do one step, commit what it makes together with its stamp, and write it into the log."""
    run.say(f"{step.name}: {step.says}")
    run.let_go(step.reads)
    with logged(run, step.name) as entry:
        inputs = None if step.when == "always" else _inputs(run, step)
        made = dict(step.run(run))
        if inputs is not None:
            with run.warehouse.transaction():
                run.keep(made)
                run.warehouse.set_meta(f"step {step.name}", inputs)
                if run.published is not None and step.name == "publish":
                    run.warehouse.set_meta(_PUBLISHED, _as_json(run.published, run.facility.published))
        entry.inputs = inputs or run.warehouse.meta("resolved")
        entry.rows = sum(frame.height for frame in made.values()) if made else _rows_of(run, step)
        entry.outputs = digest(*(str(table_stamp(run.warehouse, name)) for name in made)) if made else None
    run.done.append(step.name)


def compute_apart(run: Run, as_of: date, steps: tuple[Step, ...], tables: set[str]) -> Run:
    """A run like this one with `tables` as they were on a day, computed in memory; nothing is committed.

    What no later step reads is let go on the way.
    """
    then = replace(run, as_of=as_of, apart={}, _frames={}, _made={})
    needed = set(tables)
    chosen: list[Step] = []
    for step in reversed(steps):
        if step.when == "changed" and needed & set(step.writes):
            chosen.insert(0, step)
            needed |= set(step.reads)
    for number, step in enumerate(chosen):
        then.apart.update(step.run(then))
        later = tables.union(*(other.reads for other in chosen[number + 1 :]))
        then.apart = {name: frame for name, frame in then.apart.items() if name in later}
        then.let_go(later)
    return then


def _rows_of(run: Run, step: Step) -> int | None:
    """Rows of a step that makes no tables of its own: lines taken in, or rows published."""
    if step.name == "take_in":
        files = run.intake.files if run.intake is not None else pl.DataFrame()
        return int(files["lines"].sum()) if files.height else 0
    return sum(run.published.rows.values()) if run.published and step.name == "publish" else None


@dataclass
class Entry:
    """What a step says of itself for the log."""

    rows: int | None = None
    inputs: str | None = None
    outputs: str | None = None


@contextmanager
def logged(run: Run, step: str) -> Iterator[Entry]:
    """Write what is done in the body into the log of runs, also where it fails."""
    started, clock = datetime.now(UTC).replace(tzinfo=None), time.perf_counter()
    entry, outcome = Entry(), "done"
    try:
        yield entry
    except BaseException as error:
        outcome = f"failed: {str(error) or type(error).__name__}"
        raise
    finally:
        as_of = run.statistics_date() if run._warehouse is not None and outcome == "done" else run.as_of
        seconds = round(time.perf_counter() - clock, 3)
        said = (run.run_id, step, run.started_by, as_of, run.valid_on, started, seconds, entry.rows, outcome)
        record(run.facility.state, RunStep(*said, code_version(), entry.inputs, entry.outputs))


def _as_json(published: PublishReport, folder: Path) -> str:
    """The report, with size and time of each file by its path below `folder`, which may be moved."""
    stamps = {path.relative_to(folder).as_posix(): _stat(path) for path in published.files}
    return json.dumps({"rows": published.rows, "files": stamps})


def _stat(path: Path) -> list[int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return [found.st_size, found.st_mtime_ns]


def _remembered(run: Run) -> dict[str, dict[str, list[int] | None]]:
    found: dict[str, dict[str, list[int] | None]] = json.loads(run.warehouse.meta(_PUBLISHED) or "{}")
    return found


def not_as_published(run: Run) -> bool:
    """Whether what was published last is not there, or not as it was written."""
    files, folder = _remembered(run).get("files", {}), run.facility.published
    return not files or any(stamp != _stat(folder / path) for path, stamp in files.items())


def _tell_published(run: Run) -> None:
    """The end of a run: what is published, also where nothing had to be published anew."""
    run.last_day = run.statistics_date()
    run.asked = run.warehouse.count("_suspects")
    if run.published is None and (known := _remembered(run)):
        files = [run.facility.published / path for path in known["files"]]
        run.published = PublishReport(files, known["rows"])  # type: ignore[arg-type]
