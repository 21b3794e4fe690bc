"""`config/facility.toml` and `config/metrics.toml` as strict models."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, time
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import available_timezones

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from pipeline.facility.problems import Problem, nearest_known, shown
from pipeline.facility.toml_file import TomlFile, check_model, read_toml
from pipeline.reading.units import UNITS, base_unit
from schemas.catalogue import CATALOGUE, Domain
from schemas.families import FAMILIES

SETTINGS_FILE = "config/facility.toml"
METRICS_FILE = "config/metrics.toml"
OTHER_TESTS = "other_tests"
MAXIMUM = "one_rep_max"

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


class StrictConfig(BaseModel):
    """A table of a config file: unknown keys are errors, and values must have the declared type."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def known_family(name: str) -> str:
    """A device family's name; ValueError where there is none of that name."""
    of_devices = [family.name for family in FAMILIES.values() if family.of_device == family.name]
    if name not in of_devices:
        raise ValueError(f"{name!r} is no device family; {nearest_known(name, of_devices)}")
    return name


def known_timezone(name: str) -> str:
    """A time zone's name; ValueError where there is none of that name."""
    zones = available_timezones()
    if name not in zones:
        raise ValueError(f"{name!r} is no time zone; {nearest_known(name, zones)}")
    return name


def _time_of_day(value: object) -> object:
    if isinstance(value, str) and re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        return time.fromisoformat(value)
    if isinstance(value, time):
        return value
    raise ValueError(f'{shown(value)} is no time of day; write it as "03:00"')


def _moment(value: object) -> object:
    """A date as its midnight; a date with time as it is."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return datetime.combine(value, time())
    if isinstance(value, datetime) and value.tzinfo is not None:
        raise ValueError(f"{value} has an offset from UTC; write the time as the device shows it, without")
    return value


def _metric_unit(unit: str) -> str:
    if unit not in UNITS:
        raise ValueError(f"{unit!r} is no known unit; {nearest_known(unit, UNITS)}. Known: {' '.join(UNITS)}")
    if UNITS[unit].written != "number":
        base = base_unit(UNITS[unit].dimension)
        raise ValueError(f"{unit!r} is a way to write values, not to count them; give {base!r}")
    return unit


def _month_day(value: str) -> str:
    try:
        datetime.strptime(f"2001-{value}", "%Y-%m-%d")
    except ValueError:
        raise ValueError(f'{value!r} is no month and day; write it as "09-01"') from None
    return value


def _weekday(value: str) -> str:
    if value not in WEEKDAYS:
        raise ValueError(f"{value!r} is no day of the week; {nearest_known(value, WEEKDAYS)}")
    return value


def _some_and_distinct(values: tuple[time, ...]) -> tuple[time, ...]:
    if not values or len(set(values)) < len(values):
        raise ValueError('expected one or more different times of day, such as ["03:00", "13:00"]')
    return tuple(sorted(values))


TimeOfDay = Annotated[time, BeforeValidator(_time_of_day)]
Moment = Annotated[datetime, BeforeValidator(_moment)]
Names = Annotated[tuple[str, ...], Field(strict=False)]
Range = Annotated[tuple[float, float], Field(strict=False)]
Seconds = Annotated[float, Field(ge=0)]
Slots = Annotated[tuple[TimeOfDay, ...], Field(strict=False), AfterValidator(_some_and_distinct)]
Age = Annotated[int, Field(ge=0, le=120)]
PopulationName = Annotated[str, Field(pattern=r"^[^;=|]+$")]
Timezone = Annotated[str, AfterValidator(known_timezone)]
FamilyName = Annotated[str, AfterValidator(known_family)]


def _apart(clock: tuple[ClockOffset, ...]) -> tuple[ClockOffset, ...]:
    spans = sorted((c.from_ or datetime.min, c.to or datetime.max) for c in clock)
    for (_, end), (start, _) in pairwise(spans):
        if start < end:
            raise ValueError(f"two entries overlap at {start}; end one where the next begins")
    return clock


class ClockOffset(StrictConfig):
    """What is added to a device's written times from `from` (inclusive) to `to` (exclusive)."""

    from_: Moment | None = Field(default=None, alias="from")
    to: Moment | None = None
    offset_seconds: float

    @model_validator(mode="after")
    def _forward(self) -> ClockOffset:
        if self.from_ and self.to and self.to <= self.from_:
            raise ValueError(f"`to` ({self.to}) must be after `from` ({self.from_})")
        return self


class Device(StrictConfig):
    """A device: its family, first day, label for coaches, method (equal methods share series) and clock.

    `all_trials_count`: the protocol counts every trial, so that none is taken for a warm-up unmarked.
    """

    family: FamilyName
    since: date | None = None
    label: str = ""
    method: str = ""
    all_trials_count: bool = False
    clock: Annotated[tuple[ClockOffset, ...], Field(strict=False), AfterValidator(_apart)] = ()


class Labels(StrictConfig):
    """Words shown for a sport, position or level; they never forbid others."""

    sport: dict[str, str] = {}
    position: dict[str, str] = {}
    competition_level: dict[str, str] = {}


