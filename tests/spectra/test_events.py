"""Events: found when, how large and of which kind; and none where nothing happened."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2, gamma

from blursplit.spectra import MotionEvents
from blursplit.spectra.events import _steady_threshold, fast_part

CADENCE_S = 0.02
N = 3000
TIME_S = np.arange(N) * CADENCE_S


def _ring(start_s, frequency_hz, damping, size):
    """Return a ring-down of a damped oscillator, shape (N,)."""
    since = np.clip(TIME_S - start_s, 0.0, None)
    omega = 2 * np.pi * frequency_hz
    return size * np.exp(-damping * omega * since) * np.sin(omega * since)


def _along(series, angle_rad=0.6):
    return np.outer(series, [np.cos(angle_rad), np.sin(angle_rad)])


def test_threshold_of_known_laws_is_their_quantile(rng):
    """The threshold is the law's own quantile for power along one axis and of a narrow mode."""
    # 1e5 draws know the median to 0.5 percent and the shape to about 0.01
    one_axis = rng.normal(size=100_000) ** 2
    assert_allclose(_steady_threshold(one_axis, 500.0, 0.01), chi2.isf(2e-5, 1), rtol=0.06)
    narrow = rng.exponential(size=100_000)
    assert_allclose(_steady_threshold(narrow, 500.0, 0.01), np.log(5e4), rtol=0.03)


def test_threshold_is_never_below_that_of_a_steeper_law(rng):
    """Power of many independent parts falls faster, so its own quantile is lower."""
    power = gamma(5.0).rvs(size=100_000, random_state=rng)
    assert _steady_threshold(power, 500.0, 0.01) > gamma(5.0).isf(2e-5)


def test_threshold_hardly_heeds_the_events(rng):
    """Power of a hundred times the usual in a tenth of the record raises it by under a third."""
    power = rng.exponential(size=50_000)
    loud = power.copy()
    loud[:5000] *= 100.0
    # the upper quartile moves to the 0.833 quantile: ln 6 / ln 4 = 1.29, the shape down with it
    assert 1.0 < _steady_threshold(loud, 500.0) / _steady_threshold(power, 500.0) < 1.8


def test_shock_footsteps_and_gust_are_told_apart(rng):
    """Shock, footsteps and gust are listed with time, length, frequency and kind."""
    motion = 0.05 * rng.normal(size=(N, 2))
    motion += _along(_ring(10.0, 8.0, 0.05, 2.0))
    for step in range(6):
        motion += _along(_ring(20.0 + 0.55 * step, 11.0, 0.05, 1.5))
    envelope = np.where((TIME_S > 40) & (TIME_S < 44), np.sin(np.pi * (TIME_S - 40) / 4) ** 2, 0.0)
    motion += _along(1.5 * envelope * np.sin(2 * np.pi * 3.0 * TIME_S))
    found = MotionEvents.find(TIME_S, motion, CADENCE_S)
    assert [event.kind for event in found.events] == ["shock", "shocks", "gust"]
    shock, steps, gust = found.events
    # a ring begins in the frame after its start
    assert_allclose([shock.start_s, steps.start_s], [10.0, 20.0], atol=1.5 * CADENCE_S)
    assert 2 <= steps.onsets <= 6
    # the last ring passes below 0.4 thresholds some tenths of a second after 22.75 s
    assert_allclose(steps.start_s + steps.duration_s, 23.1, atol=0.4)
    assert 40.0 < gust.start_s < 41.5
    assert_allclose(gust.start_s + 0.5 * gust.duration_s, 42.0, atol=0.4)
    # half a Fourier step of an event's length: 1/(2 x 0.5 s), 1/(2 x 3 s)
    assert_allclose([shock.frequency_hz, steps.frequency_hz], [8.0, 11.0], atol=1.0)
    assert_allclose(gust.frequency_hz, 3.0, atol=0.3)
    assert all(e.low_hz <= e.frequency_hz <= e.high_hz for e in found.events)
    assert found.affected.sum() == sum(event.frames for event in found.events)


