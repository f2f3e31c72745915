"""The camera's side of a scene: where the stars stand, when it looks, what it counts.

A mask with two openings makes two images of every star: each opening forms its own from its own
part of the wavefront, and a wedge over one of them moves its image aside. The images are added
as intensities: with the wedge's split many times the diffraction width of an opening they do
not overlap, so no fringes form. Telescope, mount and tube move both alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.definitions import turn
from blursplit.simulate.scene import Scene
from blursplit.types import FloatArray, IntArray


@dataclass(frozen=True)
class StarField:
    """Stars, the brightest first."""

    # `x_px`, `y_px`: (n_stars,): positions at the start, without any motion.
    x_px: FloatArray
    y_px: FloatArray
    flux_e_per_s: FloatArray  # (n_stars,)
    # (n_stars, 2): centre (x, y) of the mask's opening that an image came through.
    opening_m: FloatArray | None = None
    # (n_stars, 2): how far the mask's wedge moves the image from the star's place.
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
    """When each recorded frame starts, and what goes wrong with it."""

    number: IntArray  # (n_frames,): number on the camera's clock; lost frames are missing
    start_s: FloatArray  # (n_frames,): true start of the exposure
    stamp_s: FloatArray  # (n_frames,): start as written in the file
    transparency: FloatArray  # (n_frames,)
    dither_px: FloatArray  # (n_frames, 2)


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


def images_through_mask(field: StarField, scene: Scene) -> StarField:
    """Return two images for each star, or the field itself where there is no mask.

    Returns: images 2k and 2k + 1 belong to star k: the first through the opening at minus half the
    separation, in the star's own place; the second through the other, moved by the wedge along the
    line of the openings. Each has the light of its opening's area alone.
    """
    mask, telescope = scene.mask, scene.telescope
    if mask is None:
        return field
    line = turn(mask.angle_deg)[0]
    n = field.x_px.size
    opening = np.tile([-0.5, 0.5], n)[:, None] * mask.separation_m * line
    wedge = np.tile([0.0, 1.0], n)[:, None] * mask.split_arcsec * line
    wedge = wedge / scene.camera.pixel_scale_arcsec
    share = mask.opening_m**2 / (telescope.aperture_m**2 * (1 - telescope.obstruction**2))
    return replace(
        field,
        x_px=np.repeat(field.x_px, 2) + wedge[:, 0],
        y_px=np.repeat(field.y_px, 2) + wedge[:, 1],
        flux_e_per_s=np.repeat(field.flux_e_per_s, 2) * share,
        opening_m=opening,
        wedge_px=wedge,
    )


class Detector:
    """Turns expected electrons of the stars into frames of counts.

    Star light is drawn from a Poisson distribution. Sky and read noise are drawn together as one
    normal variable of the summed variance, which a Poisson sky of a few electrons beside a read
    noise of the same size does not depart from visibly.
    """

    def __init__(self, scene: Scene, rng: np.random.Generator) -> None:
        camera = scene.camera
        self._camera, self._faults, self._rng = camera, scene.faults, rng
        self._sky_e = camera.sky_e_per_s * camera.exposure_s
        self._sigma_e = np.float32(np.sqrt(self._sky_e + camera.read_noise_e**2))
        n = camera.hot_pixels
        self._hot_y = rng.integers(0, camera.height_px, n)
        self._hot_x = rng.integers(0, camera.width_px, n)
        rate = _log_uniform(const.HOT_E_PER_S, n, rng)
        self._hot_e = rate * camera.exposure_s

    def expose(
        self, stamps_e: NDArray[np.float32], x0_px: IntArray, y0_px: IntArray, number: IntArray
    ) -> NDArray[np.uint16]:
        """Return frames in counts.

        `stamps_e` (n_stars, n_frames, size, size) float32: expected electrons. `x0_px`, `y0_px`
        (n_stars, n_frames): place of each stamp's first pixel; parts outside the frame are cut off.
        `number` (n_frames,): frame numbers, for the faults.

        Returns: (n_frames, height, width) uint16.
        """
        camera, rng = self._camera, self._rng
        shape = (number.size, camera.height_px, camera.width_px)
        electrons = rng.standard_normal(shape, dtype=np.float32)
        electrons *= self._sigma_e
        electrons += np.float32(self._sky_e)
        for star in range(stamps_e.shape[0]):
            light = rng.poisson(np.maximum(stamps_e[star], 0)).astype(np.float32)
            for frame, stamp in enumerate(light):
                _paste(electrons[frame], stamp, int(x0_px[star, frame]), int(y0_px[star, frame]))
        if self._hot_e.size:
            hot = rng.poisson(self._hot_e, (number.size, self._hot_e.size))
            electrons[:, self._hot_y, self._hot_x] += hot
        self._add_faults(electrons, number)
        electrons *= np.float32(1 / camera.gain_e_per_adu)
        electrons += np.float32(camera.bias_adu)
        np.rint(electrons, out=electrons)
        np.clip(electrons, 0, camera.saturation_adu, out=electrons)
        return electrons.astype(np.uint16)

    def _add_faults(self, electrons: NDArray[np.float32], number: IntArray) -> None:
        rng, faults = self._rng, self._faults
        height, width = electrons.shape[1:]
        if faults.cosmic_rays_per_frame:
            for frame, hits in enumerate(rng.poisson(faults.cosmic_rays_per_frame, number.size)):
                y, x = rng.integers(0, height, hits), rng.integers(0, width, hits)
                electrons[frame, y, x] += _log_uniform(const.COSMIC_E, int(hits), rng)
        for trail in np.flatnonzero(np.isin(number, faults.trail_frames)):
            ends = rng.uniform(0, height - 1, 2)
            x = np.arange(width)
            y = np.rint(np.linspace(ends[0], ends[1], width)).astype(np.int64)
            for row in (y - 1, y, y + 1):
                inside = (row >= 0) & (row < height)
                electrons[trail, row[inside], x[inside]] += rng.poisson(
                    const.TRAIL_E_PER_PX, int(inside.sum())
                )


def _log_uniform(limits: tuple[float, float], n: int, rng: np.random.Generator) -> FloatArray:
    return np.asarray(np.exp(rng.uniform(np.log(limits[0]), np.log(limits[1]), n)))


def _paste(frame: NDArray[np.float32], stamp: NDArray[np.float32], x0: int, y0: int) -> None:
    height, width = frame.shape
    size = stamp.shape[0]
    left, right = max(0, -x0), min(size, width - x0)
    top, bottom = max(0, -y0), min(size, height - y0)
    if left < right and top < bottom:
        frame[y0 + top : y0 + bottom, x0 + left : x0 + right] += stamp[top:bottom, left:right]
