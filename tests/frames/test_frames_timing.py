"""The grid under software stamps, and the stamps themselves where the camera made them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from blursplit.frames.timing import Timing, _fit_grid


def with_losses(count, lost):
    """Frame numbers of `count` frames of which some were lost."""
    return np.setdiff1d(np.arange(count), lost)


@pytest.mark.parametrize("jitter", [0.0, 0.03, 0.1])
def test_dropped_frames_are_stepped_over(jitter):
    rng = np.random.default_rng(1)
    lost = rng.choice(np.arange(5, 1490), 45, replace=False)  # 3 percent
    number = with_losses(1500, lost)
    stamps = np.sort(number * 0.02 + rng.normal(0, jitter * 0.02, number.size))
    timing = Timing.of(stamps, 1e-6)
    assert timing.kind == "regular"
    assert timing.missing == 45
    assert_allclose(timing.time_s, number * timing.cadence_s, atol=1e-9)
    # slope of 1455 stamps over 30 s: sigma(dt)/dt = jitter * sqrt(12) / N^1.5, five of them
    assert_allclose(timing.cadence_s, 0.02, rtol=max(5 * jitter * 3.5 / 1455**1.5, 1e-9))


def test_late_stamps_are_not_dropped_frames():
    rng = np.random.default_rng(2)
    stamps = np.arange(600) * 0.01
    late = rng.choice(600, 60, replace=False)
    stamps[late] += rng.uniform(0.003, 0.0085, 60)  # a busy computer, the next stamp in time again
    timing = Timing.of(np.maximum.accumulate(stamps), 1e-6)
    assert timing.missing == 0
    assert_allclose(timing.cadence_s, 0.01, rtol=1e-3)


@pytest.mark.parametrize("rate", [7.3, 24.0, 51.7])
def test_whole_seconds_that_repeat_give_the_rate_back(rate):
    true = np.arange(900) / rate + 0.37
    timing = Timing.of(np.floor(true), 1.0)
    # The ends are known to a second each in 900/rate seconds of run; the slope does better.
    assert_allclose(timing.cadence_s * rate, 1.0, rtol=0.5 * rate / 900)
    assert timing.kind == "regular"
    assert timing.missing == 0


def test_hardware_stamps_are_kept():
    rng = np.random.default_rng(3)
    stamps = np.sort(np.arange(300) * 0.02 + rng.normal(0, 0.002, 300))
    timing = Timing.of(stamps, 1e-6, hardware=True)
    assert timing.kind == "jittered"
    assert not timing.snapped
    assert_array_equal(timing.time_s, stamps - stamps[0])
    # rms of normal jitter from 300 samples: 10 % + 4.1 % standard error; three of them
    assert_allclose(timing.jitter_rms_s, 0.002, rtol=0.13)


def test_even_hardware_stamps_are_regular():
    timing = Timing.of(np.arange(300) * 0.02, 1e-9, hardware=True)
    assert (timing.kind, timing.missing) == ("regular", 0)


def test_times_without_any_grid_are_irregular_and_kept():
    rng = np.random.default_rng(4)
    stamps = np.cumsum(rng.uniform(0.01, 0.1, 200))
    timing = Timing.of(stamps, 1e-6)
    assert timing.kind == "irregular"
    assert_allclose(timing.time_s, stamps - stamps[0], atol=1e-12)


def test_long_gap_splits_but_a_missing_frame_does_not():
    number = np.concatenate([np.arange(100), np.arange(102, 200), np.arange(900, 1000)])
    timing = Timing.of(number * 0.02, 1e-6)
    assert_array_equal(timing.segment, [0] * 198 + [1] * 100)
    assert timing.missing == 2
    assert timing.gaps == ((pytest.approx(199 * 0.02), pytest.approx(701 * 0.02)),)


def test_slow_frames_keep_their_stamps():
    stamps = np.arange(50) * 180.0 + np.random.default_rng(5).uniform(0, 20, 50)
    timing = Timing.of(np.sort(stamps), 1e-3)
    assert not timing.snapped
    assert_allclose(timing.time_s, stamps - stamps[0])


@given(
    dt=st.floats(1e-3, 10.0),
    steps=st.lists(st.sampled_from([1, 1, 1, 1, 1, 1, 2, 3]), min_size=12, max_size=200),
)
def test_exact_grid_is_found_whatever_was_dropped(dt, steps):
    number = np.concatenate([[0], np.cumsum(steps)])
    if np.median(steps) != 1:
        return  # where most frames are lost the coarser grid is the honest answer
    found, numbers = _fit_grid(number * dt, dt * 1e-6)
    assert_allclose(found, dt, rtol=1e-6)
    assert_array_equal(numbers, number)
