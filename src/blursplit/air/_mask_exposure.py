"""Exposure filter of the differential motion of two openings, for a range of wind speeds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.centroid_tilt import mixed_covariance
from blursplit.air.temporal import exposure_factor, unit_nodes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.air.tilt import TiltKind

    FloatArray = NDArray[np.float64]

_SPEEDS = 40
_ANGLES = 24
_MIXTURES = 6000
_MOST_LAYERS = 4


@dataclass(frozen=True)
class WindMixtures:
    """Many ways in which one to four layers of air may blow, each as likely as any other.

    Parameters
    ----------
    speeds_m_s : ndarray, shape (n_speeds,)
    cell : ndarray of int, shape (n_mixtures, n_layers)
        Flat place of each layer's wind on the grid of (speed, direction).
    weight : ndarray, shape (n_mixtures, n_layers)
        Share of r0^(-5/3) of each layer, sum one.
    """

    speeds_m_s: FloatArray
    cell: NDArray[np.int64]
    weight: FloatArray

    def mean_of(self, on_grid: FloatArray) -> FloatArray:
        """Return the layers' weighted mean of a value given at (speed, direction)."""
        return np.asarray(np.sum(self.weight * on_grid.ravel()[self.cell], axis=1))

    def wind_m_s(self) -> FloatArray:
        """Return each mixture's wind, (sum w V^(5/3))^(3/5)."""
        power = np.repeat(self.speeds_m_s[:, None] ** (5.0 / 3.0), _ANGLES, axis=1)
        return np.asarray(self.mean_of(power) ** 0.6)


def wind_mixtures(wind_m_s: tuple[float, float]) -> WindMixtures:
    """Return mixtures whose layers' speeds are even in the logarithm, in any direction.

    One fixed set, so that the same tracks always give the same number.
    """
    rng = np.random.default_rng(0)
    speeds = np.geomspace(wind_m_s[0], wind_m_s[1], _SPEEDS)
    cell = rng.integers(0, _SPEEDS * _ANGLES, (_MIXTURES, _MOST_LAYERS))
    weight = rng.exponential(size=(_MIXTURES, _MOST_LAYERS))
    layers = np.arange(_MIXTURES) % _MOST_LAYERS + 1
    weight[np.arange(_MOST_LAYERS) >= layers[:, None]] = 0.0
    return WindMixtures(speeds, cell, weight / weight.sum(axis=1, keepdims=True))


def exposure_factors(
    speeds_m_s: FloatArray,
    exposure_s: float,
    opening_m: float,
    separation_m: float,
    outer_scale_m: float,
    obstruction: float,
    tilt_mix: float,
) -> tuple[FloatArray, FloatArray]:
    """Return var(tau)/var(0) along and across, each of shape (n_speeds, n_directions)."""
    telescope = (opening_m, separation_m, outer_scale_m, obstruction, tilt_mix)
    exposed = _exposed_variance(speeds_m_s, exposure_s, 0.0, *telescope)
    still = _exposed_variance(speeds_m_s[:1] * 0.0, exposure_s, 0.0, *telescope)
    return exposed[0] / still[0], exposed[1] / still[1]


def single_factors(
    speeds_m_s: FloatArray,
    exposure_s: float,
    opening_m: float,
    separation_m: float,  # noqa: ARG001 - one description of the mask for all functions here
    outer_scale_m: float,
    obstruction: float,
    tilt_mix: float,
) -> FloatArray:
    """Return var(tau)/var(0) of one image, mean of both axes, (n_speeds, n_directions)."""
    total = np.zeros(speeds_m_s.size)
    kinds: tuple[tuple[TiltKind, float], ...] = (("Z", tilt_mix), ("G", 1.0 - tilt_mix))
    for kind, share in kinds:
        along, across = exposure_factor(
            speeds_m_s * exposure_s / opening_m, opening_m / outer_scale_m, obstruction, kind
        )
        total += share * 0.5 * (along + across)
    return np.repeat(total[:, None], _ANGLES, axis=1)


def rebinned_factor(
    mixtures: WindMixtures,
    exposure_s: float,
    cadence_s: float,
    opening_m: float,
    separation_m: float,
    outer_scale_m: float,
    obstruction: float,
    tilt_mix: float,
) -> tuple[FloatArray, FloatArray]:
    """Return var(mean of two adjacent frames)/var(one frame) along and across of each mixture.

    The dead time between frames is part of it: the mean of two has variance (R(0) + R(T))/2
    with R(T) the covariance of two exposures whose starts are T apart.
    """
    telescope = (opening_m, separation_m, outer_scale_m, obstruction, tilt_mix)
    speeds = mixtures.speeds_m_s
    single = _exposed_variance(speeds, exposure_s, 0.0, *telescope)
    lagged = _exposed_variance(speeds, exposure_s, cadence_s, *telescope)
    along, across = (
        0.5 * (1.0 + mixtures.mean_of(lagged[i]) / mixtures.mean_of(single[i])) for i in (0, 1)
    )
    return along, across


def _exposed_variance(
    speeds_m_s: FloatArray,
    exposure_s: float,
    lag_s: float,
    opening_m: float,
    separation_m: float,
    outer_scale_m: float,
    obstruction: float,
    tilt_mix: float,
) -> tuple[FloatArray, FloatArray]:
    """Return the covariance of the differential tilt between two exposures `lag_s` apart.

    Triangle-weighted mean of R(t) over t from lag - tau to lag + tau; frozen flow turns t into a
    shift V t of the beams. Along and across the openings, each (n_speeds, n_directions).
    """
    node, weight = unit_nodes()
    both = np.concatenate([-node, node])
    triangle = np.concatenate([weight, weight]) * (1.0 - np.abs(both))
    shift = speeds_m_s[:, None, None] * (lag_s + exposure_s * both) / opening_m
    angle = np.pi * (np.arange(_ANGLES) + 0.5) / _ANGLES
    x = shift * np.cos(angle)[:, None]
    y = shift * np.sin(angle)[:, None]
    b = separation_m / opening_m
    terms = []
    for offset, sign in ((0.0, 2.0), (b, -1.0), (-b, -1.0)):
        distance = np.hypot(x + offset, y)
        along, across = mixed_covariance(distance, opening_m / outer_scale_m, obstruction, tilt_mix)
        share = np.where(distance > 0.0, (x + offset) ** 2 / np.maximum(distance, 1e-12) ** 2, 0.5)
        terms.append(
            (
                sign * (share * along + (1.0 - share) * across),
                sign * (share * across + (1.0 - share) * along),
            )
        )
    return (
        np.asarray(sum(t[0] for t in terms) @ triangle, dtype=float),
        np.asarray(sum(t[1] for t in terms) @ triangle, dtype=float),
    )
