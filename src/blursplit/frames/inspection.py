"""What can and cannot be told from a sequence before any star is measured, and how to do better."""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from blursplit.constants import (
    GOOD_DURATION_S,
    GOOD_EXPOSURE_S,
    GOOD_RATE_HZ,
    LOW_ALTITUDE_AIRMASS,
    SINC_HALF_POWER,
    SPECTRUM_FRAMES,
    SUBFRAME_S,
)
from blursplit.errors import InputError
from blursplit.frames.facts import calibration_kind, read_exposure
from blursplit.frames.layout import is_fits_name, read_layout
from blursplit.frames.pixels import same_exposure
from blursplit.frames.sequence import Sequence
from blursplit.frames.timing import RatePart
from blursplit.plain import plain
from blursplit.result import Document, Part, Remark

INSPECTION_SCHEMA = "blursplit-inspect/1"
SATURATED = "saturated-pixels"

# (key, keywords in a header, what it is needed for)
_WANTED: tuple[tuple[str, str, str], ...] = (
    ("pixel_scale_arcsec", "celestial WCS, or XPIXSZ and FOCALLEN", "arcseconds"),
    ("aperture_m", "APTDIA", "the air's share and the diffraction width"),
    ("exposure_s", "EXPTIME", "what motion is averaged within a frame"),
    ("gain_e_per_adu", "EGAIN", "the noise of each position"),
    ("read_noise_e", "RDNOISE", "the noise of faint stars"),
    ("band_nm", "FILTER", "atmospheric dispersion"),
    ("altitude_deg", "AIRMASS, OBJCTALT, or RA, DEC, site and time", "seeing at the zenith"),
    ("position_angle_deg", "celestial WCS", "directions on the sky"),
    ("row_order", "ROWORDER", "the sign of a rolling shutter's delay"),
)
_CALIBRATION_FOLDERS = ("bias", "dark", "flat", "zero", "offset", "calib")
_SECTIONS = {
    "aperture_m": "telescope",
    "wavelength_nm": "air",
    "band_nm": "air",
    "altitude_deg": "",
}


class Fact(Part):
    """A value, its origin and what had to be assumed."""

    value: Any
    origin: Literal["header", "setup file", "option", "default", "measured"]
    note: str = ""


class Missing(Part):
    """A fact that nothing gave."""

    key: str
    needed_for: str
    remedy: str


class RateStretch(Part):
    """Frames in a row at one rate, where a run has two."""

    start_s: float
    frames: int
    rate_hz: float


class FrameTiming(Part):
    """How the frames lie in time."""

    kind: Literal["regular", "jittered", "irregular"]
    source: str
    cadence_s: float
    rate_hz: float
    nyquist_hz: float
    frequency_step_hz: float
    stamp_resolution_s: float | None
    jitter_rms_s: float | None
    missing_frames: int
    gaps: list[tuple[float, float]]
    backward_steps: int
    duplicates: int
    segments: int
    exposed_share: float | None
    rates: list[RateStretch] = Field(default_factory=list)


class CalibrationFrames(Part):
    """Calibration frames of one kind, size and exposure, in one folder."""

    kind: Literal["bias", "dark", "flat"]
    folder: str
    frames: int
    exposure_s: float | None
    width_px: int
    height_px: int
    use: str


class Inspection(Document):
    """Everything that `blursplit inspect` says."""

    schema_: str = Field(INSPECTION_SCHEMA, alias="schema")
    name: str
    files: int
    frames: int
    dropped: dict[str, int]
    width_px: int
    height_px: int
    duration_s: float | None
    start_utc: str | None
    exposure_s: float | None
    timing: FrameTiming | None
    known: dict[str, Fact]
    missing: list[Missing]
    calibration: list[CalibrationFrames] = Field(default_factory=list)
    can: list[str]
    cannot: list[str]
    advice: list[str]
    notes: list[Remark]