class Schedule(StrictConfig):
    """When `watch` refreshes all and writes the weekly edition, in the facility's time zone."""

    weekly_day: Annotated[str, AfterValidator(_weekday)] = "monday"
    weekly_time: TimeOfDay = time(5)
    nightly_time: TimeOfDay = time(3, 30)


class BodyComposition(StrictConfig):
    """Of whom density and fat are estimated from folds (adults who asked for it), and by which equations."""

    athletes: Names = ()
    equation: Literal["three_sites", "four_sites", "seven_sites"] = "seven_sites"
    fat: Literal["siri", "brozek"] = "siri"


class Population(StrictConfig):
    """A population of the facility's own: who is in it; left out: any."""

    sex: Literal["female", "male"]
    ages: Annotated[tuple[Age, Age], Field(strict=False)] | None = None
    sport: Annotated[str, Field(min_length=1)] | None = None
    position: Annotated[str, Field(min_length=1)] | None = None
    competition_level: Annotated[str, Field(min_length=1)] | None = None
    squad: Annotated[str, Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _of_some(self) -> Population:
        if self.ages is not None and self.ages[0] > self.ages[1]:
            raise ValueError(f"ages {self.ages[0]} to {self.ages[1]} are upside down")
        if all(value is None for name, value in self if name != "sex"):
            raise ValueError("give at least one of ages, sport, position, competition_level, squad")
        return self


class Settings(StrictConfig):
    """`config/facility.toml`."""

    name: Annotated[str, Field(min_length=1)]
    timezone: Timezone
    units: Literal["metric", "us"] = "metric"
    settle_seconds: Seconds = 10
    settle_unfinished_seconds: Seconds = 60
    day_start: TimeOfDay = time(3)
    slots: Slots = (time(3),)
    season_start: Annotated[str, AfterValidator(_month_day)] = "09-01"
    guests: Names = ()
    max_file_mb: Annotated[int, Field(gt=0)] = 2000
    state_dir: str | None = None
    squads: dict[str, str] = {}
    labels: Labels = Labels()
    devices: dict[str, Device] = {}
    populations: dict[PopulationName, Population] = {}
    schedule: Schedule = Schedule()
    body_composition: BodyComposition = BodyComposition()

    @model_validator(mode="before")
    @classmethod
    def _dependent_defaults(cls, data: Any) -> Any:
        """A device's method is its id; nothing waits for a line's end where nothing waits at all."""
        if not isinstance(data, dict):
            return data
        data = dict(data)
        if data.get("settle_seconds") == 0:
            data.setdefault("settle_unfinished_seconds", 0)
        devices = data.get("devices")
        if isinstance(devices, dict):
            data["devices"] = {
                name: {"method": name, **device} if isinstance(device, dict) else device
                for name, device in devices.items()
            }
        return data

    @property
    def words(self) -> dict[str, dict[str, str]]:
        """Column -> word of athlete_periods.csv -> what it is called where people read it."""
        return {**self.labels.model_dump(), "squad": self.squads}

    @property
    def method_labels(self) -> dict[str, str]:
        """What coaches call each method: the labels of its devices, or the method where they have none.

        Where two methods of a family would be called the same, the method is told as well.
        """
        called: dict[tuple[str, str], list[str]] = {}
        for device in self.devices.values():
            called.setdefault((device.family, device.method), []).append(device.label or device.method)
        words = {key: " or ".join(dict.fromkeys(labels)) for key, labels in called.items()}
        times = Counter((family, label) for (family, _), label in words.items())
        return {
            method: label if times[family, label] == 1 else f"{label} ({method})"
            for (family, method), label in words.items()
        }


class MetricOverride(StrictConfig):
    """A facility's own figures for a metric, in the metric's unit (typical errors: see the catalogue).

    `on`: whether the metric is made; left out, as in the catalogue.
    """

    on: bool | None = None
    hard: Range | None = None
    soft: Range | None = None
    smallest_worthwhile: Annotated[float, Field(gt=0)] | None = None
    worthwhile_because: str | None = None
    typical_error_trial: Annotated[float, Field(gt=0)] | None = None
    typical_error_session: Annotated[float, Field(gt=0)] | None = None


class OtherTest(StrictConfig):
    """A test of the facility's own, which is a metric of that id; limits are in `unit`."""

    label: Annotated[str, Field(min_length=1)]
    unit: Annotated[str, AfterValidator(_metric_unit)]
    decimals: Annotated[int, Field(ge=0, le=6)]
    better: Literal["higher", "lower", "context"]
    scale: Literal["log", "raw"] = "log"
    summary: Literal["mean", "median", "best"] = "mean"
    learned: bool = True
    min_trials: Annotated[int, Field(ge=1)] = 1
    hard: Range
    soft: Range
    smallest_worthwhile: Annotated[float, Field(gt=0)] | None = None
    worthwhile_because: str | None = None
    domain: Domain | None = None
    typical_error_trial: Annotated[float, Field(gt=0)] | None = None
    typical_error_session: Annotated[float, Field(gt=0)] | None = None
    source: Annotated[str, Field(min_length=1)]
    caution: str = ""

    @model_validator(mode="after")
    def _has_a_direction_where_it_needs_one(self) -> OtherTest:
        if self.better == "context" and (self.summary == "best" or self.domain is not None):
            raise ValueError('with better = "context" there is no summary = "best", and no domain')
        return self


class LiftedMaximum(StrictConfig):
    """A test that is the one-repetition maximum of a lift: its values are of the metric `one_rep_max`."""

    lift: Annotated[str, Field(min_length=1)]
    variant: str | None = None


@dataclass(frozen=True)
class Metrics:
    """`config/metrics.toml`: own figures for metrics of the catalogue, own tests, lifted maxima; by id."""

    overrides: dict[str, MetricOverride]
    tests: dict[str, OtherTest]
    maxima: dict[str, LiftedMaximum]

    @property
    def declared(self) -> dict[str, str]:
        """Every test of other tests that the facility has declared, with the unit of its metric."""
        maxima = dict.fromkeys(self.maxima, CATALOGUE[MAXIMUM].unit)
        return {name: test.unit for name, test in self.tests.items()} | maxima


@dataclass(frozen=True)
class SettingsFile:
    """`config/facility.toml`, as far as it can be read.

    `families`: device -> its family as written (also where that is wrong), to check other files by; None
    where the file is no TOML.
    """

    settings: Settings | None
    families: dict[str, str] | None
    problems: list[Problem]


def read_settings(folder: Path) -> SettingsFile:
    """The settings of a facility folder, or all that is wrong with them."""
    file, problems = read_toml(folder / SETTINGS_FILE, SETTINGS_FILE)
    if file is None:
        return SettingsFile(None, None, problems)
    settings, problems = check_model(Settings, file, file.data)
    devices = file.data.get("devices")
    written = devices.items() if isinstance(devices, dict) else ()
    families = {
        name: str(device.get("family")) if isinstance(device, dict) else "" for name, device in written
    }
    return SettingsFile(settings, families, problems)


def read_metrics(folder: Path) -> tuple[Metrics, list[Problem]]:
    """`config/metrics.toml`: what is right of it, and all that is wrong. Absent: nothing."""
    metrics = Metrics({}, {}, {})
    if not (folder / METRICS_FILE).is_file():
        return metrics, []
    file, problems = read_toml(folder / METRICS_FILE, METRICS_FILE)
    if file is None:
        return metrics, problems
    for metric, entry in file.data.items():
        if metric == OTHER_TESTS:
            problems += _read_tests(file, entry, metrics)
            continue
        if metric not in CATALOGUE:
            near = nearest_known(metric, CATALOGUE)
            said = f"{metric!r} is no metric; {near}. A test of your own is [{OTHER_TESTS}.{metric}]"
            problems.append(file.problem((metric,), said))
            continue
        override, wrong = check_model(MetricOverride, file, entry, (metric,))
        problems += wrong
        if override:
            metrics.overrides[metric] = override
            hard, soft = override.hard or CATALOGUE[metric].hard, override.soft or CATALOGUE[metric].soft
            blamed = "soft" if override.soft else "hard"
            problems += [file.problem((metric, key), text) for key, text in _crossed(hard, soft, blamed)]
    return metrics, problems


def _read_tests(file: TomlFile, entries: object, metrics: Metrics) -> list[Problem]:
    """The declared tests, added to `metrics`, and all that is wrong with them."""
    if not isinstance(entries, dict):
        said = f"write each test as a table of its own, such as [{OTHER_TESTS}.broad_jump]"
        return [file.problem((OTHER_TESTS,), said)]
    problems: list[Problem] = []
    for test, entry in entries.items():
        at = (OTHER_TESTS, test)
        if test in CATALOGUE:
            problems.append(file.problem(at, f"{test!r} is a metric of the catalogue; take another name"))
        elif not re.fullmatch("[a-z][a-z0-9_]*", test):
            said = f"{test!r} must be of small letters, digits and _, and begin with a letter"
            problems.append(file.problem(at, said))
        elif isinstance(entry, dict) and "lift" in entry:
            maximum, wrong = check_model(LiftedMaximum, file, entry, at)
            problems += wrong
            if maximum:
                metrics.maxima[test] = maximum
        else:
            own, wrong = check_model(OtherTest, file, entry, at)
            problems += wrong
            if own:
                metrics.tests[test] = own
                problems += [file.problem((*at, key), text) for key, text in _crossed(own.hard, own.soft)]
    return problems


def _crossed(
    hard: tuple[float, float], soft: tuple[float, float], blamed: str = "soft"
) -> list[tuple[str, str]]:
    """Limits that are upside down, or soft ones outside the hard ones: (key, what is wrong)."""
    for key, (low, high) in (("hard", hard), ("soft", soft)):
        if low >= high:
            return [(key, f"the lower limit {low:g} must be below the upper limit {high:g}")]
    if soft[0] < hard[0] or soft[1] > hard[1]:
        span = f"{hard[0]:g} to {hard[1]:g}"
        return [
            (blamed, f"the soft limits {soft[0]:g} to {soft[1]:g} must lie within the hard limits {span}")
        ]
    return []
