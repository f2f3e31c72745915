"""From stored frames to frames ready to measure: levels, gain, calibration, colour.

Bias, dark and flat field, applied to whole frames and to stamps alike.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.frames.gain import estimate_gain
from blursplit.frames.header import Header
from blursplit.frames.layout import find_files, read_layout
from blursplit.frames.source import CalibratedFrames, FileFrames, FrameSource, FramesOver
from blursplit.result import Facts, Note
from blursplit.rig import Setting, Setup
from blursplit.types import ImageArray, IntArray


@dataclass(frozen=True)
class Calibration:
    """Of what is subtracted from a frame, and what it is divided by; images are (ny, nx)."""

    bias_adu: ImageArray | None = None
    dark_adu: ImageArray | None = None
    dark_s: float | None = None  # exposure of the darks
    flat: ImageArray | None = None  # relative sensitivity, median 1; NaN where the pixel is bad

    def offset(self, exposure_s: float | None) -> tuple[ImageArray | None, str]:
        """Return what is subtracted from frames of an exposure, and what was done for it.

        Darks of another exposure are scaled, which needs a bias; without one, InputError.
        """
        if self.dark_adu is None:
            return self.bias_adu, ""
        if not exposure_s or not self.dark_s or Calibration.same_exposure(self.dark_s, exposure_s):
            return self.dark_adu, ""
        if self.bias_adu is None:
            problem = f"exposure {self.dark_s:g} s, light frames {exposure_s:g} s"
            remedy = "give bias frames too, so that the darks can be scaled"
            raise InputError("dark frames", problem, remedy)
        ratio = exposure_s / self.dark_s
        scaled = self.bias_adu + np.float32(ratio) * (self.dark_adu - self.bias_adu)
        return scaled, f"dark current scaled by {ratio:.3g}"

    @classmethod
    def read(
        cls,
        bias: Iterable[Path | str] = (),
        dark: Iterable[Path | str] = (),
        flat: Iterable[Path | str] = (),
    ) -> Calibration:
        """Average bias, dark and flat frames; each argument is a list of files, folders or cubes.

        Of a folder with frames of several kinds, those are taken whose headers say that they are
        meant.
        """
        bias_adu, _ = _mean(bias, "bias")
        dark_adu, dark_s = _mean(dark, "dark")
        flat_adu, _ = _mean(flat, "flat")
        sensitivity = None
        if flat_adu is not None:
            light = flat_adu if bias_adu is None else flat_adu - bias_adu
            sensitivity = (light / np.nanmedian(light)).astype(np.float32)
            sensitivity[~(sensitivity > const.FLAT_FLOOR)] = np.nan
        return cls(bias_adu, dark_adu, dark_s, sensitivity)

    @staticmethod
    def same_exposure(one: float, other: float) -> bool:
        """Return whether darks of one exposure [s] serve frames of the other unscaled."""
        return max(one, other) <= const.DARK_SAME_EXPOSURE * min(one, other)


def _mean(paths: Iterable[Path | str], kind: str) -> tuple[ImageArray | None, float | None]:
    """Return mean and exposure of the frames of a kind; of all, where no header says its kind."""
    given = list(paths)
    if not given:
        return None, None
    files, _ = find_files(given)
    slabs = [slab for path in files for slab in read_layout(path).slabs]
    if not slabs:
        raise InputError(files[0], "holds no image", "give calibration frames as FITS images")
    slabs = [slab for slab in slabs if slab.header.calibration_kind == kind] or slabs
    for slab in slabs:
        if slab.shape != slabs[0].shape:
            raise InputError(slab.where, "differs in size from the others", "give one size")
    source = FileFrames.of(slabs)
    total = np.zeros(slabs[0].shape)
    for number in range(source.n_frames):
        total += source.read(number, number + 1)[0]
    source.close()
    return (total / source.n_frames).astype(np.float32), slabs[0].header.exposure_s


# --- frames of a colour mosaic --------------------------------------------------------------------
def _green_phase(pattern: str, header: Header) -> int:
    """Return 0 where the greens of a cell lie at (0, 0) and (1, 1), 1 at (1, 0) and (0, 1).

    `pattern`: such as RGGB, rows first. `header`: XBAYROFF and YBAYROFF shift the pattern by whole
    pixels.
    """
    phase = 0 if pattern[0] == "G" else 1
    for key in ("XBAYROFF", "YBAYROFF"):
        shift = header.number(key)
        phase ^= int(shift[0]) & 1 if shift is not None else 0
    return phase


def _green_facts(known: dict[str, Setting]) -> dict[str, Setting]:
    """Return the facts of a camera as they hold for the averaged green samples."""
    out = dict(known)
    for key, factor in const.CELL_FACTORS.items():
        entry = known.get(key)
        if entry is not None:
            note = f"{entry.note}, for a cell of 2 x 2 colour pixels".lstrip(", ")
            out[key] = Setting(entry.value * factor, entry.origin, note)
    return out


class _GreenFrames(FramesOver):
    """Mean of the two green samples of each 2 x 2 cell; pixel [y, x] is the cell's centre.

    `inner`: frames with the mosaic in them. `phase`: from `_green_phase`. `saturation_adu`: a cell
    in which either sample reaches it keeps that value, so that it stays recognisable.

    Both samples are real measurements whose mean position is the centre of the cell, at
    (2 x + 0.5, 2 y + 0.5) of the mosaic, for either phase. Nothing is interpolated; the scale is
    that of the cells, twice the pixel's.
    """

    def __init__(self, inner: FrameSource, phase: int, saturation_adu: float | None) -> None:
        super().__init__(inner)
        self._phase = phase
        self._saturation = saturation_adu
        self.shape = (inner.shape[0] // 2, inner.shape[1] // 2)

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


# --- levels, gain, and frames ready to measure ----------------------------------------------------
Notes = list[Note]


def prepare_frames(
    source: FrameSource,
    known: dict[str, Setting],
    header: Header,
    setup: Setup,
    calibration: Calibration | None,
    name: str,
    notes: Notes,
) -> tuple[FrameSource, dict[str, Setting]]:
    """Return the source to measure on and the facts as they hold for its pixels."""
    known = dict(known)
    pattern = known.get("bayer_pattern")
    levels = _find_levels(source, name)
    stated = setup.camera.saturation_adu
    if stated is not None and stated <= levels.median_adu:
        problem = f"key 'camera.saturation_adu': {stated:g} lies below the sky of the frames, "
        problem += f"{levels.median_adu:.4g}"
        raise InputError(name, problem, "state the level at which a pixel is full")
    saturation = _saturation(levels, known, setup, notes)
    if saturation is not None:
        known["saturation_adu"] = saturation
    top = setup.camera.saturation_adu or (None if saturation is None else float(saturation.value))
    phase = 0 if pattern is None else _green_phase(str(pattern.value), header)
    if "gain_e_per_adu" not in known and setup.camera.gain_e_per_adu is None:
        raw = source if pattern is None else _GreenFrames(source, phase, top)
        _measure_gain(raw, top, known, header, notes, per_cell=pattern is not None)
    if calibration is not None:
        said = known.get("exposure_s")
        exposure_s = setup.camera.exposure_s or (None if said is None else float(said.value))
        source = _calibrate(source, calibration, exposure_s, known, top, notes)
        top = None if top is None else float(known["saturation_adu"].value)
    if pattern is not None:
        source = _GreenFrames(source, phase, top)
        known = _green_facts(known)
        notes.append(("colour-mosaic", {"pattern": str(pattern.value)}))
    return source, known


def _saturation(
    levels: _Levels, known: dict[str, Setting], setup: Setup, notes: Notes
) -> Setting | None:
    """Return the level at which pixels are full: the header's, unless the data pile up below."""
    said = known.get("saturation_adu")
    found = levels.saturation_adu
    if levels.bad_share > const.BAD_PIXEL_SHARE:
        notes.append(("bad-pixels", {"share": float(levels.bad_share)}))
    if levels.step_adu in {4, 16, 64}:
        bits = 16 - int(np.log2(levels.step_adu))
        notes.append(("shifted-bits", {"step_adu": float(levels.step_adu), "bits": bits}))
    if levels.highest_adu <= const.EIGHT_BITS and levels.lowest_adu >= 0 and levels.step_adu >= 1:
        notes.append(("eight-bit", {}))
    if found is None or setup.camera.saturation_adu is not None:
        return said
    header_adu = None if said is None else float(said.value)
    if header_adu is not None and header_adu <= found * 1.001:
        return said
    text = f"pixels pile up at {found:g}"
    if header_adu is not None:
        text += f", below the header's {header_adu:g}"
    notes.append(("saturated-pixels", {"level_adu": float(found), "header_adu": header_adu}))
    return Setting(found, "measured", text)


