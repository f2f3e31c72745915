"""Polar misalignment, direction of right ascension and worm periods."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import SIDEREAL_RATE_ARCSEC_S
from blursplit.drive.periodic_error import (
    declination_drift_arcsec_min,
    ra_axis_from_position_angle,
)
from blursplit.drive.terms import (
    declared_periods,
    worm_period_s,
)

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
    assert_allclose(worm_period_s(teeth), period, atol=0.0051)


def test_declared_periods_are_sorted_and_not_doubled():
    found = declared_periods([120.0, 478.7], [180, 144])
    assert [round(p.period_s, 1) for p in found] == [598.4, 478.7, 120.0]
    assert declared_periods(None, None) == ()


def test_drift_of_one_arcminute():
    # Table: maximum 0.26252 arcsec/min; at 45 degrees 0.18563.
    assert_allclose(abs(declination_drift_arcsec_min(1.0, 90.0, 0.0)), 0.26252, atol=5e-6)
    assert_allclose(abs(declination_drift_arcsec_min(1.0, 45.0, 0.0)), 0.18563, atol=5e-6)


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
    # Second order in eps: 1e-4 of the largest drift.
    assert_allclose(
        declination_drift_arcsec_min(1.0, hour, 20.0), velocity @ north * arcsec, atol=5e-5
    )


def test_a_tilted_base_costs_nothing_once_the_axis_is_at_the_pole():
    # Fact of the trade: the head need not be level. Whatever the base's tilt, some altitude and
    # azimuth of the mount put its axis on the pole, and then nothing drifts.
    pole = np.array([0.0, np.cos(np.radians(50.0)), np.sin(np.radians(50.0))])
    for tilt in np.radians([0.0, 2.0, 5.0]):
        base = np.array(
            [[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]]
        )
        local = base.T @ pole
        altitude, azimuth = np.arcsin(local[2]), np.arctan2(local[0], local[1])
        axis = base @ np.array(
            [
                np.cos(altitude) * np.sin(azimuth),
                np.cos(altitude) * np.cos(azimuth),
                np.sin(altitude),
            ]
        )
        off_arcmin = np.degrees(np.arccos(min(1.0, float(axis @ pole)))) * 60.0
        # arccos near 1 loses half the digits: 1e-8 rad is 5e-5 arcmin.
        assert abs(declination_drift_arcsec_min(off_arcmin, 90.0, 0.0)) < 1e-4


def test_right_ascension_from_position_angle_is_across_north():
    # North up, east left: right ascension lies along x.
    assert ra_axis_from_position_angle(0.0) == 0.0
    # +y points 30 degrees from north toward east. East is left of north (counter-clockwise) in a
    # direct image, so north lies 30 degrees clockwise of +y, and east at 150 degrees.
    assert_allclose(ra_axis_from_position_angle(30.0), 150.0)
    assert_allclose(ra_axis_from_position_angle(30.0, is_mirrored=True), 30.0)
