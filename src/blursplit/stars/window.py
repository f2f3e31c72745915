"""The Gaussian window brought to its own centroid, for many stamps at once.

The windows at all positions within reach span a space of about ten dimensions. So a stamp is
first projected on a basis of that space (two matrix products, the only time its pixels are
touched) and every further step works on the small projection.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from blursplit.constants import (
    BASIS_PRECISION,
    FLATTEST,
    FULL_WINDOWS,
    WINDOW_LAST_STEP_PX,
    WINDOW_MOST_STEPS,
    WINDOW_OVER_SIGMA,
    WINDOW_TOLERANCE_PX,
)
from blursplit.types import BoolArray, FloatArray, ImageArray

PLAIN_GAIN = 1.0 + 1.0 / WINDOW_OVER_SIGMA**2
# What the compiled twin of `settle` goes by.
SETTLING = (WINDOW_MOST_STEPS, WINDOW_TOLERANCE_PX, WINDOW_LAST_STEP_PX, PLAIN_GAIN, FLATTEST)


@lru_cache(maxsize=32)
def window_basis(size: int, window_px: float, reach_px: float) -> tuple[ImageArray, int]:
    """Return an orthonormal basis of all windows within reach and of their moments.

    Parameters
    ----------
    size : int
        Width of the stamps.
    reach_px : float
        How far from the stamp's centre the window may go.

    Returns
    -------
    basis : ndarray of float32, shape (size, n)
    lead : int
        So many pixels at either edge are touched by no window within reach: zero.
    """
    half = (size - 1) / 2
    lead = max(0, int(np.floor(half - reach_px - FULL_WINDOWS * window_px)))
    x = np.arange(lead, size - lead, dtype=float)
    dx = (x[:, None] - half - np.linspace(-reach_px, reach_px, 4 * size)) / window_px
    w = np.exp(-0.5 * dx**2)
    left, values, _ = np.linalg.svd(np.hstack([w, w * dx, w * dx**2]), full_matrices=False)
    basis = left[:, values > BASIS_PRECISION * values[0]]
    return np.pad(basis, ((lead, lead), (0, 0))).astype(np.float32), lead


def compress(stamps: ImageArray, sky: FloatArray, basis: ImageArray) -> ImageArray:
    """Project stamps less sky on the basis: shape (n, n, m), the stamp's number last."""
    m, size, _ = stamps.shape
    n = basis.shape[1]
    # Transposed products keep the rows contiguous for the second one without a copy.
    along_x = basis.T @ stamps.reshape(m * size, size).T
    both = along_x.reshape(n * m, size) @ basis
    small = np.ascontiguousarray(both.reshape(n, m, n).transpose(2, 0, 1), dtype=np.float32)
    ones = basis.sum(axis=0)
    small -= np.outer(ones, ones)[:, :, None] * sky.astype(np.float32)
    return small


def _windows(basis: ImageArray, window: float, centre: FloatArray, orders: int) -> list[ImageArray]:
    """Return the window and its first moments about `centre` in the basis, each (n, m)."""
    position = np.arange(basis.shape[0], dtype=np.float32)
    dx = position[:, None] - centre.astype(np.float32)
    w = np.exp(dx * dx * np.float32(-0.5 / window**2))
    out = [basis.T @ w]
    for _ in range(orders):
        w *= dx
        out.append(basis.T @ w)
    return out


def _moments(
    small: ImageArray,
    basis: ImageArray,
    window: float,
    x: FloatArray,
    y: FloatArray,
    *,
    first: bool,
) -> FloatArray:
    """Return core, mean x, mean y, mean xx, yy and xy about (x, y), shape (6, m).

    The first step needs no second moments; they are NaN then.
    """
    orders = 1 if first else 2
    both = _windows(basis, window, np.concatenate([x, y]), orders)
    along_x, along_y = [w[:, : x.size] for w in both], [w[:, x.size :] for w in both]
    over_x = [np.einsum("ijm,jm->im", small, wx) for wx in along_x]
    pairs = ((0, 0), (1, 0), (0, 1)) if first else ((0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1))
    out = np.full((6, x.size), np.nan)
    for row, (i, j) in zip(out, pairs, strict=False):
        row[:] = np.einsum("im,im->m", over_x[i], along_y[j])
    with np.errstate(divide="ignore", invalid="ignore"):
        out[1 : len(pairs)] /= out[0]
    return out


def _step(
    moments: FloatArray, window: float, *, first: bool
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return the next step of each stamp, and whether it is Newton's.

    It is else that of a star of the run's own width.
    """
    _, mean_x, mean_y, xx, yy, xy = moments
    if first:
        return PLAIN_GAIN * mean_x, PLAIN_GAIN * mean_y, np.zeros(mean_x.shape, dtype=bool)
    a, b, c = 1.0 - xx / window**2, 1.0 - yy / window**2, -xy / window**2
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = a * b - c * c
        credible = (a > FLATTEST) & (b > FLATTEST) & (determinant > FLATTEST * np.fmin(a, b))
        step_x = np.where(credible, (b * mean_x - c * mean_y) / determinant, PLAIN_GAIN * mean_x)
        step_y = np.where(credible, (a * mean_y - c * mean_x) / determinant, PLAIN_GAIN * mean_y)
    return step_x, step_y, credible


def settle(
    small: ImageArray,
    basis: ImageArray,
    window: float,
    start_x: FloatArray,
    start_y: FloatArray,
    reach: float,
    darkest: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Bring the window of each stamp to its own centroid.

    Parameters
    ----------
    small : ndarray, shape (n, n, m)
        From `compress`.
    basis : ndarray, shape (size, n)
    window, reach : float
        As given to `window_basis`.
    start_x, start_y : ndarray, shape (m,)
    darkest : ndarray, shape (m,)
        Light under the window that may be rounding alone.

    Returns
    -------
    x, y : ndarray, shape (m,)
        NaN where the iteration leaves its reach, finds no light or does not converge.
    moments : ndarray, shape (6, m)
        Core, then mean x, y, xx, yy and xy under the window about (x, y).
    """
    half = (basis.shape[0] - 1) / 2
    x, y = start_x.copy(), start_y.copy()
    settled = np.zeros(x.shape, dtype=bool)
    kept = np.full((6, x.size), np.nan)
    active = np.arange(x.size)
    part, at_x, at_y = small, start_x, start_y
    for count in range(WINDOW_MOST_STEPS):
        moments = _moments(part, basis, window, at_x, at_y, first=count == 0)
        step_x, step_y, newton = _step(moments, window, first=count == 0)
        size = np.maximum(np.abs(step_x), np.abs(step_y))
        # A step beyond the window's own size means that the light lies elsewhere.
        at_x = at_x + np.clip(step_x, -2 * window, 2 * window)
        at_y = at_y + np.clip(step_y, -2 * window, 2 * window)
        inside = np.maximum(np.abs(at_x - half), np.abs(at_y - half)) < reach
        inside &= moments[0] > darkest[active]
        done = (
            inside
            & (count > 0)
            & (size < np.where(newton, WINDOW_LAST_STEP_PX, WINDOW_TOLERANCE_PX))
        )
        if active.size == x.size and done.all():
            return at_x, at_y, moments
        found = active[done]
        settled[found] = True
        x[found], y[found], kept[:, found] = at_x[done], at_y[done], moments[:, done]
        keep = np.flatnonzero(inside & ~done)
        if keep.size == 0:
            break
        if keep.size < active.size:
            active, at_x, at_y = active[keep], at_x[keep], at_y[keep]
            part = part.take(keep, axis=2)
    return np.where(settled, x, np.nan), np.where(settled, y, np.nan), kept
