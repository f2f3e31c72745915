"""Frames given as an array: times of every kind, what is missing, and the same as from files."""

from __future__ import annotations

import re

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time
from numpy.testing import assert_allclose, assert_array_equal

from blursplit.errors import InputError, TimingError, TooFewFramesError
from blursplit.frames import open_frames
from blursplit.rig import Rig

N = 30


@pytest.fixture
def pixels():
    draw = np.random.default_rng(5)
    frames = draw.normal(100.0, 5.0, (N, 24, 32))
    frames[:, 10:14, 12:16] += 800.0
    return frames.astype(np.float32)


@pytest.mark.parametrize(
    ("times", "start"),
    [
        (0.02 * np.arange(N), None),
        (20.0 * np.arange(N) * u.ms, None),
        (Time("2026-03-01T20:00:00") + 0.02 * np.arange(N) * u.s, "2026-03-01T20:00:00"),
    ],
    ids=["floats", "quantity", "time"],
)
def test_times_of_every_kind_give_the_same_sequence(pixels, times, start):
    sequence = open_frames(pixels, Rig(exposure=10 * u.ms), times)
    assert_allclose(sequence.time_s, 0.02 * np.arange(N), atol=1e-6)
    assert (sequence.timing, sequence.exposure_s) == ("regular", 0.01)
    assert (sequence.start_utc or "")[:19] == (start or "")
    assert_array_equal(sequence.source.read(3, 5), pixels[3:5])


def test_the_rate_may_come_from_the_rig(pixels):
    sequence = open_frames(pixels, Rig(frame_interval=0.05 * u.s))
    assert_allclose(sequence.time_s, 0.05 * np.arange(N))


def test_an_array_reads_as_its_file_does(pixels, tmp_path):
    """The pixels, their order and their noise are the same, whatever holds them."""
    whole = np.round(pixels).astype(np.uint16)
    fits.PrimaryHDU(whole).writeto(tmp_path / "cube.fits")
    rig = Rig(frame_interval_s=0.02)
    from_file, from_array = open_frames(tmp_path / "cube.fits", rig), open_frames(whole, rig)
    assert_array_equal(from_file.source.read(0, N), from_array.source.read(0, N))
    corner = np.full((N, 1), 28)
    assert_array_equal(
        from_file.source.cut(0, N, corner, corner, 7),
        from_array.source.cut(0, N, corner, corner, 7),
    )
    from_file.source.close()


def test_frames_are_put_in_the_order_of_their_times(pixels):
    order = np.random.default_rng(3).permutation(N)
    sequence = open_frames(pixels[order], None, 0.02 * order)
    assert_array_equal(sequence.source.read(0, N), pixels)


def test_masked_and_infinite_pixels_are_lost(pixels):
    frames = np.ma.masked_array(pixels.copy(), mask=np.zeros(pixels.shape, bool))
    frames[4, 2, 3] = np.ma.masked
    frames[5, 2, 3] = np.inf
    sequence = open_frames(frames, None, 0.02 * np.arange(N))
    lost = np.isnan(sequence.source.read(0, N))
    assert np.argwhere(lost).tolist() == [[4, 2, 3], [5, 2, 3]]


@pytest.mark.parametrize(
    ("change", "error", "told"),
    [
        (lambda f, t: (f[0], t), ValueError, "an array [frame, y, x]"),
        (lambda f, t: (f > 0, t), TypeError, "not bool"),
        (lambda f, t: (f, t[1:]), ValueError, "30 frames, but times of shape (29,)"),
        (lambda f, t: (f, t * u.m), InputError, "times: are in m"),
        (lambda f, _t: (f, ["soon"] * N), InputError, "times: are no times"),
        (lambda f, t: (f, np.where(t > 0.1, t, np.nan)), InputError, "6 of them are missing"),
        (lambda f, _t: (f, None), TimingError, "array"),
        (lambda f, t: (f[:5], t[:5]), TooFewFramesError, "only 5 usable frames"),
        (lambda _f, t: ("night1.fits", t), InputError, "times: go with an array of frames only"),
    ],
)
def test_what_cannot_be_used_is_told_in_one_line(pixels, change, error, told):
    frames, times = change(pixels, 0.02 * np.arange(N))
    with pytest.raises(error, match=re.escape(told)) as caught:
        open_frames(frames, None, times)
    assert "\n" not in str(caught.value)
