"""Tracking inside long frames, widths within the sequence, pairs over minutes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.answer import _narrowest_width_arcsec
from blursplit.evidence.long_frames import _drift_of_short_frames, _tracking_of_long_frames
from blursplit.motion.inside import FrameTensors

TAU, GAP = 60.0, 90.0  # s


def _frames(path_of, n: int, seed: int, *, noise: float = 0.01, air: float = 0.3):
    """Return positions, true tensors and measured tensors of frames along a path."""
    rng = np.random.default_rng(seed)
    fine = (np.arange(200) + 0.5) / 200 * TAU
    start = GAP * np.arange(n)
    path = path_of((start[:, None] + fine).ravel(), rng).reshape(n, 200, 2)
    middle = path.mean(axis=1)
    inside = path - middle[:, None]
    truth = np.einsum("nfi,nfj->nij", inside, inside) / 200
    seen = np.stack([truth[:, 0, 0], truth[:, 1, 1], truth[:, 0, 1]], axis=1)
    # seeing changes the trace alone
    seen[:, :2] += (air * rng.gamma(4.0, 0.25, n))[:, None]
    seen += 0.01 * rng.standard_normal(seen.shape)
    tensors = FrameTensors(
        start,
        np.zeros(n, dtype=np.int64),
        seen,
        np.full((n, 3), 0.01),
        np.full(3, 0.01),
        3,
    )
    return start, middle + noise * rng.standard_normal((n, 2)), truth, tensors


def _walk(t, rng):
    """Return Brownian motion along x, 0.05 arcsec^2/s, at times in order."""
    step = np.diff(t, prepend=t[0])
    x = np.cumsum(np.sqrt(0.05 * step) * rng.standard_normal(t.size))
    return np.stack([x, 0.2 * x], axis=1)


def _between(t, rng):
    """Return steps between the exposures only."""
    frame = (t // GAP).astype(int)
    place = np.cumsum(rng.standard_normal((frame.max() + 1, 2)), axis=0)
    return place[frame]


def _wave(t, _):
    """Return a worm of 12 arcsec in 900 s along x."""
    return np.stack([12.0 * np.sin(2 * np.pi * t / 900.0), 0.0 * t], axis=1)


@pytest.mark.parametrize(("path", "shown"), [(_between, False), (_wave, True)])
def test_elongations_that_follow_the_steps_show_tracking_inside_the_frames(path, shown):
    """Moves in the gaps are none, a worm is some, of the size it is."""
    where, inside = [], []
    for seed in range(6):
        time, shared, truth, tensors = _frames(path, 60, seed)
        found = _tracking_of_long_frames(
            time, np.zeros(60, dtype=np.int64), shared, np.full(60, 0.01), TAU, tensors, seed=seed
        )
        assert found is not None
        where.append(found.is_shown)
        low, high = np.quantile(found.inside_arcsec2[:, 0, 0], [0.025, 0.975])
        inside.append(low <= truth[:, 0, 0].mean() <= high)
        if not shown:
            assert high < 0.1
    assert np.mean(where) == pytest.approx(float(shown), abs=0.17)
    if shown:
        assert sum(inside) >= 4  # of 6 at 95 %: fewer has a chance of 0.2 %


def test_mixtures_of_even_motion_wander_and_moves_in_the_gaps_are_covered():
    """Mixtures drawn as the prior draws them: 95 % of the truths lie in the 95 % interval."""
    inside = []
    for seed in range(16):
        shares = np.random.default_rng(1000 + seed).dirichlet(np.full(3, 0.5))

        def mixed(t, rng, shares=shares):
            kinds = [_wave, _walk, _between]
            paths = [kind(t, rng) * [1.0, 0.2] for kind in kinds]
            whole = np.zeros_like(paths[0])
            for share, path in zip(shares, paths, strict=True):
                mean = path.reshape(-1, 200, 2).mean(axis=1)
                whole += np.sqrt(share / np.mean(np.diff(mean[:, 0]) ** 2)) * path
            return whole

        time, shared, truth, tensors = _frames(mixed, 80, seed)
        found = _tracking_of_long_frames(
            time, np.zeros(80, dtype=np.int64), shared, np.full(80, 0.01), TAU, tensors, seed=seed
        )
        assert found is not None
        low, high = np.quantile(found.inside_arcsec2[:, 0, 0], [0.025, 0.975])
        inside.append(low <= truth[:, 0, 0].mean() <= high)
    assert sum(inside) >= 13  # of 16 at 95 %: fewer has a chance of 0.7 %


def test_without_tensors_the_steps_alone_leave_a_range_from_nothing_to_wander():
    """The scatter of the steps bounds the motion; it proves none."""
    time, shared, truth, _ = _frames(_walk, 60, 3)
    found = _tracking_of_long_frames(
        time, np.zeros(60, dtype=np.int64), shared, np.full(60, 0.01), TAU
    )
    assert found is not None
    assert not found.is_shown
    draws = found.inside_arcsec2[:, 0, 0]
    assert np.quantile(draws, 0.05) < 0.3 * truth[:, 0, 0].mean() < np.quantile(draws, 0.95)


def test_air_that_is_new_in_each_frame_is_no_tracking():
    """A worm's steps beside white places of twice their size; without the worm next to nothing."""
    n, air, worm, none = 60, 0.5, [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        wander = air * rng.standard_normal((n, 2))
        amplitude = 4.0 * np.sin(2 * np.pi * np.arange(n) * GAP / 3000.0 + seed)
        path = np.stack([amplitude, 0.0 * amplitude], axis=1)
        for of, into in ((path + wander, worm), (wander, none)):
            time = GAP * np.arange(n)
            found = _tracking_of_long_frames(
                time, np.zeros(n, dtype=np.int64), of, np.full(n, 0.01), TAU, n_draws=2000
            )
            into.append(
                np.median(
                    np.trace(found.inside_arcsec2 / found.share[:, None, None], axis1=1, axis2=2)
                )
            )
    # Even steps of this worm: variance of its slope, and the step's own, over 12.
    even = (4.0 * 2 * np.pi / 3000.0 * GAP) ** 2 / 2 / 12
    # A product of steps scatters by sqrt(13) v (Gaussian moments), so that v is known to 0.47 of
    # itself from one run; two axes and ten runs.
    known = np.sqrt(13.0 / n)
    all_of_it = 4.0 * air**2 / 12
    assert abs(np.mean(worm) - even) < 3.0 * known / np.sqrt(20) * all_of_it
    # Of nothing the positive half is left, 0.4 sigma, once more for the draws, and three errors.
    most = (0.4 * np.sqrt(2.0) + 3.0 * 0.58 / np.sqrt(20)) * known
    assert np.mean(none) < most * all_of_it


def test_a_steady_drift_gives_its_rate_and_the_duty_cycle_squared():
    """Closed form: V = (rate tau)^2 / 12, the share of an even step."""
    rate = np.array([0.02, -0.01])  # arcsec/s
    time, shared, truth, _ = _frames(lambda t, _: t[:, None] * rate, 40, 1, noise=0.0)
    found = _tracking_of_long_frames(time, np.zeros(40, dtype=np.int64), shared, np.zeros(40), TAU)
    assert found is not None
    assert_allclose(found.drift_arcsec_per_min.mean(axis=0), 60 * rate, rtol=1e-9)
    assert_allclose(truth[0], np.outer(rate, rate) * TAU**2 / 12, rtol=1e-3)
    assert_allclose(found.step_rms_arcsec, np.abs(rate) * GAP, rtol=1e-6)


def test_few_steps_give_nothing():
    """Four steps, and a run that is all gaps."""
    time, shared, _, _ = _frames(_walk, 5, 1)
    noise = np.zeros(5)
    assert _tracking_of_long_frames(time, np.arange(5), shared, noise, TAU) is None
    assert _tracking_of_long_frames(time[:4], np.zeros(4, int), shared[:4], noise[:4], TAU) is None


def test_the_narrowest_frames_bound_what_is_constant():
    """FWHM^2 = A + B X^1.2 under a changing airmass: the bound lies above A, below most frames."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        airmass = np.linspace(1.0, 2.4, 80)
        seeing = 2.0 * airmass**0.6 * np.exp(0.08 * rng.standard_normal(80))
        width = np.sqrt(1.5**2 + seeing**2)
        narrowest = _narrowest_width_arcsec(width, np.full(80, 0.02))
        assert narrowest is not None
        assert 1.5 < narrowest < np.median(width)
    assert _narrowest_width_arcsec(width[:9], np.full(9, 0.05)) is None


def test_drift_of_short_frames_holds_the_true_rate_and_forgets_dithers():
    """White motion of 0.2 arcsec, a drift of 2 arcsec/min and a dither: both are found.

    The slope's error over 30 s of 900 frames is 0.2/(30/sqrt(12) sqrt(900)) = 7.7e-4 arcsec/s; its
    median over draws scatters by as much, the draws themselves by Student's t of 17 degrees.
    """
    rng = np.random.default_rng(3)
    time_s = np.sort(rng.uniform(0.0, 30.0, 900))
    segment = (time_s > 14.0).astype(np.int64)
    path = 0.2 * rng.standard_normal((900, 2)) + time_s[:, None] * np.array([2.0, -1.0]) / 60.0
    path += 5.0 * segment[:, None]
    drawn = _drift_of_short_frames(time_s, segment, path, n_draws=4000, seed=1)
    # both halves have a mean of their own: the spread of time inside them is half of the whole
    error = 2 * 7.7e-4
    assert_allclose(np.median(drawn, axis=0), np.array([2.0, -1.0]) / 60.0, atol=4 * error)
    assert_allclose(drawn.std(axis=0), error, rtol=0.6)
