"""Stars that were entered twice: two tracks that lie on one place are one star's."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

# Two equal Gaussians nearer than this have one peak, so no two centroids can be two stars.
ONE_PEAK_SIGMAS = 2.0


def twins(x_px: FloatArray, y_px: FloatArray, good: BoolArray, sigma_px: float) -> BoolArray:
    """Say which tracks follow a star that another track follows longer, shape (k,).

    Parameters
    ----------
    x_px, y_px : ndarray, shape (n, k)
    good : ndarray of bool, shape (n, k)
    sigma_px : float
        One-axis sigma of a star.
    """
    seen = good.sum(axis=0)
    twin = np.zeros(seen.size, dtype=bool)
    order = np.argsort(-seen, kind="stable")
    near = _often_near(x_px, y_px, good, ONE_PEAK_SIGMAS * sigma_px)
    for place, second in enumerate(order.tolist()):
        for first in order[:place].tolist():
            if twin[first] or not near[first, second]:
                continue
            both = good[:, first] & good[:, second]
            apart = np.hypot(
                x_px[both, first] - x_px[both, second], y_px[both, first] - y_px[both, second]
            )
            if np.median(apart) < ONE_PEAK_SIGMAS * sigma_px:
                twin[second] = True
                break
    return twin


def _often_near(x_px: FloatArray, y_px: FloatArray, good: BoolArray, limit_px: float) -> BoolArray:
    """Say which pairs are near each other in half of their common frames, shape (k, k)."""
    x, y = np.where(good, x_px, np.nan), np.where(good, y_px, np.nan)
    near = np.zeros((x.shape[1],) * 2, dtype=bool)
    for star in range(1, len(near)):
        with np.errstate(invalid="ignore"):
            close = np.square(x[:, :star] - x[:, star : star + 1])
            close += np.square(y[:, :star] - y[:, star : star + 1])
            often = 2 * (close < limit_px**2).sum(axis=0)
        together = (good[:, :star] & good[:, star : star + 1]).sum(axis=0)
        near[star, :star] = near[:star, star] = (together > 0) & (often >= together - 1)
    return near