def _measure_gain(
    source: FrameSource,
    saturation_adu: float | None,
    known: dict[str, Setting],
    header: Header,
    notes: Notes,
    *,
    per_cell: bool,
) -> None:
    said = header.number("GAIN", "CCDGAIN")
    facts: Facts = {} if said is None else {"keyword": said[1], "value": said[0]}
    gain = estimate_gain(source, saturation_adu)
    if gain is None:
        notes.append(("gain-unknown", facts))
        return
    size = 2.0 if per_cell else 1.0
    value, error = gain.e_per_adu / size, gain.error_e_per_adu / size
    text = f"{value:.3g} +/- {error:.2g} e-/ADU from the noise of {gain.stars} stars in "
    text += f"{gain.frames} frames"
    known["gain_e_per_adu"] = Setting(value, "measured", text)
    facts |= {"gain_e_per_adu": value, "error_e_per_adu": error}
    facts |= {"stars": gain.stars, "frames": gain.frames}
    notes.append(("gain-measured", facts))


def _calibrate(
    source: FrameSource,
    calibration: Calibration,
    exposure_s: float | None,
    known: dict[str, Setting],
    top: float | None,
    notes: Notes,
) -> FrameSource:
    offset_adu, note = calibration.offset(exposure_s)
    parts = {"offset": offset_adu, "flat": calibration.flat}
    images = " and ".join(name for name, image in parts.items() if image is not None) or "nothing"
    notes.append(("calibrated", {"images": images, "note": note or None}))
    if top is not None:
        pedestal = 0.0 if offset_adu is None else float(np.nanmedian(offset_adu))
        entry = known.get("saturation_adu")
        origin = "measured" if entry is None else entry.origin
        known["saturation_adu"] = Setting(top - pedestal, origin, "less the offset")
    return CalibratedFrames(source, offset_adu, calibration.flat)


