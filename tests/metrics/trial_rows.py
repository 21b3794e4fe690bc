"""Trial rows for tests: an invented athlete's, with everything filled in that a test does not care about."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import Any

import polars as pl
from scipy.optimize import brentq

from pipeline.metrics.maxima import MAXIMA
from pipeline.metrics.occasions import LENGTHS
from schemas.frames import polars_schema
from schemas.tables import TABLES

DAY = dt.date(2026, 1, 5)
OF_OCCASIONS: dict[str, pl.DataType | type[pl.DataType]] = {
    "age_years": pl.Float64,
    "sex": pl.String,
    "equation": pl.String,
    "fat": pl.String,
    "maxima": MAXIMA,
    **{f"{name}_m": pl.Float64 for name in LENGTHS},
    **{f"{name}_row_id": pl.String for name in LENGTHS},
    **{f"{name}_age_days": pl.Int64 for name in LENGTHS},
}


def trial_rows(table: str, *rows: dict[str, Any]) -> pl.DataFrame:
    """Rows of a trial table; `day` in a row sets its date and session, the rest has defaults."""
    made = []
    for number, row in enumerate(rows):
        day = row.get("day", DAY)
        defaults = {
            "row_id": f"{table}-{number}",
            "trial_id": f"{table}-trial-{number}",
            "athlete_id": "A1",
            "performed_at_utc": dt.datetime.combine(day, dt.time(10)) + dt.timedelta(minutes=number),
            "local_date": day,
            "local_time": dt.time(10),
            "time_known": True,
            "device": "device-1",
            "mark": "ok",
            "file_id": "f",
            "line": number + 2,
            "version": 1,
        }
        filled = {**defaults, **{key: value for key, value in row.items() if key != "day"}}
        filled.setdefault("session_id", f"{filled['athlete_id']}-{day}")
        made.append(filled)
    return pl.DataFrame(made, schema=polars_schema(TABLES[table]))


def jump(**fields: Any) -> dict[str, Any]:
    """A two-leg countermovement jump of 0.6 s, unless a field says otherwise."""
    return {
        "test": "countermovement_jump",
        "trial": 1,
        "flight_time_s": 0.6,
        "leg": "both",
        "hands": "hips",
        **fields,
    }


def run(*gates: tuple[float, float], name: str = "run", **fields: Any) -> list[dict[str, Any]]:
    """A sprint of gates (distance [m], time [s]); `name` is its trial_id."""
    same = {
        "test": "linear_sprint",
        "trial": 1,
        "start": "standing",
        "start_offset_m": 0.5,
        "timing": "electronic",
        "trial_id": name,
    }
    return [
        {**same, "row_id": f"{name}-{d:g}", "distance_m": d, "split_time_s": t, **fields} for d, t in gates
    ]


def mass(kg: float, **fields: Any) -> dict[str, Any]:
    """A reading of body mass [kg]."""
    return {"quantity": "mass", "reading": 1, "value": kg, "unit": "kg", **fields}


def lift(**fields: Any) -> dict[str, Any]:
    """The first repetition of a back squat of 80 kg, unless a field says otherwise."""
    return {
        "lift": "back_squat",
        "variant": "parallel",
        "implement": "bar",
        "implement_count": 1,
        "load_kg": 80.0,
        "side": "both",
        "set": 1,
        "rep": 1,
        "mean_velocity_m_s": 0.8,
        "peak_velocity_m_s": 1.3,
        "accommodating": "none",
        "intent": "max",
        **fields,
    }


def trace(
    seconds: float, speed: float = 6.0, force_n: float | None = 60.0, name: str = "run", hz: int = 50
) -> pl.DataFrame:
    """`resisted_samples` of one run at constant speed and force; `name` is its sample_set_id."""
    n = round(seconds * hz) + 1
    return pl.DataFrame(
        {
            "sample_set_id": [name] * n,
            "time_s": [i / hz for i in range(n)],
            "position_m": [speed * i / hz for i in range(n)],
            "velocity_m_s": [speed] * n,
            "force_n": [force_n] * n,
            "file_id": ["f"] * n,
            "line": range(2, n + 2),
        },
        schema=polars_schema(TABLES["resisted_samples"]),
    )


def trace_of_sprint(
    seconds: float, vmax: float, tau: float, force_n: float | None = 60.0, name: str = "run", hz: int = 50
) -> pl.DataFrame:
    """`resisted_samples` of one run from rest, v = V (1 - exp(-t / tau)), at constant force."""
    placed = vmax * (pl.col("time_s") - tau * (1 - (-pl.col("time_s") / tau).exp()))
    speed = vmax * (1 - (-pl.col("time_s") / tau).exp())
    return trace(seconds, 1.0, force_n, name, hz).with_columns(position_m=placed, velocity_m_s=speed)


def sprint_gates(vmax: float, tau: float, offset_m: float, distances: Sequence[float]) -> Any:
    """Gates (distance [m], time [s]) of a run v = V (1 - exp(-t / tau)), by root finding."""

    def when(metres: float) -> float:
        def short(t: float) -> float:
            return vmax * (t - tau * (1 - math.exp(-t / tau))) - metres

        return float(brentq(short, 0.0, metres / vmax + 2 * tau, xtol=1e-13))

    return [(d, when(d + offset_m) - when(offset_m)) for d in distances]


def sessions_of(
    *frames: pl.DataFrame, kg: float | None = None, provisional: bool = False, **more: Any
) -> pl.DataFrame:
    """The sessions of trial rows, an athlete's date each, with one body mass for all.

    `more`: what else `occasions` would say of all of them, such as push_off_distance_m; else NULL.
    """
    said = {name: more.get(name) for name in OF_OCCASIONS} | {"maxima": more.get("maxima", [])}
    columns = ("session_id", "athlete_id", "performed_at_utc", "local_date")
    head = pl.concat([frame.select(columns) for frame in frames if "session_id" in frame.columns])
    return (
        head.group_by("session_id", "athlete_id", "local_date")
        .agg(started_at_utc=pl.col("performed_at_utc").min())
        .select(
            "session_id",
            "athlete_id",
            "started_at_utc",
            session_date=pl.col("local_date"),
            local_date=pl.col("local_date"),
            body_mass_kg=pl.lit(kg, dtype=pl.Float64),
            body_mass_row_id=pl.lit(None if kg is None else "mass-row", dtype=pl.String),
            body_mass_provisional=pl.lit(None if kg is None else provisional, dtype=pl.Boolean),
            body_mass_age_days=pl.lit(None if kg is None else 0, dtype=pl.Int32),
            available=pl.lit("yes"),
            **{name: pl.lit(value, OF_OCCASIONS[name]) for name, value in said.items()},
        )
    )
