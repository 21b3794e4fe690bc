"""What new drops and new words of people touch: the drops and the moments that must be resolved anew."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import polars as pl

from pipeline.intake.changes import Changed
from pipeline.intake.closure import KEY, KEY_SCHEMA, keys_of, listed, near, within
from pipeline.intake.knowledge import Knowledge
from pipeline.warehouse.store import Warehouse
from schemas.core import Family
from schemas.families import FAMILIES
from schemas.internal import read_table

# Held rows that may say otherwise when somebody is added to the roster: they propose the nearest names.
_PROPOSING = "('unknown_name', 'ambiguous_name', 'guest')"


@dataclass
class Touched:
    """`whole`: drops that are resolved anew with all that was read of them; `fresh`: those of them of which
    nothing was resolved before. `keys`: by family, the `closure.KEY` of moments that are resolved anew.
    `everything`: all that was resolved is to be forgotten before."""

    whole: set[int]
    fresh: set[int]
    keys: dict[str, pl.DataFrame] = field(default_factory=dict)
    everything: bool = False

    def of(self, family: Family) -> pl.DataFrame:
        """The touched moments of a family."""
        return self.keys.get(family.name, pl.DataFrame(schema=KEY_SCHEMA))

    def add(self, family: Family, keys: pl.DataFrame) -> None:
        """Touch the moments of these keys too."""
        self.keys[family.name] = pl.concat([self.of(family), keys.select(KEY)]).unique()

    def touch_rows_of(self, warehouse: Warehouse, drops: Collection[int], knowledge: Knowledge) -> None:
        """Touch the moments of all that is stored of these drops."""
        for family in _families_of(warehouse, drops):
            self.add(family, keys_of(warehouse, family, f"r.drop_no IN {listed(drops)}", knowledge))

    def touch_changed(self, warehouse: Warehouse, changed: Changed, knowledge: Knowledge) -> None:
        """Touch all that is told otherwise now."""
        if changed.files:
            files = pl.DataFrame({"file": sorted(changed.files)})
            found = warehouse.select(
                "SELECT drop_no FROM _drops WHERE state <> 'repeated' AND file_id[:16] IN (FROM _files)",
                _files=files,
            )
            self.whole |= set(found["drop_no"])
        if changed.spellings:
            self._touch_names(warehouse, changed, knowledge)
        if changed.days:
            self._touch_days(warehouse, changed, knowledge)

    def _touch_names(self, warehouse: Warehouse, changed: Changed, knowledge: Knowledge) -> None:
        """The rows of these names, those that propose people, and, in the same files, rows that are told
        apart by their file's other rows."""
        asking = warehouse.select(
            f"""SELECT DISTINCT d.drop_no, h.line FROM held_rows h
                JOIN _drops d ON h.file_id = d.file_id[:16] AND d.state <> 'repeated'
                WHERE h.code IN {_PROPOSING} AND h.state = 'open'"""
        )
        for family in FAMILIES.values():
            table = read_table(family).name
            written = warehouse.select(f"SELECT DISTINCT written_name FROM {table}")["written_name"]
            names = pl.DataFrame(
                {"name": [name for name in written if changed.names(name)]}, {"name": pl.String}
            )
            if names.height:
                self.add(
                    family,
                    keys_of(warehouse, family, "r.written_name IN (FROM _names)", knowledge, _names=names),
                )
                unsure = f"(NOT r.time_known OR r.{family.numbered} IS NULL)"
                in_files = f"r.drop_no IN (SELECT drop_no FROM {table} WHERE written_name IN (FROM _names))"
                self.add(
                    family,
                    keys_of(warehouse, family, f"{unsure} AND {in_files}", knowledge, _names=names),
                )
            if asking.height:
                where = (
                    f"r.drop_no IN {listed(set(asking['drop_no']))} AND (r.drop_no, r.line) IN (FROM _asking)"
                )
                self.add(family, keys_of(warehouse, family, where, knowledge, _asking=asking))

    def _touch_days(self, warehouse: Warehouse, changed: Changed, knowledge: Knowledge) -> None:
        devices = set(knowledge.devices)
        around = within(near(changed.days, devices, knowledge))
        for family in FAMILIES.values():
            keys = keys_of(warehouse, family, around, knowledge)
            self.add(family, keys.filter(pl.col("local_date").is_in(sorted(changed.days))))


def everything(warehouse: Warehouse) -> Touched:
    """All drops."""
    drops = set(warehouse.select("SELECT drop_no FROM _drops")["drop_no"])
    return Touched(drops, set(drops), everything=True)


def _families_of(warehouse: Warehouse, drops: Collection[int]) -> list[Family]:
    found = warehouse.select(f"SELECT DISTINCT family FROM _drops WHERE drop_no IN {listed(drops)}")
    return [FAMILIES[name] for name in found["family"].drop_nulls() if name in FAMILIES]
