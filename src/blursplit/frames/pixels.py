"""From stored frames to frames ready to measure: levels, gain, calibration, colour."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.errors import InputError
from blursplit.frames.calibration import CalibratedFrames, Calibration
from blursplit.frames.colour import GreenFrames, green_facts, green_phase
from blursplit.frames.gain import estimate_gain
from blursplit.frames.levels import find_levels
from blursplit.rig import Setting, Setup

if TYPE_CHECKING:
    from blursplit.frames.header import Header
    from blursplit.frames.levels import Levels
    from blursplit.frames.source import FrameSource

    Notes = list[tuple[str, str]]

BAD_SHARE = 0.02
EIGHT_BITS = 255.0


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

    Raises
    ------
    InputError
        When the frames are blank or saturated, or the calibration does not fit them.
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
    if levels.bad_share > BAD_SHARE:
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
