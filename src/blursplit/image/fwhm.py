"""Width at half maximum of a modelled image, straight from its transfer function.

The sampling is in units of a rough width, so that one fixed set of matrices turns any transfer
function into the core of its image (a discrete Fourier transform onto a fine grid of points).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit.constants import (
    FWHM_HALF_FIELD,
    FWHM_HIGHEST,
    FWHM_N_FREQUENCY,
    FWHM_N_POINTS,
    IMAGE_PART,
    LEAST_WIDTH_PX,
    PIXEL_EXCESS,
    PIXEL_EXCESS_ERROR,
    PIXEL_EXCESS_SCATTER,
)
from blursplit.types import FloatArray


@dataclass(frozen=True)
class HalfMaximum:
    """Widths of the part of the image above half its maximum, in the unit of the sampling.

    `mean` is the diameter of the circle of equal area; `major` and `minor` are the axes of the
    ellipse of equal second moments, `angle_deg` the direction of the larger, [0, 180).
    """

    mean: float
    major: float
    minor: float
    angle_deg: float


@functools.cache
def scaled_frequencies(fineness: int = 1) -> tuple[FloatArray, FloatArray]:
    """Return fx (non-negative half) and fy of the sampling, shape (2 n + 1, fineness n + 1).

    `fineness`: how many times higher the frequencies along x go: for a long trail with sharp ends.
    """
    fx = np.linspace(0.0, fineness * FWHM_HIGHEST, fineness * FWHM_N_FREQUENCY + 1)
    fy = np.linspace(-FWHM_HIGHEST, FWHM_HIGHEST, 2 * FWHM_N_FREQUENCY + 1)
    grid_x, grid_y = np.meshgrid(fx, fy)
    return grid_x, grid_y


@functools.cache
def _matrices(fineness: int) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    fx, fy = scaled_frequencies(fineness)
    y = np.linspace(-FWHM_HALF_FIELD, FWHM_HALF_FIELD, FWHM_N_POINTS)
    x = np.linspace(-FWHM_HALF_FIELD, FWHM_HALF_FIELD, fineness * (FWHM_N_POINTS - 1) + 1)
    to_x = np.exp(2j * np.pi * np.outer(fx[0], x))
    to_x[1:] *= 2.0  # the other half of the plane holds the complex conjugate
    return np.exp(2j * np.pi * np.outer(y, fy[:, 0])), to_x


def half_maximum_width(otf: FloatArray) -> HalfMaximum:
    """Return the widths of the image of a transfer function.

    `otf` (2 n + 1, fineness n + 1): at `scaled_frequencies`; otf(-f) is the conjugate of otf(f).

    Returns: the axes and the angle hold for a fineness of 1.
    """
    fineness = (otf.shape[1] - 1) // FWHM_N_FREQUENCY
    to_y, to_x = _matrices(fineness)
    step = 2.0 * FWHM_HALF_FIELD / (FWHM_N_POINTS - 1) / np.sqrt(fineness)
    return width_of_core((to_y @ otf @ to_x).real, float(step))


def width_of_core(image: FloatArray, step: float) -> HalfMaximum:
    """Return the half-maximum widths of a finely sampled image without sky.

    `image` (n, n): at least ten points across the width. `step`: distance of the points, in the
    unit of the widths.

    A point near the contour counts with the part of its cell that lies inside, by the distance
    of the contour along the gradient; the error of the area is second order in the step.
    """
    above = image / image.max() - 0.5
    slope_y, slope_x = np.gradient(above)
    steepness = np.abs(slope_x) + np.abs(slope_y)
    inside = np.clip(0.5 + above / np.maximum(steepness, 1e-12), 0.0, 1.0)
    area = float(inside.sum())
    y, x = np.indices(image.shape, dtype=np.float64)
    cx, cy = float((inside * x).sum()) / area, float((inside * y).sum()) / area
    xx = float((inside * (x - cx) ** 2).sum()) / area
    yy = float((inside * (y - cy) ** 2).sum()) / area
    xy = float((inside * (x - cx) * (y - cy)).sum()) / area
    values, vectors = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    minor, major = 4.0 * np.sqrt(np.clip(values, 0.0, None)) * step
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180.0)
    return HalfMaximum(2.0 * float(np.sqrt(area / np.pi)) * step, float(major), float(minor), angle)


def image_width(image: FloatArray, scale: float) -> HalfMaximum:
    """Return the half-maximum widths of a sampled star image whose sky is removed.

    `image` (n, n): star near the middle; resampled through its Fourier transform so that at least
    twelve points lie across the width (and at least four to a pixel). The widening by the pixels'
    own limit of detail is taken off. `scale`: size of a pixel in the unit wanted.
    """
    from scipy.ndimage import label

    pixels_across = max(2.0 * float(np.sqrt((image > 0.5 * image.max()).sum() / np.pi)), 1.0)
    factor = max(4, int(np.ceil(12.0 / pixels_across)))
    fine = resample(image, factor)
    # A worm's star has a core at each turning point; a noise peak elsewhere is not the star.
    part, n_parts = label(fine > 0.5 * fine.max())
    size = np.bincount(part.ravel(), minlength=n_parts + 1)
    noise = size < IMAGE_PART * size[1:].max()
    fine = np.where(noise[part], 0.0, fine)
    rows, columns = np.nonzero(fine > 0.5 * fine.max())
    y0, y1 = max(int(rows.min()) - 3, 0), int(rows.max()) + 4
    x0, x1 = max(int(columns.min()) - 3, 0), int(columns.max()) + 4
    seen = width_of_core(fine[y0:y1, x0:x1], 1.0 / factor)
    # Axes from second moments, brought to the area that the mean width stands for.
    swell = seen.mean / np.sqrt(seen.major * seen.minor)
    major, minor = (_without_excess(swell * width) for width in (seen.major, seen.minor))
    mean = float(np.sqrt(major * minor))
    return HalfMaximum(mean * scale, major / swell * scale, minor / swell * scale, seen.angle_deg)


def sampling_error(width_px: float) -> float:
    """Return the relative error of `image_width` of a star of this width that pixels cause."""
    (level, fall), (scatter, scatter_fall) = PIXEL_EXCESS, PIXEL_EXCESS_SCATTER
    excess = PIXEL_EXCESS_ERROR * np.exp(level + fall * width_px)
    return float(np.hypot(excess, np.exp(scatter + scatter_fall * width_px)))


def _without_excess(seen_px: float) -> float:
    """Return the width that a star has whose sampled image has this one."""
    widths = np.linspace(LEAST_WIDTH_PX, 2.0 * LEAST_WIDTH_PX + seen_px, 400)
    level, fall = PIXEL_EXCESS
    return float(np.interp(seen_px, widths * (1.0 + np.exp(level + fall * widths)), widths))


def resample(image: FloatArray, factor: int) -> FloatArray:
    """Return a band-limited image sampled `factor` times as finely, through its transform."""
    n = image.shape[0]
    transform = np.fft.fftshift(np.fft.fft2(image))
    if n % 2 == 0:  # the Nyquist row and column have no partner: drop them
        transform[0, :] = 0.0
        transform[:, 0] = 0.0
    padded = np.zeros((n * factor, n * factor), dtype=complex)
    first = (n * factor) // 2 - n // 2
    padded[first : first + n, first : first + n] = transform
    return np.asarray(np.fft.ifft2(np.fft.ifftshift(padded)).real * factor**2)
