"""From phase over the pupil to the light on camera pixels; widths of images."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.image.otf import HalfMaximum, width_of_core
from blursplit.simulate.scene import SceneTelescope
from blursplit.turbulence.conversions import structure_function
from blursplit.types import FloatArray, IntArray


def annular_pupil(
    points_across: float, obstruction: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return row, column and covered share of the pupil's grid points.

    `points_across`: diameter in grid steps, need not be whole. `obstruction`: linear central
    obstruction.

    Returns `row`, `column` (n_points,): from 0, in a window just wide enough; `share` (n_points,):
    share of the grid cell inside the annulus, from sub-samples.
    """
    n = int(np.ceil(points_across)) + 1
    fine = (np.arange(n * const.EDGE_SUBSAMPLES) + 0.5) / const.EDGE_SUBSAMPLES - n / 2
    radius = np.hypot(fine[:, None], fine[None, :]) / (points_across / 2)
    inside = (radius <= 1) & (radius >= obstruction)
    share = inside.reshape(n, const.EDGE_SUBSAMPLES, n, const.EDGE_SUBSAMPLES).mean(axis=(1, 3))
    row, column = np.nonzero(share)
    return row, column, share[row, column]


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


def choose_grid(
    aperture_m: float, wavelength_m: float, pixel_scale_arcsec: float, reach_arcsec: float
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
    return _Grid(stamp, fine_per_px, wavelength_m / box_rad)


class Imager:
    """A telescope with a pixel grid: phases and pointing in, camera pixels out."""

    def __init__(
        self, telescope: SceneTelescope, wavelength_m: float, pixel_scale_arcsec: float, grid: _Grid
    ) -> None:
        self.grid = grid
        self._wavelength_m = wavelength_m
        across = telescope.aperture_m / grid.pitch_m
        self._row, self._column, share = annular_pupil(across, telescope.obstruction)
        window = int(np.ceil(across)) + 1
        self._window = window
        centre = (window - 1) / 2
        self.x_m: FloatArray = np.asarray((self._column - centre) * grid.pitch_m, dtype=float)
        self.y_m: FloatArray = np.asarray((self._row - centre) * grid.pitch_m, dtype=float)
        self.share = share
        self._amplitude = share.astype(np.float32)
        m = grid.fine_points
        self._scale = np.float32(1.0 / (m**2 * np.sum(share**2)))
        radius = telescope.aperture_m / 2
        # the given rms is that of the filled circle's modes
        turn = 2 * np.deg2rad(telescope.astigmatism_angle_deg)
        skew = telescope.astigmatism_nm * np.array([np.cos(turn), np.sin(turn)])
        sizes_nm = np.array([telescope.defocus_nm, *skew, 0.0, 0.0])
        modes = rough_modes(self.x_m / radius, self.y_m / radius)
        self.static_rad = sizes_nm @ modes * (1e-9 * 2 * np.pi / wavelength_m)
        fine_arcsec = pixel_scale_arcsec / grid.fine_per_px
        self.fine_arcsec = fine_arcsec
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
        a frame. `optics`: with the optics' aberrations.

        Returns: (n_frames, fine_points, fine_points // 2 + 1) complex64: unity at zero frequency.
        """
        from scipy.fft import fft, rfft2

        m, window = self.grid.fine_points, self._window
        slope = (offset_arcsec * (2 * np.pi / self._wavelength_m / const.ARCSEC_PER_RADIAN)).astype(
            np.float32
        )
        pointed = slope @ np.stack([self.x_m, self.y_m]).astype(np.float32)
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
        """Return camera pixels (sum 1), the centre of the box on pixel stamp_px // 2.

        `spectra` (n_frames, ...) complex64: from `spectra`.

        Returns: (n_frames, stamp_px, stamp_px) float32.
        """
        from scipy.fft import irfft2

        m, step = self.grid.fine_points, self.grid.fine_per_px
        fine = irfft2(spectra * self._transfer, s=(m, m), overwrite_x=True)
        return np.asarray(fine[:, ::step, ::step], dtype=np.float32)


def rough_modes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return defocus, both astigmatisms and both comas, unit rms on the circle (Noll 1976).

    `x`, `y` (n_points,): pupil coordinates in radii.

    Returns: (5, n_points).
    """
    radius2 = x**2 + y**2
    coma = np.sqrt(8.0) * (3 * radius2 - 2)
    return np.stack(
        [
            np.sqrt(3.0) * (2 * radius2 - 1),
            np.sqrt(6.0) * (x**2 - y**2),
            np.sqrt(6.0) * 2 * x * y,
            coma * x,
            coma * y,
        ]
    )


def width_of_transform(transform: NDArray[np.complex128], step_arcsec: float) -> HalfMaximum:
    """Return the widths [arcsec] of the image of a transform.

    `transform` (n, n // 2 + 1): of an image of n points a side, centred on its first point, n even.
    `step_arcsec`: step of that image; it is resampled eight times finer.
    """
    from scipy.fft import irfft2

    n = transform.shape[0]
    big = n * const.WIDTH_UPSAMPLING
    padded = np.zeros((big, big // 2 + 1), dtype=complex)
    half = n // 2
    padded[:half, :half] = transform[:half, :half]
    padded[-half + 1 :, :half] = transform[-half + 1 :, :half]
    image = np.fft.fftshift(irfft2(padded, s=(big, big)))
    return width_of_core(image, step_arcsec / const.WIDTH_UPSAMPLING)


def tilt_basis(x_m: FloatArray, y_m: FloatArray, share: FloatArray) -> FloatArray:
    """Return piston and both tilts, orthonormal under the pupil's weights, shape (3, n_points)."""
    weight = share / share.sum()
    rows: list[FloatArray] = []
    for row in (np.ones_like(x_m), x_m, y_m):
        rest = row.astype(float)
        for done in rows:
            rest = rest - np.sum(weight * rest * done) * done
        rows.append(rest / np.sqrt(np.sum(weight * rest**2)))
    return np.stack(rows)


def expected_variances(
    x_m: FloatArray, y_m: FloatArray, share: FloatArray, r0_m: float, outer_scale_m: float
) -> tuple[float, float]:
    """Return what theory expects of one tilt and of the rest.

    Returns `tilt_rms_arcsec_per_rad`: variance of the coefficient of one orthonormal tilt [rad^2];
    `rest`: variance over the pupil with piston and tilts removed [rad^2].

    Noll's (1976) integrals as double sums over the pupil's own points: the variance of a
    coefficient whose mode has no mean is -1/2 sum_ij w_i w_j q_i q_j D(|r_i - r_j|).
    """
    weight = share / share.sum()
    grid = np.linspace(0, 1.01 * np.hypot(np.ptp(x_m), np.ptp(y_m)), 4000)[1:]
    table = structure_function(grid, r0_m, outer_scale_m)
    basis = tilt_basis(x_m, y_m, share)
    whole = tilt = 0.0
    for start in range(0, x_m.size, 256):
        part = slice(start, start + 256)
        gap = np.hypot(x_m[part, None] - x_m, y_m[part, None] - y_m)
        d = np.interp(gap, np.r_[0.0, grid], np.r_[0.0, table])
        whole += 0.5 * float(weight[part] @ d @ weight)
        for mode in basis[1:]:
            tilt -= 0.25 * float((weight * mode)[part] @ d @ (weight * mode))
    return tilt, whole - 2 * tilt


def atmosphere_fwhm_arcsec(r0_m: float, outer_scale_m: float, wavelength_m: float) -> float:
    """Return the long-exposure width of the air alone, by Hankel transform of its OTF.

    exp(-D(lambda f)/2) transformed to the sky, half maximum found by bisection (Fried 1966,
    with the von Karman structure function).
    """
    from scipy.optimize import brentq
    from scipy.special import j0

    baseline = np.linspace(0, 6 * r0_m, 6000)[1:]
    otf = np.exp(-structure_function(baseline, r0_m, outer_scale_m) / 2)
    # what an outer scale leaves coherent is a spike that has no width of its own
    otf = (otf - otf[-1]) * (otf > otf[-1])

    def profile(angle_rad: float) -> float:
        return float(np.sum(otf * baseline * j0(2 * np.pi * angle_rad * baseline / wavelength_m)))

    peak = profile(0.0)
    guess = 0.98 * wavelength_m / r0_m
    half = brentq(lambda a: profile(a) - peak / 2, 0.05 * guess, 1.5 * guess)
    return float(2 * half * const.ARCSEC_PER_RADIAN)


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
        return width_of_transform(spectrum * transfer, self._imager.fine_arcsec)
