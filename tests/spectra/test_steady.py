"""Thomson's F-test against the F law and published critical values."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.spectra import steady_chance, steady_line_test


@pytest.mark.parametrize(
    ("chance", "critical"), [(0.05, 3.885), (0.01, 6.927), (0.001, 12.974), (1e-4, 21.850)]
)
def test_chance_matches_the_f_table_with_2_and_12_degrees(chance, critical):
    """Chance matches the f table with 2 and 12 degrees."""
    # tabulated F(2, 12); closed form (1 + F/6)^-6
    assert_allclose((1.0 + critical / 6.0) ** -6.0, chance, rtol=1e-3)
    from scipy.stats import f

    assert_allclose(f.sf(critical, 2, 12), chance, rtol=1e-3)


def test_noise_passes_at_the_stated_rate(rng):
    """Noise passes at the stated rate."""
    chances = np.concatenate(
        [steady_line_test(rng.normal(size=512), 1.0).chance for _ in range(200)]
    )
    # 200 x 249 bins, one in 8 independent: scatter 0.0028 at 0.05, 0.0013 at 0.01
    assert_allclose((chances < 0.05).mean(), 0.05, atol=0.009)
    assert_allclose((chances < 0.01).mean(), 0.01, atol=0.004)


def test_search_over_all_bins_raises_a_false_alarm_as_often_as_stated(rng):
    """Search over all bins raises a false alarm as often as stated."""
    hits = [
        steady_line_test(rng.normal(size=256), 1.0).chance_anywhere().min() < 0.05
        for _ in range(400)
    ]
    # physics: 5.2 % on unpadded bins; 400 draws scatter by 1.1 %
    assert_allclose(np.mean(hits), 0.052, atol=0.035)


def test_sinusoid_is_found_with_its_amplitude(rng):
    """Sinusoid is found with its amplitude."""
    time = np.arange(512)
    values = 0.5 * np.sin(2 * np.pi * 60 / 512 * time + 1.0) + rng.normal(size=512)
    found = steady_line_test(values, 1.0)
    best = int(np.argmin(found.chance))
    assert_allclose(found.frequency_hz[best], 60 / 512)
    # error of an amplitude: sqrt(2/N) x (window loss 1.4) = 0.09
    assert_allclose(found.amplitude[best], 0.5, atol=0.27)


@pytest.mark.parametrize("between", [0.0, 0.25, 0.5])
def test_sinusoid_between_two_bins_is_as_steady_as_on_one(between, rng):
    """Sinusoid between two bins is as steady as on one."""
    n, step = 1500, 0.02
    frequency = (300 + between) / (n * step)
    time = np.arange(n) * step
    values = rng.normal(size=n) + 0.5 * np.sin(2 * np.pi * frequency * time)
    # energy over noise n A^2/4 = 94, F of about 80 with 2 and 12 degrees: 1e-7
    assert steady_chance(values, step, frequency, 0.02 / (n * step)) < 1e-5


@pytest.mark.parametrize("sigma_hz", [0.001, 0.02, 0.1])
def test_noise_is_as_steady_as_stated(sigma_hz, rng):
    """The share of noise below a stated chance is that chance, whatever the reach."""
    chances = np.array(
        [steady_chance(rng.normal(size=600), 0.02, 11.0, sigma_hz) for _ in range(600)], dtype=float
    )
    for level in (0.3, 0.1, 0.03):
        # binomial, three sigmas, and a quarter for counting overlapping trials as whole ones
        error = 3 * np.sqrt(level * (1 - level) / 600) + 0.25 * level
        assert_allclose(np.mean(chances < level), level, atol=error)


def test_broad_mode_is_not_steady(scenes, rng):
    """A mode of 11 Hz and 0.03 is 0.7 Hz wide, five times the window of the tapers."""
    chances = []
    for _ in range(40):
        mode = scenes.damped_mode(1500, 50.0, 11.0, 0.03, rng)[::8]
        chances.append(steady_chance(mode + 0.1 * rng.normal(size=1500), 0.02, 11.0, 0.05))
    # 0.01 of them by its own law and by a hump that happens to be narrow; three sigmas of 40
    assert np.mean(np.array(chances) < 0.01) < 0.15


def test_steadiness_is_not_judged_beside_zero_and_nyquist(rng):
    """Steadiness is not judged beside zero and Nyquist."""
    assert steady_chance(rng.normal(size=600), 0.02, 0.2, 0.01) is None
    assert steady_chance(rng.normal(size=600), 0.02, 24.8, 0.01) is None
