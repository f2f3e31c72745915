"""Windowed centroids of drawn-out stars, rendered pixel by pixel, against the solved windows."""

import numpy as np
import pytest

from blursplit.motion.trails import Swing
from blursplit.stars.centroid import WindowedShapes

EXPOSURE_S = 0.1
SIGMA_PX = 1.6
WINDOW_PX = 1.5 * SIGMA_PX


def rendered(path_px: np.ndarray, size: int = 49) -> np.ndarray:
    """Mean image of a Gaussian star at each place of each frame's path, (frames, size, size)."""
    at = np.arange(size) - (size - 1) / 2
    along = [np.exp(-0.5 * ((at - path_px[..., k, None]) / SIGMA_PX) ** 2) for k in (0, 1)]
    return 1e4 * np.einsum("nty,ntx->nyx", along[1], along[0]) / path_px.shape[1]


def swinging(hz: float, rms_px: float, rng: np.random.Generator, frames: int = 400) -> np.ndarray:
    """Paths along the diagonal of frames at random phases and amplitudes, (frames, steps, 2)."""
    cos, sin = rms_px * rng.standard_normal((2, frames, 1))
    turn = 2 * np.pi * hz * (np.linspace(0.0, 1.0, 60) - 0.5) * EXPOSURE_S
    along = cos * np.cos(turn) + sin * np.sin(turn)
    return np.stack([0.8 * along, 0.6 * along], axis=2)


@pytest.mark.parametrize(
    ("hz", "rms_px"), [(3.0, 2.0), (5.0, 2.5), (6.5, 2.0), (6.5, 2.6), (8.0, 1.5)]
)
def test_slope_of_rendered_trails(hz: float, rms_px: float) -> None:
    path = swinging(hz, rms_px, np.random.default_rng(8))
    images = rendered(path)
    found = WindowedShapes.measure(images, np.zeros(len(images)), WINDOW_PX)
    seen = np.stack([found.x_px, found.y_px], axis=1) - (images.shape[1] - 1) / 2
    mean = path.mean(axis=1)
    good = np.isfinite(seen).all(axis=1)
    slope = np.sum((seen * mean)[good]) / np.sum(mean[good] ** 2)

    unit = np.array([0.8, 0.6])
    kept = np.sinc(hz * EXPOSURE_S) * rms_px
    swing = Swing((slope * kept) ** 2 * np.outer(unit, unit), np.array([hz]), np.ones(1))
    trail = path - path.mean(axis=1, keepdims=True)
    width = np.sqrt(SIGMA_PX**2 + 0.5 * np.mean(np.sum(trail**2, axis=2)))
    told = Swing.followed([swing], EXPOSURE_S, WINDOW_PX, width)[0][0]

    # both are means over a few hundred frames of amplitudes that vary like Rayleigh's
    assert told - 1.0 == pytest.approx(slope - 1.0, rel=0.2, abs=0.01)
    assert good.mean() > 0.9


def test_short_frames_follow_the_mean_place() -> None:
    swing = Swing(0.25 * np.eye(2), np.array([6.0]), np.ones(1))
    assert Swing.followed([swing], 0.005, 1.0, 0.7) == [np.ones(1)]


def test_two_swings_draw_trails_together() -> None:
    """What one swing leaves of the window's reach counts for the other."""
    slow = Swing(0.9 * np.diag([1.0, 0.0]), np.array([1.7]), np.ones(1))
    fast = Swing(1.2 * np.diag([1.0, 0.0]), np.array([2.6]), np.ones(1))
    alone = Swing.followed([slow], 0.2, 0.75, 0.6)[0][0]
    together = Swing.followed([slow, fast], 0.2, 0.75, 0.6)
    assert together[0][0] > alone
    assert together[1][0] > 1.05
