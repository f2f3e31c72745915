"""Conversions of the air: Fried parameter, seeing, structure function, spectrum, refraction.

Kolmogorov and von Karman statistics of a phase screen in the near field. A Fried parameter
belongs to a wavelength and to a line of sight: `scale_r0` moves it to others. Names that end in
a unit take and return plain numbers; the five public ones take and return quantities.

References
----------
D. L. Fried (1966), J. Opt. Soc. Am. 56, 1372; R. J. Noll (1976), J. Opt. Soc. Am. 66, 207;
A. Tokovinin (2002), PASP 114, 1156. Equation numbers are not quoted: the constants were checked
against each other and against numerical transforms instead (see `tests/turbulence`).
B. Edlen (1966), Metrologia 2, 71 and its use by A. V. Filippenko (1982), PASP 94, 715, whose
table for airmass gives the check values of the refraction.
"""

from __future__ import annotations

from functools import lru_cache
from math import gamma, pi
from typing import Any, Literal

import astropy.units as u
import numpy as np
from astropy.units import Quantity
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.types import FloatArray

STRUCTURE_CONSTANT = 2.0 * const.FRIED_FACTOR
"""6.8839: Kolmogorov phase structure function at r = r0 [rad^2] (Fried 1966)."""

SPECTRUM_CONSTANT = gamma(11.0 / 6.0) ** 2 / (2.0 * pi ** (11.0 / 3.0)) * const.FRIED_FACTOR
"""0.022896: constant of the phase spectrum in cycles per metre (Noll 1976)."""

_VON_KARMAN = 2.0 ** (1.0 / 6.0) * gamma(11.0 / 6.0) * pi ** (-8.0 / 3.0) * const.FRIED_FACTOR


def structure_function(r_m: ArrayLike, r0_m: ArrayLike, outer_scale_m: ArrayLike) -> FloatArray:
    """Return the phase structure function [rad^2] of von Karman turbulence, broadcast shape.

    `r_m`: distance in the pupil [m], not negative; broadcasts against the others. `r0_m`: Fried
    parameter [m]. `outer_scale_m`: outer scale [m]; infinite for Kolmogorov turbulence.

    Kolmogorov: 6.8839 (r/r0)^(5/3). Von Karman: (L0/r0)^(5/3) times a function of r/L0 with the
    modified Bessel function K_{5/6} (Tokovinin 2002), interpolated from a table to 1e-7.
    """
    r = np.asarray(r_m, dtype=float)
    r0 = np.asarray(r0_m, dtype=float)
    outer = np.asarray(outer_scale_m, dtype=float)
    kolmogorov = STRUCTURE_CONSTANT * (np.abs(r) / r0) ** (5.0 / 3.0)
    if np.all(np.isinf(outer)):
        return np.asarray(kolmogorov * np.ones_like(outer), dtype=float)
    return np.asarray(kolmogorov * _von_karman_reduction(np.abs(r) / outer), dtype=float)


def _von_karman_reduction(r_over_outer_scale: ArrayLike) -> FloatArray:
    """Return the von Karman structure function over the Kolmogorov one, 1 at zero distance."""
    ratio = np.asarray(r_over_outer_scale, dtype=float)
    log_low, log_high, spline = _reduction_table()
    inside = np.clip(ratio, np.exp(log_low), np.exp(log_high))
    value = np.exp(spline(np.log(inside)))
    # Beyond the table the structure function is constant; below it, Kolmogorov to 1e-3 of the
    # leading term 1 - 1.485 x^(1/3).
    tail = np.where(ratio > inside, (np.maximum(ratio, inside) / inside) ** (-5.0 / 3.0), 1.0)
    start = np.where(ratio < inside, 1.0 - (1.0 - value) * (ratio / inside) ** (1.0 / 3.0), value)
    return np.asarray(start * tail, dtype=float)


