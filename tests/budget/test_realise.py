"""The division of a record among its parts: draws must scatter as they say."""

import numpy as np
from numpy.testing import assert_allclose

from blursplit.budget.line_terms import LineTerm, _shared_coefficients, _to_series
from blursplit.motion.common import GridData, GridSegment
from blursplit.spectra import LineFit
from blursplit.spectra.periodogram import Continuum

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
        followed=np.ones(1),
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
        coefficients = _shared_coefficients(grid)
        series = _to_series(coefficients, coefficients.value, grid)[0]
        flat = grid.segments[0].shared_arcsec
        t = np.arange(n) - (n - 1) / 2
        flat = flat - flat.mean(axis=0) - np.outer(t, t @ flat / (t @ t))
        assert_allclose(series, flat, atol=1e-10)
        assert_allclose((np.abs(coefficients.value) ** 2).sum(axis=0), flat.var(axis=0), rtol=1e-9)


def test_lines_taken_out_leave_the_rest() -> None:
    rng = np.random.default_rng(5)
    n = 1000
    t = np.arange(n) * CADENCE
    rest = 0.02 * rng.standard_normal((n, 2))
    line = np.stack([0.5 * np.sin(2 * np.pi * 7.3 * t), np.zeros(n)], axis=1)
    grid = grid_of(line + rest)
    term = term_of(7.3, 0.003, np.diag([0.125, 1e-6]))
    level = np.log(2 * CADENCE * 0.02**2)
    knots = np.repeat([-8.0, 0.0], 4)  # one piece of a cubic, constant
    white = Continuum(knots, np.full((4, 4), level), 0.1, 25.0, 25.0)
    quiet = LineTerm.taken_out([term], grid, white)
    left = quiet.segments[0].shared_arcsec
    assert left.std(axis=0)[0] < 0.03
    # All the power that is left along y was there before: nothing is put in.
    assert_allclose(left[:, 1], grid.segments[0].shared_arcsec[:, 1], atol=0.005)


def test_line_density_integrates_to_its_covariance() -> None:
    frequency = np.linspace(1e-3, 25.0, 400_001)
    covariance = np.array([[0.04, 0.01], [0.01, 0.09]])
    density = term_of(8.0, 0.02, covariance).density(frequency, 1e4, CADENCE)
    total = np.trapezoid(density, frequency, axis=0)
    # Folded once: what lies above 50 Hz, 1e-4 of the power at 0.02 damping, is not in it.
    assert_allclose(total, covariance, rtol=1e-3)
