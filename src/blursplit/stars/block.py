"""One block of frames: cut the stars out once and measure every one of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.stars.centroid import fill_gaps, measure_sky, measure_windowed
from blursplit.stars.guide import WIDTH_RANGE, find_offsets
from blursplit.stars.noise import centroid_variance_terms, core_signal_to_noise
from blursplit.stars.pixels import (
    background_variance,
    blank_hot_pixels,
    is_holey,
    other_centroid,
    peaks_and_spikes,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.frames import FrameSource
    from blursplit.stars.recipe import Recipe

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]
    IntArray = NDArray[np.int64]
    Stack = NDArray[np.float32]

FAINTEST_CORE_SNR = 5.0  # below, a peak of the sky may pass for a star
SATURATED_SHARE = 0.97


@dataclass
class Block:
    """Measurements of a block, arrays of shape (n, k); positions are in the frame.

    `alive` says that a sample is credible by itself; stars are compared in `judge`. `star_term`
    and `background_term` are those of `centroid_variance_terms`.
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
    blank_hot_pixels(cuts, x0, y0, recipe)
    flat = cuts.reshape(n * k, size, size)
    sky, variance = measure_sky(flat)
    empty = _fill_sky(flat, sky, variance)
    gaps = ~np.isfinite(flat).all(axis=(1, 2))
    holed = np.flatnonzero(gaps & np.isfinite(sky))
    whole = flat
    if holed.size:
        whole = flat.copy()
        whole[holed] = fill_gaps(flat[holed], sky[holed])
    at_x, at_y = (x_px - x0).ravel(), (y_px - y0).ravel()
    guide_x, guide_y = find_offsets(
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
    pixel_variance = background_variance(sky, variance, recipe, (n, k))
    off_x, off_y = (shapes.x_px - at_x).reshape(n, k), (shapes.y_px - at_y).reshape(n, k)
    peak, spiked = peaks_and_spikes(
        whole, shapes, sky, pixel_variance, recipe, off_x, off_y, flux_adu
    )
    star_term, background_term = centroid_variance_terms(shapes, recipe.window_px, pixel_variance)
    snr = core_signal_to_noise(
        shapes.core_adu, recipe.window_px, recipe.gain_e_per_adu, pixel_variance
    )
    x, y = shapes.x_px, shapes.y_px
    holey = np.zeros(n * k, dtype=bool)
    holey[holed] = is_holey(flat[holed], x[holed], y[holed], recipe)
    with np.errstate(invalid="ignore"):
        saturated = np.zeros(n * k, dtype=bool)
        if recipe.saturation_adu is not None:
            saturated = peak + sky >= SATURATED_SHARE * recipe.saturation_adu
        ratio = shapes.width_px / recipe.sigma_px
        alive = (
            np.isfinite(x)
            & (snr > FAINTEST_CORE_SNR)
            & (ratio > WIDTH_RANGE[0])
            & (ratio < WIDTH_RANGE[1])
            & ~holey
        )
    if recipe.method != "windowed":
        x, y = other_centroid(whole, sky, x, y, alive, recipe)
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
        "empty": empty,
    }
    return Block(**{key: v.reshape(n, k) for key, v in block.items()}, x0=x0, y0=y0, cuts=cuts)


def _fill_sky(flat: Stack, sky: FloatArray, variance: FloatArray) -> BoolArray:
    """Take the sky of stamps whose whole border lies outside the frame from all their pixels.

    Works in place; returns which stamps hold no pixel at all.
    """
    empty = ~np.isfinite(sky)
    for i in np.flatnonzero(empty):
        pixels = flat[i][np.isfinite(flat[i])]
        if pixels.size:
            sky[i] = np.median(pixels)
            variance[i] = (1.4826 * np.median(np.abs(pixels - sky[i]))) ** 2
            empty[i] = False
    return empty
