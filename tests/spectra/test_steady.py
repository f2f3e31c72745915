"""Thomson's F-test against the F law and published critical values."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.spectra import steady_line_test


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