@lru_cache(maxsize=1)
def _reduction_table() -> tuple[float, float, Any]:
    from scipy.interpolate import CubicSpline
    from scipy.special import kv

    log_ratio = np.linspace(np.log(1e-7), np.log(30.0), 1200)
    ratio = np.exp(log_ratio)
    x = 2.0 * pi * ratio
    exact = _VON_KARMAN * (const.KARMAN_SATURATION - x ** (5.0 / 6.0) * kv(5.0 / 6.0, x))
    # The difference cancels at small x: there the series of K_{5/6} gives
    # 1 - c x^(1/3) + 3/4 ... relative to Kolmogorov.
    reduction = exact / (STRUCTURE_CONSTANT * ratio ** (5.0 / 3.0))
    small = ratio < 3e-4  # noqa: PLR2004 - the two forms agree to 1e-9 here
    reduction[small] = _small_distance_series(x[small], ratio[small])
    return float(log_ratio[0]), float(log_ratio[-1]), CubicSpline(log_ratio, np.log(reduction))


def _small_distance_series(x: FloatArray, ratio: FloatArray) -> FloatArray:
    """Expand the von Karman structure function in powers of x (series of K_nu, nu = 5/6)."""
    nu = 5.0 / 6.0
    # x^nu K_nu(x) = (pi/2)/sin(nu pi) * x^nu [I_-nu - I_nu]
    factor = 0.5 * pi / np.sin(nu * pi)
    second = -factor * 2.0**nu * (x / 2.0) ** 2 / gamma(2.0 - nu)
    power = factor * x ** (2.0 * nu) / (2.0**nu * gamma(1.0 + nu))
    quartic = factor * x ** (2.0 * nu + 2.0) / (2.0 ** (nu + 2.0) * gamma(2.0 + nu))
    value = _VON_KARMAN * (second + power + quartic)
    return np.asarray(value / (STRUCTURE_CONSTANT * ratio ** (5.0 / 3.0)), dtype=float)


def phase_spectrum(f_per_m: ArrayLike, r0_m: float, outer_scale_m: float) -> FloatArray:
    """Return the two-dimensional spectrum of the phase of von Karman turbulence.

    `f_per_m`: spatial frequency in the pupil [cycles/m]. `r0_m`, `outer_scale_m`: Fried parameter
    and outer scale [m]; an infinite outer scale is Kolmogorov's.

    Returns: 0.022896 r0^(-5/3) (f^2 + L0^-2)^(-11/6) [rad^2 m^2]; infinite at f = 0 for Kolmogorov.
    """
    f = np.asarray(f_per_m, dtype=float)
    with np.errstate(divide="ignore"):
        power = (f**2 + 1.0 / outer_scale_m**2) ** (-11.0 / 6.0)
    return np.asarray(SPECTRUM_CONSTANT * r0_m ** (-5.0 / 3.0) * power, dtype=float)


def seeing_arcsec(r0_m: ArrayLike, wavelength_m: ArrayLike) -> FloatArray:
    """Return the Kolmogorov seeing 0.9759 lambda/r0 [arcsec] (Fried 1966, from memory)."""
    factor = const.SEEING_IN_LAMBDA_OVER_R0 * const.ARCSEC_PER_RADIAN
    return np.asarray(factor * np.asarray(wavelength_m, float) / np.asarray(r0_m, float))


def r0_m(seeing_arcsec: ArrayLike, wavelength_m: ArrayLike) -> FloatArray:
    """Return the Fried parameter [m] whose Kolmogorov seeing is `seeing_arcsec`."""
    factor = const.SEEING_IN_LAMBDA_OVER_R0 * const.ARCSEC_PER_RADIAN
    return np.asarray(factor * np.asarray(wavelength_m, float) / np.asarray(seeing_arcsec, float))


