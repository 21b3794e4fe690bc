"""A tiny invented hall to drop exports into: four devices, four layouts, a roster of five.

`Hall` is a facility on disk with an inbox and a warehouse. `Bench` reads and resolves texts in memory, with
the same layouts, for tests that need neither.
"""

from __future__ import annotations

import csv
import hashlib
import re
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import polars as pl

from pipeline.facility.folder import Facility, load_facility
from pipeline.intake.answers import Answer, aliases_of, line_answers_of
from pipeline.intake.archive import Drop
from pipeline.intake.drops import Opened, as_batch, open_file, read_opened
from pipeline.intake.identity import Names
from pipeline.intake.intake import IntakeReport, answer, knowledge_of, retry, say_who, take_in
from pipeline.intake.renew import READ_TABLES
from pipeline.intake.resolve import FILE_DIGITS, Resolved, resolve
from pipeline.warehouse.store import Warehouse, open_warehouse
from schemas.models import table_model

SETTINGS = """
name = "Test hall"
timezone = "Europe/Lisbon"
settle_seconds = 0
guests = ["Visitor One"]
[devices.gates-1]
family = "timing_gates"
since = 2024-01-01
[devices.gates-2]
family = "timing_gates"
[devices.mat-1]
family = "contact_mat"
[devices.scales-1]
family = "body_measures"
"""

ROSTER = """athlete_id,name,birth_date,sex,aliases
a01,Ana Prado,2004-02-29,female,Anita
a02,João Sá,2003-05-01,male,
a03,Mia Lund,2002-11-30,female,
a04,Rui Costa,2001-01-01,male,
a05,Rui Costa,2005-07-07,male,
"""

# Time to the second and the trial's number are in the export.
RUNS = """
layout = "runs"
family = "timing_gates"
device = "gates-1"
ignore = ["Battery"]
[match]
folder = "gates-1"
header = ["Runner", "Split"]
[file]
comment = "#"
trailer = ["Total"]
null = ["", "-"]
[columns.athlete]
from = "Runner"
[columns.performed_at]
from = ["Date", "Time"]
format = "%Y-%m-%d %H:%M:%S"
[columns.test]
from = "Drill"
map = { LIN = "linear_sprint", COD = "change_of_direction" }
[columns.trial]
from = "Run"
[columns.distance_m]
from = "Gate"
unit = "m"
[columns.split_time_s]
from = "Split"
unit = "s"
[columns.shoes]
from = "Shoes"
"""
RUNS_HEADER = "Runner,Date,Time,Drill,Run,Gate,Split,Shoes,Battery\n"

# A line a run, minutes only, no number of the trial.
WIDE = """
layout = "wide"
family = "timing_gates"
device = "gates-2"
[match]
folder = "gates-2"
header = ["Runner", "10 m"]
[columns.athlete]
from = "Runner"
[columns.performed_at]
from = "When"
format = "%d.%m.%Y %H:%M"
[columns.test]
value = "linear_sprint"
[columns.split_time_s]
unit = "s"
unpivot = [
    { from = "5 m", distance_m = 5 }, { from = "10 m", distance_m = 10 }, { from = "20 m", distance_m = 20 }
]
"""
WIDE_HEADER = "Runner,When,5 m,10 m,20 m\n"

# Seconds, but no number of the trial.
JUMPS = """
layout = "jumps"
family = "contact_mat"
device = "mat-1"
[match]
folder = "mat-1"
header = ["Name", "Flight"]
[columns.athlete]
from = "Name"
[columns.performed_at]
from = "At"
format = "%Y-%m-%d %H:%M:%S"
[columns.test]
value = "countermovement_jump"
[columns.flight_time_s]
from = "Flight"
unit = "ms"
"""
JUMPS_HEADER = "Name,At,Flight\n"

# A date only, no number, and the unit in a column.
WEIGHTS = """
layout = "weights"
family = "body_measures"
device = "scales-1"
[match]
folder = "scales-1"
header = ["Person", "Reading"]
[file]
delimiter = ";"
decimal = ","
thousands = "."
[columns.athlete]
from = "Person"
[columns.performed_at]
from = "Day"
format = "%Y-%m-%d"
[columns.quantity]
from = "What"
map = { weight = "mass", height = "stature" }
[columns.value]
from = "Reading"
unit_from = "Unit"
"""
WEIGHTS_HEADER = "Person;Day;What;Reading;Unit\n"

LAYOUTS = {"runs": RUNS, "wide": WIDE, "jumps": JUMPS, "weights": WEIGHTS}
CORRECTIONS_HEADER = "made_on,made_by,why,device,file_id,line,athlete_id,date,test,trial,action,field,value\n"
COUNTS = ("loaded", "held", "repeated", "superseding", "skipped")


