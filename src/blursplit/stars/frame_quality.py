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
    alive = block.alive & inside & ~block.saturated & ~block.spiked
    # Saturated and hit stars still tell where the field is, when nothing better does.
    some = np.asarray(alive.any(axis=1), dtype=bool)
    usable = np.where(some[:, None], alive, block.alive & inside)
    off_x, off_y = block.x - x_px, block.y - y_px
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = block.flux / flux_adu
    near = _near_group(off_x, off_y, usable, ratio, tolerance_px)
    transparency = masked_median(ratio, near)
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = ratio / transparency[:, None]
        like = (relative > 1.0 / const.FLUX_FACTOR) & (relative < const.FLUX_FACTOR)
        if flux_adu.size == 1:
            low, high = const.JUMPED_FLUX_RANGE if jumped else const.LONE_FLUX_RANGE
            like = (ratio > low) & (ratio < high)
    near &= like
    needed = np.maximum(1, np.ceil(const.NEEDED_SHARE * inside.sum(axis=1)))
    needed = np.maximum(needed, const.AGREEING_SHARE * usable.sum(axis=1))
    lost = np.asarray(near.sum(axis=1) < needed, dtype=bool)
    lost |= _half_vanished(near, block.alive, inside, flux_adu)
    # Of two stars that agree, others that are clear and lie elsewhere are as good as missing.
    with np.errstate(invalid="ignore"):
        far_x = off_x - masked_median(off_x, near)[:, None]
        far_y = off_y - masked_median(off_y, near)[:, None]
        here = block.alive & (np.hypot(far_x, far_y) <= tolerance_px + const.HIT_PULL_PX)
    few = near.sum(axis=1) <= const.PAIR
    lost |= few & _half_vanished(near, here, inside, flux_adu, _disagree(near, ratio))
    good = near & alive & ~lost[:, None]
    shift_x, shift_y = masked_median(off_x, near), masked_median(off_y, near)
    shift_x[lost] = shift_y[lost] = np.nan
    transparency = np.where(lost, np.nan, transparency)
    return FrameQuality(good, lost, shift_x, shift_y, transparency)


def _half_vanished(
    near: BoolArray,
    alive: BoolArray,
    inside: BoolArray,
    flux_adu: FloatArray,
    doubtful: BoolArray | None = None,
) -> BoolArray:
    """Say in which frames as many stars are missing as are there, though they should be as clear.

    A jump may put some stars where others were; those left without a star betray it. One of
    them does where those that are there are `doubtful` themselves.
    """
    faintest = np.where(near, flux_adu, np.inf).min(axis=1)
    clear = inside & (flux_adu >= 0.5 * faintest[:, None])
    missing = clear & ~alive
    many = near.sum(axis=1) if doubtful is None else np.where(doubtful, 1, near.sum(axis=1))
    return np.asarray((inside.sum(axis=1) > const.PAIR) & (missing.sum(axis=1) >= many), dtype=bool)


def _disagree(near: BoolArray, ratio: FloatArray) -> BoolArray:
    """Say in which frames the stars' fluxes part by more than scintillation lets two of them."""
    with np.errstate(invalid="ignore"):
        most = np.where(near, ratio, 0.0).max(axis=1)
        least = np.where(near, ratio, np.inf).min(axis=1)
    return np.asarray(most > const.FLUX_FACTOR * least, dtype=bool)


def _near_group(
    off_x: FloatArray, off_y: FloatArray, usable: BoolArray, ratio: FloatArray, tolerance: float
) -> BoolArray:
    """Keep the samples that agree with the median offset of their frame."""
    near = usable.copy()
    for _ in range(3):
        middle_x, middle_y = masked_median(off_x, near), masked_median(off_y, near)
        with np.errstate(invalid="ignore"):
            distance = np.hypot(off_x - middle_x[:, None], off_y - middle_y[:, None])
            again = usable & (distance <= tolerance)
        if (again == near).all():
            break
        near = again
    # Two stars that disagree: nobody is right, unless only one of them has its own flux.
    two = (usable.sum(axis=1) == const.PAIR) & ~near.all(axis=1) & (near.sum(axis=1) < const.PAIR)
    if two.any():
        fits = usable & (np.abs(np.log(np.clip(ratio, 1e-3, 1e3))) < np.log(1.5))
        one = fits.sum(axis=1) == 1
        near[two] = False
        near[two & one] = fits[two & one]
    return near


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
