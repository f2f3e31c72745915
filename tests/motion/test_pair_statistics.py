"""Differential motion of pairs: shared motion drops out, noise comes off, axes are right."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.motion import PairStatistics
from blursplit.motion.common import detrend

SEEDS = st.integers(0, 2**32 - 1)
QUICK = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def pairs_of(tracks):
    return PairStatistics.of(
        tracks,
        reference_x_px=np.nanmean(tracks.x_px, axis=0),
        reference_y_px=np.nanmean(tracks.y_px, axis=0),
    )


def test_shared_motion_of_any_size_drops_out(make_tracks, motion_field):
    x, y, _ = motion_field(np.random.default_rng(1), own=0.05, shared=0.0)
    jolt = 20.0 * np.random.default_rng(2).standard_normal((200, 2))
    calm, shaken = (
        pairs_of(make_tracks(x, y)),
        pairs_of(make_tracks(x + jolt[:, :1], y + jolt[:, 1:])),
    )
    assert_allclose(shaken.along_var_px2, calm.along_var_px2, atol=1e-9)
    assert_allclose(shaken.across_var_px2, calm.across_var_px2, atol=1e-9)


def test_variance_is_that_of_the_difference_less_the_noise(make_tracks, motion_field):
    rng = np.random.default_rng(3)
    n, own, noise = 4000, 0.10, 0.06
    x, y, _ = motion_field(rng, n=n, k=4, own=own)
    x, y = x + rng.normal(0, noise, x.shape), y + rng.normal(0, noise, y.shape)
    found = pairs_of(make_tracks(x, y, sigma=noise))
    # Twice the variance of one star; of n samples it is known to sqrt(2/n) (2 own^2 + 2 noise^2)
    # = 6.1e-4, and the largest of 12 values lies within 3.5 of that.
    for values in (found.along_var_px2, found.across_var_px2):
        assert_allclose(values, 2 * own**2, atol=3.5 * 6.1e-4)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0, 135.0])
def test_along_and_across_are_told_apart_at_every_angle(make_tracks, angle_deg):
    """Two stars that approach and part move along their line, whichever way it points."""
    angle = np.deg2rad(angle_deg)
    swing = 0.3 * np.sin(2 * np.pi * np.arange(500) / 25)[:, None]
    ends = np.array([-1.0, 1.0])
    x = 150 + (80 + swing) * ends * np.cos(angle)
    y = 150 + (80 + swing) * ends * np.sin(angle)
    found = pairs_of(make_tracks(x, y, sigma=1e-6))
    assert_allclose(found.separation_px, 160.0, rtol=1e-6)
    # The ends differ by twice the swing: variance 4 x 0.3^2 / 2; n - 2 degrees of freedom, and
    # the trend takes 0.1 % of 20 whole periods.
    assert_allclose(found.along_var_px2, 0.18, rtol=0.01)
    assert_allclose(found.across_var_px2, 0.0, atol=1e-6)


def test_a_slow_parting_of_two_stars_is_trend_and_not_motion(make_tracks, motion_field):
    x, y, _ = motion_field(np.random.default_rng(4), k=2, own=0.05)
    parting = np.linspace(0, 5, 200)[:, None] * np.array([0.0, 1.0])
    before, after = pairs_of(make_tracks(x, y)), pairs_of(make_tracks(x + parting, y))
    assert_allclose(after.mad_x_px, before.mad_x_px, rtol=1e-6)


def test_pairs_that_share_too_few_frames_are_left_out(make_tracks, motion_field):
    x, y, _ = motion_field(np.random.default_rng(5), k=3)
    good = np.ones(x.shape, dtype=bool)
    good[9:, 2] = False
    found = pairs_of(make_tracks(x, y, good=good))
    first_two = pairs_of(make_tracks(x[:, :2], y[:, :2]))
    assert_allclose(found.along_var_px2, first_two.along_var_px2)
    alone = pairs_of(make_tracks(x[:, :1], y[:, :1]))
    assert alone.separation_px.shape == (0,)


def test_a_few_wild_samples_do_not_count(make_tracks, motion_field):
    rng = np.random.default_rng(6)
    x, y, _ = motion_field(rng, n=1000, k=2)
    clean = pairs_of(make_tracks(x, y))
    x[::100, 1] += 30.0
    wild = pairs_of(make_tracks(x, y))
    # Ten of 1000 samples are missing, and the trend has moved by what they pull: 30 px x 1 %,
    # mostly a mean.
    assert_allclose(wild.across_var_px2, clean.across_var_px2, rtol=0.1)


@QUICK
@given(seed=SEEDS, move=st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)))
def test_moving_the_origin_changes_nothing(make_tracks, motion_field, seed, move):
    x, y, _ = motion_field(np.random.default_rng(seed), n=40, k=4)
    here, there = pairs_of(make_tracks(x, y)), pairs_of(make_tracks(x + move[0], y + move[1]))
    assert_allclose(there.along_var_px2, here.along_var_px2, atol=1e-8)
    assert_allclose(there.separation_px, here.separation_px, rtol=1e-9)


@QUICK
@given(seed=SEEDS, angle=st.floats(0, 2 * np.pi))
def test_turning_the_field_changes_nothing(make_tracks, motion_field, seed, angle):
    x, y, _ = motion_field(np.random.default_rng(seed), n=40, k=4)
    c, s = np.cos(angle), np.sin(angle)
    # What is wild is judged along the pair's own axes, so that turning changes nothing there.
    here, there = pairs_of(make_tracks(x, y)), pairs_of(make_tracks(c * x - s * y, s * x + c * y))
    assert_allclose(there.separation_px, here.separation_px, rtol=1e-9)
    assert_allclose(there.along_var_px2, here.along_var_px2, atol=1e-9)
    assert_allclose(there.across_var_px2, here.across_var_px2, atol=1e-9)


@QUICK
@given(seed=SEEDS)
def test_order_of_stars_and_a_mirror_mean_nothing(make_tracks, motion_field, seed):
    rng = np.random.default_rng(seed)
    x, y, _ = motion_field(rng, n=40, k=4)
    order = rng.permutation(4)
    here = pairs_of(make_tracks(x, y))
    there = pairs_of(make_tracks(-x[:, order], y[:, order]))

    def table(found, label):
        return {
            frozenset({label[a], label[b]}): (along, across)
            for (a, b), along, across in zip(
                combinations(range(4), 2), found.along_var_px2, found.across_var_px2, strict=True
            )
        }

    first, second = table(here, np.arange(4)), table(there, order)
    assert first.keys() == second.keys()
    for key, value in first.items():
        assert_allclose(second[key], value, atol=1e-9)


@QUICK
@given(seed=SEEDS, slope=st.floats(-100, 100), steps=st.lists(st.floats(-50, 50), max_size=4))
def test_detrending_removes_a_line_and_the_means_of_segments(seed, slope, steps):
    rng = np.random.default_rng(seed)
    n = 60
    time = np.sort(rng.uniform(0, 10, n))
    segment = np.sort(rng.integers(0, len(steps) + 1, n))
    noise = rng.normal(0, 1, n)
    offset = np.array([*steps, 7.0])[segment]
    plain = detrend(time, noise, segment)
    assert_allclose(detrend(time, noise + slope * time + offset, segment), plain, atol=1e-9)
    assert_allclose([plain[segment == one].sum() for one in np.unique(segment)], 0.0, atol=1e-9)
    assert_allclose(plain @ time, 0.0, atol=1e-7)
