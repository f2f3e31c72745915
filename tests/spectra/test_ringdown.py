"""Ring-downs: closed forms, known taps, and silence where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.motion import CommonMotion
from blursplit.report.words import text_of
from blursplit.spectra.events import MotionEvents
from blursplit.spectra.ringdown import Interval
from blursplit.spectra.tap_result import TapResult, TapSequence, _mean_of
from blursplit.stars.tracks import StarTracks

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


def test_taps_are_found_and_their_mode_measured(scenes, rng):
    """Taps are found and their mode measured."""
    time, motion = _tapped(scenes, rng, [(11.7, 0.015, 3.0, (0.8, 0.6))])
    found = TapResult.of(time, motion, 1 / RATE, pixel_scale_arcsec=1.0, settle_arcsec=0.5)
    # the first frame of large displacement is within a quarter of a period of the tap
    assert_allclose([tap.start_s for tap in found.taps], TAPS_S, atol=0.05)
    mode = found.modes[0]
    # Fisher errors at this strength: 0.1 % in frequency, 4 % in damping a tap; four taps
    assert_allclose(mode.frequency_hz.value, 11.7, rtol=2e-3)
    assert_allclose(mode.damping_ratio.value, 0.015, rtol=0.1)
    assert mode.damping_ratio.low95 <= 0.015 <= mode.damping_ratio.high95
    assert_allclose(mode.half_power_damping_ratio, 0.015, rtol=0.35)
    assert mode.taps == 4
    # settling: ln(3/0.5)/(zeta w) = 1.625 s
    assert_allclose(found.settling_s.value, np.log(6.0) / (0.015 * 2 * np.pi * 11.7), rtol=0.1)
    assert_allclose(found.peak_px.value, 3.0, rtol=0.1)
    zeta = mode.damping_ratio.value
    # of two displacements a turn apart: 0.094258 for a damping ratio of 0.015
    closed = 0.094258 / 0.015 * zeta
    assert_allclose(mode.log_decrement, closed, rtol=1e-4)
    assert_allclose(found.taps[0].modes[0].angle_deg, np.rad2deg(np.arctan2(0.6, 0.8)), atol=5)


def test_two_modes_of_one_tap_are_told_apart(scenes, rng):
    """Two modes of one tap are told apart."""
    modes = [(11.7, 0.015, 3.0, (0.8, 0.6)), (6.3, 0.03, 2.0, (-0.6, 0.8))]
    time, motion = _tapped(scenes, rng, modes)
    found = TapResult.of(time, motion, 1 / RATE, pixel_scale_arcsec=1.0, settle_arcsec=0.5)
    assert_allclose([m.frequency_hz.value for m in found.modes[:2]], [11.7, 6.3], rtol=0.01)
    assert_allclose([m.damping_ratio.value for m in found.modes[:2]], [0.015, 0.03], rtol=0.15)


def test_scale_changes_sizes_and_nothing_else(scenes, rng):
    """Scale changes sizes and nothing else."""
    time, motion = _tapped(scenes, rng, [(11.7, 0.015, 3.0, (0.8, 0.6))])
    in_px = TapResult.of(time, motion, 1 / RATE)
    in_arcsec = TapResult.of(time, motion / 1.5, 1 / RATE, pixel_scale_arcsec=1.5)
    assert in_px.settling_s is None
    assert "tap-no-scale" in {warning.code for warning in in_px.warnings}
    assert_allclose(in_arcsec.peak_arcsec.value, in_px.peak_px.value, rtol=1e-3)
    assert_allclose(in_arcsec.frequency_hz.value, in_px.frequency_hz.value, rtol=1e-4)
    assert in_arcsec.settling_s.low <= in_arcsec.settling_s.value <= in_arcsec.settling_s.high


def test_record_survives_its_file_format(scenes, rng):
    """Record survives its file format."""
    time, motion = _tapped(scenes, rng, [(11.7, 0.015, 3.0, (0.8, 0.6))])
    result = TapResult.of(time, motion, 1 / RATE, pixel_scale_arcsec=1.0)
    assert TapResult.from_json(result.to_json()) == result
    assert '"schema": "blursplit-tap/1"' in result.to_json()
    assert result.cautions


def _air(scenes, rng, n=N):
    motion = scenes.air(
        n, RATE, rng, wind_m_s=8.0, outer_scale_m=25.0, aperture_m=0.2, gradient=False, rms=0.3
    )
    return motion + 0.05 * rng.normal(size=(n, 2))


def _after(scenes, seed, starts, *, mode=(11.7, 0.015, 3.0), most=np.inf):
    """Return what is measured of rings that begin at these times, displacement cut at `most`."""
    rng = np.random.default_rng(seed)
    time = np.arange(N) / RATE
    ring = sum(_ring(time, start, *mode) for start in starts)
    motion = np.clip(_air(scenes, rng) + np.outer(ring, (0.8, 0.6)), -most, most)
    return TapResult.of(time, motion, 1 / RATE, pixel_scale_arcsec=1.0)


def _codes(result):
    return {warning.code for warning in result.warnings}


def _damping(results):
    return np.median([result.damping_ratio.value for result in results])


def test_one_tap_is_measured_and_said_to_be_one(scenes):
    """One tap is measured and said to be one."""
    results = [_after(scenes, seed, [12.0]) for seed in range(6)]
    # 5 % a tap (its stated error), median of six: 2.6 %
    assert_allclose(_damping(results), 0.015, rtol=0.08)
    assert all("tap-single" in _codes(result) for result in results)


@pytest.mark.parametrize("apart_s", [0.25, 0.6])
def test_tap_on_a_tap_does_not_pass_for_a_slower_decay(scenes, apart_s):
    """Fitted as one decay, two taps 0.25 s apart come out at 0.0102 +- 0.0003."""
    results = [_after(scenes, seed, [12.0, 12.0 + apart_s]) for seed in range(6)]
    # 6 % a tap from the later start on, median of six: 3 %
    assert_allclose(_damping(results), 0.015, rtol=0.1)
    told = [len(result.taps) > 1 or "tap-not-free" in _codes(result) for result in results]
    assert np.mean(told) >= 0.5
    late = [tap for result in results for tap in result.taps if tap.free_after_s > 0]
    assert all(tap.settling_s is None or tap.settling_s.value > tap.free_after_s for tap in late)


def test_motion_that_is_cut_off_is_fitted_where_it_is_whole(scenes):
    """Cut at 1.2 of 3 arcsec, the whole comes out at 0.0125 +- 0.0006, with a third harmonic."""
    results = [_after(scenes, seed, [12.0, 22.0], most=1.2) for seed in range(6)]
    # 9 % a tap of what is left below 1.2, twelve of them: 3 %
    assert_allclose(_damping(results), 0.015, rtol=0.1)
    assert all("tap-not-free" in _codes(result) for result in results)


def test_single_free_decays_are_seldom_fitted_late(scenes):
    """Single free decays are seldom fitted late."""
    taps = [tap for seed in range(8) for tap in _after(scenes, seed, [6.0, 16.0, 26.0]).taps]
    late = np.mean([tap.free_after_s > 0 for tap in taps])
    # measured: 0.05 to 0.1 of them; three sigmas of 24 draws above 0.1
    assert late < 0.1 + 3 * np.sqrt(0.1 * 0.9 / 24)


def test_tap_near_the_end_is_measured_and_one_at_the_end_is_left_out(scenes):
    """A decay time is 0.9 s: 1.5 s are enough, 0.2 s are not looked at."""
    near = _after(scenes, 4, [38.5])
    assert len(near.taps) == 1
    assert near.damping_ratio.low95 <= 0.015 <= near.damping_ratio.high95
    assert _codes(_after(scenes, 4, [39.8])) == {"tap-none"}


def test_taps_of_one_broad_mode_are_one_mode(scenes):
    """At a damping ratio of 0.1 the frequency scatters by 2 %, and stays that of one mode."""
    results = [_after(scenes, seed, TAPS_S, mode=(25.0, 0.1, 3.0)) for seed in range(6)]
    # now and then a tap shows nothing, or one apart; never two modes of two taps each
    assert all(result.modes[0].taps >= 3 for result in results)
    # 9 % stated, six records: 4 %
    decays = [result.decay_s.value for result in results]
    assert_allclose(np.median(decays), 1.0 / (2 * np.pi * 25.0 * 0.1), rtol=0.11)
    # a mode of 75 Hz and 0.033 would look the same
    assert all(result.damping_ratio.value is None for result in results)
    assert all(result.damping_ratio.high > 0.1 for result in results)
    assert all("tap-fold-open" in _codes(result) for result in results)


def test_damping_ratio_goes_with_the_frequency_that_is_meant(scenes):
    """61 Hz at 100 frames/s shows at 39 Hz; what decays within a second is the same."""
    result = _after(scenes, 3, TAPS_S, mode=(61.0, 0.01, 3.0))
    (mode,) = result.modes
    ratios = dict(zip(mode.alias_candidates_hz, mode.alias_damping_ratios, strict=True))
    assert_allclose(mode.frequency_hz.value, 39.0, rtol=2e-3)
    true = min(ratios, key=lambda hz: abs(hz - 61.0))
    # 2 % a tap, four taps
    assert_allclose(ratios[true], 0.01, rtol=0.04)
    assert_allclose(mode.damping_ratio.value, 0.01 * 61 / 39, rtol=0.04)
    # without an exposure nothing but the prior parts 39 from 61 Hz: the interval holds either
    assert "tap-fold-open" in _codes(result)
    assert mode.damping_ratio.low <= 0.01
    assert mode.damping_ratio.high95 >= 0.0156


@pytest.mark.parametrize("true_hz", [39.0, 61.0])
def test_widths_tell_what_a_frame_rate_folds(scenes, true_hz):
    """At 100 frames/s both show at 39 Hz; within 10 ms the faster one smears the stars more."""
    rng = np.random.default_rng(31)
    fine = np.arange(-4, 8 * N) / (8 * RATE)
    swing = sum(_ring(fine, start, true_hz, 0.39 / true_hz, 3.0) for start in TAPS_S)
    held = np.lib.stride_tricks.sliding_window_view(swing, 8)[::8][:N]
    motion = _air(scenes, rng) + np.outer(held.mean(axis=1), (0.8, 0.6))
    # stars of 2.5 arcsec whose widths scatter by an eighth; half of the variance is an axis' share
    width = 1.06 * np.exp(0.125 * rng.normal(size=N))
    width = np.sqrt(width**2 + 0.5 * held.var(axis=1))
    about = TapSequence(
        frames=N,
        frames_used=N,
        stars_used=1,
        frame_exposure_s=0.01,
        cadence_s=0.01,
        duration_s=N / RATE,
        nyquist_hz=RATE / 2,
    )
    found = TapResult.of(
        np.arange(N) / RATE,
        motion,
        0.01,
        pixel_scale_arcsec=1.0,
        sequence=about,
        width_px=width,
    )
    assert_allclose(found.frequency_hz.value, true_hz, rtol=2e-3)
    assert "tap-fold-open" not in _codes(found)
    assert found.damping_ratio.low95 <= 0.39 / true_hz <= found.damping_ratio.high95


def test_what_one_tap_of_several_shows_is_not_stated(scenes):
    """A second mode after the third tap alone; then another mode after each tap."""
    rng = np.random.default_rng(12)
    time = np.arange(N) / RATE
    ring = sum(_ring(time, start, 11.7, 0.015, 3.0) for start in TAPS_S)
    once = _ring(time, TAPS_S[2], 23.0, 0.01, 2.0)
    motion = _air(scenes, rng)
    found = TapResult.of(
        time, motion + np.outer(ring + once, (0.8, 0.6)), 0.01, pixel_scale_arcsec=1.0
    )
    assert [round(mode.frequency_hz.value, 1) for mode in found.modes] == [11.7]
    assert len(found.taps[2].modes) == 2
    each = sum(_ring(time, s, f, 0.015, 3.0) for s, f in zip(TAPS_S, (7, 9, 12, 16), strict=True))
    found = TapResult.of(time, motion + np.outer(each, (0.8, 0.6)), 0.01, pixel_scale_arcsec=1.0)
    assert found.modes == []
    assert found.settling_s is None
    assert "tap-not-repeated" in _codes(found)


def test_slow_ring_is_no_fold(scenes):
    """A fold of 6 Hz at 100 frames/s would have 94 Hz and a damping ratio of 0.001."""
    result = _after(scenes, 3, TAPS_S, mode=(6.0, 0.015, 6.0))
    assert "tap-fold-open" not in _codes(result)
    assert_allclose(result.damping_ratio.low95, 0.015, rtol=0.2)


def test_tap_that_outweighs_all_others_has_a_finite_mean():
    """The variance between taps divides by a difference that rounding must not make zero."""
    parts = [Interval(v - 2 * s, v - s, v, v + s, v + 2 * s) for v, s in ((1.0, 0.0), (2.0, 5.0))]
    assert_allclose(_mean_of(parts).value, 1.0, rtol=1e-6)


def test_half_power_width_of_a_clean_ring_is_its_damping():
    """The width of the decay's own spectrum, noise aside: 2 zeta f (Blevins 1979, from memory)."""
    time = np.arange(N) / RATE
    quiet = 1e-3 * np.random.default_rng(5).normal(size=(N, 2))
    motion = quiet + np.outer(_ring(time, 12.0, 11.7, 0.015, 3.0), (0.8, 0.6))
    (mode,) = TapResult.of(time, motion, 1 / RATE, pixel_scale_arcsec=1.0).modes
    # cut at six decay times: the cut adds a ripple of e^-6 of the peak's amplitude; the two flanks
    # differ by the order of zeta^2
    assert_allclose(mode.half_power_damping_ratio, 0.015, rtol=0.01)


