"""What single pixels of a stamp say: noise, gaps, peaks and spikes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.constants import LEAST_NOISE_SHARE, ROUNDING_ADU2
from blursplit.stars.centroid import measure_centroids
from blursplit.stars.geometry import masked_median
from blursplit.stars.spikes import measure_excess

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.stars.centroid import WindowedShapes
    from blursplit.stars.recipe import Recipe

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]
    IntArray = NDArray[np.int64]
    Stack = NDArray[np.float32]
    Brightest = tuple[FloatArray, FloatArray, FloatArray, FloatArray]

STEADY_BLOCK, STEADY_STARS = 8, 4


def background_variance(
    sky: FloatArray,
    measured: FloatArray,
    recipe: Recipe,
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
        least = np.minimum(ROUNDING_ADU2, np.square(LEAST_NOISE_SHARE * (top - sky)))
        measured = np.where(clipped, least, measured)
    if recipe.electronics_adu2 is None or not np.isfinite(recipe.gain_e_per_adu):
        return measured
    computed = np.maximum(sky, 0) / recipe.gain_e_per_adu + recipe.electronics_adu2
    return np.fmin(measured, computed)


def _steadied(variance: FloatArray) -> FloatArray:
    """Replace single estimates, good to 10 or 20 % each, by star medians times frame medians."""
    if variance.shape[0] < STEADY_BLOCK:
        return variance
    known = np.isfinite(variance)
    per_star = masked_median(variance.T, known.T)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(variance > 0, variance / per_star, np.nan)
    per_frame = np.ones(variance.shape[0])
    if variance.shape[1] >= STEADY_STARS:
        per_frame = masked_median(ratio, np.isfinite(ratio))
        per_frame = np.where(np.isfinite(per_frame), per_frame, 1.0)
    return np.where(known, per_star * per_frame[:, None], np.nan)


def blank_hot_pixels(cuts: Stack, x0: IntArray, y0: IntArray, recipe: Recipe) -> None:
    """Set the hot pixels of stamps to NaN, in place; only those near a star are looked at."""
    size = cuts.shape[-1]
    hot_x, hot_y = recipe.hot_x[:, None], recipe.hot_y[:, None]
    near = (hot_x >= x0.min(axis=0)) & (hot_x < x0.max(axis=0) + size)
    near &= (hot_y >= y0.min(axis=0)) & (hot_y < y0.max(axis=0) + size)
    for i in np.flatnonzero(near.any(axis=1)):
        x, y = recipe.hot_x[i], recipe.hot_y[i]
        column, row = x - x0, y - y0
        frame, star = np.nonzero((column >= 0) & (column < size) & (row >= 0) & (row < size))
        if frame.size:
            cuts[frame, star, row[frame, star], column[frame, star]] = np.nan


def peaks_and_excess(
    brightest: Brightest,
    shapes: WindowedShapes,
    sky: FloatArray,
    variance: FloatArray,
    recipe: Recipe,
    shape: tuple[int, int],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the brightest pixel near each centroid above the sky, its excess and the noise of it.

    The excess (`spikes.measure_excess`) and its noise, shape `shape`, are in fluxes of the star.
    """
    at_x, at_y, top, around = brightest
    known = np.isfinite(shapes.x_px)
    peak = np.where(known, top - sky, np.nan)
    above = np.where(known, top - around, np.nan)
    excess = measure_excess(above, at_x - shapes.x_px, at_y - shapes.y_px, shapes, shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = np.sqrt(1.25 * (variance + np.maximum(peak, 0) / recipe.gain_e_per_adu))
        noise = noise / shapes.flux_adu
    return peak, excess, noise.reshape(shape)


def brightest_reach(size: int, recipe: Recipe) -> int:
    """Return how far from a centroid its brightest pixel is looked for: 1.5 sigmas and a pixel."""
    return min(int(np.ceil(1.5 * recipe.sigma_px)) + 1, size // 2 - 1)


def brightest_near(stamps: Stack, x_px: FloatArray, y_px: FloatArray, recipe: Recipe) -> Brightest:
    """Return x, y, height and neighbours' mean of the brightest pixel near each centroid."""
    m, size, _ = stamps.shape
    reach = brightest_reach(size, recipe)
    wide = 2 * reach + 1
    middle = size // 2
    known = np.isfinite(x_px) & np.isfinite(y_px)
    x = np.where(known, x_px, middle)
    y = np.where(known, y_px, middle)
    corner = middle - reach
    at = stamps[:, corner : corner + wide, corner : corner + wide].reshape(m, -1).argmax(axis=1)
    at_y, at_x = np.divmod(at, wide)
    at_x, at_y = at_x + corner, at_y + corner
    # Most stars are in the middle of their stamp; the others get a window of their own.
    off = np.flatnonzero(np.maximum(np.abs(x - middle), np.abs(y - middle)) > 1.5)  # noqa: PLR2004
    if off.size:
        column = np.clip(np.rint(x[off]).astype(np.int64) - reach, 1, size - wide - 1)
        row = np.clip(np.rint(y[off]).astype(np.int64) - reach, 1, size - wide - 1)
        view = np.lib.stride_tricks.sliding_window_view(stamps, (wide, wide), axis=(1, 2))
        at = view[off, row, column].reshape(off.size, -1).argmax(axis=1)
        own_y, own_x = np.divmod(at, wide)
        at_x[off], at_y[off] = own_x + column, own_y + row
    pixels = stamps.reshape(m * size * size)
    place = np.arange(m) * (size * size) + at_y * size + at_x
    around = pixels[place - 1].astype(float) + pixels[place + 1]
    around += pixels[place - size]
    around += pixels[place + size]
    return at_x.astype(float), at_y.astype(float), pixels[place].astype(float), 0.25 * around


def is_holey(stamps: Stack, x: FloatArray, y: FloatArray, recipe: Recipe) -> BoolArray:
    """Say which stamps miss too many pixels under the window to be trusted.

    One or two lone pixels are filled from their neighbours; a frame's edge within 1.5 windows
    or a group of lost pixels is not.
    """
    size = stamps.shape[-1]
    position = np.arange(size)
    with np.errstate(invalid="ignore"):
        far_y = np.square(position[None, :, None] - y[:, None, None])
        far_x = np.square(position[None, None, :] - x[:, None, None])
        under = far_x + far_y < (1.5 * recipe.window_px) ** 2
    lost = (~np.isfinite(stamps) & under).sum(axis=(1, 2))
    return np.asarray((lost > 2) | ~np.isfinite(x), dtype=bool)  # noqa: PLR2004


def other_centroid(
    stamps: Stack, sky: FloatArray, x: FloatArray, y: FloatArray, alive: BoolArray, recipe: Recipe
) -> tuple[FloatArray, FloatArray]:
    """Replace windowed centroids by those of another method, in stamps cut to the star."""
    out_x, out_y = np.full_like(x, np.nan), np.full_like(y, np.nan)
    i = np.flatnonzero(alive)
    size, core = stamps.shape[-1], recipe.core
    column = np.clip(np.rint(x[i]).astype(int) - core // 2, 0, size - core)
    row = np.clip(np.rint(y[i]).astype(int) - core // 2, 0, size - core)
    near = np.lib.stride_tricks.sliding_window_view(stamps, (core, core), axis=(1, 2))[
        i, row, column
    ]
    found_x, found_y = measure_centroids(near, sky[i], recipe.window_px, recipe.method)
    out_x[i], out_y[i] = found_x + column, found_y + row
    return out_x, out_y
