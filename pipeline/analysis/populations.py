"""Who is compared with whom: age bands, seasons, and the ladder from narrow groups to wide ones.

The ladder's rungs are sex x age band x (1) sport, position and competition level, (2) sport and level,
(3) sport, (4) nothing more. There is no rung for all comers. An athlete with an empty key is in no group of
a rung that uses it; one without sex or birth date is in none at all. Beside the ladder, as rung 0, stand the
populations that the facility has declared itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.ids import text_ids
from schemas.frames import polars_schema
from schemas.tables import TABLES

# Completed years up to which a band goes, and its label (methods, C7).
_BANDS = {11: "<=11", 13: "12-13", 15: "14-15", 17: "16-17", 22: "18-22", 29: "23-29", 39: "30-39"}
_OLDEST = "40+"

RUNGS: tuple[tuple[str, ...], ...] = (
    ("sport", "position", "competition_level"),
    ("sport", "competition_level"),
    ("sport",),
    (),
)
_KEYS = ("sex", "age_band", *RUNGS[0])
_WORD = {"age_band": "age", "competition_level": "level"}


@dataclass(frozen=True)
class OwnPopulation:
    """A population of the facility's own: whose sex, age, sport … and squad are these; None: any.

    `ages`: completed years from and to, both inclusive.
    """

    name: str
    sex: str
    ages: tuple[int, int] | None = None
    sport: str | None = None
    position: str | None = None
    competition_level: str | None = None
    squad: str | None = None

    @property
    def band(self) -> str:
        """The ages as a label."""
        return "any" if self.ages is None else f"{self.ages[0]}-{self.ages[1]}"

    @property
    def label(self) -> str:
        """`population=name; sex=…; age=…`, and what else it asks for."""
        keys = ("sport", "position", "competition_level", "squad")
        asked = [f"{_WORD.get(key, key)}={getattr(self, key)}" for key in keys if getattr(self, key)]
        return "; ".join([f"population={self.name}", f"sex={self.sex}", f"age={self.band}", *asked])


def completed_years(birth_date: pl.Expr, on: date) -> pl.Expr:
    """Birthdays that somebody has had by a day; NULL where the birth date is unknown or later."""
    month_day = birth_date.dt.month().cast(pl.Int32) * 100 + birth_date.dt.day().cast(pl.Int32)
    before_birthday = (month_day > on.month * 100 + on.day).cast(pl.Int32)
    return pl.when(birth_date <= on).then(on.year - birth_date.dt.year() - before_birthday)


def age_band(birth_date: pl.Expr, on: date) -> pl.Expr:
    """Label of the age band, by completed years on a day; NULL where the birth date is unknown or later."""
    years = completed_years(birth_date, on)
    band = pl.lit(_OLDEST)
    for oldest, label in reversed(_BANDS.items()):
        band = pl.when(years <= oldest).then(pl.lit(label)).otherwise(band)
    return pl.when(years.is_not_null()).then(band)


def season_label(day: date, season_start: str) -> str:
    """Season that a day is in, for seasons that begin on `season_start` (MM-DD): "2025/26".

    Seasons that begin with the year are labelled "2026". ValueError where `season_start` is not MM-DD.
    """
    month, day_of_month = (int(part) for part in season_start.split("-"))
    if (month, day_of_month) == (1, 1):
        return str(day.year)
    first = day.year if (day.month, day.day) >= (month, day_of_month) else day.year - 1
    return f"{first}/{(first + 1) % 100:02d}"


def ladder(
    people: pl.DataFrame, states: pl.DataFrame, sunday: date, own: Sequence[OwnPopulation] = ()
) -> pl.DataFrame:
    """The groups that each athlete is in on a day, a row an athlete and rung.

    `people` has athlete_id, sex, birth_date; `states` athlete_id, sport, position, competition_level as in
    force on that day (an athlete may be absent). Gives athlete_id, rung, label, parent_label (the next wider
    group, NULL on the last rung), sex, age_band, sport, position, competition_level (NULL where the rung has
    dropped it). A text of blanks is an empty key. The populations of `own` are rung 0, and have no parent.
    """
    facts = (
        people.select("athlete_id", "sex", age_band=age_band(pl.col("birth_date"), sunday))
        .drop_nulls()
        .join(states.select("athlete_id", *RUNGS[0]), on="athlete_id", how="left")
        .with_columns(pl.col(*RUNGS[0]).str.strip_chars().replace("", None))
    )
    rungs = []
    for rung, keys in enumerate(RUNGS, start=1):
        dropped = [pl.lit(None, pl.String).alias(key) for key in RUNGS[0] if key not in keys]
        wider = _label(RUNGS[rung]) if rung < len(RUNGS) else pl.lit(None, pl.String)
        group = facts.select(
            "athlete_id",
            pl.lit(rung, pl.Int32).alias("rung"),
            _label(keys).alias("label"),
            wider.alias("parent_label"),
            "sex",
            "age_band",
            *keys,
            *dropped,
        )
        rungs.append(group.select("athlete_id", "rung", "label", "parent_label", *_KEYS))
    rungs += [_own_group(population, people, states, sunday) for population in own]
    return pl.concat(rungs).filter(pl.col("label").is_not_null())


def _own_group(
    population: OwnPopulation, people: pl.DataFrame, states: pl.DataFrame, sunday: date
) -> pl.DataFrame:
    """The athletes of a population of the facility's own on a day, as rows of the ladder."""
    held = people.filter(pl.col("sex") == population.sex)
    if population.ages is not None:
        held = held.filter(completed_years(pl.col("birth_date"), sunday).is_between(*population.ages))
    asked = {key: word for key in RUNGS[0] if (word := getattr(population, key)) is not None}
    members = states.filter(True, *(pl.col(key).str.strip_chars() == word for key, word in asked.items()))
    if population.squad is not None:
        squads = pl.col("squad").str.split("|").list.eval(pl.element().str.strip_chars())
        members = members.filter(squads.list.contains(population.squad))
    if asked or population.squad is not None:
        held = held.join(members, on="athlete_id", how="semi")
    nothing = pl.lit(None, pl.String)
    return held.select(
        "athlete_id",
        pl.lit(0, pl.Int32).alias("rung"),
        pl.lit(population.label).alias("label"),
        nothing.alias("parent_label"),
        "sex",
        pl.lit(population.band).alias("age_band"),
        *(pl.lit(asked.get(key), pl.String).alias(key) for key in RUNGS[0]),
    )


