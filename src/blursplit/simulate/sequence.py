"""The simulation itself, from scene to frames and truth, in bounded memory."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.simulate.atmosphere import Atmosphere, Pace, frames_per_stretch, layer_geometries
from blursplit.simulate.detector import Detector
from blursplit.simulate.imaging import Imager, choose_grid, rough_modes
from blursplit.simulate.mask import images_through_mask
from blursplit.simulate.scene import ARCSEC_PER_RAD
from blursplit.simulate.shake import draw_shared_motion
from blursplit.simulate.starfield import place_stars, plan_frames
from blursplit.simulate.widths import Width, tilt_basis, width_of_transform

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from blursplit.simulate.scene import Scene
    from blursplit.simulate.shake import Shared

    FloatArray = NDArray[np.float64]

REACH_IN_WIDTHS = 3.0  # one to two percent of the light lies beyond, and is folded back
SAMPLES_AT_ONCE = 128  # keeps the pupil fields of a batch in the processor's cache
FRAMES_AT_ONCE = 32
STEPS_PER_APERTURE = 4.0  # the air moves at most a quarter of the pupil between sub-exposures
STEPS_PER_CYCLE = 8.0
MOST_STEPS_SHORT, MOST_STEPS_LONG, SHORT_EXPOSURE_S = 8, 48, 0.05
BLUR_TIME_S = 60.0
TRUTH_STARS = 3  # the brightest, whose mean width is the truth, as it is the measurement
LONG_FRAME_S = 5.0  # from here on the blur time is one frame

VARIANTS: dict[str, tuple[str, ...]] = {
    "recorded": (),
    "without_tracking": ("tracking",),
    "without_structure": ("structure",),
    "without_both": ("tracking", "structure"),
    "air_and_instrument": ("tracking", "structure", "wind_shake"),
}


def sub_exposures(scene: Scene) -> int:
    """Return how many moments stand for one exposure."""
    if scene.sequence.sub_exposures is not None:
        return scene.sequence.sub_exposures
    tau = scene.camera.exposure_s
    wind = max((layer.wind_m_s for layer in scene.air.layers), default=0.0)
    fastest = max((mode.frequency_hz for mode in scene.mode), default=0.0)
    steps = max(
        STEPS_PER_APERTURE * wind * tau / scene.pupil.aperture_m,
        STEPS_PER_CYCLE * fastest * tau,
        1.0,
    )
    most = MOST_STEPS_SHORT if tau <= SHORT_EXPOSURE_S else MOST_STEPS_LONG
    return min(int(np.ceil(steps)), most)


class MeanLight:
    """The mean image of a star, on the fine grid of the imager, in a box as wide as it moves.

    Parameters
    ----------
    imager : Imager
    reach_arcsec : float
        Largest distance of the pointing from the centre.
    """

    def __init__(self, imager: Imager, reach_arcsec: float) -> None:
        self._imager = imager
        self._pad = int(np.ceil(reach_arcsec / imager.fine_arcsec)) + 1
        size = imager.grid.fine_points + 2 * self._pad
        self.image = np.zeros((size, size))

    def add(self, phase_rad: NDArray[np.float32], offset_arcsec: FloatArray) -> None:
        """Add frames: phases of all their sub-exposures, offsets of shape (frame, sub, 2)."""
        from scipy.fft import fftshift, irfft2

        m, fine = self._imager.grid.fine_points, self._imager.fine_arcsec
        whole = np.rint(offset_arcsec.mean(axis=1) / fine).astype(np.int64)
        rest = offset_arcsec - whole[:, None, :] * fine
        spectra = self._imager.spectra(phase_rad, rest.reshape(-1, 2), offset_arcsec.shape[1])
        images = fftshift(irfft2(spectra, s=(m, m)), axes=(1, 2))
        for image, (x, y) in zip(images, whole + self._pad, strict=True):
            self.image[y : y + m, x : x + m] += image

    def width(self) -> Width:
        """Return the width of the mean image, pixel and optics' blur included."""
        from scipy.fft import fftshift, rfft2

        spectrum = rfft2(fftshift(self.image / self.image.sum()))
        transfer = self._imager.blur_transfer(self.image.shape[0])
        return width_of_transform(spectrum * transfer, self._imager.fine_arcsec)


