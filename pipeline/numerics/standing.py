"""Where one value stands among others, and how well that is known.

Every function takes and gives arrays with one entry a comparison.
"""

from __future__ import annotations

import numpy as np

from pipeline.numerics.percentiles import Floats, Ints

Z90 = 1.6448536269514722  # of a two-sided 90 % interval


def median_error_factor(n: Ints) -> Floats:
    """SD of the median of n values, in SDs of one: (n,) -> (n,).

    Exact for one and two; for more the large-sample pi / 2n with its usual correction of n (odd: pi/2 - 1,
    even: pi - 2), within 2 % of the exact value for normal errors and above it for even n.
    """
    corrected = np.where(n % 2 == 1, n + np.pi / 2 - 1, n + np.pi - 2)
    found: Floats = np.sqrt(np.pi / 2 / corrected)
    return found


def wilson_interval(count: Floats, n: Ints, z: float = Z90) -> tuple[Floats, Floats]:
    """Interval of a share by the score method: (n,), (n,) -> low, high in 0..1. A tie may count half.

    Source: Wilson 1927, J Am Stat Assoc 22:209-212.
    """
    share = count / n
    spread = z * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    centre = share + z**2 / (2 * n)
    return (centre - spread) / (1 + z**2 / n), (centre + spread) / (1 + z**2 / n)


def joined_limit(point: Floats, one: Floats, other: Floats) -> Floats:
    """One end of an interval from two independent causes, each with an end of its own on that side.

    The distances from the point are added as squares (variance estimates recovered from limits; Zou & Donner
    2008, Stat Med 27:1693-1702).
    """
    found: Floats = point + np.sign(one + other - 2 * point) * np.hypot(one - point, other - point)
    return found


def without_self(value: Floats, n: Ints, mean: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Mean and SD (n - 2) of a group of n without one of its values; SD 0 where the others are equal."""
    others = n - 1
    squares = (n - 1) * sd**2
    left = squares - (value - mean) ** 2 * n / others
    # What is left of sums that cancel is no spread.
    left = np.where(left > 1e-12 * squares, left, 0.0)
    return (n * mean - value) / others, np.sqrt(left / (others - 1))
