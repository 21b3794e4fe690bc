"""Straight lines through many groups of points at once, and the intervals that follow from them.

Groups are numbers 0 to k - 1 beside the points, in any order; what is given has one entry a group. Sums run
over distances from the group's means, so large values with small spread lose no digits. A sum's last digit
hangs on the order of the points: whoever publishes a result sorts them first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import digamma, polygamma, stdtrit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FEWEST_TO_POOL = 3
"""So many lines with a degree of freedom must a pool have to lend its variance; judgement."""
_LEAST_SHARE = 1e-5  # of the pool's typical variance: a perfect line's counts as this (limma's floor)


@dataclass(frozen=True)
class Lines:
    """Least-squares lines y = intercept + slope x, one a group: every array has shape (groups,).

    `slope_se`, `intercept_se`: standard errors; `covariance`: of slope and intercept; these three from the
    line's own residual variance `residual_ss / df`. `df`: n - 2, not below 0. NaN where there is no such
    number: no slope without two distinct x, no error without a degree of freedom.
    """

    n: Ints
    slope: Floats
    intercept: Floats
    slope_se: Floats
    intercept_se: Floats
    covariance: Floats
    residual_ss: Floats
    df: Ints
    x_mean: Floats
    y_mean: Floats
    sxx: Floats

    @property
    def residual_variance(self) -> Floats:
        """`residual_ss / df` [y²]; NaN where df is 0."""
        return _divide(self.residual_ss, self.df.astype(np.float64))

    @property
    def residual_sd(self) -> Floats:
        """SD of the points about their line [y]; NaN where df is 0."""
        return np.sqrt(self.residual_variance)

    def at(self, x: npt.ArrayLike) -> Floats:
        """Height of each line at `x` [y]; `x`: a number or shape (groups,)."""
        return self.y_mean + self.slope * (np.asarray(x, dtype=np.float64) - self.x_mean)

    def variance_at(self, x: npt.ArrayLike, variance: Floats) -> Floats:
        """Variance of the line's height at `x` [y²], given the residual `variance` (groups,) [y²]."""
        apart = np.asarray(x, dtype=np.float64) - self.x_mean
        return variance * (_divide(1.0, self.n.astype(np.float64)) + _divide(apart**2, self.sxx))


def fit_lines(x: Floats, y: Floats, groups: Ints, n_groups: int | None = None) -> Lines:
    """Ordinary least squares in every group: x, y, groups of shape (n,) -> arrays of shape (groups,).

    `n_groups`: how many there are; by default the highest number and one. Checked against NIST StRD Norris.
    """
    k = int(groups.max(initial=-1)) + 1 if n_groups is None else n_groups
    n = np.bincount(groups, minlength=k)
    x_mean, dx = _centred(x, groups, n)
    y_mean, dy = _centred(y, groups, n)
    sxx = _total(dx * dx, groups, k)
    slope = _divide(_total(dx * dy, groups, k), sxx)
    residual = dy - slope[groups] * dx
    residual_ss = np.where(np.isfinite(slope), _total(residual**2, groups, k), np.nan)
    df = np.maximum(n - 2, 0)
    variance = _divide(residual_ss, df.astype(np.float64))
    slope_variance = _divide(variance, sxx)
    return Lines(
        n=n,
        slope=slope,
        intercept=y_mean - slope * x_mean,
        slope_se=np.sqrt(slope_variance),
        intercept_se=np.sqrt(_divide(variance, n.astype(np.float64)) + x_mean**2 * slope_variance),
        covariance=-x_mean * slope_variance,
        residual_ss=residual_ss,
        df=df,
        x_mean=x_mean,
        y_mean=y_mean,
        sxx=sxx,
    )


def pooled_variance(residual_ss: Floats, df: Ints, pools: Ints) -> tuple[Floats, Floats]:
    """Residual variance of each line after its pool has lent its own: (variance [y²], df), each (lines,).

    variance = (nu0 s0² + df s²) / (nu0 + df), with nu0 + df degrees of freedom. s0² and nu0 are those of the
    lines of the same pool (`pools`: 0 to k - 1): the more their variances are alike, the larger nu0, but
    never more than the degrees of freedom of the others. A pool of fewer than `FEWEST_TO_POOL` lines with a
    degree of freedom lends nothing: each keeps its own (NaN without a degree of freedom).
    Smyth 2004, Stat Appl Genet Mol Biol 3:3 (moments of log variances; from memory, checked by simulation).
    """
    k = int(pools.max(initial=-1)) + 1
    own = _divide(residual_ss, df.astype(np.float64))
    useful = np.isfinite(own) & (df > 0)
    prior, weight = _prior_variance(own[useful], df[useful], pools[useful], k)
    others = _total(df[useful].astype(np.float64), pools[useful], k)[pools] - np.where(useful, df, 0)
    lent_df = np.minimum(weight[pools], others)
    own_df = np.where(useful, df, 0).astype(np.float64)
    lent = np.where(lent_df > 0, lent_df * np.nan_to_num(prior[pools]), 0.0)
    total_df = lent_df + own_df
    return _divide(lent + np.where(useful, residual_ss, 0.0), total_df), total_df


