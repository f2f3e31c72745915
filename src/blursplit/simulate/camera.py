"""From phase over the pupil to counts: light on pixels, widths of images, stars, times, faults.

A mask with two openings makes two images of every star: each opening forms its own from its own
part of the wavefront, and a wedge over one of them moves its image aside. The images are added
as intensities: with the wedge's split many times the diffraction width of an opening they do
not overlap, so no fringes form. Telescope, mount and tube move both alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blursplit import constants as const
from blursplit.definitions import turn
from blursplit.image.otf import HalfMaximum
from blursplit.simulate.scene import Scene, SceneTelescope
from blursplit.turbulence.conversions import structure_function
from blursplit.types import FloatArray, IntArray


def _annular_pupil(
    points_across: float, obstruction: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return row, column and covered share of the pupil's grid points, shape (n_points,) each.

    `points_across`: diameter in grid steps, need not be whole. Rows and columns count from 0 in a
    window just wide enough; the share of a cell inside the annulus is that of its sub-samples.
    """
    n = int(np.ceil(points_across)) + 1
    fine = (np.arange(n * const.EDGE_SUBSAMPLES) + 0.5) / const.EDGE_SUBSAMPLES - n / 2
    radius = np.hypot(fine[:, None], fine[None, :]) / (points_across / 2)
    inside = (radius <= 1) & (radius >= obstruction)
    share = inside.reshape(n, const.EDGE_SUBSAMPLES, n, const.EDGE_SUBSAMPLES).mean(axis=(1, 3))
    row, column = np.nonzero(share)
    return row, column, share[row, column]


@dataclass(frozen=True)
class Pupil:
    """Points of a pupil and the share of each point's cell that is open, shape (n_points,)."""

    x_m: FloatArray
    y_m: FloatArray
    share: FloatArray

    @property
    def weight(self) -> FloatArray:
        """Part of the light that comes through each cell."""
        return np.asarray(self.share / self.share.sum())

    def rough_modes(self, radius_m: float, centre_m: ArrayLike = (0.0, 0.0)) -> FloatArray:
        """Return defocus, both astigmatisms and both comas of a circle, shape (5, n_points).

        Their rms on the circle is one (Noll 1976). `centre_m`: place of the pupil in the circle.
        """
        x0_m, y0_m = np.asarray(centre_m, dtype=float)
        x, y = (self.x_m + x0_m) / radius_m, (self.y_m + y0_m) / radius_m
        radius2 = x**2 + y**2
        coma = np.sqrt(8.0) * (3 * radius2 - 2)
        bent = np.sqrt(6.0) * (x**2 - y**2), np.sqrt(6.0) * 2 * x * y
        return np.stack([np.sqrt(3.0) * (2 * radius2 - 1), *bent, coma * x, coma * y])

    def tilt_basis(self) -> FloatArray:
        """Return piston and both tilts, orthonormal under the weights, shape (3, n_points)."""
        rows: list[FloatArray] = []
        weight = self.weight
        for row in (np.ones_like(self.x_m), self.x_m, self.y_m):
            rest = row.astype(float)
            for done in rows:
                rest = rest - np.sum(weight * rest * done) * done
            rows.append(rest / np.sqrt(np.sum(weight * rest**2)))
        return np.stack(rows)

    def expected_variances(self, r0_m: float, outer_scale_m: float) -> tuple[float, float]:
        """Return the variances that theory expects of one orthonormal tilt and of the rest [rad^2].

        Noll's (1976) integrals as double sums over the pupil's own points: the variance of a
        coefficient whose mode has no mean is -1/2 sum_ij w_i w_j q_i q_j D(|r_i - r_j|).
        """
        x_m, y_m, weight = self.x_m, self.y_m, self.weight
        grid = np.linspace(0, 1.01 * np.hypot(np.ptp(x_m), np.ptp(y_m)), 4000)[1:]
        table = structure_function(grid, r0_m, outer_scale_m)
        basis = self.tilt_basis()
        whole = tilt = 0.0
        for start in range(0, x_m.size, 256):
            part = slice(start, start + 256)
            gap = np.hypot(x_m[part, None] - x_m, y_m[part, None] - y_m)
            d = np.interp(gap, np.r_[0.0, grid], np.r_[0.0, table])
            whole += 0.5 * float(weight[part] @ d @ weight)
            for mode in basis[1:]:
                tilt -= 0.25 * float((weight * mode)[part] @ d @ (weight * mode))
        return tilt, whole - 2 * tilt


