"""Stamps are the same pixels as whole frames, wherever they lie."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from blursplit.frames import ArrayFrames, open_frames
from blursplit.rig import Rig


def slow_cut(frames, x0, y0, size):
    """Cut pixel by pixel, the obvious way."""
    out = np.full((len(frames), x0.shape[1], size, size), np.nan, dtype=np.float32)
    for n, k, y, x in np.ndindex(out.shape):
        row, column = y0[n, k] + y, x0[n, k] + x
        if 0 <= row < frames.shape[1] and 0 <= column < frames.shape[2]:
            out[n, k, y, x] = frames[n, row, column]
    return out


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data(), size=st.integers(1, 40))
def test_stamps_agree_with_pixel_by_pixel_cutting(stack, data, size):
    spots = st.lists(st.integers(-45, 45), min_size=6, max_size=6)
    x0 = np.array(data.draw(spots)).reshape(3, 2)
    y0 = np.array(data.draw(spots)).reshape(3, 2)
    frames = stack[:3].astype(np.float32)
    assert_array_equal(ArrayFrames(frames).cut(0, 3, x0, y0, size), slow_cut(frames, x0, y0, size))


@pytest.mark.parametrize("kind", ["cube", "files"])
def test_stamp_over_the_edge_is_nan_outside_the_frame(tmp_path, stack, maker, kind):
    if kind == "cube":
        path = maker.cube(tmp_path / "c.fits", stack)
    else:
        path = tmp_path / "files"
        maker.files(path, stack)
    source = open_frames([path], Rig(frame_interval_s=0.02)).source
    x0 = np.tile([[-3, 28, 100]], (4, 1))
    y0 = np.tile([[-2, 20, 5]], (4, 1))
    expected = slow_cut(stack[5:9].astype(np.float32), x0, y0, 7)
    assert_array_equal(source.cut(5, 9, x0, y0, 7), expected)
    assert np.isnan(expected[:, 2]).all()


def test_frames_beyond_the_end_are_an_index_error(folder):
    with pytest.raises(IndexError, match="frames 15:21 of 20"):
        open_frames([folder]).source.read(15, 21)


def test_star_in_plus_x_lies_in_a_later_column(tmp_path, maker):
    """Convention: arrays are [frame, y, x], pixel centres whole numbers from 0."""
    frames = np.zeros((12, 9, 11), dtype=np.float32)
    frames[:, 2, 7] = 1.0
    frames[:, 8, 0] = np.arange(12) / 12  # one picture twelve times would be refused
    path = maker.cube(tmp_path / "c.fits", frames, FPS=10.0)
    stamp = open_frames([path]).source.cut(0, 1, np.array([6]), np.array([1]), 3)[0, 0]
    assert_array_equal(np.argwhere(stamp == 1), [[1, 1]])
