"""How often error bars of fitted values hold the truth: simulated trials through the family modules.

`python -m tests.metrics.coverage` writes `coverage.md` anew. 95 % bars, 1.96 standard errors either way: the
noise is pooled over so many that the normal holds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.metrics import bar_speed, contact_mat, timing_gates
from pipeline.metrics.resisted_lines import line_values, load_lines
from pipeline.metrics.rows import with_series_keys
from pipeline.numerics.force_velocity import best_slope
from pipeline.numerics.one_rep_max import VELOCITIES_AT_MAXIMUM
from pipeline.numerics.physics import STANDARD_GRAVITY
from pipeline.numerics.sprint import split_at
from pipeline.numerics.sprint_forces import Surroundings, drag_constant, sprint_forces
from tests.metrics.trial_rows import DAY, jump, lift, run, sessions_of, trial_rows

Floats = npt.NDArray[np.float64]
PAGE = Path(__file__).with_name("coverage.md")
Truth = dict[str, Floats | float]
BARS = 1.96
BODY = {"stature_m": 1.80, "push_off_distance_m": 0.38, "push_off_distance_age_days": 0}


def covered() -> Iterator[tuple[str, str, int, float]]:
    """(metric, what was simulated, how many values, share of those whose bar holds the truth)."""
    for simulate in SIMULATIONS:
        values, truth = simulate()
        for metric, true in truth.items():
            found = values.filter((pl.col("metric") == metric) & pl.col("value").is_not_null())
            of_them = true if isinstance(true, float) else true[found["who"].to_numpy()]
            off = np.abs(found["value"].to_numpy() - of_them)
            held = off < BARS * found["standard_error"].to_numpy()
            yield metric, str(simulate.__doc__), found.height, float(held.mean())


def repeated(rows: pl.DataFrame, n: int, **columns: Floats) -> pl.DataFrame:
    """Rows `n` times, each time of another athlete; `columns`: (n, rows) values in the order of rows."""
    again = pl.DataFrame({"who": np.arange(n)}).join(rows, how="cross", maintain_order="left_right")
    name = pl.format("A{}", pl.col("who").cast(pl.String).str.zfill(5))
    ids = [pl.concat_str(name, pl.col(c), separator="-").alias(c) for c in ("row_id", "trial_id")]
    filled = again.with_columns(*ids, *(pl.Series(c, values.ravel()) for c, values in columns.items()))
    return filled.with_columns(athlete_id=name, session_id=pl.format("{}-{}", name, pl.lit(str(DAY)))).drop(
        "who"
    )


def measured(values: pl.DataFrame) -> pl.DataFrame:
    """Values with `who`, the number of the athlete."""
    return values.with_columns(who=pl.col("athlete_id").str.slice(1).cast(pl.Int64))


def sprints() -> tuple[pl.DataFrame, Truth]:
    """runs through six gates, 10 ms of noise each"""
    rng, n, gates = np.random.default_rng(41), 2000, np.array([5.0, 10.0, 15.0, 20.0, 30.0, 40.0])
    top, tau = rng.uniform(7.5, 9.5, n), rng.uniform(0.9, 1.2, n)
    splits = split_at(gates, np.array(0.5), top[:, None], tau[:, None]) + rng.normal(0, 0.01, (n, 6))
    rows = repeated(trial_rows("sprint_splits", *run(*((d, 1.0) for d in gates))), n, split_time_s=splits)
    values = timing_gates.measure(timing_gates.flag(rows), sessions_of(rows, kg=75.0, **BODY))
    mass = np.full(n, 75.0)
    forces = sprint_forces(top, tau, Surroundings(mass, drag_constant(mass, 1.80), np.zeros(n)))
    return measured(values), {
        "sprint_vmax": top,
        "sprint_tau": tau,
        **{f"sprint_{name}": values for name, values in forces._asdict().items()},
    }


def compared_jumps() -> tuple[pl.DataFrame, Truth]:
    """three jumps of both legs, two squat jumps, two of each leg, 4 % of noise in height"""
    rng, n = np.random.default_rng(4), 1500
    kinds = [{}] * 3 + [{"test": "squat_jump"}] * 2 + [{"leg": "left"}] * 2 + [{"leg": "right"}] * 2
    true = np.array([0.40] * 3 + [0.36] * 2 + [0.22] * 2 + [0.24] * 2)
    jumps = trial_rows("jump_trials", *(jump(trial=i, **kind) for i, kind in enumerate(kinds)))
    height = true * (1 + rng.normal(0, 0.04, (n, true.size)))
    rows = repeated(jumps, n, flight_time_s=np.sqrt(8 * height / STANDARD_GRAVITY))
    values = contact_mat.measure(contact_mat.flag(rows), sessions_of(rows))
    told = pl.col("leg").is_null() | (pl.col("leg") == "both")
    truth: Truth = {"eccentric_utilisation_ratio": 40 / 36, "bilateral_index": 100 * 40 / 46 - 100}
    return measured(values.filter(told)), truth


def loaded_jumps() -> tuple[pl.DataFrame, Truth]:
    """two jumps at each of four loads up to 75 % of body mass, 4 % of noise in height"""
    rng, n, kg, way, f0, v0 = np.random.default_rng(20), 1500, 80.0, 0.38, 35.0, 3.0
    loads = np.repeat([0.0, 20.0, 40.0, 60.0], 2)
    ratio, slope = 1 + loads / kg, -f0 / v0
    steep = 2 * ratio / way
    speed = (slope + np.sqrt(slope**2 - 4 * steep * (ratio * STANDARD_GRAVITY - f0))) / (2 * steep)
    height = 2 * speed**2 / STANDARD_GRAVITY * (1 + rng.normal(0, 0.04, (n, 8)))
    jumps = trial_rows("jump_trials", *(jump(trial=i, added_load_kg=load) for i, load in enumerate(loads)))
    rows = repeated(jumps, n, flight_time_s=np.sqrt(8 * height / STANDARD_GRAVITY))
    values = contact_mat.measure(contact_mat.flag(rows), sessions_of(rows, kg=kg, **BODY))
    best = best_slope(np.array([f0 * v0 / 4]), np.array([way]))[0]
    truth = {
        "jump_f0": f0,
        "jump_v0": v0,
        "jump_pmax": f0 * v0 / 4,
        "jump_slope_of_optimum": 100 * slope / best,
    }
    return measured(values), dict(truth)


def lifts() -> tuple[pl.DataFrame, Truth]:
    """five loads, 0.03 m/s of noise each, the velocity at the maximum as far apart as is assumed"""
    rng, n, known = np.random.default_rng(7), 2000, VELOCITIES_AT_MAXIMUM["back_squat"]
    loads, top = np.array([50.0, 65.0, 80.0, 95.0, 110.0]), rng.uniform(128.0, 150.0, n)
    at = rng.normal(known.velocity_m_s, known.sd_m_s, n)
    fall = (1.33 - known.velocity_m_s) / top
    true = at[:, None] + fall[:, None] * (top[:, None] - loads)
    sets = trial_rows(
        "bar_reps", *(lift(set=i, load_kg=kg, peak_velocity_m_s=3.0) for i, kg in enumerate(loads))
    )
    rows = repeated(sets, n, mean_velocity_m_s=true + rng.normal(0, 0.03, true.shape))
    values = bar_speed.measure(bar_speed.flag(rows), sessions_of(rows))
    at_80 = (pl.col("metric") != "bar_velocity_at_load") | (pl.col("load") == "80 kg")
    made = measured(values.filter(at_80))
    return made, {
        "bar_velocity_at_load": true[:, 2],
        "one_rep_max_estimate": top,
    }


def own_maxima() -> tuple[pl.DataFrame, Truth]:
    """the same with one own performed maximum four months before, velocities at maxima 0.02 m/s apart"""
    rng, n = np.random.default_rng(8), 1500
    loads, top = np.array([50.0, 65.0, 80.0, 95.0, 110.0]), rng.uniform(128.0, 150.0, n)
    own = rng.normal(0.30, 0.05, n)
    true = own[:, None] + (1.03 / top)[:, None] * (top[:, None] - loads)
    sets = trial_rows(
        "bar_reps", *(lift(set=i, load_kg=kg, peak_velocity_m_s=3.0) for i, kg in enumerate(loads))
    )
    rows = repeated(sets, n, mean_velocity_m_s=true + rng.normal(0, 0.03, true.shape))
    then = DAY.replace(year=DAY.year - 1, month=9)
    single = lift(set=9, load_kg=140.0, day=then, row_id="single", peak_velocity_m_s=3.0)
    seen = repeated(
        trial_rows("bar_reps", single),
        n,
        mean_velocity_m_s=own[:, None] + rng.normal(0, np.hypot(0.02, 0.03), (n, 1)),
    )
    seen = seen.with_columns(session_id=pl.format("{}-then", "athlete_id"))
    maxima = [{"lift": "back_squat", "variant": "parallel", "lifted_on": then, "kg": 140.0}]
    both = pl.concat([rows, seen])
    values = bar_speed.measure(bar_speed.flag(both), sessions_of(both, maxima=maxima))
    made = measured(values.filter(pl.col("metric") == "one_rep_max_estimate"))
    return made.with_columns(metric=pl.lit(OWN)), {OWN: top}


OWN = "one_rep_max_estimate, own velocity"


def resisted_lines() -> tuple[pl.DataFrame, Truth]:
    """five loads, plateau velocities with 2 % of noise"""
    rng, n, a, b = np.random.default_rng(9), 1500, 8.0, 0.03
    loads = np.array([0.0, 40.0, 80.0, 110.0, 140.0])
    made = _lines(loads, a - b * loads, n, rng, "resistance_n").filter(load_basis="set force")
    named = pl.format("velocity_decrement_load, {}", "decrement")
    named = pl.when(pl.col("metric") == "velocity_decrement_load").then(named).otherwise("metric")
    truth: Truth = {f"velocity_decrement_load, {x} %": x / 100 * a / b for x in (10, 25, 50)}
    return made.with_columns(metric=named), {"resisted_unloaded_velocity": a, **truth}


def resisted_forces() -> tuple[pl.DataFrame, Truth]:
    """the same against measured force and air, as force and velocity"""
    rng, n, f0, v0 = np.random.default_rng(10), 1500, 7.0, 9.0
    air = drag_constant(np.array([80.0]), 1.80)[0]
    loads = np.array([5.0, 60.0, 110.0, 160.0, 210.0])
    # v = V0 (1 - (L + k v²) / (m F0)): a parabola in v.
    steep = v0 * air / (80.0 * f0)
    speed = (-1 + np.sqrt(1 + 4 * steep * v0 * (1 - loads / (80.0 * f0)))) / (2 * steep)
    made = _lines(loads, speed, n, rng, "force")
    named = pl.format("{}, multi_load", "metric")
    truth: Truth = {"sprint_f0": f0, "sprint_v0": v0, "sprint_pmax": f0 * v0 / 4}
    return made.with_columns(metric=named), {f"{name}, multi_load": value for name, value in truth.items()}


def _lines(loads: Floats, speed: Floats, n: int, rng: np.random.Generator, basis: str) -> pl.DataFrame:
    """Values of the lines of n athletes who ran at these loads [N]; `basis` force: it was measured."""
    runs = trial_rows(
        "resisted_runs",
        *({"trial": i, "pull": "resisted", "resistance_n": load} for i, load in enumerate(loads)),
    )
    force = pl.col("resistance_n") if basis == "force" else pl.lit(None, pl.Float64)
    rows = repeated(
        runs.with_columns(plateau=pl.lit(0.0)), n, plateau=speed * (1 + rng.normal(0, 0.02, (n, loads.size)))
    )
    rows = with_series_keys(rows).with_columns(plateau_force=force, reached=pl.lit(True))
    return measured(line_values(load_lines(rows, sessions_of(rows, kg=80.0, **BODY))))


SIMULATIONS: tuple[Callable[[], tuple[pl.DataFrame, Truth]], ...] = (
    sprints,
    compared_jumps,
    loaded_jumps,
    lifts,
    own_maxima,
    resisted_lines,
    resisted_forces,
)


def page(found: list[tuple[str, str, int, float]]) -> str:
    """The page that reports what was found."""
    rows = [f"| `{metric}` | {said} | {n} | {100 * share:.1f} % |" for metric, said, n, share in found]
    return "\n".join([HEAD, "| metric | simulated | values | held |", "|---|---|---|---|", *rows]) + "\n"


HEAD = f"""\
# How often error bars hold the truth
Made by `python -m tests.metrics.coverage`; a test runs it and compares. Simulated trials went through the
family modules; a 95 % bar is {BARS:g} standard errors either way. The model that made the trials is the
fitted one: where people depart from it, bars are too small. Errors that are borrowed are assumptions, and are
in no row; what verdicts make of all errors is in `tests/calibration/calibration.md`. A single resisted run:
`tests/metrics/test_resisted_forces.py`.
"""


if __name__ == "__main__":
    PAGE.write_text(page(list(covered())), encoding="utf-8")
