"""Which column is which field: names and cells weighed together, all columns and all families at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.intake.propose.columns import Column, Marks
from pipeline.intake.propose.fit import (
    CANNOT,
    even_steps,
    fit_athlete,
    fit_field,
    fit_mark,
    fit_time,
    rises,
)
from pipeline.intake.propose.moments import Moment, find_moment
from pipeline.intake.propose.wide import Entry, find_entries
from pipeline.intake.propose.words import PEOPLE, name_score
from schemas.core import Family, Field
from schemas.families import FAMILIES

_FIT = 0.7  # what the cells weigh, beside a name's 1
_LEAST = 0.36  # a column that reaches less is no field's, unless the field is one that must be
_NEEDED = 0.25  # what a required field is helped by
_IN_COLUMNS = 0.04  # a column is likelier a field than a line above the header
_UNLIKELY = 0.4  # what is taken off a circumstance (wind, load on the body) that only sizes speak for
_TIMES = ("performed_at", "date", "time")
_VELOCITIES = ("mean_velocity_m_s", "propulsive_velocity_m_s", "peak_velocity_m_s")
_MISSING = {"test": 0.3, "lift": 0.5}  # what is often no column: one export, one test


@dataclass(frozen=True)
class Match:
    """A column taken for a target: how much its name says so (0 to 1), and how well its cells fit."""

    column: Column
    name: float
    fit: float


@dataclass
class FamilyMap:
    """A family's reading of the columns of a header; `names` are first and last name where they are two."""

    family: Family
    matches: dict[str, Match] = field(default_factory=dict)
    entries: list[Entry] = field(default_factory=list)
    unit_from: Column | None = None
    left: list[Column] = field(default_factory=list)
    names: tuple[Column, ...] = ()
    header: list[Column] = field(default_factory=list)
    score: float = 0.0


class Weigher:
    """Scores of columns for targets, each reckoned once whatever family asks."""

    def __init__(
        self, columns: Sequence[Column], preamble: Sequence[Column], marks: Marks, known: frozenset[str]
    ):
        self.columns = list(columns)
        self.all = [*columns, *preamble]
        self.marks = marks
        self.known = known
        self.moments: list[Moment | None] = [find_moment(c.texts, c.lines) for c in self.all]
        self._fits: dict[tuple[int, object], float] = {}
        named = [max(self.name(at, target) for target in _all_targets()) for at in range(len(self.columns))]
        self.blind = sum(score >= 0.5 for score in named) < 0.35 * len(named)

    def name(self, at: int, target: str) -> float:
        """How much the name of column `at` says that it is the target."""
        column = self.all[at]
        if not column.name.bare:
            return 0.0
        name = (
            column.name.bare if column.numeric > 0.5 or column.name.unit == "ft_in" else column.name.written
        )
        if target == "performed_at":
            return max(name_score(name, one) for one in _TIMES)
        return name_score(name, target)

    def fit(self, at: int, target: str, spec: Field | None) -> float:
        """How well the cells of column `at` fit the target."""
        key = (at, spec if spec is not None else target)
        if key not in self._fits:
            self._fits[key] = self._fit(at, target, spec)
        return self._fits[key]

    def _fit(self, at: int, target: str, spec: Field | None) -> float:
        column, moment = self.all[at], self.moments[at]
        if target in _TIMES:
            return fit_time(target, moment)
        if moment is not None:
            return CANNOT
        if target == "athlete":
            return fit_athlete(column, self.known)
        if target == "mark":
            return fit_mark(column)
        if target == "unit":
            return 1.0 if column.of_units and at < len(self.columns) else CANNOT
        if spec is None:
            return 0.0
        fit = fit_field(column, spec, self.marks)
        if target in ("time_s", "position_m") and fit > CANNOT and at < len(self.columns):
            steps = even_steps(column.values)
            fit += 0.8 * rises(column.values) - 0.5 + 0.3 * (steps if target == "time_s" else -steps)
        return fit


def _all_targets() -> list[str]:
    fields = {field.name for family in FAMILIES.values() for field in family.columns}
    return [*_TIMES, "athlete", "mark", "ignore", *sorted(fields)]


def targets_of(family: Family) -> dict[str, Field | None]:
    """What a family's columns may be; `unit` is a column of units."""
    shared: dict[str, Field | None] = dict.fromkeys((*_TIMES, "athlete", "session", "mark", "unit"))
    return shared | {field.name: field for field in family.columns if field.name != "unit"}


def best_mappings(weigher: Weigher, families: Sequence[str]) -> list[FamilyMap]:
    """The families' readings of the columns, the best first."""
    found = [map_family(weigher, FAMILIES[name]) for name in families]
    return sorted(found, key=lambda one: -one.score)


