"""The sky about a star, and pixels that are missing."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    BoolArray = NDArray[np.bool_]
    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    Stack = NDArray[np.float32]

PIECES = 12
DARK_SHARE = 0.2
CHUNK = 512  # stamps at a time: their pixels stay in the processor's cache


def measure_sky(stamps_adu: Stack, border_px: int = 2) -> tuple[FloatArray, FloatArray]:
    """Return local sky level and pixel variance from the border of each stamp.

    Parameters
    ----------
    stamps_adu : ndarray of float32, shape (..., size, size)
    border_px : int
        Width of the border.

    Returns
    -------
    sky_adu, variance_adu2 : ndarray, shape (...)
        Medians of twelve pieces of the border, so that a neighbour, a cosmic ray or a masked
        corner in a minority of them does no harm. NaN where no border pixel is finite.
    """
    size = stamps_adu.shape[-1]
    lead = stamps_adu.shape[:-2]
    flat = stamps_adu.reshape(-1, size * size)
    places, joined = _border(size, border_px)
    even = joined.mean(axis=1, keepdims=True)
    sky = np.empty(len(flat))
    variance = np.empty(len(flat))
    for i in range(0, len(flat), CHUNK):
        part = slice(i, i + CHUNK)
        pixels = flat[part].take(places, axis=1)
        guess = pixels @ even
        if not np.isfinite(guess).all():
            sky[part], variance[part] = _with_gaps(pixels)
            continue
        pixels -= guess  # squares of the level itself would not fit into 24 bits
        mean = pixels @ joined
        spread = np.square(pixels) @ joined - np.square(mean)
        sky[part] = guess[:, 0] + _middle(mean)
        variance[part] = _middle(spread)
    variance *= _of_few(places.size // PIECES)
    return sky.reshape(lead), variance.reshape(lead)


def border_places(size: int, border_px: int = 2) -> tuple[IntArray, float]:
    """Return the pixels of the border's twelve pieces and the factor of their median variance."""
    places = _border(size, border_px)[0].astype(np.int64).reshape(PIECES, -1)
    return places, _of_few(places.shape[1])


def _of_few(n: int) -> float:
    # Median of chi-square over its mean for n - 1 degrees of freedom (Wilson & Hilferty 1931).
    return float(n / (n - 1) / (1 - 2 / (9 * n - 9)) ** 3)


@lru_cache(maxsize=32)
def _border(size: int, b: int) -> tuple[NDArray[np.intp], Stack]:
    """Return the pixels of the twelve pieces, and the matrix that averages each of them."""
    third = (size - b) // 3
    number = np.arange(size * size).reshape(size, size)
    sides = (
        number[:b, : 3 * third],
        number[-b:, size - 3 * third :],
        number[size - 3 * third :, :b].T,
        number[: 3 * third, -b:].T,
    )
    pieces = np.concatenate([s.reshape(b, 3, third).swapaxes(0, 1).reshape(3, -1) for s in sides])
    n = pieces.shape[1]
    joined = np.repeat(np.eye(PIECES, dtype=np.float32), n, axis=0) / np.float32(n)
    return pieces.ravel(), joined


def _middle(pieces: Stack) -> Stack:
    ordered = np.sort(pieces, axis=1)
    return np.asarray(0.5 * (ordered[:, PIECES // 2 - 1] + ordered[:, PIECES // 2]))


def _with_gaps(pixels: Stack) -> tuple[Stack, Stack]:
    pieces = pixels.reshape(len(pixels), PIECES, -1)
    finite = np.isfinite(pieces)
    mean = _nanmean(pieces, finite)
    spread = _nanmean(np.square(pieces - mean[..., None]), finite)
    return _nanmedian(mean), _nanmedian(spread)


def _nanmean(values: Stack, finite: NDArray[np.bool_]) -> Stack:
    count = finite.sum(axis=-1)
    total = np.where(finite, values, 0).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)


def _nanmedian(values: Stack) -> Stack:
    empty = np.asarray(np.isnan(values).all(axis=1))
    filled = np.where(empty[:, None], 0, values)
    return np.where(empty, np.nan, np.nanmedian(filled, axis=1))


def complete_sky(stamps_adu: Stack, sky_adu: FloatArray, variance_adu2: FloatArray) -> BoolArray:
    """Take the sky of stamps without any border pixel from the darkest fifth of their pixels.

    A frame's corner, or an image hardly larger than the star, leaves no border. Works in place.

    Parameters
    ----------
    stamps_adu : ndarray of float32, shape (m, size, size)
    sky_adu, variance_adu2 : ndarray, shape (m,)
        From `measure_sky`.

    Returns
    -------
    ndarray of bool, shape (m,)
        Which stamps hold no pixel at all.
    """
    empty = ~np.isfinite(sky_adu)
    for i in np.flatnonzero(empty):
        pixels = stamps_adu[i][np.isfinite(stamps_adu[i])]
        if pixels.size:
            sky_adu[i] = np.quantile(pixels, DARK_SHARE)
            # What scatters below the level is no star.
            below = pixels[pixels <= sky_adu[i]] - sky_adu[i]
            variance_adu2[i] = np.mean(np.square(below))
            empty[i] = False
    return empty


def fill_gaps(stamps_adu: Stack, sky_adu: FloatArray) -> Stack:
    """Return the stamps with NaN pixels replaced by the mean of their finite neighbours.

    Parameters
    ----------
    stamps_adu : ndarray of float32, shape (m, size, size)
    sky_adu : ndarray, shape (m,)
        Used where no neighbour within one pixel is finite.
    """
    finite = np.isfinite(stamps_adu)
    values = np.pad(np.where(finite, stamps_adu, 0), ((0, 0), (1, 1), (1, 1)))
    weight = np.pad(finite.astype(np.float32), ((0, 0), (1, 1), (1, 1)))
    size = stamps_adu.shape[-1]
    total = np.zeros_like(stamps_adu)
    count = np.zeros_like(stamps_adu)
    for dy in range(3):
        for dx in range(3):
            total += values[:, dy : dy + size, dx : dx + size]
            count += weight[:, dy : dy + size, dx : dx + size]
    near = np.where(count > 0, total / np.maximum(count, 1), sky_adu[:, None, None])
    return np.where(finite, stamps_adu, near).astype(np.float32)