def test_rolling_shutter_leaves_a_slow_ring_as_it_is():
    """Eight stars read within 12 ms; 11.7 Hz turns by 0.9 rad in that, and the mean loses 3 %."""
    rng = np.random.default_rng(6)
    rate, n = 60.0, 2400
    time = np.arange(n) / rate
    x0, y0 = rng.uniform(20, 600, 8), np.linspace(10, 470, 8)
    read = 25e-6 * y0
    at = time[:, None] + read
    move = sum(_ring(at, start, 11.7, 0.015, 3.0) for start in (6.0, 16.0, 26.0))
    shape = (n, 8)
    tracks = StarTracks(
        time_s=time,
        segment=np.zeros(n, dtype=np.int64),
        row_time_s=np.broadcast_to(read, shape).copy(),
        x_px=x0 + 0.8 * move + 0.1 * rng.normal(size=shape),
        y_px=y0 + 0.6 * move + 0.1 * rng.normal(size=shape),
        sigma_px=np.full(shape, 0.1),
        flux_adu=np.full(shape, 1e5),
        width_px=np.full(shape, 1.5),
        e1=np.zeros(shape),
        e2=np.zeros(shape),
        peak_adu=np.full(shape, 1e4),
        good=np.ones(shape, dtype=bool),
        exposure_s=0.004,
        cadence_s=1 / rate,
        frame=np.arange(n),
    )
    common = CommonMotion.of(tracks)
    motion = np.stack([common.x_px, common.y_px], axis=1)
    result = TapResult.of(time, motion, 1 / rate, pixel_scale_arcsec=1.0)
    assert_allclose(result.frequency_hz.value, 11.7, rtol=2e-3)
    assert result.damping_ratio.low95 <= 0.015 <= result.damping_ratio.high95
    kept = abs(np.mean(np.exp(2j * np.pi * 11.7 * (read - read.mean()))))
    assert 0.95 < kept < 0.98
    # noise of 0.1/sqrt(8) px: 0.3 % of the peak; the largest displacement follows the tap by a
    # quarter of a period, in which 2 % decay
    assert_allclose(result.peak_arcsec.value, 3.0 * kept, rtol=0.03)


