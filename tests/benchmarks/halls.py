"""Invented facilities and exports of any size, for benchmarks: the same for the same numbers."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

SETTINGS = """name = "Benchmark hall"
timezone = "Europe/Lisbon"
settle_seconds = 0
max_file_mb = 100000
[devices.bar-1]
family = "bar_speed"
"""
LAYOUT = """layout = "bar"
family = "bar_speed"
device = "bar-1"
[match]
folder = "bar-1"
header = ["Athlete", "Exercise"]
[columns.athlete]
from = "Athlete"
[columns.performed_at]
from = "Time"
format = "%Y-%m-%d %H:%M:%S"
[columns.lift]
from = "Exercise"
map = { "Back squat" = "back_squat", "Bench press" = "bench_press", "Hex bar jump" = "hex_bar_jump" }
[columns.load_kg]
from = "Load (kg)"
unit = "kg"
[columns.set]
from = "Set"
[columns.rep]
from = "Rep"
[columns.mean_velocity_m_s]
from = "Mean velocity (m/s)"
unit = "m/s"
[columns.peak_velocity_m_s]
from = "Peak velocity (m/s)"
unit = "m/s"
[columns.range_of_motion_m]
from = "Range of motion (cm)"
unit = "cm"
"""
LIFTS = ("Back squat", "Bench press", "Hex bar jump")
REPS_A_SET = 5
A_DAY = 5_500
START = datetime(2018, 1, 1, 7)  # 13 million rows end before now: what lies in the future is held


def make_hall(folder: Path, athletes: int = 1_000) -> Path:
    """A facility of a bar sensor and so many athletes."""
    layouts = folder / "config" / "layouts"
    layouts.mkdir(parents=True)
    (folder / "inbox" / "bar-1").mkdir(parents=True)
    (folder / "config" / "facility.toml").write_text(SETTINGS, encoding="utf-8")
    (layouts / "bar.toml").write_text(LAYOUT, encoding="utf-8")
    roster = "".join(
        f"a{n:04d},First{n:04d} Last{n:04d},{1990 + n % 20}-{1 + n // 20 % 12:02d}-{1 + n // 240:02d},"
        f"{('female', 'male')[n % 2]},\n"
        for n in range(athletes)
    )
    (folder / "config" / "athletes.csv").write_text(
        "athlete_id,name,birth_date,sex,aliases\n" + roster, encoding="utf-8"
    )
    return folder


def bar_reps(first: int, rows: int, a_day: int = A_DAY, athletes: int = 1_000) -> pl.DataFrame:
    """Rows number `first` and on of an endless export: `a_day` repetitions a day, in the order of time."""
    number = np.arange(first, first + rows)
    day, of_day = np.divmod(number, a_day)
    a_set, rep = np.divmod(of_day, REPS_A_SET)
    random = np.random.default_rng([1, first])
    load = 20 + 2.5 * random.integers(0, 50, rows)
    mean = np.round(1.6 - load / 120 + random.normal(0, 0.03, rows), 3).clip(0.1, 2.5)
    seconds = day * 86_400 + of_day * (50_000 // a_day) + rep
    return pl.DataFrame(
        {
            "Athlete": pl.Series((a_set + 7 * day) % athletes).cast(pl.String).str.zfill(4),
            "Time": pl.Series(np.datetime64(START, "us") + seconds.astype("timedelta64[s]")),
            "Exercise": pl.Series(np.array(LIFTS)[(a_set // 3) % 3]),
            "Load (kg)": load,
            "Set": a_set // 3 % 8 + 1,
            "Rep": rep + 1,
            "Mean velocity (m/s)": mean,
            "Peak velocity (m/s)": np.round(mean * 1.6, 3),
            "Range of motion (cm)": np.round(random.normal(55, 3, rows), 1),
        }
    ).with_columns(
        pl.format("First{} Last{}", "Athlete", "Athlete").alias("Athlete"),
        pl.col("Time").dt.strftime("%Y-%m-%d %H:%M:%S"),
    )


def write_export(file: Path, first: int, rows: int, a_day: int = A_DAY, block: int = 1_000_000) -> Path:
    """Rows of `bar_reps` as a CSV export."""
    with file.open("wb") as stream:
        for start in range(first, first + rows, block):
            part = bar_reps(start, min(block, first + rows - start), a_day)
            part.write_csv(stream, include_header=start == first)
    return file


def rows_of(megabytes: int) -> int:
    """How many rows make an export of so many MB."""
    size = len(bar_reps(0, 10_000).write_csv().encode())
    return int(megabytes * 1e6 / size * 10_000)


def last_day(rows: int, a_day: int = A_DAY) -> datetime:
    """The day of a row."""
    return START + timedelta(days=rows // a_day)
