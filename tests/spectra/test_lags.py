"""The density of a covariance at lags, against the sum of cosines that defines it."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.spectra.periodogram import _transform_of_lags

CADENCE_S = 0.02


@pytest.mark.parametrize("n", [2, 3, 16, 31])
def test_density_is_the_sum_of_cosines_over_both_signs_of_the_lag(n):
    covariance = np.random.default_rng(n).standard_normal((2, n))
    lag = np.arange(1, n)
    direct = []
    for number in range(1, (n + 1) // 2):  # neither zero nor the highest frequency
        wave = np.cos(2.0 * np.pi * number * lag / n)
        direct.append(2.0 * CADENCE_S * (covariance[:, 0] + 2.0 * covariance[:, 1:] @ wave))
    got = _transform_of_lags(covariance, CADENCE_S)
    assert got.shape == (2, (n + 1) // 2 - 1)
    # Sums of at most 31 numbers of order one.
    assert_allclose(got, np.array(direct).T.reshape(got.shape), rtol=0, atol=1e-14)
