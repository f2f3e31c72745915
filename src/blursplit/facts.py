"""What the budget needs to know of telescope and sky, gathered from the rig."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.rig import Rig
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray


@dataclass(frozen=True)
class Optics:
    """What of telescope and sky the air's part depends on."""

    aperture_m: float
    obstruction: float
    wavelength_m: float
    outer_scale_m: tuple[float, float]
    wind_m_s: tuple[float, float]

    @property
    def unit_arcsec2(self) -> float:
        """lambda^2 D^(-1/3) in arcsec^2 m^(5/3): tilt variance is K times this times J."""
        scale = (self.wavelength_m * const.ARCSEC_PER_RADIAN) ** 2
        return scale * float(self.aperture_m ** (-1.0 / 3.0))


@dataclass(frozen=True)
class Facts:
    """Numbers the budget is computed with; None where nothing is known."""

    scale_arcsec: float | None  # pixel scale
    optics: Optics | None  # none without an aperture or a pixel scale
    airmass: float
    known_instrument_arcsec: float | None  # stated Gaussian-equivalent FWHM of optics and focus
    blur_time_s: float
    # False when the blur time is longer than the record: then nothing is extrapolated.
    within_record: bool
    is_long: bool  # frames of five seconds or more
    # (2, 2): covariance of the atmospheric dispersion in image axes [arcsec^2].
    dispersion: FloatArray
    dispersion_known: bool  # whether pass band, altitude and direction were all known
    # (position angle of +y, mirrored): where the sky lies in the image, from its WCS or the setup.
    north: tuple[float, bool] | None = None

    def position_angle_deg(self, angle_deg: FloatArray) -> FloatArray | None:
        """Return north-through-east angles of axial directions in the image, or None.

        East lies a quarter turn from north toward -x in an image that is not mirrored.
        """
        if self.north is None:
            return None
        position, mirrored = self.north
        turn = angle_deg - 90.0
        return np.asarray((position - turn if mirrored else position + turn) % 180.0)

    def r0_zenith_m(self, strength: FloatArray) -> FloatArray:
        """Return r0 at 500 nm and zenith [m] of r0^(-5/3) along the line of sight."""
        assert self.optics is not None  # noqa: S101 - there is no strength without an aperture
        with np.errstate(divide="ignore"):
            r0 = np.asarray(strength, dtype=np.float64) ** -0.6
        factor = (const.SEEING_WAVELENGTH_M / self.optics.wavelength_m) ** 1.2
        return np.asarray(r0 * factor * self.airmass**0.6)

    def seeing_arcsec(self, strength: FloatArray) -> FloatArray:
        """Return the seeing at 500 nm and zenith."""
        scale = const.SEEING_IN_LAMBDA_OVER_R0 * const.SEEING_WAVELENGTH_M * const.ARCSEC_PER_RADIAN
        return np.asarray(scale / self.r0_zenith_m(strength))

    @classmethod
    def of(cls, tracks: StarTracks, rig: Rig, blur_time_s: float | None) -> Facts:
        """Gather what the budget needs.

        Raises InputError when the blur time asked for is shorter than an exposure.
        """
        scale = rig.get("pixel_scale_arcsec")
        aperture = rig.get("aperture_m")
        exposure = tracks.exposure_s
        is_long = exposure is not None and exposure >= const.LONG_FRAME_S
        if blur_time_s is None:
            blur = min(tracks.longest_stretch_s, const.LONGEST_BLUR_TIME_S)
            blur = exposure if is_long and exposure is not None else blur
        else:
            blur = blur_time_s
            if exposure is not None and blur < exposure:
                problem = f"is shorter than the exposure of a frame ({exposure:g} s)"
                raise InputError(f"--blur-time {blur:g}", problem, "give a longer time")
        airmass = float(rig.get("airmass") or 1.0)
        optics = None
        if scale and aperture:
            outer_low_m, outer_high_m = map(float, rig.get("outer_scale_m"))
            slowest_m_s, fastest_m_s = map(float, rig.get("wind_m_s"))
            optics = Optics(
                aperture_m=float(aperture),
                obstruction=float(rig.get("obstruction") or 0.0),
                wavelength_m=float(rig.get("wavelength_nm")) * 1e-9,
                outer_scale_m=(outer_low_m, outer_high_m),
                wind_m_s=(slowest_m_s, fastest_m_s),
            )
        dispersion, known = _dispersion(rig, airmass)
        stated = rig.get("instrument_fwhm_arcsec")
        return cls(
            scale_arcsec=float(scale) if scale else None,
            optics=optics,
            airmass=airmass,
            known_instrument_arcsec=float(stated) if stated else None,
            blur_time_s=float(blur),
            within_record=bool(blur <= const.BLUR_WITHIN * tracks.duration_s),
            is_long=is_long,
            dispersion=dispersion,
            dispersion_known=known,
            north=_north(rig),
        )


def _north(rig: Rig) -> tuple[float, bool] | None:
    position = rig.get("position_angle_deg")
    return None if position is None else (float(position), bool(rig.get("flip")))


def _dispersion(rig: Rig, airmass: float) -> tuple[FloatArray, bool]:
    """Covariance of the dispersion in image axes; round where its direction is unknown.

    An unknown band gives nothing here: the free width of the optics takes it up, and the result
    warns of it.
    """
    from blursplit.turbulence.conversions import band_dispersion_arcsec

    band = rig.get("band_nm")
    altitude = rig.get("altitude_deg")
    if altitude is None:
        altitude = math.degrees(math.asin(1.0 / max(airmass, 1.0)))
    if band is None or altitude < const.LOWEST_DISPERSED_DEG:
        return np.zeros((2, 2)), False
    ends, height_m = (float(band[0]), float(band[1])), float(rig.get("height_m") or 0.0)
    rms = band_dispersion_arcsec(ends, float(altitude), height_m=height_m)
    vertical = _vertical_in_image_deg(rig)
    if vertical is None:
        return 0.5 * rms**2 * np.eye(2), True
    unit = np.array([np.cos(np.radians(vertical)), np.sin(np.radians(vertical))])
    return rms**2 * np.outer(unit, unit), True


def _vertical_in_image_deg(rig: Rig) -> float | None:
    """Direction of the zenith in the image, from +x toward +y; axial, so its sign is free."""
    parallactic = rig.get("parallactic_angle_deg")
    position = rig.get("position_angle_deg")
    if parallactic is None or position is None:
        return None
    turn = float(parallactic) - float(position)
    return 90.0 - turn if rig.get("flip") else 90.0 + turn
