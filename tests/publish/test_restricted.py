"""What only the restricted file may have: minors' body composition, events of single athletes, raw lines."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.publish.frames import published_tables
from pipeline.publish.restricted import restricted_families, split_restricted
from schemas.catalogue import CATALOGUE
from schemas.codes import CODES
from schemas.families import FAMILIES
from schemas.frames import empty, polars_schema
from schemas.models import table_model
from schemas.tables import TABLES
from tests.metrics.trial_rows import jump, trial_rows

Frames = dict[str, pl.DataFrame]
DAY = date(2026, 3, 10)
BORN = {
    "young": date(2010, 1, 1),
    "tomorrow": date(2008, 3, 11),
    "today": date(2008, 3, 10),
    "adult": date(1995, 1, 1),
    "unknown": None,
}
BIRTHS = pl.DataFrame(
    list(BORN.items()), schema={"athlete_id": pl.String, "birth_date": pl.Date}, orient="row"
)
OF_MINORS = {"young", "tomorrow", "unknown", "stranger"}  # the last is on no roster
EVERYBODY = [*BORN, "stranger"]


def rows_of(table: str, *rows: dict[str, Any]) -> pl.DataFrame:
    """Rows of a table; what a row does not say is NULL."""
    schema = polars_schema(TABLES[table])
    return pl.DataFrame([dict.fromkeys(schema) | row for row in rows], schema=schema)


def split(**filled: pl.DataFrame) -> tuple[Frames, Frames]:
    frames = {table.name: empty(table) for table in published_tables()} | filled
    shown, apart = split_restricted(frames, BIRTHS, CATALOGUE)
    for name, frame in [*shown.items(), *apart.items()]:
        assert frame.schema == polars_schema(TABLES[name])
    return shown, apart


def fold(who: str, day: date = DAY, **fields: Any) -> dict[str, Any]:
    row = {"athlete_id": who, "row_id": f"fold-{who}", "day": day, "site": "triceps", "thickness_mm": 9.5}
    return row | fields


def value(who: str, metric: str, day: date = DAY) -> dict[str, Any]:
    """A row with what measurements and results have in common, and an id."""
    return {
        "measurement_id": f"{metric}-{who}",
        "athlete_id": who,
        "metric": metric,
        "series_id": metric,
        "session_id": f"{who}-{day}",
        "local_date": day,
        "value": 9.5,
        "unit": CATALOGUE[metric].unit,
        "used": True,
        "n_trials": 1,
    }


def values(table: str, *rows: dict[str, Any]) -> pl.DataFrame:
    names = polars_schema(TABLES[table])
    return rows_of(table, *({key: row[key] for key in row if key in names} for row in rows))


def who_is_in(frames: Frames, table: str) -> set[str]:
    return set(frames[table]["athlete_id"]) if table in frames else set()


def test_readings_values_and_results_of_minors_are_apart() -> None:
    """By the age on the day of the test: today's birthday is of age, tomorrow's is not, not known is not."""
    everything = [value(who, metric) for who in EVERYBODY for metric in ("skinfold_site", "skinfold_sum")]
    shown, apart = split(
        skinfold_readings=trial_rows("skinfold_readings", *map(fold, EVERYBODY)),
        measurements=values("measurements", *everything),
        results=values("results", *everything),
    )
    for table in ("skinfold_readings", "measurements", "results"):
        assert who_is_in(shown, table) == {"today", "adult"}
        assert who_is_in(apart, table) == OF_MINORS
    assert set(apart) == {"skinfold_readings", "measurements", "results"}


def test_levels_changes_and_bests_of_minors_are_apart() -> None:
    """A change says the level it is counted from: the age on that day decides, whatever the age since."""
    later = DAY + timedelta(days=400)
    everything = [
        value(who, "skinfold_sum") | {"set_on": DAY, "from_date": DAY, "to_date": later, "as_of": later}
        for who in EVERYBODY
    ]
    tables = ("trends", "changes", "personal_bests")
    shown, apart = split(**{name: values(name, *everything) for name in tables})
    for table in tables:
        assert who_is_in(shown, table) == {"today", "adult"}
        assert who_is_in(apart, table) == OF_MINORS


def test_every_metric_of_body_composition_is_split_and_no_other() -> None:
    rows = [value("young", metric) for metric in CATALOGUE]
    shown, apart = split(measurements=values("measurements", *rows))
    assert set(apart["measurements"]["metric"]) == {
        "maturity_bin",
        *(metric.metric for metric in CATALOGUE.values() if metric.family == "skinfold_calipers"),
    }
    assert {"body_mass", "stature", "jump_height"} <= set(shown["measurements"]["metric"])


def test_who_is_an_adult_now_was_a_minor_then() -> None:
    before = DAY - timedelta(days=1)
    then, now = fold("today", before, row_id="then"), fold("today", row_id="now")
    shown, apart = split(skinfold_readings=trial_rows("skinfold_readings", then, now))
    assert apart["skinfold_readings"]["row_id"].to_list() == ["then"]
    assert shown["skinfold_readings"]["row_id"].to_list() == ["now"]


def test_other_trials_of_minors_stay() -> None:
    jumps = trial_rows("jump_trials", jump(athlete_id="young"))
    shown, apart = split(jump_trials=jumps)
    assert shown["jump_trials"].equals(jumps)
    assert apart == {}


def test_flags_and_inputs_go_with_what_they_belong_to() -> None:
    """A jump's row that happens to have the id of a fold keeps its flag."""
    owners = [("skinfold_readings", "fold"), ("measurements", "skinfold_sum"), ("jump_trials", "fold")]
    flags = [
        {"owner_table": owner, "owner_id": f"{start}-{who}", "code": "few_trials"}
        for owner, start in owners
        for who in ("young", "adult")
    ]
    inputs = [
        {
            "measurement_id": f"skinfold_sum-{who}",
            "source_table": "skinfold_readings",
            "row_id": f"fold-{who}",
            "role": "triceps",
        }
        for who in ("young", "adult")
    ]
    shown, apart = split(
        skinfold_readings=trial_rows("skinfold_readings", fold("young"), fold("adult")),
        measurements=values("measurements", value("young", "skinfold_sum"), value("adult", "skinfold_sum")),
        value_flags=rows_of("value_flags", *flags),
        measurement_inputs=rows_of("measurement_inputs", *inputs),
    )
    assert set(apart["value_flags"].select("owner_table", "owner_id").iter_rows()) == {
        ("skinfold_readings", "fold-young"), ("measurements", "skinfold_sum-young"),
    }  # fmt: skip
    assert shown["value_flags"].height == 4
    assert apart["measurement_inputs"]["row_id"].to_list() == ["fold-young"]
    assert shown["measurement_inputs"]["row_id"].to_list() == ["fold-adult"]


