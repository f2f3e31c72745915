"""How well a centroid is known from photons, sky and read-out alone.

The windowed centroid c solves F(c) = sum w(x - c) (x - c) I(x) = 0, so with independent pixels

    var(c) = sum w^2 (x - c)^2 var(I) / (dF/dc)^2,    var(I) = star / gain + background.

The slope dF/dc comes from the sample itself, the background term is a property of the window
alone, pi w^4 / 2, and the star's term is that of a Gaussian of the sample's own width. For a
Gaussian star this is the variance of the Gaussian-weighted centroid,
sd^4 sp^6 / (N sc^8) + pi B w^4 sp^8 / (2 N^2 sc^8), and with w = sp the well-known
(16/9) sp^2 / N + 8 pi sp^4 B / N^2 (its 16/9: Mortensen et al. 2010, Nature Methods 7, 377; from
memory). The measured motion plays no part: air still moves where a spectrum ends, and a noise
taken from there would be too large.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.stars.centroid import WindowedShapes

    FloatArray = NDArray[np.float64]

# A gain is fitted to pixels at least this many times brighter than the sky's scatter.
_MIN_LEVEL_SIGMAS = 5.0
_DIFFERENCE = np.array([1.0, -4.0, 6.0, -4.0, 1.0])
# The level that the variance of the filtered noise follows: the mean under the squared filter.
_LEVEL = _DIFFERENCE**2 / np.sum(_DIFFERENCE**2)


def centroid_variance_terms(
    shapes: WindowedShapes, window_px: float, pixel_variance_adu2: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the two terms of the variance of windowed centroids, mean of the two axes.

    Parameters
    ----------
    shapes : WindowedShapes
        Moments, arrays of shape (m,).
    window_px : float
        Sigma of the window.
    pixel_variance_adu2 : ndarray, shape (m,)
        Variance of one pixel of the background: sky photons, read-out, quantisation.

    Returns
    -------
    star_px2_adu : ndarray, shape (m,)
        To be divided by the gain [e-/adu]: photon noise of the star itself.
    background_px2 : ndarray, shape (m,)
        The variance is their sum; NaN where the shape is unknown.
    """
    background = np.zeros_like(shapes.core_adu)
    star = np.zeros_like(shapes.core_adu)
    axes = (
        (shapes.xx_px2, shapes.yy_px2, shapes.slope_x_adu),
        (shapes.yy_px2, shapes.xx_px2, shapes.slope_y_adu),
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        for own, other, slope in axes:
            light = _window_squared_moment(own, other, window_px) * shapes.flux_adu
            star += 0.5 * light / slope**2
            background += 0.25 * np.pi * window_px**4 * pixel_variance_adu2 / slope**2
    return star, background


def _window_squared_moment(own: FloatArray, other: FloatArray, window: float) -> FloatArray:
    """Return sum w^2 x^2 P for a Gaussian P of unit flux and variances `own` (along x), `other`."""
    narrow = 1.0 / (1.0 / own + 2.0 / window**2)
    narrow_other = 1.0 / (1.0 / other + 2.0 / window**2)
    return narrow * np.sqrt(narrow / own * narrow_other / other)


def core_signal_to_noise(
    core_adu: FloatArray, window_px: float, gain_e_per_adu: float, pixel_variance_adu2: FloatArray
) -> FloatArray:
    """Return the signal-to-noise ratio of the windowed flux, shape (m,)."""
    # sum w^2 over pixels is pi w^2; the star's photons weigh at most w.
    variance = np.maximum(core_adu, 0) / gain_e_per_adu
    variance = variance + np.pi * window_px**2 * pixel_variance_adu2
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(core_adu / np.sqrt(variance), dtype=float)


def noise_against_level(
    stamps_adu: NDArray[np.float32], sky_adu: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return level above the sky, noise variance and number of star pixels, in bins of the level.

    Parameters
    ----------
    stamps_adu : ndarray of float32, shape (m, size, size)
        Stamps of unsaturated stars.
    sky_adu : ndarray, shape (m,)

    Notes
    -----
    A fourth difference along both axes passes the noise of single pixels and hardly any of a
    sampled star image, whatever the air does from frame to frame. All are empty where the stamps
    are too few or too faint.
    """
    nothing = np.zeros(0), np.zeros(0), np.zeros(0)
    whole = np.isfinite(stamps_adu).all(axis=(1, 2)) & np.isfinite(sky_adu)
    clean, sky = stamps_adu[whole].astype(float), sky_adu[whole]
    if len(clean) < 20:  # noqa: PLR2004 - too few to bin
        return nothing
    noise = _filter(clean, _DIFFERENCE) ** 2 / np.square(np.sum(_DIFFERENCE**2))
    level = _filter(clean, _LEVEL) - sky[:, None, None]
    noise, level = noise.ravel(), level.ravel()
    floor = float(np.median(noise) / 0.455)  # median of chi-square with one degree of freedom
    bright = level > _MIN_LEVEL_SIGMAS * np.sqrt(floor)
    if bright.sum() < 200:  # noqa: PLR2004
        return nothing
    edges = np.quantile(level, [0.0, 0.3, 0.6, *np.linspace(0.8, 1.0, 15)])
    which = np.clip(np.searchsorted(edges, level) - 1, 0, edges.size - 2)
    count = np.bincount(which, minlength=edges.size - 1)
    used = count > 10  # noqa: PLR2004
    mean_level = np.bincount(which, level, edges.size - 1)[used] / count[used]
    mean_noise = np.bincount(which, noise, edges.size - 1)[used] / count[used]
    return mean_level, mean_noise, count[used].astype(float)


def gain_of(
    level_adu: FloatArray, variance_adu2: FloatArray, count: FloatArray
) -> tuple[float, float] | None:
    """Return gain [e-/adu] and its relative error from `noise_against_level`, or None.

    Notes
    -----
    The variance is fitted with v0 + level / gain + b level^2, b >= 0; the last term takes up the
    little of the star that still passes. (An estimator of our own; no source.)
    """
    from scipy.optimize import nnls

    if not level_adu.size:
        return None
    design = np.stack([np.ones_like(level_adu), level_adu, level_adu**2], axis=1)
    weight = np.sqrt(count) / np.maximum(variance_adu2, 1e-12)
    scale = np.abs(design).max(axis=0)
    fit, _ = nnls(design / scale * weight[:, None], variance_adu2 * weight)
    per_level = float((fit / scale)[1])
    if per_level <= 0:
        return None
    normal = (design / scale * weight[:, None]).T @ (design / scale * weight[:, None])
    # Neighbouring outputs of the filter overlap: about four pixels make one independent value.
    error = 2.0 * np.sqrt(2.0 * np.linalg.pinv(normal)[1, 1]) / scale[1]
    return 1.0 / per_level, float(error / per_level)


def _filter(stamps: FloatArray, kernel: FloatArray) -> FloatArray:
    from scipy.ndimage import correlate1d

    out = correlate1d(correlate1d(stamps, kernel, axis=1), kernel, axis=2)
    return np.asarray(out[:, 2:-2, 2:-2], dtype=float)