def run(
    name: str = "Ana Prado",
    time: str = "10:00:00",
    trial: object = 1,
    split: object = "1.83",
    shoes: str = "",
    *,
    date: str = "2025-03-01",
    gate: object = 10,
    drill: str = "LIN",
    battery: object = 90,
) -> str:
    """A line of the layout `runs`."""
    return f"{name},{date},{time},{drill},{trial},{gate},{split},{shoes},{battery}\n"


def runs(*lines: str) -> str:
    """An export of the layout `runs`."""
    return RUNS_HEADER + "".join(lines)


def as_bytes(data: str | bytes) -> bytes:
    return data.encode() if isinstance(data, str) else data


def file_id(data: str | bytes) -> str:
    """The 16 digits by which a content is named."""
    return hashlib.sha256(as_bytes(data)).hexdigest()[:FILE_DIGITS]


def write_config(
    folder: Path,
    layouts: Mapping[str, str] = LAYOUTS,
    settings: str = SETTINGS,
    roster: str = ROSTER,
) -> None:
    (folder / "config" / "layouts").mkdir(parents=True, exist_ok=True)
    (folder / "config" / "facility.toml").write_text(settings, encoding="utf-8")
    (folder / "config" / "athletes.csv").write_text(roster, encoding="utf-8")
    for name, text in layouts.items():
        (folder / "config" / "layouts" / f"{name}.toml").write_text(text, encoding="utf-8")


def quiet(text: str) -> None:
    """What is said of progress is not looked at."""


class Hall:
    """A facility in a folder; each `take_in` opens the warehouse anew, as each command does."""

    def __init__(
        self,
        folder: Path,
        layouts: Mapping[str, str] = LAYOUTS,
        settings: str = SETTINGS,
        roster: str = ROSTER,
    ) -> None:
        self.folder = folder
        write_config(folder, layouts, settings, roster)
        self.inbox.mkdir(exist_ok=True)

    @classmethod
    def copy_of(cls, made: Hall, folder: Path) -> Hall:
        """A hall as another one is now: quicker than making it anew."""
        shutil.copytree(made.folder, folder, dirs_exist_ok=True)
        copy = cls.__new__(cls)
        copy.folder = folder
        return copy

    @property
    def inbox(self) -> Path:
        return self.folder / "inbox"

    @property
    def facility(self) -> Facility:
        return load_facility(self.folder)

    @property
    def file(self) -> Path:
        return self.folder / "warehouse" / "yardmark.duckdb"

    def open(self) -> Warehouse:
        """As every command opens it."""
        return open_warehouse(self.file)

    def look(self) -> Warehouse:
        """As it was left."""
        return Warehouse(self.file)

    def write(self, name: str, text: str) -> None:
        """A file of the config folder."""
        (self.folder / "config" / name).write_text(text, encoding="utf-8")

    def correct(self, *rows: str) -> None:
        self.write("corrections.csv", CORRECTIONS_HEADER + "".join(row + "\n" for row in rows))

    def drop(self, place: str, data: str | bytes) -> Path:
        path = self.inbox / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(as_bytes(data))
        return path

    def take_in(self) -> IntakeReport:
        with self.open() as warehouse:
            return take_in(self.facility, warehouse, quiet)

    def take(self, *files: tuple[str, str | bytes]) -> IntakeReport:
        for place, data in files:
            self.drop(place, data)
        return self.take_in()

    def alias(self, name: str, athlete_id: str, **narrow: object) -> IntakeReport:
        with self.open() as warehouse:
            return say_who(self.facility, warehouse, quiet, name, athlete_id, **narrow)  # type: ignore[arg-type]

    def answer(self, *paths: Path) -> IntakeReport:
        with self.open() as warehouse:
            return answer(self.facility, warehouse, quiet, paths)

    def retry(self) -> IntakeReport:
        with self.open() as warehouse:
            return retry(self.facility, warehouse, quiet)

    def table(self, name: str) -> pl.DataFrame:
        with self.look() as warehouse:
            frame = warehouse.read(name)
        if not name.startswith("_"):
            table_model(name).validate(frame, lazy=True)
        return frame

    def tables(self) -> dict[str, pl.DataFrame]:
        """Everything that intake makes."""
        names = ("files", "held_rows", "line_fates", "superseded_rows", "sprint_splits", "jump_trials")
        with self.look() as warehouse:
            return {name: warehouse.read(name) for name in (*names, "body_readings", "_session_slots")}

    def counts(self) -> list[dict[str, int]]:
        """Counts of each drop in the order taken in, those that are not 0."""
        with self.look() as warehouse:
            order = warehouse.read("_drops").select("drop_id", "drop_no")
            files = warehouse.read("files").join(order, on="drop_id").sort("drop_no")
        return [{k: v for k, v in row.items() if v} for row in files.select(COUNTS).to_dicts()]

    def held(self) -> list[tuple[int | None, str, str]]:
        """line, code, state of all held rows."""
        return self.table("held_rows").select("line", "code", "state").sort("line", "code").rows()

    def values(self, table: str = "sprint_splits", value: str = "split_time_s") -> list[tuple[object, ...]]:
        """athlete_id and value of the current rows, sorted."""
        return sorted(self.table(table).select("athlete_id", value).rows())

    def sheet(self, starts: str = "") -> Path:
        """The one sheet of a file in held/ whose name begins like this."""
        ours = re.compile(r"\.[0-9a-f]{8}\.csv$")
        sheets = (self.folder / "held").glob("*.csv")
        found = [path for path in sheets if path.name.startswith(starts) and ours.search(path.name)]
        assert len(found) == 1, found
        return found[0]