def map_family(weigher: Weigher, family: Family) -> FamilyMap:
    """One family's best reading of all columns at once."""
    entries = find_entries(weigher.columns, family, weigher.marks)
    places = [at for at, column in enumerate(weigher.all) if all(column is not e.column for e in entries)]
    given = {name for entry in entries for name, _ in entry.constants} | {entry.target for entry in entries}
    targets = {name: spec for name, spec in targets_of(family).items() if name not in given}
    scores, parts = _scores(weigher, family, places, targets)
    leave = np.array([_leave(weigher, at) for at in places])
    # One place to be left a column: as many more targets as there are columns.
    padded = np.hstack([scores, np.where(np.eye(len(places)) == 1, leave[:, None], CANNOT)])
    # Slow to import, and commands that propose nothing do without.
    from scipy.optimize import linear_sum_assignment

    rows, chosen = linear_sum_assignment(padded, maximize=True)
    mapping = FamilyMap(family, entries=entries, header=weigher.columns)
    names = list(targets)
    for row, at in zip(rows, chosen, strict=True):
        column = weigher.all[places[row]]
        if at >= len(names):
            if places[row] < len(weigher.columns):
                mapping.left.append(column)
            continue
        mapping.score += float(padded[row, at] - leave[row])
        if names[at] == "unit":
            mapping.unit_from = column
        else:
            mapping.matches[names[at]] = Match(column, *parts[row, at])
    _order_velocities(mapping, weigher)
    _join_names(mapping)
    mapping.score += sum(1.0 if entry.sure else 0.6 for entry in entries)
    mapping.score -= _lacking(mapping)
    return mapping


def _join_names(mapping: FamilyMap) -> None:
    """Where the athlete's first and last name are two columns, both are the athlete."""
    match = mapping.matches.get("athlete")
    if match is None or all(match.column is not one for one in mapping.header):
        return
    parts = {"first_name": match.column, "last_name": match.column}
    for own, other in (("first_name", "last_name"), ("last_name", "first_name")):
        if name_score(match.column.name.written, own, PEOPLE) < 0.75:
            continue
        found = [one for one in mapping.left if name_score(one.name.written, other, PEOPLE) >= 0.75]
        if found:
            parts[other] = found[0]
            mapping.left = [one for one in mapping.left if one is not found[0]]
            mapping.names = (parts["first_name"], parts["last_name"])
            return


def _order_velocities(mapping: FamilyMap, weigher: Weigher) -> None:
    """Where names do not tell mean, propulsive and peak velocity apart, their sizes do: mean is the least."""
    found = {name: mapping.matches[name] for name in _VELOCITIES if name in mapping.matches}
    if len(found) < 2 or any(match.name >= 0.3 for match in found.values()):
        return
    wanted = _VELOCITIES if len(found) == 3 else ("mean_velocity_m_s", "peak_velocity_m_s")
    rising = sorted(found.values(), key=lambda match: float(match.column.values.mean() or 0))  # type: ignore[arg-type]
    for name in found:
        del mapping.matches[name]
    mapping.matches |= dict(zip(wanted, rising, strict=True))


def _scores(
    weigher: Weigher, family: Family, places: list[int], targets: Mapping[str, Field | None]
) -> tuple[np.ndarray, np.ndarray]:
    """Scores by place and target, and the (name, fit) behind each."""
    scores = np.full((len(places), len(targets)), CANNOT)
    parts = np.zeros((len(places), len(targets), 2))
    needed = {"athlete", *family.required}
    for row, at in enumerate(places):
        for column, (target, spec) in enumerate(targets.items()):
            fit = weigher.fit(at, target, spec)
            if fit <= CANNOT / 2:
                continue
            name = weigher.name(at, target)
            help_ = _NEEDED if target in needed else 0.0
            help_ += _IN_COLUMNS if at < len(weigher.columns) else 0.0
            if name < 0.3 and (_is_witness(spec) or (weigher.blind and _is_circumstance(family, spec))):
                help_ -= _UNLIKELY
            scores[row, column] = name + _FIT * fit + help_
            parts[row, column] = name, fit
    return scores, parts


def _is_circumstance(family: Family, spec: Field | None) -> bool:
    """Whether a field is a number beside what is measured: of those, sizes alone say nothing."""
    return spec is not None and spec.type == "real" and spec.name not in {*family.required, *family.values}


def _is_witness(spec: Field | None) -> bool:
    """Whether a field is what devices compute themselves: only a name says that a column is."""
    return spec is not None and spec.is_witness


def _leave(weigher: Weigher, at: int) -> float:
    """What a target must reach to be taken for a column, instead of leaving the column out."""
    least = 0.15 if weigher.blind else _LEAST
    said = weigher.name(at, "ignore")
    return max(least, 0.25 + 0.75 * said) if said >= 0.5 else least


def _lacking(mapping: FamilyMap) -> float:
    """What is taken off for fields that the family needs and no column is."""
    given = {*mapping.matches, *(name for e in mapping.entries for name, _ in e.constants)}
    given |= {entry.target for entry in mapping.entries}
    lacking = sum(_MISSING.get(name, 1.0) for name in mapping.family.required if name not in given)
    if not given & set(mapping.family.values):
        lacking += 1.5
    if mapping.family.trace is not None:
        match = mapping.matches.get("time_s")
        lacking += 0.0 if match is not None and rises(match.column.values) > 0.7 else 2.0
    return lacking
