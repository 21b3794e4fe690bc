"""What today's sheet is made from: what the warehouse holds of those who were tested on a day, in what they
were tested in. Each query is bounded by days, so that a warehouse of many years costs no more than a young
one.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.analysis.today.planned import naming_column
from pipeline.warehouse.store import Warehouse
from schemas.ddl import quote
from schemas.frames import empty
from schemas.tables import FAMILY_OF_TABLE, SAMPLE_SETS, TABLES, TRIAL_TABLES

LOOK_BACK = timedelta(days=365)
"""What is usual for an athlete is told by the last year (judgement; `run` looks at everything) …"""
SESSIONS = 10
"""… and in it by the last so many sessions of a test (judgement)."""
# A mass of any age counts, where there is no younger one; there are few of them.
_WHOLE = "body_readings"


def what_today_needs(warehouse: Warehouse, day: date) -> dict[str, pl.DataFrame]:
    """The trial tables, sample sets, `_session_slots` and `superseded_rows`, as far as a day's sheet needs
    them: of everybody tested that day the last `SESSIONS` sessions of what anybody was tested in."""
    tested = _tested_on(warehouse, day)
    people, met = tested.select("athlete_id").unique(), {*tested["name"], _WHOLE}
    seen = {
        name: _trials(warehouse, name, people, day) if people.height and name in met else empty(TABLES[name])
        for name in TRIAL_TABLES
    }
    rows = pl.concat([seen[name].select("row_id", "session_id", "local_date") for name in TRIAL_TABLES])
    for name in SAMPLE_SETS:
        seen[name] = _those_of(warehouse, name, "sample_set_id", seen[FAMILY_OF_TABLE[name].table])
    return {
        **seen,
        "_session_slots": _slots(warehouse, rows),
        "superseded_rows": _those_of(warehouse, "superseded_rows", "row_id", rows),
    }


def _tested_on(warehouse: Warehouse, day: date) -> pl.DataFrame:
    """name (of the table), athlete_id of everybody tested on a day."""
    asked = [
        f"SELECT DISTINCT '{name}' AS name, athlete_id FROM {quote(name)} WHERE local_date = DATE '{day}'"
        for name in TRIAL_TABLES
    ]
    return warehouse.select(" UNION ALL ".join(asked))


def _trials(warehouse: Warehouse, name: str, people: pl.DataFrame, day: date) -> pl.DataFrame:
    """The rows of a table that somebody has on the day, or of masses."""
    until = f"local_date <= DATE '{day}' AND athlete_id IN (FROM _people)"
    if name == _WHOLE:
        return warehouse.rows(name, until, _people=people).sort("row_id")
    column = naming_column(TABLES[name].fields)
    test = f"CAST({quote(column)} AS VARCHAR)" if column else "''"
    within = f"local_date >= DATE '{day - LOOK_BACK}' AND {until}"
    sessions = warehouse.select(
        f"""WITH near AS (SELECT DISTINCT athlete_id, {test} AS test, session_id, local_date
                          FROM {quote(name)} WHERE {within})
            SELECT DISTINCT session_id, test, local_date FROM (
                SELECT *, row_number() OVER (
                    PARTITION BY athlete_id, test ORDER BY local_date DESC, session_id) AS back FROM near
                WHERE test IN (SELECT test FROM near WHERE local_date = DATE '{day}'))
            WHERE back <= {SESSIONS}""",
        _people=people,
    )
    if sessions.is_empty():
        return empty(TABLES[name])
    # Most last sessions are of the last weeks: rows of before need not be looked at. (The rows of a session
    # may be of the day before its date to the day after.)
    since = max(day - LOOK_BACK, sessions.select(pl.col("local_date").min()).item() - timedelta(days=2))
    these = (
        f"local_date >= DATE '{since}' AND {until} "
        f"AND (session_id, {test}) IN (SELECT session_id, test FROM _sessions)"
    )
    return warehouse.rows(name, these, _people=people, _sessions=sessions).sort("row_id")


def _those_of(warehouse: Warehouse, name: str, key: str, rows: pl.DataFrame) -> pl.DataFrame:
    """The rows of a table that have a key in common with these rows."""
    if rows.is_empty():
        return empty(TABLES[name])
    found = warehouse.rows(name, f"{key} IN (SELECT {key} FROM _these)", _these=rows.select(key).unique())
    return found.sort(TABLES[name].key)


def _slots(warehouse: Warehouse, rows: pl.DataFrame) -> pl.DataFrame:
    """The rows of `_session_slots` of these rows: a session's date is at most a day from its rows' dates."""
    if rows.is_empty():
        return warehouse.rows("_session_slots", "false")
    first, last = rows.select(first=pl.col("local_date").min(), last=pl.col("local_date").max()).row(0)
    near = f"session_date BETWEEN DATE '{first}' - 1 AND DATE '{last}' + 1"
    mine = "session_id IN (FROM _mine)"
    return warehouse.rows("_session_slots", f"{near} AND {mine}", _mine=rows.select("session_id").unique())
