"""What an exposure leaves of the variance of image motion under frozen flow.

Reference: H. M. Martin (1987), PASP 99, 1360.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from blursplit.turbulence.tilt import TiltKind, pair_covariance, tilt_coefficient
from blursplit.types import FloatArray


def exposure_factor(
    path_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    kind: TiltKind,
) -> tuple[FloatArray, FloatArray]:
    """Return what an exposure leaves of one star's motion variance, along and across the wind.

    `path_over_aperture`: V tau/D: how far the wind carries the air during the exposure.
    `aperture_over_outer_scale`, `obstruction`: D/L0 and diameter ratio.

    Returns `along`, `across`: var(tau)/var(0), between 0 and 1.
    """
    path = np.asarray(path_over_aperture, dtype=float)
    single = tilt_coefficient(kind, obstruction, aperture_over_outer_scale)
    node, weight = unit_nodes()
    along, across = pair_covariance(
        path[..., None] * node, aperture_over_outer_scale, obstruction, kind
    )
    triangle = 2.0 * (1.0 - node) * weight
    return (along @ triangle) / single, (across @ triangle) / single


def pair_exposure_factor(
    path_over_aperture: ArrayLike,
    separation_over_aperture: float,
    wind_angle_rad: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    kind: TiltKind,
) -> tuple[FloatArray, FloatArray]:
    """Return what an exposure leaves of the differential variance of two beams.

    `path_over_aperture`: V tau/D. `separation_over_aperture`: distance of the beams over the
    diameter, above zero. `wind_angle_rad`: angle between wind and separation [rad]; broadcasts with
    `path_over_aperture`. `aperture_over_outer_scale`, `obstruction`: D/L0 and diameter ratio.

    Returns `along`, `across`: var(tau)/var(0) of the components along and across the separation.
    """
    path, angle = np.broadcast_arrays(
        np.asarray(path_over_aperture, float), np.asarray(wind_angle_rad, float)
    )
    node, weight = unit_nodes()
    lag = path[..., None] * node
    lag_x, lag_y = lag * np.cos(angle)[..., None], lag * np.sin(angle)[..., None]
    telescope = (aperture_over_outer_scale, obstruction, kind)

    def covariance(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        distance = np.hypot(x, y)
        along, across = pair_covariance(distance, *telescope)
        share = np.where(distance > 0, x**2 / np.maximum(distance, 1e-12) ** 2, 0.5)
        return share * along + (1 - share) * across, share * across + (1 - share) * along

    own = covariance(lag_x, lag_y)
    ahead = covariance(lag_x + separation_over_aperture, lag_y)
    behind = covariance(lag_x - separation_over_aperture, lag_y)
    kernels = np.array(pair_covariance(separation_over_aperture, *telescope))
    still = 2.0 * (tilt_coefficient(kind, obstruction, aperture_over_outer_scale) - kernels)
    triangle = 2.0 * (1.0 - node) * weight
    factors = [(2.0 * own[i] - ahead[i] - behind[i]) @ triangle / still[i] for i in (0, 1)]
    return factors[0], factors[1]


@lru_cache(maxsize=1)
def unit_nodes() -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Legendre nodes and weights on (0, 1), in twelve panels that halve toward 0."""
    node, weight = np.polynomial.legendre.leggauss(12)
    edges = np.concatenate([[0.0], 2.0 ** np.arange(-8.0, 1.0), np.linspace(0, 1, 13)[1:-1]])
    edges = np.unique(edges)
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    nodes = (middle[:, None] + half[:, None] * node).ravel()
    return nodes, (half[:, None] * weight).ravel()
