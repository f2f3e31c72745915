"""Stars are followed through what nights and cameras do; a lost star is masked, never wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.errors import InputError, TooFewStarsError
from blursplit.stars import follow_stars

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.stars import StarTracks

SHAPE = (160, 160)
X = np.array([40.3, 118.6, 82.1, 36.2, 121.4, 78.8])
Y = np.array([36.7, 42.2, 80.4, 120.9, 117.5, 124.1])
FLUX = np.array([40e3, 30e3, 24e3, 18e3, 12e3, 9e3])


def wander(n: int, rng: np.random.Generator, step: float = 0.25) -> NDArray[np.float64]:
    """Return a common motion that wanders and comes back, shape (n, 2)."""
    out = np.zeros((n, 2))
    for i in range(1, n):
        out[i] = 0.97 * out[i - 1] + rng.normal(0, step, 2)
    return out


def places(
    motion: NDArray[np.float64], x: Any = X, y: Any = Y
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places of stars that all share a motion, shape (n, k)."""
    return np.asarray(x) + motion[:, :1], np.asarray(y) + motion[:, 1:]


def errors(
    tracks: StarTracks, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distance of every good sample from the true star nearest to it in the first frames."""
    first = int(np.flatnonzero(tracks.good.all(axis=1))[0])
    frame = tracks.frame[first]
    gap = np.hypot(tracks.x_px[first][:, None] - x[frame], tracks.y_px[first][:, None] - y[frame])
    star = gap.argmin(axis=1)
    assert len(set(star)) == tracks.n_stars
    off = np.hypot(tracks.x_px - x[tracks.frame][:, star], tracks.y_px - y[tracks.frame][:, star])
    return np.where(tracks.good, off, np.nan)


def codes(tracks: StarTracks) -> set[str]:
    """Codes of the notes."""
    return {code for code, _ in tracks.notes}


# Noise of the faintest star here is 0.04 px an axis; six sigma of a distance.
WRONG_PX = 0.35


def test_a_wandering_field_is_followed_within_the_stated_noise(make_sequence: Any) -> None:
    """Every sample is good, and its scatter about the truth is the stated sigma."""
    rng = np.random.default_rng(1)
    x, y = places(wander(150, rng))
    tracks = follow_stars(make_sequence(x, y, FLUX, rng))
    assert tracks.n_stars == X.size
    assert tracks.good.all()
    off = (tracks.x_px - x[:, np.argsort(-FLUX)]) / tracks.sigma_px
    # 900 samples: their rms is known to 2.4 %; five times that.
    assert_allclose(np.sqrt(np.mean(off**2)), 1.0, atol=0.12)
    assert tracks.stamps is not None
    assert tracks.stamps.pixels_adu.shape[:2] == (150, 3)
    assert np.unique(tracks.segment).size == 1


def test_stamps_hold_the_pixels_of_the_frame_at_their_stated_place(make_sequence: Any) -> None:
    """A stamp is a copy of the frame at (x0, y0), with the star near its middle."""
    rng = np.random.default_rng(2)
    x, y = places(wander(40, rng))
    sequence = make_sequence(x, y, FLUX, rng)
    stamps = follow_stars(sequence).stamps
    assert stamps is not None
    size = stamps.pixels_adu.shape[-1]
    for i in (0, 17, 39):
        for s in range(stamps.star.size):
            x0, y0 = stamps.x0_px[i, s], stamps.y0_px[i, s]
            frame = sequence.source.frames[i, y0 : y0 + size, x0 : x0 + size]
            np.testing.assert_array_equal(stamps.pixels_adu[i, s], frame)
            # A frame is cut anew when its stars lie 3.5 px off; half a pixel of rounding.
            assert abs(x[i, stamps.star[s]] - x0 - size // 2) < 4.0
            assert abs(y[i, stamps.star[s]] - y0 - size // 2) < 4.0


def test_a_dither_is_followed_and_starts_a_segment(make_sequence: Any) -> None:
    """Jumps of 30 px are found again by the star pattern."""
    rng = np.random.default_rng(3)
    motion = wander(120, rng)
    motion[50:] += (24.0, -18.0)
    motion[90:] += (-30.0, 9.0)
    x, y = places(motion)
    tracks = follow_stars(make_sequence(x, y, FLUX, rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    assert tracks.n_frames == 120
    np.testing.assert_array_equal(np.flatnonzero(np.diff(tracks.segment)) + 1, [50, 90])
    assert "dither" in codes(tracks)


def test_a_shock_that_swings_back_is_motion_and_not_a_dither(make_sequence: Any) -> None:
    """A ring-down of 12 px stays within its segment and is followed."""
    rng = np.random.default_rng(4)
    motion = wander(160, rng, 0.1)
    t = np.arange(80)
    motion[80:, 0] += 12.0 * np.exp(-t / 12.0) * np.cos(2 * np.pi * t / 4.3)
    x, y = places(motion)
    tracks = follow_stars(make_sequence(x, y, FLUX, rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    assert tracks.good.mean() > 0.98
    assert np.unique(tracks.segment).size == 1


def test_clouds_mask_samples_and_leave_no_wrong_one(make_sequence: Any) -> None:
    """Frames without stars are dropped with a reason, dim ones kept or masked, all right."""
    rng = np.random.default_rng(5)
    x, y = places(wander(200, rng))
    clear = np.ones(200)
    clear[60:80] = 0.0
    clear[80:100] = np.linspace(0.01, 0.5, 20)
    tracks = follow_stars(make_sequence(x, y, FLUX * clear[:, None], rng))
    off = errors(tracks, x, y)
    assert np.nanmax(off / tracks.sigma_px) < 6.0
    assert not set(range(60, 80)) & set(tracks.frame.tolist())
    assert set(range(100, 200)) <= set(tracks.frame.tolist())
    assert tracks.dropped["no star found"] >= 20
    assert {"cloud", "frames-lost"} <= codes(tracks)
    # Noise grows as the stars fade.
    dim = np.isin(tracks.frame, range(93, 98))
    assert np.nanmedian(tracks.sigma_px[dim]) > 1.3 * np.nanmedian(tracks.sigma_px[~dim])


def test_a_dither_under_cloud_is_found_when_the_stars_come_back(make_sequence: Any) -> None:
    """The field is searched for again after it was gone."""
    rng = np.random.default_rng(6)
    motion = wander(150, rng)
    motion[70:] += (-22.0, 17.0)
    clear = np.ones(150)
    clear[60:85] = 0.0
    x, y = places(motion)
    tracks = follow_stars(make_sequence(x, y, FLUX * clear[:, None], rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    assert set(range(85, 150)) <= set(tracks.frame.tolist())
    assert tracks.segment[-1] > tracks.segment[0]


def test_a_meridian_flip_keeps_the_stars_and_starts_a_segment(make_sequence: Any) -> None:
    """A field turned by half a turn is recognised and every star keeps its column."""
    rng = np.random.default_rng(7)
    motion = wander(100, rng)
    x, y = places(motion)
    x[60:], y[60:] = 159 - x[60:] + 7.0, 159 - y[60:] - 4.0
    tracks = follow_stars(make_sequence(x, y, FLUX, rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    assert tracks.n_frames == 100
    np.testing.assert_array_equal(np.flatnonzero(np.diff(tracks.segment)) + 1, [60])
    assert "field-turned" in codes(tracks)


def test_field_rotation_is_followed(make_sequence: Any) -> None:
    """A field that turns by 8 degrees in the run keeps all its stars."""
    rng = np.random.default_rng(8)
    n = 200
    turn = np.deg2rad(np.linspace(0, 8, n))[:, None]
    motion = wander(n, rng)
    x = 79.5 + np.cos(turn) * (X - 79.5) - np.sin(turn) * (Y - 79.5) + motion[:, :1]
    y = 79.5 + np.sin(turn) * (X - 79.5) + np.cos(turn) * (Y - 79.5) + motion[:, 1:]
    tracks = follow_stars(make_sequence(x, y, FLUX, rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    assert tracks.good.mean() > 0.97


def test_a_fast_drift_is_predicted(make_sequence: Any) -> None:
    """One pixel a frame, over most of the field; stars that leave it are masked."""
    rng = np.random.default_rng(9)
    motion = np.outer(np.arange(90) - 20.0, (0.9, 0.4)) + wander(90, rng, 0.1)
    x, y = places(motion)
    tracks = follow_stars(make_sequence(x, y, FLUX, rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    inside = (x > 8) & (x < 151) & (y > 8) & (y < 151)
    assert tracks.good.sum() > 0.95 * inside[:, : tracks.n_stars].sum()


def test_cosmic_rays_are_masked(make_sequence: Any) -> None:
    """Single bright pixels on stars cost samples, not truth."""
    rng = np.random.default_rng(10)
    x, y = places(wander(160, rng))
    hits = rng.choice(160, 24, replace=False)

    def spoil(frame: NDArray[np.float32], i: int) -> None:
        if i in hits:
            s = i % X.size
            column, row = np.rint([x[i, s] + 2.0, y[i, s] - 2.0]).astype(int)
            frame[row, column] += 6000.0

    tracks = follow_stars(make_sequence(x, y, FLUX, rng, spoil=spoil))
    off = errors(tracks, x, y)
    assert np.nanmax(off / tracks.sigma_px) < 6.0
    assert (~tracks.good).sum() >= 20
    assert tracks.good.mean() > 0.95
    assert "cosmic-ray" in codes(tracks)


def test_hot_and_warm_pixels_are_no_stars_and_do_not_pull_them(make_sequence: Any) -> None:
    """Lone pixels are refused as stars, and one beside a star leaves its place unharmed."""
    rng = np.random.default_rng(11)
    x, y = places(wander(120, rng))
    hot = rng.integers(0, 160, (60, 2))
    beside = np.rint([Y[0] + 2, X[0] - 3]).astype(int)

    def spoil(frame: NDArray[np.float32], _: int) -> None:
        frame[hot[:, 0], hot[:, 1]] += 3000.0
        frame[beside[0], beside[1]] += 3000.0

    tracks = follow_stars(make_sequence(x, y, FLUX, rng, spoil=spoil))
    assert tracks.n_stars <= X.size
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    assert "hot-pixels" in codes(tracks)


def test_a_satellite_trail_spoils_only_what_it_crosses(make_sequence: Any) -> None:
    """A bright streak through stars in a few frames leaves no wrong sample."""
    rng = np.random.default_rng(12)
    x, y = places(wander(120, rng))

    def paint(light: NDArray[np.float64], i: int) -> None:
        if 40 <= i < 44:
            rows, columns = np.indices(light.shape)
            across = (rows - columns * 0.95 - 2.0 - 4 * (i - 41)) / np.hypot(1, 0.95)
            light += 2500.0 * np.exp(-0.5 * (across / 1.8) ** 2)

    tracks = follow_stars(make_sequence(x, y, FLUX, rng, paint=paint))
    off = errors(tracks, x, y)
    assert np.nanmax(off) < 1.0  # the loosest check of the group
    assert np.nanmax(off[~np.isin(tracks.frame, range(40, 44))]) < WRONG_PX
    assert tracks.good.mean() > 0.97


def test_saturated_stars_are_not_used(make_sequence: Any) -> None:
    """A clipped star is refused, the others are followed."""
    rng = np.random.default_rng(13)
    x, y = places(wander(60, rng))
    flux = FLUX.copy()
    flux[2] = 400e3

    def spoil(frame: NDArray[np.float32], _: int) -> None:
        np.minimum(frame, 4095.0, out=frame)

    tracks = follow_stars(make_sequence(x, y, flux, rng, spoil=spoil))
    assert tracks.n_stars == X.size - 1
    assert np.nanmax(errors(tracks, np.delete(x, 2, 1), np.delete(y, 2, 1))) < WRONG_PX
    assert any("saturated" in str(facts) for _, facts in tracks.notes)


def test_all_saturated_is_refused_with_a_remedy(make_sequence: Any) -> None:
    """One line that says what to change."""
    rng = np.random.default_rng(14)
    x, y = places(wander(20, rng))

    def spoil(frame: NDArray[np.float32], _: int) -> None:
        np.minimum(frame, 250.0, out=frame)

    with pytest.raises(InputError, match=r"all usable stars are saturated; shorten the exposure"):
        follow_stars(make_sequence(x, y, FLUX, rng, spoil=spoil))


def test_no_stars_is_refused_with_a_remedy(make_sequence: Any) -> None:
    """Empty frames name the sequence and what to look at."""
    rng = np.random.default_rng(15)
    x, y = places(wander(20, rng))
    with pytest.raises(TooFewStarsError, match=r"^field: no star .*; \w+"):
        follow_stars(make_sequence(x, y, 0.0 * FLUX, rng))


def test_frames_without_pixels_are_counted(make_sequence: Any) -> None:
    """Frames of NaN are dropped as unreadable, the rest is used."""
    rng = np.random.default_rng(16)
    x, y = places(wander(80, rng))

    def spoil(frame: NDArray[np.float32], i: int) -> None:
        if i in (5, 30, 31):
            frame[:] = np.nan

    tracks = follow_stars(make_sequence(x, y, FLUX, rng, spoil=spoil))
    assert tracks.dropped == {"unreadable": 3}
    assert tracks.n_frames == 77
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX


def test_dew_widens_the_stars_and_is_told(make_sequence: Any, draw_stars: Any) -> None:
    """A slow widening is followed in the widths and noted."""
    rng = np.random.default_rng(17)
    n = 120
    x, y = places(wander(n, rng))
    sigma = np.linspace(1.8, 2.8, n)
    sequence = make_sequence(x, y, FLUX, rng)
    for i in range(n):
        light = draw_stars(SHAPE, x[i], y[i], FLUX, sigma[i]) + 100.0
        sequence.source.frames[i] = rng.poisson(light) + rng.normal(0, 2.0, SHAPE)
    tracks = follow_stars(sequence)
    expected = np.sqrt(sigma**2 + 1 / 12)
    # A width of one bright star scatters by a percent or two; six stars' median by less.
    assert_allclose(np.nanmedian(tracks.width_px, axis=1), expected, rtol=0.06)
    assert "width-drift" in codes(tracks)


def test_a_close_pair_is_refused_and_a_comet_too(make_sequence: Any) -> None:
    """Blended and extended sources and sources that move are not among the stars."""
    rng = np.random.default_rng(18)
    n = 120
    motion = wander(n, rng, 0.1)
    x, y = places(motion)
    x2, y2 = places(motion, X[1] + 6.0, Y[1] + 3.0)
    walker_x = 20.0 + np.linspace(0, 12.0, n)[:, None] + motion[:, :1]
    walker_y = 80.0 + motion[:, 1:]
    every = np.hstack([x, x2, walker_x]), np.hstack([y, y2, walker_y])

    def paint(light: NDArray[np.float64], i: int) -> None:
        rows, columns = np.indices(light.shape)
        far = np.hypot(columns - 130 - motion[i, 0], rows - 80 - motion[i, 1])
        light += 400.0 * np.exp(-far / 7.0)

    sequence = make_sequence(*every, np.append(FLUX, [15e3, 15e3]), rng, paint=paint)
    tracks = follow_stars(sequence)
    alone = [0, 2, 3, 4, 5]
    assert tracks.n_stars == len(alone)
    assert np.nanmax(errors(tracks, x[:, alone], y[:, alone])) < WRONG_PX


def test_two_stars_that_swap_places_are_not_swapped(make_sequence: Any) -> None:
    """A jump that puts one star where another was does not exchange their columns."""
    rng = np.random.default_rng(19)
    xs, ys = np.array([50.0, 80.0, 110.0, 62.0]), np.array([80.0, 80.0, 80.0, 120.0])
    flux = np.array([20e3, 20e3, 20e3, 15e3])
    motion = wander(100, rng, 0.1)
    motion[50:, 0] += 30.0  # the first star lands where the second was, and so on
    x, y = places(motion, xs, ys)
    tracks = follow_stars(make_sequence(x, y, flux, rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX


def test_one_star_alone_is_followed_through_a_jump_and_a_loss(make_sequence: Any) -> None:
    """A lone star is taken up again when it has its own flux."""
    rng = np.random.default_rng(20)
    motion = wander(150, rng)
    motion[80:] += (25.0, 20.0)
    clear = np.ones(150)
    clear[30:40] = 0.0
    x, y = places(motion, [60.0], [70.0])
    tracks = follow_stars(make_sequence(x, y, 20e3 * clear[:, None], rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    assert tracks.n_frames == 140
    assert "few-stars" in codes(tracks)


def test_a_star_crossing_the_edge_is_masked_there(make_sequence: Any) -> None:
    """Samples of a star half out of the frame are left out, not biased."""
    rng = np.random.default_rng(21)
    motion = np.zeros((120, 2))
    motion[:, 0] = -np.linspace(0, 45, 120)
    x, y = places(motion)
    tracks = follow_stars(make_sequence(x, y, FLUX, rng))
    assert np.nanmax(errors(tracks, x, y)) < WRONG_PX
    assert not tracks.good[-1].all()
    assert tracks.good[-1].any()


def test_chosen_centroids_of_photutils_agree(make_sequence: Any) -> None:
    """The centroid method is a choice; all of them follow the same stars."""
    rng = np.random.default_rng(22)
    x, y = places(wander(12, rng))
    sequence = make_sequence(x, y, FLUX, rng)
    for method in ("2dg", "com", "quadratic"):
        tracks = follow_stars(sequence, centroid=method)  # type: ignore[arg-type]
        assert np.nanmedian(errors(tracks, x, y)) < 0.35
    with pytest.raises(ValueError, match="none of"):
        follow_stars(sequence, centroid="best")  # type: ignore[arg-type]
