"""The smooth part of a motion spectrum: air, drift, wander and white noise together.

A spline of the logarithm of the density in the logarithm of the frequency, half an octave
between knots: air's knees, slopes and peaks (a decade wide) fit, a mode's peak (damping ratio
0.1: 0.3 octave) does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

KNOT_RATIO = 2.0**0.5
BINS_PER_KNOT = 6
CURVATURE_SIGMA = 1.5
"""Prior scatter of the second difference of the spline's coefficients [ln power per knot^2]."""

PROJECTIONS_RAD = tuple(np.deg2rad([0.0, 45.0, 90.0, 135.0]).tolist())
COHERENCE_LIMIT = 0.9


@dataclass(frozen=True)
class Basis:
    """Cubic B-splines of log frequency.

    Parameters
    ----------
    knots : ndarray
        Full knot vector in ln(frequency).
    matrix : ndarray, shape (m, p)
        Value of each spline at each frequency of the periodogram.
    """

    knots: FloatArray
    matrix: FloatArray


@dataclass(frozen=True)
class Continuum:
    """Smooth density of the motion, lines excluded.

    Parameters
    ----------
    knots : ndarray
        Knots of the splines in ln(frequency).
    coefficients : ndarray, shape (4, p)
        For the motion along 0, 45, 90 and 135 degrees from +x toward +y.
    low_hz, high_hz : float
        Range in which it was fitted; beyond it the end values hold.
    noise_psd : tuple of float, or None
        White noise of the centroids along x and y, as given by the caller [unit^2/Hz].
    """

    knots: FloatArray
    coefficients: FloatArray
    low_hz: float
    high_hz: float
    noise_psd: tuple[float, float] | None = None

    def __call__(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the density along x and y, shape (m, 2), unit^2/Hz."""
        matrix = self.matrix(frequency_hz)
        return np.stack([matrix[:, 0, 0], matrix[:, 1, 1]], axis=1)

    def matrix(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the density matrix of (x, y), shape (m, 2, 2), unit^2/Hz."""
        basis = _spline_matrix(self.knots, np.clip(frequency_hz, self.low_hz, self.high_hz))
        return density_matrix(np.exp(basis @ self.coefficients.T))


def density_matrix(projected: FloatArray) -> FloatArray:
    """Return the (x, y) density matrix from densities along 0, 45, 90 and 135 degrees.

    Parameters
    ----------
    projected : ndarray, shape (m, 4)

    Returns
    -------
    ndarray, shape (m, 2, 2)
        Real, positive definite: the coherence of the axes is held below 0.9.
    """
    x, y = projected[:, 0], projected[:, 2]
    limit = COHERENCE_LIMIT * np.sqrt(x * y)
    cross = np.clip((projected[:, 1] - projected[:, 3]) / 2.0, -limit, limit)
    return np.stack([np.stack([x, cross], axis=1), np.stack([cross, y], axis=1)], axis=1)


def make_basis(frequency_hz: FloatArray) -> Basis:
    """Return the splines for these (evenly spaced) frequencies, from the third bin up."""
    step = float(frequency_hz[1] - frequency_hz[0])
    inner = [2.0 * step]
    while inner[-1] < frequency_hz[-1]:
        inner.append(max(inner[-1] * KNOT_RATIO, inner[-1] + BINS_PER_KNOT * step))
    logs = np.log(inner)
    # the last interval is stretched or shrunk to end at the last frequency
    if logs.size > 2 and frequency_hz[-1] - inner[-2] < (inner[-1] - inner[-2]) / 2:  # noqa: PLR2004
        logs = logs[:-1]
    logs[-1] = np.log(frequency_hz[-1])
    knots = np.concatenate([[logs[0]] * 3, logs, [logs[-1]] * 3])
    clipped = np.clip(frequency_hz, inner[0], frequency_hz[-1])
    return Basis(knots, _spline_matrix(knots, clipped))


def fit_log_spline(
    power: FloatArray,
    lines: FloatArray,
    basis: Basis,
    *,
    weight: float,
    shape: float,
    clip: float = np.inf,
    start: FloatArray | None = None,
) -> FloatArray:
    """Fit exp(spline) + lines to a periodogram by Whittle's likelihood.

    Parameters
    ----------
    power : ndarray, shape (m,)
        Periodogram.
    lines : ndarray, shape (m,)
        Known part of its expectation.
    basis : Basis
    weight, shape : float
        As in `Periodogram`.
    clip : float
        Ratio of power to model above which a bin counts no more; with a finite value narrow
        peaks cannot lift the continuum, and the clipped mean is corrected for.
    start : ndarray, shape (p,), optional

    Returns
    -------
    ndarray, shape (p,)
        Coefficients.
    """
    matrix = basis.matrix
    level = clipped_mean(shape, clip)
    theta = _first_guess(power, matrix) if start is None else start.copy()
    penalty = _curvature_penalty(matrix.shape[1])
    low_bins = basis.matrix.shape[0]
    use = np.ones(low_bins)
    use[:1] = 0.0  # the trend removed from the record took this bin's power
    for _ in range(40):
        continuum = np.exp(np.clip(matrix @ theta, -600, 600))
        model = continuum + lines
        ratio = np.minimum(power / model, clip) / level
        part = continuum / model * use * weight
        gradient = matrix.T @ (part * (ratio - 1.0)) - penalty @ theta
        hessian = (matrix * (part * continuum / model)[:, None]).T @ matrix + penalty
        step = np.linalg.solve(hessian + 1e-9 * np.eye(theta.size), gradient)
        step = np.clip(step, -1.5, 1.5)
        theta = theta + step
        if np.max(np.abs(step)) < 1e-3:  # noqa: PLR2004 - a thousandth of the density
            break
    return theta


def clipped_mean(shape: float, clip: float) -> float:
    """Return E[min(y, clip)] of a gamma variable of unit mean."""
    if not np.isfinite(clip):
        return 1.0
    from scipy.special import gammainc

    inside = gammainc(shape + 1.0, shape * clip)
    return float(inside + clip * (1.0 - gammainc(shape, shape * clip)))


def _first_guess(power: FloatArray, matrix: FloatArray) -> FloatArray:
    logs = np.log(np.maximum(power, np.finfo(np.float64).tiny))
    penalty = _curvature_penalty(matrix.shape[1])
    guess = np.linalg.solve(
        matrix.T @ matrix + penalty + 1e-6 * np.eye(len(penalty)), matrix.T @ logs
    )
    return np.asarray(guess)


def _curvature_penalty(size: int) -> FloatArray:
    second = np.diff(np.eye(size), 2, axis=0)
    return np.asarray(second.T @ second / CURVATURE_SIGMA**2)


def _spline_matrix(knots: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    from scipy.interpolate import BSpline

    logs = np.clip(np.log(frequency_hz), knots[0], knots[-1])
    return np.asarray(BSpline.design_matrix(logs, knots, 3).toarray())
