"""The one way in which traces are smoothed, and means of a force over time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PEAK_SECONDS = 0.1
"""Width of the moving mean whose highest value is the peak force [s]; common practice, no source."""

_EVEN = 1e-6


def smooth(time_s: Floats, values: Floats, width_s: float) -> Floats:
    """Centred moving mean over `width_s`, the values taken as straight lines between samples: (n,) -> (n,).

    The window reaches as far back as ahead, also near the ends, where it narrows to nothing; so a straight
    line stays as it is and nothing comes earlier or later (no phase shift). A wave of frequency f is lowered
    by sin(pi f w) / (pi f w); for 0.1 s half is left at 6.0 Hz.
    """
    if time_s.size < 3:
        return values
    area = _running_area(time_s, values)
    half = np.minimum(width_s / 2, np.minimum(time_s - time_s[0], time_s[-1] - time_s))
    inside = half > 0
    at, reach = time_s[inside], half[inside]
    smoothed = values.copy()
    mean = _area(at + reach, time_s, values, area) - _area(at - reach, time_s, values, area)
    smoothed[inside] = mean / (2 * reach)
    return smoothed


def peak_force(time_s: Floats, force_n: Floats, width_s: float = PEAK_SECONDS) -> float:
    """Highest mean force [N] over any `width_s` of the trace; NaN where the trace is shorter than that.

    Between samples the force is taken as a straight line, so uneven steps do not weigh more, and the result
    does not depend on where samples happen to fall.
    """
    if time_s.size < 2 or time_s[-1] - time_s[0] < width_s:
        return float("nan")
    area = _running_area(time_s, force_n)
    count = _samples_in(time_s, width_s)
    if count:
        return _peak_of_even_steps(force_n, area, count, width_s)
    last = time_s[-1] - width_s
    starts = np.unique(np.clip(np.concatenate([time_s, time_s - width_s]), time_s[0], last))
    # Between these the mean is a parabola; its top is where the force at both ends of the window is equal.
    rise = np.interp(starts + width_s, time_s, force_n) - np.interp(starts, time_s, force_n)
    top = (rise[:-1] > 0) & (rise[1:] < 0)
    share = rise[:-1][top] / (rise[:-1] - rise[1:])[top]
    starts = np.concatenate([starts, starts[:-1][top] + share * np.diff(starts)[top]])
    areas = _area(starts + width_s, time_s, force_n, area) - _area(starts, time_s, force_n, area)
    return float(areas.max() / width_s)


def _samples_in(time_s: Floats, width_s: float) -> int:
    """How many steps the window is long where all steps are even and it is a whole number of them; else 0."""
    step = (time_s[-1] - time_s[0]) / (time_s.size - 1)
    count = round(width_s / step)
    even = abs(time_s[1:] - time_s[:-1] - step).max() <= _EVEN * step
    return count if even and count >= 1 and abs(count * step - width_s) <= _EVEN * width_s else 0


def _peak_of_even_steps(force_n: Floats, area: Floats, count: int, width_s: float) -> float:
    """As `peak_force`, where every window begins and ends at samples or between the same two."""
    areas = area[count:] - area[:-count]
    rise = force_n[count:] - force_n[:-count]
    top = np.flatnonzero((rise[:-1] > 0) & (rise[1:] < 0))
    gained = rise[top] ** 2 / (rise[top] - rise[top + 1]) * (width_s / count) / 2
    return float(max(areas.max(), (areas[top] + gained).max(initial=-np.inf)) / width_s)


def mean_force(time_s: Floats, force_n: Floats) -> float:
    """Mean force over the time of the trace [N] (trapezoids); NaN for fewer than two samples."""
    if time_s.size < 2 or time_s[-1] <= time_s[0]:
        return float("nan")
    area = (time_s[1:] - time_s[:-1]) @ (force_n[1:] + force_n[:-1]) / 2
    return float(area / (time_s[-1] - time_s[0]))


def mean_between(time_s: Floats, force_n: Floats, begin_s: float, end_s: float) -> float:
    """Mean force [N] from `begin_s` to `end_s`, both within the trace; NaN where one of them is NaN."""
    if time_s.size < 2 or not end_s > begin_s:
        return float("nan")
    inside = (time_s > begin_s) & (time_s < end_s)
    at = np.concatenate([[begin_s], time_s[inside], [end_s]])
    return mean_force(at, np.interp(at, time_s, force_n))


def _running_area(time_s: Floats, values: Floats) -> Floats:
    """Integral from the first sample to each one: (n,)."""
    area = np.zeros(time_s.size)
    np.cumsum((time_s[1:] - time_s[:-1]) * (values[1:] + values[:-1]), out=area[1:])
    return area / 2


def _area(at: Floats, time_s: Floats, values: Floats, area: Floats) -> Floats:
    """Integral of the piecewise linear values from the first sample to each time of `at`."""
    i = np.clip(np.searchsorted(time_s, at, side="right") - 1, 0, time_s.size - 2)
    here = np.interp(at, time_s, values)
    part: Floats = area[i] + (at - time_s[i]) * (values[i] + here) / 2
    return part
