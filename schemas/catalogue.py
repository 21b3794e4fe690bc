"""The metric catalogue: `metrics.toml` read into checked records, and the keys a series can have."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from importlib import resources
from typing import Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

Range = tuple[float, float]

# Every key a series can have, in the order of its label, with the trial column it is made from and the
# unit it is shown in. `None` as the column: the metric's module gives it ready.
SERIES_KEYS: dict[str, tuple[str | None, str | None]] = {
    "course": ("course", None),
    "from_distance": (None, "m"),
    "distance": ("distance_m", "m"),
    "interval": (None, "m"),
    "test": ("test", None),
    "lift": ("lift", None),
    "variant": ("variant", None),
    "implement": ("implement", None),
    "implement_count": (None, None),
    "load": ("load_kg", "kg"),
    "accommodating": ("accommodating", None),
    "site_set": (None, None),
    "site": ("site", None),
    "direction": ("direction", None),
    "posture": ("posture", None),
    "lever_arm": ("lever_arm_m", "m"),
    "turn_angle": ("turn_angle_deg", "deg"),
    "approach": ("approach", None),
    "side": ("side", None),
    "leg": ("leg", None),
    "hands": ("hands", None),
    "drop_height": ("drop_height_m", "m"),
    "added_load": ("added_load_kg", "kg"),
    "pull": ("pull", None),
    "decrement": (None, "%"),
    "load_basis": (None, None),
    "resistance": ("resistance_n", "N"),
    "resistance_setting": ("resistance_setting", None),
    "sled_mass": ("sled_mass_kg", "kg"),
    "start": ("start", None),
    "start_offset": ("start_offset_m", "m"),
    "timing": ("timing", None),
    "surface": ("surface", None),
    "shoes": ("shoes", None),
    "equation": (None, None),
    "measurer": ("measurer", None),
    "examiner": ("examiner", None),
    "method": ("method", None),
    "method_version": ("method_version", None),
}


# Qualities that a composite score is made of, each counting once however many tests there are of it.
# What a metric counts for in a composite score; of "endurance" there are only tests of the facility's own.
Domain = Literal["power", "reactive", "speed", "agility", "strength", "neck", "endurance"]
DOMAINS: tuple[str, ...] = get_args(Domain)


class Strict(BaseModel):
    """A record in which an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Limits(Strict):
    """Limits that hold where the series has these values of its keys."""

    when: dict[str, str]
    hard: Range
    soft: Range


class TypicalError(Strict):
    """A typical error: per cent on the log scale, the metric's unit on the raw scale.

    `origin` published: other people's athletes, borrowed; facility: set in the facility's config.
    """

    trial: float | None = None
    session: float | None = None
    source: str
    verified: str
    origin: Literal["published", "facility"] = "published"


class FedBy(Strict):
    """A test of `other_trials` whose values are of a metric; `lift` and `variant` are keys of its series."""

    test: str
    lift: str | None = None
    variant: str | None = None


class Metric(Strict):
    """A metric: how it is shown, compared, limited, summed up, and where it comes from.

    `fed_by`: the facility's tests that it is measured by, where it is one of other tests.
    `restricted_minors`: it says how a body is composed, so a minor's values are in the restricted file only.
    `soft_youth`: the soft limits under 18, where they are others and none of `limits` holds.
    `pool_keys`: over which series errors and drift are pooled: those equal in these of the series keys.
    `drift`: the least SD of the level over 28 days, per cent on the log scale, the unit on the raw scale.
    `smallest_worthwhile`: the coach's, in the metric's unit, and why.
    `coach`: whether coaches are shown it; not so where another metric says the same. `on`: whether it is made
    at all; what is off by default is made where the facility's metrics.toml turns it on.
    `ranked`: whether people are compared with each other by it; not so where that does harm.
    `domain`: the quality that it counts for in a composite score; None: it does not.
    `joins`: (label, label) of series whose values the facility counts in another series, and of that one.
    """

    metric: str
    label: str
    family: str
    unit: str
    decimals: int
    better: Literal["higher", "lower", "context"]
    scale: Literal["log", "raw"]
    summary: Literal["mean", "median", "best"]
    learned: bool
    min_trials: int
    series_keys: tuple[str, ...]
    pool_keys: tuple[str, ...]
    drift: float = Field(gt=0)
    hard: Range
    soft: Range
    limits: tuple[Limits, ...] = ()
    soft_youth: Range | None = None
    formula: str
    source: str
    verified: str
    caution: str
    typical_error: TypicalError | None = Field(default=None)
    smallest_worthwhile: float | None = Field(default=None, gt=0)
    worthwhile_because: str | None = None
    restricted_minors: bool = False
    coach: bool = True
    on: bool = True
    ranked: bool = True
    fed_by: tuple[FedBy, ...] = ()
    domain: Domain | None = None
    joins: tuple[tuple[str, str], ...] = ()

    @model_validator(mode="after")
    def _has_a_direction_where_it_needs_one(self) -> Metric:
        if self.summary == "best" and self.better == "context":
            raise ValueError('summary = "best" needs a better direction: set better, or another summary')
        if self.domain is not None and self.better == "context":
            raise ValueError("a domain needs a better direction: set better, or leave out domain")
        return self


def keys_of_label(label: str, series_keys: Sequence[str]) -> dict[str, str] | None:
    """Series key -> its value, as a label of a metric with these keys says; None where it is no label."""
    pattern = "; ".join(f"{key}=(.+)" for key in series_keys)
    found = re.fullmatch(pattern, label)
    return dict(zip(series_keys, found.groups(), strict=True)) if found and series_keys else None


def load_catalogue() -> dict[str, Metric]:
    """Read `metrics.toml`; raises pydantic.ValidationError where an entry is not as declared above."""
    text = resources.files("schemas").joinpath("metrics.toml").read_text(encoding="utf-8")
    metrics = {name: Metric(metric=name, **entry) for name, entry in tomllib.loads(text).items()}
    for metric in metrics.values():
        unknown = set(metric.series_keys) - set(SERIES_KEYS)
        if unknown:
            raise ValueError(f"metrics.toml: {metric.metric} has unknown series keys {sorted(unknown)}")
        if set(metric.pool_keys) - set(metric.series_keys):
            raise ValueError(f"metrics.toml: {metric.metric} has pool keys that are no series keys of it")
    return metrics


CATALOGUE: dict[str, Metric] = load_catalogue()
