"""Histories: the drive beside slow air, blur inside the frames, modes not found."""

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.findings import _is_shown
from blursplit.budget.histories import Histories, HistorySetup, _with_inside
from blursplit.budget.line_terms import LineTerm
from blursplit.definitions import Conditions, History
from blursplit.drive.terms import DriveTerm
from blursplit.motion.common import GridData, GridSegment
from blursplit.simulate.motion import _mode_density, _noise_series

RATE_HZ, N_DRAWS = 20.0, 40
RIG = Conditions(0.25, 0.3, 550e-9, 0.65)
WHITE = 0.004  # arcsec^2/Hz of air, the same at all frequencies


def grid_of(motion, exposure_s=0.008):
    n = len(motion)
    segment = GridSegment(0.0, motion, motion, np.ones(n, dtype=bool), np.arange(n))
    one, noise = np.zeros(1), np.full(1, 1e-6)
    star = np.zeros(1, dtype=np.int64)
    return GridData((segment,), star, one, one, noise, 1e-6, 1.0 / RATE_HZ, exposure_s)


def fit_of(open_level=1e-7, optics2=0.04, air=WHITE):
    """Return a posterior of white air and an open part of one level."""

    def flat(level):
        return lambda f: np.broadcast_to(
            level * np.eye(2)[None, :, :, None], (N_DRAWS, 2, 2, len(f))
        ).copy()

    ones = np.ones(N_DRAWS)
    return SimpleNamespace(
        j_outside=ones * 60.0,
        j_near=ones * 1e-3,
        outer_scale_m=ones * 25.0,
        near_outer_scale_m=ones,
        optics_arcsec2=ones[:, None, None] * optics2 * np.eye(2),
        optics_shape=ones * 0.0,
        optics_stated=False,
        model=SimpleNamespace(priors=SimpleNamespace(fast_is_steady=False)),
        noise_scale=ones,
        upper_j=ones * 60.0,
        one_star_motion_arcsec=lambda: ones * 0.3,
        shared_air_density=flat(air),
        open_density=flat(open_level),
    )


def histories_of(motion, fit=None, lines=(), terms=(), limit=np.inf, exposure_s=0.008, seed=1):
    hidden = np.geomspace(1.0, 50.0, 20) if np.isfinite(limit) else np.zeros(0)
    setup = HistorySetup(RIG, np.zeros((2, 2)), None, hidden, np.full(len(hidden), limit))
    return Histories.draw(
        grid_of(motion, exposure_s),
        fit or fit_of(),
        lines,
        terms,
        None,
        setup,
        n_draws=N_DRAWS,
        seed=seed,
    )


def white(n, rng, level=WHITE):
    return np.sqrt(level * RATE_HZ / 2) * rng.standard_normal((n, 2))


def test_drift_is_found_with_the_error_of_a_straight_line_in_white_motion():
    """Slope error of least squares: sqrt(12 S/2/T^3) for a one-sided density S (6 S/T^3)."""
    rng = np.random.default_rng(4)
    n = 800
    time = np.arange(n) / RATE_HZ
    drift = np.array([0.06, -0.02])
    rate = histories_of(white(n, rng) + time[:, None] * drift).drive.rate_arcsec_s
    sigma = np.sqrt(6.0 * WHITE / 40.0**3)
    assert_allclose(rate.mean(axis=0), drift, atol=4.0 * sigma)
    # The scatter of 40 draws is known to 11 %; slow open motion may widen it.
    assert np.all(rate.std(axis=0) > 0.6 * sigma)
    assert np.all(rate.std(axis=0) < 2.5 * sigma)


@pytest.mark.slow
def test_white_motion_is_seldom_called_drift():
    """Nominal 1 %: three sigmas of 60 records above it."""
    shown = 0
    for seed in range(60):
        motion = white(600, np.random.default_rng(seed))
        shown += _is_shown(histories_of(motion, seed=seed).drive.rate_arcsec_s)
    assert shown <= 0.01 * 60 + 3.0 * np.sqrt(0.01 * 0.99 * 60)


@pytest.mark.parametrize("turns", [1.0, 1.2, 2.0])
def test_drift_and_worm_together_stay_of_their_size(turns):
    """About one turn they trade places; their sum inside the record is measured all the same."""
    rng = np.random.default_rng(7)
    n = 1200
    time = np.arange(n) / RATE_HZ
    period = 60.0 / turns
    worm = 2.0 * np.sin(2.0 * np.pi * time / period + 0.7)
    path = np.stack([worm + 0.02 * time, 0.0 * time], axis=1)
    terms = [DriveTerm("worm", period, k, turns) for k in (1, 2, 3)]
    runs = histories_of(white(n, rng) + path, terms=terms)
    truth = np.cov(path.T, bias=True)[0, 0] ** 0.5
    drawn = [run.in_windows(60.0).motion_covariance("tracking")[0, 0] ** 0.5 for run in runs.runs]
    assert_allclose(np.median(drawn), truth, rtol=0.05)
    assert np.ptp(drawn) < 0.2 * truth
    # Physical rates: half the worm's steepest slope at the most, not two arcsec a second.
    assert np.abs(runs.drive.rate_arcsec_s).max() < 1.5


