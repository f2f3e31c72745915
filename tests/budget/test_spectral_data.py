"""Powers of modes: levels, tapers, and what must not leak into them."""

import numpy as np
from numpy.testing import assert_allclose

from blursplit.budget.air_table import Optics, fiducial_covariance
from blursplit.budget.grid import GridData, GridSegment
from blursplit.budget.spectral_data import differential_modes, mode_power, spectral_data

CADENCE = 0.02
OPTICS = Optics(0.25, 0.0, 550e-9, (10.0, 50.0), (2.0, 30.0))


def star_field(n: int = 6) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    return rng.uniform(-100, 100, n), rng.uniform(-80, 80, n)


def grid_of(stars: np.ndarray, x: np.ndarray, y: np.ndarray) -> GridData:
    n, count = len(stars), len(x)
    shared = np.stack([stars[:, :count].mean(axis=1), stars[:, count:].mean(axis=1)], axis=1)
    segment = GridSegment(0.0, shared, stars, np.ones(n, bool), np.arange(n))
    return GridData(
        segments=(segment,),
        star=np.arange(count),
        star_x_arcsec=x,
        star_y_arcsec=y,
        noise_psd_arcsec2_hz=np.full(count, 2 * CADENCE * 0.01**2),
        shared_noise_psd_arcsec2_hz=2 * CADENCE * 0.01**2 / count,
        cadence_s=CADENCE,
        exposure_s=0.01,
    )


def modes_of(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return differential_modes(fiducial_covariance(x, y, OPTICS), x, y)


def test_white_noise_lands_on_its_level() -> None:
    """One-sided density of white noise of variance s^2 is 2 s^2 dt."""
    rng = np.random.default_rng(2)
    frequency, power = mode_power(rng.normal(0, 0.3, (4000, 3)), CADENCE)
    # 2000 frequencies, three tapers that overlap: error below 1/sqrt(2000) a column.
    assert_allclose(power[5:].mean(axis=0), 2 * 0.09 * CADENCE, rtol=4 / np.sqrt(2000))
    assert frequency[-1] == 25.0


def test_modes_are_orthonormal_and_free_of_turn_and_scale() -> None:
    x, y = star_field()
    modes = modes_of(x, y)
    assert_allclose(modes @ modes.T, np.eye(len(modes)), atol=1e-9)
    dx, dy = x - x.mean(), y - y.mean()
    assert_allclose(modes @ np.concatenate([-dy, dx]), 0, atol=1e-8)
    assert_allclose(modes @ np.concatenate([dx, dy]), 0, atol=1e-8)


def test_a_turning_and_breathing_field_is_no_air() -> None:
    x, y = star_field()
    rng = np.random.default_rng(8)
    turn, scale = 1e-3 * rng.standard_normal((2, 1500))
    dx, dy = x - x.mean(), y - y.mean()
    stars = np.concatenate(
        [np.outer(scale, dx) - np.outer(turn, dy), np.outer(scale, dy) + np.outer(turn, dx)], axis=1
    )
    data = spectral_data(grid_of(stars, x, y), modes_of(x, y), skip_hz=[])
    assert data.power.max() < 1e-12 * 1e-6 * np.max(dx**2) * 1e6


def test_shared_shift_shows_in_the_first_two_modes_only() -> None:
    x, y = star_field()
    rng = np.random.default_rng(9)
    shift = rng.standard_normal((1500, 2))
    stars = np.repeat(shift, len(x), axis=1)
    data = spectral_data(grid_of(stars, x, y), modes_of(x, y), skip_hz=[])
    level = len(x) * 2 * CADENCE  # mode 0 is sqrt(n) times the mean shift
    weight = data.count / data.count.sum()
    assert_allclose(weight @ data.power[:, :2], level, rtol=4 / np.sqrt(700))
    assert data.power[:, 2:].max() < 1e-20


def test_two_stars_leave_one_differential_number_and_one_star_none() -> None:
    for count, expected in ((1, 2), (2, 3), (3, 4), (4, 6)):
        x, y = star_field(count)
        assert len(modes_of(x, y)) == expected


def test_bands_of_lines_are_left_out() -> None:
    x, y = star_field()
    t = np.arange(1500) * CADENCE
    line = np.sin(2 * np.pi * 8.0 * t)
    stars = np.repeat(np.stack([line, line], axis=1), len(x), axis=1)
    stars = stars + 1e-3 * np.random.default_rng(1).standard_normal(stars.shape)
    data = spectral_data(grid_of(stars, x, y), modes_of(x, y), skip_hz=[(7.5, 8.5)])
    quiet = len(x) * 1e-6 * 2 * CADENCE
    # Half a hertz off, Slepian tapers of half-bandwidth 3/30 Hz leave less than 1e-4 of a line.
    assert data.power[:, 0].max() < 1e-4 * len(x) * 0.5 * 30 + 20 * quiet