def inspect_sequence(sequence: Sequence, paths: Iterable[Path] = ()) -> Inspection:
    """Return what is known of a sequence and what it will bear.

    `paths`: where calibration frames are looked for, by their headers: in these folders, or those
    of these files, and in the folders beside and within whose names speak of calibration.

    Returns: no star is looked for: what is said rests on rate, length, exposure and headers.

    Examples
    --------
    >>> from blursplit.frames import open_frames
    >>> from blursplit.frames.inspection import inspect_sequence
    >>> found = inspect_sequence(open_frames(["night1"]))
    >>> found.frames, found.timing.kind
    (40, 'regular')
    """
    known = sequence.instrument.settings
    missing = [
        Missing(key=key, needed_for=use, remedy=_remedy(key, keywords))
        for key, keywords, use in _WANTED
        if key not in known and not (key == "altitude_deg" and _knows_airmass(sequence))
    ]
    can, cannot = _prospects(sequence)
    return Inspection(
        schema=INSPECTION_SCHEMA,
        name=sequence.name,
        files=sequence.n_files,
        frames=sequence.n_frames,
        dropped=dict(sequence.dropped),
        width_px=sequence.source.shape[1],
        height_px=sequence.source.shape[0],
        duration_s=sequence.duration_s,
        start_utc=sequence.start_utc,
        exposure_s=sequence.exposure_s,
        timing=_timing(sequence),
        known={
            key: Fact(value=entry.value, origin=entry.origin, note=entry.note)
            for key, entry in sorted(known.items())
        },
        missing=missing,
        calibration=_calibration(sequence, paths),
        can=can,
        cannot=cannot,
        advice=_advice(sequence),
        notes=[Remark(code=code, facts=facts) for code, facts in sequence.notes],
    )


def _calibration(sequence: Sequence, paths: Iterable[Path]) -> list[CalibrationFrames]:
    """Return the calibration frames about, and what each kind is good for here."""
    counts: dict[tuple[str, Path, float | None, tuple[int, int]], int] = {}
    for folder in _folders_about(paths):
        for path in sorted(folder.iterdir()):
            if not is_fits_name(path) or not path.is_file():
                continue
            try:
                slabs = read_layout(path).slabs
            except InputError:
                continue
            for slab in slabs:
                kind = calibration_kind(slab.header)
                if kind is not None:
                    exposure = read_exposure(slab.header)
                    seconds = None if exposure is None else float(exposure.value)
                    key = (kind, folder, seconds, slab.shape)
                    counts[key] = counts.get(key, 0) + slab.planes
    return [
        CalibrationFrames(
            kind=kind,
            folder=plain(folder),
            frames=count,
            exposure_s=seconds,
            width_px=shape[1],
            height_px=shape[0],
            use=_use(kind, folder, seconds, shape, sequence),
        )
        for (kind, folder, seconds, shape), count in counts.items()
    ]


def _folders_about(paths: Iterable[Path]) -> list[Path]:
    own = dict.fromkeys(path if path.is_dir() else path.parent for path in paths if path.exists())
    about = {
        one: None
        for folder in own
        for place in (folder, folder.resolve().parent)
        for one in sorted(place.iterdir())
        if one.is_dir() and any(word in one.name.lower() for word in _CALIBRATION_FOLDERS)
    }
    return list(own | about)


def _use(
    kind: str, folder: Path, seconds: float | None, shape: tuple[int, int], sequence: Sequence
) -> str:
    """Return how calibration frames are given to `measure`, or why they are of no use."""
    if shape != sequence.source.shape:
        return "of another size than the frames: of no use here"
    option = f"measure with --{kind} {shlex.quote(plain(folder))}"
    exposure = sequence.exposure_s
    if kind == "dark" and exposure and seconds and not same_exposure(seconds, exposure):
        return f"{option} and with bias frames: the frames were exposed {_duration(exposure)}"
    return option


