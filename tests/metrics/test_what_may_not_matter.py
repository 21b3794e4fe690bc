"""Laws of every family at once: units, clocks, sides. The order of rows: `test_measurements`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.metrics.measurements import measure_all
from pipeline.reading.units import conversion
from schemas.core import Family, Field
from schemas.families import FAMILIES
from tests.intake.facility_maker import ROSTER, Bench, Hall
from tests.metrics.test_measurements import DECLARED, EVERYTHING, PEOPLE, measured
from tests.metrics.trial_rows import sessions_of

DAYS = 100
ROW = ["metric", "row", "value", "standard_error", "flags"]


def values(trials: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """What was measured, without dates and ids of values."""
    found = measured(trials, DECLARED)["measurements"]
    return found.with_columns(row=pl.coalesce("row_id", "measurement_id")).select(ROW).sort("metric", "row")


def test_a_shift_of_all_dates_moves_no_value() -> None:
    later = dt.timedelta(days=DAYS)
    shifted = {
        table: rows.with_columns(
            pl.col(name) + later for name in ("performed_at_utc", "local_date") if name in rows.columns
        )
        for table, rows in EVERYTHING.items()
    }
    assert_frame_equal(values(shifted), values(EVERYTHING), check_exact=True)


def test_a_shift_of_the_clock_within_traces_moves_no_value() -> None:
    samples = EVERYTHING["resisted_samples"].with_columns(pl.col("time_s") + 7.3)
    assert_frame_equal(
        values(EVERYTHING | {"resisted_samples": samples}), values(EVERYTHING), rel_tol=1e-6, abs_tol=1e-9
    )


def mirrored(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with left and right changed for each other."""
    sides = [name for name in ("side", "leg", "direction") if name in rows.columns]
    left, right, between = pl.lit("left"), pl.lit("right"), pl.lit("\x00")
    return rows.with_columns(
        pl.col(name)
        .str.replace_all(left, between, literal=True)
        .str.replace_all(right, left, literal=True)
        .str.replace_all(between, right, literal=True)
        for name in sides
    )


def by_side(trials: dict[str, pl.DataFrame]) -> pl.DataFrame:
    tables = measured(trials, DECLARED)
    joined = tables["measurements"].join(tables["series"], on=["metric", "series_id"])
    return joined.select("metric", "body_side", "label", "value", "flags")


def test_mirrored_people_have_mirrored_values() -> None:
    """Each value is found on the other side again, and a difference of the sides changes its sign."""
    two_sided = EVERYTHING["neck_trials"].with_columns(
        peak_force_n=pl.when(direction="right").then(180.0).otherwise("peak_force_n")
    )
    trials = EVERYTHING | {"neck_trials": two_sided}
    there = by_side({table: mirrored(rows) for table, rows in trials.items()})
    for side in ("side", "leg", "direction"):
        assert any(side in rows.columns for rows in EVERYTHING.values())
    difference = pl.col("metric") == "neck_side_difference"
    here = by_side(trials)
    assert here.filter(difference)["value"].to_list() == pytest.approx([100 * (180 - 150) / 180])
    back = mirrored(there.rename({"body_side": "side"})).rename({"side": "body_side"})
    back = mirrored(back.rename({"label": "side"})).rename({"side": "label"})
    back = back.with_columns(value=pl.when(difference).then(-pl.col("value")).otherwise("value"))
    order = ["metric", "label", "value", "flags"]
    assert_frame_equal(back.sort(order), here.sort(order), check_exact=True)
    assert here["body_side"].n_unique() == 4  # left, right, both, none


# What one hall writes in SI another writes so.
OTHERS = {"s": "ms", "m": "ft", "mm": "in", "kg": "lb", "m/s": "km/h", "N": "lbf", "N.m": "N.m", "deg": "deg"}
SETTINGS = 'name = "Hall"\ntimezone = "UTC"\n' + "".join(
    f'[devices.{name}-1]\nfamily = "{family.of_device}"\n' for name, family in FAMILIES.items()
)
TESTS = """[other_tests.squat_max]
lift = "back_squat"
"""


