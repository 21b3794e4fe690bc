"""How far off what traces come to is, of made signals whose answers are known: the tables in DEVELOPERS.md.

`python -m tests.numerics.trace_errors` prints them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import product

import numpy as np

from pipeline.numerics.fastest import fastest_stretch, fastest_window
from pipeline.numerics.laid import Floats, Ints, lay
from pipeline.numerics.physics import STANDARD_GRAVITY, velocity_loss
from pipeline.numerics.smoothing import PEAK_SECONDS, mean_force, peak_force
from pipeline.numerics.sprint import distance_at, fit_position, time_at
from pipeline.numerics.traces import (
    first_reached,
    section_speeds,
    start_of_movement,
)
from tests.numerics.bar_traces import SHAPES, Bar, find_repetitions

RUNS = 400
WAVE_S, WAVE_N, FORCE_N = 1.6, 25.0, 80.0
"""Force in the line: a wave about a level, with its top within every run."""


@dataclass(frozen=True)
class Spoiled:
    """What is done to a run: noise, share of samples lost, a gap, and drift while waiting."""

    noise_m: float = 0.0
    noise_n: float = 0.0
    lost: float = 0.0
    gap_s: float = 0.0
    drift_m_s: float = 0.0
    hz: float = 50.0


RUN_SPOILS = {
    "clean": Spoiled(),
    "2 mm, 2 N": Spoiled(noise_m=0.002, noise_n=2.0),
    "1 cm, 5 N, 100 Hz": Spoiled(noise_m=0.01, noise_n=5.0, hz=100.0),
    "a fifth lost": Spoiled(noise_m=0.002, noise_n=2.0, lost=0.2),
    "0.2 s missing": Spoiled(noise_m=0.002, noise_n=2.0, gap_s=0.2),
    "drift 2 cm/s": Spoiled(noise_m=0.002, noise_n=2.0, drift_m_s=0.02),
}
RUN_QUANTITIES = {
    "start": "start of movement [ms]",
    "plateau": "velocity over the fastest 5 m [%]",
    "window": "velocity over the fastest 0.5 s [%]",
    "first": "mean of the first 5 m [%]",
    "third": "mean of 10 to 15 m [%]",
    "vmax": "top speed of the sprint model [%]",
    "tau": "time constant of the sprint model [%]",
    "peak": "peak force [%]",
    "mean": "mean force [%]",
}


@dataclass(frozen=True)
class Runs:
    """Runs laid end to end; `truth`: start [s], V [m/s], tau [s], end [s], shift of the wave [s]; (k, 5)."""

    offsets: Ints
    time: Floats
    place: Floats
    force: Floats
    truth: Floats


def made_runs(spoiled: Spoiled, seed: int, runs: int = RUNS) -> Runs:
    """Runs of 5 s after a wait of up to 3 s."""
    rng = np.random.default_rng(seed)
    times, places, forces, truth = [], [], [], []
    for _ in range(runs):
        vmax, tau, start = rng.uniform(4.0, 9.5), rng.uniform(0.9, 1.4), rng.uniform(0.0, 3.0)
        time = np.arange(round((start + 5.0) * spoiled.hz)) / spoiled.hz
        place = distance_at(np.maximum(time - start, 0.0), vmax, tau)
        place += spoiled.drift_m_s * np.minimum(time, start) + rng.normal(0.0, spoiled.noise_m, time.size)
        shift = rng.uniform(0.0, WAVE_S)
        force = FORCE_N + WAVE_N * np.sin(2 * np.pi * (time - shift) / WAVE_S)
        force += rng.normal(0.0, spoiled.noise_n, time.size)
        hole = rng.uniform(0.1, time[-1] - 0.1 - spoiled.gap_s)
        kept = (rng.random(time.size) >= spoiled.lost) & ~((time > hole) & (time < hole + spoiled.gap_s))
        kept[:2] = True
        times.append(time[kept])
        places.append(place[kept])
        forces.append(force[kept])
        truth.append((start, vmax, tau, time[kept][-1], shift))
    offsets = np.concatenate([[0], np.cumsum([time.size for time in times])])
    return Runs(offsets, *(np.concatenate(parts) for parts in (times, places, forces)), np.array(truth))


def run_errors(spoiled: Spoiled, seed: int = 71) -> dict[str, Floats]:
    """Errors of each quantity of `RUN_QUANTITIES`: start [ms]; all else [%] of the truth."""
    runs = made_runs(spoiled, seed)
    start_s, vmax, tau, end_s, shift = runs.truth.T
    clock = lay(runs.time, runs.offsets)
    way, passed = first_reached(clock, runs.place)
    begin, end = fastest_stretch(way, passed)
    fastest, until = fastest_window(clock, runs.place)
    found_s, found_m = start_of_movement(clock, runs.place)
    speeds = section_speeds(way, passed, found_s, found_m)
    steps = 0.1 * np.arange(1, 101)
    at = np.where(found_s[:, None] + steps <= until[:, None], found_s[:, None] + steps, np.nan)
    place = clock.value_of(at, runs.place) - found_m[:, None]
    fit = fit_position(np.tile(steps, (RUNS, 1)), place, np.isfinite(place))

    ran = end_s - start_s
    covered = distance_at(ran, vmax, tau)
    last_five = ran - time_at(covered - 5.0, vmax, tau)
    passes = time_at(np.array([[5.0], [10.0], [15.0]]), vmax, tau)
    wave = 2 * np.pi / WAVE_S
    area = WAVE_N / wave * (np.cos(wave * shift) - np.cos(wave * (end_s - shift)))
    peak = FORCE_N + WAVE_N * np.sinc(PEAK_SECONDS / WAVE_S)
    shares = {
        "plateau": last_five / (end - begin),
        "window": fastest * 0.5 / (covered - distance_at(ran - 0.5, vmax, tau)),
        "first": speeds[:, 0] * passes[0] / 5.0,
        "third": (speeds[:, 2] * (passes[2] - passes[1]) / 5.0)[covered > 15.5],
        "vmax": fit.vmax_m_s / vmax,
        "tau": fit.tau_s / tau,
        "peak": peak_force(clock, runs.force) / peak,
        "mean": mean_force(clock, runs.force) / (FORCE_N + area / end_s),
    }
    return {"start": 1000 * (found_s - start_s)} | {name: 100 * (share - 1) for name, share in shares.items()}


def rms(errors: Floats) -> float:
    """Root mean square of those that there are."""
    return float(np.sqrt(np.nanmean(errors**2)))


# Bars

SHAKE_M = 0.0003


def _drop_outs(time: Floats, height: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Every 2.5 s or so the sensor writes nonsense for 40 ms."""
    nonsense = height.copy()
    for at in np.arange(1.0, time[-1] - 1.0, 2.5) + rng.uniform(0.0, 1.0):
        nonsense[(time >= at) & (time < at + 0.04)] = -2.0
    return time, nonsense


