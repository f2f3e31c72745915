"""Which tilt a Gaussian-windowed centroid measures: a mix of the two kinds, by phase screens.

The variance of a real centroid is w K_Z + (1 - w) K_G. A window as narrow as the core goes
beyond the least-squares plane (w > 1) once the star breaks into speckles; a wide one nears the
mean gradient (w = 0). The whole range from G to Z is 7 % in variance, so w need not be precise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.tilt import pair_kernels, tilt_coefficient

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

# Output of benchmarks/centroid_tilt.py (seed 20260, 2048 pupils a point, instantaneous images,
# no pixel): filled pupil, then obstruction 0.33; rows D/r0, columns window sigma in lambda/D.
_OBSTRUCTION = np.array([0.0, 0.33])
_D_OVER_R0 = np.array([0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0])
_WINDOW = np.array([0.5, 0.7, 1.0, 1.5, 2.5, 4.0])
_MIX = np.array(
    [
        [
            [1.14, 1.09, 0.94, 0.71, 0.47, 0.32],
            [1.17, 1.12, 0.95, 0.71, 0.46, 0.30],
            [1.23, 1.19, 0.99, 0.73, 0.47, 0.31],
            [1.37, 1.30, 1.05, 0.74, 0.45, 0.28],
            [1.87, 1.74, 1.29, 0.80, 0.46, 0.28],
            [2.59, 2.39, 1.77, 1.04, 0.53, 0.32],
            [3.49, 3.30, 2.71, 1.62, 0.69, 0.37],
            [3.98, 3.88, 3.51, 2.44, 1.05, 0.53],
        ],
        [
            [1.08, 0.94, 0.66, 0.41, 0.25, 0.16],
            [1.10, 0.97, 0.68, 0.45, 0.30, 0.21],
            [1.13, 0.98, 0.68, 0.44, 0.29, 0.20],
            [1.20, 1.00, 0.70, 0.46, 0.32, 0.23],
            [1.81, 1.45, 0.84, 0.41, 0.18, 0.07],
            [2.03, 1.70, 1.14, 0.60, 0.32, 0.22],
            [3.13, 2.83, 2.17, 1.31, 0.50, 0.25],
            [3.26, 3.06, 2.67, 1.75, 0.63, 0.23],
        ],
    ]
)
# The same for a window of 1.5 star sigmas, star sigma from the area above half maximum.
_DEFAULT_WINDOW_MIX = np.array(
    [
        [1.11, 1.15, 1.21, 1.34, 1.75, 2.18, 2.75, 3.24],
        [1.07, 1.09, 1.10, 1.15, 1.55, 1.66, 2.26, 2.51],
    ]
)

# What pixel, exposure and other obstructions leave open, and the table's own error (up to 15 % of
# w - 1 from its pupils of 32 pixels): at least this much, and a share of the distance from 1.
_LEAST_SIGMA, _SHARE = 0.1, 0.3
_OPEN_WINDOW_SIGMA = 0.3  # a window twice as wide, for a star widened by pixels and optics


def centroid_tilt_mix(
    d_over_r0: ArrayLike,
    window_over_diffraction: ArrayLike | None = None,
    obstruction: float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return the share of Z tilt that the default centroid measures, and its uncertainty.

    Parameters
    ----------
    d_over_r0 : array_like
        Aperture diameter over Fried parameter; clipped to the table, 0.5 to 8.
    window_over_diffraction : array_like, optional
        Sigma of the centroid's Gaussian window in units lambda/D; clipped to 0.5 to 4. By
        default the window is 1.5 star sigmas of a well-sampled star.
    obstruction : float
        Diameter ratio, clipped to the table, 0 to 0.33.

    Returns
    -------
    w, w_sigma : ndarray
        Variance = (w K_Z + (1 - w) K_G) lambda^2 r0^(-5/3) D^(-1/3). Without a window the
        uncertainty covers stars widened by pixels and optics up to twice.
    """
    ratio = np.clip(np.asarray(d_over_r0, dtype=float), _D_OVER_R0[0], _D_OVER_R0[-1])
    blocked = min(obstruction / _OBSTRUCTION[-1], 1.0)
    if window_over_diffraction is None:
        default = (1.0 - blocked) * _DEFAULT_WINDOW_MIX[0] + blocked * _DEFAULT_WINDOW_MIX[1]
        mix = np.asarray(np.interp(ratio, _D_OVER_R0, default), dtype=float)
        return mix, np.hypot(_OPEN_WINDOW_SIGMA, _SHARE * (mix - 1.0))
    from scipy.interpolate import RegularGridInterpolator

    window = np.clip(np.asarray(window_over_diffraction, float), _WINDOW[0], _WINDOW[-1])
    values = (1.0 - blocked) * _MIX[0] + blocked * _MIX[1]
    table = RegularGridInterpolator((np.log(_D_OVER_R0), np.log(_WINDOW)), values)
    ratio, window = np.broadcast_arrays(ratio, window)
    points = np.stack([np.log(ratio), np.log(window)], axis=-1)
    mix = np.asarray(table(points), dtype=float).reshape(ratio.shape)
    return mix, np.hypot(_LEAST_SIGMA, _SHARE * (mix - 1.0))


def mixed_coefficient(
    tilt_mix: float, obstruction: float = 0.0, aperture_over_outer_scale: float = 0.0
) -> float:
    """Return K1 of a centroid that mixes the two tilts: w K_Z + (1 - w) K_G.

    Parameters
    ----------
    tilt_mix : float
        w of `centroid_tilt_mix`.
    obstruction, aperture_over_outer_scale : float
        Diameter ratio and D/L0.
    """
    plane = tilt_coefficient("Z", obstruction, aperture_over_outer_scale)
    gradient = tilt_coefficient("G", obstruction, aperture_over_outer_scale)
    return tilt_mix * plane + (1.0 - tilt_mix) * gradient


def mixed_kernels(
    separation_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    tilt_mix: float,
) -> tuple[FloatArray, FloatArray]:
    """Return `pair_kernels` of a centroid that mixes the two tilts.

    Parameters
    ----------
    separation_over_aperture : array_like
        Distance of the beams over the diameter.
    aperture_over_outer_scale, obstruction : float
        D/L0 and diameter ratio.
    tilt_mix : float
        w of `centroid_tilt_mix`.
    """
    telescope = (aperture_over_outer_scale, obstruction)
    plane = pair_kernels(separation_over_aperture, *telescope, "Z")
    gradient = pair_kernels(separation_over_aperture, *telescope, "G")
    along, across = (
        tilt_mix * z + (1.0 - tilt_mix) * g for z, g in zip(plane, gradient, strict=True)
    )
    return along, across


def mixed_covariance(
    separation_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    tilt_mix: float,
) -> tuple[FloatArray, FloatArray]:
    """Return the covariance coefficients K1 - K/2 of a centroid that mixes the two tilts.

    Parameters are those of `mixed_kernels`.
    """
    single = mixed_coefficient(tilt_mix, obstruction, aperture_over_outer_scale)
    along, across = mixed_kernels(
        separation_over_aperture, aperture_over_outer_scale, obstruction, tilt_mix
    )
    return single - 0.5 * along, single - 0.5 * across
