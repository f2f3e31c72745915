"""What the pixels of a stamp say: sky, gaps, peaks, noise, and how well they tell a centroid.

Cosmic rays on stars: told from speckles by the star's own habits and by its neighbours.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.stars.centroid import WindowedShapes, WindowSetup, flat_stamps
from blursplit.stars.robust import masked_median, median_of
from blursplit.types import BoolArray, FloatArray, ImageArray, IntArray


class RayHits(NamedTuple):
    """Samples that a cosmic ray hit, and those that it may have, (n, k) each."""

    hit: BoolArray
    doubtful: BoolArray  # brighter and wider than its habit: its pixels have to tell

    @classmethod
    def find(
        cls,
        excess: FloatArray,
        noise: FloatArray,
        off_x_px: FloatArray,
        off_y_px: FloatArray,
        flux_ratio: FloatArray,
        width_px: FloatArray,
    ) -> RayHits:
        """Say which samples were hit by a cosmic ray, and which may have been.

        `excess` (n, k): from `peaks_and_excess`. `noise` (n, k): photon and read-out noise of
        `excess`. `off_x_px`, `off_y_px` (n, k): centroids less their expected places. `flux_ratio`
        (n, k): fluxes over their expected values. `width_px` (n, k).

        Hit is a sample whose sharpness is an outlier among the star's other samples AND among the
        other stars of its frame: surely (nine robust sigmas), or likely (2.5) when the star also
        left the shared motion and brightness of the frame by 5.5 sigmas of its own wandering in
        both. Hit too, on its flank, is a star that left both by 12 sigmas at once and became
        brighter.
        """
        known = np.isfinite(excess)
        if known.sum() < const.RAY_FEWEST:
            least = np.maximum(const.RAY_LONE_EXCESS, const.RAY_NOISE_SIGMAS * noise)
            with np.errstate(invalid="ignore"):
                alone = known & (excess > least)
            return cls(np.asarray(alone, dtype=bool), np.zeros(known.shape, dtype=bool))
        sharp = _in_sigmas(excess, known)
        if excess.shape[1] > 2:  # noqa: PLR2004 - of two stars neither is the odd one
            shared = masked_median(excess, known)[:, None]
            sharp = np.minimum(sharp, _in_sigmas(excess - shared, known))
        middle = median_of(excess[known])
        with np.errstate(invalid="ignore", divide="ignore"):
            brightness = np.log(flux_ratio)
        # A star that the frame's edge cuts is no measure of the others' place and flux.
        along_x, along_y, brighter, wider = (
            _apart_in_sigmas(np.where(known, value, np.nan))
            for value in (off_x_px, off_y_px, brightness, width_px)
        )
        strayed = np.square(along_x) + np.square(along_y)
        odd = strayed + np.square(brighter)
        flank = known & (strayed > const.RAY_FLANK_SIGMAS**2) & (brighter > const.RAY_FLANK_SIGMAS)
        with np.errstate(invalid="ignore"):
            hit = (sharp > const.RAY_LIKELY_SIGMAS) & (odd > const.RAY_ODD_SIGMAS**2)
            hit |= sharp > const.RAY_SURE_SIGMAS
            peaked = known & hit & (excess - middle > const.RAY_NOISE_SIGMAS * noise)
        hit_at_all = np.asarray(peaked | flank, dtype=bool)
        doubtful = (
            known
            & ~hit_at_all
            & (brighter > const.RAY_DOUBT_SIGMAS)
            & (wider > const.RAY_DOUBT_SIGMAS)
        )
        return cls(hit_at_all, np.asarray(doubtful, dtype=bool))

    def on_flanks(
        self,
        stamps: Callable[[IntArray, IntArray], ImageArray],
        flux_adu: FloatArray,
        noise: FloatArray,
        usual: BoolArray,
    ) -> BoolArray:
        """Say which doubtful samples show a pixel far sharper than the star usually does.

        `stamps`: gives those (m, size, size) of so many frames and stars; a strong hit matters as
        far as three windows from the star, so all pixels are looked at. `flux_adu`, `noise` (n, k):
        `noise` is that of a bright pixel less its four neighbours, in fluxes. `usual` (n, k):
        samples to judge by.
        """
        hit = np.zeros(self.doubtful.shape, dtype=bool)
        for star in np.flatnonzero(self.doubtful.any(axis=0)):
            own = np.flatnonzero(usual[:, star])
            if own.size < const.RAY_FEWEST // 2:
                continue
            own = own[:: max(1, own.size // (2 * const.RAY_FEWEST))]
            most = const.RAY_SHARPER * median_of(_sharpest(stamps(own, np.full(own.size, star))))
            rows = np.flatnonzero(self.doubtful[:, star])
            above = _sharpest(stamps(rows, np.full(rows.size, star))) - most
            hit[rows, star] = (
                above > const.RAY_NOISE_SIGMAS * noise[rows, star] * flux_adu[rows, star]
            )
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
    kernels("median").apart_in_sigmas(table, each, 1e-9 / const.SIGMA_PER_MAD, out)
    out /= const.SIGMA_PER_MAD
    return out


def _in_sigmas(values: FloatArray, known: BoolArray) -> FloatArray:
    """Return deviations in robust sigmas: of each star, or of all where the frames are few."""
    each = len(values) >= const.RAY_FEWEST
    table = np.ascontiguousarray(values.T if each else values.reshape(1, -1))
    out = np.empty_like(table)
    mask = np.ascontiguousarray(known.T if each else known.reshape(1, -1))
    kernels("median").in_sigmas(table, mask, 1e-9 / const.SIGMA_PER_MAD, out)
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
        per_frame = masked_median(ratio)
        per_frame = np.where(np.isfinite(per_frame), per_frame, 1.0)
    return np.where(known, per_star * per_frame[:, None], np.nan)


def peaks_and_excess(
    brightest: _Brightest,
    shapes: WindowedShapes,
    sky: FloatArray,
    variance: FloatArray,
    setup: WindowSetup,
    whole: BoolArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the brightest pixel near each centroid above the sky, its excess and the noise of it.

    The excess is by how much it exceeds the mean of its four neighbours more than the frame's stars
    do; it and its noise, (n, k), are in fluxes of the star. `whole` (n, k): stars without gaps: one
    that the frame's edge cuts says nothing of the others' shape, and has no excess.

    A badly sampled star is sharp when it sits on a pixel's centre and flat when it sits on a
    corner, and all stars are blurred alike when the telescope shakes. So what a Gaussian of the
    frame's median moments would show at the star's own place is taken off.
    """
    from blursplit.compiled.shape_kernels import sharpness

    at_x, at_y, top, around = brightest
    known = np.isfinite(shapes.x_px)
    peak = np.where(known, top - sky, np.nan)
    shape = whole.shape
    above = np.where(known, top - around, np.nan).reshape(shape)
    away = (at_x - shapes.x_px).reshape(shape), (at_y - shapes.y_px).reshape(shape)
    moments = tuple(
        np.where(whole, values.reshape(shape), np.nan)
        for values in (shapes.xx_px2, shapes.yy_px2, shapes.xy_px2)
    )
    flux, excess = shapes.flux_adu.reshape(shape), np.empty(shape)
    sharpness(above, away, flux, moments, excess)
    excess[~whole] = np.nan
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = np.sqrt(1.25 * (variance + np.maximum(peak, 0) / setup.gain_e_per_adu))
        noise = noise / shapes.flux_adu
    return peak, excess, noise.reshape(shape)


def brightest_near(
    stamps: ImageArray, x_px: FloatArray, y_px: FloatArray, setup: WindowSetup
) -> _Brightest:
    """Return x, y, height and neighbours' mean of the brightest pixel near each centroid."""
    m, size, _ = stamps.shape
    out = np.empty((4, m))
    kernels().brightest_pixels(flat_stamps(stamps), x_px, y_px, setup.brightest_reach(size), out)
    at_x, at_y, top, around = out
    return at_x, at_y, top, around


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
    n = pieces.shape[1]
    # Median of chi-square over its mean for n - 1 degrees of freedom (Wilson & Hilferty 1931).
    return np.ascontiguousarray(pieces), float(n / (n - 1) / (1 - 2 / (9 * n - 9)) ** 3)


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
    from scipy.ndimage import convolve

    finite, box = np.isfinite(stamps_adu), np.ones((1, 3, 3))
    total = convolve(np.where(finite, stamps_adu, 0), box, mode="constant")
    count = convolve(finite.astype(np.float32), box, mode="constant")
    near = np.where(count > 0, total / np.maximum(count, 1), sky_adu[:, None, None])
    return np.where(finite, stamps_adu, near).astype(np.float32)
