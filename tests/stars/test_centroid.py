"""The windowed centroid: closed forms, bounds, invariance, other libraries, broken stamps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.constants import WINDOW_OVER_SIGMA
from blursplit.stars.build_tracks import _gain_of, _noise_against_level
from blursplit.stars.centroid import WindowedShapes, _unwindow, measure_centroids
from blursplit.stars.pixels import fill_gaps, measure_sky

if TYPE_CHECKING:
    from numpy.typing import NDArray

SIZE = 21
HALF = SIZE // 2


def star_pixels(x: Any, y: Any, flux: Any, sx: float, sy: float, tilt: float = 0.0) -> Any:
    """Sample elliptical Gaussians of unit pixel, centred in stamps of 21 pixels, shape (m, ...)."""
    row, column = np.indices((SIZE, SIZE), dtype=float)
    dx = column - HALF - np.asarray(x)[:, None, None]
    dy = row - HALF - np.asarray(y)[:, None, None]
    u, v = dx * np.cos(tilt) + dy * np.sin(tilt), dy * np.cos(tilt) - dx * np.sin(tilt)
    shape = np.exp(-0.5 * (u / sx) ** 2 - 0.5 * (v / sy) ** 2) / (2 * np.pi * sx * sy)
    return np.asarray(flux)[:, None, None] * shape


def noisy(
    rng: np.random.Generator, m: int, flux: float, sigma: float, background: float
) -> tuple[NDArray[np.float32], NDArray[np.float64], NDArray[np.float64]]:
    """Draw stars at random pixel phases with photon noise (gain 1)."""
    x, y = rng.uniform(-0.5, 0.5, (2, m))
    light = star_pixels(x, y, np.full(m, flux), sigma, sigma) + background
    return rng.poisson(light).astype(np.float32), x, y


def exact_bound(flux: float, sigma: float, background: float) -> float:
    """Cramer-Rao bound of one coordinate by summing the Fisher information over pixels."""
    model = star_pixels([0.0], [0.0], [flux], sigma, sigma)[0]
    column = np.arange(SIZE) - HALF
    slope = model * column / sigma**2
    return float(1 / np.sqrt((slope**2 / (model + background)).sum()))


def slow_centroid(stamp: Any, sky: float, window: float) -> tuple[float, float]:
    """Iterate the windowed centroid the obvious way, one stamp at a time."""
    row, column = np.indices(stamp.shape)
    x = y = (stamp.shape[0] - 1) / 2
    for _ in range(200):
        w = np.exp(-0.5 * ((column - x) ** 2 + (row - y) ** 2) / window**2) * (stamp - sky)
        dx, dy = (w * (column - x)).sum() / w.sum(), (w * (row - y)).sum() / w.sum()
        x, y = x + dx, y + dy
    return x, y


def test_moments_of_a_gaussian_star_are_its_own() -> None:
    """Position, flux, width and elongation of a noise-free Gaussian come back (closed form)."""
    tilt = 0.6
    stamps = star_pixels([0.3, -1.7], [-0.4, 1.2], [5000.0, 800.0], 2.4, 1.9, tilt) + 55.0
    found = WindowedShapes.measure(stamps.astype(np.float32), np.array([55.0, 55.0]), 3.2)
    # Sampling a Gaussian of sigma 1.9 px errs by exp(-2 pi^2 1.9^2): nothing; what is left is
    # the cut of the stamp at 8 to 10 px (3 windows and more, 1e-4) and the step tolerance.
    assert_allclose(found.x_px - HALF, [0.3, -1.7], atol=1e-3)
    assert_allclose(found.y_px - HALF, [-0.4, 1.2], atol=1e-3)
    assert_allclose(found.flux_adu, [5000.0, 800.0], rtol=2e-3)
    xx = 2.4**2 * np.cos(tilt) ** 2 + 1.9**2 * np.sin(tilt) ** 2
    yy = 2.4**2 * np.sin(tilt) ** 2 + 1.9**2 * np.cos(tilt) ** 2
    xy = (2.4**2 - 1.9**2) * np.sin(tilt) * np.cos(tilt)
    assert_allclose(found.xx_px2, xx, rtol=4e-3)
    assert_allclose(found.e1, (xx - yy) / (xx + yy), atol=3e-3)
    assert_allclose(found.e2, 2 * xy / (xx + yy), atol=3e-3)
    assert_allclose(found.width_px, np.sqrt((xx + yy) / 2), rtol=2e-3)


def test_the_fast_centroid_equals_the_obvious_one() -> None:
    """The projection on a basis changes nothing: same numbers as the plain iteration."""
    rng = np.random.default_rng(1)
    stamps, _, _ = noisy(rng, 40, 4000.0, 2.0, 60.0)
    stamps = np.roll(stamps, (1, -2), axis=(1, 2))
    sky, _ = measure_sky(stamps)
    found = WindowedShapes.measure(stamps, sky, 3.0)
    plain = np.array([slow_centroid(s, k, 3.0) for s, k in zip(stamps, sky, strict=True)])
    assert_allclose(found.x_px, plain[:, 0], atol=4e-4)  # twice the step at which it stops
    assert_allclose(found.y_px, plain[:, 1], atol=4e-4)


def test_a_shift_toward_plus_x_and_plus_y_is_positive() -> None:
    """Conventions: x is the column, y the row."""
    stamps = star_pixels([1.0], [0.0], [1e4], 2.0, 2.0).astype(np.float32)
    found = WindowedShapes.measure(stamps, np.zeros(1), 3.0)
    assert_allclose([found.x_px[0], found.y_px[0]], [HALF + 1, HALF], atol=1e-3)
    wide = star_pixels([0.0], [0.0], [1e4], 2.5, 1.8).astype(np.float32)
    assert WindowedShapes.measure(wide, np.zeros(1), 3.0).e1[0] > 0.2


# Signal-to-noise from 20 to 500: (flux [e-], background [e-/px], limit over the bound).
CASES = [(250e3, 0.0, 1.20), (20e3, 0.0, 1.20), (20e3, 100.0, 1.15), (2e3, 25.0, 1.15)]


@pytest.mark.parametrize(("flux", "background", "limit"), CASES)
@pytest.mark.parametrize("sigma", [1.5, 2.2])
def test_scatter_is_near_the_cramer_rao_bound(
    flux: float, background: float, limit: float, sigma: float
) -> None:
    """Scatter within 1.15 (background) or 1.20 (photons) of the bound, and as stated."""
    rng = np.random.default_rng(2)
    m = 6000
    stamps, x, y = noisy(rng, m, flux, sigma, background)
    window = WINDOW_OVER_SIGMA * sigma
    sky, variance = measure_sky(stamps)
    found = WindowedShapes.measure(stamps, sky, window)
    off = np.concatenate([found.x_px - HALF - x, found.y_px - HALF - y])
    rms = float(np.sqrt(np.mean(off**2)))
    bound = exact_bound(flux, sigma, background)
    # 12,000 draws: the rms is known to 0.65 %; three times that.
    assert rms < limit * bound * 1.02
    assert rms > bound * 0.98
    assert abs(off.mean()) < 4 * rms / np.sqrt(off.size)
    star, back = found.variance_terms(window, variance)
    assert_allclose(np.sqrt(np.median(star + back)), rms, rtol=0.05)


def test_stated_noise_follows_the_published_forms() -> None:
    """With the window as wide as the star: (16/9) s^2/N and 8 pi s^4 B/N^2 (module's sources)."""
    sigma, flux = 2.0, 1e4
    stamps = star_pixels([0.2], [0.1], [flux], sigma, sigma).astype(np.float32)
    found = WindowedShapes.measure(stamps, np.zeros(1), sigma)
    star, back = found.variance_terms(sigma, np.array([30.0]))
    assert_allclose(star, 16 / 9 * sigma**2 / flux, rtol=5e-3)
    assert_allclose(back, 8 * np.pi * sigma**4 * 30.0 / flux**2, rtol=5e-3)


def test_agrees_with_a_gaussian_fit_and_a_compiled_centroid() -> None:
    """Photutils' 2-D Gaussian fit within the noise; sep.winpos within a tenth of it."""
    import sep

    rng = np.random.default_rng(3)
    stamps, x, _ = noisy(rng, 25, 20e3, 2.0, 100.0)
    sky = np.full(25, 100.0)
    ours, ours_y = measure_centroids(stamps, sky, 3.0)
    fitted, _ = measure_centroids(stamps, sky, 3.0, "2dg")
    noise = exact_bound(20e3, 2.0, 100.0)
    # Two estimators of efficiency near 1 differ by less than the noise of either.
    assert np.std(ours - fitted) < noise
    assert abs(np.mean(ours - fitted)) < noise
    assert_allclose(np.std(ours - HALF - x), noise, rtol=0.5)  # 25 draws: 14 %, 3.5 of them
    for i in range(25):
        wx, wy, _ = sep.winpos(
            np.ascontiguousarray(stamps[i] - 100.0), [float(HALF)], [float(HALF)], [3.0]
        )
        assert_allclose([wx[0], wy[0]], [ours[i], ours_y[i]], atol=0.1 * noise)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), sigma=st.floats(1.3, 2.6), flip=st.sampled_from("xyt"))
