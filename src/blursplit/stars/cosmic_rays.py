"""Cosmic rays on stars: told from speckles by the star's own habits and by its neighbours."""

from __future__ import annotations

import numpy as np

from blursplit.compiled import kernels
from blursplit.constants import (
    RAY_DOUBT_SIGMAS,
    RAY_FEWEST,
    RAY_FLANK_SIGMAS,
    RAY_LIKELY_SIGMAS,
    RAY_LONE_EXCESS,
    RAY_NOISE_SIGMAS,
    RAY_ODD_SIGMAS,
    RAY_SHARPER,
    RAY_SURE_SIGMAS,
    SIGMA_PER_MAD,
)
from blursplit.stars.centroid import WindowedShapes
from blursplit.stars.geometry import masked_median, median_of
from blursplit.types import BoolArray, FloatArray, ImageArray


def measure_excess(
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

    def of_frame(values: FloatArray) -> FloatArray:
        table = values.reshape(shape)
        return np.repeat(masked_median(table, np.isfinite(table)), shape[1])

    xx, yy, xy = of_frame(shapes.xx_px2), of_frame(shapes.yy_px2), of_frame(shapes.xy_px2)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        determinant = xx * yy - xy * xy

        def height(x: FloatArray, y: FloatArray) -> FloatArray:
            power = (x * x * yy + y * y * xx - 2.0 * x * y * xy) / determinant
            return np.asarray(np.exp(-0.5 * power), dtype=float)

        around = height(dx_px + 1, dy_px) + height(dx_px - 1, dy_px)
        around += height(dx_px, dy_px + 1) + height(dx_px, dy_px - 1)
        usual = (height(dx_px, dy_px) - 0.25 * around) / (2.0 * np.pi * np.sqrt(determinant))
        return (above_adu / shapes.flux_adu - usual).reshape(shape)


def find_spikes(
    excess: FloatArray,
    noise: FloatArray,
    off_x_px: FloatArray,
    off_y_px: FloatArray,
    flux_ratio: FloatArray,
    width_px: FloatArray,
) -> tuple[BoolArray, BoolArray]:
    """Say which samples were hit by a cosmic ray, and which may have been.

    `excess` (n, k): from `measure_excess`. `noise` (n, k): photon and read-out noise of `excess`.
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
    if known.sum() < RAY_FEWEST:
        with np.errstate(invalid="ignore"):
            alone = known & (excess > np.maximum(RAY_LONE_EXCESS, RAY_NOISE_SIGMAS * noise))
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
    strayed = np.hypot(along_x, along_y)
    odd = np.square(strayed) + np.square(brighter)
    flank = known & (strayed > RAY_FLANK_SIGMAS) & (brighter > RAY_FLANK_SIGMAS)
    with np.errstate(invalid="ignore"):
        hit = (sharp > RAY_SURE_SIGMAS) | ((sharp > RAY_LIKELY_SIGMAS) & (odd > RAY_ODD_SIGMAS**2))
        peaked = known & hit & (excess - middle > RAY_NOISE_SIGMAS * noise)
    hit_at_all = np.asarray(peaked | flank, dtype=bool)
    doubtful = known & ~hit_at_all & (brighter > RAY_DOUBT_SIGMAS) & (wider > RAY_DOUBT_SIGMAS)
    return hit_at_all, np.asarray(doubtful, dtype=bool)


def find_flank_hits(
    stamps: ImageArray,
    flux_adu: FloatArray,
    noise: FloatArray,
    doubtful: BoolArray,
    usual: BoolArray,
) -> BoolArray:
    """Say which doubtful samples show a pixel far sharper than the star usually does.

    `stamps` (n, k, size, size): a strong hit matters as far as three windows from the star, so all
    pixels are looked at. `flux_adu`, `noise` (n, k): `noise` is that of a bright pixel less its
    four neighbours, in fluxes. `doubtful`, `usual` (n, k): samples to judge, and samples to judge
    by.
    """
    hit = np.zeros(doubtful.shape, dtype=bool)
    for star in np.flatnonzero(doubtful.any(axis=0)):
        own = np.flatnonzero(usual[:, star])
        if own.size < RAY_FEWEST // 2:
            continue
        own = own[:: max(1, own.size // (2 * RAY_FEWEST))]
        most = RAY_SHARPER * median_of(_sharpest(stamps[own, star]))
        rows = np.flatnonzero(doubtful[:, star])
        above = _sharpest(stamps[rows, star]) - most
        hit[rows, star] = above > RAY_NOISE_SIGMAS * noise[rows, star] * flux_adu[rows, star]
    return hit


def _sharpest(stamps: ImageArray) -> FloatArray:
    """Return the most that a pixel exceeds the mean of its four neighbours, shape (m,)."""
    around = stamps[:, :-2, 1:-1] + stamps[:, 2:, 1:-1]
    around += stamps[:, 1:-1, :-2] + stamps[:, 1:-1, 2:]
    above = stamps[:, 1:-1, 1:-1] - np.float32(0.25) * around
    return np.asarray(np.fmax.reduce(above.reshape(len(stamps), -1), axis=1), dtype=float)


def _apart_in_sigmas(values: FloatArray) -> FloatArray:
    """Return how far each star is from the other stars of its frame, in its own usual sigmas."""
    seen = np.isfinite(values)
    apart = values - masked_median(values, seen)[:, None]
    return np.asarray(np.where(seen, _in_sigmas(apart, seen), 0.0))


def _in_sigmas(values: FloatArray, known: BoolArray) -> FloatArray:
    """Return deviations in robust sigmas: of each star, or of all where the frames are few."""
    each = len(values) >= RAY_FEWEST
    table = np.ascontiguousarray(values.T if each else values.reshape(1, -1))
    out = np.empty_like(table)
    mask = np.ascontiguousarray(known.T if each else known.reshape(1, -1))
    kernels().in_sigmas(table, mask, 1e-9 / SIGMA_PER_MAD, out)
    out /= SIGMA_PER_MAD
    return out.T if each else out.reshape(values.shape)
