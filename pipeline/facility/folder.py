"""The facility folder as a whole: all of its config read, checked and put together."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.facility.people import People, read_people
from pipeline.facility.problems import ConfigError, Problem, mistakes
from pipeline.facility.records import Records, read_records
from pipeline.facility.settings import SETTINGS_FILE, Metrics, Settings, read_metrics, read_settings
from pipeline.intake.layouts import LAYOUTS_FOLDER, Layout, read_layout


@dataclass(frozen=True)
class Facility:
    """A facility folder whose config has no mistakes, apart from layouts (see `faulty_layouts`)."""

    folder: Path
    settings: Settings
    people: People
    records: Records
    metrics: Metrics
    layouts: dict[str, Layout]
    faulty_layouts: dict[str, list[Problem]]

    @property
    def athletes(self) -> pl.DataFrame:
        """athlete_id, name, birth_date, sex, aliases (list)."""
        return self.people.athletes

    @property
    def periods(self) -> pl.DataFrame:
        """Dated squad, sport, position, competition_level, status, restriction; both ends inclusive."""
        return self.people.periods

    @property
    def aliases(self) -> pl.DataFrame:
        """alias, athlete_id, device, valid_from, valid_until (inclusive)."""
        return self.people.aliases

    @property
    def events(self) -> pl.DataFrame:
        """athlete_id, squad, kind, label, from_date, to_date (inclusive)."""
        return self.people.events

    @property
    def corrections(self) -> pl.DataFrame:
        """Dated corrections of rows."""
        return self.records.corrections

    @property
    def testing_days(self) -> pl.DataFrame:
        """Who is to be tested when: date, squad, athlete_id, test, trials, attended."""
        return self.records.testing_days

    @property
    def tests(self) -> dict[str, str]:
        """Every test of other tests that the facility has declared, with the unit of its metric."""
        return self.metrics.declared

    @property
    def config(self) -> Path:
        """The folder of the config files."""
        return self.folder / "config"

    @property
    def inbox(self) -> Path:
        """The watched drop folder."""
        return self.folder / "inbox"

    @property
    def archive(self) -> Path:
        """Every original, named by its SHA-256."""
        return self.folder / "archive"

    @property
    def held(self) -> Path:
        """The sheets of held rows."""
        return self.folder / "held"

    @property
    def published(self) -> Path:
        """What people open."""
        return self.folder / "published"

    @property
    def state(self) -> Path:
        """Where warehouse, locks and server state live: `state_dir`, or the facility folder."""
        return self.folder / Path(self.settings.state_dir or ".").expanduser()

    @property
    def warehouse_file(self) -> Path:
        """The pipeline's own database."""
        return self.state / "warehouse" / "yardmark.duckdb"


def load_facility(folder: Path) -> Facility:
    """Read a facility folder. Raises ConfigError with every mistake in anything but layouts.

    A faulty layout does not stop the others: its problems are in `faulty_layouts`, by its file's stem.
    """
    facility, problems, _ = _read(folder)
    if facility is None or mistakes(problems):
        raise ConfigError(mistakes(problems))
    return facility


def check_facility(folder: Path) -> list[Problem]:
    """Every problem of every config file, by file and line; those of severity "look" are no mistakes.

    Raises ConfigError where the folder is no facility.
    """
    _, problems, faulty_layouts = _read(folder)
    problems = problems + [problem for faults in faulty_layouts.values() for problem in faults]
    return sorted(problems, key=lambda problem: (problem.file, problem.line or 0))


def _read(folder: Path) -> tuple[Facility | None, list[Problem], dict[str, list[Problem]]]:
    """The facility (None without right settings), the problems of all else than layouts, those of layouts."""
    if not (folder / SETTINGS_FILE).is_file():
        said = f"{folder} is no facility folder: it has no {SETTINGS_FILE}"
        advice = f"make one with `yardmark init {folder}`"
        raise ConfigError([Problem(SETTINGS_FILE, None, None, f"{said}; {advice}")])
    read = read_settings(folder)
    settings = read.settings
    today = datetime.now(ZoneInfo(settings.timezone if settings else "UTC")).date()
    people, of_people = read_people(folder, read.families, today)
    metrics, of_metrics = read_metrics(folder)
    records, of_records = read_records(folder, people.ids, read.families, metrics.tests)
    layouts, faulty = _read_layouts(folder, read.families)
    problems = [*read.problems, *of_people, *of_records, *of_metrics]
    if settings is None:
        return None, problems, faulty
    problems += [*_guests_on_roster(settings, people), *_askers_off_roster(settings, people)]
    return Facility(folder, settings, people, records, metrics, layouts, faulty), problems, faulty


def _read_layouts(
    folder: Path, families: dict[str, str] | None
) -> tuple[dict[str, Layout], dict[str, list[Problem]]]:
    """Layouts by the stem of their file, good ones and the problems of faulty ones."""
    layouts: dict[str, Layout] = {}
    faulty: dict[str, list[Problem]] = {}
    for path in sorted((folder / LAYOUTS_FOLDER).glob("*.toml")):
        layout, problems = read_layout(path, families)
        if layout is None:
            faulty[path.stem] = problems
        else:
            layouts[path.stem] = layout
    return layouts, faulty


def _guests_on_roster(settings: Settings, people: People) -> list[Problem]:
    on_roster = set(people.athletes["name"].drop_nulls())
    return [
        Problem(SETTINGS_FILE, None, "guests", f"{name!r} is on the roster, so is no guest", "look")
        for name in settings.guests
        if name in on_roster
    ]


def _askers_off_roster(settings: Settings, people: People) -> list[Problem]:
    key = "body_composition.athletes"
    return [
        Problem(SETTINGS_FILE, None, key, f"{name!r} is no athlete_id of the roster", "look")
        for name in settings.body_composition.athletes
        if people.ids is not None and name not in people.ids
    ]
