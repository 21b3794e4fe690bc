"""The words the declarations are written in: a field, a table, a device family."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Type = Literal["text", "integer", "bigint", "real", "boolean", "date", "time", "timestamp"]
OWN_UNIT = "the row's unit"
WITNESS = "witness_"
"""Fields whose names begin so hold what a device computed itself: no value is ever made from them."""
NUMERIC: frozenset[str] = frozenset({"integer", "bigint", "real"})


@dataclass(frozen=True)
class Field:
    """A quantity or fact with one name, one type, one unit and one meaning wherever it appears.

    `low` and `high` are hard limits in `unit`: a raw value outside holds its line. `limits_from`
    says where they come from. `values` lists the allowed words of a closed text field.
    Where the limits depend on another field of the row, `by` names it and `limits_by` lists
    (its word, low, high); words not listed have `low` and `high`.
    """

    name: str
    type: Type
    meaning: str
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    limits_from: str | None = None
    values: tuple[str, ...] = ()
    sign: str | None = None
    by: str | None = None
    limits_by: tuple[tuple[str, float, float], ...] = ()

    @property
    def is_witness(self) -> bool:
        """Whether it is what the device computed: it has no limits, so none of its sizes holds a line."""
        return self.name.startswith(WITNESS)

    @property
    def comment(self) -> str:
        """Meaning, unit, sign and allowed words in one sentence, as shown to SQL users."""
        parts = [self.meaning]
        if self.unit:
            parts.append(f"[{self.unit}]")
        if self.sign:
            parts.append(f"Sign: {self.sign}.")
        if self.values:
            parts.append("One of: " + ", ".join(self.values) + ".")
        if self.low is not None and self.high is not None and self.unit != "count":
            parts.append(f"Hard limits {self.low:g} to {self.high:g}.")
        for word, low, high in self.limits_by:
            parts.append(f"For {word} {low:g} to {high:g}.")
        return " ".join(parts)


@dataclass(frozen=True)
class Table:
    """A table: what a row is, its fields by name, its key, and where it is shown.

    `is_set`: a set of samples, published as partitioned Parquet only. `flat`: published as files of its own
    too; these are the same bytes for the same inputs, so a table that tells of the clock is not. `repeats`:
    (column, other) where the column of every row says what the other does. `words_checked`: its closed text
    fields hold none but their words, for rows with others wait.
    """

    name: str
    row_is: str
    fields: tuple[str, ...]
    key: tuple[str, ...]
    required: frozenset[str] = frozenset()
    published: bool = True
    is_set: bool = False
    as_csv: bool = False
    flat: bool = True
    restricted: bool = False
    repeats: tuple[tuple[str, str], ...] = ()
    words_checked: bool = False


@dataclass(frozen=True)
class Trace:
    """How a family whose lines are samples keeps them: one trial is all lines of its key.

    `columns` are the family's fields that each sample has; they go to the set `table` (Parquet, partitioned
    by month) and not to the trial table, which has `adds` in their place: what is counted over the samples.
    `filled` are columns of the set that a later step fills in.
    """

    table: str
    row_is: str
    columns: tuple[str, ...]
    adds: tuple[Field, ...]
    filled: tuple[str, ...] = ()


@dataclass(frozen=True)
class Family:
    """A device family: how its trial rows look and what makes two of them the same row.

    `columns` are the family's own fields. `required` must be mapped by a layout and filled in every row.
    `numbered` is the field that, where a layout does not map it, is the order of appearance.
    `trial_key` is the part of `natural_key` that names one trial (several rows may share it).
    `values` are the measured quantities: an empty set of them makes no row, and they are what two
    versions of a row are compared by. `share` is the relative difference beyond which a newer export's
    value is held as `changed_at_source`. `trace`: each line is a sample of a trial, not a trial.
    `device_family`: the device family whose traces these are, where that has exports of another kind too.
    """

    name: str
    label: str
    table: str
    row_is: str
    columns: tuple[Field, ...]
    required: tuple[str, ...]
    natural_key: tuple[str, ...]
    trial_key: tuple[str, ...]
    numbered: str
    values: tuple[str, ...]
    share: float = 0.10
    trace: Trace | None = None
    device_family: str = ""

    @property
    def of_device(self) -> str:
        """The family that a device of these exports has in facility.toml."""
        return self.device_family or self.name

    @property
    def row_is_trial(self) -> bool:
        """Whether a row is a trial, as of most families."""
        return self.trial_key == self.natural_key

    @property
    def row_columns(self) -> tuple[Field, ...]:
        """The columns of the trial table: without those that a trace holds, with what it adds."""
        if self.trace is None:
            return self.columns
        own = tuple(field for field in self.columns if field.name not in self.trace.columns)
        return (*own, *self.trace.adds)

    def field(self, name: str) -> Field:
        """The family's field of that name; KeyError if there is none."""
        for field in self.columns:
            if field.name == name:
                return field
        raise KeyError(name)
