"""Density by time and frequency: its level, its place, its gaps and its size."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import TIME_MOST_COLUMNS as MOST_COLUMNS
from blursplit.constants import TIME_MOST_ROWS as MOST_ROWS
from blursplit.spectra import time_frequency

CADENCE_S = 0.02


def _centres(view):
    edges = view.time_edge_s, view.frequency_edge_hz
    return (0.5 * (edge[:-1] + edge[1:]) for edge in edges)


def test_white_noise_lands_on_its_level_in_every_row(rng):
    """White noise lands on its level in every row."""
    time = np.arange(6000) * CADENCE_S
    view = time_frequency(time, rng.normal(size=(6000, 2)), CADENCE_S)
    # Two axes of unit variance: 2 x 2 x cadence. A Fourier frequency of one window has 4 degrees
    # of freedom; 120 s hold some 60 windows of 2 s that overlap by no more than half, which a Hann
    # window makes nearly independent twice over: 120 x 2 coefficients, a scatter of 1/sqrt(240)
    # = 0.065 at most. Five of them for the largest of 60 rows.
    assert_allclose(view.psd[:, 1:-1].mean(axis=0), 4 * CADENCE_S, rtol=5 * 0.065)
    # all rows together: sqrt(1/(2 x 6000)) = 0.009; four of them
    width = np.diff(view.frequency_edge_hz)
    power = (view.psd.mean(axis=0) * width).sum() / width.sum()
    assert_allclose(power, 4 * CADENCE_S, rtol=4 * 0.011)


def test_power_of_a_tone_is_its_variance(rng):
    """Parseval: the density of a steady tone integrates to its mean square in each column."""
    time = np.arange(2000) * CADENCE_S
    phase = rng.uniform(0, 2 * np.pi)
    tone = 0.7 * np.sin(2 * np.pi * 9.3 * time + phase)
    view = time_frequency(time, np.stack([tone, 0.5 * tone], 1), CADENCE_S)
    power = view.psd @ np.diff(view.frequency_edge_hz)
    # A Hann-weighted mean of sin^2 departs from a half by the window's transform at twice the
    # frequency, 18 cycles off its centre: its side lobes fall as 1/k^3, below 1e-3 there. The rows
    # of several Fourier frequencies average equal widths but for half a step at their ends.
    assert_allclose(power, 0.5 * 0.7**2 * 1.25, rtol=0.02)


def test_chirp_is_followed_from_cell_to_cell(rng):
    """The strongest row follows a chirp, to the resolution of the window."""
    time = np.arange(3000) * CADENCE_S
    chirp = np.sin(2 * np.pi * (3.0 * time + 0.5 * (20.0 - 3.0) / 60.0 * time**2))
    noise = 0.01 * rng.normal(size=(3000, 2))
    view = time_frequency(time, np.stack([chirp, 0 * chirp], 1) + noise, CADENCE_S)
    middle, frequency = _centres(view)
    inside = (middle > 1) & (middle < 59)
    found = frequency[view.psd.argmax(axis=1)][inside]
    # half a Hann window's main lobe (1.5 Fourier steps of 1 Hz), and half a row at 20 Hz
    assert_allclose(found, 3.0 + 17.0 / 60.0 * middle[inside], atol=1.5)
    assert np.ptp(found) > 14


def test_short_ring_shows_at_its_moment_alone(rng):
    """A ring of half a second stands out in the columns within a window of it, and in no other."""
    time = np.arange(3000) * CADENCE_S
    ring = np.where((time > 30) & (time < 30.5), np.sin(2 * np.pi * 10 * time), 0.0)
    view = time_frequency(
        time, np.stack([ring, ring], 1) + 0.01 * rng.normal(size=(3000, 2)), CADENCE_S
    )
    middle, frequency = _centres(view)
    row = int(np.argmin(np.abs(frequency - 10)))
    near = (middle > 30.0) & (middle < 30.5)
    far = np.abs(middle - 30.25) > 0.5 * 0.5 + 0.5 * view.window_s + 0.25
    assert view.psd[near, row].min() > 100 * view.psd[far, row].max()


def test_levels_agree_with_scipy(rng):
    """Cells that hold one frequency agree with scipy's own short-time transform."""
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    n, length = 3000, 50
    motion = rng.normal(size=(n, 2)).cumsum(axis=0)
    view = time_frequency(np.arange(n) * CADENCE_S, motion, CADENCE_S)
    assert_allclose(view.window_s, length * CADENCE_S)
    transform = ShortTimeFFT(
        hann(length, sym=False), hop=1, fs=1 / CADENCE_S, scale_to="psd", fft_mode="onesided2X"
    )
    parts = transform.spectrogram(motion.T, detr="constant").sum(axis=0)
    middle, _ = _centres(view)
    # one window a column, whose middle lies in it: starts are 12 samples apart
    starts = np.arange(0, n - length + 1, 12)
    middles = (starts + (length - 1) / 2) * CADENCE_S
    column = np.searchsorted(view.time_edge_s, middles) - 1
    alone = np.flatnonzero(np.bincount(column, minlength=len(middle))[column] == 1)[2:-2]
    # scipy numbers its windows by the sample in their middle
    sample = starts[alone] + length // 2 - transform.p_min
    row = np.flatnonzero(np.diff(view.frequency_edge_hz) < 1.01)[:6]
    assert_allclose(view.psd[column[alone]][:, row], parts[row + 1][:, sample].T, rtol=1e-6)


