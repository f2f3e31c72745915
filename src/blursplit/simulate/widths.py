"""Widths of images, and the numbers that theory expects of the air over the pupil."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.simulate.scene import ARCSEC_PER_RAD

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

UPSAMPLING = 8
STRUCTURE_CONSTANT = 6.883877  # 2 (24/5 Gamma(6/5))^(5/6), Fried 1966


@dataclass(frozen=True)
class Width:
    """Full width at half maximum of an image [arcsec].

    `fwhm` is the diameter of the circle with the area above half the maximum; `major`, `minor`
    and `angle_deg` are those of the ellipse with the same second moments as that area.
    """

    fwhm: float
    major: float
    minor: float
    angle_deg: float


def width_of_transform(transform: NDArray[np.complex128], step_arcsec: float) -> Width:
    """Measure the width of an image from its transform.

    Parameters
    ----------
    transform : ndarray, shape (n, n // 2 + 1)
        Of an image of n points a side, centred on its first point, n even.
    step_arcsec : float
        Step of that image; it is resampled eight times finer.
    """
    from scipy.fft import irfft2

    n = transform.shape[0]
    big = n * UPSAMPLING
    padded = np.zeros((big, big // 2 + 1), dtype=complex)
    half = n // 2
    padded[:half, :half] = transform[:half, :half]
    padded[-half + 1 :, :half] = transform[-half + 1 :, :half]
    image = np.fft.fftshift(irfft2(padded, s=(big, big)))
    step = step_arcsec / UPSAMPLING
    height = image - image.max() / 2
    down, right = np.gradient(height)
    slope = np.maximum(np.hypot(down, right), 1e-30)
    # share of each point's cell inside the contour, from its distance to it: whole cells counted
    # would err by 2 percent on a star of 17 points across
    inside = np.clip(0.5 + height / slope, 0, 1)
    y, x = np.nonzero(inside)
    share = inside[y, x]
    covariance = np.cov(np.stack([x, y]), aweights=share, ddof=0)
    values, vectors = np.linalg.eigh(covariance)
    angle = float(np.rad2deg(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180)
    return Width(
        fwhm=2 * float(np.sqrt(share.sum() / np.pi)) * step,
        major=4 * float(np.sqrt(values[1])) * step,
        minor=4 * float(np.sqrt(values[0])) * step,
        angle_deg=angle,
    )


def structure_function_rad2(
    separation_m: FloatArray, r0_m: float, outer_scale_m: float
) -> FloatArray:
    """Return the von Karman phase structure function [rad^2].

    References
    ----------
    physics of Fried 1966 with the outer scale of von Karman; the constants are those of
    `ribbons.phase_density_rad2_m2`, whose transform this is.
    """
    from scipy.special import gamma, kv

    x = np.maximum(2 * np.pi * np.asarray(separation_m) / outer_scale_m, 1e-12)
    front = (24 / 5 * gamma(6 / 5)) ** (5 / 6) * 2 ** (1 / 6) * gamma(11 / 6) / np.pi ** (8 / 3)
    bracket = gamma(5 / 6) * 2 ** (-1 / 6) - x ** (5 / 6) * kv(5 / 6, x)
    return np.asarray((outer_scale_m / r0_m) ** (5 / 3) * front * bracket)


def tilt_basis(x_m: FloatArray, y_m: FloatArray, share: FloatArray) -> FloatArray:
    """Return piston and both tilts, orthonormal under the pupil's weights, shape (3, n_points)."""
    weight = share / share.sum()
    rows: list[FloatArray] = []
    for row in (np.ones_like(x_m), x_m, y_m):
        rest = row.astype(float)
        for done in rows:
            rest = rest - np.sum(weight * rest * done) * done
        rows.append(rest / np.sqrt(np.sum(weight * rest**2)))
    return np.stack(rows)


def expected_variances(
    x_m: FloatArray, y_m: FloatArray, share: FloatArray, r0_m: float, outer_scale_m: float
) -> tuple[float, float]:
    """Return what theory expects of one tilt and of the rest.

    Returns
    -------
    tilt_rms_arcsec_per_rad : float
        Variance of the coefficient of one orthonormal tilt [rad^2].
    rest : float
        Variance over the pupil with piston and tilts removed [rad^2].

    Notes
    -----
    Noll's (1976) integrals as double sums over the pupil's own points: the variance of a
    coefficient whose mode has no mean is -1/2 sum_ij w_i w_j q_i q_j D(|r_i - r_j|).
    """
    weight = share / share.sum()
    grid = np.linspace(0, 1.01 * np.hypot(np.ptp(x_m), np.ptp(y_m)), 4000)[1:]
    table = structure_function_rad2(grid, r0_m, outer_scale_m)
    basis = tilt_basis(x_m, y_m, share)
    whole = tilt = 0.0
    for start in range(0, x_m.size, 256):
        part = slice(start, start + 256)
        gap = np.hypot(x_m[part, None] - x_m, y_m[part, None] - y_m)
        d = np.interp(gap, np.r_[0.0, grid], np.r_[0.0, table])
        whole += 0.5 * float(weight[part] @ d @ weight)
        for mode in basis[1:]:
            tilt -= 0.25 * float((weight * mode)[part] @ d @ (weight * mode))
    return tilt, whole - 2 * tilt


def atmosphere_fwhm_arcsec(r0_m: float, outer_scale_m: float, wavelength_m: float) -> float:
    """Return the long-exposure width of the air alone, by Hankel transform of its OTF.

    exp(-D(lambda f)/2) transformed to the sky, half maximum found by bisection (Fried 1966,
    with the von Karman structure function).
    """
    from scipy.optimize import brentq
    from scipy.special import j0

    baseline = np.linspace(0, 6 * r0_m, 6000)[1:]
    otf = np.exp(-structure_function_rad2(baseline, r0_m, outer_scale_m) / 2)
    # what an outer scale leaves coherent is a spike that has no width of its own
    otf = (otf - otf[-1]) * (otf > otf[-1])

    def profile(angle_rad: float) -> float:
        return float(np.sum(otf * baseline * j0(2 * np.pi * angle_rad * baseline / wavelength_m)))

    peak = profile(0.0)
    guess = 0.98 * wavelength_m / r0_m
    half = brentq(lambda a: profile(a) - peak / 2, 0.05 * guess, 1.5 * guess)
    return float(2 * half * ARCSEC_PER_RAD)
