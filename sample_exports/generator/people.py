"""The academy's people, read from its config: who, when in which squad, and how their names are written."""

import csv
import unicodedata
from dataclasses import dataclass
from datetime import date
from pathlib import Path

DEMO_CONFIG = Path(__file__).resolve().parents[2] / "config" / "demo"
# Who goes by another name on which device; each is an alias in the demo's config.
NICKNAMES = {
    ("mat-1", "José Carlos Ventoso"): "Zeca Ventoso",
    ("gates-2", "José Carlos Ventoso"): "Zeca",
    ("mat-1", "António Marinheiro-Leal"): "Tó Leal",
    ("gates-1", "Beatriz Canavial"): "Bia Canavial",
}


@dataclass(frozen=True)
class Athlete:
    """Somebody on the roster; `periods` are the dated lines of `athlete_periods.csv`."""

    athlete_id: str
    name: str
    birth_date: date
    sex: str
    periods: tuple[dict[str, str], ...]

    def on(self, day: date, column: str) -> str:
        """What `column` (squad, status ...) says on `day`: the line with the latest `from` that speaks."""
        said = ""
        for period in sorted(self.periods, key=lambda line: line["from"]):
            starts, ends = period["from"] or "0001-01-01", period["until"] or "9999-12-31"
            if starts <= day.isoformat() <= ends and period[column]:
                said = period[column]
        return said

    def age(self, day: date) -> float:
        """Age on `day` [years]."""
        return (day - self.birth_date).days / 365.25


@dataclass(frozen=True)
class Alias:
    """A line of `aliases.csv`."""

    alias: str
    athlete_id: str
    device: str
    starts: str
    ends: str


@dataclass(frozen=True)
class Roster:
    """Everybody, in the order of `athletes.csv`, and the aliases bound to a device."""

    athletes: tuple[Athlete, ...]
    aliases: tuple[Alias, ...] = ()

    def written(self, athlete_id: str, device: str, day: date, style: str) -> str:
        """The name as `device` writes it; `style` is id, plain, ascii or last_first."""
        if style == "id":
            return athlete_id
        athlete = next(one for one in self.athletes if one.athlete_id == athlete_id)
        for alias in self.aliases:
            bound = alias.device == device and alias.athlete_id == athlete_id
            if bound and (alias.starts or "0") <= day.isoformat() <= (alias.ends or "9"):
                return alias.alias
        name = NICKNAMES.get((device, athlete.name), athlete.name)
        if style == "last_first":
            given, _, family = name.rpartition(" ")
            return f"{family}, {given}"
        if style == "ascii":
            return unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
        return name


def read_csv(path: Path) -> list[dict[str, str]]:
    """The lines of a config table."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def read_roster(folder: Path = DEMO_CONFIG) -> Roster:
    """The roster of a facility's config folder. Raises FileNotFoundError where it has no roster."""
    periods = read_csv(folder / "athlete_periods.csv")
    athletes = tuple(
        Athlete(
            athlete_id=line["athlete_id"],
            name=line["name"],
            birth_date=date.fromisoformat(line["birth_date"]),
            sex=line["sex"],
            periods=tuple(one for one in periods if one["athlete_id"] == line["athlete_id"]),
        )
        for line in read_csv(folder / "athletes.csv")
    )
    aliases = tuple(
        Alias(line["alias"], line["athlete_id"], line["device"], line["from"], line["until"])
        for line in read_csv(folder / "aliases.csv")
    )
    return Roster(athletes, aliases)
