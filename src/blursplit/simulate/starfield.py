"""Where the stars stand, how bright they are, and when the camera looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.simulate.scene import Scene

    FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class StarField:
    """Stars, the brightest first.

    Parameters
    ----------
    x_px, y_px : ndarray, shape (n_stars,)
        Positions at the start, without any motion.
    flux_e_per_s : ndarray, shape (n_stars,)
    opening_m : ndarray, shape (n_stars, 2), or None
        Centre (x, y) of the mask's opening that an image came through.
    wedge_px : ndarray, shape (n_stars, 2), or None
        How far the mask's wedge moves the image from the star's place.
    """

    x_px: FloatArray
    y_px: FloatArray
    flux_e_per_s: FloatArray
    opening_m: FloatArray | None = None
    wedge_px: FloatArray | None = None

    def beams(self) -> tuple[FloatArray, FloatArray]:
        """Return the opening's centre [m] and the wedge's shift [px] of every image."""
        zero = np.zeros((self.x_px.size, 2))
        return (
            zero if self.opening_m is None else self.opening_m,
            zero if self.wedge_px is None else self.wedge_px,
        )


def place_stars(scene: Scene) -> StarField:
    """Return the listed stars, or draw them spread over the field (from the stars' own seed)."""
    camera, stars = scene.camera, scene.stars
    if stars.star:
        rows = sorted(stars.star, key=lambda s: -s.flux_e_per_s)
        return StarField(
            np.array([s.x_px for s in rows]),
            np.array([s.y_px for s in rows]),
            np.array([s.flux_e_per_s for s in rows]),
        )
    rng = np.random.default_rng(stars.seed)
    margin = min(stars.margin_px, 0.4 * camera.width_px, 0.4 * camera.height_px)
    low = np.array([margin, margin])
    high = np.array([camera.width_px, camera.height_px]) - 1 - margin
    placed = rng.uniform(low, high, (1, 2))
    while placed.shape[0] < stars.count:
        # of many candidates, the one farthest from its neighbours: spread, but not a lattice
        candidates = rng.uniform(low, high, (12, 2))
        gaps = np.hypot(*(candidates[:, None] - placed[None]).transpose(2, 0, 1)).min(axis=1)
        placed = np.vstack([placed, candidates[np.argmax(gaps)]])
    flux = stars.flux_e_per_s * np.geomspace(1, stars.faintest_ratio, stars.count)
    return StarField(placed[:, 0], placed[:, 1], flux)


@dataclass(frozen=True)
class FrameTimes:
    """When each recorded frame starts, and what goes wrong with it.

    Parameters
    ----------
    number : ndarray of int, shape (n_frames,)
        Number on the camera's clock; lost frames are missing.
    start_s : ndarray, shape (n_frames,)
        True start of the exposure.
    stamp_s : ndarray, shape (n_frames,)
        Start as written in the file.
    transparency : ndarray, shape (n_frames,)
    dither_px : ndarray, shape (n_frames, 2)
    """

    number: NDArray[np.int64]
    start_s: FloatArray
    stamp_s: FloatArray
    transparency: FloatArray
    dither_px: FloatArray


def plan_frames(scene: Scene, rng: np.random.Generator) -> FrameTimes:
    """Return the frame times of a scene with jitter, lost frames, clouds and dithers."""
    camera, faults = scene.camera, scene.faults
    n = scene.sequence.frames
    regular = np.arange(n) * camera.frame_interval_s
    # a frame never starts before the one before it has ended
    most = (camera.frame_interval_s - camera.exposure_s) / 2
    jitter = np.clip(camera.time_jitter_s * rng.standard_normal(n), -most, most)
    start = np.asarray(regular + jitter, dtype=float)
    stamp = start + camera.stamp_jitter_s * np.clip(rng.standard_normal(n), -4, 4)
    kept = rng.permutation(n)[round(n * faults.dropped_share) :]
    number = np.sort(kept)
    dither = np.zeros((n, 2))
    for jump in faults.dither:
        dither[regular >= jump.time_s] += (jump.dx_px, jump.dy_px)
    clear = _transparency(n, faults.clouded_share, rng)
    return FrameTimes(
        number.astype(np.int64), start[number], stamp[number], clear[number], dither[number]
    )


def _transparency(n: int, share: float, rng: np.random.Generator) -> FloatArray:
    """Return 1 for clear frames and a few percent inside a few clouds of equal length."""
    clear = np.ones(n)
    clouded = round(n * share)
    clouds = min(clouded, 3)
    if not clouds:
        return clear
    lengths = [part.size for part in np.array_split(np.arange(clouded), clouds)]
    for third, length in zip(np.array_split(np.arange(n), clouds), lengths, strict=True):
        first = int(rng.integers(third[0], max(third[0] + 1, third[-1] - length + 2)))
        clear[first : first + length] = rng.uniform(0.01, 0.1)
    return clear
