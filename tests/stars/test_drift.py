"""Stars that drift by pixels a frame are followed until they leave, and nothing else is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from blursplit.errors import TooFewFramesError
from blursplit.rig import Rig
from blursplit.sources import Source
from blursplit.stars import follow_stars
from blursplit.stars.detect import _clear_peaks
from blursplit.stars.register import Peaks
from blursplit.stars.tracker import _early_path, _end_of_path

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.stars import StarTracks

    FloatArray = NDArray[np.float64]

SHAPE = (120, 160)
SIGMA = 1.7
ANGLE_DEG = 25.0
# A star is measured whole from 2.5 sigmas and a pixel on, a streak from its end on.
EDGE_PX = 2.5 * SIGMA + 1.0
# The faintest star here has a noise of 0.1 px an axis; four sigma of a distance.
WRONG_PX = 0.5


def drift(px_a_frame: float, frame: Any, rng: np.random.Generator) -> FloatArray:
    """Return a drift shaken by 0.3 px, shape (n, 2); `frame` (n,): times in frames."""
    angle = np.deg2rad(ANGLE_DEG)
    line = px_a_frame * np.asarray(frame, float)[:, None] * [np.cos(angle), np.sin(angle)]
    return line + rng.normal(0, 0.3, (len(line), 2))


def make_field(
    make_sequence: Any,
    x: FloatArray,
    y: FloatArray,
    flux: Any,
    rng: np.random.Generator,
    *,
    sigma: float = SIGMA,
    streak_px: float = 0.0,
) -> Any:
    """Make a sequence of stars, each drawn out along its drift; x, y (n, k)."""
    parts = 7
    along = np.linspace(-0.5, 0.5, parts) * streak_px
    angle = np.deg2rad(ANGLE_DEG)
    drawn_x = (x[:, :, None] + along * np.cos(angle)).reshape(len(x), -1)
    drawn_y = (y[:, :, None] + along * np.sin(angle)).reshape(len(y), -1)
    light = np.repeat(np.asarray(flux, dtype=float), parts) / parts
    return make_sequence(drawn_x, drawn_y, light, rng, shape=SHAPE, sigma=sigma)


def lies_inside(x: FloatArray, y: FloatArray, edge_px: float) -> NDArray[np.bool_]:
    """Say which stars lie so far within the frame, shape (n, k)."""
    inside = (x > edge_px) & (x < SHAPE[1] - 1 - edge_px)
    return np.asarray(inside & (y > edge_px) & (y < SHAPE[0] - 1 - edge_px))


def check(tracks: StarTracks, x: FloatArray, y: FloatArray, edge_px: float = EDGE_PX) -> None:
    """Check that each star is measured wherever it lies in the frame, and only there."""
    assert tracks.n_stars == x.shape[1]
    good, at = np.zeros(x.shape, dtype=bool), tracks.frame
    off = np.hypot(
        tracks.x_px[:, :, None] - x[at][:, None], tracks.y_px[:, :, None] - y[at][:, None]
    )
    stars = off[0].argmin(axis=1)  # all lie in the first frame
    assert sorted(stars) == list(range(tracks.n_stars))
    for column, star in enumerate(stars):
        good[at, star] = tracks.good[:, column]
        assert np.nanmax(off[tracks.good[:, column], column, star]) < WRONG_PX
    # The edge is judged by where a star is expected, half a frame's drift and more from its place.
    assert good[lies_inside(x, y, edge_px + 4.0)].all()
    assert not good[~lies_inside(x, y, 0.0)].any()


@pytest.mark.parametrize(
    ("px_a_frame", "streak_px", "sigma"),
    [(2.0, 1.6, SIGMA), (2.8, 2.2, SIGMA), (4.0, 3.5, SIGMA), (3.0, 0.0, 3.5), (6.0, 5.0, SIGMA)],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_lone_star_is_followed_until_it_leaves(
    make_sequence: Any, px_a_frame: float, streak_px: float, sigma: float, seed: int
) -> None:
    """Scene 8164 of the calibration was lost after six frames of 34."""
    rng = np.random.default_rng(seed)
    motion = drift(px_a_frame, np.arange(45), rng)
    x, y = 30.2 + motion[:, :1], 35.7 + motion[:, 1:]
    sequence = make_field(make_sequence, x, y, 100e3, rng, sigma=sigma, streak_px=streak_px)
    check(follow_stars(sequence), x, y, 2.5 * sigma + 1.0 + 0.5 * streak_px)


@pytest.mark.parametrize("second", [(110.4, 40.3), (34.6, 48.9), (44.1, 22.5)])
@pytest.mark.parametrize("px_a_frame", [2.5, 4.0])
def test_of_two_stars_one_leaves_and_the_other_is_followed(
    make_sequence: Any, second: tuple[float, float], px_a_frame: float
) -> None:
    """Neither takes the other's place on its way, nor is cut off by what is left of the other."""
    rng = np.random.default_rng(4)
    motion = drift(px_a_frame, np.arange(45), rng)
    x, y = (at + motion[:, i : i + 1] for i, at in enumerate(np.array([(30.2, 35.7), second]).T))
    check(follow_stars(make_field(make_sequence, x, y, [60e3, 45e3], rng)), x, y)


def test_a_drift_goes_on_through_gaps(make_sequence: Any) -> None:
    """After a gap the star is looked for where the drift has taken it."""
    rng = np.random.default_rng(5)
    frame = np.arange(30) + np.repeat([0, 4, 7], 10)
    motion = drift(2.5, frame, rng)
    x, y = 30.2 + motion[:, :1], 35.7 + motion[:, 1:]
    sequence = make_field(make_sequence, x, y, 60e3, rng, streak_px=2.0)
    sequence.time_s = 0.05 * frame
    check(follow_stars(sequence), x, y, EDGE_PX + 1.0)


