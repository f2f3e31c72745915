"""What the pixels of a stamp say: sky, gaps, peaks, noise, and how well they tell a centroid.

Cosmic rays on stars: told from speckles by the star's own habits and by its neighbours.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.compiled import kernels, medians
from blursplit.stars.centroid import (
    WindowedShapes,
    WindowSetup,
    flat_stamps,
    measure_centroids,
)
from blursplit.stars.geometry import masked_median, median_of
from blursplit.types import BoolArray, FloatArray, ImageArray, IntArray


def _measure_excess(
    above_adu: FloatArray,
    dx_px: FloatArray,
    dy_px: FloatArray,
    shapes: WindowedShapes,
    shape: tuple[int, int],
) -> FloatArray:
    """Return by how much the brightest pixel stands out more than the frame's stars, in fluxes.

    `above_adu` (m,): brightest pixel less the mean of its four neighbours. `dx_px`, `dy_px` (m,):
    where that pixel lies from the centroid. `shape` (n, k): frames and stars, m = n k.

    Returns: (n, k).

    A badly sampled star is sharp when it sits on a pixel's centre and flat when it sits on a
    corner, and all stars are blurred alike when the telescope shakes. So what a Gaussian of the
    frame's median moments would show at the star's own place is taken off.
    """
    from blursplit.compiled.shape_kernels import sharpness

    moments = shapes.xx_px2, shapes.yy_px2, shapes.xy_px2
    out = np.empty(shape)
    sharpness(
        above_adu.reshape(shape),
        (dx_px.reshape(shape), dy_px.reshape(shape)),
        shapes.flux_adu.reshape(shape),
        tuple(values.reshape(shape) for values in moments),
        out,
    )
    return out


def find_spikes(
    excess: FloatArray,
    noise: FloatArray,
    off_x_px: FloatArray,
    off_y_px: FloatArray,
    flux_ratio: FloatArray,
    width_px: FloatArray,
) -> tuple[BoolArray, BoolArray]:
    """Say which samples were hit by a cosmic ray, and which may have been.

    `excess` (n, k): from `_measure_excess`. `noise` (n, k): photon and read-out noise of `excess`.
    `off_x_px`, `off_y_px` (n, k): centroids less their expected places. `flux_ratio` (n, k): fluxes
    over their expected values. `width_px` (n, k).

    Returns `hit`, `doubtful` (n, k): doubtful is a sample brighter and wider than its habit: its
    pixels have to tell (`find_flank_hits`).

    Hit is a sample whose sharpness is an outlier among the star's other samples AND among the
    other stars of its frame: surely (nine robust sigmas), or likely (2.5) when the star also left
    the shared motion and brightness of the frame by 5.5 sigmas of its own wandering in both.
    Hit too, on its flank, is a star that left both by 12 sigmas at once and became brighter.
    """
    known = np.isfinite(excess)
    if known.sum() < const.RAY_FEWEST:
        with np.errstate(invalid="ignore"):
            alone = known & (
                excess > np.maximum(const.RAY_LONE_EXCESS, const.RAY_NOISE_SIGMAS * noise)
            )
        return np.asarray(alone, dtype=bool), np.zeros(known.shape, dtype=bool)
    sharp = _in_sigmas(excess, known)
    if excess.shape[1] > 2:  # noqa: PLR2004 - of two stars neither is the odd one
        shared = masked_median(excess, known)[:, None]
        sharp = np.minimum(sharp, _in_sigmas(excess - shared, known))
    middle = median_of(excess[known])
    with np.errstate(invalid="ignore", divide="ignore"):
        brightness = np.log(flux_ratio)
    along_x, along_y, brighter, wider = (
        _apart_in_sigmas(value) for value in (off_x_px, off_y_px, brightness, width_px)
    )
    strayed = np.square(along_x) + np.square(along_y)
    odd = strayed + np.square(brighter)
    flank = known & (strayed > const.RAY_FLANK_SIGMAS**2) & (brighter > const.RAY_FLANK_SIGMAS)
    with np.errstate(invalid="ignore"):
        hit = (sharp > const.RAY_SURE_SIGMAS) | (
            (sharp > const.RAY_LIKELY_SIGMAS) & (odd > const.RAY_ODD_SIGMAS**2)
        )
        peaked = known & hit & (excess - middle > const.RAY_NOISE_SIGMAS * noise)
    hit_at_all = np.asarray(peaked | flank, dtype=bool)
    doubtful = (
        known & ~hit_at_all & (brighter > const.RAY_DOUBT_SIGMAS) & (wider > const.RAY_DOUBT_SIGMAS)
    )
    return hit_at_all, np.asarray(doubtful, dtype=bool)


def find_flank_hits(
    stamps: Callable[[IntArray, IntArray], ImageArray],
    flux_adu: FloatArray,
    noise: FloatArray,
    doubtful: BoolArray,
    usual: BoolArray,
) -> BoolArray:
    """Say which doubtful samples show a pixel far sharper than the star usually does.

    `stamps`: gives those (m, size, size) of so many frames and stars; a strong hit matters as far
    as three windows from the star, so all pixels are looked at. `flux_adu`, `noise` (n, k): `noise`
    is that of a bright pixel less its four neighbours, in fluxes. `doubtful`, `usual` (n, k):
    samples to judge, and samples to judge by.
    """
    hit = np.zeros(doubtful.shape, dtype=bool)
    for star in np.flatnonzero(doubtful.any(axis=0)):
        own = np.flatnonzero(usual[:, star])
        if own.size < const.RAY_FEWEST // 2:
            continue
        own = own[:: max(1, own.size // (2 * const.RAY_FEWEST))]
        most = const.RAY_SHARPER * median_of(_sharpest(stamps(own, np.full(own.size, star))))
        rows = np.flatnonzero(doubtful[:, star])
        above = _sharpest(stamps(rows, np.full(rows.size, star))) - most
        hit[rows, star] = above > const.RAY_NOISE_SIGMAS * noise[rows, star] * flux_adu[rows, star]
    return hit


def _sharpest(stamps: ImageArray) -> FloatArray:
    """Return the most that a pixel exceeds the mean of its four neighbours, shape (m,)."""
    around = stamps[:, :-2, 1:-1] + stamps[:, 2:, 1:-1]
    around += stamps[:, 1:-1, :-2] + stamps[:, 1:-1, 2:]
    above = stamps[:, 1:-1, 1:-1] - np.float32(0.25) * around
    return np.asarray(np.fmax.reduce(above.reshape(len(stamps), -1), axis=1), dtype=float)


def _apart_in_sigmas(values: FloatArray) -> FloatArray:
    """Return how far each star is from the other stars of its frame, in its own usual sigmas."""
    table = np.ascontiguousarray(values)
    out = np.empty_like(table)
    each = len(values) >= const.RAY_FEWEST
    medians().apart_in_sigmas(table, each, 1e-9 / const.SIGMA_PER_MAD, out)
    out /= const.SIGMA_PER_MAD
    return out


def _in_sigmas(values: FloatArray, known: BoolArray) -> FloatArray:
    """Return deviations in robust sigmas: of each star, or of all where the frames are few."""
    each = len(values) >= const.RAY_FEWEST
    table = np.ascontiguousarray(values.T if each else values.reshape(1, -1))
    out = np.empty_like(table)
    mask = np.ascontiguousarray(known.T if each else known.reshape(1, -1))
    medians().in_sigmas(table, mask, 1e-9 / const.SIGMA_PER_MAD, out)
    out /= const.SIGMA_PER_MAD
    return out.T if each else out.reshape(values.shape)


# --- a stamp --------------------------------------------------------------------------------------
_Brightest = tuple[FloatArray, FloatArray, FloatArray, FloatArray]


def background_variance(
    sky: FloatArray,
    measured: FloatArray,
    setup: WindowSetup,
    shape: tuple[int, int],
    top: FloatArray,
) -> FloatArray:
    """Return the background variance of one pixel, shape (n k,) for `shape` (n, k).

    The scatter of the stamp's border holds sky photons, read-out and quantisation, but also
    neighbours and fixed pattern; the formula from gain and read-out noise holds a pedestal that
    is no light. Both err upward, so the smaller one is taken. A sky clipped to one level scatters
    not at all: it gets what rounding to whole units has, or a thousandth of the brightest pixel
    `top` where that is less.
    """
    measured = _steadied(measured.reshape(shape)).ravel()
    clipped = measured <= 0
    if clipped.any():
        least = np.minimum(const.ROUNDING_ADU2, np.square(const.LEAST_NOISE_SHARE * (top - sky)))
        measured = np.where(clipped, least, measured)
    if setup.electronics_adu2 is None or not np.isfinite(setup.gain_e_per_adu):
        return measured
    computed = np.maximum(sky, 0) / setup.gain_e_per_adu + setup.electronics_adu2
    return np.fmin(measured, computed)


def _steadied(variance: FloatArray) -> FloatArray:
    """Replace single estimates, good to 10 or 20 % each, by star medians times frame medians."""
    if variance.shape[0] < const.STEADY_BLOCK:
        return variance
    known = np.isfinite(variance)
    per_star = masked_median(variance.T, known.T)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(variance > 0, variance / per_star, np.nan)
    per_frame = np.ones(variance.shape[0])
    if variance.shape[1] >= const.STEADY_STARS:
        per_frame = masked_median(ratio, np.isfinite(ratio))
        per_frame = np.where(np.isfinite(per_frame), per_frame, 1.0)
    return np.where(known, per_star * per_frame[:, None], np.nan)


def hot_near(
    x0: IntArray, y0: IntArray, size: int, setup: WindowSetup
) -> tuple[IntArray, IntArray, IntArray]:
    """Return the hot pixels that lie near each star's stamps, as `blank_pixels` asks for them."""
    hot_x, hot_y = setup.hot_x, setup.hot_y
    near = (hot_x >= x0.min(axis=0)[:, None]) & (hot_x < x0.max(axis=0)[:, None] + size)
    near &= (hot_y >= y0.min(axis=0)[:, None]) & (hot_y < y0.max(axis=0)[:, None] + size)
    star, which = np.nonzero(near)
    first = np.searchsorted(star, np.arange(x0.shape[1] + 1))
    return hot_x[which], hot_y[which], first


