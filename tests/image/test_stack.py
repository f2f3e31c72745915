"""Frames shifted and added in Fourier space, against the obvious way."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.image.stack import StarImages, _image_width, _restack
from blursplit.stars.tracks import Stamps, StarTracks

FRAMES, SKY = 150, 20.0


def tracks_of(pixels: np.ndarray) -> StarTracks:
    n, k = pixels.shape[:2]
    zero = np.zeros((n, k))
    stamps = Stamps(
        star=np.arange(k),
        pixels_adu=pixels.astype(np.float32),
        x0_px=np.full((n, k), 40),
        y0_px=np.full((n, k), 60),
        sky_adu=np.full((n, k), SKY),
    )
    return StarTracks(
        time_s=np.arange(n) * 0.02,
        segment=np.zeros(n, dtype=np.int64),
        row_time_s=zero,
        x_px=zero,
        y_px=zero,
        sigma_px=zero,
        flux_adu=zero,
        width_px=zero,
        e1=zero,
        e2=zero,
        peak_adu=zero,
        good=np.ones((n, k), dtype=bool),
        exposure_s=0.01,
        cadence_s=0.02,
        stamps=stamps,
    )


@pytest.mark.parametrize("size", [16, 17])
def test_restack_equals_a_phase_a_frequency_and_frame(size):
    rng = np.random.default_rng(size)
    # Whole numbers, which single precision holds exactly, so that only the sums round.
    pixels = rng.integers(0, 1000, (FRAMES, 2, size, size)).astype(float)
    place = np.array([40.0, 60.0]) + (size - 1) / 2 + rng.normal(0, 0.8, (FRAMES, 2, 2))
    got = _restack(tracks_of(pixels), {"star": place})
    fy, fx = np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)
    each = []
    for k in range(2):
        total = np.zeros((size, size // 2 + 1), dtype=complex)
        for i in range(FRAMES):
            dx, dy = place[i, k] - [40.0, 60.0] - (size - 1) / 2
            total += np.fft.rfft2(pixels[i, k] - SKY) * np.exp(2j * np.pi * (fx * dx + fy * dy))
        each.append(np.fft.irfft2(total, s=(size, size)) / abs(total[0, 0]))
    # Sums of 150 frames of 300 pixels round to some 1e-14 of the pixels, which are of order 1.
    assert_allclose(got.images["star"], np.mean(each, axis=0), rtol=0, atol=1e-12)


def test_star_off_by_whole_pixels_is_moved_to_the_middle():
    size, middle = 15, 7
    rng = np.random.default_rng(4)
    shape = rng.uniform(1, 2, (3, 3))
    pixels = np.full((FRAMES, 1, size, size), SKY)
    step = rng.integers(-3, 4, (FRAMES, 2))
    for i, (x, y) in enumerate(step):
        pixels[i, 0, middle + y - 1 : middle + y + 2, middle + x - 1 : middle + x + 2] += shape
    place = (np.array([40.0, 60.0]) + middle + step)[:, None, :]
    got = _restack(tracks_of(pixels), {"star": place}).images["star"]
    expected = np.zeros((size, size))
    expected[middle - 1 : middle + 2, middle - 1 : middle + 2] = shape / shape.sum()
    # Single precision keeps 7e-8 of the pixels, of which there are 20 units of sky to each of 1.
    assert_allclose(got, expected, atol=1e-6)


def test_star_that_leaves_its_cutouts_has_its_whole_trail():
    """A star drifts over 70 pixels in cut-outs of 21: the sum of the whole frames is the truth."""
    size, sigma = 21, 1.7
    path = np.stack([np.linspace(50.0, 120.0, FRAMES), np.linspace(60.0, 71.0, FRAMES)], axis=1)
    corner = np.rint(path).astype(int) - size // 2
    y, x = np.mgrid[0:170, 0:170]
    whole = np.zeros((170, 170))
    pixels = np.zeros((FRAMES, 1, size, size))
    for i, (at_x, at_y) in enumerate(path):
        frame = 1000.0 * np.exp(-0.5 * ((x - at_x) ** 2 + (y - at_y) ** 2) / sigma**2)
        whole += frame
        x0, y0 = corner[i]
        pixels[i, 0] = SKY + frame[y0 : y0 + size, x0 : x0 + size]
    tracks = tracks_of(pixels)
    stamps = replace(tracks.stamps, x0_px=corner[:, :1], y0_px=corner[:, 1:])
    tracks = replace(tracks, x_px=path[:, :1], y_px=path[:, 1:], stamps=stamps)
    found = StarImages.of(tracks, 1e3, 1.0, {})
    got = found.stack.images["recorded"]
    middle_x, middle_y = np.rint(path.mean(axis=0)).astype(int)
    half = got.shape[0] // 2
    there = whole[middle_y - 45 : middle_y + 46, middle_x - 45 : middle_x + 46]
    here = got[half - 45 : half + 46, half - 45 : half + 46]
    # the path's mean lies up to half a pixel beside the whole pixel: compare moments and the top
    assert_allclose(here.sum(), 1.0, atol=1e-4)
    columns = np.arange(-45, 46)
    spread = [
        np.sqrt(
            columns**2 @ image.sum(axis=0) / image.sum()
            - (columns @ image.sum(axis=0) / image.sum()) ** 2
        )
        for image in (here, there)
    ]
    assert_allclose(spread[0], spread[1], rtol=1e-4)
    assert_allclose(here.max(), there.max() / whole.sum(), rtol=1e-3)
    # noise-free: what differs is half a pixel of place, and the pixel's phase in each frame
    width = _image_width(there / there.sum(), 1.0).mean
    assert_allclose(found.widths["recorded"].mean, width, rtol=0.005)
    assert_allclose(found.widths["registered"].mean, 2.3548 * sigma, rtol=0.02)


@pytest.mark.parametrize("hits", [0, 1])
def test_long_frames_are_laid_on_the_mean_place_of_their_light(hits):
    """Trails whose bright end lies now here, now there: the truth is drawn a tenth as coarse.

    With a cosmic ray as bright as half a star beside it in every third frame.
    """
    size, sigma, fine = 33, 2.0, 10
    rng = np.random.default_rng(12)
    n = 60
    bright = rng.uniform(15.5, 16.5, (n, 2))
    side = rng.choice([-4.5, 4.5], n)

    def drawn(x, y, at, scale):
        dx, dy = (x - at[0]) * scale, (y - at[1]) * scale
        return np.exp(-(dx**2 + dy**2) / (2.0 * sigma**2))

    y, x = np.mgrid[:size, :size]
    wide = (np.arange(size * fine) - (size * fine - 1) / 2) / fine
    pixels, truth = np.full((n, 2, size, size), SKY), np.zeros((size * fine,) * 2)
    for i, (place, far) in enumerate(zip(bright, side, strict=True)):
        for part, offset in ((0.62, 0.0), (0.38, far)):
            for k, flux in enumerate((900.0, 300.0)):
                pixels[i, k] += flux * part * drawn(x, y, place + np.array([offset, 0.0]), 1.0)
            truth += part * drawn(wide[None, :], wide[:, None], (offset - 0.38 * far, 0.0), 1.0)
    pixels += rng.normal(0.0, 3.0, pixels.shape)
    for i in range(0, n, 3):
        pixels[i, rng.integers(2), 16 + rng.choice([-8, 8]), rng.integers(8, 25)] += hits * 12_000.0
    tracks = tracks_of(pixels)
    places = np.repeat(bright[:, None] + [40.0, 60.0], 2, axis=1)
    tracks = replace(tracks, x_px=places[..., 0], y_px=places[..., 1])
    expected = 2.0 * np.sqrt((truth > 0.5 * truth.max()).sum() / np.pi) / fine
    short = StarImages.of(tracks, 10.0, 1.0, {}).widths["registered"].mean
    long = StarImages.of(replace(tracks, exposure_s=10.0), 10.0, 1.0, {})
    # The noise of a frame's place widens by a quarter of a percent, and by as much what the circle
    # leaves out of the trail moves it; the width of an image is good to 0.5 %.
    assert_allclose(long.widths["registered"].mean, expected, rtol=0.01)
    assert short < 0.95 * expected