def earlier(table: str, row: dict[str, Any]) -> dict[str, Any]:
    """An earlier version of a trial row, as intake keeps it: the row as JSON."""
    kept = trial_rows(table, row)
    return {
        "row_id": kept["row_id"].item(),
        "version": 1,
        "source_table": table,
        "file_id": "f",
        "line": 2,
        "known_from": datetime(2026, 3, 11),
        "cause": "export",
        "row": kept.select(pl.struct(pl.all()).struct.json_encode()).item(),
    }


def test_earlier_versions_go_by_the_athlete_and_day_that_they_had() -> None:
    versions = [earlier("skinfold_readings", fold(who)) for who in EVERYBODY]
    versions.append(earlier("skinfold_readings", fold("adult", row_id="broken")) | {"row": "{"})
    versions.append(earlier("skinfold_readings", fold("today", DAY - timedelta(days=1), row_id="then")))
    versions.append(earlier("jump_trials", jump(athlete_id="young", row_id="jump")))
    shown, apart = split(superseded_rows=rows_of("superseded_rows", *versions))
    assert set(shown["superseded_rows"]["row_id"]) == {"fold-today", "fold-adult", "jump"}
    assert set(apart["superseded_rows"]["row_id"]) == {f"fold-{who}" for who in OF_MINORS} | {
        "broken",
        "then",
    }


def test_an_earlier_version_under_a_wrong_name_is_apart_with_the_row_it_became() -> None:
    """Read as the adult's, then said to be the minor's: the thickness is the minor's."""
    shown, apart = split(
        skinfold_readings=trial_rows("skinfold_readings", fold("young", row_id="r1", version=2)),
        superseded_rows=rows_of("superseded_rows", earlier("skinfold_readings", fold("adult", row_id="r1"))),
    )
    assert shown["superseded_rows"].height == 0
    assert apart["superseded_rows"]["row_id"].to_list() == ["r1"]


def test_events_that_may_be_about_health_are_apart() -> None:
    events = [
        {"event_id": "1", "squad": "first", "kind": "block", "from_date": DAY},
        {"event_id": "2", "athlete_id": "adult", "kind": "injury", "from_date": DAY},
        {"event_id": "3", "athlete_id": "adult", "squad": "first", "kind": "camp", "from_date": DAY},
        {"event_id": "4", "athlete_id": "adult", "kind": "break", "from_date": DAY},
        {"event_id": "5", "squad": "first", "kind": "illness", "from_date": DAY},
        {"event_id": "6", "squad": "first", "kind": "break", "from_date": DAY},
    ]
    shown, apart = split(events=rows_of("events", *events))
    assert shown["events"]["event_id"].to_list() == ["1", "3", "6"]
    assert apart["events"]["event_id"].to_list() == ["2", "4", "5"]


SHA = {name: f"{number:016x}" + "a" * 48 for number, name in enumerate(("folds", "jumps"))}


