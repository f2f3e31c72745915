"""Shared motion: planted motions come back, and nothing leaks from one term into another."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.motion import CommonMotion

SEEDS = st.integers(0, 2**32 - 1)
QUICK = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def shift_of(motion):
    return np.stack([motion.x_px, motion.y_px], axis=1)


def centred(values):
    return values - values.mean(axis=0)


def test_shift_comes_back_within_the_stars_own_scatter(make_tracks, motion_field):
    x, y, shift = motion_field(np.random.default_rng(1), own=0.05)
    found = shift_of(CommonMotion.of(make_tracks(x, y)))
    # The mean of six stars of 0.05 px errs by 0.020 px; rotation and scale, fitted too, have no
    # part in the shift at the stars' centre. 400 samples know that scatter to 3.5 %.
    assert_allclose(np.std(centred(found) - centred(shift)), 0.05 / np.sqrt(6), rtol=0.15)


def test_stated_noise_is_that_of_the_weighted_mean(make_tracks, motion_field):
    rng = np.random.default_rng(2)
    x, y, shift = motion_field(rng, n=2000, own=0.02)
    motion = CommonMotion.of(make_tracks(x, y, sigma=0.02))
    error = centred(shift_of(motion)) - centred(shift)
    # 4000 samples know a scatter to 1.1 %; unequal weights of equal stars add a percent.
    assert_allclose(np.std(error), np.median(motion.noise_px), rtol=0.05)


def test_planted_rotation_and_scale_come_back_and_do_not_leak_into_the_shift(
    make_tracks, motion_field
):
    rng = np.random.default_rng(3)
    x, y, shift = motion_field(rng, own=0.0)
    turn = 1e-3 * np.sin(np.arange(200) / 15.0)
    scale = 5e-4 * np.cos(np.arange(200) / 11.0)
    x0, y0 = x - shift[:, :1], y - shift[:, 1:]
    cx, cy = x0[0].mean(), y0[0].mean()
    dx, dy = x0 - cx, y0 - cy
    moved_x = x - turn[:, None] * dy + scale[:, None] * dx
    moved_y = y + turn[:, None] * dx + scale[:, None] * dy
    motion = CommonMotion.of(make_tracks(moved_x, moved_y))
    # All stars have no scatter of their own: equal weights, so the centre is the mean, and what
    # is left is the second order, rotation squared times the field: 1e-6 x 200 px.
    assert_allclose(centred(motion.rotation_rad), centred(turn), atol=2e-6)
    assert_allclose(centred(motion.scale), centred(scale), atol=2e-6)
    assert_allclose(centred(shift_of(motion)), centred(shift), atol=1e-3)
    assert_allclose(motion.residual_x_px, 0.0, atol=1e-3)


def test_two_stars_are_never_given_a_rotation(make_tracks, motion_field):
    x, y, _ = motion_field(np.random.default_rng(4), k=2)
    motion = CommonMotion.of(make_tracks(x, y))
    assert_allclose(motion.rotation_rad, 0.0, atol=0)
    assert_allclose(motion.scale, 0.0, atol=0)


def test_one_star_is_its_own_shared_motion(make_tracks, motion_field):
    x, y, _ = motion_field(np.random.default_rng(5), k=1)
    motion = CommonMotion.of(make_tracks(x, y))
    assert_allclose(centred(shift_of(motion)), centred(np.hstack([x, y])), atol=1e-9)


def test_a_frame_without_a_star_is_nan_and_harms_no_other(make_tracks, motion_field):
    x, y, shift = motion_field(np.random.default_rng(6))
    good = np.ones(x.shape, dtype=bool)
    good[17] = False
    motion = CommonMotion.of(make_tracks(x, y, good=good))
    lost = np.isnan(motion.x_px)
    assert np.flatnonzero(lost).tolist() == [17]
    assert np.isnan(motion.rotation_rad[17])
    error = (shift_of(motion) - shift)[~lost]
    assert np.std(error, axis=0).max() < 0.03  # 0.02 px, and 400 samples know that to 4 %


def test_a_wild_star_in_some_frames_pulls_nothing(make_tracks, motion_field):
    rng = np.random.default_rng(7)
    x, y, shift = motion_field(rng)
    wild = rng.random(200) < 0.05
    x[wild, 2] += 40.0
    found = shift_of(CommonMotion.of(make_tracks(x, y)))
    error = centred(found) - centred(shift)
    # A star of weight 1/6 that strays by 40 px would pull by 7 px if it were believed.
    assert np.abs(error[wild]).max() < 0.5


def test_stars_that_come_and_go_are_joined_without_a_step(make_tracks, motion_field):
    """No two halves share all stars: references must be carried over by those they do share."""
    x, y, shift = motion_field(np.random.default_rng(8), own=0.02)
    good = np.ones(x.shape, dtype=bool)
    good[:80, 3:] = False
    good[120:, :2] = False
    motion = CommonMotion.of(make_tracks(x, y, good=good))
    error = shift_of(motion) - shift
    # The step is at most the error of the stars' means over 40 to 80 frames, 0.02/sqrt(40).
    step = error[:80].mean(axis=0) - error[120:].mean(axis=0)
    assert_allclose(step, 0.0, atol=0.02)


@QUICK
@given(seed=SEEDS, move=st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)))
def test_moving_the_origin_changes_no_motion(make_tracks, motion_field, seed, move):
    x, y, _ = motion_field(np.random.default_rng(seed), n=40)
    here = CommonMotion.of(make_tracks(x, y))
    there = CommonMotion.of(make_tracks(x + move[0], y + move[1]))
    assert_allclose(shift_of(there), shift_of(here), atol=1e-6)
    assert_allclose(there.residual_x_px, here.residual_x_px, atol=1e-6)
    assert_allclose(there.rotation_rad, here.rotation_rad, atol=1e-8)


@QUICK
@given(seed=SEEDS, quarter=st.integers(1, 3))
def test_turning_the_camera_turns_the_motion(make_tracks, motion_field, seed, quarter):
    x, y, _ = motion_field(np.random.default_rng(seed), n=40)
    here = CommonMotion.of(make_tracks(x, y))
    cos, sin = [(1, 0), (0, 1), (-1, 0), (0, -1)][quarter]
    there = CommonMotion.of(make_tracks(cos * x - sin * y, sin * x + cos * y))
    assert_allclose(there.x_px, cos * here.x_px - sin * here.y_px, atol=1e-7)
    assert_allclose(there.y_px, sin * here.x_px + cos * here.y_px, atol=1e-7)
    assert_allclose(there.rotation_rad, here.rotation_rad, atol=1e-9)
    assert_allclose(there.scale, here.scale, atol=1e-9)


@QUICK
@given(seed=SEEDS)
def test_a_mirror_turns_rotation_round_and_nothing_else(make_tracks, motion_field, seed):
    x, y, _ = motion_field(np.random.default_rng(seed), n=40)
    here, there = CommonMotion.of(make_tracks(x, y)), CommonMotion.of(make_tracks(-x, y))
    assert_allclose(there.x_px, -here.x_px, atol=1e-7)
    assert_allclose(there.y_px, here.y_px, atol=1e-7)
    assert_allclose(there.rotation_rad, -here.rotation_rad, atol=1e-9)
    assert_allclose(there.scale, here.scale, atol=1e-9)


@QUICK
@given(seed=SEEDS, lost=st.floats(0.0, 0.6))
def test_order_of_stars_and_of_frames_means_nothing(make_tracks, motion_field, seed, lost):
    rng = np.random.default_rng(seed)
    x, y, _ = motion_field(rng, n=40)
    good = rng.random(x.shape) >= lost
    good[0] = True  # one frame that shows all, so that the references have one start
    stars = rng.permutation(x.shape[1])
    frames = np.concatenate([[0], 1 + rng.permutation(39)])
    here = CommonMotion.of(make_tracks(x, y, good=good))
    order = np.ix_(frames, stars)
    there = CommonMotion.of(make_tracks(x[order], y[order], good=good[order]))
    assert_allclose(there.x_px, here.x_px[frames], atol=1e-6)
    assert_allclose(there.y_px, here.y_px[frames], atol=1e-6)
    assert_allclose(there.residual_x_px, here.residual_x_px[order], atol=1e-6)


@QUICK
@given(seed=SEEDS, lost=st.floats(0.0, 0.95), k=st.integers(1, 5))
def test_lost_samples_never_bring_nan_into_frames_that_have_a_star(
    make_tracks, motion_field, seed, lost, k
):
    rng = np.random.default_rng(seed)
    x, y, _ = motion_field(rng, n=30, k=k)
    good = rng.random(x.shape) >= lost
    good[0, 0] = True
    motion = CommonMotion.of(make_tracks(x, y, good=good))
    seen = good.any(axis=1)
    assert np.isfinite(motion.x_px[seen]).all()
    assert np.isnan(motion.x_px[~seen]).all()
    assert (np.isfinite(motion.residual_x_px) == good).all()
    assert motion.weight.sum() == pytest.approx(1.0)
