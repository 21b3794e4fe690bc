"""Values that are a unit's ratio away from the athlete's own level: pounds for kilograms, inches for cm."""

from __future__ import annotations

import polars as pl

POUND = 2.20462262  # lb in a kilogram (international yard and pound agreement, 1959)
INCH = 2.54  # cm in an inch (same)
KGF = 9.80665  # N in a kilogram-force (ISO 80000-4)
LBF = 4.44822162  # N in a pound-force (pound × KGF)
_TENS = (10.0, 100.0, 1000.0)
# Unit of the metric -> ratios that a wrong unit makes of it; each one's reciprocal too.
RATIOS: dict[str, tuple[float, ...]] = {
    "kg": (POUND, *_TENS),
    "cm": (INCH, *_TENS),
    "mm": (INCH, *_TENS),
    "m": (INCH, *_TENS),
    "s": _TENS,
    "m/s": (3.6, 2.23694, *_TENS),  # km/h and mph in a m/s
    "N": (KGF, LBF, POUND, 100.0, 1000.0),  # 10 can't be told from 9.80665
    "N.m": (KGF, 100.0, 1000.0),
}
ALL_RATIOS = (POUND, INCH, KGF, LBF, 100.0, 1000.0)
TOLERANCE = 0.04
"""A ratio is met within 4 % (methods, failure 7), or within two SDs of a trial where those are more …"""
WIDEST = 0.10
"""… but never more widely than 10 %: neighbouring ratios would be mixed up."""
FAR = 4.0
# Raw quantities that a device may write in another unit, and the trial column that holds each.
COLUMNS = {
    "flight_time": "flight_time_s",
    "contact_time": "contact_time_s",
    "sprint_time": "split_time_s",
    "change_of_direction_time": "split_time_s",
    "body_mass": "value",
    "stature": "value",
    "skinfold_site": "thickness_mm",
    "neck_force": "peak_force_n",
    "neck_torque": "peak_torque_n_m",
    "bar_mean_velocity": "mean_velocity_m_s",
    "bar_propulsive_velocity": "propulsive_velocity_m_s",
    "bar_peak_velocity": "peak_velocity_m_s",
    "one_rep_max": "value",
}


def unit_suspects(values: pl.DataFrame, own_tests: list[str]) -> pl.DataFrame:
    """The values that look like another unit's: row_id, trial_id, metric, athlete_id, device, local_date,
    value, unit, ratio, field (trial column), level (own), proposed (the value divided by the ratio).

    `values`: see `levels.beside_level`; proportional metrics only. `own_tests`: metrics that the facility
    has declared, which are the column `value`.
    """
    columns = COLUMNS | dict.fromkeys(own_tests, "value")
    raw = values.filter(
        pl.col("metric").is_in(list(columns)) & (pl.col("scale") == "log") & pl.col("level").is_not_null()
    )
    off = pl.col("x") - pl.col("level")
    spread = (pl.col("sd") ** 2 + pl.col("sd_trial") ** 2).sqrt()
    known = raw.with_columns(off=off, spread=spread).filter(
        (pl.col("off").abs() > FAR * pl.col("spread")) & (pl.col("off").abs() > 0.5)
    )
    pairs = known.join(_ratios(known), on="unit").with_columns(
        miss=(pl.col("off") - pl.col("ratio").log()).abs()
    )
    room = pl.max_horizontal(pl.lit(TOLERANCE), 2 * pl.col("spread")).clip(upper_bound=WIDEST)
    best = pairs.filter(pl.col("miss") <= room).sort("measurement_id", "miss").unique(
        "measurement_id", keep="first", maintain_order=True
    )  # fmt: skip
    return best.select(
        "row_id",
        "trial_id",
        "metric",
        "athlete_id",
        "device",
        "local_date",
        "value",
        "unit",
        "ratio",
        field=pl.col("metric").replace_strict(columns, return_dtype=pl.String),
        level=pl.col("level").exp(),
        proposed=pl.col("value") / pl.col("ratio"),
    )


def _ratios(values: pl.DataFrame) -> pl.DataFrame:
    """unit, ratio: each ratio of each unit that is there, and its reciprocal."""
    units = values["unit"].unique().sort()
    rows = [
        (unit, ratio) for unit in units for one in RATIOS.get(unit, ALL_RATIOS) for ratio in (one, 1 / one)
    ]
    return pl.DataFrame(rows, schema={"unit": pl.String, "ratio": pl.Float64}, orient="row")
