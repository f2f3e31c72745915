"""Colour cameras: the two green samples of each cell, without interpolation."""

from __future__ import annotations

import numpy as np

from blursplit.frames.header import Header
from blursplit.frames.source import FrameSource
from blursplit.rig import Setting
from blursplit.types import ImageArray, IntArray

# What becomes of the instrument when two pixels of a 2 x 2 cell are averaged: value x factor.
_CELL_FACTORS = {
    "pixel_um": 2.0,
    "pixel_scale_arcsec": 2.0,
    "scale_wcs_arcsec": 2.0,
    "scale_keyword_arcsec": 2.0,
    "row_time_us": 2.0,
    "gain_e_per_adu": 2.0,  # the mean of two counts twice the electrons per unit
    "read_noise_e": 2.0**0.5,
}


def green_phase(pattern: str, header: Header) -> int:
    """Return 0 where the greens of a cell lie at (0, 0) and (1, 1), 1 at (1, 0) and (0, 1).

    Parameters
    ----------
    pattern : str
        Such as RGGB, rows first.
    header : Header
        XBAYROFF and YBAYROFF shift the pattern by whole pixels.
    """
    phase = 0 if pattern[0] == "G" else 1
    for key in ("XBAYROFF", "YBAYROFF"):
        shift = header.number(key)
        phase ^= int(shift[0]) & 1 if shift is not None else 0
    return phase


def green_facts(known: dict[str, Setting]) -> dict[str, Setting]:
    """Return the facts of a camera as they hold for the averaged green samples."""
    out = dict(known)
    for key, factor in _CELL_FACTORS.items():
        entry = known.get(key)
        if entry is not None:
            note = f"{entry.note}, for a cell of 2 x 2 colour pixels".lstrip(", ")
            out[key] = Setting(entry.value * factor, entry.origin, note)
    return out


class GreenFrames:
    """Mean of the two green samples of each 2 x 2 cell; pixel [y, x] is the cell's centre.

    Parameters
    ----------
    inner : FrameSource
        Frames with the mosaic in them.
    phase : int
        From `green_phase`.
    saturation_adu : float or None
        A cell in which either sample reaches it keeps that value, so that it stays recognisable.

    Notes
    -----
    Both samples are real measurements whose mean position is the centre of the cell, at
    (2 x + 0.5, 2 y + 0.5) of the mosaic, for either phase. Nothing is interpolated; the scale is
    that of the cells, twice the pixel's.
    """

    def __init__(self, inner: FrameSource, phase: int, saturation_adu: float | None) -> None:
        self._inner = inner
        self._phase = phase
        self._saturation = saturation_adu
        self.n_frames = inner.n_frames
        self.shape = (inner.shape[0] // 2, inner.shape[1] // 2)

    @property
    def kept_frames(self) -> int:
        """Number of frames that may be cut again without being read again."""
        return int(getattr(self._inner, "kept_frames", 256))

    def read(self, start: int, stop: int) -> ImageArray:
        """Return the green frames ``start:stop``."""
        mosaic = self._inner.read(start, stop)
        return self._green(mosaic[:, : 2 * self.shape[0], : 2 * self.shape[1]])

    def cut(self, start: int, stop: int, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        """Return green stamps; positions and size count cells."""
        x0, y0 = 2 * np.asarray(x0), 2 * np.asarray(y0)
        return self._green(self._inner.cut(start, stop, x0, y0, 2 * size))

    def _green(self, mosaic: ImageArray) -> ImageArray:
        one = mosaic[..., 0::2, self._phase :: 2]
        other = mosaic[..., 1::2, 1 - self._phase :: 2]
        green = (one + other) * np.float32(0.5)
        if self._saturation is not None:
            full = np.maximum(one, other) >= self._saturation
            green[full] = self._saturation
        return np.asarray(green, dtype=np.float32)

    def close(self) -> None:
        """Let go of all files."""
        self._inner.close()
