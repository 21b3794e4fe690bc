"""The functions of traces asked of a single one: samples in, numbers out."""

from __future__ import annotations

import numpy as np

from pipeline.numerics import fastest, smoothing, traces
from pipeline.numerics.laid import Floats, Laid, lay


def laid(time_s: Floats) -> Laid:
    return lay(time_s, np.array([0, time_s.size]))


def one(value: float) -> Floats:
    return np.array([value])


def stretch_span(time_s: Floats, position_m: Floats) -> tuple[float, float]:
    begin, end = fastest.fastest_stretch(*traces.first_reached(laid(time_s), position_m))
    return float(begin[0]), float(end[0])


def fastest_stretch(time_s: Floats, position_m: Floats) -> float:
    begin, end = stretch_span(time_s, position_m)
    return fastest.STRETCH_M / (end - begin)


def fastest_window(time_s: Floats, position_m: Floats) -> tuple[float, float]:
    speed, until = fastest.fastest_window(laid(time_s), position_m)
    return float(speed[0]), float(until[0])


def start_of_movement(time_s: Floats, position_m: Floats) -> tuple[float, float]:
    begin_s, begin_m = traces.start_of_movement(laid(time_s), position_m)
    return float(begin_s[0]), float(begin_m[0])


def first_speed(time_s: Floats, position_m: Floats) -> float:
    return float(traces.first_speed(laid(time_s), position_m)[0])


def section_speeds(time_s: Floats, position_m: Floats, start_s: float, start_m: float) -> Floats:
    passed = traces.first_reached(laid(time_s), position_m)
    return np.asarray(traces.section_speeds(*passed, one(start_s), one(start_m))[0])


def even_steps(
    time_s: Floats, position_m: Floats, start: tuple[float, float], until_s: float, step_s: float, most: int
) -> Floats:
    asked = one(start[0]), one(start[1]), one(until_s)
    return np.asarray(traces.even_steps(laid(time_s), position_m, *asked, step_s, most)[0])


def smooth(time_s: Floats, values: Floats, width_s: float) -> Floats:
    return smoothing.smooth(laid(time_s), values, width_s)


def peak_force(time_s: Floats, force_n: Floats, width_s: float = smoothing.PEAK_SECONDS) -> float:
    return float(smoothing.peak_force(laid(time_s), force_n, width_s)[0])


def mean_force(time_s: Floats, force_n: Floats) -> float:
    return float(smoothing.mean_force(laid(time_s), force_n)[0])


def mean_between(time_s: Floats, force_n: Floats, begin_s: float, end_s: float) -> float:
    return float(smoothing.mean_between(laid(time_s), force_n, one(begin_s), one(end_s))[0])