def _losing(time: Floats, height: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    kept = rng.random(time.size) >= 0.2
    return time[kept], height[kept]


def _as_it_is(time: Floats, height: Floats, _: np.random.Generator) -> tuple[Floats, Floats]:
    return time, height


Spoil = Callable[[Floats, Floats, np.random.Generator], tuple[Floats, Floats]]
BAR_SPOILS: dict[str, tuple[float, float, Spoil]] = {
    "clean": (0.0, 0.0, _as_it_is),
    "0.3 mm": (SHAKE_M, 0.0, _as_it_is),
    "1 mm": (0.001, 0.0, _as_it_is),
    "drift 2 mm/s": (SHAKE_M, 0.002, _as_it_is),
    "drop-outs": (SHAKE_M, 0.0, _drop_outs),
    "a fifth lost": (SHAKE_M, 0.0, _losing),
}
"""Noise [m], drift [m/s], and what else is done."""
BAR_QUANTITIES = {
    "mean": "mean velocity [%]",
    "peak": "peak velocity [%]",
    "propulsive": "propulsive velocity [%]",
    "way": "range of motion [%]",
    "loss": "velocity loss in the set [points]",
}
LIFTS_S = (0.4, 0.6, 0.8, 1.2)
BAR_RATES_HZ = (50, 100, 200, 500, 1000)


def propulsive(way_m: float, seconds: float, shape: str) -> float:
    """Mean velocity [m/s] up to where the bar is braked by more than gravity, of the shape itself."""
    share = np.linspace(0.0, 1.0, 20_001)
    velocity = SHAPES[shape](share) * way_m / seconds
    braked = np.gradient(velocity, share * seconds) < -STANDARD_GRAVITY
    stop = int(np.argmax(braked)) if braked.any() else share.size - 1
    return float(np.trapezoid(velocity[: stop + 1], share[: stop + 1]) / share[stop])


def _racked(hz: int, shape: str) -> Bar:
    """Off high hooks, four lifts, onto them with a bounce: only the lifts are repetitions."""
    bar = Bar(hz).rest(1.0)
    bar.move(0.20, 0.7)
    bar.rest(1.0)
    for number, seconds in enumerate(LIFTS_S):
        bar.lift(0.55 - 0.01 * number, seconds, shape)
    bar.move(-0.12, 0.5)
    bar.move(0.05, 0.2)
    return bar.rest(1.0)


def bar_errors(spoil: str) -> tuple[dict[str, Floats], tuple[int, int, int]]:
    """Errors of each of `BAR_QUANTITIES`; how many repetitions there are, are found, and are none.

    Sets of every shape and rate, see `_racked`.
    """
    noise, drift, spoiling = BAR_SPOILS[spoil]
    rng = np.random.default_rng(5)
    errors: dict[str, list[Floats]] = {name: [] for name in BAR_QUANTITIES}
    there, right, wrong = 0, 0, 0
    for hz, shape in product(BAR_RATES_HZ, SHAPES):
        bar = _racked(hz, shape)
        time, height = spoiling(*bar.trace(noise, drift, seed=hz), rng)
        found = find_repetitions(time, height)
        # Of each repetition found the true lift whose middle is in it.
        rep, lift = np.nonzero(
            (time[found.first][:, None] < bar.middles) & (time[found.last][:, None] > bar.middles)
        )
        there, right = there + len(bar.truth), right + lift.size
        wrong += found.way_m.size - lift.size
        mean, peak, way = np.array(bar.truth)[lift].T
        pushed = np.array([propulsive(one[2], one[2] / one[0], shape) for one in bar.truth])[lift]
        errors["mean"].append(100 * (found.mean_m_s[rep] / mean - 1))
        errors["peak"].append(100 * (found.peak_m_s[rep] / peak - 1))
        errors["propulsive"].append(100 * (found.propulsive_m_s[rep] / pushed - 1))
        errors["way"].append(100 * (found.way_m[rep] / way - 1))
        lost = velocity_loss(found.mean_m_s[-1], found.mean_m_s.max())
        errors["loss"].append(np.array([lost - velocity_loss(bar.truth[-1][0], bar.truth[0][0])]))
    return {name: np.concatenate(parts) for name, parts in errors.items()}, (there, right, wrong)


def table() -> str:
    """Both tables: root mean square errors, and how many repetitions are found."""
    runs = {name: run_errors(spoiled) for name, spoiled in RUN_SPOILS.items()}
    bars = {name: bar_errors(name) for name in BAR_SPOILS}
    lines = [_line("resisted runs", runs), _line("---", ["---"] * len(runs))]
    lines += [
        _line(said, [f"{rms(errors[name]):.2f}" for errors in runs.values()])
        for name, said in RUN_QUANTITIES.items()
    ]
    lines += ["", _line("bars", bars), _line("---", ["---"] * len(bars))]
    lines += [
        _line(said, [f"{rms(errors[name]):.2f}" for errors, _ in bars.values()])
        for name, said in BAR_QUANTITIES.items()
    ]
    lines.append(
        _line("repetitions found", [f"{right} of {there}" for _, (there, right, _) in bars.values()])
    )
    lines.append(_line("found where there is none", [str(wrong) for _, (*_, wrong) in bars.values()]))
    return "\n".join(lines)


def _line(first: str, cells: Iterable[str]) -> str:
    return "| " + " | ".join([first, *cells]) + " |"


if __name__ == "__main__":
    print(table())
