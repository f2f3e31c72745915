"""A badly sampled star that is shaken is no cosmic ray, and a cosmic ray on it still is one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from blursplit.stars import follow_stars
from blursplit.stars.pixels import RayHits

N_FRAMES = 400
X = np.array([30.3, 95.6, 62.1, 26.2, 101.4, 60.8, 90.2])
Y = np.array([28.7, 32.2, 64.4, 100.9, 97.5, 104.1, 66.3])
FLUX = np.array([30e3, 24e3, 18e3, 14e3, 11e3, 9e3, 7e3])
SIGMA = 0.7


def shaken(make_sequence: Any, *, hits: bool, sigma: float = SIGMA) -> tuple[Any, dict[int, int]]:
    """Return a shaken, flickering field of sharp stars, and frame -> star hit by a cosmic ray."""
    rng = np.random.default_rng(5)
    t = np.arange(N_FRAMES)
    shake = np.stack([1.6 * np.sin(0.9 * t), 1.4 * np.sin(1.1 * t + 1.0)], axis=1)
    own = rng.normal(0.0, 0.25, (2, N_FRAMES, X.size))  # the air, apart for each star
    x, y = X + shake[:, :1] + own[0], Y + shake[:, 1:] + own[1]
    flux = FLUX * np.exp(rng.normal(0.0, 0.08, x.shape))
    struck = {int(f): int(f // 8) % X.size for f in t[8::8]} if hits else {}

    def spoil(frame: Any, i: int) -> None:
        if i in struck:
            s = struck[i]
            column, row = np.rint([x[i, s] + rng.uniform(-1, 1), y[i, s] + rng.uniform(-1, 1)])
            frame[int(row), int(column)] += 1.2 * FLUX[s]

    sequence = make_sequence(x, y, flux, rng, shape=(130, 130), sigma=sigma, spoil=spoil)
    return sequence, struck


@pytest.mark.parametrize("sigma", [0.65, 0.7, 1.0])
def test_sharp_stars_that_are_shaken_are_kept(make_sequence: Any, sigma: float) -> None:
    """No sample of 2800 is taken for a cosmic ray; three would be a tenth of a percent."""
    sequence, _ = shaken(make_sequence, hits=False, sigma=sigma)
    tracks = follow_stars(sequence)
    assert tracks.n_stars == X.size
    assert (~tracks.good).sum() <= 3


def test_cosmic_rays_on_sharp_shaken_stars_are_masked(make_sequence: Any) -> None:
    """Of hits worth 1.2 times the star nine in ten are found, and hardly anything else is."""
    sequence, struck = shaken(make_sequence, hits=True)
    tracks = follow_stars(sequence)
    brightest_first = np.argsort(-FLUX, kind="stable")
    order = np.argsort(brightest_first)
    lost = {
        (int(frame), star)
        for frame, row in zip(tracks.frame, ~tracks.good, strict=True)
        for star in np.flatnonzero(row)
    }
    hit = {(frame, int(order[star])) for frame, star in struck.items()}
    assert len(lost & hit) >= 0.9 * len(hit)
    assert len(lost - hit) <= 3


def test_a_sharp_sample_that_stays_with_its_field_is_kept_and_one_that_leaves_is_not() -> None:
    """Four sigmas of sharpness alone are a speckle; with an odd place and flux they are a hit."""
    rng = np.random.default_rng(6)
    excess = rng.normal(0.05, 0.02, (200, 5))
    place_x, place_y = rng.normal(0, 0.2, (2, 200, 5))
    ratio = np.exp(rng.normal(0, 0.05, (200, 5)))
    excess[50, 2] = excess[60, 3] = 0.05 + 4.5 * 0.02
    place_x[50, 2], ratio[50, 2] = 1.2, 1.5
    place_x[60, 3], place_y[60, 3], ratio[60, 3] = 0.0, 0.0, 1.0
    found = RayHits.find(
        excess, np.full_like(excess, 1e-3), place_x, place_y, ratio, np.ones_like(ratio)
    )[0]
    assert np.argwhere(found).tolist() == [[50, 2]]


def test_a_gust_that_sharpens_all_stars_of_a_frame_spoils_none() -> None:
    """What all stars do at once is no cosmic ray."""
    rng = np.random.default_rng(7)
    excess = rng.normal(0.05, 0.02, (200, 5))
    excess[80] += 0.5
    zeros, ones = np.zeros_like(excess), np.ones_like(excess)
    found = RayHits.find(excess, np.full_like(excess, 1e-3), zeros, zeros, ones, ones)[0]
    assert not found.any()
    excess[80] -= 0.5
    excess[80, 1] += 0.5
    found = RayHits.find(excess, np.full_like(excess, 1e-3), zeros, zeros, ones, ones)[0]
    assert np.argwhere(found).tolist() == [[80, 1]]


def test_a_ray_beside_a_star_is_told_from_a_wide_bright_moment_by_its_sharp_pixel() -> None:
    """Brighter and wider by five habits is doubtful; only the sample with a lone pixel is hit."""
    rng = np.random.default_rng(8)
    excess = rng.normal(0.05, 0.02, (60, 4))
    zeros = np.zeros_like(excess)
    ratio = np.exp(rng.normal(0, 0.02, (60, 4)))
    width = 1.8 * np.exp(rng.normal(0, 0.02, (60, 4)))
    for frame in (20, 40):
        ratio[frame, 1], width[frame, 1] = 1.2, 2.3
    rays = RayHits.find(excess, np.full_like(excess, 1e-3), zeros, zeros, ratio, width)
    assert not rays.hit.any()
    assert np.argwhere(rays.doubtful).tolist() == [[20, 1], [40, 1]]
    axis = np.arange(25) - 12
    # Sigma 1.8 px: the peak pixel exceeds its neighbours by 0.14 of its height.
    star = 1000 * np.exp(-0.5 * (axis[:, None] ** 2 + axis**2) / 1.8**2)
    stamps = (star + rng.normal(0, 8, (60, 4, 25, 25))).astype(np.float32)
    stamps[20, 1] += np.float32(0.2) * star.astype(np.float32)
    stamps[40, 1, 17, 8] += 1500
    flux = np.full((60, 4), 2 * np.pi * 1.8**2 * 1000)
    found = rays.on_flanks(
        lambda *at: stamps[at], flux, np.full_like(flux, 20 / flux[0, 0]), ~rays.doubtful
    )
    assert np.argwhere(found).tolist() == [[40, 1]]
