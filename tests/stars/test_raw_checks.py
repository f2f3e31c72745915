"""Checks on frames: each fault that a camera or a program adds is told, clean frames raise none.

The field is Gaussian stars in photon and read-out noise; false alarms and detections on phase
screens are counted in benchmarks/frame_checks.py.
"""

from dataclasses import replace

import astropy.units as u
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter, median_filter
from scipy.signal import lfilter

from blursplit.frames import ArrayFrames, Sequence
from blursplit.rig import Rig, Setting
from blursplit.stars import StarTracks, follow_stars
from blursplit.stars.raw_checks import _within_a_pixel, are_these_raw

N = 240
X, Y = np.array([24.0, 74.0, 50.0, 22.0]), np.array([22.0, 28.0, 52.0, 76.0])
SIZE = 100
FLUX = np.array([60e3, 40e3, 50e3, 30e3])


def wander(rng, n=N, rms=0.8):
    """Return a shared motion that forgets itself in ten frames or so, and the stars' own."""
    shared = np.zeros((n, 2))
    for i in range(1, n):
        shared[i] = 0.9 * shared[i - 1] + rng.normal(0, rms * np.sqrt(1 - 0.81), 2)
    own = rng.normal(0, 0.08, (n, X.size, 2))
    return X + shared[:, :1] + own[..., 0], Y + shared[:, 1:] + own[..., 1]


@pytest.fixture(name="frames", scope="module")
def _frames(draw_stars):
    """Frames of a clean field, made once, and a function that measures such frames."""
    rng = np.random.default_rng(3)
    x, y = wander(rng)
    images = np.empty((N, SIZE, SIZE), dtype=np.float32)
    for i in range(N):
        light = draw_stars((SIZE, SIZE), x[i], y[i], FLUX, 1.6) + 100.0
        images[i] = rng.poisson(light) + rng.normal(0, 6.0, light.shape)

    def measure(spoilt):
        n = len(spoilt)
        return follow_stars(
            Sequence(
                name="field",
                source=ArrayFrames(np.rint(spoilt).astype(np.float32)),
                time_s=0.05 * np.arange(n),
                start_utc=None,
                exposure_s=0.01,
                cadence_s=0.05,
                timing="regular",
                segment=np.zeros(n, dtype=np.int64),
                frame=np.arange(n),
                instrument=Rig(),
                n_files=1,
            )
        )

    return images, measure


def codes(tracks, rig=None):
    """Return code -> severity of what is found."""
    return {check.code: check.severity for check in are_these_raw(tracks, None, rig)}


def test_clean_frames_raise_nothing(frames):
    """Raw: lag-1 and neighbour correlation of blank sky are zero within five of their errors."""
    images, measure = frames
    tracks = measure(images)
    assert codes(tracks) == {}
    error = 2.0 / np.sqrt(tracks.pixels.pixels)
    assert_allclose(tracks.pixels.lag_correlation, 0.0, atol=5 * error)
    assert_allclose(tracks.pixels.neighbour_correlation, 0.0, atol=5 * error)
    # sky of 100 e- and a read noise of 6 e- at gain 1; 5 pixels in 100,000 of scatter
    assert_allclose(tracks.pixels.sky_noise_adu, np.sqrt(100 + 36 + 1 / 12), rtol=0.02)