def unit_of(family: Family, field: Field, others: bool) -> str | None:
    """The unit that an export writes a field in; None where it has none, or the row says it."""
    if field.type != "real" or field.unit is None or field.name == "value":
        return None
    return OTHERS[field.unit] if others else field.unit


def layout_of(family: Family, others: bool) -> str:
    lines = [f'layout = "{family.name}"', f'family = "{family.of_device}"', f'device = "{family.name}-1"']
    lines += [
        f'[match]\nfolder = "{family.name}"',
        'header = ["athlete"]',
        '[columns.athlete]\nfrom = "athlete"',
    ]
    lines += [
        '[columns.performed_at]\nfrom = "at"\nformat = "%Y-%m-%dT%H:%M:%S"',
        '[columns.mark]\nfrom = "mark"',
    ]
    for field in family.columns:
        if field.name == "unit":
            continue
        lines.append(f'[columns.{field.name}]\nfrom = "{field.name}"')
        unit = unit_of(family, field, others)
        lines += [f'unit = "{unit}"'] if unit else ['unit_from = "unit"'] if field.name == "value" else []
    return "\n".join(lines) + "\n"


def export_of(family: Family, others: bool) -> str:
    """The rows of `EVERYTHING` of a family as a CSV, each line of a trace a sample."""
    rows = EVERYTHING[family.table].with_columns(
        at=pl.col("performed_at_utc").dt.strftime("%Y-%m-%dT%H:%M:%S")
    )
    if family.trace is not None:
        samples = EVERYTHING[family.trace.table].drop("file_id", "line")
        rows = rows.join(samples, on="sample_set_id", maintain_order="left_right")
    written = [_written(family, field, others) for field in family.columns]
    columns = [pl.col("athlete_id").alias("athlete"), "at", "mark", *(f.name for f in family.columns)]
    return rows.with_columns(written).select(columns).write_csv()


def _written(family: Family, field: Field, others: bool) -> pl.Expr:
    """A field as an export writes it: all digits, in its unit."""
    if field.name in ("value", "unit") and others:
        to = {unit: OTHERS[unit] for unit in ("kg", "m")}
        if field.name == "unit":
            return pl.col("unit").replace(to)
        factor = {unit: float(1 / conversion(other)) for unit, other in to.items()}
        return pl.col("value") * pl.col("unit").replace_strict(factor, return_dtype=pl.Float64)
    unit = unit_of(family, field, others)
    if unit is None:
        return pl.col(field.name)
    return (pl.col(field.name) / float(conversion(unit, field.unit))).round(9)


@pytest.mark.parametrize("name", [name for name in FAMILIES if FAMILIES[name].table in EVERYTHING])
def test_what_is_written_in_other_units_gives_the_same_values(name: str, tmp_path: Path) -> None:
    family = FAMILIES[name]
    found = []
    for others in (False, True):
        folder = tmp_path / str(others)
        folder.mkdir()
        roster = ROSTER + "A1,Ada One,2000-01-01,female,\nA2,Bo Two,2012-01-01,male,\n"
        hall = Hall(folder, {name: layout_of(family, others)}, SETTINGS, roster)
        hall.write("metrics.toml", TESTS)
        told = Bench(hall.facility, dt.datetime(2026, 6, 1)).resolve(
            (f"{name}/x.csv", export_of(family, others))
        )
        assert told.resolved.tables["held_rows"]["reason"].unique().to_list() == []
        tables = {key: told.resolved.tables[key] for key in (family.table, *_sets(family))}
        sessions = sessions_of(tables[family.table], kg=80.0, push_off_distance_m=0.38, age_years=24.0)
        made = measure_all(tables, sessions, DECLARED, {}, PEOPLE)
        series = made["measurements"].join(made["series"], on=["metric", "series_id"])
        told_of = ["metric", "label", "flags", "value", "standard_error"]
        found.append(series.select(told_of).sort(told_of))
    plain, again = found
    assert plain.height > 0
    # Traces without noise have errors of the last written digit.
    assert_frame_equal(plain, again, rel_tol=1e-6, abs_tol=1e-6)


def _sets(family: Family) -> tuple[str, ...]:
    return () if family.trace is None else (family.trace.table,)
