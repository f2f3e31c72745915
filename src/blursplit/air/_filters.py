"""Spatial filters of the two kinds of tilt, on one logarithmic grid of spatial frequency.

Frequencies are in cycles per aperture diameter, u = f D. In these units every tilt variance is
lambda^2 r0^(-5/3) D^(-1/3) times a pure number.
"""

from __future__ import annotations

from functools import lru_cache
from math import pi
from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.air.turbulence import SPECTRUM_CONSTANT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

TiltKind = Literal["G", "Z"]

LOG_STEP = 0.005
"""Step of the grid in ln u: a kernel with argument q moves by 0.005 q between neighbours."""

_LOWEST, _HIGHEST = 1e-8, 1e5
# Above some tens of cycles a diameter the Bessel functions turn faster than the grid: there
# their mean square takes over.
_MEAN_FROM, _MEAN_FULL = 15.0, 45.0


@lru_cache(maxsize=1)
def grid() -> FloatArray:
    """Return the grid of u = f D, evenly spaced in ln u, read only."""
    count = int(np.log(_HIGHEST / _LOWEST) / LOG_STEP) + 1
    u = _LOWEST * np.exp(LOG_STEP * np.arange(count))
    u.flags.writeable = False
    return np.asarray(u, dtype=float)


def tilt_filter(u: FloatArray, obstruction: float, kind: TiltKind) -> FloatArray:
    """Return the squared tilt filter of an annular pupil.

    Parameters
    ----------
    u : ndarray
        Spatial frequency in cycles per diameter, positive.
    obstruction : float
        Central obstruction, diameter ratio in [0, 0.95].
    kind : "G" or "Z"
        Mean phase gradient, or slope of the least-squares plane.

    Returns
    -------
    ndarray
        Squared gain from phase to angle in units (lambda/D)^2; u^2 at low frequency.

    Raises
    ------
    ValueError
        For an unknown kind or an obstruction outside its range.

    Notes
    -----
    With z = pi u. G: u^2 [2 (J1(z) - eps J1(eps z)) / (z (1 - eps^2))]^2. Z: the projection on x
    over its norm, [8 (J2(z) - eps^2 J2(eps z)) / (pi z (1 - eps^4))]^2 (after Noll 1976).
    """
    from scipy.special import jn

    if kind not in {"G", "Z"}:
        msg = f"kind of tilt must be 'G' or 'Z', not {kind!r}"
        raise ValueError(msg)
    if not 0.0 <= obstruction <= 0.95:  # noqa: PLR2004 - a ring thinner than this is no telescope
        msg = f"central obstruction must lie in [0, 0.95], not {obstruction}"
        raise ValueError(msg)
    z = pi * np.asarray(u, dtype=float)
    blend = np.clip(np.log(u / _MEAN_FROM) / np.log(_MEAN_FULL / _MEAN_FROM), 0.0, 1.0)
    waved = u < _MEAN_FULL
    exact = np.zeros_like(z)
    zw = z[waved]
    if kind == "G":
        amplitude = 2.0 / (pi * (1.0 - obstruction**2)) * np.ones_like(z)
        wave = jn(1, zw) - obstruction * jn(1, obstruction * zw)
        mean_square = (1.0 + obstruction) / (pi * z)
    else:
        amplitude = 8.0 / (pi * z * (1.0 - obstruction**4))
        wave = jn(2, zw) - obstruction**2 * jn(2, obstruction * zw)
        mean_square = (1.0 + obstruction**3) / (pi * z)
    exact[waved] = wave**2
    mixed = (1.0 - blend) * exact + blend * mean_square
    return np.asarray(amplitude**2 * mixed, dtype=float)


def radial_density(
    aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
) -> FloatArray:
    """Return the tilt variance of one axis per unit ln u on the grid.

    Parameters
    ----------
    aperture_over_outer_scale : float
        D/L0; zero for Kolmogorov turbulence.
    obstruction : float
        Central obstruction, diameter ratio.
    kind : "G" or "Z"

    Returns
    -------
    ndarray, shape (grid,)
        Integral over ln u is the coefficient K1.
    """
    u = grid()
    spectrum = (u**2 + aperture_over_outer_scale**2) ** (-11.0 / 6.0)
    density = pi * SPECTRUM_CONSTANT * u**2 * tilt_filter(u, obstruction, kind) * spectrum
    return np.asarray(density, dtype=float)