@pytest.mark.parametrize(
    ("spoil", "code", "share"),
    [
        (lambda f: np.repeat(f[: N // 2], 2, axis=0), "void", 0.5),
        (lambda f: f[np.arange(N) - (np.arange(N) % 3 == 2)], "void", 1 / 3),
        (lambda f: f[np.arange(N) - (np.arange(N) % 40 == 39)], "doubt", 1 / 40),
    ],
    ids=["twice", "third", "fortieth"],
)
def test_repeated_frames_are_told_with_their_share(frames, spoil, code, share):
    """Each frame twice, every third, and a camera that now and then repeats a lost one."""
    images, measure = frames
    tracks = measure(spoil(images))
    assert codes(tracks)["frames-repeated"] == code
    fact = next(c for c in are_these_raw(tracks) if c.code == "frames-repeated").facts
    assert_allclose(fact["share"], share, atol=3 / N)
    assert "frames-mixed" not in codes(tracks)


def test_a_running_mean_has_half_of_its_noise_in_common(frames):
    """Mean of two frames: lag-1 correlation 0.5, lag 2 none; a recursive filter its factor."""
    images, measure = frames
    tracks = measure(0.5 * (images[1:] + images[:-1]))
    assert codes(tracks) == {"frames-mixed": "void"}
    # five errors of the correlation: 2 / sqrt(pixels)
    error = 10.0 / np.sqrt(tracks.pixels.pixels)
    assert_allclose(tracks.pixels.lag_correlation[:2], [0.5, 0.0], atol=error)
    kept = images.copy()
    for i in range(1, N):
        kept[i] = 0.69 * kept[i - 1] + 0.31 * images[i]
    tracks = measure(kept)
    assert codes(tracks)["frames-mixed"] == "void"
    # far frames, 6 to 13 apart, still have 0.05 in common, which D_far lacks
    assert_allclose(tracks.pixels.lag_correlation[0], 0.69, atol=0.04)


def test_filters_are_told_by_neighbouring_pixels(frames):
    """Noise of a 3 x 3 median goes together beside, that of an unsharp mask against it."""
    images, measure = frames
    median = measure(median_filter(images, (1, 3, 3)))
    assert codes(median)["pixels-filtered"] == "void"
    # 3 x 3 median of normal noise: 0.56 by direct simulation of 4 million pixels
    assert_allclose(median.pixels.neighbour_correlation, 0.56, atol=0.06)
    sharp = measure(images + 0.5 * (images - gaussian_filter(images, (0, 1.0, 1.0))))
    assert codes(sharp)["pixels-filtered"] == "void"
    assert sharp.pixels.neighbour_correlation < -0.04


@pytest.mark.parametrize("curve", [np.sqrt, lambda v: np.log1p(20 * v) / np.log(21)])
def test_a_stretch_is_told_by_the_noise_of_bright_pixels(frames, curve):
    """A root makes bright pixels quieter than the sky; no camera's noise falls with the light."""
    images, measure = frames
    level = np.clip(images - 60.0, 0, None)
    tracks = measure(65535 * curve(level / level.max()))
    assert codes(tracks).get("pixels-nonlinear") == "void"


def test_gain_and_pedestal_are_no_stretch(frames):
    """Frames in other units, with another pedestal, are as raw as they were."""
    images, measure = frames
    assert codes(measure(4.0 * images + 1000.0)) == {}
    assert codes(measure(0.5 * images + 300.0)) == {}


def test_a_window_that_follows_a_star_is_told(frames):
    """Whole-pixel re-centring on a star leaves a motion uniform within half a pixel."""
    images, measure = frames
    clean = measure(images)
    star = int(np.argmax(np.nanmedian(clean.flux_adu, axis=0)))
    dx = np.rint(clean.x_px[:, star] - clean.x_px[0, star]).astype(int)
    dy = np.rint(clean.y_px[:, star] - clean.y_px[0, star]).astype(int)
    moved = np.stack(
        [np.roll(f, (-b, -a), axis=(0, 1)) for f, a, b in zip(images, dx, dy, strict=True)]
    )
    tracks = measure(moved)
    # uniform over a pixel: 1 / sqrt(12); 240 values of a motion with a memory of ten frames
    assert_allclose(np.nanstd(tracks.x_px[:, star]), 12**-0.5, rtol=0.12)
    assert codes(tracks)["frames-recentred"] == "void"
    # centroids of stars narrower than pixels stick to them: where they lie proves nothing
    narrow = replace(tracks, width_px=np.full_like(tracks.width_px, 0.5))
    assert codes(narrow) == {"centring-suspected": "doubt"}


def test_few_places_of_a_shaken_star_do_not_pass_for_a_window_that_follows_it():
    """A Gaussian motion as wide as rounding's: by chance it looks uniform in 50 frames."""
    rng = np.random.default_rng(11)
    passed = [_within_a_pixel(0.37 + rng.normal(0, 12**-0.5, (2, 50))) for _ in range(600)]
    # 3 expected at 1 in 200; without the odds 175 of these pass
    assert sum(rms is not None for rms in passed) <= 9
    rounded = [
        _within_a_pixel(0.37 + rng.uniform(-0.5, 0.5, (2, 300)) + rng.normal(0, 0.1, (2, 300)))
        for _ in range(50)
    ]
    assert sum(rms is not None for rms in rounded) >= 40


@pytest.mark.parametrize(
    ("by_px", "still", "least", "most"), [(0.0, 0, 30, 40), (0.3, 0, 0, 0), (0.0, 40, 0, 0)]
)
def test_a_window_that_follows_badly_leaves_a_doubt(frames, by_px, still, least, most):
    """Rounding and 0.3 px of the camera's own error; off the middle or beside a still pattern none.

    The median of 240 such places errs by 0.035 px: within 0.08 px on both axes in 95 of 100.
    """
    rng = np.random.default_rng(4)
    tracks = frames[1](frames[0])
    told = 0
    for _ in range(40):
        path = lfilter([1.0], [1.0, -0.6], rng.normal(0, 0.9, (N, 2)), axis=0)
        left = path - np.rint(path + rng.normal(0, 0.3, path.shape)) + by_px
        moved = replace(
            tracks,
            x_px=np.rint(tracks.x_px[:1]) + left[:, :1],
            y_px=np.rint(tracks.y_px[:1]) + left[:, 1:],
            pixels=replace(tracks.pixels, pattern_still=still, hot_still=0, hot_moved=0),
        )
        told += "centring-suspected" in codes(moved)
    assert least <= told <= most


@pytest.mark.parametrize(("hot_still", "told"), [(0, True), (40, False)])
def test_noise_that_cannot_be_told_from_starlight_leaves_a_doubt(frames, hot_still, told):
    """Unless hot pixels lie sharp and still, as neither alignment nor smoothing leaves them."""
    tracks = frames[1](frames[0])
    seen = {"pattern_still": 0, "pattern_moved": 0, "hot_still": hot_still, "hot_moved": 0}
    pixels = replace(tracks.pixels, neighbour_correlation=np.nan, **seen)
    found = codes(replace(tracks, pixels=pixels))
    assert found == ({"noise-unclear": "doubt"} if told else {})


def test_hot_pixels_that_jump_tell_a_window_that_moves(frames):
    """The sensor's lone bright pixels move against the frame, the stars do not; both are seen."""
    images, measure = frames
    rng = np.random.default_rng(8)
    hot = np.zeros((120, 120))
    hot[rng.integers(0, 120, 20), rng.integers(0, 120, 20)] = 2000.0
    still = measure(images + hot[10:110, 10:110])
    assert "frames-recentred" not in codes(still)
    assert still.pixels.hot_still > 15
    jumps = np.repeat(rng.integers(-4, 5, (N // 8, 2)), 8, axis=0)
    moved = np.stack(
        [
            f + hot[10 + b : 110 + b, 10 + a : 110 + a]
            for f, (a, b) in zip(images, jumps, strict=True)
        ]
    )
    found = next(c for c in are_these_raw(measure(moved)) if c.code == "frames-recentred")
    assert found.facts["seen_by"] == "hot pixels"


def test_a_star_quieter_than_its_differences_require_is_told(frames):
    """Frames aligned on one star: that star stands still while the others move against it."""
    tracks = frames[1](frames[0])
    rng = np.random.default_rng(4)
    own = rng.normal(0, 0.5, (N, X.size, 2))
    aligned = replace(
        tracks, x_px=X + own[..., 0] - own[:, :1, 0], y_px=Y + own[..., 1] - own[:, :1, 1]
    )
    assert codes(aligned)["frames-recentred"] == "void"
    free = replace(tracks, x_px=X + own[..., 0], y_px=Y + own[..., 1])
    assert "frames-recentred" not in codes(free)


def test_a_step_of_the_pointing_is_told_with_size_and_time(frames):
    """Six pixels at frame 120; a drift of as much, or a swing, is no step."""
    tracks = frames[1](frames[0])
    step = np.where(np.arange(N) < 120, 0.0, 6.0)[:, None]
    found = next(c for c in are_these_raw(replace(tracks, x_px=tracks.x_px + step)))
    assert found.code == "pointing-stepped"
    assert found.severity == "doubt"
    # medians of 24 frames of 0.8 px with a memory of ten frames: 1.2 px for their difference
    assert_allclose(found.facts["step_px"], 6.0, atol=3.0)
    assert_allclose(found.facts["at_s"], 6.0, atol=0.5)
    drift = np.linspace(0, 6, N)[:, None]
    swing = 6.0 * np.sin(2 * np.pi * np.arange(N) / 120)[:, None]
    assert codes(replace(tracks, x_px=tracks.x_px + drift)) == {}
    assert codes(replace(tracks, x_px=tracks.x_px + swing)) == {}


def test_an_elongation_that_all_stars_share_is_told(frames):
    """Trails of 8 px; elongations that differ from star to star are optics, not trails."""
    tracks = frames[1](frames[0])
    trailed = replace(tracks, e1=tracks.e1 + 0.6, e2=tracks.e2)
    found = next(c for c in are_these_raw(trailed))
    assert (found.code, found.severity) == ("stars-trailed", "doubt")
    # xx - yy = 0.6 (xx + yy): along x, from half the mean square times 1 + e and 1 - e
    assert_allclose(found.facts["elongation"], 0.6, atol=0.02)
    assert_allclose(found.facts["angle_deg"] % 180.0, 0.0, atol=1.5)
    assert_allclose(found.facts["major_sigma_px"] / found.facts["minor_sigma_px"], 2.0, rtol=0.05)
    round_ = 2 * np.pi * np.arange(X.size) / X.size
    radial = replace(
        tracks, e1=tracks.e1 + 0.4 * np.cos(round_), e2=tracks.e2 + 0.4 * np.sin(round_)
    )
    assert codes(radial) == {}


@pytest.mark.parametrize("step_s", [0.0, 2.5e-8])
def test_times_that_no_camera_keeps_are_told(frames, step_s):
    """All times equal, or a Nyquist frequency of 20 MHz."""
    tracks = frames[1](frames[0])
    assert codes(replace(tracks, time_s=np.arange(N) * step_s)) == {"times-impossible": "void"}


def header(**values):
    """Return header settings."""
    return {key: Setting(value, "header", key) for key, value in values.items()}


@pytest.mark.parametrize(
    ("setup", "known", "low", "high"),
    [
        ({"pixel_scale": 1.0 * u.arcsec}, header(scale_keyword_arcsec=2.0), 1.0, 2.0),
        ({}, header(scale_keyword_arcsec=2.0, scale_wcs_arcsec=1.0), 1.0, 2.0),
        # 4.848 um over 1 m is 1 arcsec; binned twice, and the size may be that of a bin already
        ({}, header(pixel_um=4.848137, focal_length_m=1.0, binning=2), 1.0, 2.0),
        ({"pixel_scale": 4.0 * u.arcsec}, header(pixel_um=4.848137, focal_length_m=1.0), 1.0, 4.0),
    ],
)
def test_readings_of_the_scale_that_contradict_are_named(frames, setup, known, low, high):
    """Binning counted twice, or setup against header: both results are named."""
    rig = Rig(**setup).with_header(known)
    found = next(c for c in are_these_raw(frames[1](frames[0]), None, rig))
    assert (found.code, found.severity) == ("scale-disputed", "doubt")
    assert_allclose([found.facts["low_arcsec"], found.facts["high_arcsec"]], [low, high], rtol=1e-5)


@pytest.mark.parametrize(
    ("setup", "known"),
    [
        ({}, {}),
        ({"pixel_scale": 1.02 * u.arcsec}, header(scale_keyword_arcsec=1.0)),
        # the scale says which reading of the pixel size holds
        ({}, header(pixel_um=4.848137, focal_length_m=1.0, binning=2, scale_wcs_arcsec=2.0)),
        ({}, header(pixel_um=4.848137, focal_length_m=1.0, binning=2, scale_wcs_arcsec=1.0)),
    ],
)
def test_readings_of_the_scale_that_agree_raise_nothing(frames, setup, known):
    """Nominal focal lengths are good to 2 or 3 %."""
    assert codes(frames[1](frames[0]), Rig(**setup).with_header(known)) == {}


def test_a_table_of_positions_raises_nothing(frames):
    """Without pixels there is neither noise nor shape; positions and times are still checked."""
    tracks = frames[1](frames[0])
    bare = replace(tracks, pixels=None, e1=np.full_like(tracks.e1, np.nan))
    assert codes(bare) == {}


def test_bare_positions_of_one_star_raise_nothing_and_no_warning():
    """Positions without noise, flux or shape, a thousand a second, hardly moving in between."""
    rng = np.random.default_rng(6)
    n = 4000
    nothing = np.full((n, 1), np.nan)
    path = np.cumsum(rng.normal(0, 2e-3, (2, n)), axis=1)[..., None]
    tracks = StarTracks(
        time_s=1e-3 * np.arange(n), segment=np.zeros(n, dtype=np.int64),
        row_time_s=np.zeros((n, 1)), x_px=path[0], y_px=path[1], sigma_px=nothing,
        flux_adu=nothing, width_px=nothing, e1=nothing, e2=nothing, peak_adu=nothing,
        good=np.ones((n, 1), dtype=bool), exposure_s=None, cadence_s=1e-3,
    )  # fmt: skip
    assert codes(tracks) == {}
    again = np.repeat(np.arange(n // 2), 2)
    twice = replace(tracks, x_px=path[0][again], y_px=path[1][again])
    assert codes(twice)["frames-repeated"] == "void"


def test_what_pixels_say_is_kept_with_the_tracks(frames, tmp_path):
    """Saved and read back exactly, NaN included; tracks of an older version have none."""
    tracks = frames[1](frames[0])
    pixels = replace(tracks.pixels, neighbour_correlation=float("nan"))
    replace(tracks, pixels=pixels).save(tmp_path)
    again = StarTracks.load(tmp_path).pixels
    assert np.isnan(again.neighbour_correlation)
    assert replace(again, neighbour_correlation=0.0) == replace(pixels, neighbour_correlation=0.0)
    replace(tracks, pixels=None).save(tmp_path)
    assert StarTracks.load(tmp_path).pixels is None


def test_a_knock_that_rings_down_is_no_step(frames):
    """One push, which the path remembers as it always does: not a place that moved for good."""
    images, measure = frames
    tracks = measure(images)
    since = np.maximum(tracks.time_s - 6.0, 0.0)[:, None]
    ring = 6.0 * np.exp(-1.5 * since) * np.sin(2 * np.pi * 2.2 * since)
    assert codes(replace(tracks, x_px=tracks.x_px + ring)) == {}
    moved = 6.0 * (since > 0)
    assert codes(replace(tracks, x_px=tracks.x_px + moved)) == {"pointing-stepped": "doubt"}


def test_a_star_that_is_lost_while_the_field_turns_is_no_step(frames):
    """The mean place of those left moves, the stars do not."""
    images, measure = frames
    tracks = measure(images)
    two = tracks.x_px[:, :2] + np.linspace(-3.0, 3.0, N)[:, None] * np.array([1.0, -1.0])
    good = tracks.good[:, :2].copy()
    good[180:, 1] = False
    names = ("row_time_s", "y_px", "sigma_px", "flux_adu", "width_px", "e1", "e2", "peak_adu")
    kept = {name: np.where(good, getattr(tracks, name)[:, :2], np.nan) for name in names}
    fewer = replace(tracks, x_px=np.where(good, two, np.nan), good=good, **kept)
    assert codes(fewer) == {}
