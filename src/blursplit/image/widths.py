"""Width of a star image: diameter of the circle as large as the area above half its maximum.

Two routes that must agree: `fwhm_batch` finds the half-maximum radius in sixteen directions
straight from many transfer functions at once; `fwhm_of_otf_arcsec` and `fwhm_of_image` measure
the area inside the half-maximum contour of a finely sampled image.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit.constants import (
    LOWEST_PEAK_SNR,
    SMALLEST_RESAMPLING,
    WIDTH_CORE,
    WIDTH_DIRECTIONS,
    WIDTH_PIXELS_ACROSS,
    WIDTH_RADIUS_STEP,
)
from blursplit.types import FloatArray


@dataclass(frozen=True)
class ImageWidth:
    """Width of one image.

    Parameters
    ----------
    fwhm_arcsec : float
        Diameter of the circle with the area above half the maximum.
    major_arcsec, minor_arcsec : float
        Full axes of the ellipse with the same area and second moments as that area.
    angle_deg : float
        Direction of the major axis, axial in [0, 180), from +x toward +y.
    sigma_arcsec : float
        Standard error of the width from pixel noise; zero for a computed image.
    """

    fwhm_arcsec: float
    major_arcsec: float
    minor_arcsec: float
    angle_deg: float
    sigma_arcsec: float = 0.0


@dataclass(frozen=True)
class FrequencyGrid:
    """Angular frequencies of half a plane, where transfer functions are to be evaluated.

    Parameters
    ----------
    fx_per_arcsec, fy_per_arcsec : ndarray, shape (n_f,)
        Points with fx > 0, and fx = 0 with fy >= 0.
    weight : ndarray, shape (n_f,)
        Area of each point, doubled where it stands for two halves [1/arcsec^2].
    radius_per_arcsec : ndarray, shape (n_f,)
        Size of the frequency.
    """

    fx_per_arcsec: FloatArray
    fy_per_arcsec: FloatArray
    weight: FloatArray
    radius_per_arcsec: FloatArray


def frequency_grid(
    cutoff_per_arcsec: float, widest_fwhm_arcsec: float, field_in_widths: float = 8.0
) -> FrequencyGrid:
    """Return a grid fine enough for images up to a given width.

    Parameters
    ----------
    cutoff_per_arcsec : float
        Frequency beyond which every gain is negligible: D/lambda, or about
        2.5 r0/lambda for the largest r0 where that is smaller.
    widest_fwhm_arcsec : float
        Largest width that will be asked for.
    field_in_widths : float
        Size of the field, beyond which the image repeats, in units of that width.

    Raises
    ------
    ValueError
        When cutoff or width is not a positive number.
    """
    if not (cutoff_per_arcsec > 0.0 and 0.0 < widest_fwhm_arcsec < np.inf):
        msg = "cutoff and widest width must be positive and finite"
        raise ValueError(msg)
    step = 1.0 / (field_in_widths * widest_fwhm_arcsec)
    count = max(int(np.ceil(cutoff_per_arcsec / step)), 8)
    step = cutoff_per_arcsec / count
    fx, fy = np.meshgrid(np.arange(count + 1), np.arange(-count, count + 1), indexing="ij")
    radius = np.hypot(fx, fy)
    keep = (radius < count) & ((fx > 0) | (fy >= 0))
    weight = np.where(radius > 0, 2.0, 1.0) * step**2
    points = [np.asarray(part[keep] * step, dtype=float) for part in (fx, fy, radius)]
    return FrequencyGrid(points[0], points[1], np.asarray(weight[keep], dtype=float), points[2])


def half_maximum_radii(
    otf: FloatArray, grid: FrequencyGrid, narrowest_arcsec: float, widest_arcsec: float
) -> FloatArray:
    """Return the radius of half the central intensity in sixteen directions from +x to -x.

    Parameters
    ----------
    otf : ndarray, shape (..., n_f)
        Real transfer functions on `grid` (images symmetric about their centre, which must be
        their maximum).
    grid : FrequencyGrid
    narrowest_arcsec, widest_arcsec : float
        Bounds of the full width in any direction; what lies outside becomes NaN.

    Returns
    -------
    ndarray, shape (..., 16)
        Radii [arcsec]; direction k is k 180/16 degrees from +x toward +y.
    """
    first, last = 0.35 * narrowest_arcsec, 0.6 * widest_arcsec
    count = int(np.ceil(np.log(last / first) / WIDTH_RADIUS_STEP)) + 2
    radius = first * np.exp(WIDTH_RADIUS_STEP * np.arange(count))
    angle = np.pi * np.arange(WIDTH_DIRECTIONS) / WIDTH_DIRECTIONS
    along = np.outer(np.cos(angle), grid.fx_per_arcsec) + np.outer(
        np.sin(angle), grid.fy_per_arcsec
    )
    kernel = np.cos(2.0 * np.pi * radius[:, None, None] * along) * grid.weight
    lead = otf.shape[:-1]
    flat = otf.reshape(-1, otf.shape[-1])
    peak = flat @ grid.weight
    profile = flat @ kernel.reshape(-1, kernel.shape[-1]).T
    profile = profile.reshape(flat.shape[0], count, WIDTH_DIRECTIONS) / peak[:, None, None]
    return _first_crossing(profile, radius).reshape(*lead, WIDTH_DIRECTIONS)


def _first_crossing(profile: FloatArray, radius: FloatArray) -> FloatArray:
    """Return where each profile (star, radius, direction) first falls below one half."""
    below = profile < 0.5  # noqa: PLR2004 - half maximum
    index = np.argmax(below, axis=1)
    found = below.any(axis=1) & (index > 0)
    index = np.maximum(index, 1)
    # ln I is close to linear in r^2 near half maximum, so steps of 8 % suffice.
    log_profile = np.log(np.maximum(profile, 1e-6))

    def take(shift: int) -> FloatArray:
        at = np.clip(index + shift, 0, radius.size - 1)
        return np.take_along_axis(log_profile, at[:, None, :], axis=1)[:, 0, :]

    above, under = take(-1), take(0)
    square = radius**2
    share = (above - np.log(0.5)) / np.where(above > under, above - under, 1.0)
    crossing = square[index - 1] + share * (square[index] - square[index - 1])
    return np.asarray(np.where(found, np.sqrt(crossing), np.nan), dtype=float)


def fwhm_batch(
    otf: FloatArray, grid: FrequencyGrid, narrowest_arcsec: float, widest_arcsec: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return widths of many images given by their transfer functions.

    Parameters
    ----------
    otf : ndarray, shape (..., n_f)
        Real transfer functions on `grid`.
    grid : FrequencyGrid
    narrowest_arcsec, widest_arcsec : float
        Bounds of the full width in any direction.

    Returns
    -------
    fwhm_arcsec, major_arcsec, minor_arcsec, angle_deg : ndarray, shape (...)
        NaN where the half-maximum contour leaves the bounds.

    Notes
    -----
    Area = half the integral of radius^2 over direction; the axes are those of the ellipse that
    fits 1/radius^2 best. Images whose maximum is off centre (a sinusoid of amplitude above
    0.74 core widths) need `fwhm_of_otf_arcsec`.
    """
    radii = half_maximum_radii(otf, grid, narrowest_arcsec, widest_arcsec)
    fwhm = 2.0 * np.sqrt(np.mean(radii**2, axis=-1))
    angle = np.pi * np.arange(WIDTH_DIRECTIONS) / WIDTH_DIRECTIONS
    inverse = radii**-2.0
    level = inverse.mean(axis=-1)
    cosine = 2.0 * (inverse * np.cos(2.0 * angle)).mean(axis=-1)
    sine = 2.0 * (inverse * np.sin(2.0 * angle)).mean(axis=-1)
    swing = np.minimum(np.hypot(cosine, sine), 0.999 * level)
    major, minor = 2.0 / np.sqrt(level - swing), 2.0 / np.sqrt(level + swing)
    direction = np.degrees(0.5 * np.arctan2(-sine, -cosine)) % 180.0
    return fwhm, major, minor, direction


