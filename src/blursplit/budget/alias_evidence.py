"""What the star image and experience with structures say of a line's true frequency.

A motion faster than the exposures is mostly lost to the centroids but not to the star image: it
widens every frame. A registered star narrower than that rules the candidate out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.fwhm import HalfMaximum
    from blursplit.spectra import LineFit

    FloatArray = NDArray[np.float64]

GAUSS = 2.354820045
WIDTH_ERROR = 0.1  # of the registered star's variance: half-maximum widths are no Gaussians
# Damping ratios of steel and concrete structures: 0.015 within a factor of three either way
# (common practice, no source).
USUAL_DAMPING = 0.015
DAMPING_SPREAD = float(np.log(3.0))


@dataclass(frozen=True)
class StarImage:
    """Widths of the registered star and of the perfect one [arcsec or px]."""

    registered: HalfMaximum
    perfect_fwhm: float


def image_log_odds(
    fit: LineFit, candidates_hz: FloatArray, exposure_s: float, star: StarImage
) -> FloatArray:
    """Return the log likelihood of each candidate given the registered star's width and shape.

    Parameters
    ----------
    fit : LineFit
        Motion as the centroids show it, same unit as the widths.
    candidates_hz : ndarray, shape (n,)
    exposure_s : float
    star : StarImage

    Notes
    -----
    Motion of measured variance V at nu has V (1 - k)/k inside the exposures, k = sinc^2(nu tau).
    Along its direction the registered star has at least that variance beside diffraction and
    pixel; across it, only what the line's axis ratio says.
    """
    kept = np.maximum(np.sinc(candidates_hz * exposure_s) ** 2, 1e-4)
    inside = (1.0 - kept) / kept
    angle = np.radians(fit.angle_deg)
    unit = np.array([np.cos(angle), np.sin(angle)])
    along = float(unit @ fit.covariance @ unit)
    turn = angle - np.radians(star.registered.angle_deg)
    major2, minor2 = star.registered.major**2, star.registered.minor**2
    width2 = (major2 * np.cos(turn) ** 2 + minor2 * np.sin(turn) ** 2) / GAUSS**2
    room = max(width2 - star.perfect_fwhm**2 / GAUSS**2, 0.0)
    excess = np.maximum(along * inside - room, 0.0) / (WIDTH_ERROR * width2)
    return np.asarray(-0.5 * np.minimum(excess, 30.0) ** 2)


def damping_log_odds(fit: LineFit, candidates_hz: FloatArray) -> FloatArray:
    """Return the log of how usual the damping ratio of each candidate would be.

    A line's width is what is measured; the same width at a higher frequency is less damping.
    Steady lines (no width) say nothing.
    """
    if fit.damping_ratio is None:
        return np.zeros(len(candidates_hz))
    damping = fit.damping_ratio * fit.frequency_hz / candidates_hz
    return np.asarray(-0.5 * (np.log(damping / USUAL_DAMPING) / DAMPING_SPREAD) ** 2)
