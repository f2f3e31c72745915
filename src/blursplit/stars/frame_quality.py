"""Which samples are that star, which frames show the field, which stars were entered twice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.stars.block import Block
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

    @classmethod
    def of(
        cls,
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

        `x_px`, `y_px` (n, k): where the stars were expected. `flux_adu` (k,). `inside` (n, k):
        stars that should lie within the frame. `tolerance_px`: how far a star may stray from the
        field. `jumped`: after a jump a lone star has to have its flux, as its place proves nothing.
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
        return cls(good, lost, shift_x, shift_y, transparency)
