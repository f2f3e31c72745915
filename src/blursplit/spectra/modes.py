"""Damped modes fitted to the two-axis periodogram by Whittle's likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.spectra.periodogram import mode_density, mode_density_slopes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.spectra.periodogram import Periodogram

    FloatArray = NDArray[np.float64]

DAMPING_FLOOR = 1e-5
DAMPING_CEILING = 0.15

MOST_EVALUATIONS = 300
"""Of the likelihood in one fit; usual ones need 20 to 60, a spectrum that no mode fits needs any
number."""


@dataclass(frozen=True)
class Mode:
    """A mode: frequency, damping ratio, and the covariance of its (x, y) motion."""

    frequency_hz: float
    damping_ratio: float
    covariance: FloatArray

    def density(self, periodogram: Periodogram) -> FloatArray:
        """Return its expected periodogram, shape (m, 2, 2)."""
        shape = mode_density(periodogram, self.frequency_hz, self.damping_ratio)
        return shape[:, None, None] * self.covariance


@dataclass(frozen=True)
class Spread:
    """Standard errors of a fitted mode: frequency, ln(damping ratio)."""

    frequency_hz: float
    log_damping: float


def whittle(power: FloatArray, model: FloatArray, weight: float) -> float:
    """Return the log likelihood of a two-axis periodogram, up to a constant.

    Parameters
    ----------
    power, model : ndarray, shape (m, 2, 2)
        Measured and expected; real and symmetric.
    weight : float
        Independent complex values a bin.

    Notes
    -----
    Whittle 1953 (Ark. Mat. 2, 423, from memory): - sum ln det S + tr(S^-1 I).
    """
    a, b, c = model[:, 0, 0], model[:, 0, 1], model[:, 1, 1]
    determinant = np.maximum(a * c - b * b, np.finfo(np.float64).tiny)
    trace = (c * power[:, 0, 0] - 2 * b * power[:, 0, 1] + a * power[:, 1, 1]) / determinant
    return float(-weight * np.sum(np.log(determinant) + trace))


def whittle_slope(power: FloatArray, model: FloatArray, weight: float) -> tuple[float, FloatArray]:
    """Return the log likelihood and its derivative by the model's elements, shape (m, 2, 2)."""
    a, b, c = model[:, 0, 0], model[:, 0, 1], model[:, 1, 1]
    determinant = np.maximum(a * c - b * b, np.finfo(np.float64).tiny)
    inverse = np.stack([np.stack([c, -b], axis=1), np.stack([-b, a], axis=1)], axis=1)
    inverse = inverse / determinant[:, None, None]
    measured = inverse @ power
    trace = measured[:, 0, 0] + measured[:, 1, 1]
    value = -weight * float(np.sum(np.log(determinant) + trace))
    return value, np.asarray(weight * (measured @ inverse - inverse))


def fit_modes(
    periodogram: Periodogram, rest: FloatArray, starts: list[Mode]
) -> tuple[list[Mode], list[Spread]]:
    """Fit a group of neighbouring modes at once.

    Parameters
    ----------
    periodogram : Periodogram
    rest : ndarray, shape (m, 2, 2)
        Expected density of everything else: continuum and the other modes.
    starts : list of Mode

    Returns
    -------
    modes : list of Mode
    spreads : list of Spread
        From the curvature of the likelihood.
    """
    from scipy.optimize import minimize

    window = _window(periodogram, starts)
    group = _Group(periodogram, window, rest[window], starts)
    first = np.concatenate(
        [
            _pack(start, scale, periodogram)
            for start, scale in zip(starts, group.scales, strict=True)
        ]
    )
    bounds = [b for start in starts for b in _bounds(start, periodogram)]
    options = {"maxiter": 80, "maxfun": MOST_EVALUATIONS, "ftol": 1e-9}
    search: Any = minimize  # some type stubs know no cost that returns its slope as well
    found = search(group.cost, first, jac=True, method="L-BFGS-B", bounds=bounds, options=options)
    vector = found.x if found.fun <= group.cost(first)[0] else first
    return group.modes(vector), _spreads(group, vector)