def _label(keys: tuple[str, ...]) -> pl.Expr:
    """`sex=female; age=18-22; sport=…`: NULL where one of the keys is."""
    parts = [pl.lit(f"{_WORD.get(key, key)}=") + pl.col(key) for key in ("sex", "age_band", *keys)]
    return pl.concat_str(parts, separator="; ")


def population_table(members: pl.DataFrame) -> pl.DataFrame:
    """The table `populations`, from how many members each group had: equal consecutive rungs written once.

    `members` has a row a season, week and group: season, week, rung, label, parent_label, the keys and
    n_members.

    A narrower group lies within its parent, so it has the same members in every week exactly where the sums
    over the weeks are equal. Such a group says nothing that its parent does not: only the wider is written.
    It is judged over the season and not week by week, so that a population has the same parent in every week,
    and no rows of past weeks come and go: as a season goes on groups part company, and never fall together.
    """
    group = ["season", "label"]
    totals = members.group_by(*group, "rung", "parent_label", *_KEYS).agg(pl.col("n_members").sum())
    parents = totals.select("season", parent_label="label", parent_members="n_members")
    totals = totals.join(parents, on=["season", "parent_label"], how="left")
    own = pl.col("n_members").eq_missing(pl.col("parent_members")).not_()
    written = pl.DataFrame(schema=dict.fromkeys(("season", "parent_label", "parent_written"), pl.String))
    found = []
    for rung in range(len(RUNGS), -1, -1):
        here = totals.filter(pl.col("rung") == rung).join(written, on=["season", "parent_label"], how="left")
        found.append(here.filter(own))
        standing = pl.when(own).then("label").otherwise("parent_written")
        written = here.select("season", parent_label="label", parent_written=standing)
    return _with_ids(pl.concat(found))


def _with_ids(populations: pl.DataFrame) -> pl.DataFrame:
    """Ids of the texts "season|label" in place of labels, in the declared columns and order."""
    text = pl.concat_str("season", "label", separator="|")
    named = populations.with_columns(population_id=text_ids(populations.select(text).to_series()))
    parent = named.select("season", parent_written="label", parent_id="population_id")
    joined = named.join(parent, on=["season", "parent_written"], how="left")
    return joined.select(list(polars_schema(TABLES["populations"]))).sort("season", "rung", "label")
