"""The fit of a focus curve on curves whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from blursplit.evidence.focus import FocusFit
from blursplit.evidence.focus_runs import _defocus_sigma_arcsec, _equivalent_variance
from blursplit.image.otf import defocus_loss

APERTURE_M, FOCAL_M, WAVELENGTH_M, OBSTRUCTION = 0.25, 1.25, 550e-9, 0.3
BASELINE = np.linspace(0.05, 0.3, 8)
CYCLES = BASELINE * APERTURE_M / WAVELENGTH_M / 206264.80625
TELESCOPE = {
    "aperture_m": APERTURE_M,
    "wavelength_m": WAVELENGTH_M,
    "obstruction": OBSTRUCTION,
}
SIGMA, LOSS = defocus_loss(BASELINE, **TELESCOPE)
TABLE = (SIGMA, _equivalent_variance(LOSS, CYCLES))
SLOPE = float(
    _defocus_sigma_arcsec(
        1e-6, aperture_m=APERTURE_M, focal_length_m=FOCAL_M, obstruction=OBSTRUCTION
    )
)  # for a step of 1 um
POSITION = np.array([-60.0, -30.0, 0.0, 30.0, 60.0])
REST, ERROR = 0.1, 0.004  # arcsec^2: registered widths of 0.75 arcsec, measured to 2 %


def widths(best, air, position=POSITION):
    return np.interp(SLOPE * np.abs(position - best), *TABLE) + REST * air


def fit(variance, position=POSITION, seed=0, **more):
    return FocusFit.of(
        position,
        variance,
        np.full(len(position), ERROR),
        loss=TABLE,
        rng=np.random.default_rng(seed),
        **more,
    )


def test_best_focus_slope_and_defocus_are_found_on_a_clean_curve():
    found = fit(widths(12.0, np.ones(5)))
    # five points of error 0.004 on a curve that rises by 0.15 over 50 steps: a step or so, and
    # 25 % of 0.1 for air that the fit must allow for: three more
    np.testing.assert_allclose(np.median(found.best), 12.0, atol=2.0)
    np.testing.assert_allclose(np.median(found.slope_arcsec), SLOPE, rtol=0.05)
    np.testing.assert_allclose(np.median(found.rest_arcsec2), REST, rtol=0.1)
    np.testing.assert_allclose(np.median(found.defocus_arcsec(60.0)), 48 * SLOPE, rtol=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("predicted", [None, (SLOPE, 0.1)], ids=["free slope", "known slope"])
def test_intervals_hold_the_truth_as_often_as_they_say(predicted):
    rng = np.random.default_rng(7)
    ranks = []
    for seed in range(150):
        best = rng.uniform(-30, 30)
        air = np.exp(0.2 * rng.standard_normal(5))
        measured = widths(best, air) + ERROR * rng.standard_normal(5)
        found = fit(measured, seed=seed, predicted_slope=predicted)
        away = SLOPE * abs(60.0 - best)
        ranks.append([np.mean(found.best < best), np.mean(found.defocus_arcsec(60.0) < away)])
    ranks = np.array(ranks)
    inside = ((ranks > 0.16) & (ranks < 0.84)).mean(axis=0)
    # 150 trials scatter by 0.04; the air's scatter is taken as a little larger than it was
    assert np.all((inside > 0.56) & (inside < 0.88)), inside
    assert np.all(((ranks > 0.025) & (ranks < 0.975)).mean(axis=0) > 0.9)


def test_air_that_pairs_saw_change_is_taken_out():
    """Seeing that worsens all along makes later positions look further out of focus."""
    trend = np.exp(np.linspace(-0.4, 0.4, 5))
    blind = fit(widths(0.0, trend))
    seeing = fit(widths(0.0, trend), log_air=np.log(trend), log_air_error=np.full(5, 0.05))
    assert np.median(blind.best) < -3.0
    assert abs(np.median(seeing.best)) < 0.5 * abs(np.median(blind.best))
    assert np.ptp(np.percentile(seeing.best, (16, 84))) < np.ptp(
        np.percentile(blind.best, (16, 84))
    )


def test_a_factor_common_to_all_runs_of_what_pairs_see_says_nothing():
    air = np.exp(0.1 * np.array([1.0, -1.0, 0.5, 0.0, -0.5]))
    log_air = np.log(air)
    two = [
        fit(widths(5.0, air), log_air=log_air + shift, log_air_error=np.full(5, 0.05))
        for shift in (0.0, 7.0)
    ]
    np.testing.assert_allclose(two[0].best, two[1].best, rtol=1e-6, atol=1e-6)


def test_units_and_zero_of_the_position_do_not_matter():
    variance = widths(12.0, np.ones(5))
    first, other = fit(variance), fit(variance, position=30000.0 + 4.0 * POSITION)
    np.testing.assert_allclose(other.best, 30000.0 + 4.0 * first.best, rtol=1e-6)
    np.testing.assert_allclose(other.slope_arcsec, first.slope_arcsec / 4.0, rtol=1e-6)


def test_a_flat_curve_bounds_the_defocus_from_above():
    found = fit(np.full(5, REST))
    far = np.percentile(found.defocus_arcsec(60.0), 97.7)
    # a defocus of 0.5 arcsec rms at the end, best focus in the middle, would have added 0.12
    assert far < 0.5
    assert np.median(found.defocus_arcsec(0.0)) < 0.15


def test_two_positions_are_enough_where_the_slope_is_known():
    two = np.array([0.0, 40.0])
    variance = widths(0.0, np.ones(2), position=two)
    found = fit(variance, position=two, predicted_slope=(SLOPE, 0.1))
    low, high = np.percentile(found.defocus_arcsec(40.0), (2.3, 97.7))
    assert low < 40.0 * SLOPE < high
