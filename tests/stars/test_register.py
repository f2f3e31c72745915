"""Star patterns, turns and jumps: what is one field in two places, and what is none."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.stars.build_tracks import find_jumps
from blursplit.stars.detect import _find_hot_pixels
from blursplit.stars.register import Peaks
from blursplit.stars.robust import runs
from blursplit.stars.tracker import _extrapolate, _fit_turn_and_scale, _turned

SHAPE = (400, 500)


def pattern(rng: np.random.Generator, n: int) -> Peaks:
    """Scatter stars over a frame, brightest first."""
    return Peaks(rng.uniform(90, 410, n), rng.uniform(90, 310, n), np.geomspace(900, 90, n))


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 9999),
    dx=st.floats(-80, 80),
    dy=st.floats(-80, 80),
    turn=st.sampled_from([0.0, 180.0]),
    n=st.integers(5, 30),
)
def test_a_shifted_field_with_strangers_and_losses_is_found(
    seed: int, dx: float, dy: float, turn: float, n: int
) -> None:
    """A fifth of the stars gone, a few false peaks, half a pixel of jitter: still found."""
    rng = np.random.default_rng(seed)
    stars = pattern(rng, n)
    x, y = _turned(stars.x_px, stars.y_px, turn, 1.0, SHAPE)
    keep = rng.permutation(n)[: n - n // 5]
    false = rng.uniform(0, 400, (2, 3))
    peaks = Peaks(
        np.concatenate([x[keep] + dx + rng.normal(0, 0.3, keep.size), false[0]]),
        np.concatenate([y[keep] + dy + rng.normal(0, 0.3, keep.size), false[1]]),
        np.concatenate([stars.height_adu[keep], [500.0, 200.0, 100.0]]),
    )
    found = stars.register(peaks, SHAPE, tolerance_px=3.0)
    assert found is not None
    # Five stars of 0.3 px jitter have a median good to 0.17 px; six times that.
    assert_allclose([found.shift_x_px, found.shift_y_px], [dx, dy], atol=1.0)
    assert found.turn_deg == turn


def test_a_foreign_field_is_not_taken_for_ours() -> None:
    """Random fields are refused: at most one in 300 is taken for the pattern."""
    rng = np.random.default_rng(5)
    taken = 0
    for _ in range(300):
        stars, others = pattern(rng, 12), pattern(rng, 12)
        taken += stars.register(others, SHAPE, tolerance_px=3.0) is not None
    assert taken <= 1
    nobody = Peaks(np.zeros(0), np.zeros(0), np.zeros(0))
    assert pattern(rng, 9).register(nobody, SHAPE, tolerance_px=3.0) is None


def test_a_lone_star_needs_its_own_brightness() -> None:
    """One star is found again only if the brightest peak is about as bright as it."""
    one = Peaks(np.array([100.0]), np.array([100.0]), np.array([500.0]))
    same = Peaks(np.array([140.0]), np.array([90.0]), np.array([400.0]))
    faint = Peaks(np.array([140.0]), np.array([90.0]), np.array([50.0]))
    found = one.register(same, SHAPE, tolerance_px=3.0)
    assert found is not None
    assert (found.shift_x_px, found.shift_y_px, found.turn_deg) == (40.0, -10.0, 0.0)
    assert one.register(faint, SHAPE, tolerance_px=3.0) is None


def test_hot_pixels_are_told_from_sharp_stars(draw_stars: Any) -> None:
    """Lone pixels are found, dead ones too, a star of sigma 0.8 px is not taken for one."""
    rng = np.random.default_rng(6)
    image = draw_stars((80, 80), np.array([20.0, 50.5]), np.array([20.0, 50.5]), [9e3, 9e3], 0.8)
    image = (image + rng.normal(100, 3, image.shape)).astype(np.float32)
    image[10, 60] += 400
    image[61, 12] = 0.0
    hot = _find_hot_pixels(image)
    np.testing.assert_array_equal(np.argwhere(hot), [[10, 60], [61, 12]])
    peaks = Peaks.find(image, 0.8, hot=hot)
    assert_allclose(sorted(peaks.x_px[:2]), [20.0, 50.5], atol=0.51)


@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0])
def test_a_turn_from_x_toward_y_is_positive(turn: float) -> None:
    """A point on +x goes toward +y; the centre stays."""
    x, y = _turned(np.array([249.5 + 10, 249.5]), np.array([199.5, 199.5]), turn, 1.0, SHAPE)
    angle = np.deg2rad(turn)
    assert_allclose(x - 249.5, [10 * np.cos(angle), 0.0], atol=1e-9)
    assert_allclose(y - 199.5, [10 * np.sin(angle), 0.0], atol=1e-9)


def test_turn_and_scale_are_fitted_in_spite_of_a_stray_star() -> None:
    """The fit returns what was put in, one wild star notwithstanding."""
    rng = np.random.default_rng(7)
    x, y = rng.uniform(-200, 200, (2, 12))
    turn, scale = np.deg2rad(0.3), 1.5e-3
    dx, dy = -turn * y + scale * x + 0.7, turn * x + scale * y - 0.4
    dx[3] += 40.0
    found = _fit_turn_and_scale(x, y, dx, dy)
    assert_allclose(found, [0.3, scale, 0.7, -0.4], atol=1e-6)


def test_drift_is_continued_and_noise_is_not() -> None:
    """A line goes on; a jittering place is continued at its median."""
    rng = np.random.default_rng(8)
    t = np.arange(32.0)
    ahead = np.arange(32.0, 48.0)
    assert_allclose(_extrapolate(t, 3.0 + 0.5 * t, ahead), 3.0 + 0.5 * ahead, atol=1e-6)
    still = _extrapolate(t, rng.normal(5.0, 0.4, 32), ahead)
    assert np.ptp(still) == 0.0
    assert_allclose(still[0], 5.0, atol=0.7)  # median of 8: 0.18 px, four times that
    assert_allclose(_extrapolate(t[:2], t[:2], ahead), 1.0)


def test_jumps_stay_and_shocks_swing_back() -> None:
    """A step that stays is a jump; one that returns is not; noise never is."""
    rng = np.random.default_rng(9)
    x, y = rng.normal(0, 0.3, (2, 200))
    assert find_jumps(x, y, 2.0).size == 0
    x[100:] += 20.0
    y[40] += 15.0
    np.testing.assert_array_equal(find_jumps(x, y, 2.0), [100])
    assert find_jumps(x[:1], y[:1], 2.0).size == 0


@pytest.mark.parametrize("phase_deg", [0.0, 70.0, 140.0, 210.0, 280.0])
def test_a_dither_of_a_shaking_field_is_a_jump_and_its_swings_are_none(phase_deg: float) -> None:
    """A mode of six frames a turn and 0.85 px rms, and a dither of 11 px, nine usual steps."""
    rng = np.random.default_rng(11)
    frame = np.arange(400)
    swing = 1.2 * np.sin(2 * np.pi * frame / 6.3 + np.deg2rad(phase_deg))
    x = 0.5 * swing + rng.normal(0, 0.4, 400)
    y = 0.87 * swing + rng.normal(0, 0.4, 400)
    assert find_jumps(x, y, 0.9).size == 0
    x[200:] += 7.0
    y[200:] -= 9.0
    np.testing.assert_array_equal(find_jumps(x, y, 0.9), [200])


def test_a_knock_that_swings_slowly_is_no_jump() -> None:
    """Its first frames all move one way, by steps as large as a small dither, and then return."""
    rng = np.random.default_rng(12)
    x, y = rng.normal(0, 0.6, (2, 400))
    late = np.arange(200)
    x[200:] += 16.0 * np.exp(-late / 60) * np.sin(2 * np.pi * late / 14)
    assert find_jumps(x, y, 0.9).size == 0


@pytest.mark.parametrize("frequency_hz", [1.7, 6.3, 14.8, 24.0, 39.5, 61.0])
@pytest.mark.parametrize("size_px", [4.0, 16.0, 60.0])
def test_a_hard_tap_is_no_jump_and_one_that_shifts_the_field_is(frequency_hz, size_px) -> None:
    """Ring-downs of 2 % at 82 frames/s, slow ones and folded ones; then the same with 12 px."""
    rng = np.random.default_rng(13)
    x, y = rng.normal(0, 0.3, (2, 900))
    for start in (200, 500):
        late = np.arange(900 - start) / 82.0
        omega = 2 * np.pi * frequency_hz
        ring = size_px * np.exp(-0.02 * omega * late) * np.sin(omega * late + 0.4)
        x[start:] += 0.9 * ring
        y[start:] += 0.4 * ring
    assert find_jumps(x, y, 1.5).size == 0
    if frequency_hz > 2.0:  # a slow one swings by more than that to the end
        x[500:] += 12.0
        assert any(abs(i - 500) < 60 for i in find_jumps(x, y, 1.5))


def test_runs_of_true() -> None:
    """First and last plus one of each run."""
    assert runs(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
    assert runs(np.zeros(3, dtype=bool)) == []