def test_no_noise_is_followed_after_the_star_has_left(make_sequence: Any) -> None:
    """Among hundreds of frames of sky some show a peak of five sigma near the last place."""
    rng = np.random.default_rng(6)
    motion = drift(3.0, np.arange(400), rng)
    x, y = 60.2 + motion[:, :1], 55.7 + motion[:, 1:]
    tracks = follow_stars(make_field(make_sequence, x, y, 3e3, rng))
    check(tracks, x, y)
    left = int((~lies_inside(x, y, EDGE_PX + 4.0)).sum())
    assert_allclose(tracks.dropped["stars out of the frame"], left, atol=5)
    assert dict(tracks.notes)["frames-lost"]["away"] == tracks.dropped["stars out of the frame"]


@pytest.mark.parametrize("seed", [1, 2])
def test_dithers_under_a_drift_start_segments(make_sequence: Any, seed: int) -> None:
    """A field that drifts on after a jump rests as far as a jump is concerned."""
    rng = np.random.default_rng(seed)
    motion = drift(0.6, np.arange(75), rng)
    motion[25:] += (14.0, -14.0)
    motion[50:] += (-16.0, 12.0)
    x, y = 40.2 + motion[:, :1], 45.7 + motion[:, 1:]
    tracks = follow_stars(make_field(make_sequence, x, y, 60e3, rng))
    check(tracks, x, y)
    assert_array_equal(np.flatnonzero(np.diff(tracks.segment)) + 1, [25, 50])


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("stars", [1, 2, 3])
def test_a_field_that_is_recentred_keeps_its_stars(
    make_sequence: Any, stars: int, seed: int
) -> None:
    """Where one star lands in the place of another, all of the frame tells which is which."""
    rng = np.random.default_rng(seed)
    motion = drift(1.8, np.arange(75) % 25, rng)
    x = np.array([45.2, 76.4, 52.8])[:stars] + motion[:, :1]
    y = np.array([35.7, 49.9, 63.1])[:stars] + motion[:, 1:]
    flux = np.array([60e3, 45e3, 40e3])[:stars]
    tracks = follow_stars(make_field(make_sequence, x, y, flux, rng))
    check(tracks, x, y)
    assert_array_equal(np.flatnonzero(np.diff(tracks.segment)) + 1, [25, 50])


def both(first: Peaks, second: Peaks) -> Peaks:
    """Return the peaks of two."""
    pairs = zip(vars(first).values(), vars(second).values(), strict=True)
    return Peaks(*(np.concatenate(pair) for pair in pairs))


def test_the_pattern_holds_only_what_two_frames_show(draw_stars: Any) -> None:
    """Where a drift leaves few frames to average the noise of one stands out, and a ray stays."""
    rng = np.random.default_rng(8)
    image = draw_stars(SHAPE, [40.0, 150.0], [50.0, 113.0], [2e4, 500.0], SIGMA)
    image = (image + rng.normal(0, 2.0, SHAPE)).astype(np.float32)
    shift = np.arange(5.0)[:, None] * [3.0, 1.0]
    shift[2] = np.nan
    alone = [Peaks(*(np.array([at]) for at in (40.0 + 3 * i, 50.0 + i, 900.0))) for i in range(5)]
    second = [Peaks(*(np.array([at]) for at in (150.0 + 3 * i, 113.0 + i, 20.0))) for i in range(5)]
    for frames, stars in ((0, 1), (1, 1), (2, 2)):
        single = [both(*pair) for pair in zip(alone[:frames], second[:frames], strict=True)]
        found = _clear_peaks(image, SIGMA, 2.0, single + alone[frames:], shift)
        assert found.x_px.size == stars


def test_the_first_frames_are_expected_where_they_were_laid_if_they_drift() -> None:
    """Else all of them are expected in the place of the first, which the cuts hold."""
    shift = np.arange(12.0)[:, None] * [3.0, -2.0]
    known = shift.copy()
    known[4] = np.nan
    assert_allclose(_early_path(known), shift)
    assert_array_equal(_early_path(0.1 * known), np.zeros((12, 2)))


def test_a_block_ends_where_the_field_ran_away_before_it_was_lost() -> None:
    """A field that was lost from its expected place is under cloud."""
    lost = np.nan
    assert _end_of_path(np.array([1.0, 3.0, 5.0, lost, lost]), 4.0) == 3
    assert _end_of_path(np.array([1.0, 3.0, 1.0, lost, 5.0]), 4.0) == 5
    assert _end_of_path(np.array([lost, 3.0, 1.0]), 4.0) == 3


def test_the_refusal_says_that_the_stars_left(make_sequence: Any) -> None:
    """A longer sequence would not help a star that leaves after seven frames."""
    rng = np.random.default_rng(7)
    motion = drift(6.0, np.arange(30), rng)
    x, y = 115.2 + motion[:, :1], 60.7 + motion[:, 1:]
    frames = make_field(make_sequence, x, y, 60e3, rng).source.frames
    with pytest.raises(TooFewFramesError, match="the stars had left the frame") as refusal:
        Source.read(frames, Rig(), times=0.05 * np.arange(30))
    assert "record a longer sequence" not in str(refusal.value)
    assert "align the mount" in refusal.value.remedy


def test_the_refusal_says_what_became_of_the_frames() -> None:
    """The reason that cost most frames is named, unless the sequence was short without it."""
    clouds = {"no star found": 40, "stars out of the frame": 3}
    assert "in 40 no star was found again" in str(TooFewFramesError("run", 6, 10, clouds))
    short = TooFewFramesError("run", 6, 10, {"no star found": 2})
    assert short.remedy == "record a longer sequence"
