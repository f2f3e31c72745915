"""How far each frame lies off its expected place, told by the brightest stars."""

from __future__ import annotations

import numpy as np

from blursplit.constants import (
    FAST_GUIDES,
    GUIDE_FLUX_RANGE,
    GUIDE_SIGMAS,
    GUIDE_WIDTH_RANGE,
    GUIDES,
)
from blursplit.stars.geometry import masked_median
from blursplit.stars.pixels import measure_sky
from blursplit.types import FloatArray, ImageArray, IntArray

Shape = tuple[int, int]


def pick_guides(x_px: FloatArray, y_px: FloatArray, flux: FloatArray, shape: Shape) -> IntArray:
    """Return the brightest stars, those first that stay in the frame; x, y have shape (n, k)."""
    ny, nx = shape
    inside = (x_px > 0) & (x_px < nx - 1) & (y_px > 0) & (y_px < ny - 1)
    merit = flux * np.where(inside.all(axis=0), 1.0, 1e-6)
    return np.argsort(-merit, kind="stable")[:GUIDES].astype(np.int64)


def guess_offsets(
    cuts: ImageArray, at_x: FloatArray, at_y: FloatArray, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Guess how far each frame lies off its expected place, to about half a pixel.

    `cuts` (n, g, size, size): wide cut-outs of the brightest guide stars. `at_x`, `at_y` (n, g):
    where the stars were expected in them. `sigma`: star sigma [px].

    The sums along rows and columns, smoothed by the star's width, have their highest point at
    the star. The median of the stars' profiles is taken, so that a neighbour or a cosmic ray in
    one of them does no harm. What is guessed wrong shows when the stars are measured.
    """
    n, k, size, _ = cuts.shape
    x = np.arange(size)
    smooth = np.exp(-0.5 * ((x[:, None] - x) / sigma) ** 2).astype(np.float32)
    ones = np.ones(size, dtype=np.float32)
    flat = cuts if np.isfinite(cuts).all() else _without_gaps(cuts)
    offsets = []
    for along, at in ((np.matmul(ones, flat), at_x), (np.matmul(flat, ones), at_y)):
        # One product for all of them: a small one for each frame takes three times as long.
        height = (along.reshape(n * k, size) @ smooth).reshape(n, k, size)
        height -= height.mean(axis=-1, keepdims=True)
        top = np.maximum(height.max(axis=-1, keepdims=True), np.float32(1e-6))
        level = height / top
        offsets.append(_peak(_joined(level)) - at.mean(axis=1))
    return offsets[0], offsets[1]


def _joined(level: ImageArray) -> ImageArray:
    """Return the median over the stars, of shape (n, g, size), or the sum of one or two."""
    g = level.shape[1]
    if g <= 2:  # noqa: PLR2004 - of two profiles neither outvotes the other
        return np.asarray(level.sum(axis=1))
    if g > FAST_GUIDES:
        return np.asarray(np.median(level, axis=1))
    first, second, third = level[:, 0], level[:, 1], level[:, 2]
    return np.maximum(np.minimum(first, second), np.minimum(np.maximum(first, second), third))


def _peak(profile: ImageArray) -> FloatArray:
    """Return the place of the highest point of each row, refined by a parabola."""
    row = np.arange(len(profile))
    at = np.clip(profile.argmax(axis=1), 1, profile.shape[1] - 2)
    left, middle, right = (profile[row, at + i].astype(float) for i in (-1, 0, 1))
    curve = left - 2.0 * middle + right
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = np.where(curve < 0, 0.5 * (left - right) / curve, 0.0)
    return np.asarray(at + np.clip(fine, -0.5, 0.5), dtype=float)


def _without_gaps(cuts: ImageArray) -> ImageArray:
    known = np.isfinite(cuts)
    count = np.maximum(known.sum(axis=(2, 3), keepdims=True), 1)
    level = np.where(known, cuts, 0).sum(axis=(2, 3), keepdims=True) / count
    return np.where(known, cuts, level).astype(np.float32)


def find_doubtful(
    off_x: FloatArray, off_y: FloatArray, ratio: FloatArray, width: FloatArray, sigma: float
) -> IntArray:
    """Return the frames whose guide stars do not look like themselves at one common offset.

    `off_x`, `off_y` (n, g): where the guide stars were found against their expected places [px].
    `ratio`, `width` (n, g): flux and width over those expected. `sigma`: star sigma [px].
    """
    with np.errstate(invalid="ignore"):
        fits = (ratio > GUIDE_FLUX_RANGE[0]) & (ratio < GUIDE_FLUX_RANGE[1])
        fits &= (width > GUIDE_WIDTH_RANGE[0]) & (width < GUIDE_WIDTH_RANGE[1])
    middle_x, middle_y = masked_median(off_x, fits), masked_median(off_y, fits)
    with np.errstate(invalid="ignore"):
        far = np.hypot(off_x - middle_x[:, None], off_y - middle_y[:, None])
        agree = (fits & (far < GUIDE_SIGMAS * sigma + 1.0)).sum(axis=1)
    return np.flatnonzero(agree < max(1, (off_x.shape[1] + 1) // 2))


def vote_offsets(
    cuts: ImageArray, at_x: FloatArray, at_y: FloatArray, flux: FloatArray, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Return how far each frame lies off its expected place, all guide stars voting in 2-D.

    Slower than `guess_offsets`, and right where stars are faint or have neighbours.

    `cuts` (n, g, size, size). `at_x`, `at_y` (n, g). `flux` (g,).
    """
    sky, _ = measure_sky(cuts)
    voted_x, voted_y = _vote(cuts, sky, flux, sigma)
    half = (cuts.shape[-1] - 1) / 2
    off_x, off_y = voted_x + half - at_x.mean(axis=1), voted_y + half - at_y.mean(axis=1)
    return np.where(np.isfinite(off_x), off_x, 0.0), np.where(np.isfinite(off_y), off_y, 0.0)


def _vote(
    cuts: ImageArray, sky: FloatArray, flux: FloatArray, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Return offsets from the stamps' centres at which the stars together are likeliest."""
    n, _, size, _ = cuts.shape
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