def test_peak_is_within_its_error_of_the_truth():
    """Peaks of shocks scatter about the truth as their error says."""
    wrong = []
    for seed in range(60):
        rng = np.random.default_rng([4, seed])
        quiet = np.cumsum(rng.normal(size=(N, 2)), axis=0) * 0.01 + 0.05 * rng.normal(size=(N, 2))
        shock = _along(_ring(rng.uniform(10, 50), rng.uniform(5, 15), 0.05, 1.2), rng.uniform(0, 3))
        (event,) = MotionEvents.find(TIME_S, quiet + shock, CADENCE_S).events
        truth = np.sqrt((fast_part(shock, CADENCE_S, 1.0) ** 2).sum(axis=1)).max()
        wrong.append((event.peak - truth) / event.peak_error)
    # 60 draws: a mean knows its scatter of 1 to 0.13, a standard deviation to 0.09. The largest of
    # two or three swings is the one that the ordinary motion enlarged: up to 0.56 sigma for two
    # equal ones.
    assert -3 * 0.13 < np.mean(wrong) < 0.56 + 3 * 0.13
    assert_allclose(np.std(wrong), 0.9, atol=0.35)


def test_steady_resonance_makes_no_events(scenes):
    """A lightly damped mode that shakes all the time comes and goes, and is no event."""
    false = 0
    for seed in range(20):
        rng = np.random.default_rng([5, seed])
        mode = scenes.damped_mode(20_000, 40.0, 9.0, 0.015, rng)[::8]
        motion = np.outer(mode, [0.8, 0.6]) + 0.05 * rng.normal(size=(20_000, 2))
        false += bool(MotionEvents.find(np.arange(20_000) * 0.025, motion, 0.025).events)
    # at one percent a record, two or more in twenty have a probability of 0.017
    assert false <= 1


def test_air_alone_makes_no_events(scenes):
    """Air alone makes no events."""
    for index in range(24):
        motion = scenes.without_lines(1500, 50.0, index, np.random.default_rng(index))
        # none in 24 at one percent a record has a probability of 0.79, and one of 0.19
        assert MotionEvents.find(TIME_S[:1500], motion, CADENCE_S).events == ()


def test_slowly_changing_motion_is_judged_by_its_own_time(scenes):
    """Of an hour in which a mode grows and fades, the loud time has no event and the calm one may.

    The smallest peak is that of the loudest time; a shock of half of it in the calmest is found.
    """
    n, rate = 72_000, 20.0
    time = np.arange(n) / rate
    strength = 2.0 ** np.sin(2 * np.pi * time / 2400.0)
    since = np.clip(time - 1800.0, 0.0, None)
    shock = np.exp(-0.1 * 2 * np.pi * 4 * since) * np.sin(2 * np.pi * 4 * since)
    false, found = 0, 0
    for seed in range(5):
        rng = np.random.default_rng([7, 20 + seed])
        mode = scenes.damped_mode(n, rate, 6.0, 0.015, rng)[::8]
        motion = np.outer(mode * strength, [0.8, 0.6]) + 0.05 * rng.normal(size=(n, 2))
        quiet = MotionEvents.find(time, motion, 1 / rate)
        false += len(quiet.events)
        more = motion + np.outer(0.5 * quiet.smallest_peak * shock, [0.6, -0.8])
        found += len(MotionEvents.find(time, more, 1 / rate).events) - len(quiet.events)
    # at one percent an hour two of five have a probability of 0.001
    assert false <= 1
    assert found == 5