def fill(sheet: Path, answers: Mapping[int, str], to: Path | None = None) -> Path:
    """Fill in the answers of a sheet by its row (0, 1, ...), as a spreadsheet saves it."""
    with sheet.open(encoding="utf-8-sig", newline="") as stream:
        header, *rows = csv.reader(stream)
    at = header.index("answer")
    for number, said in answers.items():
        rows[number][at] = said
    to = to or sheet
    to.parent.mkdir(parents=True, exist_ok=True)
    with to.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows([header, *rows])
    return to


@cache
def plain_facility() -> Facility:
    """The hall's config, read once."""
    folder = Path(mkdtemp(prefix="yardmark-test-"))
    write_config(folder)
    return load_facility(folder)


@dataclass
class Told:
    """What became of some texts."""

    resolved: Resolved

    def fates(self, drop_no: int = 1) -> dict[int, str]:
        """line -> fate of a drop (from 1)."""
        runs_of = self.resolved.tables["line_fates"].filter(pl.col("drop_id") == f"d{drop_no}")
        spans = runs_of.select("first_line", "last_line", "fate").iter_rows()
        return {line: fate for first, last, fate in spans for line in range(first, last + 1)}

    def codes(self) -> list[tuple[int | None, str]]:
        """line and code of what is open."""
        held = self.resolved.tables["held_rows"].filter(pl.col("state") == "open")
        return sorted(held.select("line", "code").rows())

    def rows(self, table: str = "sprint_splits") -> pl.DataFrame:
        frame = self.resolved.tables[table]
        table_model(table).validate(frame, lazy=True)
        return frame

    def splits(self) -> list[float]:
        return sorted(self.rows()["split_time_s"])

    @property
    def earlier(self) -> pl.DataFrame:
        return self.resolved.tables["superseded_rows"]


@dataclass
class Bench:
    """Reads and resolves texts in memory; `line_answers` are (data, line, code, field, answer)."""

    facility: Facility = field(default_factory=plain_facility)
    received_at: datetime = datetime(2026, 1, 1, 12)

    def resolve(
        self,
        *files: tuple[str, str | bytes],
        line_answers: Iterable[tuple[str | bytes, int, str, str, str]] = (),
        names: Iterable[tuple[str, str]] = (),
    ) -> Told:
        """`files` are (place below the inbox, data); `names` are (subject, athlete_id or drop)."""
        at = self.received_at + timedelta(days=1)
        lines = [
            Answer(at, "me", "line", f"{file_id(data)}:{line}:{code}:{field}", said)
            for data, line, code, field, said in line_answers
        ]
        given = aliases_of(Answer(at, "me", "name", subject, said) for subject, said in names)
        known = knowledge_of(self.facility)
        people = self.facility.athletes.select("athlete_id", "name", "aliases").rows()
        knowledge = replace(
            known,
            line_answers=line_answers_of(lines),
            names=Names(people, given, self.facility.settings.guests) if given else known.names,
        )
        opened = []
        for number, (place, data) in enumerate(files, start=1):
            whole = hashlib.sha256(as_bytes(data)).hexdigest()
            when = self.received_at + timedelta(minutes=number)
            drop = Drop(number, f"d{number}", whole, place, when, len(as_bytes(data)), when)
            outcome = open_file(as_bytes(data), place, self.facility, knowledge, whole)
            opened.append(Opened(drop, outcome.state, outcome))
        read = read_opened(opened, self.facility.tests)
        tables = as_batch(read, self.facility.settings.timezone).tables
        reads = {name: tables[name] for name in READ_TABLES}
        return Told(resolve(tables["_drops"], reads, tables["_problems"], tables["_skipped"], knowledge))

    def runs(self, *texts: str, **answers: object) -> Told:
        """Exports of the layout `runs`, one after the other."""
        files = [(f"gates-1/{at}.csv", runs(text)) for at, text in enumerate(texts)]
        return self.resolve(*files, **answers)  # type: ignore[arg-type]
