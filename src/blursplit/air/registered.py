"""Upper bound on the air: the registered (shift-and-added) star's transfer function.

Every frame is shifted on its own centroid and the mean is compared with telescope x pixel x
dispersion x air. What optics and fast shake add counts as air here, so that a perfect instrument
gives the UPPER bound; a stated instrument width turns it into an estimate. The transfer function
is fitted at baselines of 0.05 to 0.3 D, where it depends on r0; the registered FWHM does not,
below D/r0 = 3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.centroid_tilt import centroid_tilt_mix
from blursplit.air.image import gaussian_otf, pixel_otf, telescope_otf
from blursplit.air.registered_model import (
    log_otf_bias,
    log_otf_model,
    log_otf_parts,
    registered_systematic,
)
from blursplit.air.turbulence import ARCSEC

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

__all__ = [
    "BASELINE_RANGE",
    "RegisteredFit",
    "RegisteredOtf",
    "fit_registered",
    "log_otf_bias",
    "log_otf_model",
    "measure_registered_otf",
    "registered_systematic",
]

BASELINE_RANGE = (0.05, 0.30)
"""Baselines used, in diameters: below, sky errors and cut wings; above, noise and the core."""

_LEAST_POINTS = 4
_LEAST_SNR = 5.0
_MODEL_FLOOR = 0.01  # of ln OTF: what optics and pixel model leave open at each point


@dataclass(frozen=True)
class RegisteredOtf:
    """Transfer function of a registered star on half a plane of frequencies.

    Parameters
    ----------
    fx_per_arcsec, fy_per_arcsec : ndarray, shape (n_f,)
    modulus : ndarray, shape (n_f,)
        Size of the mean transform, its noise bias removed, in units of the star's mean flux.
    sigma : ndarray, shape (n_f,)
        Standard error from the scatter of the blocks.
    blocks : ndarray of complex, shape (n_blocks, n_f)
        Mean transform of each block of frames.
    frames : int
        Frames used.
    """

    fx_per_arcsec: FloatArray
    fy_per_arcsec: FloatArray
    modulus: FloatArray
    sigma: FloatArray
    blocks: NDArray[np.complex128]
    frames: int


@dataclass(frozen=True)
class RegisteredFit:
    """Fried parameter from a registered star.

    Parameters
    ----------
    r0_m : float
        At the sequence's wavelength and line of sight; infinite when the star is as sharp as
        the model without air. With a perfect instrument this is the smallest r0 (most air).
    log_r0_sigma : float
        Statistical error of ln r0, by leaving out one block at a time.
    log_r0_systematic : float
        What the Gaussian form of partial tilt removal leaves open.
    amplitude : float
        Fitted gain at zero baseline; away from 1 the sky level or cut wings are at fault.
    misfit : float
        Rms residual of ln OTF.
    baseline_m, measured, model : ndarray
        Ring means for a figure, amplitude divided out.
    points : int
        Frequencies used.
    """

    r0_m: float
    log_r0_sigma: float
    log_r0_systematic: float
    amplitude: float
    misfit: float
    baseline_m: FloatArray
    measured: FloatArray
    model: FloatArray
    points: int


def measure_registered_otf(
    pixels_adu: NDArray[np.floating],
    sky_adu: FloatArray,
    centre_x_px: FloatArray,
    centre_y_px: FloatArray,
    *,
    pixel_scale_arcsec: float,
    n_blocks: int = 10,
) -> RegisteredOtf:
    """Return the transfer function of a star's frames, each shifted on its own centroid.

    Parameters
    ----------
    pixels_adu : ndarray, shape (n_frames, ny, nx)
        Stamps in time order. Frames with NaN anywhere are left out.
    sky_adu : ndarray, shape (n_frames,)
        Sky level of each stamp.
    centre_x_px, centre_y_px : ndarray, shape (n_frames,)
        Centroids in the stamps' own pixels; NaN leaves the frame out.
    pixel_scale_arcsec : float
        Size of a pixel [arcsec].
    n_blocks : int
        Blocks of consecutive frames for the errors.

    Returns
    -------
    RegisteredOtf

    Raises
    ------
    ValueError
        With fewer usable frames than blocks.
    """
    usable = np.isfinite(pixels_adu).all(axis=(1, 2))
    usable &= np.isfinite(centre_x_px) & np.isfinite(centre_y_px) & np.isfinite(sky_adu)
    index = np.flatnonzero(usable)
    if index.size < max(n_blocks, 2):
        msg = f"only {index.size} usable stamps for {n_blocks} blocks"
        raise ValueError(msg)
    size = 2 * max(pixels_adu.shape[1:])  # padded twice: the rings get enough points
    f = np.fft.fftfreq(size)
    fx_px, fy_px = np.meshgrid(f[: size // 2], f)
    half = (fx_px > 0) | (fy_px > 0)
    blocks, counts, flux = [], [], 0.0
    for part in np.array_split(index, n_blocks):
        star = np.asarray(pixels_adu[part], dtype=float) - sky_adu[part, None, None]
        transform = np.fft.fft2(star, s=(size, size))[:, :, : size // 2]
        ramp_x = np.exp(2j * np.pi * centre_x_px[part, None] * f[: size // 2])
        ramp_y = np.exp(2j * np.pi * centre_y_px[part, None] * f)
        mean = np.einsum("nyx,nx,ny->yx", transform, ramp_x, ramp_y) / part.size
        blocks.append(mean[half])
        counts.append(part.size)
        flux += float(transform[:, 0, 0].real.sum())
    flux /= index.size
    stack = np.array(blocks) / flux
    weight = np.array(counts, dtype=float)[:, None] / index.size
    mean_otf = (weight * stack).sum(axis=0)
    scatter = (weight * np.abs(stack - mean_otf) ** 2).sum(axis=0) / (n_blocks - 1)
    # The square of a noisy mean is high by its variance.
    modulus = np.sqrt(np.maximum(np.abs(mean_otf) ** 2 - scatter, 0.0))
    return RegisteredOtf(
        fx_per_arcsec=fx_px[half] / pixel_scale_arcsec,
        fy_per_arcsec=fy_px[half] / pixel_scale_arcsec,
        modulus=modulus,
        sigma=np.sqrt(0.5 * scatter),
        blocks=np.asarray(stack, dtype=np.complex128),
        frames=int(index.size),
    )


def fit_registered(
    otf: RegisteredOtf,
    *,
    aperture_m: float,
    wavelength_m: float,
    outer_scale_m: float,
    pixel_scale_arcsec: float,
    obstruction: float = 0.0,
    tilt_mix: float | None = None,
    exposure_factor: float = 1.0,
    centroid_noise_arcsec: float = 0.0,
    dispersion_arcsec: float = 0.0,
    dispersion_angle_deg: float | None = None,
    instrument_fwhm_arcsec: float = 0.0,
) -> RegisteredFit:
    """Fit r0 to the transfer function of a registered star.

    Parameters
    ----------
    otf : RegisteredOtf
    aperture_m, wavelength_m, outer_scale_m : float
        Diameter, wavelength and outer scale [m].
    pixel_scale_arcsec : float
        Size of a pixel [arcsec].
    obstruction : float
        Diameter ratio.
    tilt_mix : float, optional
        w of `centroid_tilt_mix`; by default that of the default centroid at the fitted D/r0.
    exposure_factor : float
        Share of the tilt variance that the exposure left in the centroids, mean of both axes.
    centroid_noise_arcsec : float
        One-axis rms noise of the centroids used for shifting: it blurs.
    dispersion_arcsec : float
        One-axis rms of atmospheric dispersion along the vertical.
    dispersion_angle_deg : float, optional
        Direction of the vertical from +x toward +y; unknown: shared evenly by both axes.
    instrument_fwhm_arcsec : float
        Gaussian-equivalent blur of optics and focus beyond diffraction and pixel; 0 for the
        upper bound on the air.

    Returns
    -------
    RegisteredFit

    Raises
    ------
    ValueError
        When fewer than four frequencies lie in the range of baselines above the noise.
    """
    radius = np.hypot(otf.fx_per_arcsec, otf.fy_per_arcsec)
    b = radius / ARCSEC * wavelength_m / aperture_m
    nyquist = 0.5 / pixel_scale_arcsec
    use = (b >= BASELINE_RANGE[0]) & (b <= BASELINE_RANGE[1]) & (radius < 0.9 * nyquist)
    use &= otf.modulus > _LEAST_SNR * otf.sigma
    if np.count_nonzero(use) < _LEAST_POINTS:
        msg = "too few frequencies between 0.05 and 0.3 D stand above the noise"
        raise ValueError(msg)
    known = telescope_otf(b[use], obstruction) * _still_otf(
        otf.fx_per_arcsec[use],
        otf.fy_per_arcsec[use],
        pixel_scale_arcsec=pixel_scale_arcsec,
        blur_arcsec=float(np.hypot(instrument_fwhm_arcsec / 2.354820, centroid_noise_arcsec)),
        dispersion_arcsec=dispersion_arcsec,
        dispersion_angle_deg=dispersion_angle_deg,
    )
    lost, gained = log_otf_parts(
        b[use], np.array([aperture_m / outer_scale_m]), obstruction, np.array([exposure_factor])
    )

    def air(strength: float) -> tuple[FloatArray, FloatArray]:
        """Return ln OTF for each unit of (D/r0)^(5/3), and the correction."""
        ratio = max(strength, 0.0) ** 0.6
        mix = float(centroid_tilt_mix(ratio)[0]) if tilt_mix is None else tilt_mix
        return lost + gained[0] + mix * gained[1], exposure_factor * log_otf_bias(b[use], ratio)

    weight = 1.0 / ((otf.sigma[use] / otf.modulus[use]) ** 2 + _MODEL_FLOOR**2)

    def solve(modulus: FloatArray) -> tuple[float, float]:
        target = np.log(np.maximum(modulus, 1e-12) / known)
        return _solve(target, air, weight)

    log_gain, strength = solve(otf.modulus[use])
    count = otf.blocks.shape[0]
    whole = otf.blocks[:, use].sum(axis=0)
    rests = [solve(np.abs(whole - block) / (count - 1))[1] for block in otf.blocks[:, use]]
    spread = np.array(rests) - np.mean(rests)
    sigma = float(np.sqrt((count - 1) / count * np.sum(spread**2)))
    found = strength > 0.0
    ratio = strength**0.6 if found else 0.0
    slope, correction = air(strength)
    model = strength * slope + correction
    measured = np.log(otf.modulus[use] / known) - log_gain
    rings = _rings(b[use], measured, model)
    return RegisteredFit(
        r0_m=aperture_m / ratio if found else float("inf"),
        log_r0_sigma=0.6 * sigma / strength if found else float("nan"),
        log_r0_systematic=registered_systematic(ratio, obstruction) if found else float("nan"),
        amplitude=float(np.exp(log_gain)),
        misfit=float(np.sqrt(np.mean((measured - model) ** 2))),
        baseline_m=rings[0] * aperture_m,
        measured=np.exp(rings[1]),
        model=np.exp(rings[2]),
        points=int(np.count_nonzero(use)),
    )


def _still_otf(
    fx_per_arcsec: FloatArray,
    fy_per_arcsec: FloatArray,
    *,
    pixel_scale_arcsec: float,
    blur_arcsec: float,
    dispersion_arcsec: float,
    dispersion_angle_deg: float | None,
) -> FloatArray:
    """Return the gain of pixel, Gaussian blur and dispersion."""
    variance = np.array([blur_arcsec**2, blur_arcsec**2, 0.0])
    if dispersion_angle_deg is None:
        variance += 0.5 * dispersion_arcsec**2 * np.array([1.0, 1.0, 0.0])
    else:
        angle = np.radians(dispersion_angle_deg)
        direction = np.array(
            [np.cos(angle) ** 2, np.sin(angle) ** 2, np.sin(angle) * np.cos(angle)]
        )
        variance += dispersion_arcsec**2 * direction
    gaussian = gaussian_otf(fx_per_arcsec, fy_per_arcsec, *variance)
    return np.asarray(gaussian * pixel_otf(fx_per_arcsec, fy_per_arcsec, pixel_scale_arcsec))


def _solve(
    target: FloatArray,
    air: Callable[[float], tuple[FloatArray, FloatArray]],
    weight: FloatArray,
) -> tuple[float, float]:
    """Return ln of the amplitude and (D/r0)^(5/3), iterating on what depends on it weakly."""
    root = np.sqrt(weight)
    gain, strength = 0.0, 0.0
    for _ in range(20):
        slope, correction = air(strength)
        design = np.stack([root, root * slope], axis=1)
        solution, *_ = np.linalg.lstsq(design, root * (target - correction), rcond=None)
        # Half steps: the correction changes fast where the star breaks into speckles.
        gain, strength = float(solution[0]), 0.5 * (strength + float(solution[1]))
    return gain, strength


def _rings(b: FloatArray, *values: FloatArray) -> list[FloatArray]:
    """Return means over rings of baseline: the baselines, then each array."""
    edges = np.linspace(*BASELINE_RANGE, 12)
    ring = np.digitize(b, edges)
    numbers = np.unique(ring)
    return [np.array([part[ring == n].mean() for n in numbers]) for part in (b, *values)]
