"""A periodic error of known period from what a record shows of it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import DRIVE_SHOWN_GAIN as SHOWN_GAIN
from blursplit.drive.periodic_error import (
    PHASES,
    _draw_periodic_error,
    _drive_curves,
    _harmonic_columns,
    _likelihood_gain,
    _view_period,
)
from blursplit.drive.terms import DriveRecord, DriveTerm

PERIOD_S, STEP_S, NOISE = 100.0, 0.5, 0.3


def seen(turns, coefficients, angle_deg, rng, *, noise=NOISE, drift=(0.05, -0.02)):
    """Return response and readings of a record with white noise, drift and a periodic error."""
    time_s = STEP_S * np.arange(round(turns * PERIOD_S / STEP_S))
    own = _harmonic_columns(time_s, PERIOD_S, 3)
    toward = [np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))]
    motion = np.outer(own @ coefficients, toward) + np.outer(time_s, drift)
    motion += noise * rng.standard_normal((len(time_s), 2))
    weights, response = _view_period(own, np.stack([np.ones_like(time_s), time_s], axis=1))
    assert_allclose(weights @ weights.T, np.eye(len(weights)), atol=1e-10)
    size = len(weights)
    return response, weights @ motion, np.broadcast_to(noise**2 * np.eye(size), (2, size, size))


def sine(amplitude, phase_rad=0.7):
    return amplitude * np.array([np.cos(phase_rad), np.sin(phase_rad), 0, 0, 0, 0])


def test_exposure_takes_its_sinc_off_each_harmonic():
    time_s = np.linspace(0.0, PERIOD_S, 500, endpoint=False)
    fine = (np.arange(400) + 0.5) / 400 - 0.5
    for k in (1, 2, 3):
        wave = np.cos(2 * np.pi * k * (time_s[:, None] + 20.0 * fine) / PERIOD_S).mean(axis=1)
        columns = _harmonic_columns(time_s, PERIOD_S, 3, exposure_s=20.0)
        assert_allclose(columns[:, 2 * k - 2], wave, atol=1e-4)  # midpoints: (pi k/5)^2/24/400^2


@pytest.mark.parametrize(("cadence_s", "harmonics"), [(1.0, 3), (20.0, 2), (40.0, 1), (60.0, 0)])
def test_only_harmonics_below_half_the_frame_rate_are_used(cadence_s, harmonics):
    """Of 100 s: the k-th lies at k/100 Hz, half the rate at 0.5/cadence."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 1200.0, cadence_s)
    motion = NOISE * rng.standard_normal((time_s.size, 2))
    motion[:, 0] += np.sin(2 * np.pi * time_s / 100.0)
    record = DriveRecord(time_s, motion, np.zeros(time_s.size, int), cadence_s, cadence_s / 9)
    curves = _drive_curves(record, [DriveTerm("worm", 100.0, 1, 12.0)], rng)
    assert [c.error.draws_arcsec.shape[1] // 2 for c in curves] == [harmonics] * bool(harmonics)


def test_view_is_blind_to_offset_and_drift():
    rng = np.random.default_rng(0)
    _, readings, _ = seen(0.4, np.zeros(6), 0.0, rng, noise=1e-9, drift=(3.0, -1.0))
    assert_allclose(readings, 0.0, atol=1e-6)


def test_several_turns_give_the_least_squares_answer():
    rng = np.random.default_rng(1)
    truth = np.array([2.0, -1.0, 0.5, 0.1, 0.0, 0.3])
    response, readings, errors = seen(4.0, truth, 30.0, rng)
    error = _draw_periodic_error(readings, errors, response, rng)
    assert _likelihood_gain(readings, errors, response) > SHOWN_GAIN
    along = error.along(30.0)
    plain = np.linalg.solve(response, readings) @ [np.cos(np.pi / 6), np.sin(np.pi / 6)]
    # 0.3 arcsec over 800 frames: 0.015 arcsec each; the prior moves none by more than a tenth of
    # it, 1200 draws know the mean to 0.0005.
    assert_allclose(along.mean(axis=0), plain, atol=0.003)
    assert_allclose(along.std(axis=0), NOISE / np.sqrt(400), rtol=0.15)  # sine beside a drift
    assert_allclose(np.median(error.angles_deg()), 30.0, atol=3 * np.degrees(0.015 / 2.2))


def test_a_sine_of_which_only_the_bend_is_seen_may_have_any_phase():
    """The amplitude is the bend's over the cosine of an evenly spread phase."""
    rng = np.random.default_rng(2)
    # One harmonic, one reading, hardly any noise: amplitude times cos(phase) = 1.
    response, readings = np.array([[1.0, 0.0]]), np.array([[1.0, 0.0]])
    errors = np.array([[[1e-8]], [[1e8]]])  # across says nothing
    error = _draw_periodic_error(readings, errors, response, rng, angle_deg=0.0, n_draws=20000)
    half = 0.5 * error.peak_to_peak_arcsec(0.0)
    share = np.array([0.16, 0.5, 0.84])
    # Quantiles of 1/cos(pi u/2); 20,000 draws know each share to 0.0035, three sigmas, and sizes
    # end at two minutes of arc.
    found = [np.mean(half < 1 / np.cos(np.pi * u / 2)) for u in share]
    assert_allclose(found, share, atol=0.015)


def test_a_limit_takes_what_hides_best():
    rng = np.random.default_rng(6)
    response, readings, errors = seen(0.5, np.zeros(6), 0.0, rng)
    usual, hidden = (
        np.quantile(
            _draw_periodic_error(
                readings, errors, response, rng, angle_deg=0.0, for_limit=it
            ).peak_to_peak_arcsec(0.0),
            0.95,
        )
        for it in (False, True)
    )
    # A sine through zero in the middle of half a turn is nearly a line.
    assert hidden > 2.0 * usual


@pytest.mark.slow
@pytest.mark.parametrize("turns", [0.5, 1.0, 2.0])
def test_size_lies_inside_its_interval(turns):
    inside, inside95, shown = 0, 0, 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        coefficients = sine(3.0, rng.uniform(0, 2 * np.pi))
        turn = rng.uniform(0, 2 * np.pi)
        coefficients[2:4] = rng.rayleigh(0.5) * np.array([np.cos(turn), np.sin(turn)])
        response, readings, errors = seen(turns, coefficients, rng.uniform(0, 180), rng)
        error = _draw_periodic_error(readings, errors, response, rng, n_draws=400)
        if _likelihood_gain(readings, errors, response) < SHOWN_GAIN:
            continue
        shown += 1
        angles = np.radians(error.angles_deg())
        angle = np.degrees(np.angle(np.mean(np.exp(2j * angles)))) / 2
        truth = np.ptp(_harmonic_columns(PHASES, 1.0, 3) @ coefficients)
        sizes = error.peak_to_peak_arcsec(angle)
        low95, low, high, high95 = np.quantile(sizes, (0.025, 0.16, 0.84, 0.975))
        inside += low <= truth <= high
        inside95 += low95 <= truth <= high95
    assert shown >= 54
    # binomial: 68 +- 6 % and 95 +- 2.8 % of 60; three sigmas below, as intervals may be wide
    assert inside > 0.50 * shown
    assert inside95 > 0.86 * shown


@pytest.mark.slow
@pytest.mark.parametrize("turns", [0.5, 2.0])
def test_noise_alone_is_seldom_called_an_error(turns):
    shown = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        response, readings, errors = seen(turns, np.zeros(6), 0.0, rng)
        shown += _likelihood_gain(readings, errors, response) > SHOWN_GAIN
    assert shown <= 4  # nominal 1 of 100, 99.6 % of the binomial


def test_turned_image_turns_the_answer():
    rng = np.random.default_rng(3)
    response, readings, errors = seen(2.0, sine(2.0), 20.0, rng)
    quarter = readings @ np.array([[0.0, 1.0], [-1.0, 0.0]])  # x toward y
    sizes, angles = [], []
    for each in (readings, quarter):
        error = _draw_periodic_error(each, errors, response, np.random.default_rng(4))
        angles.append(np.median(error.angles_deg()))
        sizes.append(np.median(error.peak_to_peak_arcsec(angles[-1])))
    # medians of 1200 draws of 0.03 arcsec and 0.5 deg; five sigmas
    assert_allclose(sizes[1], sizes[0], atol=0.008)
    assert_allclose(angles[1] - angles[0], 90.0, atol=0.15)