class Simulation:
    """One realisation of a scene.

    Parameters
    ----------
    scene : Scene
    seed : int or None
        Overrides the scene's own seed.
    """

    def __init__(self, scene: Scene, seed: int | None = None) -> None:
        self.scene = scene
        self.seed = scene.sequence.seed if seed is None else seed
        rng = np.random.default_rng(self.seed)
        shared_rng, air_rng, camera_rng, time_rng = rng.spawn(4)
        self.wavelength_m = scene.air.wavelength_nm * 1e-9
        self.stars = images_through_mask(place_stars(scene), scene)
        self.times = plan_frames(scene, time_rng)
        self.shared: Shared = draw_shared_motion(scene, shared_rng)
        self.n_sub = sub_exposures(scene)
        scale = scene.camera.pixel_scale_arcsec
        self.imager = Imager(
            scene.pupil,
            self.wavelength_m,
            scale,
            choose_grid(scene.pupil.aperture_m, self.wavelength_m, scale, self._reach()),
        )
        self._detector = Detector(scene, camera_rng)
        rows_s = scene.camera.row_time_us * 1e-6 * scene.camera.height_px
        self._pace = Pace(
            interval_s=scene.camera.frame_interval_s,
            frame_s=scene.camera.exposure_s + rows_s,
            step_s=scene.camera.exposure_s / self.n_sub,
        )
        layers = layer_geometries(scene, self.stars)
        self._stretch = frames_per_stretch(
            layers,
            scene.pupil.aperture_m,
            self.imager.grid.pitch_m,
            self._pace,
        )
        self._air = Atmosphere(
            layers,
            scene.pupil.aperture_m,
            self.imager.grid.pitch_m,
            self.imager.x_m,
            self.imager.y_m,
            scene.duration_s,
            air_rng,
        )
        self._prepare_truth()

    @property
    def n_frames(self) -> int:
        """Frames that are recorded."""
        return int(self.times.number.size)

    def _reach(self) -> float:
        """Return how far from its pixel a star's light may fall [arcsec]."""
        scene = self.scene
        r0 = scene.air.r0_m
        air = 0.0 if r0 is None else 0.98 * self.wavelength_m / r0 * ARCSEC_PER_RAD
        width = np.hypot(air, scene.telescope.instrument_fwhm_arcsec)
        motion = self.shared.total()
        inside = max(1, int(scene.camera.exposure_s * self.shared.rate_hz))
        swing = np.abs(motion[inside:] - motion[:-inside]).max() if inside < len(motion) else 0.0
        slow = scene.camera.pixel_scale_arcsec
        return float(REACH_IN_WIDTHS * width + swing + slow)

    def _prepare_truth(self) -> None:
        imager, n_stars = self.imager, self.stars.x_px.size
        weight = imager.share / imager.share.sum()
        self.tilts = tilt_basis(imager.x_m, imager.y_m, imager.share)
        self._project = (self.tilts * weight).T.astype(np.float32)
        self._weight = weight.astype(np.float32)
        # a tilt of one radian rms over the pupil, as a slope [rad/m]: the pupil is symmetric
        slope = np.array([1 / np.sqrt(np.sum(weight * at**2)) for at in (imager.x_m, imager.y_m)])
        self.tilt_arcsec = slope * self.wavelength_m / (2 * np.pi) * ARCSEC_PER_RAD
        shape = (self.n_frames, n_stars, 2)
        self.air_tilt_arcsec = np.zeros(shape)
        self.star_px = np.zeros(shape)
        self.air_tilt_power = np.zeros(2)
        self.rest_rad2 = 0.0
        self.n_samples = 0
        removed = {name for names in VARIANTS.values() for name in names}
        present = {name for name in removed if self._moves(name)}
        self.variants = {
            name: tuple(n for n in names if n in present) for name, names in VARIANTS.items()
        }
        self.mean_light = {
            names: [
                MeanLight(imager, self._window_span(names))
                for _ in range(min(n_stars, TRUTH_STARS))
            ]
            for names in self.variants.values()
        }

    def _moves(self, group: str) -> bool:
        names = self.shared.groups.get(group, ())
        return bool(names) and bool(np.any(self.shared.total(names)))

    def blocks(self) -> Iterator[tuple[int, NDArray[np.uint16]]]:
        """Yield (number of the first frame of the block, frames of counts), in order.

        The truth is complete when the last block has been taken.
        """
        for start in range(0, self.n_frames, self._stretch):
            stop = min(start + self._stretch, self.n_frames)
            self._air.begin_stretch(self.times.start_s[start:stop], self._pace)
            parts = [self._star_light(star, start, stop) for star in range(self.stars.x_px.size)]
            light = np.stack([part[0] for part in parts])
            x0, y0 = np.stack([part[1] for part in parts]), np.stack([part[2] for part in parts])
            for first in range(start, stop, FRAMES_AT_ONCE):
                here = slice(first - start, min(first + FRAMES_AT_ONCE, stop) - start)
                number = self.times.number[start:stop][here]
                yield first, self._detector.expose(light[:, here], x0[:, here], y0[:, here], number)

    def _moments(self, star: int, start: int, stop: int) -> FloatArray:
        """Return the middles of the sub-exposures as the star's row sees them."""
        camera = self.scene.camera
        inside = (np.arange(self.n_sub) + 0.5) / self.n_sub * camera.exposure_s
        row = camera.row_time_us * 1e-6 * self.stars.y_px[star]
        return np.asarray(self.times.start_s[start:stop, None] + inside + row)

    def _positions(self, star: int, time_s: FloatArray) -> FloatArray:
        """Return where the star would stand without shared motion [px], with field rotation."""
        camera = self.scene.camera
        middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
        wedge = self.stars.beams()[1][star]
        x, y = np.array([self.stars.x_px[star], self.stars.y_px[star]]) - wedge - middle
        turn = np.deg2rad(self.scene.sequence.field_rotation_deg_per_hour / 3600) * time_s
        c, s = np.cos(turn), np.sin(turn)
        return np.asarray(np.stack([c * x - s * y, s * x + c * y], axis=-1) + middle + wedge)

    def _star_light(
        self, star: int, start: int, stop: int
    ) -> tuple[NDArray[np.float32], NDArray[np.int64], NDArray[np.int64]]:
        """Return the expected electrons of one star and where its stamps lie."""
        scene, grid = self.scene, self.imager.grid
        scale = scene.camera.pixel_scale_arcsec
        time = self._moments(star, start, stop)
        moved = self.shared.at(time, self.shared.total())
        place = self._positions(star, time) + moved / scale
        place += self.times.dither_px[start:stop, None, :]
        centre = np.rint(place.mean(axis=1)).astype(np.int64)
        self.star_px[start:stop, star] = place.mean(axis=1)
        offset = (place - centre[:, None, :]) * scale
        electrons = self.stars.flux_e_per_s[star] * scene.camera.exposure_s
        electrons = electrons * self.times.transparency[start:stop]
        light = np.empty((stop - start, grid.stamp_px, grid.stamp_px), dtype=np.float32)
        nodes = self._air.smooth_nodes(star, time.ravel())
        batch = max(1, SAMPLES_AT_ONCE // self.n_sub)
        for first in range(0, stop - start, batch):
            part = slice(first, min(first + batch, stop - start))
            samples = slice(part.start * self.n_sub, part.stop * self.n_sub)
            phase = self._air.phase(star, time[part].ravel(), nodes[samples])
            self._note_air(star, start + part.start, phase)
            self._add_rough(star, time[part].ravel(), phase)
            spectra = self.imager.spectra(phase, offset[part].reshape(-1, 2), self.n_sub)
            light[part] = self.imager.pixels(spectra)
            if star < TRUTH_STARS:
                self._note_light(star, time[part], phase)
        light *= electrons.astype(np.float32)[:, None, None]
        corner = centre - grid.stamp_px // 2
        return light, corner[:, 0], corner[:, 1]

    def _add_rough(self, star: int, time_s: FloatArray, phase: NDArray[np.float32]) -> None:
        if self.shared.rough_nm is None:
            return
        radius = self.scene.telescope.aperture_m / 2
        x0_m, y0_m = self.stars.beams()[0][star]
        x, y = (self.imager.x_m + x0_m) / radius, (self.imager.y_m + y0_m) / radius
        modes = rough_modes(x, y)
        rad = self.shared.at(time_s, self.shared.rough_nm) * 2e-9 * np.pi / self.wavelength_m
        phase += (rad @ modes).astype(np.float32)

    def _note_air(self, star: int, frame: int, phase: NDArray[np.float32]) -> None:
        """Keep the realised tilt of each frame and the realised roughness of the air."""
        part = phase @ self._project
        tilt = part[:, 1:] * self.tilt_arcsec
        frames = tilt.reshape(-1, self.n_sub, 2)
        self.air_tilt_arcsec[frame : frame + frames.shape[0], star] = frames.mean(axis=1)
        self.air_tilt_power += np.sum(tilt.astype(float) ** 2, axis=0)
        square = np.square(phase) @ self._weight
        self.rest_rad2 += float(np.sum(square - np.sum(part**2, axis=1)))
        self.n_samples += phase.shape[0]

    def _note_light(self, star: int, time_s: FloatArray, phase: NDArray[np.float32]) -> None:
        """Add a star's light, with contributions left out, to its mean images."""
        for names, means in self.mean_light.items():
            series = self._kept(names)
            offset = self.shared.at(time_s, series) - self._window_mean(time_s, series)
            means[star].add(phase, offset)

    def _kept(self, names: tuple[str, ...]) -> FloatArray:
        """Return the shared motion without the named contributions."""
        gone = tuple(term for name in names for term in self.shared.groups[name])
        return np.asarray(self.shared.total() - self.shared.total(gone))

    def _window_span(self, names: tuple[str, ...]) -> float:
        """Return the largest distance of that motion from its windows' means [arcsec]."""
        series = self._kept(names)
        return float(np.abs(series - self._window_mean(self.shared.time_s, series)).max())

    def blur_time_s(self) -> float:
        """Return the blur time T that the truth is stated for."""
        if self.scene.camera.exposure_s >= LONG_FRAME_S:
            return self.scene.camera.exposure_s
        return min(self.scene.duration_s, BLUR_TIME_S)

    def _window_mean(self, time_s: FloatArray, series: FloatArray) -> FloatArray:
        """Return the mean of a series over the window of length T that each moment lies in."""
        windows = max(1, int(self.scene.duration_s / self.blur_time_s() + 1e-9))
        edges = np.linspace(0, self.scene.duration_s, windows + 1)
        grid = self.shared.time_s
        owner = np.clip(np.searchsorted(edges, grid, side="right") - 1, 0, windows - 1)
        inside = (grid >= 0) & (grid <= self.scene.duration_s)
        count = np.bincount(owner[inside], minlength=windows)
        means = np.stack(
            [np.bincount(owner[inside], series[inside, k], windows) / count for k in range(2)], 1
        )
        which = np.clip(np.searchsorted(edges, time_s, side="right") - 1, 0, windows - 1)
        return np.asarray(means[which])

    def truth(self) -> dict[str, Any]:
        """Return the realised truth (after the last block); see `truth_of`."""
        from blursplit.simulate.truth import truth_of

        return truth_of(self)


def simulate(scene: Scene, seed: int | None = None) -> tuple[NDArray[np.uint16], dict[str, Any]]:
    """Simulate a scene in memory.

    Parameters
    ----------
    scene : Scene
    seed : int or None
        Overrides the scene's own seed.

    Returns
    -------
    frames : ndarray of uint16, shape (n_frames, height, width)
    truth : dict
        What `truth.json` holds.
    """
    run = Simulation(scene, seed)
    frames = np.concatenate([block for _, block in run.blocks()])
    return frames, run.truth()