def test_no_tap_gives_an_empty_record_and_says_so(scenes, rng):
    """No tap gives an empty record and says so."""
    _, motion = _tapped(scenes, rng, [])
    result = TapResult.of(np.arange(N) / RATE, motion, 1 / RATE, pixel_scale_arcsec=1.0)
    assert result.taps == []
    assert result.settling_s is None
    assert {warning.code for warning in result.warnings} == {"tap-none"}


def test_air_alone_makes_no_onsets(scenes):
    """Air alone makes no onsets."""
    for index in range(24):
        rng = np.random.default_rng(index)
        motion = scenes.without_lines(1500, 50.0, index, rng)
        # every kind of air was measured to stay below 7.7 of the 10 needed
        assert MotionEvents.onsets(motion, 0.02) == []


def test_taps_are_found_in_every_stretch_and_jumps_bring_no_call_for_force(scenes):
    """A jump of the field between two taps; then air with a jump and no tap."""
    rng = np.random.default_rng(8)
    time = np.arange(N) / RATE
    segment = (time > 18.0).astype(np.int64)
    quiet = _air(scenes, rng)
    ring = sum(_ring(time, start, 11.7, 0.015, 3.0) for start in (6.0, 26.0))
    found = TapResult.of(
        time, quiet + np.outer(ring, (0.8, 0.6)), 0.01, segment=segment, pixel_scale_arcsec=1.0
    )
    assert [round(tap.start_s) for tap in found.taps] == [6, 26]
    none = TapResult.of(time, quiet, 0.01, segment=segment, pixel_scale_arcsec=1.0)
    assert [warning.code for warning in none.warnings] == ["tap-none"]
    assert "firm" not in text_of(none.warnings[0])
    assert "2 stretches" in text_of(none.warnings[0])


