"""What can and cannot be told from a sequence before any star is measured, and how to do better.

The words for the codes here stand in `report.words_evidence`.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from pathlib import Path
from typing import Literal

from pydantic import Field

from blursplit import constants as const
from blursplit.errors import InputError, plain
from blursplit.frames.layout import is_fits_name, read_layout
from blursplit.frames.pixels import Calibration
from blursplit.frames.sequence import Sequence
from blursplit.frames.timing import RatePart
from blursplit.result import Document, Part, Remark
from blursplit.rig import Setting
from blursplit.types import sure

INSPECTION_SCHEMA = "blursplit-inspect/2"
SATURATED = "saturated-pixels"

# Keywords in a header, and section of the setup; what for stands in `report.words_evidence`.
_WANTED = (
    ("pixel_scale_arcsec", "celestial WCS, or XPIXSZ and FOCALLEN", "camera"),
    ("aperture_m", "APTDIA", "telescope"),
    ("exposure_s", "EXPTIME", "camera"),
    ("gain_e_per_adu", "EGAIN", "camera"),
    ("read_noise_e", "RDNOISE", "camera"),
    ("band_nm", "FILTER", "air"),
    ("altitude_deg", "AIRMASS, OBJCTALT, or RA, DEC, site and time", ""),
    ("position_angle_deg", "celestial WCS", "camera"),
    ("row_order", "ROWORDER", "camera"),
)
_CALIBRATION_FOLDERS = ("bias", "dark", "flat", "zero", "offset", "calib")


class _Missing(Part):
    """A fact that nothing gave."""

    key: str
    needed_for: str = ""
    remedy: str


class _RateStretch(Part):
    """Frames in a row at one rate, where a run has two."""

    start_s: float
    frames: int
    rate_hz: float


class _FrameTiming(Part):
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
    rates: list[_RateStretch] = Field(default_factory=list)


class _CalibrationFrames(Part):
    """Calibration frames of one kind, size and exposure, in one folder."""

    kind: Literal["bias", "dark", "flat"]
    folder: str
    frames: int
    exposure_s: float | None
    width_px: int
    height_px: int
    use: Remark


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
    timing: _FrameTiming | None
    known: dict[str, Setting]
    missing: list[_Missing]
    calibration: list[_CalibrationFrames] = Field(default_factory=list)
    can: list[Remark]
    cannot: list[Remark]
    advice: list[Remark]
    notes: list[Remark]

    def without_times(self, missing: str) -> Inspection:
        """Return what is said of frames of which nothing tells when they were taken.

        This record is of the same frames with an interval put in to be able to open them.
        `missing`: what was not found, and the remedy.
        """
        interval = _Missing(
            key="frame_interval_s", remedy="header: DATE-OBS; or --set camera.frame_interval_s=..."
        )
        return self.model_copy(
            update={
                "timing": None,
                "duration_s": None,
                "start_utc": None,
                "known": {k: fact for k, fact in self.known.items() if k != "frame_interval_s"},
                "missing": [interval, *self.missing],
                "can": [Remark.of("can-widths")],
                "cannot": [Remark.of("cannot-times")],
                "notes": [Remark.of("times-unknown", missing=missing), *self.notes],
            }
        )

    @classmethod
    def of(cls, sequence: Sequence, paths: Iterable[Path] = ()) -> Inspection:
        """Return what is known of a sequence and what it will bear.

        `paths`: where calibration frames are looked for, by their headers: in these folders, or
        those of these files, and in the folders beside and within whose names speak of calibration.

        Returns: no star is looked for: what is said rests on rate, length, exposure and headers.

        Examples
        --------
        >>> from blursplit.frames import open_frames
        >>> from blursplit.frames.inspection import Inspection
        >>> found = Inspection.of(open_frames(["night1"]))
        >>> found.frames, found.timing.kind
        (40, 'regular')
        """
        known = sequence.instrument.settings
        given = set(known) | ({"altitude_deg"} if known["airmass"].origin != "default" else set())
        missing = [
            _Missing(
                key=key,
                remedy=f"header: {keywords}{f'; or --set {section}.{key}=...' if section else ''}",
            )
            for key, keywords, section in _WANTED
            if key not in given
        ]
        can, cannot = _prospects(sequence)
        return cls(
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
            known=dict(sorted(known.items())),
            missing=missing,
            calibration=_calibration(sequence, paths),
            can=can,
            cannot=cannot,
            advice=_advice(sequence),
            notes=[Remark.of(code, **facts) for code, facts in sequence.notes],
        )


def _calibration(sequence: Sequence, paths: Iterable[Path]) -> list[_CalibrationFrames]:
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
                kind = slab.header.calibration_kind
                if kind is not None:
                    key = (kind, folder, slab.header.exposure_s, slab.shape)
                    counts[key] = counts.get(key, 0) + slab.planes
    return [
        _CalibrationFrames(
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
) -> Remark:
    """Return how calibration frames are given to `measure`, or why they are of no use."""
    if shape != sequence.source.shape:
        return Remark.of("use-none")
    exposure = sequence.exposure_s
    other = (
        kind == "dark" and exposure and seconds and not Calibration.same_exposure(seconds, exposure)
    )
    facts = {"kind": kind, "folder": shlex.quote(plain(folder))}
    return Remark.of("use", **facts, exposure_s=exposure if other else None)


def _timing(sequence: Sequence) -> _FrameTiming:
    cadence = sequence.cadence_s or 1.0
    stamps, exposure = sure(sequence.stamps), sequence.exposure_s
    return _FrameTiming(
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
            _RateStretch(start_s=part.start_s, frames=part.frames, rate_hz=part.rate_hz)
            for part in _rates(sequence)
        ],
    )


def _rates(sequence: Sequence) -> tuple[RatePart, ...]:
    if (sequence.cadence_s or const.SUBFRAME_S) >= const.SUBFRAME_S:
        return ()  # such frames are started one by one, at any interval
    return RatePart.both(sequence.time_s)


def _small_ratio(first_hz: float, second_hz: float) -> tuple[int, int] | None:
    """Return the small whole numbers whose ratio two rates have, or None.

    Rates p and q times a common base fold the same frequencies together every p q of it, and where
    one is a multiple of the other the slower says nothing that the faster does not.

    Examples
    --------
    >>> _small_ratio(50.0, 25.0), _small_ratio(40.0, 50.0), _small_ratio(40.0, 47.0)
    ((2, 1), (4, 5), None)
    """
    from fractions import Fraction

    near = Fraction(first_hz / second_hz).limit_denominator(const.RATE_SMALL_NUMBERS)
    exact = abs(first_hz / second_hz / float(near) - 1.0) < 1e-3 if near else False  # noqa: PLR2004
    small = exact and max(near.numerator, near.denominator) <= const.RATE_SMALL_NUMBERS
    return (near.numerator, near.denominator) if small else None


def _prospects(sequence: Sequence) -> tuple[list[Remark], list[Remark]]:
    known = sequence.instrument.settings
    can: list[Remark] = []
    cannot: list[Remark] = []
    cadence, exposure = sequence.cadence_s or 1.0, sequence.exposure_s
    if exposure is not None and exposure >= const.SUBFRAME_S:
        can.append(Remark.of("can-subframes"))
        cannot.append(Remark.of("cannot-fast", above_hz=0.5 / cadence))
    elif sequence.n_frames >= const.SPECTRUM_FRAMES:
        can.append(Remark.of("can-spectra", low_hz=1 / sequence.duration_s, high_hz=0.5 / cadence))
    rates = sorted(_rates(sequence), key=lambda part: part.frames, reverse=True)
    if rates:
        longer, shorter = rates
        ratio = _small_ratio(longer.rate_hz, shorter.rate_hz)
        facts: dict[str, float | None] = {
            "frames": longer.frames,
            "rate_hz": longer.rate_hz,
            "other_frames": shorter.frames,
            "other_rate_hz": shorter.rate_hz,
            "times": None if ratio is None else ratio[0],
            "to": None if ratio is None else ratio[1],
        }
        can.append(Remark.of("can-two-rates", **facts))
        cannot.append(Remark.of("cannot-other-rate", **facts))
    if sequence.n_frames < const.SPECTRUM_FRAMES:
        cannot.append(
            Remark.of("cannot-spectra", frames=sequence.n_frames, needed=const.SPECTRUM_FRAMES)
        )
    if exposure is None:
        cannot.append(Remark.of("cannot-exposure"))
    else:
        half_hz = const.SINC_HALF_POWER / exposure
        can.append(Remark.of("can-motion", half_power_hz=half_hz, exposure_s=exposure))
    has_scale = "pixel_scale_arcsec" in known
    if has_scale:
        can.append(Remark.of("can-arcsec"))
    else:
        cannot.append(Remark.of("cannot-arcsec"))
    if "aperture_m" not in known:
        cannot.append(Remark.of("cannot-air"))
    elif has_scale:
        can.append(Remark.of("can-air"))
    if sequence.start_utc is None:
        cannot.append(Remark.of("cannot-altitude"))
    return can, cannot


def _advice(sequence: Sequence) -> list[Remark]:
    known, stamps = sequence.instrument.settings, sure(sequence.stamps)
    codes = {code for code, _ in sequence.notes}
    rate_hz, exposure_s = 1 / (sequence.cadence_s or 1.0), sequence.exposure_s
    airmass = known.get("airmass")
    facts: dict[str, float | None] = {
        "exposure_s": exposure_s,
        "rate_hz": rate_hz,
        "good_rate_hz": const.GOOD_RATE_HZ,
        "duration_s": sequence.duration_s,
    }
    asked = {
        "expose-shorter": exposure_s is not None and exposure_s > const.GOOD_EXPOSURE_S,
        "record-faster": rate_hz < const.GOOD_RATE_HZ,
        "record-longer": sequence.duration_s < const.GOOD_DURATION_S,
        "hardware-stamps": known["time_stamps"].value != "hardware" and stamps.snapped,
        "rolling-rows": known["row_time_us"].origin == "default",
        "more-bits": "eight-bit" in codes,
        "expose-less": SATURATED in codes,
        "lose-fewer-frames": stamps.missing > 0.05 * sequence.n_frames,
        "field-higher": airmass is not None and airmass.value > const.LOW_ALTITUDE_AIRMASS,
    }
    return [Remark.of(code, **facts) for code, is_asked in asked.items() if is_asked]
