"""One block of frames: cut the stars out once, find how the frames moved, measure every star."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.stars.centroid import (
    WINDOW_OVER_SIGMA,
    CentroidMethod,
    WindowedShapes,
    fill_gaps,
    measure_centroids,
    measure_sky,
    measure_windowed,
)
from blursplit.stars.noise import centroid_variance_terms, core_signal_to_noise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.frames import FrameSource, Sequence
    from blursplit.stars.detect import Field

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]
    IntArray = NDArray[np.int64]
    Stack = NDArray[np.float32]

GUIDES = 5
CORE_SIGMAS = 4.5  # three windows
SMALLEST_CORE = 13
MOST_HOT = 5000
# Guide stars agree when their offsets lie within this many star sigmas of their median.
GUIDE_SIGMAS = 2.0
FLUX_RANGE = (0.1, 4.0)
WIDTH_RANGE = (0.45, 2.5)
# A pixel whose best neighbour holds less than this share of it is a cosmic ray (see HOT_SHARE).
SPIKE_SHARE = 0.3
SPIKE_SIGMAS = 10.0
SPIKE_BLOCK = 12


@dataclass(frozen=True)
class Recipe:
    """What stays fixed for a whole run.

    Parameters
    ----------
    sigma_px, window_px : float
        Star sigma at the start, and the window's.
    core : int
        Stamp size that holds the window and the star, odd.
    gain_e_per_adu : float
        Infinity where it is not known yet.
    electronics_adu2 : float or None
        Read-out variance of a pixel; with it the sky's photon noise is computed.
    saturation_adu : float or None
    hot_x, hot_y : ndarray of int
        Pixels to leave out.
    method : CentroidMethod
    """

    sigma_px: float
    window_px: float
    core: int
    gain_e_per_adu: float
    electronics_adu2: float | None
    saturation_adu: float | None
    hot_x: IntArray
    hot_y: IntArray
    method: CentroidMethod = "windowed"


def make_recipe(sequence: Sequence, field: Field, method: CentroidMethod) -> Recipe:
    """Return what stays fixed for a run: window, stamp size, noise and saturation."""
    known = sequence.instrument.get
    gain, read_noise = known("gain_e_per_adu"), known("read_noise_e")
    sigma = field.sigma_px
    electronics = None
    if gain and read_noise is not None:
        # 1/12: rounding to whole data units
        electronics = (read_noise / gain) ** 2 + 1.0 / 12.0
    hot_y, hot_x = np.nonzero(field.hot)
    return Recipe(
        sigma_px=sigma,
        window_px=WINDOW_OVER_SIGMA * sigma,
        core=2 * max(int(np.ceil(CORE_SIGMAS * sigma)), SMALLEST_CORE // 2) + 1,
        gain_e_per_adu=float(gain) if gain else float("inf"),
        electronics_adu2=electronics,
        saturation_adu=field.saturation_adu,
        hot_x=hot_x[:MOST_HOT],
        hot_y=hot_y[:MOST_HOT],
        method=method,
    )


@dataclass
class Block:
    """Measurements of a block, arrays of shape (n, k); positions are in the frame.

    `alive` says that a sample is by itself credible, `why` in which way it is not.
    """

    x: FloatArray
    y: FloatArray
    star_term: FloatArray
    background_term: FloatArray
    flux: FloatArray
    width: FloatArray
    e1: FloatArray
    e2: FloatArray
    peak: FloatArray
    sky: FloatArray
    snr: FloatArray
    alive: BoolArray
    saturated: BoolArray
    spiked: BoolArray
    empty: BoolArray
    x0: IntArray
    y0: IntArray
    cuts: Stack

    def rows(self, which: slice) -> Block:
        """Return some of the frames."""
        return Block(**{name: getattr(self, name)[which] for name in self.__dataclass_fields__})

    def put(self, rows: slice | IntArray, other: Block) -> None:
        """Overwrite rows with those of another block (cuts of the same size)."""
        for name in self.__dataclass_fields__:
            getattr(self, name)[rows] = getattr(other, name)


def measure_block(
    source: FrameSource,
    start: int,
    x_px: FloatArray,
    y_px: FloatArray,
    flux_adu: FloatArray,
    margin: int,
    recipe: Recipe,
) -> Block:
    """Cut out and measure stars in frames from `start` on.

    Parameters
    ----------
    source : FrameSource
    start : int
    x_px, y_px : ndarray, shape (n, k)
        Where the stars are expected.
    flux_adu : ndarray, shape (k,)
        Their expected flux.
    margin : int
        How far the whole field may lie off its expected place.
    recipe : Recipe
    """
    n, k = x_px.shape
    size = recipe.core + 2 * margin
    half = size // 2
    x0 = np.rint(x_px).astype(np.int64) - half
    y0 = np.rint(y_px).astype(np.int64) - half
    fixed = bool((x0 == x0[:1]).all() and (y0 == y0[:1]).all())
    cuts = source.cut(start, start + n, x0[0] if fixed else x0, y0[0] if fixed else y0, size)
    _blank_hot_pixels(cuts, x0, y0, recipe)
    flat = cuts.reshape(n * k, size, size)
    sky, variance = measure_sky(flat)
    gaps = ~np.isfinite(flat).all(axis=(1, 2))
    holed = np.flatnonzero(gaps & np.isfinite(sky))
    whole = flat
    if holed.size:
        whole = flat.copy()
        whole[holed] = fill_gaps(flat[holed], sky[holed])
    at_x, at_y = (x_px - x0).ravel(), (y_px - y0).ravel()
    guide_x, guide_y = _guide(
        whole.reshape(cuts.shape),
        sky.reshape(n, k),
        at_x.reshape(n, k),
        at_y.reshape(n, k),
        flux_adu,
        recipe,
    )
    shapes = measure_windowed(
        whole,
        sky,
        recipe.window_px,
        start_x_px=at_x + np.repeat(guide_x, k),
        start_y_px=at_y + np.repeat(guide_y, k),
    )
    pixel_variance = _pixel_variance(sky, variance, recipe)
    peak, spiked = _peaks(whole, shapes, sky, pixel_variance, recipe, (n, k))
    star_term, background_term = centroid_variance_terms(shapes, recipe.window_px, pixel_variance)
    snr = core_signal_to_noise(
        shapes.core_adu, recipe.window_px, recipe.gain_e_per_adu, pixel_variance
    )
    x, y = shapes.x_px, shapes.y_px
    holey = np.zeros(n * k, dtype=bool)
    holey[holed] = _is_holey(flat[holed], x[holed], y[holed], recipe)
    with np.errstate(invalid="ignore"):
        saturated = np.zeros(n * k, dtype=bool)
        if recipe.saturation_adu is not None:
            saturated = peak + sky >= 0.97 * recipe.saturation_adu
        ratio = shapes.width_px / recipe.sigma_px
        alive = (
            np.isfinite(x)
            & (snr > 5.0)  # noqa: PLR2004 - below, a peak of the sky may pass for a star
            & (ratio > WIDTH_RANGE[0])
            & (ratio < WIDTH_RANGE[1])
            & ~holey
        )
    if recipe.method != "windowed":
        x, y = _other_centroid(whole, sky, x, y, alive, recipe)
        alive &= np.isfinite(x)
    block = {
        "x": x + x0.ravel(),
        "y": y + y0.ravel(),
        "star_term": star_term,
        "background_term": background_term,
        "flux": shapes.flux_adu,
        "width": shapes.width_px,
        "e1": shapes.e1,
        "e2": shapes.e2,
        "peak": peak,
        "sky": sky,
        "snr": snr,
        "alive": alive,
        "saturated": saturated,
        "spiked": spiked,
        "empty": ~np.isfinite(sky),
    }
    return Block(**{key: v.reshape(n, k) for key, v in block.items()}, x0=x0, y0=y0, cuts=cuts)


def _pixel_variance(sky: FloatArray, measured: FloatArray, recipe: Recipe) -> FloatArray:
    """Return the background variance of one pixel.

    The scatter of the stamp's border holds sky photons, read-out and quantisation, but also
    neighbours and fixed pattern; the formula from gain and read-out noise holds a pedestal that
    is no light. Both err upward, so the smaller one is taken.
    """
    if recipe.electronics_adu2 is None or not np.isfinite(recipe.gain_e_per_adu):
        return measured
    computed = np.maximum(sky, 0) / recipe.gain_e_per_adu + recipe.electronics_adu2
    return np.fmin(measured, computed)


def _blank_hot_pixels(cuts: Stack, x0: IntArray, y0: IntArray, recipe: Recipe) -> None:
    size = cuts.shape[-1]
    for x, y in zip(recipe.hot_x, recipe.hot_y, strict=True):
        column, row = x - x0, y - y0
        frame, star = np.nonzero((column >= 0) & (column < size) & (row >= 0) & (row < size))
        if frame.size:
            cuts[frame, star, row[frame, star], column[frame, star]] = np.nan


def _guide(
    cuts: Stack,
    sky: FloatArray,
    at_x: FloatArray,
    at_y: FloatArray,
    flux: FloatArray,
    recipe: Recipe,
) -> tuple[FloatArray, FloatArray]:
    """Return how far each frame lies off its expected place, from the brightest stars.

    Tried first with the window at the expected place; where the stars do not agree, all
    matched-filter maps of the frame are added and the highest point taken.
    """
    n, k = at_x.shape
    some = np.argsort(-flux, kind="stable")[: min(GUIDES, k)]
    g = some.size
    picked = cuts[:, some]
    flat = picked.reshape(n * g, *cuts.shape[2:])
    found = measure_windowed(
        flat,
        sky[:, some].ravel(),
        recipe.window_px,
        start_x_px=at_x[:, some].ravel(),
        start_y_px=at_y[:, some].ravel(),
    )
    dx = found.x_px.reshape(n, g) - at_x[:, some]
    dy = found.y_px.reshape(n, g) - at_y[:, some]
    with np.errstate(invalid="ignore"):
        ratio = found.flux_adu.reshape(n, g) / flux[some]
        width = found.width_px.reshape(n, g) / recipe.sigma_px
        fits = (ratio > FLUX_RANGE[0]) & (ratio < FLUX_RANGE[1])
        fits &= (width > WIDTH_RANGE[0]) & (width < WIDTH_RANGE[1])
    shift_x, shift_y = masked_median(dx, fits), masked_median(dy, fits)
    with np.errstate(invalid="ignore"):
        far = np.hypot(dx - shift_x[:, None], dy - shift_y[:, None])
        agree = (fits & (far < GUIDE_SIGMAS * recipe.sigma_px + 1.0)).sum(axis=1)
    doubtful = np.flatnonzero(agree < max(1, (g + 1) // 2))
    if doubtful.size:
        voted = _vote(picked[doubtful], sky[doubtful][:, some], flux[some], recipe.sigma_px)
        half = (cuts.shape[-1] - 1) / 2
        shift_x[doubtful] = voted[0] + half - at_x[doubtful][:, some].mean(axis=1)
        shift_y[doubtful] = voted[1] + half - at_y[doubtful][:, some].mean(axis=1)
    return np.where(np.isfinite(shift_x), shift_x, 0.0), np.where(
        np.isfinite(shift_y), shift_y, 0.0
    )


def _vote(
    cuts: Stack, sky: FloatArray, flux: FloatArray, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Return offsets from the stamps' centres at which the stars together are likeliest."""
    n, g, size, _ = cuts.shape
    x = np.arange(size)
    smooth = np.exp(-0.5 * ((x[:, None] - x) / sigma) ** 2).astype(np.float32)
    light = np.nan_to_num(cuts - sky[:, :, None, None].astype(np.float32))
    # For a star of the expected flux the filtered height is half its flux; a cosmic ray or a
    # neighbour counts no more than two such stars.
    height = np.matmul(np.matmul(smooth, light), smooth) / (0.5 * flux[:, None, None])
    joined = np.clip(height, -0.5, 2.0).sum(axis=1)
    edge = min(int(np.ceil(2.0 * sigma)), size // 2 - 1)
    inner = joined[:, edge : size - edge, edge : size - edge].reshape(n, -1)
    row, column = np.divmod(inner.argmax(axis=1), size - 2 * edge)
    half = (size - 1) / 2
    return column + edge - half, row + edge - half


def masked_median(values: FloatArray, mask: BoolArray) -> FloatArray:
    """Return the median along the last axis of the values under the mask; NaN where none is."""
    count = mask.sum(axis=-1)
    ordered = np.sort(np.where(mask, values, np.inf), axis=-1)
    low = np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0)[..., None], axis=-1)
    high = np.take_along_axis(
        ordered, np.minimum(count // 2, values.shape[-1] - 1)[..., None], axis=-1
    )
    middle = np.full(count.shape, np.nan)
    some = count > 0
    middle[some] = 0.5 * (low[..., 0][some] + high[..., 0][some])
    return middle


def _peaks(
    stamps: Stack,
    shapes: WindowedShapes,
    sky: FloatArray,
    variance: FloatArray,
    recipe: Recipe,
    shape: tuple[int, int],
) -> tuple[FloatArray, BoolArray]:
    """Return the brightest pixel near each centroid above the sky, and whether it is a spike."""
    m, size, _ = stamps.shape
    reach = min(int(np.ceil(1.5 * recipe.sigma_px)) + 1, size // 2 - 1)
    wide = 2 * reach + 3
    known = np.isfinite(shapes.x_px)
    column = np.clip(
        np.rint(np.where(known, shapes.x_px, size // 2)).astype(int) - reach - 1, 0, size - wide
    )
    row = np.clip(
        np.rint(np.where(known, shapes.y_px, size // 2)).astype(int) - reach - 1, 0, size - wide
    )
    near = np.lib.stride_tricks.sliding_window_view(stamps, (wide, wide), axis=(1, 2))[
        np.arange(m), row, column
    ]
    inner = near[:, 1:-1, 1:-1].reshape(m, -1)
    at = np.where(np.isfinite(inner), inner, -np.inf).argmax(axis=1)
    y, x = np.divmod(at, wide - 2)
    i = np.arange(m)
    top = near[i, y + 1, x + 1]
    around = np.stack(
        [near[i, y, x + 1], near[i, y + 2, x + 1], near[i, y + 1, x], near[i, y + 1, x + 2]]
    )
    peak = np.where(known, top - sky, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        above = top - around.mean(axis=0)
        alone = (around.max(axis=0) - sky < SPIKE_SHARE * peak) & (
            above > SPIKE_SIGMAS * np.sqrt(variance)
        )
        sharp = (above / shapes.flux_adu).reshape(shape)
        noise = np.sqrt(1.25 * (variance + np.maximum(peak, 0) / recipe.gain_e_per_adu))
        if shape[0] >= SPIKE_BLOCK:
            fine = np.isfinite(sharp)
            middle = masked_median(sharp.T, fine.T)
            spread = 1.4826 * masked_median(np.abs(sharp - middle).T, fine.T)
            odd = sharp - middle > SPIKE_SIGMAS * spread
            alone |= odd.ravel() & (
                above - np.tile(middle, shape[0]) * shapes.flux_adu > 6.0 * noise
            )
    return np.asarray(peak, dtype=float), np.asarray(alone & known, dtype=bool)


def _is_holey(stamps: Stack, x: FloatArray, y: FloatArray, recipe: Recipe) -> BoolArray:
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


def _other_centroid(
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