def _prior_variance(variance: Floats, df: Ints, pools: Ints, k: int) -> tuple[Floats, Floats]:
    """s0² and nu0 of each pool: the scaled F distribution whose log has the mean and variance seen."""
    count = np.bincount(pools, minlength=k).astype(np.float64)
    typical = _divide(_total(variance * df, pools, k), _total(df.astype(np.float64), pools, k))
    # A pool of perfect lines has no noise to lend; 1 keeps its logarithms finite.
    floored = np.where(typical[pools] > 0, np.maximum(variance, _LEAST_SHARE * typical[pools]), 1.0)
    half = df / 2
    logs = np.log(floored) - digamma(half) + np.log(half)
    mean = _divide(_total(logs, pools, k), count)
    with np.errstate(invalid="ignore"):  # of a pool without scatter every log is minus infinity
        spread = _divide(_total((logs - mean[pools]) ** 2, pools, k), count - 1)
    excess = spread - _divide(_total(polygamma(1, half), pools, k), count)
    alike = ~(excess > 0)
    half_weight = _inverse_trigamma(np.where(alike, 1.0, excess))
    prior = np.exp(mean + digamma(half_weight) - np.log(half_weight))
    usable = (count >= FEWEST_TO_POOL) & (typical > 0)
    weight = np.where(alike, np.inf, 2 * half_weight)
    return np.where(alike, typical, prior), np.where(usable, weight, 0.0)


def _inverse_trigamma(value: Floats) -> Floats:
    """y with trigamma(y) = value > 0, by Newton steps on 1 / trigamma, which is nearly straight."""
    y = 0.5 + 1 / value
    for _ in range(20):
        trigamma = polygamma(1, y)
        y = y + trigamma * (1 - trigamma / value) / polygamma(2, y)
    return np.asarray(y, dtype=np.float64)


def t_quantile(df: npt.ArrayLike, level: float) -> Floats:
    """The t value that leaves (1 - level) / 2 above it; NaN where `df` is not above 0."""
    freedom = np.asarray(df, dtype=np.float64)
    known = freedom > 0
    # The library's own function knows no infinite freedom; at 1e9 t and normal agree to 1e-9.
    quantile = stdtrit(np.where(known, np.minimum(freedom, 1e9), 1.0), (1 + level) / 2)
    return np.where(known, quantile, np.nan)


def prediction_interval(
    lines: Lines, x: npt.ArrayLike, variance: Floats, df: npt.ArrayLike, level: float
) -> tuple[Floats, Floats]:
    """Where a further point at `x` lies with probability `level`: (low, high) [y], each (groups,).

    `variance`, `df`: residual variance [y²] and its degrees of freedom, own or pooled.
    """
    half = t_quantile(df, level) * np.sqrt(variance + lines.variance_at(x, variance))
    return lines.at(x) - half, lines.at(x) + half


def fieller_interval(
    top: Floats, bottom: Floats, top_variance: Floats, bottom_variance: Floats, covariance: Floats, t: Floats
) -> tuple[Floats, Floats]:
    """Interval of the ratio top / bottom of two estimates with normal errors: (low, high); t: its t value.

    NaN where the bottom is not clearly off 0: the interval is then unbounded, and there is nothing to say.
    Fieller 1954, J R Stat Soc B 16:175-185 (from memory): all r with (top - r bottom)² <= t² its variance.
    """
    a = bottom**2 - t**2 * bottom_variance
    b = top * bottom - t**2 * covariance
    c = top**2 - t**2 * top_variance
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b**2 - a * c)
        low, high = (b - root) / a, (b + root) / a
    bounded = a > 0
    return np.where(bounded, low, np.nan), np.where(bounded, high, np.nan)


def reach(
    lines: Lines,
    y: npt.ArrayLike,
    variance: Floats,
    df: npt.ArrayLike,
    level: float,
    y_variance: npt.ArrayLike = 0.0,
) -> tuple[Floats, Floats, Floats]:
    """The x at which each line reaches `y`, with its Fieller interval: (x, low, high), each (groups,).

    `variance`, `df`: residual variance [y²] and its degrees of freedom. `y_variance`: variance of `y` itself
    [y²], 0 where it is a chosen height; a single further reading has the residual variance.
    """
    rise = np.asarray(y, dtype=np.float64) - lines.y_mean
    slope_variance = _divide(variance, lines.sxx)
    rise_variance = _divide(variance, lines.n.astype(np.float64)) + np.asarray(y_variance, dtype=np.float64)
    # About the means the slope and the height are independent, so there is no covariance to carry.
    low, high = fieller_interval(
        rise, lines.slope, rise_variance, slope_variance, np.zeros_like(rise), t_quantile(df, level)
    )
    return lines.x_mean + _divide(rise, lines.slope), lines.x_mean + low, lines.x_mean + high


def _total(values: Floats, groups: Ints, k: int) -> Floats:
    return np.bincount(groups, weights=values, minlength=k).astype(np.float64, copy=False)


def _centred(values: Floats, groups: Ints, n: Ints) -> tuple[Floats, Floats]:
    """Mean of each group and every value's distance from it; a second pass mends the mean's own rounding."""
    count = n.astype(np.float64)
    mean = _divide(_total(values, groups, n.size), count)
    mean = mean + _divide(_total(values - mean[groups], groups, n.size), count)
    return mean, values - mean[groups]


def _divide(top: npt.ArrayLike, bottom: Floats) -> Floats:
    """top / bottom, NaN where the bottom is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(bottom != 0, np.asarray(top, dtype=np.float64) / bottom, np.nan)
