"""Spectra in time of image motion under frozen flow, and what an exposure leaves of them.

Frequencies are x = nu D/V with the wind speed V across the beam; one-sided densities are in
units lambda^2 r0^(-5/3) D^(-1/3) (D/V), so that their integral over x is the coefficient K.

References
----------
J.-M. Conan, G. Rousset and P.-Y. Madec (1995), J. Opt. Soc. Am. A 12, 1559 (method; from
memory); H. M. Martin (1987), PASP 99, 1360 (exposure).
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.air._filters import LOG_STEP, TiltKind, grid, radial_density

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

_TWO_OVER_PI = 2.0 / np.pi
_SPECTRUM_RANGE = (1e-6, 100.0)


def tilt_spectra(
    x: ArrayLike, aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
) -> tuple[FloatArray, FloatArray]:
    """Return the spectra of one star's motion along and across the wind.

    Parameters
    ----------
    x : array_like
        Frequency nu D/V, positive.
    aperture_over_outer_scale : float
        D/L0, zero for Kolmogorov.
    obstruction : float
        Central obstruction, diameter ratio.
    kind : "G" or "Z"

    Returns
    -------
    along, across : ndarray, shape of `x`
        One-sided densities in units lambda^2 r0^(-5/3) D^(-1/3) (D/V). Outside
        1e-6 < x < 100 the law of the nearer end continues.

    Notes
    -----
    S(nu) = (2/V) int P(nu/V, f_y) df_y, written as an Abel integral over the radial frequency;
    in ln u its kernel depends on the difference only, so that one correlation gives all x.
    """
    frequency = np.asarray(x, dtype=float)
    log_x, along, across = _spectrum_table(
        float(aperture_over_outer_scale), float(obstruction), kind
    )
    log_frequency = np.log(frequency)
    return log_interpolate(log_frequency, log_x, along), log_interpolate(
        log_frequency, log_x, across
    )


def log_interpolate(at: FloatArray, log_x: FloatArray, log_value: FloatArray) -> FloatArray:
    value = np.interp(at, log_x, log_value)
    for end, step in ((0, 1), (-1, -2)):
        slope = (log_value[end] - log_value[end + step]) / (log_x[end] - log_x[end + step])
        outside = at < log_x[0] if end == 0 else at > log_x[-1]
        value = np.where(outside, log_value[end] + slope * (at - log_x[end]), value)
    return np.asarray(np.exp(value), dtype=float)


@lru_cache(maxsize=256)
def _spectrum_table(
    aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
) -> tuple[FloatArray, FloatArray, FloatArray]:
    u = grid()
    density = radial_density(aperture_over_outer_scale, obstruction, kind)
    keep = (u >= _SPECTRUM_RANGE[0]) & (u <= _SPECTRUM_RANGE[1])
    table = []
    # Summed directly (20 ms): the range of the density is beyond a Fourier convolution's precision.
    for weights in abel_weights():
        total = _correlate(density, weights, keep)
        table.append(np.log(2.0 * total / u[keep]))
    return np.log(u[keep]), table[0], table[1]


def _correlate(density: FloatArray, weights: FloatArray, keep: Any) -> FloatArray:
    """Return sum over k of weights[k] density[i + k] for the kept i."""
    kept = np.flatnonzero(keep)
    first, last = int(kept[0]), int(kept[-1])
    padded = np.concatenate([density, np.zeros(weights.size)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, weights.size)
    return np.asarray(windows[first : last + 1] @ weights, dtype=float)


@lru_cache(maxsize=1)
def abel_weights() -> tuple[FloatArray, FloatArray]:
    """Return product-integration weights of the Abel kernel for along and across the wind.

    For a density that is linear in t = ln(u/x) between grid points, the integral over t of
    density(t) (2/pi) / sqrt(exp(2 t) - 1) times cos^2 (along) or sin^2 (across), where
    cos(theta) = exp(-t) turns the kernel into d theta and removes the square-root singularity.
    """
    count = int(np.log(1e6) / LOG_STEP)
    t = LOG_STEP * np.arange(count + 1)
    theta = np.arccos(np.exp(-t))
    node, weight = np.polynomial.legendre.leggauss(8)
    middle, half = 0.5 * (theta[1:] + theta[:-1]), 0.5 * np.diff(theta)
    angle = middle[:, None] + half[:, None] * node
    fraction = (-np.log(np.cos(angle)) - t[:-1, None]) / LOG_STEP
    results = []
    for share in (np.cos(angle) ** 2, np.sin(angle) ** 2):
        measure = _TWO_OVER_PI * share * weight * half[:, None]
        total = np.zeros(count + 1)
        total[:-1] += (measure * (1.0 - fraction)).sum(axis=1)
        total[1:] += (measure * fraction).sum(axis=1)
        results.append(total)
    return results[0], results[1]