def test_what_is_said_to_be_seen_is_seen(scenes):
    """An oscillation of the smallest peak, a window long, is found; a third of it is not."""
    found = {1.1: 0, 0.33: 0}
    for index in range(20):
        rng = np.random.default_rng([6, index])
        motion = scenes.without_lines(1500, 50.0, index, rng)
        search = MotionEvents.find(TIME_S[:1500], motion, CADENCE_S)
        inside = (TIME_S >= 15.0) & (15.0 + 1.5 * search.window_s > TIME_S)
        burst = np.where(inside, np.sin(2 * np.pi * 12 * (TIME_S - 15.0)), 0.0)[:1500]
        for size in found:
            more = motion + _along(size * search.smallest_peak * burst)
            found[size] += bool(MotionEvents.find(TIME_S[:1500], more, CADENCE_S).events)
    # with the ordinary motion's own power of a tenth and 1.1^2, 1.3 thresholds are there; the
    # ordinary motion is with or against it by 0.2 of that
    assert found[1.1] >= 17
    assert found[0.33] == 0


@pytest.mark.parametrize(("turn", "scale"), [(0.0, 30.0), (1.1, 1.0), (2.5, 0.01)])
def test_events_turn_and_scale_with_the_motion(rng, turn, scale):
    """Events keep time and kind when the motion is turned or scaled; peaks scale with it."""
    motion = 0.1 * rng.normal(size=(N, 2)) + _along(_ring(30.0, 9.0, 0.04, 2.5))
    turned = motion @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    plain = MotionEvents.find(TIME_S, motion, CADENCE_S)
    other = MotionEvents.find(TIME_S, scale * turned + 5.0, CADENCE_S)
    for one, two in zip(plain.events, other.events, strict=True):
        assert (one.start_s, one.frames, one.kind) == (two.start_s, two.frames, two.kind)
        assert_allclose(two.peak, scale * one.peak, rtol=1e-9)
        assert_allclose(two.peak_error, scale * one.peak_error, rtol=1e-9)
    assert_allclose(other.smallest_peak, scale * plain.smallest_peak, rtol=1e-9)


def test_drift_changes_nothing(rng):
    """A drift of many arcsec a second makes no event and hides none."""
    motion = 0.05 * rng.normal(size=(N, 2)) + _along(_ring(30.0, 9.0, 0.04, 1.5))
    drift = np.outer(TIME_S, [4.0, -2.0])
    plain = MotionEvents.find(TIME_S, motion, CADENCE_S)
    drifting = MotionEvents.find(TIME_S, motion + drift, CADENCE_S)
    assert [e.start_s for e in drifting.events] == [e.start_s for e in plain.events]
    assert_allclose(drifting.events[0].peak, plain.events[0].peak, rtol=1e-6)


def test_share_of_the_power_is_that_of_the_event(rng):
    """The power in affected frames is the event's own beside the ordinary motion's."""
    shock = _along(_ring(30.0, 9.0, 0.04, 3.0))
    quiet = 0.05 * rng.normal(size=(N, 2))
    found = MotionEvents.find(TIME_S, quiet + shock, CADENCE_S)
    own = (fast_part(shock, CADENCE_S, 1.0) ** 2).sum()
    rest = (fast_part(quiet, CADENCE_S, 1.0) ** 2).sum()
    # an event is followed down to two fifths of the threshold: the last few percent are cut off
    assert_allclose(found.energy_affected / found.energy, own / (own + rest), atol=0.05)


def test_frames_that_were_filled_in_are_not_counted(rng):
    """Frames that were filled in are not counted."""
    motion = 0.05 * rng.normal(size=(N, 2)) + _along(_ring(30.0, 9.0, 0.04, 2.5))
    real = np.ones(N, dtype=bool)
    real[1510:1515] = False
    whole = MotionEvents.find(TIME_S, motion, CADENCE_S)
    partly = MotionEvents.find(TIME_S, motion, CADENCE_S, real=real)
    assert partly.events[0].frames == whole.events[0].frames - 5
    assert partly.affected.sum() == partly.events[0].frames


def test_still_records():
    """No motion has no events."""
    still = MotionEvents.find(TIME_S, np.zeros((N, 2)), CADENCE_S)
    assert still.events == ()
