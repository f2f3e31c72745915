"""Star images added up again: as recorded, and with estimated motions shifted out.

Frames are shifted in Fourier space (no interpolation error) and added. Each image is the mean
over windows of the blur time, every window about its own mean place, and over the stamped stars.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

BATCH = 64  # frames at a time: their transforms stay in the processor's cache
MIN_FRAMES = 5
JACKKNIFE_BLOCKS = 8


@dataclass(frozen=True)
class Restack:
    """Mean star images, one a kind of reference.

    Parameters
    ----------
    images : dict of str to ndarray, shape (size, size)
        Sky removed, flux 1.
    blocks : dict of str to ndarray, shape (n_blocks, size, size)
        The same from disjoint stretches of time, for the sampling error.
    star_images : dict of str to ndarray, shape (n_stamps, size, size)
        The same star by star.
    frames : int
        Frames added.
    """

    images: dict[str, FloatArray]
    blocks: dict[str, FloatArray]
    star_images: dict[str, FloatArray]
    frames: int


def window_number(
    time_s: FloatArray, segment: NDArray[np.int64], length_s: float
) -> NDArray[np.int64]:
    """Return the number of the blur-time window of each frame.

    A remainder shorter than half a window joins the window before it.
    """
    out = np.zeros(len(time_s), dtype=np.int64)
    first = 0
    for s in np.unique(segment):
        rows = segment == s
        t = time_s[rows] - time_s[rows][0]
        n_windows = max(1, round(float(t[-1]) / length_s)) if length_s > 0 else 1
        out[rows] = first + np.minimum((t / max(length_s, 1e-9)).astype(np.int64), n_windows - 1)
        first += n_windows
    return out


def about_window_mean(values: FloatArray, window: NDArray[np.int64]) -> FloatArray:
    """Subtract from each column its mean over each window, ignoring NaN; shape (n, k)."""
    out = np.array(values, dtype=np.float64)
    _, number = np.unique(window, return_inverse=True)
    seen = np.isfinite(out)
    for k in range(out.shape[1]):
        known = seen[:, k]
        count = np.bincount(number[known], minlength=number.max(initial=-1) + 1)
        total = np.bincount(number[known], out[known, k], count.size)
        out[:, k] -= (total / np.maximum(count, 1))[number]
    return out


def restack(
    tracks: StarTracks,
    references: Mapping[str, FloatArray],
) -> Restack | None:
    """Add the stamps up, each frame shifted so that its reference falls on one place.

    Parameters
    ----------
    tracks : StarTracks
        With stamps.
    references : mapping of str to ndarray, shape (n_frames, n_stamps, 2)
        Place (x, y) in the frame [px] that is brought to the middle; NaN leaves the frame out.

    Returns
    -------
    Restack or None
        None without stamps or with fewer than five usable frames.
    """
    from scipy.fft import rfft2

    stamps = tracks.stamps
    if stamps is None or not len(stamps.star):
        return None
    size = stamps.pixels_adu.shape[-1]
    good = tracks.good[:, stamps.star]
    for reference in references.values():
        good = good & np.isfinite(reference).all(axis=2)
    if int(good.any(axis=1).sum()) < MIN_FRAMES:
        return None
    n_blocks = min(JACKKNIFE_BLOCKS, tracks.n_frames)
    block = (np.arange(tracks.n_frames) * n_blocks) // tracks.n_frames
    total = {
        name: np.zeros((n_blocks, len(stamps.star), size, size // 2 + 1), dtype=np.complex128)
        for name in references
    }
    middle = (size - 1) / 2.0
    order = np.rint(np.fft.fftfreq(size) * size).astype(np.int64)
    for k in range(len(stamps.star)):
        for rows, b in _batches(good[:, k], block):
            pixels = stamps.pixels_adu[rows, k].astype(np.float64)
            pixels -= stamps.sky_adu[rows, k, None, None]
            transform = rfft2(np.nan_to_num(pixels, copy=False))
            for name, reference in references.items():
                sx = reference[rows, k, 0] - stamps.x0_px[rows, k] - middle
                sy = reference[rows, k, 1] - stamps.y0_px[rows, k] - middle
                # Moving the reference to the middle is a shift by -s: phase +2 pi f s, by axes.
                shifted = transform * _phases(sx, size)[:, None, :]
                along_y = _phases(sy, size)[:, np.abs(order)]
                along_y = np.where(order < 0, along_y.conj(), along_y)
                # A product of matrices for each y adds the frames up.
                total[name][b, k] += (along_y.T[:, None] @ shifted.swapaxes(0, 1))[:, 0]
    return _to_images(total, size, int(good.any(axis=1).sum()))


def _phases(shift_px: FloatArray, size: int) -> NDArray[np.complex128]:
    """Return exp(2 pi i k s / size) of k = 0 to size / 2, shape (n, size // 2 + 1)."""
    turn = np.exp(2j * np.pi / size * shift_px)
    out = np.repeat(turn[:, None], size // 2 + 1, axis=1)
    out[:, 0] = 1.0
    # A power costs a product, which is a sixth of an exponential.
    np.multiply.accumulate(out, axis=1, out=out)
    return out


def _batches(good: BoolArray, block: NDArray[np.int64]) -> Iterator[tuple[NDArray[np.int64], int]]:
    """Yield the rows of some good frames at a time, all of one block, and its number."""
    for b in range(int(block[-1]) + 1):
        rows = np.flatnonzero(good & (block == b))
        for first in range(0, len(rows), BATCH):
            yield rows[first : first + BATCH], b


def _to_images(total: Mapping[str, NDArray[np.complex128]], size: int, frames: int) -> Restack:
    images, blocks, stars = {}, {}, {}
    for name, transform in total.items():
        flux = np.abs(transform.sum(axis=0)[:, 0, 0])
        flux[flux <= 0] = 1.0
        each = np.fft.irfft2(transform, s=(size, size))
        stars[name] = each.sum(axis=0) / flux[:, None, None]
        images[name] = stars[name].mean(axis=0)
        by_block = (each / flux[:, None, None]).sum(axis=1)
        level = by_block.sum(axis=(1, 2))
        full = level > 0
        blocks[name] = by_block[full] / level[full][:, None, None]
    return Restack(images, blocks, stars, frames)