@dataclass(frozen=True)
class _Group:
    """Neighbouring modes in their window: the cost of a parameter vector and its gradient.

    Five numbers a mode: ln frequency (in hundredths), ln damping ratio, and the lower triangle
    of the covariance's root.
    """

    periodogram: Periodogram
    window: slice
    rest: FloatArray
    starts: list[Mode]

    @property
    def scales(self) -> list[float]:
        """Variance that each mode starts with: the unit of its covariance."""
        return [max(float(np.trace(start.covariance)), 1e-30) for start in self.starts]

    def modes(self, vector: FloatArray) -> list[Mode]:
        """Return the modes that a vector stands for."""
        return [
            _unpack(vector[5 * k : 5 * k + 5], start, scale)
            for k, (start, scale) in enumerate(zip(self.starts, self.scales, strict=True))
        ]

    def cost(self, vector: FloatArray) -> tuple[float, FloatArray]:
        """Return minus the log likelihood and its gradient."""
        modes = self.modes(vector)
        shapes = [
            mode_density_slopes(self.periodogram, mode.frequency_hz, mode.damping_ratio)[
                :, self.window
            ]
            for mode in modes
        ]
        model = self.rest.copy()
        for mode, shape in zip(modes, shapes, strict=True):
            model = model + shape[0][:, None, None] * mode.covariance
        value, slope = whittle_slope(
            self.periodogram.power[self.window], model, self.periodogram.weight
        )
        gradient = []
        for k, (mode, shape) in enumerate(zip(modes, shapes, strict=True)):
            along = np.einsum("mij,ij->m", slope, mode.covariance)
            root = np.array([[vector[5 * k + 2], 0.0], [vector[5 * k + 3], vector[5 * k + 4]]])
            pull = 2.0 * self.scales[k] * np.einsum("m,mij->ij", shape[0], slope) @ root
            gradient += [0.01 * along @ shape[1], along @ shape[2]]
            gradient += [pull[0, 0], pull[1, 0], pull[1, 1]]
        return -value, -np.array(gradient)


def damping_profile(
    periodogram: Periodogram, rest: FloatArray, mode: Mode, grid: FloatArray
) -> FloatArray:
    """Return the log likelihood at each damping ratio, amplitude refitted each time.

    Parameters
    ----------
    periodogram : Periodogram
    rest : ndarray, shape (m, 2, 2)
    mode : Mode
    grid : ndarray, shape (g,)
        Damping ratios.

    Returns
    -------
    ndarray, shape (g,)
    """
    from scipy.optimize import minimize_scalar

    window = _window(periodogram, [mode])
    power, other = periodogram.power[window], rest[window]
    values = []
    for zeta in grid:
        shape = mode_density(periodogram, mode.frequency_hz, float(zeta))[window]
        unit = shape[:, None, None] * mode.covariance

        def cost(log_scale: float, unit: FloatArray = unit) -> float:
            return -whittle(power, other + np.exp(log_scale) * unit, periodogram.weight)

        values.append(-minimize_scalar(cost, bounds=(-3, 3), method="bounded").fun)
    return np.asarray(values)


def direction_sigma_deg(periodogram: Periodogram, rest: FloatArray, mode: Mode) -> float:
    """Return the standard error of the mode's direction from the curvature of the likelihood.

    Parameters
    ----------
    periodogram : Periodogram
    rest : ndarray, shape (m, 2, 2)
        Everything but the mode.
    mode : Mode

    Returns
    -------
    float
        Degrees; large where the mode is round.
    """
    window = _window(periodogram, [mode])
    shape = mode_density(periodogram, mode.frequency_hz, mode.damping_ratio)[window]
    step = np.deg2rad(2.0)
    values = []
    for angle in (-step, 0.0, step):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        model = rest[window] + shape[:, None, None] * (turn @ mode.covariance @ turn.T)
        values.append(whittle(periodogram.power[window], model, periodogram.weight))
    curvature = -(values[0] - 2.0 * values[1] + values[2]) / step**2
    return float(np.rad2deg(1.0 / np.sqrt(max(curvature, 0.1))))