def scale_r0(
    r0_m: ArrayLike,
    *,
    from_wavelength_m: ArrayLike,
    to_wavelength_m: ArrayLike,
    from_airmass: ArrayLike = 1.0,
    to_airmass: ArrayLike = 1.0,
) -> FloatArray:
    """Return a Fried parameter at another wavelength and airmass.

    `r0_m`: at `from_wavelength_m` and `from_airmass` (secant of the zenith angle).

    Returns: r0 times (to/from wavelength)^(6/5) (to/from airmass)^(-3/5) [m].
    """
    wavelengths = np.asarray(to_wavelength_m, float) / np.asarray(from_wavelength_m, float)
    airmasses = np.asarray(to_airmass, float) / np.asarray(from_airmass, float)
    return np.asarray(np.asarray(r0_m, float) * wavelengths**1.2 * airmasses**-0.6, dtype=float)


def _von_karman_fwhm_arcsec(
    r0_m: ArrayLike, outer_scale_m: ArrayLike, wavelength_m: ArrayLike
) -> FloatArray:
    """Return the FWHM [arcsec] of the air's own long exposure with an outer scale, no telescope.

    `r0_m`, `outer_scale_m`: Fried parameter at the wavelength and outer scale [m]; infinite:
    Kolmogorov.

    Raises ValueError for an outer scale below three Fried parameters, where a width means nothing.

    Numerical Hankel transform of exp(-D_phi/2), tabulated against r0/L0. Tokovinin's (2002)
    closed form is lower by 0.1 to 1.1 % for L0/r0 from 1000 to 67. The unscattered core,
    exp(-D_phi(inf)/2) of the light (below 4e-6 for L0 > 20 r0), is left out.
    """
    r0, outer, wavelength = np.broadcast_arrays(
        np.asarray(r0_m, float), np.asarray(outer_scale_m, float), np.asarray(wavelength_m, float)
    )
    if np.any(outer < const.SMALLEST_OUTER_SCALE_RATIO * r0):
        msg = "outer scale below three Fried parameters: the image has no seeing width"
        raise ValueError(msg)
    cube_root, width = _width_table()
    relative = np.interp((r0 / outer) ** (1.0 / 3.0), cube_root, width)
    return np.asarray(relative * wavelength / r0 * const.ARCSEC_PER_RADIAN, dtype=float)


@lru_cache(maxsize=1)
def _width_table() -> tuple[FloatArray, FloatArray]:
    """Return cube roots of r0/L0 and FWHM r0/lambda by Hankel transform.

    The width is nearly linear in the cube root, which makes linear interpolation enough.
    """
    from scipy.special import j0

    f = np.linspace(0.0, 5.0, 6001)  # pupil baseline over r0; exp(-D/2) is 1e-20 at 5
    theta = np.linspace(0.02, 0.6, 59)  # radius in lambda/r0
    cube_root = np.linspace(0.0, const.SMALLEST_OUTER_SCALE_RATIO ** (-1.0 / 3.0) + 1e-9, 160)
    with np.errstate(divide="ignore", invalid="ignore"):
        outer = cube_root[:, None] ** -3.0  # over r0
        reduction = np.where(np.isinf(outer), 1.0, _von_karman_reduction(f / outer))
    saturated = _VON_KARMAN * const.KARMAN_SATURATION * outer ** (5.0 / 3.0)
    otf = np.exp(-0.5 * STRUCTURE_CONSTANT * f ** (5.0 / 3.0) * reduction)
    otf = otf - np.exp(-0.5 * saturated)
    weight = np.full(f.size, f[1])
    weight[-1] *= 0.5
    kernel = j0(2.0 * pi * np.outer(theta, f)) * f * weight
    profile = otf @ kernel.T
    peak = otf @ (f * weight)
    fall = np.log(profile / peak[:, None])  # nearly linear in theta^2, as a Gaussian's
    square = np.array([np.interp(np.log(2.0), -row, theta**2) for row in fall])
    return cube_root, np.asarray(2.0 * np.sqrt(square), dtype=float)


