"""From stored frames to frames ready to measure: levels, gain, calibration, colour."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit.constants import (
    BAD_PIXEL_SHARE,
    EIGHT_BITS,
    FULL_SHARE,
    LEVEL_FRAMES,
    LEVEL_PIXELS,
    PILED_PIXELS,
)
from blursplit.errors import InputError
from blursplit.frames.calibration import (
    CalibratedFrames,
    Calibration,
    GreenFrames,
    green_facts,
    green_phase,
)
from blursplit.frames.gain import estimate_gain
from blursplit.frames.header import Header
from blursplit.frames.source import FrameSource, failed_frames
from blursplit.rig import Setting, Setup

Notes = list[tuple[str, str]]


def prepare_frames(
    source: FrameSource,
    known: dict[str, Setting],
    header: Header,
    setup: Setup,
    calibration: Calibration | None,
    name: str,
    notes: Notes,
) -> tuple[FrameSource, dict[str, Setting]]:
    """Return the source to measure on and the facts as they hold for its pixels.

    Raises InputError when the frames are blank or saturated, or the calibration does not fit them.
    """
    known = dict(known)
    pattern = known.get("bayer_pattern")
    levels = find_levels(source, name)
    stated = setup.camera.saturation_adu
    if stated is not None and stated <= levels.median_adu:
        problem = f"key 'camera.saturation_adu': {stated:g} lies below the sky of the frames, "
        raise InputError(
            name, f"{problem}{levels.median_adu:.4g}", "state the level at which a pixel is full"
        )
    saturation = _saturation(levels, known, setup, notes)
    if saturation is not None:
        known["saturation_adu"] = saturation
    top = setup.camera.saturation_adu or (None if saturation is None else float(saturation.value))
    phase = 0 if pattern is None else green_phase(str(pattern.value), header)
    if "gain_e_per_adu" not in known and setup.camera.gain_e_per_adu is None:
        raw = source if pattern is None else GreenFrames(source, phase, top)
        _measure_gain(raw, top, known, header, notes, per_cell=pattern is not None)
    if calibration is not None:
        source = _calibrate(source, calibration, known, top, notes)
        top = None if top is None else float(known["saturation_adu"].value)
    if pattern is not None:
        source = GreenFrames(source, phase, top)
        known = green_facts(known)
        text = (
            f"colour mosaic {pattern.value}: the two green pixels of each 2 x 2 cell are averaged, "
            "nothing is interpolated; pixel scale and pixel size are those of the cell"
        )
        notes.append(("colour-mosaic", text))
    return source, known


def _saturation(
    levels: Levels, known: dict[str, Setting], setup: Setup, notes: Notes
) -> Setting | None:
    """Return the level at which pixels are full: the header's, unless the data pile up below."""
    said = known.get("saturation_adu")
    found = levels.saturation_adu
    if levels.bad_share > BAD_PIXEL_SHARE:
        share = 100 * levels.bad_share
        notes.append(("bad-pixels", f"{share:.1f} % of the pixels are NaN, infinite or blank"))
    if levels.step_adu in {4, 16, 64}:
        bits = 16 - int(np.log2(levels.step_adu))
        text = f"values come in steps of {levels.step_adu}: {bits}-bit data shifted left"
        notes.append(("shifted-bits", text))
    if levels.highest_adu <= EIGHT_BITS and levels.lowest_adu >= 0 and levels.step_adu >= 1:
        text = "8-bit values: faint stars are coarse, and a display stretch may have been applied"
        notes.append(("eight-bit", text))
    if found is None:
        return said
    if setup.camera.saturation_adu is not None:
        return said
    if said is not None and float(said.value) <= found * 1.001:
        return said
    text = f"pixels pile up at {found:g}"
    if said is not None:
        text += f", below the header's {float(said.value):g}"
    notes.append(("saturated-pixels", text))
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
    why = "no gain in the header"
    if said is not None:
        why = f"{said[1]} = {said[0]:g} may be a setting of the camera, not e-/ADU"
    gain = estimate_gain(source, saturation_adu)
    if gain is None:
        text = f"{why}, and the frames do not show it: give camera.gain_e_per_adu"
        notes.append(("gain-unknown", text))
        return
    value = gain.e_per_adu / (2.0 if per_cell else 1.0)
    error = gain.error_e_per_adu / (2.0 if per_cell else 1.0)
    text = f"{value:.3g} +/- {error:.2g} e-/ADU from the noise of {gain.stars} stars in "
    text += f"{gain.frames} frames"
    known["gain_e_per_adu"] = Setting(value, "measured", text)
    notes.append(("gain-measured", f"{why}: {text}"))


