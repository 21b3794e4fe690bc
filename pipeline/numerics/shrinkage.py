"""Means and SDs of many groups, and how they are drawn toward their parent group's (methods, C7).

Every function takes groups laid end to end, as `percentiles_by_group` does, or arrays with one entry a group.
"""

from __future__ import annotations

import numpy as np

from pipeline.numerics.percentiles import Floats, Ints

PARENT_WEIGHT = 8.0  # nu0: the parent's variance counts like this many degrees of freedom (methods, C7)


def group_moments(values: Floats, offsets: Ints) -> tuple[Floats, Floats]:
    """Mean and SD (n - 1) of every group: (n,), (groups + 1,) -> (groups,), (groups,); SD of one value: NaN.

    Sums run over the distance from the group's first value, so that equal values have an SD of exactly 0,
    and depend on nothing but the group's own values in their order.
    """
    size = np.diff(offsets)
    first = values[offsets[:-1]]
    distance = values - np.repeat(first, size)
    shift = np.add.reduceat(distance, offsets[:-1]) / size
    squares = np.add.reduceat((distance - np.repeat(shift, size)) ** 2, offsets[:-1])
    freedom = np.where(size > 1, size - 1, np.nan)
    return first + shift, np.sqrt(squares / freedom)


def between_variance(size: Ints, mean: Floats, sd: Floats, parent: Ints) -> Floats:
    """Variance of the true means of sibling groups, by the method of moments: (groups,) -> (groups,).

    `parent` is the index of each group's parent among the same groups, -1 where it has none. The estimate
    at index i is that of the children of group i: (between mean square - within mean square) / n0 of the
    one-way analysis of variance with unequal group sizes, not below 0. It is 0 where there are fewer than
    two children or no degree of freedom within them: nothing then says that they differ.
    """
    child = parent >= 0
    owner, n, m = parent[child], size[child].astype(np.float64), mean[child]
    within = np.where(n > 1, (n - 1) * np.nan_to_num(sd[child]) ** 2, 0.0)

    def total(weight: Floats) -> Floats:
        return np.bincount(owner, weights=weight, minlength=size.size).astype(np.float64, copy=False)

    children, athletes = total(np.ones_like(n)), total(n)
    freedom_between, freedom_within = children - 1, athletes - children
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = total(n * m) / athletes
        between_square = total(n * (m - centre[owner]) ** 2) / freedom_between
        within_square = total(within) / freedom_within
        typical_size = (athletes - total(n**2) / athletes) / freedom_between
        estimate = (between_square - within_square) / typical_size
    known = (freedom_between > 0) & (freedom_within > 0)
    return np.where(known, np.maximum(estimate, 0.0), 0.0)


def shrink(size: Ints, mean: Floats, sd: Floats, parent: Ints) -> tuple[Floats, Floats]:
    """Mean and SD of every group drawn toward its parent's: (groups,) -> (groups,), (groups,).

    With B = (s²/n) / (s²/n + tau²), tau² the variance between siblings, the mean is B parent + (1 - B) own;
    the variance is (nu0 s_parent² + (n - 1) s²) / (nu0 + n - 1), nu0 = 8. A group without a parent keeps
    its own. Formulas: methods, C7.
    """
    tau_squared = between_variance(size, mean, sd, parent)[parent]
    noise = sd**2 / size
    moved = np.where(tau_squared > 0, noise / np.where(tau_squared > 0, noise + tau_squared, 1.0), 1.0)
    shrunk_mean = mean + moved * (mean[parent] - mean)
    freedom = size - 1
    variance = (PARENT_WEIGHT * sd[parent] ** 2 + freedom * sd**2) / (PARENT_WEIGHT + freedom)
    alone = parent < 0
    return np.where(alone, mean, shrunk_mean), np.where(alone, sd, np.sqrt(variance))
