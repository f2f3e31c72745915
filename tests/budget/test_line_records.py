"""Lines as records: every number with its interval."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.lines import FoundLine
from blursplit.spectra import AliasDecision
from blursplit.spectra.modes import LineFit


def _line(covariance, sigma, **how):
    angle, angle_sigma, ratio = LineFit.axes(covariance, sigma)
    fit = LineFit(
        frequency_hz=7.0,
        frequency_sigma=0.02,
        damping_ratio=0.01,
        damping_low=0.008,
        damping_high=0.013,
        kind="resonance",
        covariance=covariance,
        covariance_sigma=sigma,
        angle_deg=angle,
        angle_sigma_deg=angle_sigma,
        axis_ratio=ratio,
        false_alarm_probability=1e-4,
        band_hz=(6.8, 7.2),
        psd_model=np.zeros((10, 2, 2)),
        bin_hz=1.0,
    )
    found = FoundLine(fit, 0.99, AliasDecision(np.array([7.0]), np.ones(1), ()), steady_chance=0.2)
    found = replace(found, owner=how.pop("owner", "structure"))
    rng = np.random.default_rng(2)
    return found.to_result(exposure_s=0.01, in_arcsec=True, rng=rng, **how)


@pytest.mark.parametrize("angle_deg", [0.0, 35.0, 120.0])
def test_ellipse_has_its_axis_ratio_with_an_interval(angle_deg):
    turn = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    covariance = turn @ np.diag([0.04, 0.01]) @ turn.T
    # these errors are alike in every direction
    line = _line(covariance, 0.001 * np.array([[1.0, 0.5**0.5], [0.5**0.5, 1.0]]))
    assert_allclose(line.minor_over_major.value, 0.5, rtol=1e-9)
    # d(ratio)/ratio = half of the variances' relative errors, 1/10 and 1/40 together
    half = (line.minor_over_major.high - line.minor_over_major.low) / 2.0
    # 400 draws know a percentile to 7 % of the standard error
    assert_allclose(half, 0.5 * 0.5 * np.hypot(0.1, 0.025), rtol=0.2)
    assert line.steady_chance == 0.2


def test_straight_motion_has_a_limit_on_its_axis_ratio():
    line = _line(np.diag([0.04, 0.0005]), 0.001 * np.ones((2, 2)))
    assert line.minor_over_major.is_limit
    # variance across below 0.0005 + 1.645 x 0.001 with 95 %
    assert_allclose(line.minor_over_major.high, np.sqrt(0.00215 / 0.04), rtol=0.1)


def test_a_stated_lever_adds_the_motion_of_the_head():
    size = np.diag([0.01, 0.0005]), 1e-4 * np.ones((2, 2))
    plain, moved = _line(*size), _line(*size, lever_m=2.0)
    assert plain.head_displacement_um is None
    assert plain.vibration_class is None
    # arcsec to rad, 2 m, in micrometres
    assert_allclose(
        moved.head_displacement_um.value, moved.rms_arcsec.value * 2e6 / 206264.806, rtol=1e-6
    )
    assert_allclose(
        moved.head_velocity_um_s.value,
        2 * np.pi * 7.0 * moved.head_displacement_um.value,
        rtol=1e-12,
    )
    assert moved.vibration_class == "VC-A"
    assert _line(*size, lever_m=2.0, owner="tracking").head_displacement_um is None