@dataclass(frozen=True)
class _Grid:
    """Sampling of pupil and image that fits the camera's pixels exactly."""

    stamp_px: int  # camera pixels across the box that the light of a star falls in
    fine_per_px: int  # fine image points across a camera pixel; the fine image satisfies Nyquist
    pitch_m: float  # step of the pupil grid: wavelength / (box in radians)

    @property
    def fine_points(self) -> int:
        """Fine image points across the box."""
        return self.stamp_px * self.fine_per_px

    @classmethod
    def choose(
        cls, aperture_m: float, wavelength_m: float, pixel_scale_arcsec: float, reach_arcsec: float
    ) -> _Grid:
        """Choose a box of the wanted reach between 24 and 36 diffraction widths, or wider at need.

        `reach_arcsec`: distance from the centre at which the light may be folded back into the box.
        """
        from scipy.fft import next_fast_len

        diffraction = wavelength_m / aperture_m * const.ARCSEC_PER_RADIAN
        fine_per_px = max(1, int(np.ceil(2 * pixel_scale_arcsec / diffraction)))
        wanted = max(24 * diffraction, 2 * reach_arcsec)
        stamp = max(16, 2 * int(np.ceil(wanted / pixel_scale_arcsec / 2)))
        while next_fast_len(stamp * fine_per_px) != stamp * fine_per_px:
            stamp += 2
        box_rad = stamp * pixel_scale_arcsec / const.ARCSEC_PER_RADIAN
        return cls(stamp, fine_per_px, wavelength_m / box_rad)