def seeing_from_r0(r0: Quantity, wavelength: Quantity) -> Quantity:
    """Return the Kolmogorov seeing, FWHM 0.9759 lambda/r0 [arcsec], of a Fried parameter.

    Parameters
    ----------
    r0, wavelength : Quantity
        Fried parameter at the wavelength.

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.turbulence import seeing_from_r0
    >>> print(f"{seeing_from_r0(10 * u.cm, 500 * u.nm):.3f}")
    1.006 arcsec
    """
    return seeing_arcsec(r0.to_value(u.m), wavelength.to_value(u.m)) * u.arcsec


def r0_from_seeing(seeing: Quantity, wavelength: Quantity) -> Quantity:
    """Return the Fried parameter [m], at the same wavelength, of a Kolmogorov seeing.

    Parameters
    ----------
    seeing, wavelength : Quantity
        FWHM without telescope and outer scale, and the wavelength at which it was taken.

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.turbulence import r0_from_seeing
    >>> print(f"{r0_from_seeing(2 * u.arcsec, 500 * u.nm).to(u.cm):.2f}")
    5.03 cm
    """
    return r0_m(seeing.to_value(u.arcsec), wavelength.to_value(u.m)) * u.m


def r0_at(
    r0: Quantity,
    *,
    from_wavelength: Quantity,
    to_wavelength: Quantity,
    from_airmass: float = 1.0,
    to_airmass: float = 1.0,
) -> Quantity:
    """Return a Fried parameter, in its own unit, at another wavelength and airmass.

    Parameters
    ----------
    r0, from_wavelength, to_wavelength : Quantity
    from_airmass, to_airmass : float

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.turbulence import r0_at
    >>> red = r0_at(10 * u.cm, from_wavelength=500 * u.nm, to_wavelength=650 * u.nm)
    >>> print(f"{red:.2f}")
    13.70 cm
    """
    value = scale_r0(
        r0.to_value(u.m),
        from_wavelength_m=from_wavelength.to_value(u.m),
        to_wavelength_m=to_wavelength.to_value(u.m),
        from_airmass=from_airmass,
        to_airmass=to_airmass,
    )
    return (value * u.m).to(r0.unit)


def long_exposure_fwhm(
    r0: Quantity, wavelength: Quantity, outer_scale: Quantity | None = None
) -> Quantity:
    """Return the FWHM [arcsec] of the air's own long exposure, no telescope, with an outer scale.

    Parameters
    ----------
    r0, wavelength : Quantity
        Fried parameter at the wavelength.
    outer_scale : Quantity, optional
        Infinite (Kolmogorov) by default.

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.turbulence import long_exposure_fwhm
    >>> print(f"{long_exposure_fwhm(10 * u.cm, 500 * u.nm, 20 * u.m):.3f}")
    0.828 arcsec
    """
    outer_m = np.inf if outer_scale is None else outer_scale.to_value(u.m)
    width = _von_karman_fwhm_arcsec(r0.to_value(u.m), outer_m, wavelength.to_value(u.m))
    return width * u.arcsec


def image_motion(
    r0: Quantity,
    aperture: Quantity,
    wavelength: Quantity,
    *,
    outer_scale: Quantity | None = None,
    obstruction: float = 0.0,
    kind: Literal["G", "Z"] = "Z",
) -> Quantity:
    """Return the rms motion [arcsec] of one star on one axis, for an instantaneous exposure.

    Parameters
    ----------
    r0, aperture, wavelength : Quantity
        Fried parameter at the wavelength, diameter, wavelength.
    outer_scale : Quantity, optional
        Infinite by default.
    obstruction : float
        Central obstruction, diameter ratio.
    kind : "G" or "Z"
        Mean gradient or least-squares plane.

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.turbulence import image_motion
    >>> print(f"{image_motion(10 * u.cm, 20 * u.cm, 500 * u.nm):.3f}")
    0.392 arcsec
    """
    from blursplit.turbulence.tilt import tilt_coefficient

    aperture_m, wavelength_m = aperture.to_value(u.m), wavelength.to_value(u.m)
    ratio = 0.0 if outer_scale is None else aperture_m / outer_scale.to_value(u.m)
    coefficient = tilt_coefficient(kind, obstruction, ratio)
    variance = coefficient * wavelength_m**2 * r0.to_value(u.m) ** (-5 / 3)
    return np.sqrt(variance * aperture_m ** (-1 / 3)) * const.ARCSEC_PER_RADIAN * u.arcsec


