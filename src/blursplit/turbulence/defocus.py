"""Defocus of an annular pupil: the rms of its rays, and what it does to the transfer function.

A detector at dz from focus sees the ray of pupil radius r at the angle r dz/f^2: a uniform
annulus of outer radius D dz/(2 f^2), whose variance on one axis is that radius squared times
(1 + obstruction^2)/4. In general the loss of contrast at short baselines is 2 pi^2 f^2 times the
variance of the wavefront's slope over the pupil (the ray aberrations). At finite baselines only
the part of the pupil that overlaps with its shifted copy counts, and large defocus is not
Gaussian; `defocus_otf` is exact (for a filled pupil: Hopkins 1955 (m)).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.types import FloatArray


def defocus_sigma_arcsec(
    defocus_m: ArrayLike, *, aperture_m: float, focal_length_m: float, obstruction: float = 0.0
) -> FloatArray:
    """Return the one-axis rms [arcsec] of the rays of a defocused pupil.

    `defocus_m`: distance of the detector from best focus [m]. `aperture_m`, `focal_length_m`:
    diameter and effective focal length [m]. `obstruction`: diameter ratio.

    Second moment of a uniform annulus: R^2 (1 + obstruction^2)/4 on one axis, with the radius
    R = D |dz|/(2 f^2). Geometrical optics (derived).
    """
    radius = aperture_m * np.abs(np.asarray(defocus_m, dtype=float)) / (2.0 * focal_length_m**2)
    out: FloatArray = radius * const.ARCSEC_PER_RADIAN * np.sqrt(1.0 + obstruction**2) / 2.0
    return out


def defocus_otf(
    baseline_over_aperture: ArrayLike,
    sigma_arcsec: ArrayLike,
    *,
    aperture_m: float,
    wavelength_m: float,
    obstruction: float = 0.0,
) -> FloatArray:
    """Return what defocus alone does to the telescope's transfer function.

    `baseline_over_aperture` (n_b,): pupil baselines over the diameter, 0 to 1. `sigma_arcsec`
    (...): one-axis rms of the rays, from `defocus_sigma_arcsec`.

    Returns: (..., n_b): ratio to the transfer function in focus; negative where contrast is
    reversed.

    The phase difference between pupil and shifted copy is linear along the shift, so the ratio is
    the mean of a cosine over the overlap of the two annuli, which is cut into strips across the
    shift. For a filled pupil this is the integral of Hopkins (1955, Proc. R. Soc. A 231, 91 (m)).
    """
    b = np.asarray(baseline_over_aperture, dtype=float)[..., None]
    edge_rad = 2.0 * np.asarray(sigma_arcsec, float) / np.sqrt(1.0 + obstruction**2)
    edge_rad = edge_rad[..., None, None] / const.ARCSEC_PER_RADIAN
    u = (
        np.arange(const.DEFOCUS_STRIPS) + 0.5
    ) / const.DEFOCUS_STRIPS  # even in u: one half is enough
    at = u * (1.0 - b)
    outer = np.sqrt(np.maximum(1.0 - (at + b) ** 2, 0.0))
    inner = np.sqrt(np.maximum(obstruction**2 - (at - b) ** 2, 0.0))
    strip = np.maximum(outer - inner, 0.0)
    phase = 2.0 * np.pi * b * aperture_m / wavelength_m * edge_rad * at
    total = strip.sum(axis=-1)
    mean = (strip * np.cos(phase)).sum(axis=-1) / np.where(total > 0.0, total, 1.0)
    return np.asarray(np.where(total > 0.0, mean, 1.0), dtype=float)


def defocus_loss(
    baseline_over_aperture: FloatArray,
    *,
    aperture_m: float,
    wavelength_m: float,
    obstruction: float = 0.0,
    least_otf: float = 0.04,
) -> tuple[FloatArray, FloatArray]:
    """Tabulate -ln of `defocus_otf` against the rms of the rays.

    Returns `sigma_arcsec` (n,); `log_loss` (n, n_b): up to the defocus at which a contrast falls
    below `least_otf`; the last row, far beyond, goes on as steeply, so that no larger defocus looks
    like a smaller one.
    """
    telescope = {"aperture_m": aperture_m, "wavelength_m": wavelength_m}
    # Rays across a pupil of this rms are a wavelength apart at the longest baseline.
    widest = (
        wavelength_m
        / (aperture_m * float(np.max(baseline_over_aperture)))
        * const.ARCSEC_PER_RADIAN
    )
    sigma = np.linspace(0.0, widest, 400)
    otf = defocus_otf(baseline_over_aperture, sigma, obstruction=obstruction, **telescope)
    good = np.cumprod((otf > least_otf).all(axis=1)).astype(bool)
    sigma, loss = sigma[good], -np.log(otf[good])
    far = loss[-1] + 100.0 * (loss[-1] - loss[-2]) / (sigma[-1] - sigma[-2]) * sigma[-1]
    return np.append(sigma, 101.0 * sigma[-1]), np.vstack([loss, far])


def equivalent_variance(log_loss: ArrayLike, cycles_arcsec: ArrayLike) -> FloatArray:
    """Return the variance of the Gaussian that costs the same contrast, any level left free.

    `log_loss` (..., n_b): -ln of a transfer function. `cycles_arcsec` (n_b,): frequencies
    [cycles/arcsec].

    Returns: (...): one-axis variance [arcsec^2]: the least-squares slope against 2 pi^2 f^2. It is
    linear in `log_loss`, so those of air and optics add up.
    """
    x = 2.0 * np.pi**2 * np.asarray(cycles_arcsec, dtype=float) ** 2
    weight = x - x.mean()
    return np.asarray(np.asarray(log_loss, float) @ (weight / (weight @ x)), dtype=float)