_FULL_SCALES = frozenset(float((2**bits - 1) << shift) for bits, shift in const.FULL_SCALE_BITS)


@dataclass(frozen=True)
class _Levels:
    """What a few frames spread over the sequence show."""

    lowest_adu: float
    median_adu: float
    highest_adu: float
    saturation_adu: float | None  # level at which pixels pile up, None where they do not
    # Common divisor of all values above the lowest (16 for 12-bit data shifted left); 0 where they
    # are not whole numbers.
    step_adu: int
    bad_share: float  # share of pixels that are NaN or infinite


def _find_levels(source: FrameSource, name: str) -> _Levels:
    """Look at a few frames, not calibrated yet, for saturation; refuse blank and full ones.

    A level counts as saturation when at least 3 pixels of a frame stand exactly at its maximum,
    the same in other frames, and either it is a full scale of 8 to 16 bits, or more pixels stand
    there than in the ten percent below.
    """
    chosen = np.unique(np.linspace(0, source.n_frames - 1, const.LEVEL_FRAMES).astype(int)).tolist()
    images = [source.read(number, number + 1)[0] for number in chosen]
    known = [np.isfinite(image) for image in images]
    good = [
        image.ravel() if there.all() else image[there]
        for image, there in zip(images, known, strict=True)
    ]
    bad_share = 1 - sum(part.size for part in good) / sum(image.size for image in images)
    good = [part for part in good if part.size]
    failures = source.failures
    if not good and failures:
        raise InputError(name, f"cannot be read ({next(iter(failures.values()))})", "copy it again")
    if not good:
        problem = "no pixel holds a usable number (all NaN, infinite or beyond 1e15)"
        raise InputError(name, problem, "write it anew")
    lowest = float(min(part.min() for part in good))
    highest = float(max(part.max() for part in good))
    if lowest == highest:
        problem = f"all pixels have the same value {lowest:g}"
        raise InputError(name, problem, "check exposure and camera")
    top = [int(np.count_nonzero(part == highest)) for part in good]
    share = sum(top) / sum(part.size for part in good)
    if share > const.FULL_SHARE:
        problem = f"{100 * share:.0f} % of the pixels are saturated at {highest:g}"
        raise InputError(name, problem, "expose less")
    if len(images) > 2 and all(np.array_equal(images[0], image) for image in images[1:]):  # noqa: PLR2004
        problem = "all its frames are the same picture"
        raise InputError(name, problem, "give frames one after another")
    return _Levels(
        lowest,
        float(np.median([np.median(_sample(part)) for part in good])),
        highest,
        highest if _is_piled(good, highest, top) else None,
        _step(good, lowest),
        float(bad_share),
    )


def _is_piled(parts: list[NDArray[np.float32]], highest: float, top: list[int]) -> bool:
    if max(top) < const.PILED_PIXELS:
        return highest in _FULL_SCALES and sum(count > 0 for count in top) > len(top) / 2
    if highest in _FULL_SCALES:
        return True
    below = sum(int(np.count_nonzero((p > 0.9 * highest) & (p < highest))) for p in parts)
    return sum(top) > below and sum(count > 0 for count in top) > 1


def _sample(pixels: NDArray[np.float32]) -> NDArray[np.float32]:
    return pixels[:: max(1, pixels.size // const.LEVEL_PIXELS)]


def _step(parts: list[NDArray[np.float32]], lowest: float) -> int:
    values = np.concatenate([_sample(part) for part in parts]) - lowest
    if not np.all(values == np.rint(values)):
        return 0
    return max(int(np.gcd.reduce(values.astype(np.int64))), 1)
