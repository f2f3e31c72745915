"""From phase over the pupil to the light on camera pixels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.simulate.scene import ARCSEC_PER_RAD

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.simulate.scene import SceneTelescope

    FloatArray = NDArray[np.float64]

EDGE_SUBSAMPLES = 8
SIGMA_PER_FWHM = 1 / 2.354820


def annular_pupil(
    points_across: float, obstruction: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]:
    """Return row, column and covered share of the pupil's grid points.

    Parameters
    ----------
    points_across : float
        Diameter in grid steps, need not be whole.
    obstruction : float
        Linear central obstruction.

    Returns
    -------
    row, column : ndarray of int, shape (n_points,)
        From 0, in a window just wide enough.
    share : ndarray, shape (n_points,)
        Share of the grid cell inside the annulus, from sub-samples.
    """
    n = int(np.ceil(points_across)) + 1
    fine = (np.arange(n * EDGE_SUBSAMPLES) + 0.5) / EDGE_SUBSAMPLES - n / 2
    radius = np.hypot(fine[:, None], fine[None, :]) / (points_across / 2)
    inside = (radius <= 1) & (radius >= obstruction)
    share = inside.reshape(n, EDGE_SUBSAMPLES, n, EDGE_SUBSAMPLES).mean(axis=(1, 3))
    row, column = np.nonzero(share)
    return row, column, share[row, column]


@dataclass(frozen=True)
class Grid:
    """Sampling of pupil and image that fits the camera's pixels exactly.

    Parameters
    ----------
    stamp_px : int
        Camera pixels across the box that the light of a star falls in.
    fine_per_px : int
        Fine image points across a camera pixel; the fine image satisfies Nyquist.
    pitch_m : float
        Step of the pupil grid: wavelength / (box in radians).
    """

    stamp_px: int
    fine_per_px: int
    pitch_m: float

    @property
    def fine_points(self) -> int:
        """Fine image points across the box."""
        return self.stamp_px * self.fine_per_px


def choose_grid(
    aperture_m: float, wavelength_m: float, pixel_scale_arcsec: float, reach_arcsec: float
) -> Grid:
    """Choose a box of the wanted reach between 24 and 36 diffraction widths, or wider at need.

    Parameters
    ----------
    reach_arcsec : float
        Distance from the centre at which the light may be folded back into the box.
    """
    from scipy.fft import next_fast_len

    diffraction = wavelength_m / aperture_m * ARCSEC_PER_RAD
    fine_per_px = max(1, int(np.ceil(2 * pixel_scale_arcsec / diffraction)))
    wanted = max(24 * diffraction, 2 * reach_arcsec)
    stamp = max(16, 2 * int(np.ceil(wanted / pixel_scale_arcsec / 2)))
    while next_fast_len(stamp * fine_per_px) != stamp * fine_per_px:
        stamp += 2
    box_rad = stamp * pixel_scale_arcsec / ARCSEC_PER_RAD
    return Grid(stamp, fine_per_px, wavelength_m / box_rad)


class Imager:
    """A telescope with a pixel grid: phases and pointing in, camera pixels out.

    Parameters
    ----------
    telescope : SceneTelescope
    wavelength_m, pixel_scale_arcsec : float
    grid : Grid
    """

    def __init__(
        self,
        telescope: SceneTelescope,
        wavelength_m: float,
        pixel_scale_arcsec: float,
        grid: Grid,
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
        self.static_rad = _static_phase(
            telescope, wavelength_m, self.x_m / radius, self.y_m / radius
        )
        fine_arcsec = pixel_scale_arcsec / grid.fine_per_px
        self.fine_arcsec = fine_arcsec
        self._pixel_arcsec = pixel_scale_arcsec
        self._blur_arcsec = telescope.instrument_fwhm_arcsec * SIGMA_PER_FWHM
        fy, fx = self._frequencies(m)
        middle = grid.stamp_px // 2 * pixel_scale_arcsec
        to_middle = np.exp(-2j * np.pi * (fx + fy) * middle)
        transfer = self.blur_transfer(m) * to_middle * grid.fine_per_px**2
        self._transfer = transfer.astype(np.complex64)

    def _frequencies(self, points: int) -> tuple[FloatArray, FloatArray]:
        fy = np.fft.fftfreq(points, self.fine_arcsec).astype(float)
        fx = np.fft.rfftfreq(points, self.fine_arcsec).astype(float)
        return fy[:, None], fx[None, :]

    def blur_transfer(self, points: int) -> FloatArray:
        """Return the transfer of pixel and optics' blur, shape (points, points // 2 + 1)."""
        fy, fx = self._frequencies(points)
        pixel = np.sinc(fx * self._pixel_arcsec) * np.sinc(fy * self._pixel_arcsec)
        return np.asarray(pixel * np.exp(-2 * np.pi**2 * self._blur_arcsec**2 * (fx**2 + fy**2)))

    def spectra(
        self,
        phase_rad: NDArray[np.float32],
        offset_arcsec: FloatArray,
        n_sub: int,
    ) -> NDArray[np.complex64]:
        """Return the transform of each frame's light on the fine grid, before blur by the pixel.

        Parameters
        ----------
        phase_rad : ndarray of float32, shape (n_frames * n_sub, n_points)
        offset_arcsec : ndarray, shape (n_frames * n_sub, 2)
            Pointing (x, y) during each sub-exposure, from the centre of the box.
        n_sub : int
            Sub-exposures a frame.

        Returns
        -------
        ndarray of complex64, shape (n_frames, fine_points, fine_points // 2 + 1)
            Unity at zero frequency.
        """
        from scipy.fft import fft, rfft2

        m, window = self.grid.fine_points, self._window
        slope = (offset_arcsec * (2 * np.pi / self._wavelength_m / ARCSEC_PER_RAD)).astype(
            np.float32
        )
        pointed = slope @ np.stack([self.x_m, self.y_m]).astype(np.float32)
        pointed += phase_rad
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

        Parameters
        ----------
        spectra : ndarray of complex64, shape (n_frames, ...)
            From `spectra`.

        Returns
        -------
        ndarray of float32, shape (n_frames, stamp_px, stamp_px)
        """
        from scipy.fft import irfft2

        m, step = self.grid.fine_points, self.grid.fine_per_px
        fine = irfft2(spectra * self._transfer, s=(m, m), overwrite_x=True)
        return np.asarray(fine[:, ::step, ::step], dtype=np.float32)


def _static_phase(
    telescope: SceneTelescope, wavelength_m: float, x: FloatArray, y: FloatArray
) -> FloatArray:
    """Return defocus and astigmatism [rad]; the given rms is that of the filled circle's modes.

    Normalised modes of Noll 1976: sqrt(3) (2 r^2 - 1) and sqrt(6) r^2 cos(2 (t - angle)).
    """
    radius2 = x**2 + y**2
    turn = 2 * np.deg2rad(telescope.astigmatism_angle_deg)
    astigmatism = (x**2 - y**2) * np.cos(turn) + 2 * x * y * np.sin(turn)
    nm = telescope.defocus_nm * np.sqrt(3) * (2 * radius2 - 1)
    nm = nm + telescope.astigmatism_nm * np.sqrt(6) * astigmatism
    return np.asarray(nm * 1e-9 * 2 * np.pi / wavelength_m)


def rough_modes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return defocus, both astigmatisms and both comas, unit rms on the circle (Noll 1976).

    Parameters
    ----------
    x, y : ndarray, shape (n_points,)
        Pupil coordinates in radii.

    Returns
    -------
    ndarray, shape (5, n_points)
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