def fwhm_of_otf_arcsec(otf: NDArray[np.generic], step_per_arcsec: float) -> ImageWidth:
    """Return the width of the image of one transfer function, by its half-maximum contour.

    Parameters
    ----------
    otf : ndarray, shape (n, n)
        Real or complex transfer function, indices [fy, fx], zero frequency at [n//2, n//2].
    step_per_arcsec : float
        Spacing of the frequencies [cycles/arcsec]; the field is its inverse.
    """
    image, scale_arcsec = _image_of_otf(np.asarray(otf), step_per_arcsec, 1)
    coarse = _contour_width(image, scale_arcsec, float(image.max()))
    oversampling = int(np.ceil(WIDTH_PIXELS_ACROSS * scale_arcsec / coarse.minor_arcsec))
    if oversampling > 1:
        image, scale_arcsec = _image_of_otf(np.asarray(otf), step_per_arcsec, oversampling)
    return _contour_width(image, scale_arcsec, float(image.max()))


def _image_of_otf(
    otf: NDArray[np.generic], step_per_arcsec: float, oversampling: int
) -> tuple[FloatArray, float]:
    size = otf.shape[0] * max(2, oversampling)
    padded = np.zeros((size, size), dtype=complex)
    start = size // 2 - otf.shape[0] // 2
    padded[start : start + otf.shape[0], start : start + otf.shape[1]] = otf
    image = np.fft.fftshift(np.fft.ifft2(np.fft.ifftshift(padded))).real
    return np.asarray(image, dtype=float), 1.0 / (size * step_per_arcsec)


