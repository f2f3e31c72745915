"""Ring-downs: closed forms, known taps, and silence where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.spectra import measure_ringdown
from blursplit.spectra.onsets import find_onsets
from blursplit.spectra.ringdown import (
    damping_of_decrement,
    decrement_of_damping,
    half_power_damping,
)
from blursplit.spectra.tap_result import TapResult, measure_taps

RATE = 100.0
N = 4000
TAPS_S = (6.013, 14.5, 23.27, 32.0)


def _ring(time, start, frequency, damping, amplitude):
    after = np.maximum(time - start, 0.0)
    omega = 2 * np.pi * frequency
    wave = np.exp(-damping * omega * after) * np.sin(omega * np.sqrt(1 - damping**2) * after)
    return amplitude * wave * (time >= start)


def _tapped(scenes, rng, modes, rms=0.3):
    time = np.arange(N) / RATE
    motion = scenes.air(
        N, RATE, rng, wind_m_s=8.0, outer_scale_m=25.0, aperture_m=0.2, gradient=False, rms=rms
    )
    motion = motion + 0.05 * rng.normal(size=(N, 2))
    for start in TAPS_S:
        for frequency, damping, amplitude, direction in modes:
            motion += np.outer(_ring(time, start, frequency, damping, amplitude), direction)
    return time, motion


@pytest.mark.parametrize(
    ("damping", "decrement", "ratio"), [(0.015, 0.094258, 0.91005), (0.005, 0.031416, 0.96907)]
)
def test_decrement_is_the_closed_form(damping, decrement, ratio):
    """Decrement is the closed form."""
    assert_allclose(decrement_of_damping(damping), decrement, rtol=1e-4)
    assert_allclose(np.exp(-decrement_of_damping(damping)), ratio, rtol=1e-4)
    assert_allclose(damping_of_decrement(decrement_of_damping(damping)), damping)


def test_half_power_bias_is_the_published_one():
    """Half power bias is the published one."""
    # zeta 0.05: f1, f2 = 0.94611, 1.04636 f0 and the peak at sqrt(1 - 2 zeta^2): +0.5 %
    found = half_power_damping(0.94611, 1.04636, np.sqrt(1 - 2 * 0.05**2))
    assert_allclose(found / 0.05, 1.005, atol=5e-4)


def test_taps_are_found_and_their_mode_measured(scenes, rng):
    """Taps are found and their mode measured."""
    time, motion = _tapped(scenes, rng, [(11.7, 0.015, 3.0, (0.8, 0.6))])
    found = measure_ringdown(time, motion, 1 / RATE, settle_amplitude=0.5, rng=rng)
    # the first frame of large displacement is within a quarter of a period of the tap
    assert_allclose([tap.time_s for tap in found.taps], TAPS_S, atol=0.05)
    mode = found.modes[0]
    # Fisher errors at this strength: 0.1 % in frequency, 4 % in damping a tap; four taps
    assert_allclose(mode.frequency_hz.value, 11.7, rtol=2e-3)
    assert_allclose(mode.damping_ratio.value, 0.015, rtol=0.1)
    assert mode.damping_ratio.low95 <= 0.015 <= mode.damping_ratio.high95
    assert_allclose(mode.half_power_damping, 0.015, rtol=0.35)
    assert mode.taps == 4
    # settling: ln(3/0.5)/(zeta w) = 1.625 s
    assert_allclose(found.settling_s.value, np.log(6.0) / (0.015 * 2 * np.pi * 11.7), rtol=0.1)
    assert_allclose(found.peak.value, 3.0, rtol=0.1)
    assert_allclose(found.taps[0].rings[0].angle_deg, np.rad2deg(np.arctan2(0.6, 0.8)), atol=5)


def test_two_modes_of_one_tap_are_told_apart(scenes, rng):
    """Two modes of one tap are told apart."""
    modes = [(11.7, 0.015, 3.0, (0.8, 0.6)), (6.3, 0.03, 2.0, (-0.6, 0.8))]
    time, motion = _tapped(scenes, rng, modes)
    found = measure_ringdown(time, motion, 1 / RATE, settle_amplitude=0.5, rng=rng)
    assert_allclose([m.frequency_hz.value for m in found.modes[:2]], [11.7, 6.3], rtol=0.01)
    assert_allclose([m.damping_ratio.value for m in found.modes[:2]], [0.015, 0.03], rtol=0.15)


def test_scale_changes_sizes_and_nothing_else(scenes, rng):
    """Scale changes sizes and nothing else."""
    time, motion = _tapped(scenes, rng, [(11.7, 0.015, 3.0, (0.8, 0.6))])
    in_px = measure_taps(time, motion, 1 / RATE)
    in_arcsec = measure_taps(time, motion / 1.5, 1 / RATE, pixel_scale_arcsec=1.5)
    assert in_px.settling_s is None
    assert "tap-no-scale" in {warning.code for warning in in_px.warnings}
    assert_allclose(in_arcsec.peak_arcsec.value, in_px.peak_px.value, rtol=1e-3)
    assert_allclose(in_arcsec.frequency_hz.value, in_px.frequency_hz.value, rtol=1e-4)
    assert in_arcsec.settling_s.low <= in_arcsec.settling_s.value <= in_arcsec.settling_s.high


def test_record_survives_its_file_format(scenes, rng):
    """Record survives its file format."""
    time, motion = _tapped(scenes, rng, [(11.7, 0.015, 3.0, (0.8, 0.6))])
    result = measure_taps(time, motion, 1 / RATE, pixel_scale_arcsec=1.0)
    assert TapResult.from_json(result.to_json()) == result
    assert '"schema": "blursplit-tap/1"' in result.to_json()
    assert result.cautions


def test_no_tap_gives_an_empty_record_and_says_so(scenes, rng):
    """No tap gives an empty record and says so."""
    _, motion = _tapped(scenes, rng, [])
    result = measure_taps(np.arange(N) / RATE, motion, 1 / RATE, pixel_scale_arcsec=1.0)
    assert result.taps == []
    assert result.settling_s is None
    assert {warning.code for warning in result.warnings} == {"tap-none"}


def test_air_alone_makes_no_onsets(scenes):
    """Air alone makes no onsets."""
    for index in range(24):
        rng = np.random.default_rng(index)
        motion = scenes.without_lines(1500, 50.0, index, rng)
        # every kind of air was measured to stay below 7.7 of the 10 needed
        assert find_onsets(motion, 0.02) == []
