"""Every number behind an athlete's results of a metric, down to file, line and the line's own text."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.trace.rows import Rows, rows_behind
from pipeline.trace.versions import Version
from pipeline.warehouse.store import Warehouse
from schemas.catalogue import Metric
from schemas.ddl import literal
from schemas.families import FAMILIES
from schemas.tables import FAMILY_OF_TABLE, SAMPLE_SETS, TRIAL_TABLES

_MEASURED = ("measurement_id", "trial", "value", "unit", "standard_error", "flags", "used", "why_not_used")
_SUMMED = ("value", "best", "n_trials", "unit", "trial_error", "session_error", "error_origin", "flags")
_SESSION = ("session_id", "session_date", "slot", "started_at_utc", "body_mass_kg", "available")


@dataclass
class Trace:
    """What `yardmark trace` tells: sessions, the oldest first, as nested plain data.

    `others`: metrics that the athlete has values of, told where there are none of this one.
    """

    athlete_id: str
    metric: str
    sessions: list[dict[str, Any]]
    others: list[str]


def trace(facility: Facility, warehouse: Warehouse, athlete_id: str, metric: Metric) -> Trace:
    """The sessions of an athlete's metric as last computed, with all that they were made of.

    A session has its results (one a series), each with its measurements, each with the rows behind it, each
    with all its versions; and the rows that counted once as this athlete's and no longer do.
    """
    mine = f"athlete_id = {literal(athlete_id)}"
    of_metric = f"{mine} AND metric = {literal(metric.metric)}"
    values = warehouse.rows("measurements", of_metric)
    fed = "measurement_id IN (SELECT measurement_id FROM _values)"
    inputs = _inputs(values, warehouse.rows("measurement_inputs", fed, _values=values))
    rows = rows_behind(
        facility,
        _tables(warehouse, inputs, athlete_id, metric.family),
        inputs,
        athlete_id,
        metric.family,
    )
    results = warehouse.rows("results", of_metric)
    labels = dict(warehouse.select("SELECT series_id, label FROM series").iter_rows())
    known = warehouse.rows("sessions", mine).sort("session_date", "slot").to_dicts()
    sessions = [*known, *_sessions_gone({one["session_id"] for one in known}, rows)]
    told = [
        _session(row, values, results, labels, inputs, rows)
        for row in sorted(sessions, key=lambda one: one["session_date"])
    ]
    metrics = warehouse.select(f"SELECT DISTINCT metric FROM measurements WHERE {mine}")
    others = [] if values.height else sorted(metrics["metric"])
    return Trace(
        athlete_id, metric.metric, [one for one in told if one["results"] or one["no_longer"]], others
    )


def _tables(
    warehouse: Warehouse, inputs: pl.DataFrame, athlete_id: str, family: str
) -> dict[str, pl.DataFrame]:
    """What `rows_behind` needs: the rows behind the values, and those that an earlier version of gave to the
    athlete, with all their versions and samples."""
    # A composite is of no family: it has no rows of its own.
    own = FAMILIES[family].table if family in FAMILIES else ""
    once = f"source_table = {literal(own)}"
    once += f" AND json_extract_string(\"row\", '$.athlete_id') = {literal(athlete_id)}"
    ids = f"SELECT row_id FROM _inputs UNION SELECT row_id FROM superseded_rows WHERE {once}"
    wanted = warehouse.select(ids, _inputs=inputs.select("row_id"))
    tables = {
        name: warehouse.rows(name, "row_id IN (FROM _wanted)", _wanted=wanted)
        for name in (*TRIAL_TABLES, "superseded_rows")
    }
    for name in SAMPLE_SETS:
        now = tables[FAMILY_OF_TABLE[name].table].select("sample_set_id")
        old = tables["superseded_rows"].select(
            sample_set_id=pl.col("row").str.json_path_match("$.sample_set_id")
        )
        sets = pl.concat([now, old]).drop_nulls().unique()
        tables[name] = warehouse.rows(name, "sample_set_id IN (FROM _sets)", _sets=sets)
    return {**tables, "_drops": warehouse.read("_drops")}


def _inputs(values: pl.DataFrame, inputs: pl.DataFrame) -> pl.DataFrame:
    """measurement_id, row_id, role, source_table (NULL: told by the row) of every row behind the values."""
    several = inputs.join(values, on="measurement_id", how="semi")
    alone = values.filter(pl.col("row_id").is_not_null()).join(several, on="measurement_id", how="anti")
    one = alone.select(
        "measurement_id",
        "row_id",
        role=pl.lit("value"),
        source_table=pl.lit(None, dtype=pl.String),
    )
    return pl.concat([one, several.select(one.columns)]).sort("measurement_id", "role", "row_id")


def _sessions_gone(known: set[str], rows: Rows) -> list[dict[str, Any]]:
    """Sessions of which no row is left, as far as the rows that counted there say."""
    unknown: dict[str, Any] = dict.fromkeys(_SESSION)
    return [
        unknown | {"session_id": session, "session_date": rows.versions[ids[0]][0].local_date}
        for session, ids in rows.gone.items()
        if session not in known
    ]


def _session(
    session: dict[str, Any],
    values: pl.DataFrame,
    results: pl.DataFrame,
    labels: dict[str, str],
    inputs: pl.DataFrame,
    rows: Rows,
) -> dict[str, Any]:
    here = pl.col("session_id") == session["session_id"]
    own, summed = values.filter(here), results.filter(here)
    told = []
    for series_id in sorted(own["series_id"].unique(), key=lambda one: labels.get(one, one)):
        of_series = pl.col("series_id") == series_id
        result = summed.filter(of_series).select(_SUMMED).to_dicts()
        measured = own.filter(of_series).sort("trial", "measurement_id", nulls_last=True)
        told.append(
            {
                "series_id": series_id,
                "series": labels.get(series_id),
                "result": result[0] if result else None,
                "measurements": [
                    {name: row[name] for name in _MEASURED}
                    | {"rows": _told(inputs.filter(measurement_id=row["measurement_id"]), rows)}
                    for row in measured.iter_rows(named=True)
                ],
            }
        )
    gone = [_row(row_id, "no longer counted", rows) for row_id in rows.gone.get(session["session_id"], ())]
    return {name: session[name] for name in _SESSION} | {"results": told, "no_longer": gone}


def _told(inputs: pl.DataFrame, rows: Rows) -> list[dict[str, Any]]:
    return [_row(row_id, role, rows) for row_id, role in inputs.select("row_id", "role").iter_rows()]


def _row(row_id: str, role: str, rows: Rows) -> dict[str, Any]:
    versions = rows.versions.get(row_id, [])
    return {
        "row_id": row_id,
        "role": role,
        "table": rows.tables.get(row_id),
        "versions": [_placed(version, rows) for version in reversed(versions)],
    }


def _placed(version: Version, rows: Rows) -> dict[str, Any]:
    sha, path, layout = rows.paths.get(version.file_id, (version.file_id, "", None))
    answers = rows.answers.get((version.file_id, version.first_line), [])
    originals = [{"line": line, "text": text} for line, text in version.originals.items()]
    data = asdict(version) | {"originals": originals, "file_sha256": sha, "path": path, "layout": layout}
    return data | {"answers": answers}
