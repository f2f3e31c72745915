"""Densities against scipy, astropy and the laws they must follow."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.spectra import lomb_scargle_density, multitaper_density, regular_grid, steady_chance


def test_white_noise_lands_on_its_level(rng):
    """White noise lands on its level."""
    values = rng.normal(size=(4096, 2))
    found = multitaper_density(values, 0.02)
    # mean over m bins of 7 tapers: relative error 1/sqrt(2048) = 2.2 %; four of them
    assert_allclose(found.psd[5:-5].mean(axis=0), 2 * 0.02, rtol=0.09)


def test_integral_of_the_density_is_the_variance(rng):
    """Integral of the density is the variance."""
    values = rng.normal(size=1024)
    found = multitaper_density(values, 0.01)
    # tapers weigh the ends less: the difference is a fraction of the scatter of a variance
    assert_allclose(
        found.psd[:, 0].sum() * found.frequency_hz[1], values.var(), rtol=3 * np.sqrt(2 / 1024)
    )


def test_level_agrees_with_welch_on_red_noise(rng):
    """Level agrees with welch on red noise."""
    from scipy.signal import lfilter, welch

    values = lfilter([1.0], [1.0, -0.95], rng.normal(size=6000))
    frequency, reference = welch(values, 50.0, nperseg=500)
    found = multitaper_density(values, 0.02)
    for low, high in ((0.5, 2.0), (2.0, 8.0), (8.0, 20.0)):
        ours = found.psd[(found.frequency_hz > low) & (found.frequency_hz < high), 0].mean()
        theirs = reference[(frequency > low) & (frequency < high)].mean()
        # both see the same record; Welch's half-overlapping Hann pieces lose some of it:
        # 180 values in the narrowest band, 7 % each, partly common
        assert_allclose(ours, theirs, rtol=0.2)


def test_jackknife_band_holds_the_truth_two_times_in_three(rng):
    """Jackknife band holds the truth two times in three."""
    found = multitaper_density(rng.normal(size=(1024, 8)), 0.02)
    inside = ((found.low < 0.04) & (found.high > 0.04))[5:-5].mean()
    # 68 % nominal; 8 x 500 bins of which 1 in 8 is independent: 2 % scatter, jackknife of seven
    # tapers is itself approximate to a few per cent
    assert_allclose(inside, 0.68, atol=0.07)


def test_lomb_scargle_equals_the_periodogram_on_even_times(rng):
    """Lomb scargle equals the periodogram on even times."""
    from scipy.signal import periodogram

    values = rng.normal(size=500)
    frequency, reference = periodogram(values, 50.0)
    ours = lomb_scargle_density(np.arange(500) / 50.0, values, frequency[1:-1])
    assert_allclose(ours, reference[1:-1], rtol=1e-9)


def test_lomb_scargle_holds_its_level_on_uneven_times(rng):
    """Lomb scargle holds its level on uneven times."""
    times = np.sort(rng.uniform(0.0, 40.0, 800))
    grid = np.linspace(0.5, 8.0, 300)
    level = lomb_scargle_density(times, rng.normal(size=800), grid).mean()
    # 300 independent exponential values: 6 %; three of them
    assert_allclose(level, 2.0 * (times[-1] - times[0]) / 799, rtol=0.18)


def test_gaps_are_filled_on_a_straight_line():
    """Gaps are filled on a straight line."""
    times = np.array([0.0, 1.0, 2.0, 5.0, 6.0])
    grid, filled = regular_grid(times, 3.0 * times, 1.0)
    assert_allclose(grid, 3.0 * np.arange(7))
    assert filled.tolist() == [False, False, False, True, True, False, False]


def test_nan_counts_as_missing_in_its_own_column():
    """Nan counts as missing in its own column."""
    values = np.array([[0.0, 0.0], [np.nan, 1.0], [2.0, 2.0]])
    grid, filled = regular_grid(np.arange(3.0), values, 1.0)
    assert_allclose(grid[:, 0], [0.0, 1.0, 2.0])
    assert filled.tolist() == [False, True, False]


@pytest.mark.parametrize(
    ("chance", "critical"), [(0.05, 3.885), (0.01, 6.927), (0.001, 12.974), (1e-4, 21.850)]
)
def test_chance_matches_the_f_table_with_2_and_12_degrees(chance, critical):
    """Chance matches the f table with 2 and 12 degrees."""
    # tabulated F(2, 12); closed form (1 + F/6)^-6
    assert_allclose((1.0 + critical / 6.0) ** -6.0, chance, rtol=1e-3)
    from scipy.stats import f

    assert_allclose(f.sf(critical, 2, 12), chance, rtol=1e-3)


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
