"""Conversions with units, for users: astropy quantities in, quantities out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.air import tilt, turbulence

if TYPE_CHECKING:
    from astropy.units import Quantity

__all__ = [
    "image_motion",
    "long_exposure_fwhm",
    "r0_at",
    "r0_from_seeing",
    "seeing_from_r0",
]


def seeing_from_r0(r0: Quantity, wavelength: Quantity) -> Quantity:
    """Return the Kolmogorov seeing of a Fried parameter.

    Parameters
    ----------
    r0 : Quantity
        Fried parameter at `wavelength`.
    wavelength : Quantity
        Wavelength.

    Returns
    -------
    Quantity
        FWHM 0.9759 lambda/r0 [arcsec].

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.air.quantities import seeing_from_r0
    >>> print(f"{seeing_from_r0(10 * u.cm, 500 * u.nm):.3f}")
    1.006 arcsec
    """
    import astropy.units as u

    return turbulence.seeing_arcsec(r0.to_value(u.m), wavelength.to_value(u.m)) * u.arcsec


def r0_from_seeing(seeing: Quantity, wavelength: Quantity) -> Quantity:
    """Return the Fried parameter of a Kolmogorov seeing.

    Parameters
    ----------
    seeing : Quantity
        FWHM without telescope and outer scale.
    wavelength : Quantity
        Wavelength at which the width was taken.

    Returns
    -------
    Quantity
        Fried parameter at that wavelength [m].

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.air.quantities import r0_from_seeing
    >>> print(f"{r0_from_seeing(2 * u.arcsec, 500 * u.nm).to(u.cm):.2f}")
    5.03 cm
    """
    import astropy.units as u

    return turbulence.r0_m(seeing.to_value(u.arcsec), wavelength.to_value(u.m)) * u.m


def r0_at(
    r0: Quantity,
    *,
    from_wavelength: Quantity,
    to_wavelength: Quantity,
    from_airmass: float = 1.0,
    to_airmass: float = 1.0,
) -> Quantity:
    """Return a Fried parameter at another wavelength and airmass.

    Parameters
    ----------
    r0 : Quantity
        Fried parameter at `from_wavelength` and `from_airmass`.
    from_wavelength, to_wavelength : Quantity
        Wavelengths.
    from_airmass, to_airmass : float
        Airmasses.

    Returns
    -------
    Quantity
        In the unit of `r0`.

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.air.quantities import r0_at
    >>> red = r0_at(10 * u.cm, from_wavelength=500 * u.nm, to_wavelength=650 * u.nm)
    >>> print(f"{red:.2f}")
    13.70 cm
    """
    import astropy.units as u

    value = turbulence.scale_r0(
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
    """Return the width of the air's own long exposure, with an outer scale.

    Parameters
    ----------
    r0 : Quantity
        Fried parameter at `wavelength`.
    wavelength : Quantity
        Wavelength.
    outer_scale : Quantity, optional
        Outer scale; infinite (Kolmogorov) by default.

    Returns
    -------
    Quantity
        FWHM [arcsec], no telescope.

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.air.quantities import long_exposure_fwhm
    >>> print(f"{long_exposure_fwhm(10 * u.cm, 500 * u.nm, 20 * u.m):.3f}")
    0.828 arcsec
    """
    import astropy.units as u

    outer_m = np.inf if outer_scale is None else outer_scale.to_value(u.m)
    width = turbulence.von_karman_fwhm_arcsec(r0.to_value(u.m), outer_m, wavelength.to_value(u.m))
    return width * u.arcsec


def image_motion(
    r0: Quantity,
    aperture: Quantity,
    wavelength: Quantity,
    *,
    outer_scale: Quantity | None = None,
    obstruction: float = 0.0,
    kind: tilt.TiltKind = "Z",
) -> Quantity:
    """Return the rms motion of one star on one axis, for an instantaneous exposure.

    Parameters
    ----------
    r0, aperture, wavelength : Quantity
        Fried parameter at the wavelength, diameter, wavelength.
    outer_scale : Quantity, optional
        Outer scale; infinite by default.
    obstruction : float
        Central obstruction, diameter ratio.
    kind : "G" or "Z"
        Mean gradient or least-squares plane.

    Returns
    -------
    Quantity
        One-axis rms [arcsec].

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit.air.quantities import image_motion
    >>> print(f"{image_motion(10 * u.cm, 20 * u.cm, 500 * u.nm):.3f}")
    0.392 arcsec
    """
    import astropy.units as u

    aperture_m, wavelength_m = aperture.to_value(u.m), wavelength.to_value(u.m)
    ratio = 0.0 if outer_scale is None else aperture_m / outer_scale.to_value(u.m)
    coefficient = tilt.tilt_coefficient(kind, obstruction, ratio)
    variance = coefficient * wavelength_m**2 * r0.to_value(u.m) ** (-5 / 3)
    return np.sqrt(variance * aperture_m ** (-1 / 3)) / turbulence.ARCSEC * u.arcsec