def without_times(found: Inspection, missing: str) -> Inspection:
    """Return what is said of frames of which nothing tells when they were taken.

    `found`: of the same frames with an interval put in to be able to open them. `missing`: what was
    not found, and the remedy.
    """
    interval = Missing(
        key="frame_interval_s",
        needed_for="spectra, drift, seeing and all else but widths",
        remedy="header: DATE-OBS; or --set camera.frame_interval_s=...",
    )
    return found.model_copy(
        update={
            "timing": None,
            "duration_s": None,
            "start_utc": None,
            "known": {k: fact for k, fact in found.known.items() if k != "frame_interval_s"},
            "missing": [interval, *found.missing],
            "can": ["widths of the stars"],
            "cannot": [
                "spectra, drift and what they tell: nothing says when the frames were taken"
            ],
            "notes": [Remark(code="times-unknown", facts={"missing": missing}), *found.notes],
        }
    )


def _knows_airmass(sequence: Sequence) -> bool:
    airmass = sequence.instrument.settings.get("airmass")
    return airmass is not None and airmass.origin != "default"


def _remedy(key: str, keywords: str) -> str:
    section = _SECTIONS.get(key, "camera")
    option = f"; or --set {section}.{key}=..." if section else ""
    return f"header: {keywords}{option}"


def _timing(sequence: Sequence) -> FrameTiming:
    cadence = sequence.cadence_s or 1.0
    stamps = sequence.stamps
    exposure = sequence.exposure_s
    return FrameTiming(
        kind=sequence.timing,
        source=stamps.keyword,
        cadence_s=cadence,
        rate_hz=1 / cadence,
        nyquist_hz=0.5 / cadence,
        frequency_step_hz=1 / sequence.duration_s,
        stamp_resolution_s=stamps.resolution_s,
        jitter_rms_s=stamps.jitter_rms_s,
        missing_frames=stamps.missing,
        gaps=list(stamps.gaps),
        backward_steps=stamps.backward,
        duplicates=stamps.duplicates,
        segments=int(sequence.segment[-1]) + 1,
        exposed_share=None if exposure is None else min(exposure / cadence, 1.0),
        rates=[
            RateStretch(start_s=part.start_s, frames=part.frames, rate_hz=part.rate_hz)
            for part in _rates(sequence)
        ],
    )


def _rates(sequence: Sequence) -> tuple[RatePart, ...]:
    if (sequence.cadence_s or SUBFRAME_S) >= SUBFRAME_S:
        return ()  # such frames are started one by one, at any interval
    from blursplit.frames.timing import parts_of_rate

    return parts_of_rate(sequence.time_s)


def _prospects_of_rates(rates: tuple[RatePart, ...]) -> tuple[str, str]:
    """Return what two rates in one run are good for, and what they cannot do."""
    from blursplit.frames.timing import small_ratio

    longer, shorter = sorted(rates, key=lambda part: part.frames, reverse=True)
    ratio = small_ratio(longer.rate_hz, shorter.rate_hz)
    can = (
        f"lines of the {longer.frames} frames at {longer.rate_hz:.4g} per second, whose true "
        f"frequency the {shorter.frames} frames at {shorter.rate_hz:.4g} per second help to tell"
    )
    cannot = (
        f"motion and widths of the {shorter.frames} frames at {shorter.rate_hz:.4g} per second: "
        "only the longer part is measured, give the other as a sequence of its own"
    )
    if ratio is None:
        return can, cannot
    if ratio[1] == 1:
        can = can.partition(", whose")[0]
        return can, (
            f"{cannot}; nor does it help with folded lines, because {longer.rate_hz:.4g} is "
            f"{ratio[0]} times {shorter.rate_hz:.4g}"
        )
    text = f"{ratio[0]} to {ratio[1]}"
    return can, f"{cannot}; a ratio of {text} leaves some folded lines open, uneven rates do not"


