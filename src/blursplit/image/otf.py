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
from blursplit.types import FloatArray


def telescope_otf(baseline_over_aperture: ArrayLike, obstruction: float = 0.0) -> FloatArray:
    """Return the transfer function of a perfect telescope with an annular pupil.

    `baseline_over_aperture`: pupil baseline lambda f over the diameter; zero gain beyond 1.
    `obstruction`: central obstruction, diameter ratio below 1.

    Returns: autocorrelation of the pupil, 1 at zero baseline.

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

    `cycles`: sky frequencies along the motion, in one over the unit of `sigma`. `sigma`: rms of the
    motion inside an exposure. `turns`: oscillations in an exposure.
    """
    size = cycles * sigma
    if turns >= WHOLE_TURN:
        return np.asarray(np.exp(-2.0 * np.pi**2 * size**2))
    from scipy.special import erf

    # Mean of sin(cz)/(cz) over a normal z: d(c mean)/dc is that of cos(cz), exp(-c^2/2).
    c = np.maximum(np.pi * np.sqrt(12.0) * np.abs(size), 1e-6)
    return np.asarray(np.sqrt(np.pi / 2.0) * erf(c / np.sqrt(2.0)) / c)


def log_otf_bias(d_over_r0: FloatArray, baseline_over_aperture: FloatArray) -> FloatArray:
    """Return ln of a registered star's OTF over its Gaussian form, shape (n, n_baselines).

    `d_over_r0` (n,): clipped to the table, 0.5 to 8. `baseline_over_aperture` (n_baselines,).

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
