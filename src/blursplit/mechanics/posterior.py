"""From fitted coefficients to estimates: sizes, directions and covariances with intervals."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from blursplit.result import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

QUANTILES = (0.025, 0.16, 0.84, 0.975)
N_DRAWS = 1000
# A motion is called shown when noise alone would make as large a one less often than this.
SHOWN_PROBABILITY = 0.05


def draw_coefficients(mean: Array, covariance: Array, rng: np.random.Generator) -> Array:
    """Return draws of the coefficients, shape (draw, 2, column)."""
    draws = []
    for k in range(2):
        values, vectors = np.linalg.eigh(covariance[k])
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        draws.append(mean[k] + rng.standard_normal((N_DRAWS, mean.shape[1])) @ root.T)
    return np.stack(draws, axis=1)


def size_estimate(mean: Array, draws: Array, form: Array) -> tuple[Estimate, float]:
    """Return the size sqrt(sum over axes of c^T form c) and the probability of noise alone.

    Parameters
    ----------
    mean : ndarray, shape (2, column)
    draws : ndarray, shape (draw, 2, column)
    form : ndarray, shape (column, column)

    Returns
    -------
    estimate : Estimate
        An upper limit where noise alone would often do as much.
    probability : float

    Notes
    -----
    Noise makes a size too large by the trace of form times covariance. It is taken off once from
    the value and twice from the draws, which carry it twice.
    """
    error = draws - mean
    noise = np.einsum("dai,ij,daj->d", error, form, error)
    squared = float(np.einsum("ai,ij,aj->", mean, form, mean))
    excess = float(noise.mean())
    probability = float(np.mean(noise >= squared))
    drawn = np.einsum("dai,ij,daj->d", draws, form, draws)
    sizes = np.sqrt(np.maximum(drawn - 2.0 * excess, 0.0))
    if probability > SHOWN_PROBABILITY:
        high = float(np.sqrt(np.quantile(drawn, 0.95)))
        return Estimate(value=None, low=0.0, high=high, low95=0.0, high95=high), probability
    low95, low, high, high95 = (float(q) for q in np.quantile(sizes, QUANTILES))
    value = math.sqrt(max(squared - excess, 0.0))
    return (
        Estimate(
            value=value,
            low=min(low, value),
            high=max(high, value),
            low95=min(low95, value),
            high95=max(high95, value),
        ),
        probability,
    )


def value_estimate(draws: Array, value: float) -> Estimate:
    """Return a plain number with the quantiles of its draws, shape (draw,)."""
    low95, low, high, high95 = (float(q) for q in np.quantile(draws, QUANTILES))
    return Estimate(
        value=value,
        low=min(low, value),
        high=max(high, value),
        low95=min(low95, value),
        high95=max(high95, value),
    )


def angle_estimate(draws_deg: Array, value_deg: float, *, turn_deg: float) -> Estimate:
    """Return a direction in [0, turn) with its interval, which may run past the ends.

    Parameters
    ----------
    draws_deg : ndarray, shape (draw,)
    value_deg : float
    turn_deg : float
        360 for a direction, 180 for an axis.
    """
    centre = value_deg % turn_deg
    apart = (draws_deg - centre + turn_deg / 2.0) % turn_deg - turn_deg / 2.0
    return value_estimate(centre + apart, centre)


def covariance_of(mean_a: Array, form: Array) -> Array:
    """Return the 2x2 covariance c_k^T form c_l of coefficients of shape (..., 2, column)."""
    return np.asarray(np.einsum("...ai,ij,...bj->...ab", mean_a, form, mean_a))


def without_noise(covariance: Array, excess: Array) -> Array:
    """Return covariances with noise taken off and negative eigenvalues set to zero."""
    values, vectors = np.linalg.eigh(covariance - excess)
    kept = np.maximum(values, 0.0)
    return np.asarray(np.einsum("...ij,...j,...kj->...ik", vectors, kept, vectors))


def major_axis_deg(covariance: Array) -> float:
    """Return the direction of the larger axis of a 2x2 covariance, [0, 180) from +x toward +y."""
    twice = math.atan2(2.0 * covariance[0, 1], covariance[0, 0] - covariance[1, 1])
    return math.degrees(twice) / 2.0 % 180.0