class Imager:
    """A telescope with a pixel grid: phases and pointing in, camera pixels out.

    `reach_arcsec`: distance from the centre at which the light may be folded back into the box.
    """

    def __init__(
        self,
        telescope: SceneTelescope,
        wavelength_m: float,
        pixel_scale_arcsec: float,
        reach_arcsec: float,
    ) -> None:
        aperture_m = telescope.aperture_m
        self.grid = grid = _Grid.choose(aperture_m, wavelength_m, pixel_scale_arcsec, reach_arcsec)
        self._wavelength_m = wavelength_m
        across = aperture_m / grid.pitch_m
        self._row, self._column, share = _annular_pupil(across, telescope.obstruction)
        self._window = int(np.ceil(across)) + 1
        centre = (self._window - 1) / 2
        x_m = np.asarray((self._column - centre) * grid.pitch_m, dtype=float)
        y_m = np.asarray((self._row - centre) * grid.pitch_m, dtype=float)
        self.pupil = pupil = Pupil(x_m, y_m, share)
        self._amplitude = share.astype(np.float32)
        m = grid.fine_points
        self._scale = np.float32(1.0 / (m**2 * np.sum(share**2)))
        # the given rms is that of the filled circle's modes
        turn = 2 * np.deg2rad(telescope.astigmatism_angle_deg)
        skew = telescope.astigmatism_nm * np.array([np.cos(turn), np.sin(turn)])
        sizes_nm = np.array([telescope.defocus_nm, *skew, 0.0, 0.0])
        modes = pupil.rough_modes(aperture_m / 2)
        self.static_rad = sizes_nm @ modes * (1e-9 * 2 * np.pi / wavelength_m)
        self.fine_arcsec = pixel_scale_arcsec / grid.fine_per_px
        self._pixel_arcsec = pixel_scale_arcsec
        self._blur_arcsec = telescope.instrument_fwhm_arcsec / const.FWHM_PER_SIGMA
        fy, fx = self._frequencies(m)
        middle = grid.stamp_px // 2 * pixel_scale_arcsec
        to_middle = np.exp(-2j * np.pi * (fx + fy) * middle)
        transfer = self.blur_transfer(m) * to_middle * grid.fine_per_px**2
        self._transfer = transfer.astype(np.complex64)

    def _frequencies(self, points: int) -> tuple[FloatArray, FloatArray]:
        fy = np.fft.fftfreq(points, self.fine_arcsec).astype(float)
        fx = np.fft.rfftfreq(points, self.fine_arcsec).astype(float)
        return fy[:, None], fx[None, :]

    def blur_transfer(self, points: int, *, optics: bool = True) -> FloatArray:
        """Return the transfer of pixel and optics' blur, shape (points, points // 2 + 1)."""
        fy, fx = self._frequencies(points)
        pixel = np.sinc(fx * self._pixel_arcsec) * np.sinc(fy * self._pixel_arcsec)
        blur = self._blur_arcsec if optics else 0.0
        return np.asarray(pixel * np.exp(-2 * np.pi**2 * blur**2 * (fx**2 + fy**2)))

    def spectra(
        self,
        phase_rad: NDArray[np.float32],
        offset_arcsec: FloatArray,
        n_sub: int,
        *,
        optics: bool = True,
    ) -> NDArray[np.complex64]:
        """Return the transform of each frame's light on the fine grid, before blur by the pixel.

        `phase_rad` (n_frames * n_sub, n_points) float32. `offset_arcsec` (n_frames * n_sub, 2):
        pointing (x, y) during each sub-exposure, from the centre of the box. `n_sub`: sub-exposures
        a frame. `optics`: with the optics' aberrations. It is unity at zero frequency.
        """
        from scipy.fft import fft, rfft2

        m, window = self.grid.fine_points, self._window
        slope = offset_arcsec * (2 * np.pi / self._wavelength_m / const.ARCSEC_PER_RADIAN)
        pointed = slope.astype(np.float32) @ np.stack([self.pupil.x_m, self.pupil.y_m]).astype(
            np.float32
        )
        pointed += phase_rad
        if optics:
            pointed += self.static_rad.astype(np.float32)
        wave = np.empty(pointed.shape, dtype=np.complex64)
        np.cos(pointed, out=wave.real)
        np.sin(pointed, out=wave.imag)
        wave *= self._amplitude
        field = np.zeros((pointed.shape[0], window, window), dtype=np.complex64)
        field[:, self._row, self._column] = wave
        # the rows outside the pupil are empty: transform along x first, only where there is light
        image = fft(fft(field, n=m, axis=2), n=m, axis=1, overwrite_x=True)
        light = image.real**2
        light += image.imag**2
        light *= self._scale
        frames = light.reshape(-1, n_sub, m, m).mean(axis=1)
        return np.asarray(rfft2(frames), dtype=np.complex64)

    def pixels(self, spectra: NDArray[np.complex64]) -> NDArray[np.float32]:
        """Return camera pixels (sum 1) of `spectra`, the box's centre on pixel stamp_px // 2."""
        from scipy.fft import irfft2

        m, step = self.grid.fine_points, self.grid.fine_per_px
        fine = irfft2(spectra * self._transfer, s=(m, m), overwrite_x=True)
        return np.asarray(fine[:, ::step, ::step], dtype=np.float32)


class MeanLight:
    """The mean image of a star, on the fine grid of the imager, in a box as wide as it moves.

    `reach_arcsec`: largest distance of the pointing from the centre. `optics`: with the optics'
    aberrations and blur.
    """

    def __init__(self, imager: Imager, reach_arcsec: float, *, optics: bool) -> None:
        self._imager, self._optics = imager, optics
        self._pad = int(np.ceil(reach_arcsec / imager.fine_arcsec)) + 1
        size = imager.grid.fine_points + 2 * self._pad
        self.image = np.zeros((size, size))

    def add(self, phase_rad: NDArray[np.float32], offset_arcsec: FloatArray) -> None:
        """Add frames: phases of all their sub-exposures, offsets of shape (frame, sub, 2)."""
        from scipy.fft import fftshift, irfft2

        m, fine = self._imager.grid.fine_points, self._imager.fine_arcsec
        whole = np.rint(offset_arcsec.mean(axis=1) / fine).astype(np.int64)
        rest = offset_arcsec - whole[:, None, :] * fine
        spectra = self._imager.spectra(
            phase_rad, rest.reshape(-1, 2), offset_arcsec.shape[1], optics=self._optics
        )
        images = fftshift(irfft2(spectra, s=(m, m)), axes=(1, 2))
        for image, (x, y) in zip(images, whole + self._pad, strict=True):
            self.image[y : y + m, x : x + m] += image

    def width(self) -> HalfMaximum:
        """Return the width of the mean image, pixel included."""
        from scipy.fft import fftshift, rfft2

        spectrum = rfft2(fftshift(self.image / self.image.sum()))
        transfer = self._imager.blur_transfer(self.image.shape[0], optics=self._optics)
        return HalfMaximum.of_transform(spectrum * transfer, self._imager.fine_arcsec)