def held(file: str, code: str, field: str | None, line: int | None = 3) -> dict[str, Any]:
    return {
        "file_id": SHA[file][:16],
        "line": line,
        "code": code,
        "field": field,
        "value": "Ana Dahl;9,5S",
        "reason": "In column 'mm' there is '9,5S', which is no number in mm.",
        "remedy": CODES[code].remedy,
        "state": "open",
    }


@pytest.mark.parametrize(
    ("row", "is_quoted"),
    [
        (held("jumps", "not_a_number", "flight_time_s"), True),
        (held("jumps", "too_few_fields", None), False),  # the whole line
        (held("jumps", "bad_bytes", None), False),
        (held("jumps", "missing_column", None, line=None), True),  # the whole file: words of the layout
        (held("jumps", "name_pattern", None, line=None), False),  # a name may stand in the file's name
        (held("folds", "not_a_number", "thickness_mm"), False),  # whose it is may not be known yet
        (held("folds", "missing_column", None, line=None), False),
    ],
)
def test_what_waits_is_quoted_only_where_neither_names_nor_bodies_may_stand(
    row: dict[str, Any], is_quoted: bool
) -> None:
    family = {"folds": "skinfold_calipers", "jumps": "contact_mat"}
    files = [
        {"drop_id": name, "file_id": SHA[name], "path": name, "family": family[name], "status": "partly"}
        for name in SHA
    ]
    waiting = rows_of("held_rows", row)
    shown, apart = split(held_rows=waiting, files=rows_of("files", *files))
    assert apart == {}
    found = shown["held_rows"].row(0, named=True)
    if is_quoted:
        assert found == waiting.row(0, named=True)
    else:
        assert found == waiting.row(0, named=True) | {"value": None, "reason": CODES[row["code"]].sentence}


PEOPLE_AND_DAYS = st.tuples(
    st.sampled_from(EVERYBODY), st.integers(-800, 800).map(lambda days: DAY + timedelta(days=days))
)
SOME = st.lists(PEOPLE_AND_DAYS, max_size=12, unique=True)
METRICS = st.sampled_from(["skinfold_site", "skinfold_sum", "body_mass", "jump_height"])


@settings(deadline=None, max_examples=40)
@given(SOME, st.lists(st.tuples(PEOPLE_AND_DAYS, METRICS), max_size=20, unique=True), SOME)
def test_nothing_is_lost_and_nothing_is_in_both(
    folds: list[tuple[str, date]],
    measured: list[tuple[tuple[str, date], str]],
    jumps: list[tuple[str, date]],
) -> None:
    """Open rows and rows apart are all rows, and each table still is as declared."""
    rows = [fold(who, day, row_id=f"fold{i}") for i, (who, day) in enumerate(folds)]
    readings = trial_rows("skinfold_readings", *rows)
    made = [value(w, m, d) | {"measurement_id": f"m{i}"} for i, ((w, d), m) in enumerate(measured)]
    owned = [("measurements", row["measurement_id"]) for row in made]
    owned += [("skinfold_readings", row_id) for row_id in readings["row_id"]]
    before: Frames = {
        "skinfold_readings": readings,
        "jump_trials": trial_rows("jump_trials", *(jump(athlete_id=w, day=d) for w, d in jumps)),
        "measurements": values("measurements", *made),
        "results": values("results", *made),
        "value_flags": rows_of(
            "value_flags", *({"owner_table": t, "owner_id": i, "code": "range_soft"} for t, i in owned)
        ),
        "superseded_rows": rows_of("superseded_rows", *(earlier("skinfold_readings", row) for row in rows)),
    }
    shown, apart = split(**before)
    for name, frame in before.items():
        parts = [shown[name], apart[name]] if name in apart else [shown[name]]
        for part in parts:
            table_model(name).validate(part, lazy=True)
        assert pl.concat(parts).sort(pl.all()).equals(frame.sort(pl.all()))
    restricted = {metric.metric for metric in CATALOGUE.values() if metric.restricted_minors}
    for name in ("skinfold_readings", "measurements", "results"):
        for row in shown[name].iter_rows(named=True):
            assert _is_adult(row) or row.get("metric", "skinfold_site") not in restricted
        for row in apart[name].iter_rows(named=True) if name in apart else ():
            assert not _is_adult(row)
    keys = {"measurements": "measurement_id", "skinfold_readings": "row_id"}
    hidden = {one for name, key in keys.items() if name in apart for one in apart[name][key]}
    assert (set(apart["value_flags"]["owner_id"]) if "value_flags" in apart else set()) == hidden


def _is_adult(row: dict[str, Any]) -> bool:
    born, day = BORN.get(row["athlete_id"]), row["local_date"]
    return born is not None and (day.year - born.year - ((day.month, day.day) < (born.month, born.day))) >= 18


def test_the_tables_with_restricted_metrics_are_those_of_body_composition() -> None:
    """A family that has other metrics too keeps its table: mass and stature are for everybody."""
    assert {FAMILIES[family].table for family in restricted_families(CATALOGUE)} == {"skinfold_readings"}
