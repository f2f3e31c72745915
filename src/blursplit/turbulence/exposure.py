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


@lru_cache(maxsize=1)
def unit_nodes() -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Legendre nodes and weights on (0, 1), in twelve panels that halve toward 0."""
    node, weight = np.polynomial.legendre.leggauss(12)
    edges = np.concatenate([[0.0], 2.0 ** np.arange(-8.0, 1.0), np.linspace(0, 1, 13)[1:-1]])
    edges = np.unique(edges)
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    nodes = (middle[:, None] + half[:, None] * node).ravel()
    return nodes, (half[:, None] * weight).ravel()
