"""Where right ascension lies in the image, how that is known, and what the polar axis shows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.estimate import Estimate, axial_estimate, estimate, upper_limit
from blursplit.result import PolarAxis, RightAscension

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.budget.drive_curve import DriveCurve
    from blursplit.rig import Instrument

    FloatArray = NDArray[np.float64]

# How well a stated direction is trusted (common practice, no source).
STATED_SIGMA_DEG = 1.0
# A bend of less than a turn is along the drive only if it is the drive's.
LEAST_TURNS = 1.0
CHI2_95 = 5.99  # two degrees of freedom


def stated_direction(instrument: Instrument) -> RightAscension | None:
    """Return the direction that setup or header state, the declared one first."""
    declared, position = instrument.get("ra_angle_deg"), instrument.get("position_angle_deg")
    if declared is not None:
        return _stated(float(declared) % 180.0, "declared")
    if position is None:
        return None
    from blursplit.drive.polar import ra_axis_from_position_angle

    angle = ra_axis_from_position_angle(float(position), is_mirrored=bool(instrument.get("flip")))
    return _stated(angle, "camera position angle")


def found_direction(
    instrument: Instrument, curves: Sequence[DriveCurve], rate_arcsec_s: FloatArray
) -> RightAscension | None:
    """Return the direction that the record itself shows, or None where it cannot tell.

    Parameters
    ----------
    instrument : Instrument
        For `mount_kind` and `drive`: only the drive of an equatorial mount moves the image along
        right ascension, and only one that is off lets the stars trail along it.
    curves : sequence of DriveCurve
    rate_arcsec_s : ndarray, shape (n, 2)
        Draws of the drift.
    """
    if instrument.get("drive") == "off":
        mean, covariance = rate_arcsec_s.mean(axis=0), np.cov(rate_arcsec_s.T)
        if mean @ np.linalg.solve(covariance + 1e-18 * np.eye(2), mean) < CHI2_95:
            return None
        angle = axial_estimate(np.degrees(np.arctan2(rate_arcsec_s[:, 1], rate_arcsec_s[:, 0])))
        return _found(angle, "drift with the drive off")
    if instrument.get("mount_kind") != "equatorial":
        return None
    shown = [c for c in curves if c.is_shown and c.record.turns_covered >= LEAST_TURNS]
    if not shown:
        return None
    best = max(shown, key=lambda curve: curve.gain)
    return _found(axial_estimate(best.error.angles_deg()), "periodic error")


def read_polar(
    instrument: Instrument,
    ra: RightAscension | None,
    rate_arcsec_s: FloatArray,
    rng: np.random.Generator,
) -> tuple[PolarAxis, str] | None:
    """Return what the drift across right ascension says of the polar axis, also in words.

    None for other mounts than equatorial ones, with a guide loop, with the drive off, or where
    the direction of right ascension is open: its own uncertainty, times the drift along it,
    enters the interval.
    """
    if instrument.get("mount_kind") != "equatorial" or instrument.get("guide_period_s"):
        return None
    if instrument.get("drive") == "off" or ra is None:
        return None
    from blursplit.drive.polar import read_polar_axis

    low, high = ra.angle_deg.low, ra.angle_deg.high
    assert ra.angle_deg.value is not None  # noqa: S101 - directions have all ends
    assert low is not None  # noqa: S101
    assert high is not None  # noqa: S101
    spread = 0.5 * (high - low) * rng.standard_normal(len(rate_arcsec_s))
    turn = np.radians(ra.angle_deg.value + spread)
    across = -rate_arcsec_s[:, 0] * np.sin(turn) + rate_arcsec_s[:, 1] * np.cos(turn)
    rate = 60.0 * across
    centre, sigma = float(np.median(rate)), float(np.std(rate))
    reading = read_polar_axis(centre, sigma)
    size = np.abs(centre) + sigma * rng.standard_normal(len(rate))
    per_arcmin = abs(centre) / reading.component_arcmin if reading.component_arcmin else 1.0
    if reading.low95_arcmin <= 0.0:
        drift = upper_limit(reading.high95_arcmin * per_arcmin)
        part = upper_limit(reading.high95_arcmin)
    else:
        drift = _positive(estimate(size))
        part = _positive(estimate(size / per_arcmin))
    return (
        PolarAxis(declination_drift_arcsec_per_min=drift, misalignment_at_least_arcmin=part),
        reading.text,
    )


def _positive(found: Estimate | None) -> Estimate:
    assert found is not None  # noqa: S101 - of draws
    return found


def _stated(
    angle_deg: float, origin: Literal["declared", "camera position angle"]
) -> RightAscension:
    ends = {
        name: angle_deg + k * STATED_SIGMA_DEG
        for name, k in (("low", -1.0), ("high", 1.0), ("low95", -2.0), ("high95", 2.0))
    }
    return RightAscension(angle_deg=Estimate(value=angle_deg, **ends), origin=origin)


def _found(
    angle: Estimate | None, origin: Literal["periodic error", "drift with the drive off"]
) -> RightAscension | None:
    return None if angle is None else RightAscension(angle_deg=angle, origin=origin)