def fwhm_of_image(
    image_adu: NDArray[np.floating], scale_arcsec: float, sky_adu: float | None = None
) -> ImageWidth:
    """Return the width of a measured star image, resampled at least four times.

    Parameters
    ----------
    image_adu : ndarray, shape (ny, nx)
        Star near the centre; the pixel response stays in. NaN counts as sky.
    scale_arcsec : float
        Size of a pixel [arcsec].
    sky_adu : float, optional
        Sky level; by default the median of a border one eighth wide.

    Returns
    -------
    ImageWidth
        With the standard error that the border's noise gives. NaN throughout when the star's
        peak is below ten times that noise, or its contour leaves the stamp.

    Notes
    -----
    Cubic spline resampling. When the peak is below 200 times the noise it is taken from a
    paraboloid fitted to the core, for the highest of many noisy pixels is too high.
    """
    from scipy.ndimage import zoom

    image = np.asarray(image_adu, dtype=float)
    border = _border(image)
    level = float(np.nanmedian(border)) if sky_adu is None else sky_adu
    noise = 1.4826 * float(np.nanmedian(np.abs(border - np.nanmedian(border))))
    image = np.nan_to_num(image - level, nan=0.0)
    above = int(np.count_nonzero(image > 0.5 * image.max()))
    rough_px = 2.0 * np.sqrt(max(above, 1) / np.pi)
    factor = max(SMALLEST_RESAMPLING, int(np.ceil(WIDTH_PIXELS_ACROSS / rough_px)))
    fine = zoom(image, factor, order=3, mode="nearest", grid_mode=True)
    peak = _peak(fine, noise)
    if not peak > LOWEST_PEAK_SNR * noise:
        return ImageWidth(*(float("nan"),) * 5)
    width = _contour_width(fine, scale_arcsec / factor, peak)
    sigma = _width_error(width.fwhm_arcsec, scale_arcsec, noise / peak)
    return ImageWidth(
        width.fwhm_arcsec, width.major_arcsec, width.minor_arcsec, width.angle_deg, sigma
    )


