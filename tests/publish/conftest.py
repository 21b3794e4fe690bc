"""A small invented facility, as the frames that the steps hand over."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any

import polars as pl
import pytest

from pipeline.publish.frames import published_tables
from schemas.catalogue import CATALOGUE, Metric
from schemas.codes import CODES
from schemas.frames import empty, polars_schema
from schemas.tables import TABLES

MONDAY = date(2026, 3, 2)
EARLIER = date(2026, 2, 23)
TESTED = {"a1": date(2026, 3, 4), "a2": date(2026, 1, 20), "a3": date(2026, 1, 20)}
SHA = "0123456789abcdef" * 4
JUMP = {"test": "countermovement_jump", "leg": "both", "hands": "hips", "added_load": "0 kg"}
JUMP_KEYS = {**JUMP, "drop_height": "none", "method": "mat-1", "method_version": "unknown"}
SERIES = [
    ("s_height", "jump_height", JUMP_KEYS),
    ("s_flight", "flight_time", JUMP_KEYS),
    ("s_10", "sprint_time", {"distance": "10 m", "start": "standing", "timing": "electronic"}),
    ("s_mass", "body_mass", {}),
]
VALUES = {"s_height": ("jump_height", 34.25, "cm"), "s_flight": ("flight_time", 0.528, "s")}
VALUES |= {"s_10": ("sprint_time", 1.847, "s"), "s_mass": ("body_mass", 70.0, "kg")}
POPULATIONS = [
    ("p_all", None, 4, "female", "12-13", None, None),
    ("p_row", "p_all", 3, "female", "12-13", "rowing", None),
    ("p_run", "p_all", 3, "female", "12-13", "running", None),
    ("p_men", None, 4, "male", "18-22", None, None),
]
# population, series, athletes: rowing and running together are all of p_all but four for the jump.
NORMS = [
    ("p_all", "s_height", 45),
    ("p_row", "s_height", 31),
    ("p_run", "s_height", 10),
    ("p_men", "s_height", 5),
    ("p_all", "s_mass", 20),
    ("p_men", "s_10", 22),
]


def made(table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """A frame of a table; what a row does not say is NULL."""
    schema = polars_schema(TABLES[table])
    return pl.DataFrame([dict.fromkeys(schema) | row for row in rows], schema=schema, orient="row")


@pytest.fixture
def people() -> pl.DataFrame:
    """Names of invented people; one begins like a formula."""
    return pl.DataFrame(
        {
            "athlete_id": ["a2", "a1", "a3"],
            "name": ["=Bex Émond", "Ana Dahl", "Cy Orr"],
            "birth_date": [date(2010, 5, 1), date(2003, 1, 1), None],
        }
    )


def told_of(frames: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The latest week's norms as coaches are told them; the jump of the runners is left out."""
    here = pl.col("week") == MONDAY
    norms = frames["norms"].filter(here, pl.col("n_athletes") >= 8)
    of_runners = (pl.col("population_id") == "p_run") & (pl.col("series_id") == "s_height")
    return {
        "populations": frames["populations"],
        "norms": norms.with_columns(numbers_of=pl.lit(EARLIER), is_told=~of_runners),
        "norm_percentiles": frames["norm_percentiles"].filter(here),
    }


@pytest.fixture(scope="session")
def frames() -> dict[str, pl.DataFrame]:
    """Every published table; those without rows here are empty."""
    filled: dict[str, list[dict[str, Any]]] = {
        "athletes": [
            {"athlete_id": "a2", "sex": "female", "age_years": 15.8, "available": "yes"},
            {"athlete_id": "a1", "sex": "female", "age_years": 23.2, "sport": "rowing", "available": "yes"},
            {"athlete_id": "a3", "sex": "male", "age_years": None, "available": "no"},
        ],
        "files": [_file("d2", 9, "b"), _file("d1", 8, "a")],
        "held_rows": [
            _held(7, "not_a_number", "=1+1", '-3 is, no "number"', "Answer it."),
            _held(None, "no_layout", None, "@home", "+"),
        ],
        "sessions": [_session(athlete) for athlete in TESTED],
        "jump_trials": [_jump(athlete) for athlete in TESTED],
        "body_readings": [_head("body1", "a1") | {"quantity": "mass", "value": 70.0, "unit": "kg"}],
        "metrics": _metrics(),
        "series": _series(),
        "flag_codes": _flag_codes(),
        "measurements": [_measurement(athlete) for athlete in TESTED] + [_power()],
        "measurement_inputs": [
            {"measurement_id": "m_power", "source_table": "jump_trials", "row_id": "row_a1", "role": "jump"},
            {"measurement_id": "m_power", "source_table": "body_readings", "row_id": "body1", "role": "mass"},
        ],
        "results": [_result(athlete, series) for athlete in TESTED for series in VALUES],
        "populations": _populations(),
        "norms": [_norm(*cell, week) for cell in NORMS for week in (MONDAY, EARLIER)],
        "norm_percentiles": [_percentile(*cell) for cell in NORMS if cell[2] >= 8],
        "restricted_periods": [{"athlete_id": "a3", "status": "rehab", "restriction": "no jumps"}],
    }  # fmt: skip
    tables = {table.name: empty(table) for table in published_tables()}
    return tables | {name: made(name, rows) for name, rows in filled.items()}