def test_flips_and_transposition_carry_over(seed: int, sigma: float, flip: str) -> None:
    """A mirrored stamp gives the mirrored position and elongation."""
    rng = np.random.default_rng(seed)
    stamps, _, _ = noisy(rng, 8, 8e3, sigma, 40.0)
    sky = np.full(8, 40.0)
    one = WindowedShapes.measure(stamps, sky, 1.5 * sigma)
    turn = {
        "x": lambda s: s[:, :, ::-1],
        "y": lambda s: s[:, ::-1],
        "t": lambda s: s.swapaxes(1, 2),
    }
    two = WindowedShapes.measure(np.ascontiguousarray(turn[flip](stamps)), sky, 1.5 * sigma)
    x, y = one.x_px, one.y_px
    expected = {"x": (SIZE - 1 - x, y), "y": (x, SIZE - 1 - y), "t": (y, x)}[flip]
    assert_allclose(two.x_px, expected[0], atol=5e-4)
    assert_allclose(two.y_px, expected[1], atol=5e-4)
    assert_allclose(two.e1, -one.e1 if flip == "t" else one.e1, atol=2e-3)
    assert_allclose(two.e2, one.e2 if flip == "t" else -one.e2, atol=2e-3)
    assert_allclose(two.flux_adu, one.flux_adu, rtol=1e-3)


