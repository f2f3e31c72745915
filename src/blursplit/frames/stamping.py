"""Stored numbers turned into ADU, and stamps copied out of frames."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.compiled import ready_kernels

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from blursplit.frames.layout import Slab

    Floats = NDArray[np.float32]
    Ints = NDArray[np.int64]

CUT_BYTES = 800_000
STORED = frozenset({"|u1", "<u2", ">u2", "<i2", ">i2"})
WHOLE_ADU = 2**22  # whole numbers up to here add exactly in float32
LARGEST_ADU = 1e15  # no camera counts so far; the squares of such numbers overflow float32


def to_adu(raw: NDArray[Any], slab: Slab, out: Floats | None = None) -> Floats:
    """Return stored numbers as float32 ADU, with BSCALE, BZERO and BLANK applied.

    What is infinite or beyond 1e15 comes out as NaN: a flipped bit or a wrong type, not light.
    """
    if out is None:
        out = np.empty(raw.shape, dtype=np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        out[...] = raw
        if slab.blank is not None and raw.dtype.kind != "f":
            out[raw == slab.blank] = np.nan
        if slab.bscale != 1:
            out *= np.float32(slab.bscale)
        if slab.bzero:
            out += np.float32(slab.bzero)
        if raw.dtype.kind == "f" or raw.dtype.itemsize > 4 or slab.bscale != 1:  # noqa: PLR2004
            out[~(np.abs(out) <= LARGEST_ADU)] = np.nan
    return out


def gather_stored(
    frames: NDArray[Any], x0: Ints, y0: Ints, size: int, slab: Slab, out: Floats
) -> None:
    """Copy stamps as `gather` does with `to_adu`, by the compiled kernel where that can do it."""
    kernels = ready_kernels()
    ny, nx = frames.shape[1:]
    whole = slab.bscale == 1 and slab.blank is None and slab.bzero == round(slab.bzero)
    if (
        kernels is None
        or not whole
        or frames.dtype.kind not in "iu"
        or frames.dtype.str not in STORED
        or not frames.flags.c_contiguous
        or abs(slab.bzero) > WHOLE_ADU
        or min(x0.min(initial=0), y0.min(initial=0)) < 0
        or x0.max(initial=0) + size > nx
        or y0.max(initial=0) + size > ny
    ):
        gather(frames, x0, y0, size, partial(to_adu, slab=slab), out)
        return
    signed = frames.dtype.kind == "i"
    raw = frames.view(f"=u{frames.dtype.itemsize}")
    raw.flags.writeable = False  # one compiled kernel serves mapped and copied pixels
    swapped = raw.dtype.itemsize > 1 and not frames.dtype.isnative
    flip = np.uint16(0x8000 if signed else 0)
    zero = float(slab.bzero) - (0x8000 if signed else 0)
    kernels.gather(
        raw, swapped, flip, zero, np.ascontiguousarray(x0), np.ascontiguousarray(y0), size, out
    )


def gather(
    frames: NDArray[Any],
    x0: Ints,
    y0: Ints,
    size: int,
    convert: Callable[..., Floats],
    out: Floats,
) -> None:
    """Copy the stamps of a block of frames into `out`, float32 [frame, star, y, x].

    Parameters
    ----------
    frames : ndarray, shape (n, ny, nx)
        As stored; only the pixels of the stamps are touched.
    x0, y0 : ndarray of int, shape (n, k)
    convert : callable
        From stored numbers to ADU: ``convert(stored, out=...)``.
    out : ndarray, shape (n, k, size, size)
        NaN where a stamp reaches beyond its frame.
    """
    ny, nx = frames.shape[1:]
    inside = (x0 >= 0) & (y0 >= 0) & (x0 + size <= nx) & (y0 + size <= ny)
    if inside.all():
        # One indexing copies the stamps of a few frames, which are converted while the
        # processor's cache holds them; stamps within the frame are the case that has to be fast.
        windows = np.lib.stride_tricks.sliding_window_view(frames, (size, size), axis=(1, 2))
        few = max(1, CUT_BYTES // max(1, 4 * x0.shape[1] * size * size))
        for first in range(0, frames.shape[0], few):
            part = slice(first, first + few)
            number = np.arange(first, min(first + few, frames.shape[0]))[:, np.newaxis]
            convert(windows[number, y0[part], x0[part]], out=out[part])
        return
    out.fill(np.nan)
    if inside.any():
        windows = np.lib.stride_tricks.sliding_window_view(frames, (size, size), axis=(1, 2))
        out[inside] = convert(windows[np.nonzero(inside)[0], y0[inside], x0[inside]])
    for f, s in zip(*np.nonzero(~inside), strict=True):
        left, top = int(x0[f, s]), int(y0[f, s])
        xs = slice(max(left, 0), min(left + size, nx))
        ys = slice(max(top, 0), min(top + size, ny))
        if xs.start < xs.stop and ys.start < ys.stop:
            to_y = slice(ys.start - top, ys.stop - top)
            to_x = slice(xs.start - left, xs.stop - left)
            out[f, s, to_y, to_x] = convert(frames[f, ys, xs])


def positions(x0: Ints, y0: Ints, count: int) -> tuple[Ints, Ints]:
    """Return stamp positions given for all frames at once, or per frame, as (n, k) arrays."""
    x0, y0 = np.asarray(x0), np.asarray(y0)
    shape = (count, x0.shape[-1])
    return np.broadcast_to(x0, shape), np.broadcast_to(y0, shape)


def copy_pixels(values: Floats, out: Floats | None = None) -> Floats:
    """Return pixels that are in ADU already, or write them into `out`."""
    if out is None:
        return values
    out[...] = values
    return out
