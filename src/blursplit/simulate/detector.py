"""The camera: photons, sky, read noise, hot pixels, cosmic rays, trails, counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.simulate.scene import Scene

    FloatArray = NDArray[np.float64]

HOT_E_PER_S = (2e4, 4e5)
COSMIC_E = (300.0, 20000.0)
TRAIL_E_PER_PX = 400.0


class Detector:
    """Turns expected electrons of the stars into frames of counts.

    Parameters
    ----------
    scene : Scene
    rng : Generator

    Notes
    -----
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
        rate = _log_uniform(HOT_E_PER_S, n, rng)
        self._hot_e = rate * camera.exposure_s

    def expose(
        self,
        stamps_e: NDArray[np.float32],
        x0_px: NDArray[np.int64],
        y0_px: NDArray[np.int64],
        number: NDArray[np.int64],
    ) -> NDArray[np.uint16]:
        """Return frames in counts.

        Parameters
        ----------
        stamps_e : ndarray of float32, shape (n_stars, n_frames, size, size)
            Expected electrons.
        x0_px, y0_px : ndarray of int, shape (n_stars, n_frames)
            Place of each stamp's first pixel; parts outside the frame are cut off.
        number : ndarray of int, shape (n_frames,)
            Frame numbers, for the faults.

        Returns
        -------
        ndarray of uint16, shape (n_frames, height, width)
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

    def _add_faults(self, electrons: NDArray[np.float32], number: NDArray[np.int64]) -> None:
        rng, faults = self._rng, self._faults
        height, width = electrons.shape[1:]
        if faults.cosmic_rays_per_frame:
            for frame, hits in enumerate(rng.poisson(faults.cosmic_rays_per_frame, number.size)):
                y, x = rng.integers(0, height, hits), rng.integers(0, width, hits)
                electrons[frame, y, x] += _log_uniform(COSMIC_E, int(hits), rng)
        for trail in np.flatnonzero(np.isin(number, faults.trail_frames)):
            ends = rng.uniform(0, height - 1, 2)
            x = np.arange(width)
            y = np.rint(np.linspace(ends[0], ends[1], width)).astype(np.int64)
            for row in (y - 1, y, y + 1):
                inside = (row >= 0) & (row < height)
                electrons[trail, row[inside], x[inside]] += rng.poisson(
                    TRAIL_E_PER_PX, int(inside.sum())
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