def _file(drop: str, hour: int, folder: str) -> dict[str, Any]:
    at = datetime(2026, 3, 5, hour)
    return {
        "drop_id": drop,
        "file_id": SHA,
        "path": folder,
        "received_at": at,
        "status": "loaded",
        "lines": 3,
    }


def _held(line: int | None, code: str, value: str | None, reason: str, remedy: str) -> dict[str, Any]:
    row = {"file_id": SHA, "line": line, "code": code, "value": value}
    return row | {"reason": reason, "remedy": remedy, "state": "open"}


def _session(athlete: str) -> dict[str, Any]:
    day = TESTED[athlete]
    start = datetime.combine(day, time(9))
    ids: dict[str, Any] = {"session_id": f"x_{athlete}", "athlete_id": athlete, "started_at_utc": start}
    return ids | {"session_date": day, "local_date": day, "sport": "rowing", "body_mass_kg": 70.0}


def _head(row_id: str, athlete: str) -> dict[str, Any]:
    day = TESTED[athlete]
    row: dict[str, Any] = {
        "row_id": row_id,
        "trial_id": f"t_{row_id}",
        "athlete_id": athlete,
        "session_id": f"x_{athlete}",
    }
    row |= {"device": "mat-1", "mark": "ok", "file_id": SHA[:16], "line": 2, "version": 1, "time_known": True}
    at = time(9, 0, 1, 250_000)
    return row | {"performed_at_utc": datetime.combine(day, at), "local_date": day, "local_time": at}


def _jump(athlete: str) -> dict[str, Any]:
    return _head(f"row_{athlete}", athlete) | {"test": "countermovement_jump", "flight_time_s": 0.528}


def _metrics() -> list[dict[str, Any]]:
    names = [name for name in polars_schema(TABLES["metrics"]) if name in Metric.model_fields]
    return [
        metric.model_dump(include=set(names) - {"series_keys", "pool_keys"}) for metric in CATALOGUE.values()
    ]


def _series() -> list[dict[str, Any]]:
    return [
        {
            "series_id": series,
            "metric": metric,
            "label": "; ".join(f"{k}={v}" for k, v in keys.items()),
            **keys,
        }
        for series, metric, keys in SERIES
    ]


def _flag_codes() -> list[dict[str, Any]]:
    names = list(polars_schema(TABLES["flag_codes"]))
    return [{name: getattr(code, name) for name in names} for code in CODES.values()]


def _measurement(athlete: str) -> dict[str, Any]:
    ids: dict[str, Any] = {"measurement_id": f"m_{athlete}", "athlete_id": athlete, "metric": "jump_height"}
    ids |= {"series_id": "s_height", "session_id": f"x_{athlete}", "local_date": TESTED[athlete]}
    return ids | {"row_id": f"row_{athlete}", "value": 34.25, "unit": "cm", "used": True}


def _power() -> dict[str, Any]:
    ids: dict[str, Any] = {
        "measurement_id": "m_power",
        "metric": "jump_peak_power_estimate",
        "series_id": "s_power",
    }
    return _measurement("a1") | ids | {"row_id": None, "value": 3200.0, "unit": "W"}


def _result(athlete: str, series: str) -> dict[str, Any]:
    metric, value, unit = VALUES[series]
    ids: dict[str, Any] = {
        "athlete_id": athlete,
        "metric": metric,
        "series_id": series,
        "session_id": f"x_{athlete}",
    }
    return ids | {"local_date": TESTED[athlete], "value": value, "n_trials": 3, "unit": unit}


def _populations() -> list[dict[str, Any]]:
    names = ("population_id", "parent_id", "rung", "sex", "age_band", "sport", "position")
    rows = [dict(zip(names, row, strict=True)) for row in POPULATIONS]
    return [row | {"label": f"sex={row['sex']}", "season": "2025/26"} for row in rows]


def _norm(population: str, series: str, n: int, week: date) -> dict[str, Any]:
    metric, value, unit = VALUES[series]
    row: dict[str, Any] = {"week": week, "norms_version": f"2025/26-{week}", "population_id": population}
    row |= {"metric": metric, "series_id": series, "n_athletes": n, "unit": unit}
    if n < 8:
        return row | {"withheld": f"Only {n} athletes here."}
    shown = {"mean": value, "sd": value / 8, "p50": value * 0.99}
    return row | shown | ({"p25": value * 0.9, "p75": value * 1.1} if n >= 20 else {})


def _percentile(population: str, series: str, n: int) -> dict[str, Any]:
    norm = _norm(population, series, n, MONDAY)
    names = ("week", "norms_version", "population_id", "metric", "series_id", "n_athletes", "unit")
    value = norm["p50"]
    limits = {"percentile": 50, "value": value, "value_low": value * 0.95, "value_high": value * 1.05}
    return {name: norm[name] for name in names} | limits