def _refractivity(
    wavelength_nm: ArrayLike,
    *,
    pressure_hpa: float = 1013.25,
    temperature_c: float = 15.0,
    water_vapour_hpa: float = 0.0,
) -> FloatArray:
    """Return the refractivity n - 1 of air.

    `wavelength_nm`: vacuum wavelength [nm]. `pressure_hpa`, `temperature_c`, `water_vapour_hpa`:
    air pressure [hPa], temperature [Celsius] and partial pressure of water vapour [hPa].

    Edlen's dispersion formula with the temperature and water terms as Filippenko (1982,
    equations 1 to 3) gives them.
    """
    wave2 = (1e-3 * np.asarray(wavelength_nm, dtype=float)) ** -2.0  # 1/um^2
    standard = 64.328 + 29498.1 / (146.0 - wave2) + 255.4 / (41.0 - wave2)
    mmhg = pressure_hpa * 760.0 / 1013.25
    air = mmhg * (1.0 + (1.049 - 0.0157 * temperature_c) * 1e-6 * mmhg)
    air = air / (720.883 * (1.0 + 0.003661 * temperature_c))
    water_mmhg = water_vapour_hpa * 760.0 / 1013.25
    water = (0.0624 - 0.000680 * wave2) / (1.0 + 0.003661 * temperature_c) * water_mmhg
    return np.asarray((standard * air - water) * 1e-6, dtype=float)


def _refraction_arcsec(
    wavelength_nm: ArrayLike, reference_nm: float, altitude_deg: float, **air: float
) -> FloatArray:
    """Return how much higher a star stands at a wavelength than at the reference.

    `air`: its state, as in `_refractivity`.

    Returns: 206265 [n(wavelength) - n(reference)] tan z [arcsec], positive toward the zenith.
    """
    difference = _refractivity(wavelength_nm, **air) - _refractivity(reference_nm, **air)
    tangent = np.tan(np.radians(altitude_deg))
    return np.asarray(difference / tangent * const.ARCSEC_PER_RADIAN, dtype=float)


def band_dispersion_arcsec(
    band_nm: tuple[float, float], altitude_deg: float, *, height_m: float = 0.0
) -> float:
    """Return the one-axis rms along the vertical of a star's light in an evenly lit pass band.

    `band_nm`: ends of the band [nm]. `altitude_deg`: altitude of the star. `height_m`: height of
    the site above the sea [m]. The air is at 10 degrees Celsius.

    Raises ValueError for an altitude below 10 degrees or a band that is not increasing.
    """
    low, high = band_nm
    if not low < high:
        msg = f"pass band must increase, not {low:g} to {high:g} nm"
        raise ValueError(msg)
    if not const.LOWEST_ALTITUDE_DEG <= altitude_deg <= 90.0:  # noqa: PLR2004 - the zenith
        msg = f"altitude must lie between {const.LOWEST_ALTITUDE_DEG:g} and 90 degrees"
        raise ValueError(msg)
    shift = _refraction_arcsec(
        np.linspace(low, high, 201),
        0.5 * (low + high),
        altitude_deg,
        # the mean atmosphere's, exponential
        pressure_hpa=1013.25 * np.exp(-height_m / const.PRESSURE_SCALE_HEIGHT_M),
        temperature_c=10.0,
    )
    return float(shift.std())
