"""The demo, published: what everybody may open names nobody, and shows no minor's body composition."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.analysis.sessions import shown_age
from pipeline.publish.database import current_file
from schemas.catalogue import CATALOGUE
from schemas.ddl import quote

Cells = Iterator[tuple[str, str, list[str]]]
BODY = sorted(metric.metric for metric in CATALOGUE.values() if metric.restricted_minors)


@pytest.fixture(scope="module")
def roster(demo: Path) -> pl.DataFrame:
    return pl.read_csv(demo / "config" / "athletes.csv", try_parse_dates=True)


def read(file: Path, query: str) -> pl.DataFrame:
    with duckdb.connect(file, read_only=True) as connection:
        found = connection.execute(query)
        names = [column[0] for column in found.description or ()]
        return pl.DataFrame(found.fetchall(), schema=names, orient="row", infer_schema_length=None)


def text_cells(file: Path) -> Cells:
    """Table, column and the different texts of each text column of each table and view."""
    columns = read(
        file,
        "SELECT table_name, column_name FROM information_schema.columns "
        "WHERE data_type = 'VARCHAR' ORDER BY ALL",
    )
    for table, column in columns.iter_rows():
        cells = read(file, f"SELECT DISTINCT {quote(column)} FROM {quote(table)} WHERE {quote(column)} <> ''")
        yield table, column, cells.to_series().to_list()


def names_of(demo: Path, roster: pl.DataFrame) -> set[str]:
    """Every name and alias, and every part of a name that is longer than an initial."""
    aliases = pl.read_csv(demo / "config" / "aliases.csv")["alias"].to_list()
    also = roster["aliases"].drop_nulls().str.split("|").explode().to_list()
    whole = {*roster["name"], *also, *aliases}
    parts = {part for name in whole for part in re.split(r"[\s-]+", name) if len(part.strip(".")) > 1}
    return whole | {part for part in parts if not part.isdigit()}


def pattern_of(words: set[str]) -> re.Pattern[str]:
    """Any of the words, on its own, in upper or lower case."""
    longest_first = sorted(words, key=lambda word: (-len(word), word))
    return re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, longest_first))})(?!\w)", re.IGNORECASE)


def written(day: date) -> set[str]:
    """The ways in which the demo's exports write a date."""
    forms = ("%Y-%m-%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%d-%m-%Y", "%Y%m%d")
    return {day.strftime(form) for form in forms}


def test_no_text_of_the_main_file_has_a_name_or_a_birth_date(demo: Path, roster: pl.DataFrame) -> None:
    births = {text for day in roster["birth_date"].drop_nulls() for text in written(day)}
    pattern = pattern_of(names_of(demo, roster) | births)
    people = (demo / "published" / "people" / "athletes.csv").read_text(encoding="utf-8-sig")
    assert len(pattern.findall(people)) >= 2 * roster.height  # what is looked for is found where it is
    seen, found = 0, []
    for table, column, cells in text_cells(current_file(demo / "published")):
        seen += len(cells)
        found += [(table, column, cell) for cell in cells if pattern.search(cell)]
    assert seen > 10_000
    assert found == []


def test_no_flat_file_has_a_name(demo: Path, roster: pl.DataFrame) -> None:
    pattern = pattern_of(names_of(demo, roster))
    files = [*(demo / "published" / "tables").glob("*.csv"), *(demo / "published" / "tables").glob("*.json")]
    assert len(files) > 3
    for path in files:
        assert pattern.search(path.read_text(encoding="utf-8-sig")) is None, path.name


