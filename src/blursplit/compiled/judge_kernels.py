"""What the stars of a frame say of each other, frame by frame, compiled like `stamp_kernels`.

`off_x`, `off_y`: where the stars are found against their expected places. `ratio`: their fluxes
over those expected. Each of shape (k,), as are the flags of the samples.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.compiled.median_kernels import keep, median_of
from blursplit.compiled.njit import exact


@exact
def judge_frames(
    off_x: Any,
    off_y: Any,
    ratio: Any,
    alive: Any,
    clean: Any,
    inside: Any,
    flux: Any,
    tolerance: float,
    range_alone: Any,
    good: Any,
    found: Any,
) -> None:
    """Write which samples (n, k) are good, and shifts and transparency of frames into (n, 3).

    `alive`, `inside`: of its caller. `clean`: alive, inside, neither saturated nor hit.
    `range_alone`: of the flux of a lone star. `found` is NaN where the field was not found.
    """
    n, k = good.shape
    usable, near = np.empty(k, dtype=np.bool_), np.empty(k, dtype=np.bool_)
    here, kept = np.empty(k, dtype=np.bool_), np.empty(k)
    for row in range(n):
        x, y, own = off_x[row], off_y[row], ratio[row]
        _choose(alive[row], clean[row], inside[row], usable)
        _gather(x, y, usable, tolerance, here, kept, near)
        _part_pair(own, usable, near)
        middle, alone = _middle(own, near, kept), _count(near) == 1
        for star in range(k):
            like = middle != 0 and 1.0 / const.FLUX_FACTOR < own[star] / middle < const.FLUX_FACTOR
            if alone:
                like = range_alone[0] < own[star] < range_alone[1]
            near[star] = near[star] and like
        many, wanted = _count(near), _count(inside[row])
        needed = max(1.0, math.ceil(const.NEEDED_SHARE * wanted))
        needed = max(needed, const.AGREEING_SHARE * _count(usable))
        lost = many < needed or _is_vanished(near, alive[row], inside[row], flux, many)
        shift_x, shift_y = _middle(x, near, kept), _middle(y, near, kept)
        if many <= const.PAIR and not lost:
            # Of two stars that agree, others that are clear and lie elsewhere are as good as gone.
            _within(x, y, shift_x, shift_y, tolerance + const.HIT_PULL_PX, alive[row], here)
            least = 1 if _disagree(own, near) else many
            lost = _is_vanished(near, here, inside[row], flux, least)
        found[row] = math.nan
        if not lost:
            found[row, 0], found[row, 1], found[row, 2] = shift_x, shift_y, middle
        for star in range(k):
            good[row, star] = near[star] and clean[row, star] and not lost


@exact
def _choose(alive: Any, clean: Any, inside: Any, usable: Any) -> None:
    """Write the clean samples; where there are none, saturated and hit ones tell the place."""
    some = _count(clean) > 0
    for star in range(usable.size):
        usable[star] = clean[star] if some else alive[star] and inside[star]


@exact
def _gather(
    x: Any, y: Any, usable: Any, tolerance: float, again: Any, kept: Any, near: Any
) -> None:
    """Write the samples that agree with the median offset of their frame."""
    for star in range(near.size):
        near[star] = usable[star]
    for _ in range(3):
        _within(x, y, _middle(x, near, kept), _middle(y, near, kept), tolerance, usable, again)
        changed = 0
        for star in range(near.size):
            changed += again[star] != near[star]
            near[star] = again[star]
        if not changed:
            break


@exact
def _part_pair(ratio: Any, usable: Any, near: Any) -> None:
    """Of two stars that disagree nobody is right, unless only one of them has its own flux."""
    many = _count(near)
    if _count(usable) != const.PAIR or many >= min(const.PAIR, near.size):
        return
    for star in range(near.size):
        away = abs(math.log(min(max(ratio[star], 1e-3), 1e3)))
        near[star] = usable[star] and away < math.log(1.5)
    if _count(near) != 1:
        for star in range(near.size):
            near[star] = False


@exact
def _within(x: Any, y: Any, to_x: float, to_y: float, reach: float, among: Any, out: Any) -> None:
    for star in range(out.size):
        off_x, off_y = x[star] - to_x, y[star] - to_y
        out[star] = among[star] and off_x * off_x + off_y * off_y <= reach * reach


@exact
def _middle(values: Any, mask: Any, kept: Any) -> float:
    return median_of(kept, keep(values, mask, kept))


@exact
def _count(mask: Any) -> int:
    n = 0
    for star in range(mask.size):
        n += mask[star]
    return n


@exact
def _is_vanished(near: Any, alive: Any, inside: Any, flux: Any, many: int) -> bool:
    """Return whether as many stars are missing as are there, though they should be as clear.

    A jump may put some stars where others were; those left without a star betray it.
    """
    faintest, missing = math.inf, 0
    for star in range(near.size):
        if near[star]:
            faintest = min(faintest, flux[star])
    for star in range(near.size):
        missing += inside[star] and flux[star] >= 0.5 * faintest and not alive[star]
    return _count(inside) > const.PAIR and missing >= many


@exact
def _disagree(ratio: Any, near: Any) -> bool:
    """Return whether the stars' fluxes part by more than scintillation lets two of them."""
    most, least = 0.0, math.inf
    for star in range(near.size):
        if near[star]:
            most, least = max(most, ratio[star]), min(least, ratio[star])
    return most > const.FLUX_FACTOR * least
