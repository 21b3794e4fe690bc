"""Row rules of other tests: the value is held in the base unit of what is written, and says which it is."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.facility.problems import nearest_known
from pipeline.intake.columns import PROBLEMS, problems_where
from pipeline.reading.units import UNITS, base_unit, dimension

FAMILY = "other_tests"
_BASES = {unit.dimension: base_unit(unit.dimension) for unit in UNITS.values()}


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows with `unit`, the base unit of the value's kind (m for a length written in feet)."""
    if "dimension" not in rows.columns:  # not one unit was known
        rows = rows.with_columns(dimension=pl.lit(None, dtype=pl.String))
    unit = pl.col("dimension").replace_strict(_BASES, default=None, return_dtype=pl.String)
    return rows.with_columns(unit=unit), pl.DataFrame(schema=PROBLEMS)


def undeclared(rows: pl.DataFrame, declared: Mapping[str, str]) -> pl.DataFrame:
    """A problem for each row of a test that the facility has not declared, or in a unit of another kind.

    `declared`: test -> the unit of its metric in config/metrics.toml.
    """
    bases = {test: base_unit(dimension(unit)) for test, unit in declared.items()}
    found = [pl.DataFrame(schema=PROBLEMS)]
    for (test, unit), _ in rows.group_by("test", "unit", maintain_order=True):
        here = (pl.col("test") == test) & (pl.col("unit") == unit)
        if test not in declared:
            near = nearest_known(str(test), declared)
            reason = f"'{{seen}}' is no test of config/metrics.toml; {near}."
            found.append(problems_where(rows, here, "undeclared_test", "test", pl.col("test"), reason))
        elif bases[str(test)] != unit:
            reason = f"The test {test} is declared in {declared[str(test)]}, and this is in {{seen}}."
            found.append(problems_where(rows, here, "unknown_unit", "value", pl.col("unit"), reason))
    return pl.concat(found)