def peaks_and_excess(
    brightest: _Brightest,
    shapes: WindowedShapes,
    sky: FloatArray,
    variance: FloatArray,
    setup: WindowSetup,
    shape: tuple[int, int],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the brightest pixel near each centroid above the sky, its excess and the noise of it.

    The excess (`_measure_excess`) and its noise, shape `shape`, are in fluxes of the star.
    """
    at_x, at_y, top, around = brightest
    known = np.isfinite(shapes.x_px)
    peak = np.where(known, top - sky, np.nan)
    above = np.where(known, top - around, np.nan)
    excess = _measure_excess(above, at_x - shapes.x_px, at_y - shapes.y_px, shapes, shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = np.sqrt(1.25 * (variance + np.maximum(peak, 0) / setup.gain_e_per_adu))
        noise = noise / shapes.flux_adu
    return peak, excess, noise.reshape(shape)


def brightest_reach(size: int, setup: WindowSetup) -> int:
    """Return how far from a centroid its brightest pixel is looked for: 1.5 sigmas and a pixel."""
    return min(int(np.ceil(1.5 * setup.sigma_px)) + 1, size // 2 - 1)


def brightest_near(
    stamps: ImageArray, x_px: FloatArray, y_px: FloatArray, setup: WindowSetup
) -> _Brightest:
    """Return x, y, height and neighbours' mean of the brightest pixel near each centroid."""
    m, size, _ = stamps.shape
    out = np.empty((4, m))
    kernels().brightest_pixels(flat_stamps(stamps), x_px, y_px, brightest_reach(size, setup), out)
    at_x, at_y, top, around = out
    return at_x, at_y, top, around


def is_holey(stamps: ImageArray, x: FloatArray, y: FloatArray, setup: WindowSetup) -> BoolArray:
    """Say which stamps miss too many pixels under the window to be trusted.

    One or two lone pixels are filled from their neighbours; a frame's edge within 1.5 windows
    or a group of lost pixels is not.
    """
    size = stamps.shape[-1]
    position = np.arange(size)
    with np.errstate(invalid="ignore"):
        far_y = np.square(position[None, :, None] - y[:, None, None])
        far_x = np.square(position[None, None, :] - x[:, None, None])
        under = far_x + far_y < (1.5 * setup.window_px) ** 2
    lost = (~np.isfinite(stamps) & under).sum(axis=(1, 2))
    return np.asarray((lost > 2) | ~np.isfinite(x), dtype=bool)  # noqa: PLR2004


def other_centroid(
    stamps: ImageArray,
    sky: FloatArray,
    x: FloatArray,
    y: FloatArray,
    alive: BoolArray,
    setup: WindowSetup,
) -> tuple[FloatArray, FloatArray]:
    """Replace windowed centroids by those of another method, in stamps cut to the star."""
    out_x, out_y = np.full_like(x, np.nan), np.full_like(y, np.nan)
    i = np.flatnonzero(alive)
    size, core = stamps.shape[-1], setup.core
    column = np.clip(np.rint(x[i]).astype(int) - core // 2, 0, size - core)
    row = np.clip(np.rint(y[i]).astype(int) - core // 2, 0, size - core)
    near = np.lib.stride_tricks.sliding_window_view(stamps, (core, core), axis=(1, 2))[
        i, row, column
    ]
    found_x, found_y = measure_centroids(near, sky[i], setup.window_px, setup.method)
    out_x[i], out_y[i] = found_x + column, found_y + row
    return out_x, out_y


# Of a length that leaves the variance of independent pixels as it is.
_DIFFERENCE = np.array(const.FOURTH_DIFFERENCE) / np.linalg.norm(const.FOURTH_DIFFERENCE)
# The level that the variance of the filtered noise follows: the mean under the squared filter.
_LEVEL = _DIFFERENCE**2


def centroid_variance_terms(
    shapes: WindowedShapes, window_px: float, pixel_variance_adu2: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the two terms of the variance of windowed centroids, mean of the two axes.

    `shapes`: moments, arrays of shape (m,). `window_px`: sigma of the window. `pixel_variance_adu2`
    (m,): variance of one pixel of the background: sky photons, read-out, quantisation.

    Returns `star_px2_adu` (m,): to be divided by the gain [e-/adu]: photon noise of the star
    itself; `background_px2` (m,): the variance is their sum; NaN where the shape is unknown.
    """
    from blursplit.compiled.shape_kernels import centroid_noise

    out = np.empty((2, shapes.flux_adu.size))
    moments = shapes.xx_px2, shapes.yy_px2, shapes.slope_x_adu, shapes.slope_y_adu
    centroid_noise(moments, shapes.flux_adu, pixel_variance_adu2, float(window_px), out)
    star, background = out
    return star, background


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

    `stamps_adu` (m, size, size) float32: stamps of unsaturated stars. `sky_adu` (m,).

    A fourth difference along both axes passes the noise of single pixels and hardly any of a
    sampled star image, whatever the air does from frame to frame. All are empty where the stamps
    are too few or too faint.
    """
    from blursplit.compiled.frame_kernels import filtered_noise, sums_in_bins

    nothing = np.zeros(0), np.zeros(0), np.zeros(0)
    whole = np.isfinite(stamps_adu).all(axis=(1, 2)) & np.isfinite(sky_adu)
    clean, sky = np.ascontiguousarray(stamps_adu[whole], dtype=np.float32), sky_adu[whole]
    if len(clean) < 20:  # noqa: PLR2004 - too few to bin
        return nothing
    inner = (len(clean), clean.shape[1] - 4, clean.shape[2] - 4)
    noise, level = np.empty(inner), np.empty(inner)
    filtered_noise(clean, sky, _DIFFERENCE, _LEVEL, noise, level)
    noise, level = noise.ravel(), level.ravel()
    floor = median_of(noise) / 0.455  # median of chi-square with one degree of freedom
    ordered = np.sort(level)
    if ordered[-200] <= const.GAIN_LEVEL_SIGMAS * np.sqrt(floor):
        return nothing
    place = np.array([0.0, 0.3, 0.6, *np.linspace(0.8, 1.0, 15)]) * (level.size - 1)
    below = np.minimum(place.astype(int), level.size - 2)
    edges = ordered[below] + (place - below) * (ordered[below + 1] - ordered[below])
    count, levels, noises = np.zeros((3, edges.size - 1))
    sums_in_bins(edges, level, noise, count, levels, noises)
    used = count > 10  # noqa: PLR2004
    return levels[used] / count[used], noises[used] / count[used], count[used]


def gain_of(
    level_adu: FloatArray, variance_adu2: FloatArray, count: FloatArray
) -> tuple[float, float] | None:
    """Return gain [e-/adu] and its relative error from `noise_against_level`, or None.

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


def measure_sky(stamps_adu: ImageArray) -> tuple[FloatArray, FloatArray]:
    """Return local sky level and pixel variance from the border of each stamp.

    `stamps_adu` (..., size, size); their border is two pixels wide.

    Returns `sky_adu`, `variance_adu2` (...): medians of twelve pieces of the border, so that a
    neighbour, a cosmic ray or a masked corner in a minority of them does no harm. NaN where no
    border pixel is finite.
    """
    size = stamps_adu.shape[-1]
    lead = stamps_adu.shape[:-2]
    places, factor = border_places(size)
    flat = flat_stamps(stamps_adu.reshape(-1, size, size))
    out = np.empty((len(flat), 2))
    kernels().border_sky(flat, places, out)
    return out[:, 0].reshape(lead), factor * out[:, 1].reshape(lead)


@lru_cache(maxsize=32)
def border_places(size: int) -> tuple[IntArray, float]:
    """Return the pixels of the border's twelve pieces and the factor of their median variance."""
    b, third = 2, (size - 2) // 3
    number = np.arange(size * size, dtype=np.int64).reshape(size, size)
    sides = (
        number[:b, : 3 * third],
        number[-b:, size - 3 * third :],
        number[size - 3 * third :, :b].T,
        number[: 3 * third, -b:].T,
    )
    pieces = np.concatenate([s.reshape(b, 3, third).swapaxes(0, 1).reshape(3, -1) for s in sides])
    return np.ascontiguousarray(pieces), _of_few(pieces.shape[1])


def _of_few(n: int) -> float:
    # Median of chi-square over its mean for n - 1 degrees of freedom (Wilson & Hilferty 1931).
    return float(n / (n - 1) / (1 - 2 / (9 * n - 9)) ** 3)


def complete_sky(
    stamps_adu: ImageArray, sky_adu: FloatArray, variance_adu2: FloatArray
) -> BoolArray:
    """Take the sky of stamps without any border pixel from the darkest fifth of their pixels.

    A frame's corner, or an image hardly larger than the star, leaves no border. Works in place.

    `stamps_adu` (m, size, size). `sky_adu`, `variance_adu2` (m,): from `measure_sky`.

    Returns: (m,): which stamps hold no pixel at all.
    """
    empty = ~np.isfinite(sky_adu)
    for i in np.flatnonzero(empty):
        pixels = stamps_adu[i][np.isfinite(stamps_adu[i])]
        if pixels.size:
            sky_adu[i] = np.quantile(pixels, const.DARK_SHARE)
            # What scatters below the level is no star.
            below = pixels[pixels <= sky_adu[i]] - sky_adu[i]
            variance_adu2[i] = np.mean(np.square(below))
            empty[i] = False
    return empty


def fill_gaps(stamps_adu: ImageArray, sky_adu: FloatArray) -> ImageArray:
    """Return the stamps with NaN pixels replaced by the mean of their finite neighbours.

    `stamps_adu` (m, size, size). `sky_adu` (m,): used where no neighbour within one pixel is
    finite.
    """
    finite = np.isfinite(stamps_adu)
    values = np.pad(np.where(finite, stamps_adu, 0), ((0, 0), (1, 1), (1, 1)))
    weight = np.pad(finite.astype(np.float32), ((0, 0), (1, 1), (1, 1)))
    size = stamps_adu.shape[-1]
    total = np.zeros_like(stamps_adu)
    count = np.zeros_like(stamps_adu)
    for dy in range(3):
        for dx in range(3):
            total += values[:, dy : dy + size, dx : dx + size]
            count += weight[:, dy : dy + size, dx : dx + size]
    near = np.where(count > 0, total / np.maximum(count, 1), sky_adu[:, None, None])
    return np.where(finite, stamps_adu, near).astype(np.float32)