@pytest.mark.slow
def test_columns_without_motion_do_not_make_a_worm_larger():
    """Drift and two harmonics that are not there, in air as strong: no bias beyond its error."""
    n, turns = 600, 1.3
    time = np.arange(n) / RATE_HZ
    period = n / RATE_HZ / turns
    terms = [DriveTerm("worm", period, k, turns) for k in (1, 2, 3)]
    air, ratios, inside = 0.1, [], 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        worm = 0.35 * np.sin(2.0 * np.pi * (time / period + rng.random()))
        path = np.stack([worm, 0.0 * time], axis=1)
        runs = histories_of(white(n, rng, air) + path, fit_of(air=air), terms=terms, seed=seed)
        spread = [run.in_windows(60.0).motion_covariance("tracking") for run in runs.runs]
        rms = np.sqrt(np.linalg.eigvalsh(spread)[:, -1])
        ratios.append(np.log(np.median(rms) / worm.std()))
        inside += np.quantile(rms, 0.025) <= worm.std() <= np.quantile(rms, 0.975)
    assert abs(np.mean(ratios)) < 3.0 * np.std(ratios) / np.sqrt(len(ratios))
    # Twelve at 95 %, and 40 draws each: fewer than nine by a chance of 1 in 450.
    assert inside >= 9


def ringing(n, rng, rms=0.5, frequency=6.0):
    series = _noise_series(n, RATE_HZ, lambda f: _mode_density(f, frequency, 0.02), rng)
    return rms * series / series.std()


def line_of(frequency, rms, candidates, odds):
    fit = SimpleNamespace(
        frequency_hz=frequency,
        damping_ratio=0.02,
        damping_low=0.015,
        damping_high=0.025,
        covariance=np.diag([rms**2, 0.0]),
        rms=rms,
        rms_sigma=0.03 * rms,
    )
    return SimpleLine(fit, "structure", np.array(candidates), np.array(odds), np.ones(len(odds)))


class SimpleLine(LineTerm):
    """A line whose fit is not drawn anew."""

    def varied(self, rng):
        """Return the line itself."""
        del rng
        return self


def test_a_ringing_mode_is_drawn_as_it_was_in_this_record():
    rng = np.random.default_rng(9)
    path = ringing(1200, rng)
    motion = white(1200, rng) + np.stack([path, 0.0 * path], axis=1)
    runs = histories_of(motion, lines=[line_of(6.0, 0.5, [6.0], [1.0])]).runs
    drawn = np.array([run.path_arcsec["structure"][:, 0].std() for run in runs])
    # Amplitude errors of 2 % are drawn; what the white air hides adds a per cent.
    assert_allclose(np.median(drawn), path.std(), rtol=0.04)
    assert drawn.std() < 0.05 * path.std()


def test_blur_inside_the_frames_follows_from_the_true_frequency():
    """sinc^2(nu tau) of the variance is at frame times, the rest inside: here 0.405 and 0.595."""
    rng = np.random.default_rng(11)
    path = ringing(1200, rng)
    motion = white(1200, rng) + np.stack([path, 0.0 * path], axis=1)
    line = line_of(6.0, 0.5, [6.0, 14.0], [0.0, 1.0])
    runs = histories_of(motion, lines=[line], exposure_s=0.5 / 14.0).runs
    for run in runs[:5]:
        inside = run.inside_arcsec2["structure"][0, 0]
        seen = np.mean(run.path_arcsec["structure"][:, 0] ** 2)
        assert_allclose(inside / seen, (np.pi / 2) ** 2 - 1.0, rtol=1e-6)


def test_modes_that_were_not_found_are_drawn_half_the_time_and_below_their_limit():
    motion = white(400, np.random.default_rng(13))
    found = histories_of(motion, limit=0.05)
    hidden = found.hidden_rms_arcsec
    # An even chance, four sigmas of 40 draws; 5 % of modes of the limit's size are missed.
    assert 0.5 - 4 * np.sqrt(0.25 / 40) < np.mean(hidden > 0) < 0.5 + 4 * np.sqrt(0.25 / 40)
    assert hidden.max() < 3.0 * 0.05
    with_mode = [r for r, rms in zip(found.runs, hidden, strict=True) if rms > 0]
    assert all("structure" in run.path_arcsec for run in with_mode)
    # What it does inside the frames is taken from the optics: no light is invented.
    assert all(np.trace(run.optics_arcsec2) <= 0.08 + 1e-9 for run in found.runs)


def _open_of(tensors, memory, *, remembered=True):
    """Return the open tensor, and what of it the fit took for steady, beside 0.3 arcsec^2."""
    shapes = SimpleNamespace(
        is_shown=False,
        is_remembered=remembered,
        memory_probability=memory,
        mechanical_arcsec2=np.zeros((1, 2, 2)),
        tensors_of=lambda _draw: np.diag([0.3, 0.0])[None],
    )
    history = History(RIG, np.zeros(1), np.zeros(1, dtype=np.int64), inside_arcsec2=tensors)
    found, told = _with_inside(history, shapes, 0, np.random.default_rng(1))
    return found.inside_arcsec2.get("open"), told


def test_motion_that_is_remembered_is_open_beyond_what_lines_and_spectrum_explain():
    """Whether or not the fit has open motion of its own: the larger of the two is meant."""
    small, large = 0.01 * np.eye(2), 0.5 * np.eye(2)
    assert_allclose(_open_of({}, 1.0)[0], [np.diag([0.3, 0.0])])
    assert_allclose(_open_of({"open": small}, 1.0)[0], [np.diag([0.3, 0.0])])
    assert_allclose(_open_of({"open": large}, 1.0)[0], large)
    assert_allclose(_open_of({"structure": 0.05 * np.eye(2)}, 1.0)[0], [np.diag([0.2, 0.0])])
    assert _open_of({"structure": large}, 1.0)[0] is None
    # the fit holds what is remembered; what may be is taken from its steady blur, one axis each
    assert _open_of({}, 1.0)[1] == 0.0
    assert_allclose(_open_of({}, 1.0, remembered=False)[1], 0.15)
    assert _open_of({}, 0.0, remembered=False)[0] is None
