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
    for place, second in enumerate(order.tolist()):
        for first in order[:place].tolist():
            both = good[:, first] & good[:, second]
            if twin[first] or not both.any():
                continue
            apart = np.hypot(
                x_px[both, first] - x_px[both, second], y_px[both, first] - y_px[both, second]
            )
            if np.median(apart) < ONE_PEAK_SIGMAS * sigma_px:
                twin[second] = True
                break
    return twin