def test_gaps_and_filled_stretches_stay_blank(rng):
    """No density is claimed where nothing was recorded."""
    first, second = np.arange(2000) * CADENCE_S, 60.0 + np.arange(2000) * CADENCE_S
    time, segment = np.concatenate([first, second]), np.repeat([0, 1], 2000)
    real = np.ones(4000, dtype=bool)
    real[500:1000] = False  # 10 to 20 s
    motion = rng.normal(size=(4000, 2))
    view = time_frequency(time, motion, CADENCE_S, segment=segment, real=real)
    middle, _ = _centres(view)
    blank = np.isnan(view.psd).all(axis=1)
    assert_allclose(np.isnan(view.psd).any(axis=1), blank)
    # a window may reach into what was not recorded by half of its length
    reach = 0.5 * view.window_s + np.diff(view.time_edge_s)[0]
    gap = (middle > 40) & (middle < 60)
    filled = (middle > 10 + reach) & (middle < 20 - reach)
    kept = (middle < 10 - reach) | ((middle > 20 + reach) & (middle < 40 - 0.01)) | (middle > 60.01)
    assert blank[gap].all()
    assert blank[filled].all()
    assert not blank[kept].any()
    # other stretches keep their level
    assert_allclose(np.nanmean(view.psd[:, 1:-1]), 4 * CADENCE_S, rtol=0.05)


def test_ten_hours_come_on_as_many_cells_as_a_minute():
    """Ten hours come on a bounded number of cells, and a loud minute in them stays visible."""
    cadence = 0.1
    time = np.arange(360_000) * cadence
    rng = np.random.default_rng(8)
    motion = rng.normal(size=(360_000, 2))
    loud = (time > 18_000) & (time < 18_060)
    motion[loud] *= 5.0
    view = time_frequency(time, motion, cadence)
    assert view.psd.shape[0] == MOST_COLUMNS
    assert view.psd.shape[1] <= MOST_ROWS
    level = view.psd.mean(axis=1)
    # 60 s of 25-fold power in a column of 150 s: 0.4 x 24 + 1 = 10.6 times the level, less what
    # falls into the next column; the others scatter by 1/sqrt(2 x 1500) = 0.02
    assert level[118:122].max() > 5 * np.median(level)
    assert_allclose(level[:118], np.median(level), rtol=0.15)


@pytest.mark.parametrize("scale", [0.25, 3.0])
def test_density_goes_with_the_square_of_the_motion(rng, scale):
    """Density goes with the square of the motion."""
    time, motion = np.arange(500) * CADENCE_S, rng.normal(size=(500, 2))
    plain = time_frequency(time, motion, CADENCE_S)
    scaled = time_frequency(time, scale * motion + 7.0, CADENCE_S)
    assert_allclose(scaled.psd, scale**2 * plain.psd, rtol=1e-6)


def test_record_shorter_than_two_windows_is_refused(rng):
    """Record shorter than two windows is refused."""
    with pytest.raises(ValueError, match="two windows"):
        time_frequency(np.arange(20) * CADENCE_S, rng.normal(size=(20, 2)), CADENCE_S)
