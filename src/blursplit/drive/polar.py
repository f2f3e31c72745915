"""What a drift says about the polar axis, and where right ascension lies in the image."""

from __future__ import annotations

import math
from dataclasses import dataclass

from blursplit.constants import SIDEREAL_RATE_ARCSEC_S

# 15.04107 arcsec/s over one minute of time, per radian of misalignment [arcsec/min].
SIDEREAL_ARCSEC_MIN = SIDEREAL_RATE_ARCSEC_S * 60.0


def declination_drift_arcsec_min(
    misalignment_arcmin: float, hour_angle_deg: float, axis_hour_angle_deg: float
) -> float:
    """Return the declination drift of a tracked star, -omega eps sin(H - Hp) [arcsec/min].

    Parameters
    ----------
    misalignment_arcmin : float
        Angle between the polar axis and the pole.
    hour_angle_deg, axis_hour_angle_deg : float
        Of the star and of the point toward which the axis is off.

    Examples
    --------
    >>> round(declination_drift_arcsec_min(1.0, -90.0, 0.0), 5)
    0.26252
    """
    eps = math.radians(misalignment_arcmin / 60.0)
    phase = math.radians(hour_angle_deg - axis_hour_angle_deg)
    return -SIDEREAL_ARCSEC_MIN * eps * math.sin(phase)


@dataclass(frozen=True)
class PolarReading:
    """The part of the polar misalignment that this star's declination drift shows.

    Parameters
    ----------
    component_arcmin : float
        |eps sin(H - Hp)|: the misalignment is at least this.
    sigma_arcmin : float
    low95_arcmin, high95_arcmin : float
    text : str
        The reading in words, with its limits.
    """

    component_arcmin: float
    sigma_arcmin: float
    low95_arcmin: float
    high95_arcmin: float
    text: str


def read_polar_axis(rate_arcsec_min: float, sigma_arcsec_min: float) -> PolarReading:
    """Return what a declination drift says of the polar axis.

    Parameters
    ----------
    rate_arcsec_min, sigma_arcsec_min : float
        Declination drift of an unguided equatorial mount and its uncertainty; the sign does not
        matter, because which way is north needs the camera's parity.
    """
    per_arcmin = declination_drift_arcsec_min(1.0, -90.0, 0.0)
    size, sigma = abs(rate_arcsec_min) / per_arcmin, sigma_arcsec_min / per_arcmin
    low, high = max(0.0, size - 1.96 * sigma), size + 1.96 * sigma
    if low > 0.0:
        words = (
            f"the declination drift needs a polar misalignment of at least {low:.1f} arcmin "
            f"(this star shows {size:.1f} +- {sigma:.1f} arcmin of it)"
        )
    else:
        words = (
            f"no declination drift is shown; the part of the polar misalignment that this star "
            f"sees is below {high:.1f} arcmin"
        )
    words += "; a star six hours away in hour angle shows the other part"
    return PolarReading(size, sigma, low, high, words)


def ra_axis_from_position_angle(position_angle_deg: float, *, is_mirrored: bool = False) -> float:
    """Return the axial direction of right ascension from the camera's position angle [deg].

    Parameters
    ----------
    position_angle_deg : float
        Position angle, north through east, of the image's +y direction.
    is_mirrored : bool, optional
        Whether east lies to the right of north when +y is up and +x to the right.
    """
    return (position_angle_deg if is_mirrored else -position_angle_deg) % 180.0