def test_a_frequency_that_follows_the_size_is_one_mode_and_a_result(scenes):
    """2 % higher at 4 arcsec than at rest, as joints that open do; two modes without a bend."""
    rng = np.random.default_rng(9)
    time = np.arange(N) / RATE
    late = np.maximum(time - 12.0, 0.0)
    rate = 0.012 * 2 * np.pi * 7.8
    turn = 2 * np.pi * 7.8 * (late + 0.02 * (1.0 - np.exp(-rate * late)) / rate)
    ring = np.where(time >= 12.0, 4.0 * np.exp(-rate * late) * np.sin(turn), 0.0)
    motion = 0.3 * _air(scenes, rng) + np.outer(ring, (0.8, 0.6))
    found = TapResult.of(time, motion, 0.01, pixel_scale_arcsec=1.0)
    (mode,) = found.modes
    assert mode.frequency_rise.low95 < 0.02 < mode.frequency_rise.high95
    assert mode.frequency_rise.low95 > 0.0
    assert_allclose(mode.frequency_hz.value, 7.8, rtol=0.003)
    assert "tap-frequency-bends" in _codes(found)


def test_settling_from_a_reference_does_not_ask_how_hard_the_tap_was(scenes):
    """From 5 to 0.5 arcsec: ln(10) decay times of 0.907 s, whatever the tap."""
    times = [
        _after(scenes, 5, [8.0, 20.0], mode=(11.7, 0.015, size)).settling_from_reference_s
        for size in (2.5, 10.0)
    ]
    for found in times:
        assert found.low95 <= np.log(10.0) / (2 * np.pi * 11.7 * 0.015) <= found.high95