# --- where the stars stand, when the camera looks, what it counts ---------------------------------
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
        if self.opening_m is None or self.wedge_px is None:
            return np.zeros((self.x_px.size, 2)), np.zeros((self.x_px.size, 2))
        return self.opening_m, self.wedge_px

    @classmethod
    def place(cls, scene: Scene) -> StarField:
        """Return the listed stars, or draw them spread over the field from the stars' own seed."""
        camera, stars = scene.camera, scene.stars
        if stars.star:
            rows = sorted(stars.star, key=lambda s: -s.flux_e_per_s)
            return cls(*np.array([(s.x_px, s.y_px, s.flux_e_per_s) for s in rows]).T)
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
        return cls(placed[:, 0], placed[:, 1], flux)

    def through_mask(self, scene: Scene) -> StarField:
        """Return two images for each star, or the field itself where there is no mask.

        Images 2k and 2k + 1 belong to star k: the first through the opening at minus half the
        separation, in the star's own place; the second through the other, moved by the wedge along
        the line of the openings. Each has the light of its opening's area alone.
        """
        mask, telescope = scene.mask, scene.telescope
        if mask is None:
            return self
        line = turn(mask.angle_deg)[0]
        n = self.x_px.size
        opening = np.tile([-0.5, 0.5], n)[:, None] * mask.separation_m * line
        wedge = np.tile([0.0, 1.0], n)[:, None] * mask.split_arcsec * line
        wedge = wedge / scene.camera.pixel_scale_arcsec
        share = mask.opening_m**2 / (telescope.aperture_m**2 * (1 - telescope.obstruction**2))
        return replace(
            self,
            x_px=np.repeat(self.x_px, 2) + wedge[:, 0],
            y_px=np.repeat(self.y_px, 2) + wedge[:, 1],
            flux_e_per_s=np.repeat(self.flux_e_per_s, 2) * share,
            opening_m=opening,
            wedge_px=wedge,
        )


@dataclass(frozen=True)
class FrameTimes:
    """When each recorded frame starts, and what goes wrong with it."""

    number: IntArray  # (n_frames,): number on the camera's clock; lost frames are missing
    start_s: FloatArray  # (n_frames,): true start of the exposure
    stamp_s: FloatArray  # (n_frames,): start as written in the file
    transparency: FloatArray  # (n_frames,)
    dither_px: FloatArray  # (n_frames, 2)

    @classmethod
    def plan(cls, scene: Scene, rng: np.random.Generator) -> FrameTimes:
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
        number = number.astype(np.int64)
        return cls(number, start[number], stamp[number], clear[number], dither[number])


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
                light = rng.poisson(const.TRAIL_E_PER_PX, int(inside.sum()))
                electrons[trail, row[inside], x[inside]] += light


def _log_uniform(limits: tuple[float, float], n: int, rng: np.random.Generator) -> FloatArray:
    return np.asarray(np.exp(rng.uniform(np.log(limits[0]), np.log(limits[1]), n)))


def _paste(frame: NDArray[np.float32], stamp: NDArray[np.float32], x0: int, y0: int) -> None:
    height, width = frame.shape
    size = stamp.shape[0]
    left, right = max(0, -x0), min(size, width - x0)
    top, bottom = max(0, -y0), min(size, height - y0)
    if left < right and top < bottom:
        frame[y0 + top : y0 + bottom, x0 + left : x0 + right] += stamp[top:bottom, left:right]
