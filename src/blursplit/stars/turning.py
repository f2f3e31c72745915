"""How a field is turned and scaled in a stretch of frames, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.stars.geometry import fit_turn_and_scale, masked_columns, offsets_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

SMALLEST_FIT = 3  # two stars cannot be checked by a third


@dataclass(frozen=True)
class Turning:
    """Turn and scale that a stretch of frames adds to those assumed.

    Parameters
    ----------
    turn_deg : float
        From +x toward +y.
    error_deg : float
        Its standard error.
    scale : float
        Relative change of scale.
    spread_px : float
        By how much stars stray from the field, one axis.
    """

    turn_deg: float
    error_deg: float
    scale: float
    spread_px: float


def fit_turning(
    x_px: FloatArray, y_px: FloatArray, off_x_px: FloatArray, off_y_px: FloatArray, good: BoolArray
) -> Turning | None:
    """Fit turn and scale to the medians of where stars lie off their places, or return None.

    Parameters
    ----------
    x_px, y_px : ndarray, shape (k,)
        Places of the stars about the centre of the frame.
    off_x_px, off_y_px : ndarray, shape (n, k)
        Where each was found against its expected place.
    good : ndarray of bool, shape (n, k)

    Notes
    -----
    Stars at distances r from their common centre whose places each have the error s tell the
    turn to s / sqrt(sum r^2). A median of n places that scatter by s_1 has 1.25 s_1 / sqrt(n);
    the air lasts from frame to frame, which leaves n (1 - c) / (1 + c) frames of their own, with
    c the correlation of neighbours (Bayley and Hammersley 1946).
    """
    dx, dy = masked_columns(off_x_px, good), masked_columns(off_y_px, good)
    used = np.isfinite(dx) & np.isfinite(dy)
    if used.sum() < SMALLEST_FIT:
        return None
    fitted = fit_turn_and_scale(x_px[used], y_px[used], dx[used], dy[used])
    left = np.concatenate([dx[used], dy[used]])
    left = left - offsets_of(x_px[used], y_px[used], *fitted)
    scatter = np.concatenate([np.abs(off_x_px - dx)[good], np.abs(off_y_px - dy)[good]])
    usual = float(np.median(scatter))
    kept = np.where(good, off_x_px - dx, np.nan), np.where(good, off_y_px - dy, np.nan)
    frames = good[:, used].sum(axis=0) * _own_share(*kept)
    square = np.square(x_px[used] - x_px[used].mean()) + np.square(y_px[used] - y_px[used].mean())
    weight = float((square * frames).sum())
    error = 1.25 * 1.4826 * usual / np.sqrt(weight) if weight > 0 else np.inf
    return Turning(
        turn_deg=fitted[0],
        error_deg=float(np.rad2deg(error)),
        scale=fitted[1],
        spread_px=1.4826 * float(np.hypot(usual, np.median(np.abs(left)))),
    )


def _own_share(*offsets_px: FloatArray) -> float:
    """Return the share of frames that are as good as independent, from neighbours' correlation."""
    together = sum(float(np.nansum(off[1:] * off[:-1])) for off in offsets_px)
    alone = sum(float(np.nansum(np.square(off))) for off in offsets_px)
    shared = float(np.clip(together / alone, 0.0, 0.99)) if alone > 0 else 0.0
    return (1.0 - shared) / (1.0 + shared)


def nearest_turn_deg(turn_deg: FloatArray | float, to_deg: FloatArray | float) -> FloatArray:
    """Return turns by whole turns nearest to another: -0.1 rather than 359.9 to 0."""
    turn = np.asarray(turn_deg, dtype=float)
    return np.asarray(turn - 360.0 * np.round((turn - to_deg) / 360.0), dtype=float)