def realised_covariance(
    periodogram: Periodogram, rest: FloatArray, mode: Mode
) -> tuple[FloatArray, FloatArray]:
    """Return the covariance of the mode's motion in this record, and its standard error.

    Parameters
    ----------
    periodogram : Periodogram
    rest : ndarray, shape (m, 2, 2)
        Everything but the mode.
    mode : Mode

    Returns
    -------
    covariance, sigma : ndarray, shape (2, 2)

    Notes
    -----
    Each bin's mode amplitude given the data is Gaussian with mean S_m S^-1 d and covariance
    V = S_m - S_m S^-1 S_m; the realised power is the sum of mean^2 + V. A record holds a few
    correlation times of a lightly damped mode, so this is far better known than the variance of
    the process behind it.
    """
    shape = mode_density(periodogram, mode.frequency_hz, mode.damping_ratio, plain=True)
    own = np.maximum(shape, 0.0)[:, None, None] * mode.covariance
    gain = own @ np.linalg.inv(own + rest)
    mean = gain @ periodogram.plain @ np.swapaxes(gain, 1, 2)
    left = own - gain @ own
    step = 1.0 / periodogram.duration_s
    # bins of stretches averaged together hold weight * (taper factor) independent values
    values = max(periodogram.weight, 1.0)
    covariance = (mean + left).sum(axis=0) * step
    mean_d, left_d = (np.diagonal(part, axis1=1, axis2=2) for part in (mean, left))
    product = mean_d[:, :, None] * left_d[:, None, :]
    cross = 2.0 * mean * left
    scatter = (product + np.swapaxes(product, 1, 2) + cross) / 2.0
    scatter = scatter + (left_d[:, :, None] * left_d[:, None, :] + left**2) / 2.0
    sigma = np.sqrt(np.maximum(scatter.sum(axis=0), 0.0) / values) * step
    return covariance, sigma


def _window(periodogram: Periodogram, modes: list[Mode]) -> slice:
    """Bins that say something about these modes: twenty widths around them."""
    low, high = np.inf, 0.0
    for mode in modes:
        reach = max(40.0 * mode.damping_ratio * mode.frequency_hz, 20.0 / periodogram.duration_s)
        reach = min(reach, 0.5 * mode.frequency_hz)
        low = min(low, mode.frequency_hz - reach)
        high = max(high, mode.frequency_hz + reach)
    first, last = np.searchsorted(periodogram.frequency_hz, [low, high])
    size = periodogram.frequency_hz.size
    return slice(max(1, min(int(first), size - 20)), min(int(last) + 1, size))


def _pack(mode: Mode, scale: float, periodogram: Periodogram) -> FloatArray:
    factor = np.linalg.cholesky(mode.covariance / scale + 1e-6 * np.eye(2))
    zeta = max(mode.damping_ratio, 0.3 / (np.pi * mode.frequency_hz * periodogram.duration_s))
    return np.array([0.0, np.log(zeta), factor[0, 0], factor[1, 0], factor[1, 1]])


def _unpack(vector: FloatArray, start: Mode, scale: float) -> Mode:
    factor = np.array([[vector[2], 0.0], [vector[3], vector[4]]])
    frequency = start.frequency_hz * np.exp(0.01 * vector[0])
    return Mode(float(frequency), float(np.exp(vector[1])), scale * factor @ factor.T)


def _bounds(start: Mode, periodogram: Periodogram) -> list[tuple[float, float]]:
    width = max(start.damping_ratio, 2.0 / (periodogram.duration_s * start.frequency_hz))
    reach = 100.0 * min(3.0 * width, 0.2)
    return [
        (-reach, reach),
        (np.log(DAMPING_FLOOR), np.log(DAMPING_CEILING)),
        (-8.0, 8.0),
        (-8.0, 8.0),
        (-8.0, 8.0),
    ]


def _spreads(group: _Group, vector: FloatArray) -> list[Spread]:
    """Return standard errors from the Hessian over all parameters of the group."""
    steps = np.tile([0.02, 0.05, 0.02, 0.02, 0.02], vector.size // 5)
    rows = []
    for i, step in enumerate(steps):
        side = np.zeros(vector.size)
        side[i] = step
        rows.append((group.cost(vector + side)[1] - group.cost(vector - side)[1]) / (2.0 * step))
    hessian = np.array(rows)
    values, vectors = np.linalg.eigh((hessian + hessian.T) / 2.0)
    # flat directions (a damping ratio that only has an upper limit) get a wide but finite error
    inverse = (vectors / np.maximum(values, 0.02)) @ vectors.T
    sigma = np.sqrt(np.maximum(np.diag(inverse), 0.0))
    return [
        Spread(0.01 * start.frequency_hz * float(sigma[5 * k]), float(sigma[5 * k + 1]))
        for k, start in enumerate(group.starts)
    ]
