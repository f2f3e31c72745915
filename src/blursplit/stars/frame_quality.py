"""Which samples are that star, which frames show the field, which stars were entered twice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.stars.block import Block
from blursplit.stars.geometry import masked_median
from blursplit.types import BoolArray, FloatArray


@dataclass(frozen=True)
class FrameQuality:
    """What the group says of a block."""

    good: BoolArray  # (n, k)
    lost: BoolArray  # (n,): frames in which the field was not found
    # `shift_x`, `shift_y`: (n,): offset of the field from its expected place; NaN where lost.
    shift_x: FloatArray
    shift_y: FloatArray
    transparency: FloatArray  # (n,): flux against the expected one, median of the good stars

    def rows(self, which: slice) -> FrameQuality:
        """Return the quality on some of the frames."""
        return FrameQuality(
            self.good[which],
            self.lost[which],
            self.shift_x[which],
            self.shift_y[which],
            self.transparency[which],
        )


def judge_block(
    block: Block,
    x_px: FloatArray,
    y_px: FloatArray,
    flux_adu: FloatArray,
    inside: BoolArray,
    tolerance_px: float,
    *,
    jumped: bool = False,
) -> FrameQuality:
    """Check every sample of a block against the other stars of its frame.

    `x_px`, `y_px` (n, k): where the stars were expected. `flux_adu` (k,). `inside` (n, k): stars
    that should lie within the frame. `tolerance_px`: how far a star may stray from the field.
    `jumped`: after a jump a lone star has to have its flux, as its place proves nothing.
    """
    from blursplit.compiled.judge_kernels import judge_frames

    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = block.flux / flux_adu
    good, found = np.empty(inside.shape, dtype=bool), np.empty((len(inside), 3))
    judge_frames(
        block.x - x_px,
        block.y - y_px,
        ratio,
        block.alive,
        block.alive & inside & ~block.saturated & ~block.spiked,
        inside,
        flux_adu,
        tolerance_px,
        const.JUMPED_FLUX_RANGE if jumped else const.LONE_FLUX_RANGE,
        good,
        found,
    )
    shift_x, shift_y, transparency = np.ascontiguousarray(found.T)
    lost = np.asarray(np.isnan(shift_x), dtype=bool)
    return FrameQuality(good, lost, shift_x, shift_y, transparency)


def find_duplicates(
    x_px: FloatArray, y_px: FloatArray, good: BoolArray, sigma_px: float
) -> BoolArray:
    """Say which tracks follow a star that another track follows longer, shape (k,).

    `x_px`, `y_px` (n, k). `good` (n, k). `sigma_px`: one-axis sigma of a star.
    """
    seen = good.sum(axis=0)
    twin = np.zeros(seen.size, dtype=bool)
    order = np.argsort(-seen, kind="stable")
    near = _ever_near(x_px, good, const.ONE_PEAK_SIGMAS * sigma_px)
    near &= _ever_near(y_px, good, const.ONE_PEAK_SIGMAS * sigma_px)
    for place, second in enumerate(order.tolist()):
        for first in order[:place].tolist():
            if twin[first] or not near[first, second]:
                continue
            both = good[:, first] & good[:, second]
            apart = np.hypot(
                x_px[both, first] - x_px[both, second], y_px[both, first] - y_px[both, second]
            )
            if np.median(apart) < const.ONE_PEAK_SIGMAS * sigma_px:
                twin[second] = True
                break
    return twin


def _ever_near(at_px: FloatArray, good: BoolArray, limit_px: float) -> BoolArray:
    """Say which pairs may ever be near each other along one axis, shape (k, k).

    What all stars of a frame share is taken off: it changes no distance.
    """
    own = at_px - masked_median(at_px, good)[:, None]
    low, high = (
        edge(np.where(good, own, np.nan), axis=0) for edge in (np.fmin.reduce, np.fmax.reduce)
    )
    with np.errstate(invalid="ignore"):
        return np.asarray((low[:, None] < high + limit_px) & (low < high[:, None] + limit_px))
