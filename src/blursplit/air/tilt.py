"""Image motion of one star and differential motion of two, in one or two apertures.

Every variance is of ONE axis: K lambda^2 r0^(-5/3) D^(-1/3) [rad^2]. The two kinds of tilt are
the mean phase gradient ("G", a centroid with a wide window) and the slope of the least-squares
plane ("Z", near a centroid weighted by the core); `centroid_tilt` says which one a real centroid
measures. Valid in the near field, at weak scintillation and for an instantaneous exposure.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.air._filters import LOG_STEP, TiltKind, grid, radial_density

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

__all__ = ["TiltKind", "pair_covariance", "pair_kernels", "tilt_coefficient", "tilt_coefficients"]

_SMALLEST, _LARGEST, _PER_DECADE = 1e-3, 1e3, 24
# Waves whose phase turns by more than this across the separation average out; a smooth cut
# keeps the logarithmic grid from aliasing them.
_PHASE_CUT = 90.0


def tilt_coefficient(
    kind: TiltKind, obstruction: float = 0.0, aperture_over_outer_scale: float = 0.0
) -> float:
    """Return the coefficient K1 of one-axis image motion.

    Parameters
    ----------
    kind : "G" or "Z"
        Mean gradient or least-squares plane.
    obstruction : float
        Central obstruction, diameter ratio.
    aperture_over_outer_scale : float
        D/L0, zero for Kolmogorov.

    Returns
    -------
    float
        K1 in variance = K1 lambda^2 r0^(-5/3) D^(-1/3); 0.1698 (G) and 0.1819 (Z) for a filled
        pupil and Kolmogorov turbulence (Tokovinin 2002: 0.340/2 and, from memory, 0.364/2).
    """
    return _coefficient(kind, float(obstruction), float(aperture_over_outer_scale))


def tilt_coefficients(
    kind: TiltKind, obstruction: float, aperture_over_outer_scale: ArrayLike
) -> FloatArray:
    """Return K1 for many outer scales at once, interpolated to 1e-4.

    Parameters
    ----------
    kind : "G" or "Z"
    obstruction : float
        Diameter ratio.
    aperture_over_outer_scale : array_like
        D/L0 in [0, 1].

    Raises
    ------
    ValueError
        For D/L0 outside [0, 1].
    """
    ratio = np.asarray(aperture_over_outer_scale, dtype=float)
    if np.any((ratio < 0.0) | (ratio > 1.0)):
        msg = "aperture over outer scale must lie in [0, 1]"
        raise ValueError(msg)
    return np.asarray(_coefficient_spline(kind, float(obstruction))(ratio ** (1.0 / 3.0)))


@lru_cache(maxsize=16)
def _coefficient_spline(kind: TiltKind, obstruction: float) -> Any:
    from scipy.interpolate import CubicSpline

    # The coefficient is close to linear in (D/L0)^(1/3) (Tokovinin 2002).
    cube_root = np.linspace(0.0, 1.0, 30)
    values = [tilt_coefficient(kind, obstruction, root**3) for root in cube_root.tolist()]
    return CubicSpline(cube_root, values)


@lru_cache(maxsize=4096)
def _coefficient(kind: TiltKind, obstruction: float, aperture_over_outer_scale: float) -> float:
    density = radial_density(aperture_over_outer_scale, obstruction, kind)
    inner = 3.0 * density[0] if aperture_over_outer_scale == 0 else 0.5 * LOG_STEP * density[0]
    # Below the grid the Kolmogorov density goes as u^(1/3), so its integral is 3 x the last value.
    return float(LOG_STEP * (density.sum() - 0.5 * density[0]) + inner)


def pair_kernels(
    separation_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    kind: TiltKind,
) -> tuple[FloatArray, FloatArray]:
    """Return the coefficients of differential image motion along and across a separation.

    Parameters
    ----------
    separation_over_aperture : array_like
        Distance of the two beams over the aperture diameter; two stars theta apart through a
        layer at distance h: theta h/D; a mask: baseline over opening. Negative values count by
        their size.
    aperture_over_outer_scale : float
        D/L0, zero for Kolmogorov.
    obstruction : float
        Central obstruction, diameter ratio.
    kind : "G" or "Z"

    Returns
    -------
    along, across : ndarray, shape of `separation_over_aperture`
        K in variance = K lambda^2 r0^(-5/3) D^(-1/3), difference of the two images; zero at zero
        separation, towards 2 K1 at large ones.

    Notes
    -----
    K = 2 pi C int u du g(u) (u^2 + (D/L0)^2)^(-11/6) [1 - J0(q) +- J2(q)], q = 2 pi u s/D
    (Tokovinin 2002), tabulated once for each telescope and outer scale and interpolated in the
    logarithm to 1e-4. Below s = 0.001 D the square law continues.
    """
    size = np.abs(np.asarray(separation_over_aperture, dtype=float))
    along, across = _pair_splines(float(aperture_over_outer_scale), float(obstruction), kind)
    limit = 2.0 * tilt_coefficient(kind, obstruction, aperture_over_outer_scale)
    return _interpolate(size, along, limit), _interpolate(size, across, limit)


def pair_covariance(
    separation_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    kind: TiltKind,
) -> tuple[FloatArray, FloatArray]:
    """Return the covariance coefficients K1 - K/2 of the motions along and across a separation.

    Parameters are those of `pair_kernels`.
    """
    along, across = pair_kernels(
        separation_over_aperture, aperture_over_outer_scale, obstruction, kind
    )
    single = tilt_coefficient(kind, obstruction, aperture_over_outer_scale)
    return single - 0.5 * along, single - 0.5 * across


def _interpolate(size: FloatArray, spline: Any, limit: float) -> FloatArray:
    inside = np.clip(size, _SMALLEST, _LARGEST)
    value = np.exp(spline(np.log(inside)))
    value = value * np.minimum(size / _SMALLEST, 1.0) ** 2
    # Beyond the table the Kolmogorov kernel nears its limit as s^(-1/3); with an outer scale it
    # has arrived.
    beyond = np.maximum(size / _LARGEST, 1.0) ** (-1.0 / 3.0)
    return np.asarray(np.where(size > _LARGEST, limit - (limit - value) * beyond, value))


@lru_cache(maxsize=256)
def _pair_splines(
    aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
) -> tuple[Any, Any]:
    from scipy.interpolate import CubicSpline

    density = radial_density(aperture_over_outer_scale, obstruction, kind)
    log_size, along, across = _bessel_weights()
    return (
        CubicSpline(log_size, np.log(along @ density)),
        CubicSpline(log_size, np.log(across @ density)),
    )


@lru_cache(maxsize=1)
def _bessel_weights() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return ln(s/D) and the weights that turn a radial density into K along and across.

    They depend on no parameter, so the Bessel functions are evaluated once a session.
    """
    from scipy.special import j0, j1

    count = round(np.log10(_LARGEST / _SMALLEST) * _PER_DECADE) + 1
    log_size = np.linspace(np.log(_SMALLEST), np.log(_LARGEST), count)
    q = 2.0 * np.pi * np.outer(np.exp(log_size), grid())
    cut = np.exp(-((q / _PHASE_CUT) ** 4))
    zeroth, first = j0(q), j1(q)
    small = q < 1e-2  # noqa: PLR2004 - series there: the differences cancel
    second = np.where(small, q**2 / 8.0, 2.0 * first / np.maximum(q, 1e-300) - zeroth)
    lost = np.where(small, q**2 / 4.0, 1.0 - zeroth * cut)
    along = 2.0 * LOG_STEP * (lost + second * cut)
    across = 2.0 * LOG_STEP * (lost - second * cut)
    return log_size, along, across