def test_the_sessions_of_an_athlete_fit_every_day_of_the_month_of_birth(
    demo: Path, roster: pl.DataFrame
) -> None:
    sessions = read(
        current_file(demo / "published"), "SELECT athlete_id, local_date, age_years FROM sessions"
    )
    known = roster.drop_nulls("birth_date").select("athlete_id", "birth_date")
    first = pl.col("birth_date").dt.month_start()
    born = known.with_columns(born=pl.date_ranges(first, pl.col("birth_date").dt.month_end())).explode("born")
    fitting = (
        sessions.join(born, on="athlete_id")
        .group_by("athlete_id", "born")
        .agg(fits=(shown_age(pl.col("born"), pl.col("local_date")) == pl.col("age_years")).all())
        .filter("fits")
        .group_by("athlete_id")
        .agg(days=pl.len())
    )
    assert fitting.height == sessions["athlete_id"].n_unique() > 50
    assert fitting["days"].min() >= 28  # type: ignore[operator]


def test_body_composition_of_minors_is_in_the_restricted_file_alone(demo: Path, roster: pl.DataFrame) -> None:
    born = dict(roster.select("athlete_id", "birth_date").iter_rows())

    def adult(athlete: str, day: date) -> bool:
        birth = born[athlete]
        before = (day.month, day.day) < (birth.month, birth.day) if birth else False
        return birth is not None and day.year - birth.year - before >= 18

    main = current_file(demo / "published")
    apart = current_file(demo / "published" / "restricted")
    listed = ", ".join(f"'{metric}'" for metric in BODY)
    for table, which in (
        ("skinfold_readings", "true"),
        ("measurements", f"metric IN ({listed})"),
        ("results", f"metric IN ({listed})"),
    ):
        query = f"SELECT athlete_id, local_date FROM {table} WHERE {which}"
        for file, of_adults in ((main, True), (apart, False)):
            rows = read(file, query).rows()
            assert rows, (table, file.parent.name)
            assert {adult(*row) for row in rows} == {of_adults}, (table, file.parent.name)
    other = f"SELECT count(*) FROM measurements WHERE metric NOT IN ({listed})"
    assert read(apart, other).item() == 0
    assert read(main, "SELECT count(*) FROM events WHERE athlete_id IS NOT NULL").item() == 0
    assert read(apart, "SELECT count(*) FROM events WHERE athlete_id IS NULL").item() == 0
    assert read(apart, "SELECT count(*) FROM events").item() > 0


def test_the_open_and_the_restricted_file_together_have_every_row_of_the_warehouse(demo: Path) -> None:
    (warehouse,) = (demo / "warehouse").glob("*.duckdb")
    main = current_file(demo / "published")
    apart = current_file(demo / "published" / "restricted")
    tables = read(apart, "SELECT table_name FROM duckdb_tables()").to_series().to_list()
    assert {"skinfold_readings", "measurements", "results", "events"} <= set(tables)
    for table in sorted(set(tables) - {"restricted_periods", "returns"}):
        whole, shown, hidden = (
            read(file, f"SELECT count(*) FROM {quote(table)}").item() for file in (warehouse, main, apart)
        )
        assert shown + hidden == whole, table


def test_no_norm_is_of_fewer_than_eight_and_every_parent_is_there(demo: Path) -> None:
    main = current_file(demo / "published")
    for table in ("norms", "norm_percentiles"):
        assert read(main, f"SELECT min(n_athletes) FROM {table}").item() >= 8
        assert (
            read(main, f"SELECT count(*) FROM {table} ANTI JOIN populations USING (population_id)").item()
            == 0
        )
    orphans = (
        "SELECT count(*) FROM populations WHERE parent_id NOT IN (SELECT population_id FROM populations)"
    )
    assert read(main, orphans).item() == 0


def test_no_comparison_is_by_body_composition_and_none_is_with_fewer_than_eight(demo: Path) -> None:
    main = current_file(demo / "published")
    listed = ", ".join(f"'{metric}'" for metric in BODY)
    for table in ("against_group", "against_age", "age_norms"):
        assert read(main, f"SELECT count(*) FROM {table} WHERE metric IN ({listed})").item() == 0
    assert read(main, "SELECT min(n_others) FROM against_group").item() >= 8


def test_there_is_no_edition_for_others_where_nobody_agreed(demo: Path) -> None:
    assert not (demo / "config" / "consent.csv").exists()
    assert not (demo / "published" / "external").exists()
    assert not (demo / "external.key").exists()
