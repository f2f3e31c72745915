"""The guide loop: its gain by formula and by running it, and finding it in a density."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.evidence.guide_loop import _find_guide_loop, _residual_gain


@pytest.mark.parametrize(
    ("gain", "corner", "amplifies", "white"),
    [
        (0.3, 0.042, 0.088, 1.176),
        (0.5, 0.065, 0.115, 1.333),
        (0.7, 0.087, 0.137, 1.538),
        (1.0, 0.115, 0.167, 2.0),
    ],
)
def test_loop_without_delay_has_the_tabled_numbers(
    gain: float, corner: float, amplifies: float, white: float
):
    x = np.linspace(1e-4, 0.5, 50001)
    size = _residual_gain(x, 1.0, gain)
    assert_allclose(x[np.argmax(size >= 0.5**0.5)], corner, atol=0.0006)  # printed to 0.001
    assert_allclose(x[np.argmax(size > 1.0)], amplifies, atol=0.0006)
    assert_allclose(size[-1], 2 / (2 - gain), rtol=1e-9)
    # White gain is the mean of |S|^2 over the band, 2/(2 - gain).
    assert_allclose(np.trapezoid(size**2, x) / 0.5, white, rtol=2e-3)


@pytest.mark.parametrize(
    ("gain", "peak", "at", "white"), [(0.5, 2.20, 0.138, 1.60), (0.7, 3.74, 0.151, 2.47)]
)
def test_one_cycle_of_delay_has_the_tabled_peak(gain: float, peak: float, at: float, white: float):
    x = np.linspace(1e-4, 0.5, 50001)
    size = _residual_gain(x, 1.0, gain, 1)
    assert_allclose(size.max(), peak, atol=0.006)
    assert_allclose(x[np.argmax(size)], at, atol=0.0006)
    assert_allclose(np.trapezoid(size**2, x) / 0.5, white, atol=0.006)


@pytest.mark.parametrize(("gain", "left"), [(0.3, 17.3), (0.5, 10.4), (0.7, 7.5)])
def test_worm_of_240_s_guided_every_2_s(gain: float, left: float):
    assert_allclose(100 * _residual_gain(np.array([1 / 240]), 2.0, gain)[0], left, atol=0.06)


@pytest.mark.parametrize("delay", [0, 1])
def test_running_the_loop_gives_the_formula(delay: int):
    gain, n = 0.5, 4096
    for cycles in (64, 512, 1400):
        nu = cycles / n
        error, command = np.zeros(2 * n), np.zeros(2 * n + 3)
        motion = np.cos(2 * np.pi * nu * np.arange(2 * n))
        for k in range(2 * n):
            error[k] = motion[k] - command[k]
            command[k + 1 + delay] = command[k + delay] + gain * error[k]
        # The first half lets the start die out; the second holds whole cycles.
        amplitude = 2 * abs(np.fft.rfft(error[n:])[cycles]) / n
        assert_allclose(amplitude, _residual_gain(np.array([nu]), 1.0, gain, delay)[0], rtol=1e-3)


def test_zero_frequency_is_fully_corrected():
    assert _residual_gain(np.array([0.0]), 2.0, 0.5)[0] == 0.0


def density(rng: np.random.Generator, gain: float | None) -> tuple[np.ndarray, np.ndarray]:
    """Return a periodogram of both axes, 600 s long, of airy motion with or without guiding."""
    nu = np.arange(1, 150) / 600.0
    model = nu ** (-2 / 3)
    if gain is not None:
        model = model * _residual_gain(nu, 2.0, gain, 1) ** 2
    return nu, model * rng.chisquare(4, nu.size) / 4


def test_loop_is_found_with_its_gain():
    rng = np.random.default_rng(1)
    loops = [_find_guide_loop(*density(rng, 0.6), 4.0, 2.0) for _ in range(10)]
    assert all(loop is not None and loop.is_shown for loop in loops)
    gains = [loop.gain for loop in loops if loop is not None]
    # Grid of 0.05; ten runs scatter by about one step.
    assert_allclose(np.mean(gains), 0.6, atol=0.05)
    assert all(loop is not None and loop.delay_cycles == 1 for loop in loops)
    assert all(loop is not None and loop.is_shown for loop in loops)


def test_unguided_air_shows_no_loop():
    rng = np.random.default_rng(2)
    shown = [_find_guide_loop(*density(rng, None), 4.0, 2.0) for _ in range(40)]
    # Nominal rate about 1 in 1000; none of 40 but for a 4 % chance.
    assert sum(loop is not None and loop.is_shown for loop in shown) == 0


def test_slow_current_bends_the_spectrum_and_is_no_loop():
    # Air on a current that forgets itself within 5 s: flat, steep, flat again.
    rng = np.random.default_rng(3)
    nu = np.arange(1, 150) / 600.0
    model = nu ** (-2 / 3) * (1.0 + 30.0 / (1.0 + (2 * np.pi * nu * 5.0) ** 2))
    shown = [
        _find_guide_loop(nu, model * rng.chisquare(4, nu.size) / 4, 4.0, 2.0) for _ in range(40)
    ]
    # Fewer than 1 in 300 (benchmarks/guide_loop.py); none of 40 but for a 13 % chance at most.
    assert sum(loop is not None and loop.is_shown for loop in shown) == 0


def test_too_short_a_run_gives_nothing():
    nu = np.arange(1, 20) / 20.0
    assert _find_guide_loop(nu, np.ones(19), 4.0, 2.0) is None
