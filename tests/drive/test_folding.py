"""Folding on a period, with bars for motion that neighbouring frames share."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from blursplit.constants import DRIVE_PHASE_BINS as N_BINS
from blursplit.drive.periodic_error import _bin_errors, _bin_means, _phase_bins

STEP_S, PERIOD_S = 0.1, 48.0


def wandering(rng: np.random.Generator, n: int, time_s: float) -> np.ndarray:
    """Return an Ornstein-Uhlenbeck process of unit variance."""
    keep = np.exp(-STEP_S / time_s)
    out = rng.standard_normal(n)
    for i in range(1, n):
        out[i] = keep * out[i - 1] + np.sqrt(1 - keep**2) * out[i]
    return out


def test_bars_hold_the_scatter_of_motion_that_frames_share():
    time_s = STEP_S * np.arange(round(3 * PERIOD_S / STEP_S))
    index = _phase_bins(time_s, PERIOD_S)
    means, bars, plain = [], [], []
    for seed in range(60):
        motion = wandering(np.random.default_rng(seed), len(time_s), 0.5)
        means.append(_bin_means(motion, index))
        bars.append(_bin_errors(motion, time_s, index, STEP_S))
        plain.append(1.0 / np.sqrt(np.bincount(index)))
    # 60 runs of 24 bins, 1440 means: their scatter is known to 1/sqrt(2 x 1440) = 1.9 %, the
    # bars' mean square to less; three sigmas.
    ratio = np.std(means) / np.sqrt(np.mean(np.square(bars)))
    assert_allclose(ratio, 1.0, atol=0.06)
    assert np.std(means) > 2.5 * np.mean(plain)  # what frames as independent would say


def test_bars_of_white_motion_are_the_scatter_over_the_root_of_the_number():
    time_s = STEP_S * np.arange(round(2 * PERIOD_S / STEP_S))
    index = _phase_bins(time_s, PERIOD_S)
    bars = [
        _bin_errors(np.random.default_rng(seed).standard_normal(len(time_s)), time_s, index, STEP_S)
        for seed in range(30)
    ]
    # 20 frames in a row of a bin share the band below 1/20 of the frame rate, the same for all
    # bins: 2 x 960/20/2 = 48 numbers, so 20 % in variance, 10 % in a run's bars, 1.9 % of 30.
    assert_allclose(np.mean(bars), 1 / np.sqrt(40), rtol=0.06)


def test_bins_where_no_frame_was_are_open():
    time_s = np.arange(0.0, PERIOD_S / 3, STEP_S)
    index = _phase_bins(time_s, PERIOD_S)
    assert_allclose(np.isfinite(_bin_means(time_s, index)).mean(), 1 / 3)
    assert np.isnan(_bin_errors(time_s, time_s, index, STEP_S)[N_BINS // 2 :]).all()


def test_means_of_a_straight_motion_are_its_middles():
    time_s = STEP_S * (np.arange(480) + 0.5)
    phase = (np.arange(N_BINS) + 0.5) / N_BINS
    assert_allclose(_bin_means(time_s, _phase_bins(time_s, PERIOD_S)), PERIOD_S * phase)