def _calibrate(
    source: FrameSource,
    calibration: Calibration,
    known: dict[str, Setting],
    top: float | None,
    notes: Notes,
) -> FrameSource:
    done = [
        label
        for label, image in (("offset", calibration.offset_adu), ("flat", calibration.flat))
        if image is not None
    ]
    text = f"applied: {' and '.join(done) or 'nothing'}"
    notes.append(("calibrated", f"{text}; {calibration.note}" if calibration.note else text))
    if top is not None:
        pedestal = 0.0
        if calibration.offset_adu is not None:
            pedestal = float(np.nanmedian(calibration.offset_adu))
        entry = known.get("saturation_adu")
        origin = "measured" if entry is None else entry.origin
        known["saturation_adu"] = Setting(top - pedestal, origin, "less the offset")
    return CalibratedFrames(source, calibration)


# Full scales of 8 to 16 bits, also of 12 and 14 bits shifted left to fill 16.
_BITS = ((8, 0), (10, 0), (10, 6), (12, 0), (12, 4), (14, 0), (14, 2), (16, 0))
_FULL_SCALES = frozenset(float((2**bits - 1) << shift) for bits, shift in _BITS)


@dataclass(frozen=True)
class Levels:
    """What a few frames spread over the sequence show."""

    lowest_adu: float
    median_adu: float
    highest_adu: float
    saturation_adu: float | None  # level at which pixels pile up, None where they do not
    # Common divisor of all values above the lowest (16 for 12-bit data shifted left); 0 where they
    # are not whole numbers.
    step_adu: int
    bad_share: float  # share of pixels that are NaN or infinite


def find_levels(source: FrameSource, name: str, frames: Iterable[int] | None = None) -> Levels:
    """Look at a few frames for saturation and blankness.

    `source`: before calibration, so that levels are those of the converter. `name`: for messages.
    `frames`: which ones; 8 spread over the sequence by default.

    Raises InputError when all pixels are equal, bad, or nearly all saturated.

    A level counts as saturation when at least 3 pixels of a frame stand exactly at its maximum,
    the same in other frames, and either it is a full scale of 8 to 16 bits, or more pixels stand
    there than in the ten percent below.
    """
    chosen = frames
    if chosen is None:
        chosen = np.unique(np.linspace(0, source.n_frames - 1, LEVEL_FRAMES).astype(int)).tolist()
    images = [source.read(number, number + 1)[0] for number in chosen]
    good = [image[np.isfinite(image)] for image in images]
    bad_share = 1 - sum(part.size for part in good) / sum(image.size for image in images)
    good = [part for part in good if part.size]
    failures = failed_frames(source)
    if not good and failures:
        raise InputError(name, f"cannot be read ({next(iter(failures.values()))})", "copy it again")
    if not good:
        raise InputError(
            name,
            "no pixel holds a usable number (all NaN, infinite or beyond 1e15)",
            "write it anew",
        )
    lowest = float(min(part.min() for part in good))
    highest = float(max(part.max() for part in good))
    if lowest == highest:
        raise InputError(
            name, f"all pixels have the same value {lowest:g}", "check exposure and camera"
        )
    top = [int(np.count_nonzero(part == highest)) for part in good]
    if sum(top) > FULL_SHARE * sum(part.size for part in good):
        share = 100 * sum(top) / sum(part.size for part in good)
        raise InputError(
            name, f"{share:.0f} % of the pixels are saturated at {highest:g}", "expose less"
        )
    if len(images) > 2 and all(np.array_equal(images[0], image) for image in images[1:]):  # noqa: PLR2004
        raise InputError(
            name, "all its frames are the same picture", "give frames one after another"
        )
    return Levels(
        lowest,
        float(np.median([np.median(_sample(part)) for part in good])),
        highest,
        highest if _is_piled(good, highest, top) else None,
        _step(good, lowest),
        float(bad_share),
    )


def _is_piled(parts: list[NDArray[np.float32]], highest: float, top: list[int]) -> bool:
    if max(top) < PILED_PIXELS:
        return highest in _FULL_SCALES and sum(count > 0 for count in top) > len(top) / 2
    if highest in _FULL_SCALES:
        return True
    below = sum(int(np.count_nonzero((p > 0.9 * highest) & (p < highest))) for p in parts)
    return sum(top) > below and sum(count > 0 for count in top) > 1


def _sample(pixels: NDArray[np.float32]) -> NDArray[np.float32]:
    return pixels[:: max(1, pixels.size // LEVEL_PIXELS)]


def _step(parts: list[NDArray[np.float32]], lowest: float) -> int:
    values = np.concatenate([_sample(part) for part in parts]) - lowest
    if not np.all(values == np.rint(values)):
        return 0
    return max(int(np.gcd.reduce(values.astype(np.int64))), 1)
