"""Image motion of one star and differential motion of two, in one or two apertures.

Every variance is of ONE axis: K lambda^2 r0^(-5/3) D^(-1/3) [rad^2]. The two kinds of tilt are
the mean phase gradient ("G", a centroid with a wide window) and the slope of the least-squares
plane ("Z", near a centroid weighted by the core). Spatial frequencies are in cycles per aperture
diameter, u = f D. Everywhere `aperture_over_outer_scale` is D/L0, zero for Kolmogorov turbulence,
and `obstruction` the diameter of the central obstruction over that of the aperture. Valid in the
near field, at weak scintillation and for an instantaneous exposure.

The variance of a real, Gaussian-windowed centroid is w K_Z + (1 - w) K_G, with w from phase
screens (`centroid_tilt_mix`). A window as narrow as the core goes beyond the least-squares plane
(w > 1) once the star breaks into speckles; a wide one nears the mean gradient (w = 0). The whole
range from G to Z is 7 % in variance, so w need not be precise.
"""

from __future__ import annotations

from functools import lru_cache
from math import pi
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.turbulence.conversions import SPECTRUM_CONSTANT
from blursplit.types import FloatArray

TiltKind = Literal["G", "Z"]


@lru_cache(maxsize=1)
def grid() -> FloatArray:
    """Return the grid of u = f D, evenly spaced in ln u, read only."""
    count = int(np.log(const.TILT_HIGHEST / const.TILT_LOWEST) / const.TILT_LOG_STEP) + 1
    u = const.TILT_LOWEST * np.exp(const.TILT_LOG_STEP * np.arange(count))
    u.flags.writeable = False
    return np.asarray(u, dtype=float)


def _tilt_filter(u: FloatArray, obstruction: float, kind: TiltKind) -> FloatArray:
    """Return the squared tilt filter of an annular pupil.

    `u`: positive. `obstruction`: in [0, 0.95].

    Returns: squared gain from phase to angle in units (lambda/D)^2; u^2 at low frequency.

    Raises ValueError for an unknown kind or an obstruction outside its range.

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
    blend = np.clip(
        np.log(u / const.TILT_MEAN_FROM) / np.log(const.TILT_MEAN_FULL / const.TILT_MEAN_FROM),
        0.0,
        1.0,
    )
    waved = u < const.TILT_MEAN_FULL
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


def signed_tilt_gain(
    frequency_per_m: FloatArray, aperture_m: float, obstruction: float
) -> FloatArray:
    """Return the signed gain from phase to plane tilt [1/m], whose square is `_tilt_filter`/D^2.

    Two apertures of different size see one wave with gains of either sign: their product is
    that of the cross-spectrum.
    """
    from scipy.special import jn

    z = np.maximum(pi * np.asarray(frequency_per_m, dtype=float) * aperture_m, 1e-6)
    wave = (jn(2, z) - obstruction**2 * jn(2, obstruction * z)) / (1.0 - obstruction**4)
    return np.asarray(8.0 * wave / (z * pi * aperture_m))


def radial_density(
    aperture_over_outer_scale: float, obstruction: float, kind: TiltKind
) -> FloatArray:
    """Return the tilt variance of one axis per unit ln u on the grid.

    Returns: (grid,): integral over ln u is the coefficient K1.
    """
    u = grid()
    spectrum = (u**2 + aperture_over_outer_scale**2) ** (-11.0 / 6.0)
    density = pi * SPECTRUM_CONSTANT * u**2 * _tilt_filter(u, obstruction, kind) * spectrum
    return np.asarray(density, dtype=float)


@lru_cache(maxsize=4096)
def tilt_coefficient(
    kind: TiltKind, obstruction: float = 0.0, aperture_over_outer_scale: float = 0.0
) -> float:
    """Return the coefficient K1 of one-axis image motion.

    Returns: K1 in variance = K1 lambda^2 r0^(-5/3) D^(-1/3); 0.1698 (G) and 0.1819 (Z) for a filled
    pupil and Kolmogorov turbulence (Tokovinin 2002: 0.340/2 and, from memory, 0.364/2).
    """
    density = radial_density(aperture_over_outer_scale, obstruction, kind)
    inner = (
        3.0 * density[0]
        if aperture_over_outer_scale == 0
        else 0.5 * const.TILT_LOG_STEP * density[0]
    )
    # Below the grid the Kolmogorov density goes as u^(1/3), so its integral is 3 x the last value.
    return float(const.TILT_LOG_STEP * (density.sum() - 0.5 * density[0]) + inner)


def pair_kernels(
    separation_over_aperture: ArrayLike,
    aperture_over_outer_scale: float,
    obstruction: float,
    kind: TiltKind,
) -> tuple[FloatArray, FloatArray]:
    """Return the coefficients of differential image motion along and across a separation.

    `separation_over_aperture`: distance of the two beams over the aperture diameter; two stars
    theta apart through a layer at distance h: theta h/D; a mask: baseline over opening. Negative
    values count by their size.

    Returns `along`, `across` (of `separation_over_aperture`): K in variance = K lambda^2 r0^(-5/3)
    D^(-1/3), difference of the two images; zero at zero separation, towards 2 K1 at large ones.

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
    inside = np.clip(size, const.PAIR_SMALLEST, const.PAIR_LARGEST)
    value = np.exp(spline(np.log(inside)))
    value = value * np.minimum(size / const.PAIR_SMALLEST, 1.0) ** 2
    # Beyond the table the Kolmogorov kernel nears its limit as s^(-1/3); with an outer scale it
    # has arrived.
    beyond = np.maximum(size / const.PAIR_LARGEST, 1.0) ** (-1.0 / 3.0)
    return np.asarray(np.where(size > const.PAIR_LARGEST, limit - (limit - value) * beyond, value))


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


