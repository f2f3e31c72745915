"""The smooth part of a motion spectrum: air, drift, wander and white noise together.

A spline of the logarithm of the density in the logarithm of the frequency, half an octave
between knots: air's knees, slopes and peaks (a decade wide) fit, a mode's peak (damping ratio
0.1: 0.3 octave) does not.

A sampled density is even about the Nyquist frequency, so the spline runs in the logarithm of
sin(pi f / 2 f_N): ln f far below Nyquist, without slope at it. A free end would rise to a mode
that lies there and swallow it.
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
CURVATURE_SIGMA = 0.3
"""Prior scatter of the second difference of the spline's coefficients [ln power per knot^2]. The
knee of the tilt spectrum (slope -2/3 to -11/3 or -17/3 within an octave) bends by 0.5 to 0.9; a
looser spline follows broad modes and hides them (benchmarks/ideal_detector.py)."""

PROJECTIONS_RAD = tuple(np.deg2rad([0.0, 45.0, 90.0, 135.0]).tolist())
COHERENCE_LIMIT = 0.9


@dataclass(frozen=True)
class Basis:
    """Cubic B-splines of log frequency, even about Nyquist.

    Parameters
    ----------
    knots : ndarray
        Full knot vector in ln sin(pi f / 2 f_N).
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
        Knots of the splines in ln sin(pi f / 2 f_N).
    coefficients : ndarray, shape (4, p)
        For the motion along 0, 45, 90 and 135 degrees from +x toward +y.
    low_hz, high_hz : float
        Range in which it was fitted; beyond it the end values hold.
    nyquist_hz : float
    noise_psd : tuple of float, or None
        White noise of the centroids along x and y, as given by the caller [unit^2/Hz].
    """

    knots: FloatArray
    coefficients: FloatArray
    low_hz: float
    high_hz: float
    nyquist_hz: float
    noise_psd: tuple[float, float] | None = None

    def __call__(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the density along x and y, shape (m, 2), unit^2/Hz."""
        matrix = self.matrix(frequency_hz)
        return np.stack([matrix[:, 0, 0], matrix[:, 1, 1]], axis=1)

    def matrix(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the density matrix of (x, y), shape (m, 2, 2), unit^2/Hz."""
        inside = np.clip(frequency_hz, self.low_hz, self.high_hz)
        basis = _spline_matrix(self.knots, _place(inside, self.nyquist_hz))
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


def make_basis(frequency_hz: FloatArray, nyquist_hz: float) -> Basis:
    """Return the splines for these (evenly spaced) frequencies, from the third bin up."""
    step = float(frequency_hz[1] - frequency_hz[0])
    first, last = _place(np.array([2.0 * step, frequency_hz[-1]]), nyquist_hz)
    inner = [2.0 * step]
    places = [float(first)]
    while places[-1] < last:
        wide = min(np.exp(places[-1]) * KNOT_RATIO, 1.0)
        inner.append(
            max(2.0 / np.pi * nyquist_hz * np.arcsin(wide), inner[-1] + BINS_PER_KNOT * step)
        )
        places.append(float(_place(np.array([min(inner[-1], nyquist_hz)]), nyquist_hz)[0]))
        if wide >= 1.0:
            break
    # the last interval is stretched or shrunk to end at the last frequency
    if len(places) > 2 and last - places[-2] < (places[-1] - places[-2]) / 2:  # noqa: PLR2004
        places = places[:-1]
    places[-1] = float(last)
    knots = np.concatenate([[places[0]] * 3, places, [places[-1]] * 3])
    clipped = np.clip(frequency_hz, inner[0], frequency_hz[-1])
    return Basis(knots, _spline_matrix(knots, _place(clipped, nyquist_hz)))


def _place(frequency_hz: FloatArray, nyquist_hz: float) -> FloatArray:
    """Return where frequencies lie on the axis of the splines."""
    turn = 0.5 * np.pi * np.clip(frequency_hz / nyquist_hz, 1e-9, 1.0)
    return np.asarray(np.log(np.sin(turn)))


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


def _spline_matrix(knots: FloatArray, place: FloatArray) -> FloatArray:
    from scipy.interpolate import BSpline

    inside = np.clip(place, knots[0], knots[-1])
    return np.asarray(BSpline.design_matrix(inside, knots, 3).toarray())
