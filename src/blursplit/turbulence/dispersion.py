"""Differential refraction across a pass band: how far the air spreads a star along the vertical.

References
----------
B. Edlen (1966), Metrologia 2, 71 and its use by A. V. Filippenko (1982), PASP 94, 715, whose
table for airmass gives the check values in the tests.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.types import FloatArray


def refractivity(
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


def differential_refraction_arcsec(
    wavelength_nm: ArrayLike,
    reference_nm: float,
    altitude_deg: float,
    *,
    pressure_hpa: float = 1013.25,
    temperature_c: float = 15.0,
    water_vapour_hpa: float = 0.0,
) -> FloatArray:
    """Return how much higher a star stands at a wavelength than at the reference.

    `wavelength_nm`: wavelengths [nm]. `reference_nm`: wavelength of zero shift [nm].
    `altitude_deg`: altitude of the star, 10 to 90 degrees. `pressure_hpa`, `temperature_c`,
    `water_vapour_hpa`: state of the air.

    Returns: 206265 [n(wavelength) - n(reference)] tan z [arcsec], positive toward the zenith.

    Raises ValueError for an altitude outside 10 to 90 degrees.
    """
    if not const.LOWEST_ALTITUDE_DEG <= altitude_deg <= 90.0:  # noqa: PLR2004 - the zenith
        msg = f"altitude must lie between {const.LOWEST_ALTITUDE_DEG:g} and 90 degrees"
        raise ValueError(msg)
    air = {
        "pressure_hpa": pressure_hpa,
        "temperature_c": temperature_c,
        "water_vapour_hpa": water_vapour_hpa,
    }
    difference = refractivity(wavelength_nm, **air) - refractivity(reference_nm, **air)
    return np.asarray(
        difference / np.tan(np.radians(altitude_deg)) * const.ARCSEC_PER_RADIAN, dtype=float
    )


def pressure_at_height_hpa(height_m: float) -> float:
    """Return the mean air pressure at a height above the sea (exponential, 8400 m)."""
    return float(1013.25 * np.exp(-height_m / const.PRESSURE_SCALE_HEIGHT_M))


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
    shift = differential_refraction_arcsec(
        np.linspace(low, high, 201),
        0.5 * (low + high),
        altitude_deg,
        pressure_hpa=pressure_at_height_hpa(height_m),
        temperature_c=10.0,
    )
    return float(shift.std())
