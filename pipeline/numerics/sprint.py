"""The sprint from rest as a mono-exponential: v(t) = V (1 - exp(-t / tau)), fitted to gates or to a trace.

d(t) = V (t + tau exp(-t / tau) - tau). With u = t / tau and s = d / (V tau) that is s = u + exp(-u) - 1, one
curve for everybody; its inverse is u = s + 1 + W0(-exp(-s - 1)), W0 Lambert's function.
Source: Furusawa, Hill & Parkinson 1927; with the start behind the gate as known: Vescovi & Jovanovic 2021
(both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.numerics.separable import SeparableFits, Shape, fit_separable, row_dot, widened

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_LENGTHS_M = (0.3, 1.5, 4.0, 8.0, 14.0, 30.0, 120.0)  # starts of V tau: a runner's is 4 to 15 m
_LENGTH_BOUNDS_M = (0.02, 5_000.0)
_NEWTON_STEPS = 3  # to the last digit from the start of `_unitless_time`


@dataclass(frozen=True)
class SprintFits:
    """One sprint a row: `vmax_m_s` V, `tau_s`, and what the fit says of their errors; shapes (rows,).

    `vmax_variance`, `tau_variance`, `covariance`: per unit of residual variance (own or pooled, to be put
    in). `residual_ss`: of times [s²] or of the trace's values. `df`: points less two. `settled`: where not,
    the points follow no such curve and nothing else counts.
    """

    vmax_m_s: Floats
    tau_s: Floats
    residual_ss: Floats
    df: npt.NDArray[np.int64]
    vmax_variance: Floats
    tau_variance: Floats
    covariance: Floats
    settled: Bools


def distance_at(time_s: Floats, vmax_m_s: Floats, tau_s: Floats) -> Floats:
    """Distance [m] covered `time_s` after the start; shapes broadcast."""
    return np.asarray(vmax_m_s * (time_s + tau_s * np.expm1(-time_s / tau_s)))


def time_at(distance_m: Floats, vmax_m_s: Floats, tau_s: Floats) -> Floats:
    """Time [s] after the start at which `distance_m` (0 or more) is reached; shapes broadcast."""
    return np.asarray(tau_s * _unitless_time(np.asarray(distance_m / (vmax_m_s * tau_s))))


def split_at(distance_m: Floats, offset_m: Floats, vmax_m_s: Floats, tau_s: Floats) -> Floats:
    """Split [s] at a gate `distance_m` past the first, the start `offset_m` behind it: t(d + d0) - t(d0)."""
    return time_at(distance_m + offset_m, vmax_m_s, tau_s) - time_at(offset_m, vmax_m_s, tau_s)


def share_of_top_speed(distance_m: Floats, vmax_m_s: Floats, tau_s: Floats) -> Floats:
    """Speed at `distance_m` from the start as a share of V (0 to 1)."""
    return -np.expm1(-time_at(distance_m, vmax_m_s, tau_s) / tau_s)


def fit_splits(distance_m: Floats, split_s: Floats, offset_m: Floats, used: Bools) -> SprintFits:
    """Fit V and tau of every sprint to its splits: distance is fixed, time carries the error.

    `distance_m` past the first gate [m], `split_s` [s], `used`: shape (rows, gates), unused places hold
    anything; `offset_m`: start behind the first gate [m], shape (rows,). The clock starts at the first gate;
    an error of its trigger is common to all splits of a run and is in no residual, so errors are a little
    too small. Time is tau × a function of V tau alone, so tau is the scale and V tau is searched for.
    """
    weight = used.astype(np.float64)
    away = np.where(used, distance_m, 0.0) + offset_m[:, None]
    fits = fit_separable(
        _split_shape,
        (away, offset_m[:, None], weight),
        np.where(used, split_s, 0.0),
        [float(np.log(length)) for length in _LENGTHS_M],
        (float(np.log(_LENGTH_BOUNDS_M[0])), float(np.log(_LENGTH_BOUNDS_M[1]))),
    )
    return _of_length(fits, _freedom(used))


def _of_length(fits: SeparableFits, df: npt.NDArray[np.int64]) -> SprintFits:
    """Fits whose scale is tau and whose theta is the logarithm of V tau."""
    vmax = np.exp(fits.theta) / fits.scale
    # V = exp(theta) / tau: dV/dtheta = V, dV/dtau = -V / tau.
    by_tau = -vmax / fits.scale
    return SprintFits(
        vmax_m_s=vmax,
        tau_s=fits.scale,
        residual_ss=fits.residual_ss,
        df=df,
        vmax_variance=_quadratic(fits, by_tau, vmax),
        tau_variance=fits.scale_variance,
        covariance=by_tau * fits.scale_variance + vmax * fits.covariance,
        settled=fits.settled,
    )


def fit_passages(distance_m: Floats, time_s: Floats, used: Bools) -> SprintFits:
    """Fit V and tau to the times at which a trace passes places `distance_m` from the start; shapes (rows,
    places). When it started is free, so that no place starts the clock and has its error in all times.

    A trace's places are equally sure, its times so much surer the faster it was: they are weighted by the
    speed of a first fit, and residuals are in m. `df`: places less three.
    """
    places = used.shape[1]
    weight = widened(used.astype(np.float64), places)
    used, distance_m = weight > 0, widened(distance_m, places)
    time_s = widened(time_s, places)
    flat = _fit_passages(distance_m, time_s, weight)
    top, tau = flat.vmax_m_s[:, None], flat.tau_s[:, None]
    with np.errstate(invalid="ignore"):
        speed = -top * np.expm1(-time_at(np.where(used, distance_m, 1.0), top, tau) / tau)
    return _fit_passages(distance_m, time_s, np.where(used & flat.settled[:, None], speed, 0.0))


def _fit_passages(distance_m: Floats, time_s: Floats, weight: Floats) -> SprintFits:
    """`fit_passages` with weights: one over the SD of a time, 0 where a place is not used."""
    one = weight / np.sqrt(np.maximum(row_dot(weight, weight)[:, None], 1e-300))
    used = weight > 0
    y = weight * np.where(used, time_s, 0.0)
    fits = fit_separable(
        _passage_shape,
        (np.where(used, distance_m, 0.0), weight, one),
        y - one * row_dot(one, y)[:, None],
        [float(np.log(length)) for length in _LENGTHS_M],
        (float(np.log(_LENGTH_BOUNDS_M[0])), float(np.log(_LENGTH_BOUNDS_M[1]))),
    )
    return _of_length(fits, np.maximum(_freedom(used) - 1, 0))


def fit_velocity(time_s: Floats, velocity_m_s: Floats, used: Bools) -> SprintFits:
    """Fit V and tau to velocities at times from the start; shapes (rows, points). Velocity has the error.

    The same curve as NIST StRD Misra1a and BoxBOD. Samples of a trace hang together, so the errors that
    follow are too small for traces.
    """
    return _fit_by_time(_velocity_shape, time_s, velocity_m_s, used)


def fit_position(time_s: Floats, position_m: Floats, used: Bools) -> SprintFits:
    """Fit V and tau to positions from the start at times from the start; shapes (rows, points).

    Where all rows have the same times, `time_s` of shape (points,) is the faster.
    """
    return _fit_by_time(_position_shape, time_s, position_m, used)


def _fit_by_time(shape: Shape, time_s: Floats, y: Floats, used: Bools) -> SprintFits:
    time = np.where(used, time_s, 0.0)  # where shapes and derivatives are 0
    # Rows of as many points from the first on have the same data.
    count = used.sum(axis=1)
    known = time_s.ndim == 1 and bool((used == (np.arange(used.shape[1]) < count[:, None])).all())
    # Shares of the longest time of each: shapes that span from nearly a step to nearly a straight line.
    longest = np.log(np.maximum(time.max(axis=1, keepdims=True, initial=0.0), 1e-300))
    starts = [float(np.log(share)) for share in (0.005, 0.02, 0.06, 0.15, 0.35, 1.0, 3.0)]
    bounds = (float(np.log(1e-4)), float(np.log(1e4)))

    def of_shares(theta: Floats, longest: Floats, time: Floats) -> tuple[Floats, Floats]:
        return shape(theta + longest, time)

    alike = count if known else None
    fits = fit_separable(of_shares, (longest, time), np.where(used, y, 0.0), starts, bounds, alike)
    tau = np.exp(fits.theta + longest[:, 0])
    return SprintFits(
        vmax_m_s=fits.scale,
        tau_s=tau,
        residual_ss=fits.residual_ss,
        df=_freedom(used),
        vmax_variance=fits.scale_variance,
        tau_variance=tau**2 * fits.theta_variance,
        covariance=tau * fits.covariance,
        settled=fits.settled,
    )


def _unitless_time(s: Floats) -> Floats:
    """u with u + exp(-u) - 1 = s >= 0; any shape. Newton from the series of W0 at its branch point."""
    # Written over and over: new arrays at each line would take as long as the sums.
    p, fallen, rise = np.empty_like(s), np.empty_like(s), np.empty_like(s)
    np.expm1(np.negative(s, out=p), out=p)
    p *= -2
    np.sqrt(p, out=p)
    u = p * (11 / 72)
    u += -1 / 3
    u *= p
    u += 1
    u *= p
    u += s
    for _ in range(_NEWTON_STEPS):
        np.expm1(np.negative(u, out=fallen), out=fallen)
        np.add(u, fallen, out=rise)
        rise -= s
        # At s = 0 both sides are 0 and u stays where it is.
        np.divide(rise, fallen, out=rise, where=fallen != 0)
        u += rise
    return np.asarray(u)


def _split_shape(theta: Floats, away: Floats, offset: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """t / tau at each gate after that at the first, and its derivative by log(V tau)."""
    length = np.exp(theta)
    u, slope = _with_slope(away / length)
    u0, slope0 = _with_slope(offset / length)
    return weight * (u - u0), weight * (slope0 - slope)


def _passage_shape(theta: Floats, away: Floats, weight: Floats, one: Floats) -> tuple[Floats, Floats]:
    """t / tau at each place and its derivative by log(V tau), weighted; a shift of all times is taken out."""
    u, slope = _with_slope(away / np.exp(theta))
    shape, derivative = weight * u, -weight * slope
    return (
        shape - one * row_dot(one, shape)[:, None],
        derivative - one * row_dot(one, derivative)[:, None],
    )


def _with_slope(s: Floats) -> tuple[Floats, Floats]:
    """u(s) and s du/ds = s / (1 - exp(-u)); 0 at 0."""
    u = _unitless_time(s)
    slope = -np.expm1(-u)
    return u, np.divide(s, slope, out=slope, where=s > 0)


def _velocity_shape(theta: Floats, time: Floats) -> tuple[Floats, Floats]:
    u = time / np.exp(theta)
    left = np.exp(-u)
    return 1 - left, -u * left


def _position_shape(theta: Floats, time: Floats) -> tuple[Floats, Floats]:
    tau = np.exp(theta)
    u = time / tau
    fallen = np.negative(u)
    np.expm1(fallen, out=fallen)
    derivative = 1 + fallen
    derivative *= u
    derivative += fallen
    derivative *= tau
    u += fallen
    u *= tau
    return u, derivative


def _quadratic(fits: SeparableFits, by_scale: Floats, by_theta: Floats) -> Floats:
    """Variance of a function of scale and theta with these derivatives, per unit of residual variance."""
    return (
        by_scale**2 * fits.scale_variance
        + by_theta**2 * fits.theta_variance
        + 2 * by_scale * by_theta * fits.covariance
    )


def _freedom(used: Bools) -> npt.NDArray[np.int64]:
    return np.asarray(np.maximum(used.sum(axis=1) - 2, 0), dtype=np.int64)