@settings(max_examples=25, deadline=None)
@given(x=st.floats(-3, 3), y=st.floats(-3, 3), gain=st.floats(0.1, 50), sky=st.floats(-200, 3000))
def test_place_does_not_depend_on_level_or_scale(
    x: float, y: float, gain: float, sky: float
) -> None:
    """Adding sky and multiplying by a gain change neither place nor width."""
    stamps = (gain * star_pixels([x], [y], [1e4], 1.7, 1.7) + sky).astype(np.float32)
    found = WindowedShapes.measure(stamps, np.array([sky]), 2.5)
    # 7 px from the border, 2.8 windows: the cut moves nothing beyond 1 %.
    assert_allclose([found.x_px[0] - HALF, found.y_px[0] - HALF], [x, y], atol=0.01)
    assert_allclose(found.width_px, 1.7, rtol=0.01)


def test_stamps_without_a_star_give_nothing_or_low_signal() -> None:
    """Pure sky, NaN and an empty stack never give a confident star."""
    rng = np.random.default_rng(4)
    stamps = rng.normal(100, 10, (300, SIZE, SIZE)).astype(np.float32)
    stamps[0] = np.nan
    stamps[1] = 100.0
    sky, _ = measure_sky(stamps)
    assert np.isnan(sky[0])
    found = WindowedShapes.measure(stamps, sky, 3.0)
    assert np.isnan(found.x_px[:2]).all()
    # The highest of some ten thousand independent places: 3.9 sigma.
    snr = found.signal_to_noise(3.0, np.inf, np.full(300, 100.0))
    assert not (snr > 5).any()
    assert WindowedShapes.measure(stamps[:0], sky[:0], 3.0).x_px.shape == (0,)
    with pytest.raises(ValueError, match="none of"):
        measure_centroids(stamps, sky, 3.0, "best")  # type: ignore[arg-type]


