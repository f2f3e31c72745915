"""The division of a record among its parts: draws must scatter as they say."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.grid import GridData, GridSegment
from blursplit.budget.line_terms import LineTerm, line_density
from blursplit.budget.realise import (
    divide,
    principal_axes,
    shared_coefficients,
    to_series,
    window_covariance,
    without_lines,
)
from blursplit.spectra import LineFit

CADENCE = 0.02


def grid_of(shared: np.ndarray) -> GridData:
    n = len(shared)
    segment = GridSegment(0.0, shared, np.repeat(shared, 1, axis=1), np.ones(n, bool), np.arange(n))
    return GridData(
        segments=(segment,),
        star=np.array([0]),
        star_x_arcsec=np.zeros(1),
        star_y_arcsec=np.zeros(1),
        noise_psd_arcsec2_hz=np.zeros(1),
        shared_noise_psd_arcsec2_hz=0.0,
        cadence_s=CADENCE,
        exposure_s=0.005,
    )


def line_fit(frequency: float, zeta: float, covariance: np.ndarray) -> LineFit:
    return LineFit(
        frequency_hz=frequency,
        frequency_sigma=0.01,
        damping_ratio=zeta,
        damping_low=0.9 * zeta,
        damping_high=1.1 * zeta,
        kind="resonance",
        covariance=covariance,
        covariance_sigma=0.1 * covariance,
        angle_deg=0.0,
        angle_sigma_deg=1.0,
        axis_ratio=0.0,
        false_alarm_probability=1e-6,
        band_hz=(frequency - 1, frequency + 1),
        psd_model=np.zeros((1, 2, 2)),
        bin_hz=0.03,
    )


def term_of(frequency: float, zeta: float, covariance: np.ndarray) -> LineTerm:
    return LineTerm(
        fit=line_fit(frequency, zeta, covariance),
        owner="structure",
        candidates_hz=np.array([frequency]),
        odds=np.array([1.0]),
    )


def coloured(density: np.ndarray, n: int, rng: np.random.Generator) -> np.ndarray:
    """Gaussian series whose one-sided density at rfft frequencies is given; circular."""
    m = len(density)
    value = rng.standard_normal(m) + 1j * rng.standard_normal(m)
    value *= np.sqrt(density / (n * CADENCE) / 4.0) * n
    value[0] = 0.0
    if n % 2 == 0:
        value[-1] = value[-1].real * np.sqrt(2.0)
    return np.fft.irfft(value, n)


def test_coefficients_hold_the_variance_and_turn_back_into_the_series() -> None:
    rng = np.random.default_rng(3)
    for n in (400, 401):
        grid = grid_of(rng.standard_normal((n, 2)))
        coefficients = shared_coefficients(grid)
        series = to_series(coefficients, coefficients.value, grid)[0]
        flat = grid.segments[0].shared_arcsec
        t = np.arange(n) - (n - 1) / 2
        flat = flat - flat.mean(axis=0) - np.outer(t, t @ flat / (t @ t))
        assert_allclose(series, flat, atol=1e-10)
        assert_allclose((np.abs(coefficients.value) ** 2).sum(axis=0), flat.var(axis=0), rtol=1e-9)


def test_window_covariance_of_a_sine_in_a_long_window_is_half_its_square() -> None:
    t = np.arange(1000) * CADENCE
    shared = np.stack([0.3 * np.sin(2 * np.pi * 5 * t), np.zeros(1000)], axis=1)
    coefficients = shared_coefficients(grid_of(shared))
    covariance = window_covariance(coefficients, coefficients.value, 20.0)
    assert_allclose(covariance[0, 0], 0.045, rtol=2e-3)
    # In a window of half a period the motion about its own mean is 1 - sinc^2(1/2) of it.
    short = window_covariance(coefficients, coefficients.value, 0.1)
    assert_allclose(short[0, 0], 0.045 * (1 - (2 / np.pi) ** 2), rtol=5e-3)


@pytest.mark.slow
def test_parts_are_divided_as_general_matrices_say() -> None:
    rng = np.random.default_rng(8)
    coefficients = shared_coefficients(grid_of(rng.standard_normal((200, 2))))
    n = len(coefficients.frequency_hz)
    root = rng.standard_normal((2, n, 2, 2))
    part, rest = root @ np.swapaxes(root, 2, 3)
    gain = part @ np.linalg.inv(part + rest)
    mean = (gain @ coefficients.value[:, :, None])[:, :, 0]
    # Rounding grows with the condition of the sums, here up to some 1e4.
    assert_allclose(divide(coefficients, part, rest, None), mean, rtol=0, atol=1e-10)
    left = (part - gain @ part) * coefficients.resolution_hz[:, None, None]
    values, vectors = np.linalg.eigh(left)
    spread = (vectors * np.sqrt(values.clip(0))[:, None, :]) @ np.swapaxes(vectors, 1, 2)
    noise = np.random.default_rng(1).standard_normal((2, n, 2)) / np.sqrt(2.0)
    drawn = mean + (spread @ (noise[0] + 1j * noise[1])[:, :, None])[:, :, 0]
    # The root of a covariance that is nearly singular keeps half of the digits.
    assert_allclose(
        divide(coefficients, part, rest, np.random.default_rng(1)), drawn, rtol=0, atol=1e-6
    )
    weight = coefficients.weight * (1.0 - np.sinc(coefficients.frequency_hz) ** 2)
    direct = sum(w * np.outer(v, v.conj()).real for w, v in zip(weight, drawn, strict=True))
    assert_allclose(window_covariance(coefficients, drawn, 1.0), direct, rtol=1e-12)


def test_draws_of_a_mode_under_red_motion_hold_its_realised_rms() -> None:
    """Bias and coverage of the Wiener draws with known spectra, 150 records.

    With right densities the draws are exact: 68 % of the truths lie in the 68 % interval,
    binomial error sqrt(0.68 x 0.32/150) = 3.8 %, three sigmas allowed.
    """
    rng = np.random.default_rng(11)
    n = 1000
    frequency = np.fft.rfftfreq(n, CADENCE)
    term = term_of(6.0, 0.012, np.diag([0.04, 0.0]))
    mode = line_density(term, frequency, n * CADENCE, CADENCE)[:, 0, 0]
    red = 0.02 / (0.3 + frequency) ** 2
    inside, ratio = 0, []
    for _ in range(150):
        truth = coloured(mode, n, rng)
        x = truth + coloured(red, n, rng)
        coefficients = shared_coefficients(grid_of(np.stack([x, np.zeros(n)], axis=1)))
        part = np.zeros((len(coefficients.frequency_hz), 2, 2))
        rest = part.copy()
        part[:, 0, 0] = mode[1:]
        rest[:, 0, 0], rest[:, 1, 1] = red[1:], 1e-9
        draws = [
            np.sqrt(
                window_covariance(coefficients, divide(coefficients, part, rest, rng), n * CADENCE)[
                    0, 0
                ]
            )
            for _ in range(60)
        ]
        low, middle, high = np.percentile(draws, [15.9, 50, 84.1])
        inside += low <= truth.std() <= high
        ratio.append(middle / truth.std())
    assert abs(inside / 150 - 0.683) < 3 * 0.038
    assert_allclose(np.mean(ratio), 1.0, atol=3 * np.std(ratio) / np.sqrt(150) + 0.005)


def test_lines_taken_out_leave_the_rest() -> None:
    rng = np.random.default_rng(5)
    n = 1000
    t = np.arange(n) * CADENCE
    rest = 0.02 * rng.standard_normal((n, 2))
    line = np.stack([0.5 * np.sin(2 * np.pi * 7.3 * t), np.zeros(n)], axis=1)
    grid = grid_of(line + rest)
    frequency = shared_coefficients(grid).frequency_hz
    term = term_of(7.3, 0.003, np.diag([0.125, 1e-6]))
    lines = line_density(term, frequency, n * CADENCE, CADENCE)
    white = np.repeat((2 * CADENCE * 0.02**2 * np.eye(2))[None], len(frequency), axis=0)
    quiet = without_lines(grid, [(6.8, 7.8)], lines, white)
    left = quiet.segments[0].shared_arcsec
    assert left.std(axis=0)[0] < 0.03
    # All the power that is left along y was there before: nothing is put in.
    assert_allclose(left[:, 1], grid.segments[0].shared_arcsec[:, 1], atol=0.005)


def test_principal_axes_name_the_larger_first() -> None:
    turn = np.radians(30.0)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    covariance = rotation @ np.diag([4.0, 1.0]) @ rotation.T
    assert_allclose(principal_axes(covariance), (2.0, 1.0, 30.0), rtol=1e-9)


def test_line_density_integrates_to_its_covariance() -> None:
    frequency = np.linspace(1e-3, 25.0, 400_001)
    covariance = np.array([[0.04, 0.01], [0.01, 0.09]])
    density = line_density(term_of(8.0, 0.02, covariance), frequency, 1e4, CADENCE)
    total = np.trapezoid(density, frequency, axis=0)
    # Folded once: what lies above 50 Hz, 1e-4 of the power at 0.02 damping, is not in it.
    assert_allclose(total, covariance, rtol=1e-3)
