"""What traces come to, worked out one trace after the other as plainly as numpy allows: to compare with."""

from __future__ import annotations

import numpy as np

from pipeline.numerics.laid import Floats

STEPS_M = (0.25, 1.0, 2.25)


def first_reached(time_s: Floats, position_m: Floats) -> tuple[Floats, Floats]:
    reached = np.maximum.accumulate(position_m)
    forward = np.diff(reached, prepend=-np.inf) > 0
    return time_s[forward], reached[forward]


def stretch_span(time_s: Floats, position_m: Floats, length_m: float = 5.0) -> tuple[float, float]:
    """When the fastest metres begin and end: of those that begin or end at a sample the shortest."""
    t, x = first_reached(time_s, position_m)
    ahead, behind = x <= x[-1] - length_m + 1e-9, x >= x[0] + length_m - 1e-9
    begins = np.concatenate([t[ahead], np.interp(x[behind] - length_m, x, t)])
    ends = np.concatenate([np.interp(x[ahead] + length_m, x, t), t[behind]])
    if not begins.size:
        return float("nan"), float("nan")
    best = int(np.argmin(ends - begins))
    return float(begins[best]), float(ends[best])


def fastest_window(time_s: Floats, position_m: Floats, width_s: float = 0.5) -> tuple[float, float]:
    """Highest mean velocity, and when the window ends."""
    if time_s[-1] - time_s[0] < width_s - 1e-9:
        return float("nan"), float("nan")
    ends = np.concatenate([time_s, time_s + width_s])
    ends = ends[(ends >= time_s[0] + width_s - 1e-9) & (ends <= time_s[-1] + 1e-9)]
    way = np.interp(ends, time_s, position_m) - np.interp(ends - width_s, time_s, position_m)
    best = int(way.argmax())
    return float(way[best] / width_s), float(ends[best])


def running_area(time_s: Floats, values: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(np.diff(time_s) * (values[1:] + values[:-1]) / 2)])


def area(at: Floats, time_s: Floats, values: Floats, running: Floats) -> Floats:
    i = np.clip(np.searchsorted(time_s, at, side="right") - 1, 0, time_s.size - 1)
    part: Floats = running[i] + (at - time_s[i]) * (values[i] + np.interp(at, time_s, values)) / 2
    return part


def smooth(time_s: Floats, values: Floats, width_s: float) -> Floats:
    running = running_area(time_s, values)
    half = np.minimum(width_s / 2, np.minimum(time_s - time_s[0], time_s[-1] - time_s))
    smoothed, at, reach = values.copy(), time_s[half > 0], half[half > 0]
    around = area(at + reach, time_s, values, running) - area(at - reach, time_s, values, running)
    smoothed[half > 0] = around / (2 * reach)
    return smoothed


def start_of_movement(time_s: Floats, position_m: Floats) -> tuple[float, float]:
    far = int(np.argmax(position_m > position_m[0] + 2 * STEPS_M[-1]))
    near = time_s < (time_s[far] + 0.1 if far else np.inf)
    time_s = time_s[near]
    place = smooth(time_s, position_m[near], 0.1)
    t, x = first_reached(time_s, place)
    off = np.interp(x[0] + STEPS_M[0], x, t)
    resting = place[(time_s >= off - 1.5) & (time_s <= off - 0.6)]
    level = float(resting.mean()) if resting.size else float(x[0])
    if x[-1] - min(x[0], level) < STEPS_M[-1]:
        return float("nan"), float("nan")
    one, two, three = np.interp([level + step for step in STEPS_M], x, t)
    return float(3 * one - 3 * two + three), level


def first_speed(time_s: Floats, position_m: Floats) -> float:
    if time_s[-1] - time_s[0] < 0.15 - 1e-9:
        return float("nan")
    return float((np.interp(time_s[0] + 0.15, time_s, position_m) - position_m[0]) / 0.15)


def section_speeds(time_s: Floats, position_m: Floats, start_s: float, start_m: float) -> Floats:
    t, x = first_reached(time_s, position_m)
    count = int(np.floor((x[-1] - start_m) / 5 + 1e-9)) if np.isfinite(start_s) else 0
    passed = np.interp(start_m + 5.0 * np.arange(count + 1), x, t)
    passed[0] = start_s
    return np.asarray(5 / np.diff(passed))


def peak_force(time_s: Floats, force_n: Floats, width_s: float = 0.1) -> float:
    """Highest mean of the windows that begin or end at a sample, and of the tops between them."""
    if time_s[-1] - time_s[0] < width_s - 1e-9:
        return float("nan")
    running, last = running_area(time_s, force_n), time_s[-1] - width_s
    starts = np.unique(np.clip(np.concatenate([time_s, time_s - width_s]), time_s[0], last))
    rise = np.interp(starts + width_s, time_s, force_n) - np.interp(starts, time_s, force_n)
    top = (rise[:-1] > 0) & (rise[1:] < 0)
    share = rise[:-1][top] / (rise[:-1] - rise[1:])[top]
    starts = np.concatenate([starts, starts[:-1][top] + share * np.diff(starts)[top]])
    areas = area(starts + width_s, time_s, force_n, running) - area(starts, time_s, force_n, running)
    return float(areas.max() / width_s)


def mean_force(time_s: Floats, force_n: Floats) -> float:
    if time_s[-1] <= time_s[0]:
        return float("nan")
    return float(running_area(time_s, force_n)[-1] / (time_s[-1] - time_s[0]))


def mean_between(time_s: Floats, force_n: Floats, begin_s: float, end_s: float) -> float:
    if not end_s > begin_s:
        return float("nan")
    inside = (time_s > begin_s) & (time_s < end_s)
    at = np.concatenate([[begin_s], time_s[inside], [end_s]])
    return mean_force(at, np.interp(at, time_s, force_n))
