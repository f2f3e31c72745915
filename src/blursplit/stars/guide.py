"""How far each frame lies off its expected place, told by the brightest stars."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.stars.centroid import measure_windowed
from blursplit.stars.geometry import masked_median

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.stars.recipe import Recipe

    FloatArray = NDArray[np.float64]
    Stack = NDArray[np.float32]

GUIDES = 5
# Guide stars agree when their offsets lie within this many star sigmas of their median.
GUIDE_SIGMAS = 2.0
FLUX_RANGE = (0.1, 4.0)
WIDTH_RANGE = (0.45, 2.5)


def find_offsets(
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
