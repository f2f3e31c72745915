"""Finding the two images of each star behind a mask with two openings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]


def find_mask_pairs(
    x_px: FloatArray,
    y_px: FloatArray,
    split_px: float,
    *,
    angle_deg: float | None = None,
    tolerance: float = 0.1,
) -> list[tuple[int, int]]:
    """Return the pairs of tracks that are two images of one star.

    Parameters
    ----------
    x_px, y_px : ndarray, shape (n_frames, n_stars)
        Tracks, NaN where lost.
    split_px : float
        Distance of the two images [px].
    angle_deg : float, optional
        Direction from one image to the other, axial, from +x toward +y; any by default.
    tolerance : float
        Allowed departure of the separation, as a share of `split_px`; the angle may depart by
        the same number of radians.

    Returns
    -------
    list of (int, int)
        Columns, each used once, the closest matches first; in each pair the image that lies
        farther toward +x (or +y when both are equal) is second.
    """
    mean_x, mean_y = np.nanmedian(x_px, axis=0), np.nanmedian(y_px, axis=0)
    dx, dy = np.subtract.outer(mean_x, mean_x).T, np.subtract.outer(mean_y, mean_y).T
    departure = np.abs(np.hypot(dx, dy) / split_px - 1.0)
    if angle_deg is not None:
        turn = np.arctan2(dy, dx) - np.radians(angle_deg)
        turn = np.abs((turn + 0.5 * np.pi) % np.pi - 0.5 * np.pi)
        departure = np.maximum(departure, turn)
    departure[np.tril_indices(departure.shape[0])] = np.inf
    pairs: list[tuple[int, int]] = []
    used: set[int] = set()
    for flat in np.argsort(departure, axis=None).tolist():
        first, second = divmod(flat, departure.shape[1])
        if not departure[first, second] <= tolerance:
            break
        if used & {first, second}:
            continue
        used |= {first, second}
        is_ordered = (dx[first, second], dy[first, second]) > (0.0, 0.0)
        pairs.append((first, second) if is_ordered else (second, first))
    return pairs
