"""Drift of the shared motion, beside slow currents that have a trend of their own."""

from types import SimpleNamespace

import numpy as np

from blursplit.budget.assemble import _periodic_terms
from blursplit.budget.drift import DriftDraws, draw_drift, drive_terms
from blursplit.simulate.motion import current_density, noise_series

RATE_HZ, LENGTH_S, N_DRAWS = 20.0, 30.0, 100
FINE_HZ = np.geomspace(0.1 / LENGTH_S, RATE_HZ / 2, 60)
WHITE = 0.02  # arcsec^2/Hz


def drift_of(motion: np.ndarray, rng: np.random.Generator, terms=()) -> DriftDraws:
    """Fit drift to a record of which the model knows the white part alone."""
    grid = SimpleNamespace(
        segments=[
            SimpleNamespace(start_s=0.0, shared_arcsec=motion, real=np.ones(len(motion), bool))
        ],
        cadence_s=1.0 / RATE_HZ,
    )
    flat = np.full((N_DRAWS, 2, len(FINE_HZ)), WHITE)
    model = SimpleNamespace(
        table=SimpleNamespace(fine_hz=FINE_HZ),
        shared_air_density=lambda _draws: flat,
        excess_density=lambda _draws, _hz: np.zeros_like(flat),
    )
    fit = SimpleNamespace(model=model, draws=np.zeros((N_DRAWS, 1)))
    return draw_drift(grid, fit, list(terms), LENGTH_S, rng)


def is_shown(draws: DriftDraws) -> bool:
    """Whether the 95 % region of the rate (chi-square, two degrees) leaves zero out."""
    mean = draws.rate_arcsec_s.mean(axis=0)
    return bool(mean @ np.linalg.solve(np.cov(draws.rate_arcsec_s.T), mean) > 5.99)


def white(rng: np.random.Generator) -> np.ndarray:
    n = round(RATE_HZ * LENGTH_S)
    return np.sqrt(WHITE * RATE_HZ / 2) * rng.standard_normal((n, 2))


def test_slow_currents_that_no_spectrum_resolves_are_seldom_called_drift():
    shown = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        motion = white(rng)
        slow = noise_series(4 * len(motion), RATE_HZ, lambda f: current_density(f, 4.0), rng)
        motion = motion + 0.3 * np.stack([slow[: len(motion)], slow[-len(motion) :]], axis=1)
        shown += is_shown(drift_of(motion, rng))
    # Nominal 5 %, three sigmas of 60 draws above it. With the model alone 57 of 60 are shown.
    assert shown <= 0.05 * 60 + 3 * np.sqrt(0.05 * 0.95 * 60)


def test_white_motion_is_not_called_drift_more_often_than_stated():
    shown = sum(
        is_shown(drift_of(white(np.random.default_rng(seed)), np.random.default_rng(seed + 500)))
        for seed in range(120)
    )
    # 5 % nominal, cautious by the scale's floor of one; 3 sigmas of 120 draws above that
    assert shown <= 0.05 * 120 + 3 * np.sqrt(0.05 * 0.95 * 120)


def test_real_drift_lies_within_the_draws():
    hits = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        motion = white(rng)
        motion = motion + np.outer(np.arange(len(motion)) / RATE_HZ, [0.08, -0.03])
        draws = drift_of(motion, rng)
        assert is_shown(draws)
        low, high = np.percentile(draws.rate_arcsec_s[:, 0], [2.5, 97.5])
        hits += low < 0.08 < high
    assert hits >= 57 - 3 * np.sqrt(60 * 0.05 * 0.95)


def test_periods_under_a_turn_are_listed_without_an_amplitude():
    instrument = SimpleNamespace(
        get=lambda key, default=None: [10.0, 90.0] if key == "worm_period_s" else default
    )
    terms = drive_terms(instrument, LENGTH_S)
    rng = np.random.default_rng(4)
    time = np.arange(round(RATE_HZ * LENGTH_S)) / RATE_HZ
    worm = 1.5 * np.sin(2 * np.pi * time / 10.0)
    motion = white(rng) + np.outer(worm, [0.0, 1.0])
    found = _periodic_terms(drift_of(motion, rng, terms))
    first, last = found[0], found[-1]
    assert (first.period_s, first.harmonic, first.turns_covered) == (10.0, 1, 3.0)
    # white motion of 0.02 arcsec^2/Hz over 30 s: 0.026 arcsec on each amplitude; five of them
    assert abs(first.amplitude_arcsec.value - 1.5) < 0.13
    assert abs(first.angle_deg - 90.0) < 5.0
    assert (last.period_s, last.amplitude_arcsec) == (90.0, None)
    assert abs(last.turns_covered - 1 / 3) < 1e-9
