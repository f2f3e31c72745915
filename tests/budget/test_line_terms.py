"""Lines as parts of the budget."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
from numpy.testing import assert_allclose

from blursplit import constants as const
from blursplit.budget.line_search import (
    _damping_log_odds,
    _image_log_odds,
    _ShapesSay,
    _StarImage,
    _with_shapes,
)
from blursplit.budget.line_terms import LineTerm
from blursplit.budget.lines import FoundLine
from blursplit.image.otf import HalfMaximum
from blursplit.spectra import AliasDecision, LineFit


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
    mean, _ = LineTerm.blur_inside([line], 0.02, cycles)
    assert_allclose(mean, expected, rtol=0.01)


def test_strong_blur_inside_exposures_falls_slower_than_a_gaussian() -> None:
    line = term(8.0, np.diag([4.0, 4.0]))
    cycles = np.array([0.8])
    gaussian = -2 * np.pi**2 * cycles**2 * np.trace(hidden(line, 8.0, 0.03)) / 2
    mean, _ = LineTerm.blur_inside([line], 0.03, cycles)
    assert mean[0] > 0.8 * gaussian[0]


def test_undecided_alias_leaves_the_blur_in_doubt() -> None:
    cycles = np.array([0.3])
    decided = LineTerm.blur_inside([term(5.0, 0.1 * np.eye(2))], 0.01, cycles)
    open_ = LineTerm.blur_inside([term(5.0, 0.1 * np.eye(2), [5.0, 45.0])], 0.01, cycles)
    fast = LineTerm.blur_inside([term(5.0, 0.1 * np.eye(2), [45.0])], 0.01, cycles)
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


def found_line(kind: str = "resonance") -> FoundLine:
    """Return a line of 0.02 arcsec^2 with two candidates as likely, tau = 0.1 s."""
    fit = replace(term(4.0, np.diag([0.01, 0.01])).fit, kind=kind)
    return FoundLine(fit, None, AliasDecision(np.array([4.0, 6.0]), np.full(2, 0.5), ()))


def shapes_of(arcsec2: float, missed_arcsec2: float) -> _ShapesSay:
    """Return what shapes say of a motion known to 10 %, beside one size of a missed mode."""
    sigma = float(np.hypot(0.1, const.LINE_INSIDE_SIGMA))
    return _ShapesSay((float(np.log(arcsec2)), sigma), np.array([missed_arcsec2]), np.ones(1))


def test_motion_inside_the_frames_weighs_the_true_frequencies() -> None:
    """A missed mode of no size leaves the closed form: a normal of the logarithm."""
    line = found_line()
    size = [float(np.trace(hidden(term(hz, np.diag([0.01, 0.01])), hz, 0.1))) for hz in (4.0, 6.0)]
    (told,) = _with_shapes([line], shapes_of(size[1], 0.0), 0.1)
    away = np.log(size[0] / size[1]) / np.hypot(0.1, const.LINE_INSIDE_SIGMA)
    expected = 1.0 / (1.0 + np.exp(-0.5 * away**2))
    # beside the odds that no evidence takes away
    assert_allclose(told.alias.odds[1], expected, atol=const.ALIAS_ODDS_FLOOR)
    assert told.alias.evidence == ("motion inside the frames",)


def test_a_mode_that_was_missed_may_explain_what_the_line_does_not() -> None:
    """Both frequencies stay where another mode has all that the shapes show."""
    (told,) = _with_shapes([found_line()], shapes_of(0.5, 0.47), 0.1)
    assert 0.3 < told.alias.odds[0] < 0.7


def test_a_steady_line_says_nothing_of_what_the_shapes_remember() -> None:
    (told,) = _with_shapes([found_line("steady")], shapes_of(0.05, 0.05), 0.1)
    assert_allclose(told.alias.odds, 0.5)


def test_missed_modes_are_those_below_the_limit() -> None:
    """Of a mode that no search finds every size is as likely; large ones of a found one are not."""
    inside = SimpleNamespace(mechanical_arcsec2=np.full((9, 2, 2), 0.1))
    limits = np.array([np.inf, 0.05])
    said = _ShapesSay.of(inside, 0.3, np.array([7.0, 7.0]), limits)
    chance = said.chance.reshape(-1, 2)
    assert_allclose(chance[:, 0], chance[0, 0])
    assert chance[-1, 1] < 1e-4 * chance[0, 1]
    assert_allclose(said.chance.sum(), 1.0)