def _border(image: FloatArray) -> FloatArray:
    thick = max(1, min(image.shape) // 8)
    mask = np.ones(image.shape, dtype=bool)
    mask[thick:-thick, thick:-thick] = False
    return np.asarray(image[mask], dtype=float)


def _peak(fine: FloatArray, noise: float) -> float:
    highest = float(fine.max())
    if highest > 200.0 * noise:
        return highest
    row, column = np.nonzero(fine > WIDTH_CORE * highest)
    y, x = row - row.mean(), column - column.mean()
    design = np.stack([np.ones_like(x), x, y, x**2, x * y, y**2], axis=1)
    fit, *_ = np.linalg.lstsq(design, fine[row, column], rcond=None)
    hessian = np.array([[2 * fit[3], fit[4]], [fit[4], 2 * fit[5]]])
    if row.size < 2 * fit.size or np.linalg.eigvalsh(hessian).max() >= 0:
        return highest
    shift = -np.linalg.solve(hessian, fit[1:3])
    return float(fit[0] + 0.5 * fit[1:3] @ shift)


def _width_error(fwhm_arcsec: float, scale_arcsec: float, relative_noise: float) -> float:
    """Propagate pixel noise: a Gaussian core falls by 1.39/FWHM of the peak at its contour."""
    slope = 1.386 / fwhm_arcsec
    correlated = 1.4  # neighbouring contour points share pixels: found by simulation
    pixels = np.pi * fwhm_arcsec / scale_arcsec
    edge = 2.0 * relative_noise / slope / np.sqrt(pixels)
    peak = relative_noise / np.sqrt(max(0.4 * (fwhm_arcsec / scale_arcsec) ** 2, 1.0)) / slope
    return float(correlated * np.hypot(edge, peak))


def _contour_width(image: FloatArray, scale_arcsec: float, peak: float) -> ImageWidth:
    """Return the width from the half-maximum contour, or contours, around the maximum."""
    from skimage.measure import find_contours

    contours = find_contours(image, 0.5 * peak)  # type: ignore[no-untyped-call]
    closed = [c for c in contours if c.shape[0] > 3 and np.array_equal(c[0], c[-1])]  # noqa: PLR2004
    if not closed:
        return ImageWidth(*(float("nan"),) * 5)
    moments = [_polygon_moments(c[:, 1], c[:, 0]) for c in closed]
    area = max(abs(m[0]) for m in moments)
    # Noise islands are small; a split image has two parts of comparable size.
    kept = np.array([m for m in moments if abs(m[0]) > 0.2 * area])
    kept *= np.sign(kept[np.argmax(np.abs(kept[:, 0])), 0])
    total, mx, my, mxx, mxy, myy = kept.sum(axis=0)
    cx, cy = mx / total, my / total
    second = np.array(
        [[mxx / total - cx**2, mxy / total - cx * cy], [mxy / total - cx * cy, myy / total - cy**2]]
    )
    values, vectors = np.linalg.eigh(second)
    ratio = np.sqrt(np.sqrt(max(values[1], 1e-12) / max(values[0], 1e-12)))
    fwhm = 2.0 * np.sqrt(total / np.pi) * scale_arcsec
    angle = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180.0
    return ImageWidth(float(fwhm), float(fwhm * ratio), float(fwhm / ratio), float(angle))


def _polygon_moments(x: FloatArray, y: FloatArray) -> tuple[float, ...]:
    """Return area, first and second moments of a closed polygon (signed, Green's theorem)."""
    x0, x1, y0, y1 = x[:-1], x[1:], y[:-1], y[1:]
    cross = x0 * y1 - x1 * y0
    return (
        float(0.5 * cross.sum()),
        float(((x0 + x1) * cross).sum() / 6.0),
        float(((y0 + y1) * cross).sum() / 6.0),
        float(((x0**2 + x0 * x1 + x1**2) * cross).sum() / 12.0),
        float(((2 * x0 * y0 + x0 * y1 + x1 * y0 + 2 * x1 * y1) * cross).sum() / 24.0),
        float(((y0**2 + y0 * y1 + y1**2) * cross).sum() / 12.0),
    )