def _prospects(sequence: Sequence) -> tuple[list[str], list[str]]:
    known = sequence.instrument.settings
    can, cannot = [], []
    cadence, exposure = sequence.cadence_s or 1.0, sequence.exposure_s
    if exposure is not None and exposure >= SUBFRAME_S:
        can.append("motion between subframes, elongation shared by all stars, width of each frame")
        cannot.append(
            f"anything faster than {0.5 / cadence:.2g} Hz: vibration and most of the air move "
            "within one frame and stay together in its width"
        )
    elif sequence.n_frames >= SPECTRUM_FRAMES:
        can.append(
            f"spectra from {1 / sequence.duration_s:.2g} to {0.5 / cadence:.4g} Hz; what is faster "
            "shows folded, as a set of candidate frequencies"
        )
    rates = _rates(sequence)
    if rates:
        with_two, without = _prospects_of_rates(rates)
        can.append(with_two)
        cannot.append(without)
    if sequence.n_frames < SPECTRUM_FRAMES:
        cannot.append(f"spectra: {sequence.n_frames} frames, at least {SPECTRUM_FRAMES} are needed")
    if exposure is not None:
        can.append(
            f"motion up to about {SINC_HALF_POWER / exposure:.3g} Hz keeps half its power or more "
            f"within a frame of {exposure:.4g} s"
        )
    else:
        cannot.append("how much motion each frame averages: the exposure is unknown")
    if "pixel_scale_arcsec" in known:
        can.append("motion and widths in arcseconds")
    else:
        cannot.append("arcseconds: motion stays in pixels without a pixel scale")
    if "aperture_m" not in known:
        cannot.append("the air's share and seeing: the aperture is unknown")
    elif "pixel_scale_arcsec" in known:
        can.append("the air, its lower bound from star pairs (two stars or more) included")
    if sequence.start_utc is None:
        cannot.append("the altitude from position and site: the date is unknown")
    return can, cannot


def _duration(seconds: float) -> str:
    return f"{1e3 * seconds:.4g} ms" if seconds < 1 else f"{seconds:.4g} s"


def _advice(sequence: Sequence) -> list[str]:
    known = sequence.instrument.settings
    out = []
    cadence, exposure = sequence.cadence_s or 1.0, sequence.exposure_s
    if exposure is not None and exposure > GOOD_EXPOSURE_S:
        out.append(
            f"expose 2 to 10 ms instead of {_duration(exposure)}: longer frames blur fast motion"
        )
    if 1 / cadence < GOOD_RATE_HZ:
        out.append(
            f"record {GOOD_RATE_HZ:.0f} frames/s or more instead of {1 / cadence:.3g}: cut out a "
            "region around the stars"
        )
    if sequence.duration_s < GOOD_DURATION_S:
        out.append(
            f"record 60 to 120 s instead of {sequence.duration_s:.3g} s: slow air and slow drive "
            "errors need the length"
        )
    if known["time_stamps"].value != "hardware" and sequence.stamps.snapped:
        out.append(
            "if the camera stamps frames itself (hardware), say camera.time_stamps=hardware; "
            "these stamps are taken as software, the frames as evenly spaced"
        )
    if known["row_time_us"].origin == "default":
        out.append(
            "if the shutter rolls, give camera.row_time_us; rows are taken as exposed together"
        )
    codes = {code for code, _ in sequence.notes}
    if "eight-bit" in codes:
        out.append("record 12 or 16 bits, linear")
    if SATURATED in codes:
        out.append("expose less or lower the gain: the brightest stars are clipped and left out")
    if sequence.stamps.missing > 0.05 * sequence.n_frames:
        out.append("frames are lost on the way: a smaller region or a faster disk keeps them")
    airmass = known.get("airmass")
    if airmass is not None and airmass.value > LOW_ALTITUDE_AIRMASS:
        out.append("choose a field higher in the sky: dispersion and air grow with airmass")
    return out
