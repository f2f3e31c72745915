"""Saturation and gain found in the frames themselves."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.frames import ArrayFrames, estimate_gain
from blursplit.frames.pixels import _find_levels


def star_frames(gain, *, seed=1, count=48, size=160, stars=8, motion_px=0.4, pedestal=300):
    """Return frames [adu] of stars that move, breathe and twinkle."""
    rng = np.random.default_rng(seed)
    axis = np.arange(size)
    x, y = rng.uniform(20, size - 20, (2, stars))
    flux_e = np.exp(rng.uniform(np.log(5e3), np.log(1e5), stars))
    frames = np.empty((count, size, size))
    frames[:] = 30.0
    for number in range(count):
        for star in range(stars):
            sigma = 2.0 * (1 + 0.05 * rng.normal())
            dx, dy = rng.normal(0, motion_px, 2)
            across = np.exp(-((axis - x[star] - dx) ** 2) / 2 / sigma**2)
            along = np.exp(-((axis - y[star] - dy) ** 2) / 2 / sigma**2)
            light = flux_e[star] * (1 + 0.05 * rng.normal()) / (2 * np.pi * sigma**2)
            frames[number] += light * along[:, np.newaxis] * across
    electrons = rng.poisson(frames) + rng.normal(0, 3.0, frames.shape)
    return np.rint(electrons / gain + pedestal).astype(np.float32)


@pytest.mark.parametrize("gain", [0.25, 1.0, 4.0])
@pytest.mark.parametrize("motion_px", [0.0, 0.4, 0.8])
def test_gain_is_measured_on_moving_stars(gain, motion_px):
    found = estimate_gain(ArrayFrames(star_frames(gain, motion_px=motion_px)))
    assert found is not None
    # three of its own standard errors, which contain 5 percent for imperfect models
    assert_allclose(found.e_per_adu, gain, atol=3 * found.error_e_per_adu)
    assert found.error_e_per_adu < 0.15 * gain


def test_gain_is_not_invented_without_stars():
    noise = np.random.default_rng(2).normal(500, 10, (40, 100, 100)).astype(np.float32)
    assert estimate_gain(ArrayFrames(noise)) is None


def test_gain_is_not_taken_from_stars_that_break_up():
    """Speckles: three spots a star that wander on their own look like a tiny gain."""
    rng = np.random.default_rng(7)
    axis = np.arange(120)
    frames = np.full((60, 120, 120), 30.0)
    for frame in range(60):
        for x, y in ((30, 30), (85, 40), (40, 90), (90, 90)):
            for _ in range(3):
                dx, dy = rng.normal(0, 2.5, 2)
                along = np.exp(-((axis - y - dy) ** 2) / 2.4)
                across = np.exp(-((axis - x - dx) ** 2) / 2.4)
                frames[frame] += 2000 * along[:, np.newaxis] * across
    electrons = rng.poisson(frames) + rng.normal(0, 3.0, frames.shape)
    found = estimate_gain(ArrayFrames(np.rint(electrons).astype(np.float32)))
    assert found is None or abs(found.e_per_adu - 1) < 3 * found.error_e_per_adu


def test_gain_needs_sixteen_frames():
    assert estimate_gain(ArrayFrames(star_frames(1.0, count=15))) is None


@pytest.mark.parametrize(("level", "step"), [(4095, 1), (65520, 16), (65532, 4), (50_000, 1)])
def test_saturation_is_found_where_pixels_pile_up(level, step):
    frames = star_frames(0.05, count=10) * step
    peak = np.quantile(frames, 0.9995)
    frames = np.minimum(np.rint(frames / peak * level * 2 / step) * step, level)
    levels = _find_levels(ArrayFrames(frames), "test")
    assert levels.saturation_adu == level
    assert levels.step_adu == step


def test_unsaturated_frames_and_hot_pixels_show_no_saturation():
    frames = star_frames(1.0, count=10)
    frames[:, 3, 4] = 40_000  # hot, steady, alone
    assert _find_levels(ArrayFrames(frames), "test").saturation_adu is None
