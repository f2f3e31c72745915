"""Bias, dark and flat field, applied to whole frames and to stamps alike."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from blursplit.constants import DARK_SAME_EXPOSURE, FLAT_FLOOR
from blursplit.errors import InputError
from blursplit.frames.facts import calibration_kind, read_exposure
from blursplit.frames.header import Header
from blursplit.frames.layout import find_files, read_layout
from blursplit.frames.source import FileFrames, FrameSource, copy_pixels, gather, positions
from blursplit.rig import Setting
from blursplit.types import ImageArray, IntArray


@dataclass(frozen=True)
class Calibration:
    """What is subtracted from a frame and what it is divided by.

    Parameters
    ----------
    offset_adu : ndarray of float32, shape (ny, nx) or None
    flat : ndarray of float32, shape (ny, nx) or None
        Relative sensitivity, median 1; NaN where the pixel is bad.
    note : str
        What had to be assumed.
    """

    offset_adu: ImageArray | None = None
    flat: ImageArray | None = None
    note: str = ""


def read_calibration(
    bias: Iterable[Path | str] = (),
    dark: Iterable[Path | str] = (),
    flat: Iterable[Path | str] = (),
    *,
    exposure_s: float | None = None,
) -> Calibration:
    """Average bias, dark and flat frames; each argument is a list of files, folders or cubes.

    Of a folder with frames of several kinds, those are taken whose headers say that they are meant.

    Parameters
    ----------
    exposure_s : float or None
        Exposure of the light frames. Darks of another exposure are scaled, which needs a bias.

    Raises
    ------
    InputError
        When frames cannot be read, differ in size, or darks would have to be scaled without bias.
    """
    bias_adu, _ = _mean(bias, "bias")
    dark_adu, dark_s = _mean(dark, "dark")
    flat_adu, _ = _mean(flat, "flat")
    offset, note = bias_adu, ""
    if dark_adu is not None:
        same = exposure_s is None or dark_s is None or same_exposure(dark_s, exposure_s)
        if same:
            offset = dark_adu
        elif bias_adu is None:
            raise InputError(
                "dark frames",
                f"exposure {dark_s:g} s, light frames {exposure_s:g} s",
                "give bias frames too, so that the darks can be scaled",
            )
        else:
            ratio = (exposure_s or 0.0) / (dark_s or 1.0)
            offset = bias_adu + np.float32(ratio) * (dark_adu - bias_adu)
            note = f"dark current scaled by {ratio:.3g}"
    sensitivity = None
    if flat_adu is not None:
        light = flat_adu if bias_adu is None else flat_adu - bias_adu
        sensitivity = (light / np.nanmedian(light)).astype(np.float32)
        sensitivity[~(sensitivity > FLAT_FLOOR)] = np.nan
    return Calibration(offset, sensitivity, note)


def _mean(paths: Iterable[Path | str], kind: str) -> tuple[ImageArray | None, float | None]:
    """Return mean and exposure of the frames of a kind; of all, where no header says its kind."""
    given = list(paths)
    if not given:
        return None, None
    files, _ = find_files(given)
    slabs = [slab for path in files for slab in read_layout(path).slabs]
    if not slabs:
        raise InputError(files[0], "holds no image", "give calibration frames as FITS images")
    slabs = [slab for slab in slabs if calibration_kind(slab.header) == kind] or slabs
    for slab in slabs:
        if slab.shape != slabs[0].shape:
            raise InputError(slab.where, "differs in size from the others", "give one size")
    source = FileFrames.of(slabs)
    total = np.zeros(slabs[0].shape)
    for number in range(source.n_frames):
        total += source.read(number, number + 1)[0]
    source.close()
    exposure = read_exposure(slabs[0].header)
    seconds = None if exposure is None else float(exposure.value)
    return (total / source.n_frames).astype(np.float32), seconds


def same_exposure(one: float, other: float) -> bool:
    """Return whether darks of one exposure [s] serve frames of the other unscaled."""
    return max(one, other) <= DARK_SAME_EXPOSURE * min(one, other)


class CalibratedFrames:
    """Frames with offset and flat field applied.

    Raises InputError when sizes differ.
    """

    def __init__(self, inner: FrameSource, calibration: Calibration) -> None:
        self._inner = inner
        self.n_frames, self.shape = inner.n_frames, inner.shape
        self._offset, self._flat = calibration.offset_adu, calibration.flat
        for name, image in (("bias or dark", self._offset), ("flat field", self._flat)):
            if image is not None and image.shape != self.shape:
                sizes = f"{image.shape[1]} x {image.shape[0]} pixels, the frames "
                sizes += f"{self.shape[1]} x {self.shape[0]}"
                raise InputError(name, f"has {sizes}", "use calibration frames of the same window")

    @property
    def kept_frames(self) -> int:
        """Number of frames that may be cut again without being read again."""
        return int(getattr(self._inner, "kept_frames", 256))

    def read(self, start: int, stop: int) -> ImageArray:
        """Return calibrated frames ``start:stop``."""
        frames = self._inner.read(start, stop)
        if self._offset is not None:
            frames -= self._offset
        if self._flat is not None:
            frames /= self._flat
        return frames

    def cut(self, start: int, stop: int, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        """Return calibrated stamps."""
        stamps = self._inner.cut(start, stop, x0, y0, size)
        x0, y0 = positions(x0, y0, stop - start)
        if self._offset is not None:
            stamps -= self._stamps_of(self._offset, x0, y0, size)
        if self._flat is not None:
            stamps /= self._stamps_of(self._flat, x0, y0, size)
        return stamps

    def _stamps_of(self, image: ImageArray, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        same = np.broadcast_to(image, (x0.shape[0], *image.shape))
        out = np.empty((*x0.shape, size, size), dtype=np.float32)
        gather(same, x0, y0, size, copy_pixels, out)
        return out

    def close(self) -> None:
        """Let go of all files."""
        self._inner.close()


# --- frames of a colour mosaic --------------------------------------------------------------------
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

    `pattern`: such as RGGB, rows first. `header`: XBAYROFF and YBAYROFF shift the pattern by whole
    pixels.
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

    `inner`: frames with the mosaic in them. `phase`: from `green_phase`. `saturation_adu`: a cell
    in which either sample reaches it keeps that value, so that it stays recognisable.

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
