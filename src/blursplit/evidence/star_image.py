"""What the star image and experience with structures say of a line's true frequency.

A motion faster than the exposures is mostly lost to the centroids but not to the star image: it
widens every frame. A registered star narrower than that rules the candidate out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit.constants import (
    DAMPING_LN_SPREAD,
    FWHM_PER_SIGMA,
    LONGEST_STREAK,
    STREAK_WIDTH_ERROR,
    USUAL_DAMPING,
)
from blursplit.image.otf import HalfMaximum, streak_otf
from blursplit.spectra import LineFit
from blursplit.types import FloatArray


@dataclass(frozen=True)
class StarImage:
    """Widths of the registered star and of the perfect one [arcsec or px]."""

    registered: HalfMaximum
    perfect_fwhm: float


def image_log_odds(
    fit: LineFit, candidates_hz: FloatArray, exposure_s: float, star: StarImage
) -> FloatArray:
    """Return the log likelihood of each candidate given the registered star's width and shape.

    `fit`: motion as the centroids show it, same unit as the widths. `candidates_hz` (n,).

    Motion of measured variance V at nu has V (1 - k)/k inside the exposures, k = sinc^2(nu tau).
    Along its direction the registered star is at least as wide as the perfect star drawn out by
    it. Streaks differ in length from frame to frame, and the short ones keep the core of their
    sum narrow: its half-maximum width grows far less than a Gaussian of that variance says.
    """
    angle = np.radians(fit.angle_deg)
    unit = np.array([np.cos(angle), np.sin(angle)])
    along = float(unit @ fit.covariance @ unit)
    turn = angle - np.radians(star.registered.angle_deg)
    major2, minor2 = star.registered.major**2, star.registered.minor**2
    seen2 = major2 * np.cos(turn) ** 2 + minor2 * np.sin(turn) ** 2
    odds = np.zeros(len(candidates_hz))
    for i, hz in enumerate(candidates_hz):
        kept = max(float(np.sinc(hz * exposure_s)) ** 2, 1e-4)
        sigma = np.sqrt(along * (1.0 - kept) / kept)
        least = _drawn_out_fwhm(star.perfect_fwhm, float(sigma), turns=hz * exposure_s)
        excess = max(least**2 - max(seen2, star.perfect_fwhm**2), 0.0) / (
            STREAK_WIDTH_ERROR * seen2
        )
        odds[i] = -0.5 * min(excess, 30.0) ** 2
    return odds


def _drawn_out_fwhm(perfect_fwhm: float, sigma: float, *, turns: float) -> float:
    """Return the full width at half maximum of a star along the motion inside its exposures."""
    from scipy.optimize import brentq

    sigma = min(sigma, LONGEST_STREAK * perfect_fwhm)
    widest = FWHM_PER_SIGMA * float(np.hypot(sigma, perfect_fwhm / FWHM_PER_SIGMA))
    f = np.linspace(0.0, 4.0 / perfect_fwhm, 1200)
    otf = np.exp(-2.0 * (np.pi * f * perfect_fwhm / FWHM_PER_SIGMA) ** 2) * streak_otf(
        f, sigma, turns
    )

    def above_half(x: float) -> float:
        return float(np.sum(otf * (np.cos(2.0 * np.pi * f * x) - 0.5)) - 0.25 * otf[0])

    return 2.0 * float(brentq(above_half, 0.25 * perfect_fwhm, widest))


def damping_log_odds(fit: LineFit, candidates_hz: FloatArray) -> FloatArray:
    """Return the log of how usual the damping ratio of each candidate would be.

    A line's width is what is measured; the same width at a higher frequency is less damping.
    Steady lines (no width) say nothing.
    """
    if fit.damping_ratio is None:
        return np.zeros(len(candidates_hz))
    damping = fit.damping_ratio * fit.frequency_hz / candidates_hz
    return np.asarray(-0.5 * (np.log(damping / USUAL_DAMPING) / DAMPING_LN_SPREAD) ** 2)
