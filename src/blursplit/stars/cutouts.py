"""The cut-outs that are kept: which stars, how large, and how many fit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blursplit.constants import ISOLATED_SHARE, LARGEST_STAMP, SMALLEST_STAMP, STAMPS_MOST_BYTES
from blursplit.stars.block import Block
from blursplit.stars.detect import Field
from blursplit.stars.tracks import Stamps
from blursplit.types import BoolArray, IntArray


def stamp_size(sigma_px: float) -> int:
    """Return the width of the stamps to keep: 4.5 star sigmas and 4 pixels to each side, odd."""
    size = 2 * int(np.ceil(4.5 * sigma_px)) + 9
    return int(np.clip(size, SMALLEST_STAMP, LARGEST_STAMP))


def pick_stamp_stars(field: Field, size: int, most: int) -> IntArray:
    """Return the stars to keep stamps of: bright, alone in their stamp, away from the edge."""
    ny, nx = field.image_adu.shape
    pattern = field.pattern
    alone = np.ones(field.x_px.size, dtype=bool)
    for i, (x, y) in enumerate(zip(field.x_px, field.y_px, strict=True)):
        far = np.maximum(np.abs(pattern.x_px - x), np.abs(pattern.y_px - y))
        own = pattern.height_adu[np.argmin(far)]
        near = (far > field.sigma_px) & (far < size // 2 + 1)
        alone[i] = not bool((pattern.height_adu[near] > ISOLATED_SHARE * own).any())
    edge = np.minimum.reduce(
        [field.x_px, field.y_px, nx - 1 - field.x_px, ny - 1 - field.y_px]
    ) / min(nx, ny)
    # A star that a drift may carry out of the frame counts less, one with company far less.
    merit = field.flux_adu * np.clip(edge / 0.1, 0.2, 1.0) * np.where(alone, 1.0, 0.05)
    return np.sort(np.argsort(-merit, kind="stable")[:most]).astype(np.int64)


class StampBook:
    """Collects stamps while the stars are followed.

    Parameters
    ----------
    size : int
        Width of a stamp, odd.
    n_frames, most : int
        Keep at most `most` stars, fewer where all their stamps would exceed 150 MB; one star is
        always kept.
    """

    def __init__(self, field: Field, size: int, n_frames: int, most: int) -> None:
        one_star = 4 * size * size * max(n_frames, 1)
        fits = max(1, STAMPS_MOST_BYTES // one_star)
        self.fewer = min(most, field.x_px.size) > fits
        self.star = pick_stamp_stars(field, size, min(most, fits))
        k = self.star.size
        self.pixels = np.full((n_frames, k, size, size), np.nan, dtype=np.float32)
        self.x0 = np.zeros((n_frames, k), dtype=np.int64)
        self.y0 = np.zeros((n_frames, k), dtype=np.int64)
        self.sky = np.full((n_frames, k), np.nan)

    def keep(self, start: int, block: Block, lost: BoolArray) -> None:
        """Take the stamps of a block, centred on the stars to the pixel; lost frames stay NaN."""
        size, wide = self.pixels.shape[-1], block.cuts.shape[-1]
        rows = np.flatnonzero(~lost)
        for column, star in enumerate(self.star):
            x, y = block.x[rows, star], block.y[rows, star]
            from_x = _inside(x - block.x0[rows, star], size, wide)
            from_y = _inside(y - block.y0[rows, star], size, wide)
            if size <= wide:
                view = np.lib.stride_tricks.sliding_window_view(
                    block.cuts[:, star], (size, size), axis=(1, 2)
                )
                self.pixels[start + rows, column] = view[rows, from_y, from_x]
            else:
                gap = (size - wide) // 2
                self.pixels[start + rows, column, gap : gap + wide, gap : gap + wide] = block.cuts[
                    rows, star
                ]
                from_x = from_y = np.full(rows.size, -gap)
            self.x0[start + rows, column] = block.x0[rows, star] + from_x
            self.y0[start + rows, column] = block.y0[rows, star] + from_y
            self.sky[start + rows, column] = block.sky[rows, star]

    def stamps(self, rows: IntArray, column_of: dict[int, int]) -> Stamps | None:
        """Return the stamps of some frames; `column_of` maps a star to its column in the tracks."""
        kept = [i for i, star in enumerate(self.star) if int(star) in column_of]
        if not kept:
            return None
        every = rows.size == len(self.pixels) and len(kept) == self.star.size
        return Stamps(
            star=np.array([column_of[int(self.star[i])] for i in kept], dtype=np.int64),
            pixels_adu=self.pixels if every else self.pixels[rows][:, kept],
            x0_px=self.x0[rows][:, kept],
            y0_px=self.y0[rows][:, kept],
            sky_adu=self.sky[rows][:, kept],
        )


def _inside(centre: NDArray[np.float64], size: int, wide: int) -> IntArray:
    """Return where a stamp about `centre` begins, kept within a cut of width `wide`."""
    middle = np.where(np.isfinite(centre), centre, wide // 2)
    begin = np.rint(middle).astype(np.int64) - size // 2
    return np.clip(begin, 0, max(wide - size, 0))
