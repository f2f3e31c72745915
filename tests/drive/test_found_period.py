"""A period of the drive that nobody stated: found where it is there, and only there."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.drive.terms import DriveRecord, _found_period
from blursplit.simulate.motion import _noise_series, _shake_density

RATE_HZ, SPAN_S = 20.0, 60.0
LINE = np.array([np.cos(0.7), np.sin(0.7)])


def record(seed, swing_arcsec=0.0, period_s=17.0, across=0.0, shake_arcsec=0.3):
    """Return slow shake of 0.5 Hz on both axes, a drift, and a swing along (and across) a line."""
    rng = np.random.default_rng(seed)
    n = int(RATE_HZ * SPAN_S)
    time_s = np.arange(n) / RATE_HZ
    motion = np.stack(
        [
            shake_arcsec * _noise_series(n, RATE_HZ, lambda f: _shake_density(f, 0.5), rng)
            for _ in range(2)
        ],
        axis=1,
    )
    motion += 0.02 * time_s[:, None]
    phase = 2 * np.pi * time_s / period_s + rng.uniform(0, 6)
    motion += swing_arcsec * np.sin(phase)[:, None] * LINE
    motion += across * np.cos(phase)[:, None] * np.array([-LINE[1], LINE[0]])
    return DriveRecord(time_s, motion, np.zeros(n, dtype=np.int64), 1 / RATE_HZ, 0.01)


def test_a_swing_along_a_line_is_found_with_its_period():
    """The error of a frequency is sqrt(6)/(pi T) times noise over amplitude in the blocks.

    Slow noise of 0.3 arcsec forgets itself in 1/(2 pi 0.5 Hz) = 0.3 s: 60 s hold some 90 such
    times, so 0.3/1.2/sqrt(90/2) of sqrt(6)/(pi 60 s) is 5e-4 Hz of 0.059: 0.8 %; five sigmas.
    """
    for seed in range(5):
        term = _found_period(record(seed, 1.2))
        assert term is not None
        assert term.found
        assert_allclose(term.period_s, 17.0, rtol=0.04)
        assert_allclose(term.turns, SPAN_S / term.period_s, rtol=0.01)


def test_a_swing_in_a_circle_is_no_drive():
    assert _found_period(record(1, 1.2, across=1.0)) is None


@pytest.mark.parametrize("shake", [0.05, 0.3, 1.0])
def test_slow_noise_alone_has_no_period(shake):
    """One in ten thousand by the stated chance, some times as many by its tails: none in 8."""
    assert not [seed for seed in range(8) if _found_period(record(100 + seed, shake_arcsec=shake))]


def test_short_records_have_none():
    whole = record(1, 1.2)
    few = DriveRecord(whole.time_s[:4], whole.motion_arcsec[:4], whole.segment[:4], 0.05, 0.01)
    assert _found_period(few) is None
