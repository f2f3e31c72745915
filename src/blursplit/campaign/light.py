"""Light of a star on the camera: electrons, centroid noise, peak."""

from __future__ import annotations

import numpy as np

from blursplit.constants import EFFICIENCY, PHOTONS_ZERO_MAG


def star_electrons(
    magnitude: float, aperture_m: float, obstruction: float, band_um: float, exposure_s: float
) -> float:
    """Return the electrons of a star in one exposure.

    Parameters
    ----------
    magnitude : float
    aperture_m, obstruction : float
    band_um : float
        Width of the pass band.
    exposure_s : float
    """
    area = 0.25 * np.pi * aperture_m**2 * (1.0 - obstruction**2)
    rate = PHOTONS_ZERO_MAG * area * band_um * EFFICIENCY * 10.0 ** (-0.4 * magnitude)
    return float(rate * exposure_s)


def centroid_noise_px(electrons: float, background_e: float, sigma_px: float) -> float:
    """Return the one-axis noise of a Gaussian-weighted centroid.

    Parameters
    ----------
    electrons : float
        In the star.
    background_e : float
        Sky electrons plus read noise squared, a pixel.
    sigma_px : float
        Of the star, before the pixel.

    Notes
    -----
    Weight of the star's own width s_w = s, star in pixels s_p^2 = s^2 + 1/12,
    1/s_c^2 = 1/s_p^2 + 1/s_w^2, 1/s_d^2 = 1/s_p^2 + 2/s_w^2:
    s_d^4 s_p^6/(N s_c^8) + pi B s_w^4 s_p^8/(2 N^2 s_c^8) (method notes, section 7: agrees with
    simulation to 5 percent).
    """
    w2 = sigma_px**2
    p2 = w2 + 1.0 / 12.0
    c2 = 1.0 / (1.0 / p2 + 1.0 / w2)
    d2 = 1.0 / (1.0 / p2 + 2.0 / w2)
    variance = d2**2 * p2**3 / (electrons * c2**4)
    variance += np.pi * background_e * w2**2 * p2**4 / (2.0 * electrons**2 * c2**4)
    return float(np.sqrt(variance))


def peak_electrons(electrons: float, sigma_px: float) -> float:
    """Return the electrons in the brightest pixel of a Gaussian star centred on it."""
    from scipy.special import erf

    return float(electrons * erf(0.5 / (np.sqrt(2.0) * sigma_px)) ** 2)
