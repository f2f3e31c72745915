"""Where right ascension lies, what a drift says of the polar axis, and the drive as a whole."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np

from blursplit import constants as const
from blursplit.drive.periodic_error import DriveCurve, drive_curves
from blursplit.drive.terms import DriveRecord, DriveTerm
from blursplit.estimate import Estimate, axial_estimate, from_draws, upper_limit
from blursplit.result import Facts, PhaseCurve, PolarAxis, Remark, RightAscension
from blursplit.rig import Rig
from blursplit.types import FloatArray

# 15.04107 arcsec/s over one minute of time, per radian of misalignment [arcsec/min].
SIDEREAL_ARCSEC_MIN = const.SIDEREAL_RATE_ARCSEC_S * 60.0


def declination_drift_arcsec_min(
    misalignment_arcmin: float, hour_angle_deg: float, axis_hour_angle_deg: float
) -> float:
    """Return the declination drift of a tracked star, -omega eps sin(H - Hp) [arcsec/min].

    `misalignment_arcmin`: angle between the polar axis and the pole. `hour_angle_deg`,
    `axis_hour_angle_deg`: of the star and of the point toward which the axis is off.

    Examples
    --------
    >>> round(declination_drift_arcsec_min(1.0, -90.0, 0.0), 5)
    0.26252
    """
    eps = math.radians(misalignment_arcmin / 60.0)
    phase = math.radians(hour_angle_deg - axis_hour_angle_deg)
    return -SIDEREAL_ARCSEC_MIN * eps * math.sin(phase)


def ra_axis_from_position_angle(position_angle_deg: float, *, is_mirrored: bool = False) -> float:
    """Return the axial direction of right ascension from the camera's position angle [deg].

    `position_angle_deg`: position angle, north through east, of the image's +y direction.
    `is_mirrored`: whether east lies to the right of north when +y is up and +x to the right.
    """
    return (position_angle_deg if is_mirrored else -position_angle_deg) % 180.0


# --- right ascension ------------------------------------------------------------------------------
def _stated_direction(rig: Rig) -> RightAscension | None:
    """Return the direction that setup or header state, the declared one first."""
    declared, position = rig.get("ra_angle_deg"), rig.get("position_angle_deg")
    if declared is not None:
        return _stated(float(declared) % 180.0, "declared")
    if position is None:
        return None
    angle = ra_axis_from_position_angle(float(position), is_mirrored=bool(rig.get("flip")))
    return _stated(angle, "camera position angle")


def _found_direction(
    rig: Rig, curves: Sequence[DriveCurve], rate_arcsec_s: FloatArray
) -> RightAscension | None:
    """Return the direction that the record itself shows, or None where it cannot tell.

    `rig`: for `mount_kind` and `drive`: only the drive of an equatorial mount moves the image along
    right ascension, and only one that is off lets the stars trail along it. `rate_arcsec_s` (n, 2):
    draws of the drift.
    """
    if rig.get("drive") == "off":
        mean, covariance = rate_arcsec_s.mean(axis=0), np.cov(rate_arcsec_s.T)
        if mean @ np.linalg.solve(covariance + 1e-18 * np.eye(2), mean) < const.DRIVE_CHI2_95:
            return None
        angle = axial_estimate(np.degrees(np.arctan2(rate_arcsec_s[:, 1], rate_arcsec_s[:, 0])))
        return _found(angle, "drift with the drive off")
    if rig.get("mount_kind") != "equatorial":
        return None
    shown = [c for c in curves if c.is_shown and c.record.turns_covered >= const.DRIVE_LEAST_TURNS]
    if not shown:
        return None
    best = max(shown, key=lambda curve: curve.gain)
    return _found(axial_estimate(best.error.angles_deg()), "periodic error")


def _read_polar(
    rig: Rig,
    ra: RightAscension | None,
    rate_arcsec_s: FloatArray,
    rng: np.random.Generator,
) -> tuple[PolarAxis, Remark] | None:
    """Return what the drift across right ascension says of the polar axis, also as a remark.

    None for other mounts than equatorial ones, with a guide loop, with the drive off, or where
    the direction of right ascension is open: its own uncertainty, times the drift along it,
    enters the interval.
    """
    if rig.get("mount_kind") != "equatorial" or rig.get("guide_period_s"):
        return None
    if rig.get("drive") == "off" or ra is None:
        return None
    low, high = ra.angle_deg.low, ra.angle_deg.high
    assert ra.angle_deg.value is not None  # noqa: S101 - directions have all ends
    assert low is not None  # noqa: S101
    assert high is not None  # noqa: S101
    spread = 0.5 * (high - low) * rng.standard_normal(len(rate_arcsec_s))
    turn = np.radians(ra.angle_deg.value + spread)
    across = -rate_arcsec_s[:, 0] * np.sin(turn) + rate_arcsec_s[:, 1] * np.cos(turn)
    rate = 60.0 * across
    # The sign does not matter: which way is north needs the camera's parity.
    centre, sigma = abs(float(np.median(rate))), float(np.std(rate))
    size = centre + sigma * rng.standard_normal(len(rate))
    per_arcmin = declination_drift_arcsec_min(1.0, -90.0, 0.0)
    low, high = centre - const.Z95 * sigma, centre + const.Z95 * sigma
    if low <= 0.0:
        drift, part = upper_limit(high), upper_limit(high / per_arcmin)
        told = Remark(code="polar-axis-below", facts={"high_arcmin": high / per_arcmin})
    else:
        drift, part = from_draws(size), from_draws(size / per_arcmin)
        ends = {"low_arcmin": low, "size_arcmin": centre, "sigma_arcmin": sigma}
        facts: Facts = {name: end / per_arcmin for name, end in ends.items()}
        told = Remark(code="polar-axis-off", facts=facts)
    polar = PolarAxis(declination_drift_arcsec_per_min=drift, misalignment_at_least_arcmin=part)
    return polar, told


def _stated(
    angle_deg: float, origin: Literal["declared", "camera position angle"]
) -> RightAscension:
    ends = {
        name: angle_deg + k * const.DRIVE_STATED_SIGMA_DEG
        for name, k in (("low", -1.0), ("high", 1.0), ("low95", -2.0), ("high95", 2.0))
    }
    return RightAscension(angle_deg=Estimate(value=angle_deg, **ends), origin=origin)


def _found(
    angle: Estimate | None, origin: Literal["periodic error", "drift with the drive off"]
) -> RightAscension | None:
    return None if angle is None else RightAscension(angle_deg=angle, origin=origin)


# --- the drive as a whole -------------------------------------------------------------------------
def read_drive(
    rig: Rig,
    record: DriveRecord,
    terms: Sequence[DriveTerm],
    rng: np.random.Generator,
    rate_arcsec_s: FloatArray | None = None,
) -> tuple[dict[str, Any], list[Remark]]:
    """Return what goes into the result's tracking, and remarks on it.

    `rig`: for periods, the kind of mount, guiding and the direction of right ascension.
    `rate_arcsec_s` (n, 2): draws of the drift; from the record where there was no split.
    """
    is_equatorial = rig.get("mount_kind") != "altazimuth"
    ra = _stated_direction(rig) if is_equatorial else None
    angle = None if ra is None else ra.angle_deg.value
    curves = drive_curves(record, terms, rng, angle)
    wanted = rig.get("mount_kind") == "equatorial" or rig.get("drive") == "off"
    notes = [_size_note(curve.record) for curve in curves]
    if rig.get("guide_period_s") and curves:
        notes.append(Remark(code="drive-guided"))
    found: dict[str, Any] = {"phase_curves": [curve.record for curve in curves]}
    if not wanted:
        return found | {"right_ascension": ra}, notes
    if rate_arcsec_s is None:
        rate_arcsec_s = record.draw_rate(terms, rng)
    if ra is None and is_equatorial:
        ra = _found_direction(rig, curves, rate_arcsec_s)
    notes.append(_direction_note(ra))
    polar = _read_polar(rig, ra, rate_arcsec_s, rng)
    if polar is not None:
        found["polar"] = polar[0]
        notes.append(polar[1])
    return found | {"right_ascension": ra}, notes


def _size_note(curve: PhaseCurve) -> Remark:
    size = curve.peak_to_peak_arcsec
    facts: Facts = {"name": curve.name}
    if size is None:
        return Remark(code="drive-error-open", facts=facts)
    if size.value is None:
        return Remark(code="drive-error-below", facts=facts | {"limit_arcsec": size.high})
    ends = {"size_arcsec": size.value, "low_arcsec": size.low95, "high_arcsec": size.high95}
    turns = curve.turns_covered if curve.turns_covered < 1.0 else None
    return Remark(code="drive-error", facts={**facts, **ends, "turns": turns})


def _direction_note(ra: RightAscension | None) -> Remark:
    if ra is None:
        return Remark(code="right-ascension-open")
    angle = ra.angle_deg
    assert angle.low is not None  # noqa: S101 - directions have all ends
    assert angle.high is not None  # noqa: S101
    half = 0.5 * (angle.high - angle.low)
    facts: Facts = {"angle_deg": angle.value, "half_deg": half, "origin": ra.origin}
    return Remark(code="right-ascension", facts=facts)