def bessel_0_2(q: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return J0 and J2; of small arguments J2 by its series, where the difference cancels."""
    from scipy.special import j0, j1

    zeroth = j0(q)
    second = 2.0 * j1(q) / np.maximum(q, 1e-300) - zeroth
    return zeroth, np.where(q < const.BESSEL_SMALL, q**2 / 8.0, second)


@lru_cache(maxsize=1)
def _bessel_weights() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return ln(s/D) and the weights that turn a radial density into K along and across.

    They depend on no parameter, so the Bessel functions are evaluated once a session.
    """
    count = round(np.log10(const.PAIR_LARGEST / const.PAIR_SMALLEST) * const.PAIR_PER_DECADE) + 1
    log_size = np.linspace(np.log(const.PAIR_SMALLEST), np.log(const.PAIR_LARGEST), count)
    q = 2.0 * np.pi * np.outer(np.exp(log_size), grid())
    cut = np.exp(-((q / const.TILT_PHASE_CUT) ** 4))
    zeroth, second = bessel_0_2(q)
    # series where the difference cancels
    lost = np.where(q < const.BESSEL_SMALL, q**2 / 4.0, 1.0 - zeroth * cut)
    along = 2.0 * const.TILT_LOG_STEP * (lost + second * cut)
    across = 2.0 * const.TILT_LOG_STEP * (lost - second * cut)
    return log_size, along, across


def centroid_tilt_mix(
    d_over_r0: ArrayLike, window_over_diffraction: ArrayLike | None = None, obstruction: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return the share of Z tilt that the default centroid measures, and its uncertainty.

    `d_over_r0`: aperture diameter over Fried parameter; clipped to the table, 0.5 to 8.
    `window_over_diffraction`: sigma of the centroid's Gaussian window in units lambda/D; clipped to
    0.5 to 4. By default the window is 1.5 star sigmas of a well-sampled star. `obstruction` is
    clipped to 0.33.

    Returns `w`, `w_sigma`: variance = (w K_Z + (1 - w) K_G) lambda^2 r0^(-5/3) D^(-1/3). Without a
    window the uncertainty covers stars widened by pixels and optics up to twice.
    """
    ratio = np.clip(
        np.asarray(d_over_r0, dtype=float), const.MIX_D_OVER_R0[0], const.MIX_D_OVER_R0[-1]
    )
    blocked = min(obstruction / const.MIX_OBSTRUCTION[-1], 1.0)
    if window_over_diffraction is None:
        default = np.average(const.TILT_MIX_DEFAULT, axis=0, weights=[1.0 - blocked, blocked])
        mix = np.asarray(np.interp(ratio, const.MIX_D_OVER_R0, default), dtype=float)
        return mix, np.hypot(const.TILT_MIX_OPEN_SIGMA, const.TILT_MIX_SHARE * (mix - 1.0))
    from scipy.interpolate import RegularGridInterpolator

    window = np.clip(
        np.asarray(window_over_diffraction, float), const.MIX_WINDOW[0], const.MIX_WINDOW[-1]
    )
    values = np.average(const.TILT_MIX, axis=0, weights=[1.0 - blocked, blocked])
    table = RegularGridInterpolator((np.log(const.MIX_D_OVER_R0), np.log(const.MIX_WINDOW)), values)
    ratio, window = np.broadcast_arrays(ratio, window)
    points = np.stack([np.log(ratio), np.log(window)], axis=-1)
    mix = np.asarray(table(points), dtype=float).reshape(ratio.shape)
    return mix, np.hypot(const.TILT_MIX_LEAST_SIGMA, const.TILT_MIX_SHARE * (mix - 1.0))
