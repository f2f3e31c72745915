"""Polar misalignment, direction of right ascension and worm periods."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import SIDEREAL_RATE_ARCSEC_S
from blursplit.drive.periodic_error import DRIFT_PER_ARCMIN, _stated_direction
from blursplit.drive.terms import DriveTerm, _worm_period_s

# 86164.0905 s / teeth, two printed decimals.
TABLE = {
    100: 861.64, 120: 718.03, 130: 662.80, 135: 638.25, 144: 598.36, 150: 574.43, 180: 478.69,
    192: 448.77, 200: 430.82, 216: 398.91, 240: 359.02, 250: 344.66, 288: 299.18, 300: 287.21,
    315: 273.54, 359: 240.01, 360: 239.34,
}  # fmt: skip


def test_sidereal_rate():
    assert_allclose(SIDEREAL_RATE_ARCSEC_S, 15.04107, atol=5e-6)


@pytest.mark.parametrize(("teeth", "period"), TABLE.items())
def test_worm_periods_of_the_table(teeth: int, period: float):
    assert_allclose(_worm_period_s(teeth), period, atol=0.0051)


def test_declared_periods_are_sorted_and_not_doubled():
    found = DriveTerm.declared_periods([120.0, 478.7], [180, 144])
    assert [round(period_s, 1) for _, period_s in found] == [598.4, 478.7, 120.0]
    assert DriveTerm.declared_periods(None, None) == []


def test_drift_of_one_arcminute():
    assert_allclose(DRIFT_PER_ARCMIN, 0.26252, atol=5e-6)  # the table's maximum


@pytest.mark.parametrize("hour", [-60.0, 10.0, 75.0])
@pytest.mark.parametrize("declination", [-20.0, 35.0, 70.0])
def test_drift_matches_rotation_matrices(hour: float, declination: float):
    # Independent route: a star turns about the pole, the mount about an axis 1 arcmin from it.
    # Hour angle grows westward; x toward hour angle 0, y toward hour angle +90 (west).
    eps, toward = np.radians(1 / 60), np.radians(20.0)
    h, d = np.radians(hour), np.radians(declination)
    star = np.array([np.cos(d) * np.cos(h), np.cos(d) * np.sin(h), np.sin(d)])
    axis = np.array([np.sin(eps) * np.cos(toward), np.sin(eps) * np.sin(toward), np.cos(eps)])
    omega = np.radians(SIDEREAL_RATE_ARCSEC_S * 60.0 / 3600.0)
    velocity = omega * np.cross(np.array([0.0, 0.0, 1.0]) - axis, star)
    north = np.array([-np.sin(d) * np.cos(h), -np.sin(d) * np.sin(h), np.cos(d)])
    arcsec = 206264.806
    expected = -DRIFT_PER_ARCMIN * np.sin(np.radians(hour - 20.0))
    # Second order in eps: 1e-4 of the largest drift.
    assert_allclose(velocity @ north * arcsec, expected, atol=5e-5)


@pytest.mark.parametrize(
    ("position_deg", "mirrored", "angle_deg"),
    [
        (0.0, False, 0.0),  # north up, east left: right ascension lies along x
        # +y points 30 degrees from north toward east. East is left of north (counter-clockwise) in
        # a direct image, so north lies 30 degrees clockwise of +y, and east at 150 degrees.
        (30.0, False, 150.0),
        (30.0, True, 30.0),
    ],
)
def test_right_ascension_from_position_angle_is_across_north(position_deg, mirrored, angle_deg):
    told = SimpleNamespace(get={"position_angle_deg": position_deg, "flip": mirrored}.get)
    found = _stated_direction(told)
    assert found.origin == "camera position angle"
    assert_allclose(found.angle_deg.value, angle_deg)
