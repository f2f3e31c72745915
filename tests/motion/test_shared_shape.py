"""Elongation shared by all stars, and the motion inside exposures that it leaves room for."""

import numpy as np
from numpy.testing import assert_allclose

from blursplit.constants import LEAST_ELONGATION, SHAPE_SURE
from blursplit.motion.inside import InsideMotion, _SharedShape
from blursplit.stars.tracks import StarTracks


def tracks_of(
    x: np.ndarray, y: np.ndarray, *, cadence: float, exposure: float, e1=0.0, e2=0.0
) -> StarTracks:
    shape = x.shape
    return StarTracks(
        time_s=np.arange(shape[0]) * cadence,
        segment=np.zeros(shape[0], dtype=np.int64),
        row_time_s=np.zeros(shape),
        x_px=x,
        y_px=y,
        sigma_px=np.full(shape, 0.02),
        flux_adu=np.ones(shape),
        width_px=np.full(shape, 2.0),
        e1=np.broadcast_to(e1, shape).copy(),
        e2=np.broadcast_to(e2, shape).copy(),
        peak_adu=np.ones(shape),
        good=np.ones(shape, bool),
        exposure_s=exposure,
        cadence_s=cadence,
    )


def field(n: int, stars: int = 8) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(1)
    return (
        np.tile(rng.uniform(0, 500, stars), (n, 1)),
        np.tile(rng.uniform(0, 400, stars), (n, 1)),
    )


def test_constant_elongation_is_told_from_one_that_changes():
    x, y = field(300)
    rng = np.random.default_rng(2)
    e1 = 0.12 + 0.05 * rng.standard_normal(x.shape)
    shape = _SharedShape.of(tracks_of(x, y, cadence=0.02, exposure=0.01, e1=e1))
    assert shape.constant > SHAPE_SURE * shape.constant_sigma
    assert not shape.change_is_shown
    assert_allclose(shape.constant, 0.12, atol=0.01)
    assert shape.angle_deg < 5 or shape.angle_deg > 175


def test_changing_elongation_is_motion_inside_the_exposures():
    x, y = field(300)
    rng = np.random.default_rng(3)
    common = 0.15 * rng.standard_normal((300, 1))
    e2 = common + 0.05 * rng.standard_normal(x.shape)
    shape = _SharedShape.of(tracks_of(x, y, cadence=0.02, exposure=0.01, e2=e2))
    assert shape.change_is_shown
    assert shape.constant < max(SHAPE_SURE * shape.constant_sigma, LEAST_ELONGATION)
    # rms of 300 draws: 4 %, three of them
    assert_allclose(shape.changing, common.std(), rtol=0.12)


def test_elongation_of_single_stars_is_air_and_not_shared():
    x, y = field(400)
    rng = np.random.default_rng(4)
    e1, e2 = 0.2 * rng.standard_normal((2, *x.shape))
    shape = _SharedShape.of(tracks_of(x, y, cadence=0.02, exposure=0.01, e1=e1, e2=e2))
    assert not shape.change_is_shown
    assert shape.constant < max(SHAPE_SURE * shape.constant_sigma, LEAST_ELONGATION)


def test_two_stars_share_no_shape():
    x, y = field(300, 2)
    assert _SharedShape.of(tracks_of(x, y, cadence=0.02, exposure=0.01)) is None


def test_upper_end_of_fast_motion_holds_a_streak_of_known_length():
    # One-axis variance v of a streak beside a round star of variance w: e = v/(2w + v).
    x, y = field(300)
    rng = np.random.default_rng(5)
    along = 0.8 * rng.standard_normal((300, 1)) ** 2
    e1 = along / (2 * 2.0**2 + along) + 0.01 * rng.standard_normal(x.shape)
    for stars in (8, 2):
        few = tracks_of(x[:, :stars], y[:, :stars], cadence=0.02, exposure=0.01, e1=e1[:, :stars])
        end = InsideMotion.largest_variance_px2(few)
        # half of the variance, one axis of two; at most what the window may hide beyond
        assert 0.5 * along.mean() < end < 4 * along.mean()


def test_still_round_stars_leave_no_room_for_fast_motion():
    x, y = field(300)
    rng = np.random.default_rng(6)
    e1, e2 = 0.05 * rng.standard_normal((2, *x.shape))
    still = tracks_of(x, y, cadence=0.02, exposure=0.01, e1=e1, e2=e2)
    assert InsideMotion.largest_variance_px2(still) == 0.0