def test_sky_survives_a_neighbour_and_a_frame_edge() -> None:
    """The local sky is a median of pieces of the border: one side may be wrong or missing."""
    rng = np.random.default_rng(5)
    stamps = rng.normal(100, 10, (400, SIZE, SIZE)).astype(np.float32)
    clean, variance = measure_sky(stamps)
    assert_allclose(clean.mean(), 100.0, atol=0.5)
    # 400 medians of 12 estimates of 15 % or so each: half a percent, and the approximation.
    assert_allclose(variance.mean(), 100.0, rtol=0.03)
    stamps[:, :6, :6] += 500.0
    assert_allclose(measure_sky(stamps)[0].mean(), 100.0, atol=2.0)
    stamps[:, :, :4] = np.nan
    assert_allclose(measure_sky(stamps)[0].mean(), 100.0, atol=2.5)


def test_lone_gaps_are_filled_from_their_neighbours() -> None:
    """A masked pixel on a star's flank moves its centroid by little."""
    stamps = star_pixels([0.2], [-0.3], [1e4], 2.0, 2.0).astype(np.float32)
    stamps[0, HALF + 1, HALF - 2] = np.nan
    assert np.isnan(WindowedShapes.measure(stamps, np.zeros(1), 3.0).x_px).all()
    found = WindowedShapes.measure(fill_gaps(stamps, np.zeros(1)), np.zeros(1), 3.0)
    assert_allclose(found.x_px - HALF, 0.2, atol=0.01)


def test_moments_as_wide_as_the_window_are_unknown() -> None:
    """A windowed moment that leaves no room for a star is NaN, not a number."""
    xx, yy, xy = _unwindow(np.array([9.0, 4.0]), np.array([9.0, 4.0]), np.zeros(2), 3.0)
    assert np.isnan([xx[0], yy[0], xy[0]]).all()
    assert_allclose([xx[1], yy[1], xy[1]], [7.2, 7.2, 0.0])


@pytest.mark.parametrize("gain", [0.5, 2.5])
def test_gain_is_found_in_the_stars_own_pixels(gain: float) -> None:
    """From pixel noise alone, whatever the widths do from frame to frame."""
    rng = np.random.default_rng(6)
    light = np.concatenate(
        [star_pixels(*rng.uniform(-1, 1, (2, 1)), [60e3], s, s) for s in rng.uniform(1.8, 2.4, 500)]
    )
    pixels = (rng.poisson(light + 100.0) + rng.normal(0, 3.0, light.shape)) / gain
    fitted = _gain_of(*_noise_against_level(pixels.astype(np.float32), np.full(500, 100.0 / gain)))
    assert fitted is not None
    found, error = fitted
    assert error < 0.3
    assert abs(found / gain - 1.0) < 3.0 * error


def test_no_gain_from_too_little() -> None:
    """Few stamps, or stamps without light, say nothing about the gain."""
    rng = np.random.default_rng(7)
    dark = rng.normal(100, 5, (60, SIZE, SIZE)).astype(np.float32)
    assert _gain_of(*_noise_against_level(dark[:5], np.full(5, 100.0))) is None
    assert _gain_of(*_noise_against_level(dark, np.full(60, 100.0))) is None
