"""Lines as parts of the budget."""

import numpy as np
from numpy.testing import assert_allclose

from blursplit.budget.line_search import _damping_log_odds, _image_log_odds, _StarImage
from blursplit.budget.line_terms import LineTerm, blur_inside_exposure
from blursplit.image.otf import HalfMaximum
from blursplit.spectra import LineFit


def term(
    frequency: float, covariance: np.ndarray, candidates: list[float] | None = None
) -> LineTerm:
    fit = LineFit(
        frequency_hz=frequency,
        frequency_sigma=0.01,
        damping_ratio=0.01,
        damping_low=0.009,
        damping_high=0.011,
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
    found = np.array(candidates or [frequency])
    odds = np.full(len(found), 1.0 / len(found))
    return LineTerm(fit, "structure", found, odds, np.ones(len(found)))


def hidden(line: LineTerm, true_hz: float, exposure_s: float) -> np.ndarray:
    """Covariance of the motion that exposures hide: 1 - sinc^2 of the whole, over what is seen."""
    kept = np.sinc(true_hz * exposure_s) ** 2
    return line.fit.covariance * (1 - kept) / kept


def test_small_blur_inside_exposures_is_gaussian() -> None:
    """To first order ln OTF = -2 pi^2 f^2 times the mean variance over directions."""
    line = term(8.0, np.diag([0.01, 0.02]))
    cycles = np.array([0.05, 0.1])
    expected = -2 * np.pi**2 * cycles**2 * np.trace(hidden(line, 8.0, 0.02)) / 2
    mean, _ = blur_inside_exposure([line], 0.02, cycles)
    assert_allclose(mean, expected, rtol=0.01)


def test_strong_blur_inside_exposures_falls_slower_than_a_gaussian() -> None:
    line = term(8.0, np.diag([4.0, 4.0]))
    cycles = np.array([0.8])
    gaussian = -2 * np.pi**2 * cycles**2 * np.trace(hidden(line, 8.0, 0.03)) / 2
    mean, _ = blur_inside_exposure([line], 0.03, cycles)
    assert mean[0] > 0.8 * gaussian[0]


def test_undecided_alias_leaves_the_blur_in_doubt() -> None:
    cycles = np.array([0.3])
    decided = blur_inside_exposure([term(5.0, 0.1 * np.eye(2))], 0.01, cycles)
    open_ = blur_inside_exposure([term(5.0, 0.1 * np.eye(2), [5.0, 45.0])], 0.01, cycles)
    fast = blur_inside_exposure([term(5.0, 0.1 * np.eye(2), [45.0])], 0.01, cycles)
    assert fast[0][0] < open_[0][0] < decided[0][0]
    # half of the distance between the two, even odds
    assert_allclose(open_[1], 0.5 * abs(fast[0] - decided[0]), rtol=0.25)
    assert open_[1][0] > 3 * decided[1][0]


def test_cores_cover_the_line_and_the_resolution() -> None:
    low, high = term(10.0, np.eye(2)).core_hz(30.0)
    assert_allclose([low, high], [10 - 0.4 - 0.1, 10 + 0.4 + 0.1])


def test_narrow_registered_star_rules_out_motion_faster_than_the_exposures() -> None:
    star = _StarImage(HalfMaximum(1.0, 1.02, 0.98, 0.0), 0.01, 0.7)
    fit = term(6.0, np.diag([0.5, 0.0])).fit
    odds = _image_log_odds(fit, np.array([6.0, 106.0]), 0.008, star)
    assert odds[0] > -1.0
    assert odds[1] < -20.0
    # a width known to a third hardly speaks: sigma of its square grows from 0.10 to 0.67
    at = np.array([55.0])
    known, doubted = (
        _image_log_odds(fit, at, 0.008, _StarImage(star.registered, error, 0.7))
        for error in (0.01, 0.33)
    )
    assert -400.0 < known[0] < -1.0
    assert_allclose(doubted, known * (0.102 / 0.668) ** 2, rtol=0.03)


def test_usual_damping_is_preferred_over_hardly_any() -> None:
    fit = term(6.0, np.eye(2)).fit
    odds = _damping_log_odds(fit, np.array([6.0, 194.0]))
    assert odds[0] > odds[1]
