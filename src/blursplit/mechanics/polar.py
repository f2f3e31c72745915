"""What a drift says about the polar axis, and where right ascension lies in the image."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.mechanics.periods import SIDEREAL_RATE_ARCSEC_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

# 15.04107 arcsec/s over one minute of time, per radian of misalignment [arcsec/min].
SIDEREAL_ARCSEC_MIN = SIDEREAL_RATE_ARCSEC_S * 60.0
# Above this rate the drive is off rather than astray (a tenth of the sidereal rate).
DRIVE_OFF_ARCSEC_S = 0.1 * SIDEREAL_RATE_ARCSEC_S


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


def right_ascension_drift_arcsec_min(
    misalignment_arcmin: float,
    hour_angle_deg: float,
    axis_hour_angle_deg: float,
    declination_deg: float,
) -> float:
    """Return the drift along right ascension on the sky, westward positive [arcsec/min].

    Notes
    -----
    +omega eps sin(d) cos(H - Hp); a drive whose rate is off drifts this way too, so the reading
    of the axis uses the declination alone.
    """
    eps = math.radians(misalignment_arcmin / 60.0)
    phase = math.radians(hour_angle_deg - axis_hour_angle_deg)
    return SIDEREAL_ARCSEC_MIN * eps * math.sin(math.radians(declination_deg)) * math.cos(phase)


def field_rotation_arcsec_min(
    misalignment_arcmin: float,
    hour_angle_deg: float,
    axis_hour_angle_deg: float,
    declination_deg: float,
) -> float:
    """Return the rotation of the field about a guided star, omega eps cos(H - Hp)/cos(d)."""
    eps = math.radians(misalignment_arcmin / 60.0)
    phase = math.radians(hour_angle_deg - axis_hour_angle_deg)
    return SIDEREAL_ARCSEC_MIN * eps * math.cos(phase) / math.cos(math.radians(declination_deg))


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
    per_arcmin = SIDEREAL_ARCSEC_MIN * math.radians(1.0 / 60.0)
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


@dataclass(frozen=True)
class RaDirection:
    """Direction of right ascension in the image, axial.

    Parameters
    ----------
    angle_deg : float
        [0, 180), from +x toward +y.
    sigma_deg : float
    source : str
        "declared", "camera position angle", "drift with the drive off" or "periodic error".
    """

    angle_deg: float
    sigma_deg: float
    source: str


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


def ra_direction_from_drift(
    rate_arcsec_s: NDArray[np.float64], covariance_arcsec2_s2: NDArray[np.float64]
) -> RaDirection | None:
    """Return the direction of right ascension when the drive was off, else None.

    Parameters
    ----------
    rate_arcsec_s : ndarray, shape (2,)
    covariance_arcsec2_s2 : ndarray, shape (2, 2)
    """
    speed = float(np.hypot(*rate_arcsec_s))
    if speed < DRIVE_OFF_ARCSEC_S:
        return None
    across = np.array([-rate_arcsec_s[1], rate_arcsec_s[0]]) / speed
    sigma = math.degrees(math.sqrt(float(across @ covariance_arcsec2_s2 @ across)) / speed)
    angle = math.degrees(math.atan2(rate_arcsec_s[1], rate_arcsec_s[0])) % 180.0
    return RaDirection(angle, sigma, "drift with the drive off")
