"""Transfer functions of telescope, pixel, air and motion, and the width of their product.

A transfer function is taken at the pupil baseline b = lambda f [m] where it belongs to the
pupil (telescope, air), at the angular frequency f [cycles/arcsec] where it belongs to the sky
(pixel, motion). Gains multiply; `fwhm_batch` turns the product into a width.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from blursplit.constants import (
    REGISTERED_BASELINES,
    REGISTERED_D_OVER_R0,
    REGISTERED_LOG_BIAS,
    WHOLE_TURN,
)
from blursplit.turbulence.conversions import structure_function
from blursplit.types import FloatArray


def telescope_otf(baseline_over_aperture: ArrayLike, obstruction: float = 0.0) -> FloatArray:
    """Return the transfer function of a perfect telescope with an annular pupil.

    Parameters
    ----------
    baseline_over_aperture : array_like
        Pupil baseline lambda f over the diameter; zero gain beyond 1.
    obstruction : float
        Central obstruction, diameter ratio below 1.

    Returns
    -------
    ndarray
        Autocorrelation of the pupil, 1 at zero baseline.

    Notes
    -----
    Area common to two annuli (E. L. O'Neill 1956, J. Opt. Soc. Am. 46, 285, from memory):
    outer with outer, minus twice outer with hole, plus hole with hole. A filled pupil gives
    (2/pi) (arccos u - u sqrt(1 - u^2)).
    """
    distance = 2.0 * np.abs(np.asarray(baseline_over_aperture, dtype=float))  # outer radius = 1
    common = _lens(distance, 1.0, 1.0)
    if obstruction > 0.0:
        common = common - 2.0 * _lens(distance, 1.0, obstruction)
        common = common + _lens(distance, obstruction, obstruction)
    return np.asarray(common / (np.pi * (1.0 - obstruction**2)), dtype=float)


def _lens(distance: FloatArray, large: float, small: float) -> FloatArray:
    """Return the common area of two circles."""
    inside = distance <= large - small
    apart = distance >= large + small
    d = np.where(inside | apart, large, distance)  # any distance at which the circles cut
    x = (d**2 + large**2 - small**2) / (2.0 * d)
    half_chord = np.sqrt(np.maximum(large**2 - x**2, 0.0))
    area = (
        large**2 * np.arctan2(half_chord, x)
        + small**2 * np.arctan2(half_chord, d - x)
        - d * half_chord
    )
    return np.asarray(np.where(inside, np.pi * small**2, np.where(apart, 0.0, area)), dtype=float)


def streak_otf(cycles: FloatArray, sigma: float, turns: float) -> FloatArray:
    """Return the transfer function, along the motion, of a line's motion inside the exposures.

    Parameters
    ----------
    cycles : ndarray
        Sky frequencies along the motion, in one over the unit of `sigma`.
    sigma : float
        Rms of the motion inside an exposure.
    turns : float
        Oscillations in an exposure.
    """
    size = cycles * sigma
    if turns >= WHOLE_TURN:
        return np.asarray(np.exp(-2.0 * np.pi**2 * size**2))
    from scipy.special import erf

    # Mean of sin(cz)/(cz) over a normal z: d(c mean)/dc is that of cos(cz), exp(-c^2/2).
    c = np.maximum(np.pi * np.sqrt(12.0) * np.abs(size), 1e-6)
    return np.asarray(np.sqrt(np.pi / 2.0) * erf(c / np.sqrt(2.0)) / c)


def pixel_otf(
    fx_per_arcsec: ArrayLike, fy_per_arcsec: ArrayLike, pixel_scale_arcsec: float
) -> FloatArray:
    """Return the transfer function of a square pixel that is sensitive all over.

    Parameters
    ----------
    fx_per_arcsec, fy_per_arcsec : array_like
        Angular frequency along x and y [cycles/arcsec].
    pixel_scale_arcsec : float
        Side of the pixel [arcsec].
    """
    fx, fy = np.asarray(fx_per_arcsec, float), np.asarray(fy_per_arcsec, float)
    return np.asarray(np.sinc(fx * pixel_scale_arcsec) * np.sinc(fy * pixel_scale_arcsec))


def gaussian_otf(
    fx_per_arcsec: ArrayLike,
    fy_per_arcsec: ArrayLike,
    variance_x_arcsec2: ArrayLike,
    variance_y_arcsec2: ArrayLike,
    covariance_arcsec2: ArrayLike = 0.0,
) -> FloatArray:
    """Return exp(-2 pi^2 f.C.f), the transfer function of Gaussian motion.

    Parameters
    ----------
    fx_per_arcsec, fy_per_arcsec : array_like
        Angular frequency [cycles/arcsec].
    variance_x_arcsec2, variance_y_arcsec2, covariance_arcsec2 : array_like
        Covariance of the motion; negative variances sharpen (removed motion).
    """
    fx, fy = np.asarray(fx_per_arcsec, float), np.asarray(fy_per_arcsec, float)
    form = fx**2 * np.asarray(variance_x_arcsec2, float)
    form = form + fy**2 * np.asarray(variance_y_arcsec2, float)
    form = form + 2.0 * fx * fy * np.asarray(covariance_arcsec2, float)
    return np.asarray(np.exp(-2.0 * np.pi**2 * form), dtype=float)


def sinusoid_otf(
    fx_per_arcsec: ArrayLike,
    fy_per_arcsec: ArrayLike,
    amplitude_x_arcsec: float,
    amplitude_y_arcsec: float,
) -> FloatArray:
    """Return J0(2 pi f.A), the transfer function of a steady oscillation on a line.

    Parameters
    ----------
    fx_per_arcsec, fy_per_arcsec : array_like
        Angular frequency [cycles/arcsec].
    amplitude_x_arcsec, amplitude_y_arcsec : float
        Amplitude vector; its one-axis rms is the amplitude over sqrt(2).
    """
    from scipy.special import j0

    fx, fy = np.asarray(fx_per_arcsec, float), np.asarray(fy_per_arcsec, float)
    phase = 2.0 * np.pi * (fx * amplitude_x_arcsec + fy * amplitude_y_arcsec)
    return np.asarray(j0(phase), dtype=float)


def drift_otf(
    fx_per_arcsec: ArrayLike,
    fy_per_arcsec: ArrayLike,
    length_x_arcsec: float,
    length_y_arcsec: float,
) -> FloatArray:
    """Return sinc(f.L), the transfer function of an even drift.

    Parameters
    ----------
    fx_per_arcsec, fy_per_arcsec : array_like
        Angular frequency [cycles/arcsec].
    length_x_arcsec, length_y_arcsec : float
        Path of the image during the exposure; its one-axis rms is the length over sqrt(12).
    """
    fx, fy = np.asarray(fx_per_arcsec, float), np.asarray(fy_per_arcsec, float)
    return np.asarray(np.sinc(fx * length_x_arcsec + fy * length_y_arcsec), dtype=float)


def atmosphere_otf(baseline_m: ArrayLike, r0_m: ArrayLike, outer_scale_m: ArrayLike) -> FloatArray:
    """Return exp(-D_phi/2), the long-exposure transfer function of the air.

    Parameters
    ----------
    baseline_m : array_like
        Pupil baseline lambda f [m].
    r0_m, outer_scale_m : array_like
        Fried parameter at the wavelength and outer scale [m]; all broadcast.
    """
    half = 0.5 * structure_function(baseline_m, r0_m, outer_scale_m)
    return np.asarray(np.exp(-half), dtype=float)


def registered_otf(
    baseline_m: ArrayLike,
    r0_m: ArrayLike,
    outer_scale_m: ArrayLike,
    removed_variance_rad2: ArrayLike,
    wavelength_m: ArrayLike,
) -> FloatArray:
    """Return the air's transfer function after part of the image motion was shifted out.

    Parameters
    ----------
    baseline_m : array_like
        Pupil baseline lambda f [m].
    r0_m, outer_scale_m : array_like
        Fried parameter at the wavelength and outer scale [m].
    removed_variance_rad2 : array_like
        One-axis variance of the AIR's motion that registration removed, noise-free [rad^2].
    wavelength_m : array_like
        Wavelength [m].

    Notes
    -----
    exp(-D_phi/2 + 2 pi^2 f^2 sigma^2): tilt and the rest taken as independent and Gaussian
    (after Fried 1966). At D/r0 = 2 the width that follows is off by 2 to 6 %, at 4 by 12 to
    31 %; the transfer function below lambda f = 0.2 D is better (`log_otf_bias`).
    """
    baseline = np.asarray(baseline_m, dtype=float)
    gain = 2.0 * np.pi**2 * (baseline / np.asarray(wavelength_m, float)) ** 2
    exponent = gain * np.asarray(removed_variance_rad2, float)
    exponent = exponent - 0.5 * structure_function(baseline, r0_m, outer_scale_m)
    return np.asarray(np.exp(exponent), dtype=float)


def log_otf_bias(d_over_r0: FloatArray, baseline_over_aperture: FloatArray) -> FloatArray:
    """Return ln of a registered star's OTF over its Gaussian form, shape (n, n_baselines).

    Parameters
    ----------
    d_over_r0 : ndarray, shape (n,)
        Clipped to the table, 0.5 to 8.
    baseline_over_aperture : ndarray, shape (n_baselines,)

    Notes
    -----
    A centroid's tilt and the rest of the wavefront are not independent once speckles form; from
    phase screens, short exposures, a filled pupil (benchmarks/registered_otf.py).
    """
    at = np.interp(d_over_r0, REGISTERED_D_OVER_R0, np.arange(len(REGISTERED_D_OVER_R0)))
    rows = np.stack(
        [np.interp(baseline_over_aperture, REGISTERED_BASELINES, r) for r in REGISTERED_LOG_BIAS]
    )
    lower = np.minimum(at.astype(np.int64), len(rows) - 2)
    weight = (at - lower)[:, None]
    return np.asarray((1.0 - weight) * rows[lower] + weight * rows[lower + 1])


def fried_short_exposure_otf(
    baseline_m: ArrayLike, r0_m: ArrayLike, aperture_m: float, alpha: float = 1.0
) -> FloatArray:
    """Return Fried's (1966, from memory) short-exposure transfer function of the air.

    Parameters
    ----------
    baseline_m : array_like
        Pupil baseline lambda f [m], up to the diameter.
    r0_m : array_like
        Fried parameter at the wavelength [m].
    aperture_m : float
        Diameter of the pupil [m].
    alpha : float
        1 in the near field, 1/2 in the far field.

    Notes
    -----
    exp{-3.44 (b/r0)^(5/3) [1 - alpha (b/D)^(1/3)]}. For comparison only: against phase screens
    the width is 3 % high at D/r0 = 2 and 18 % at 4.
    """
    baseline = np.asarray(baseline_m, dtype=float)
    half = 0.5 * structure_function(baseline, r0_m, np.inf)
    return np.asarray(np.exp(-half * (1.0 - alpha * (baseline / aperture_m) ** (1.0 / 3.0))))
