"""Joint draws against the dense conditional of a Gaussian, and their sum."""

import numpy as np
from numpy.testing import assert_allclose

from blursplit.budget.line_terms import JointDraw

DT_S = 0.01
AXES = np.array([[1.0, 0.5], [0.5, 0.4]])


def densities(n):
    """Air, a mode that couples both axes, and white noise."""
    f = JointDraw(n, DT_S).frequency_hz
    air = 0.05 * f ** (-2 / 3) / (1 + (f / 8) ** 5)
    mode = 0.07 / (1 + ((f - 11.7) / 0.2) ** 2)
    eye = np.eye(2)
    return [
        air[:, None, None] * eye,
        mode[:, None, None] * AXES,
        1e-5 * np.ones_like(f)[:, None, None] * eye,
    ]


def dense(part, n):
    """Covariance matrix (all x, then all y) of n samples of a stationary motion."""
    lags = np.fft.irfft(0.5 * part / DT_S, axis=0)
    place = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    return np.block([[lags[place, i, j] for j in range(2)] for i in range(2)])


def test_draws_have_the_mean_and_variance_of_the_dense_conditional():
    n, draws = 100, 2000
    parts = densities(n)
    covariances = [dense(part, n) for part in parts]
    total = sum(covariances)
    rng = np.random.default_rng(0)
    y = np.linalg.cholesky(total) @ rng.standard_normal(2 * n)
    gain = np.linalg.solve(total, covariances[1]).T
    mean, variance = gain @ y, np.diag(covariances[1] - gain @ covariances[1])
    measured = y.reshape(2, n).T
    joint = JointDraw(n, DT_S)
    mode = np.array([joint.parts(measured, parts, rng)[1].T.ravel() for _ in range(draws)])
    # The largest of 200 correlated normal errors stays below 4 standard errors.
    assert_allclose(mode.mean(axis=0), mean, atol=4.0 * np.sqrt(variance.max() / draws))
    assert_allclose(mode.var(axis=0), variance, rtol=4.5 * np.sqrt(2.0 / draws))


def test_the_parts_sum_to_the_measured_motion():
    n = 3000
    rng = np.random.default_rng(1)
    measured = np.cumsum(rng.standard_normal((n, 2)), axis=0) * 0.01
    together = sum(JointDraw(n, DT_S).parts(measured, densities(n), rng))
    # The solver stops at 1e-4 of the data in the norm of their own covariance.
    assert_allclose(together, measured, atol=5e-3 * np.ptp(measured))
