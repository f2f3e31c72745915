"""A sequence: frames in order of time, when they were taken, and what is known of the instrument."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from blursplit.errors import InputError, TooFewFramesError
from blursplit.frames.clock import Clock, no_times, read_clock
from blursplit.frames.facts import read_exposure, read_facts
from blursplit.frames.finding import find_files
from blursplit.frames.pointing import complete_pointing
from blursplit.frames.source import FileFrames
from blursplit.frames.stamps import DAY_S, Stamps, iso_utc
from blursplit.frames.timing import Timing, even_timing, solve_timing
from blursplit.frames.units import read_units
from blursplit.instrument import Instrument, Known, Setup, assemble

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from blursplit.frames.calibration import Calibration
    from blursplit.frames.layout import Slab
    from blursplit.frames.source import FrameSource
    from blursplit.instrument import Origin

    IntArray = NDArray[np.int64]
    FloatArray = NDArray[np.float64]

MIN_FRAMES = 10


@dataclass(frozen=True)
class StampReport:
    """What the time stamps were like.

    Parameters
    ----------
    keyword : str
        Keyword or table they came from; '' where only an interval is known.
    resolution_s, jitter_rms_s : float or None
    missing, backward, duplicates : int
        Frames absent from the grid, steps back in the order of the files, equal stamps dropped.
    gaps : tuple of (float, float)
        Time before each gap and its length [s].
    snapped : bool
        Whether the times are those of a fitted grid.
    """

    keyword: str = ""
    resolution_s: float | None = None
    jitter_rms_s: float | None = None
    missing: int = 0
    backward: int = 0
    duplicates: int = 0
    gaps: tuple[tuple[float, float], ...] = ()
    snapped: bool = True


@dataclass(frozen=True)
class Sequence:
    """Frames in order of time and what is known about them.

    Parameters
    ----------
    name : str
    source : FrameSource
        Where the pixels come from; close it when done.
    time_s : ndarray, shape (n_frames,)
        Middle of each exposure since the first frame's, increasing.
    start_utc : str or None
        ISO time of the first frame's middle.
    exposure_s, cadence_s : float or None
    timing : "regular", "jittered" or "irregular"
    segment : ndarray of int, shape (n_frames,)
        Number of the stretch without gaps.
    frame : ndarray of int, shape (n_frames,)
        Number of each frame in the order of the files.
    instrument : Instrument
    n_files : int
    notes : tuple of (code, text)
    dropped : dict
        Reason -> number of frames left out.
    stamps : StampReport
    keywords : tuple of str
        Keywords of the first header.
    """

    name: str
    source: FrameSource
    time_s: FloatArray
    start_utc: str | None
    exposure_s: float | None
    cadence_s: float | None
    timing: str
    segment: IntArray
    frame: IntArray
    instrument: Instrument
    n_files: int
    notes: tuple[tuple[str, str], ...] = ()
    dropped: dict[str, int] = field(default_factory=dict)
    stamps: StampReport = field(default_factory=StampReport)
    keywords: tuple[str, ...] = ()

    @property
    def n_frames(self) -> int:
        """Number of frames."""
        return int(self.time_s.size)

    @property
    def duration_s(self) -> float:
        """Time from the first to the last middle of exposure, plus one interval."""
        return float(self.time_s[-1] - self.time_s[0]) + (self.cadence_s or 0.0)


def open_sequence(
    paths: Iterable[Path | str],
    setup: Setup | None = None,
    origins: Mapping[str, Origin] | None = None,
    calibration: Calibration | None = None,
) -> Sequence:
    """Open a folder, files, a pattern or a cube as one sequence; no pixels are kept.

    Parameters
    ----------
    paths : iterable of Path or str
        All of them form one sequence.
    setup : Setup, optional
        Setup file and options, which are stronger than headers.
    origins : mapping, optional
        Where each key of `setup` came from, from `read_setup`.
    calibration : Calibration, optional
        Offset and flat field to apply.

    Raises
    ------
    InputError
        When a path cannot be used, or the frames do not belong together.
    TimingError
        When nothing says when, or how fast, the frames were taken.
    TooFewFramesError
        Below 10 frames.
    """
    setup = setup or Setup()
    files, repeated = find_files(paths)
    units = read_units(files)
    units.leave_out("file given twice", "repeated_files", repeated)
    name = _name(files)
    slab_of, plane_of = _enumerate(units.slabs)
    if slab_of.size < MIN_FRAMES:
        raise TooFewFramesError(name, int(slab_of.size), MIN_FRAMES)
    clock = read_clock(units)
    notes = [*units.notes, *clock.notes]
    given = setup.camera.frame_interval_s
    order, timing, report = _order(clock, slab_of.size, name, setup, notes, units.dropped)
    cadence = timing.cadence_s
    exposure = _exposure(units.slabs[0], setup, cadence, notes)
    source = FileFrames(units.slabs, slab_of[order], plane_of[order])
    middle_mjd = _start_mjd(clock, order, timing, exposure)
    header = read_facts(units.slabs[len(units.slabs) // 2].header)
    if exposure is not None:
        header["exposure_s"] = exposure
    if given is None:
        header["frame_interval_s"] = Known(cadence, "header", report.keyword)
    instant = None if middle_mjd is None else middle_mjd + 0.5 * timing.time_s[-1] / DAY_S
    header = complete_pointing(header, instant)
    instrument = assemble(setup, origins or {}, header)
    return Sequence(
        name=name,
        source=source,
        time_s=timing.time_s,
        start_utc=None if middle_mjd is None else iso_utc(middle_mjd),
        exposure_s=instrument.get("exposure_s"),
        cadence_s=cadence,
        timing=timing.kind,
        segment=timing.segment,
        frame=order,
        instrument=instrument,
        n_files=len(files),
        notes=tuple(notes),
        dropped=units.dropped,
        stamps=report,
        keywords=tuple(units.slabs[0].header.keys()),
    )


def _name(files: list[Path]) -> str:
    if len(files) == 1:
        stem = files[0].name
        for ending in (".gz", ".fz", ".fits", ".fit", ".fts"):
            stem = stem[: -len(ending)] if stem.lower().endswith(ending) else stem
        return stem or files[0].name
    return files[0].resolve().parent.name or files[0].stem


def _enumerate(slabs: list[Slab]) -> tuple[IntArray, IntArray]:
    counts = [slab.planes for slab in slabs]
    slab_of = np.repeat(np.arange(len(slabs), dtype=np.int64), counts)
    plane_of = np.concatenate([np.arange(count, dtype=np.int64) for count in counts])
    return slab_of, plane_of


def _order(
    clock: Clock,
    count: int,
    name: str,
    setup: Setup,
    notes: list[tuple[str, str]],
    dropped: dict[str, int],
) -> tuple[IntArray, Timing, StampReport]:
    """Return the frames in order of time and their times."""
    given = setup.camera.frame_interval_s
    if clock.stamps is None:
        interval = given or clock.interval_s
        if interval is None:
            raise no_times(name)
        key = "camera.frame_interval_s" if given else clock.interval_key
        report = StampReport(keyword=key)
        return np.arange(count, dtype=np.int64), even_timing(count, interval), report
    stamps = clock.stamps
    seconds = stamps.seconds
    if stamps.note:
        notes.append(("times_assumed", stamps.note))
    backward = int(np.count_nonzero(np.diff(seconds) < 0))
    order = np.argsort(seconds, kind="stable").astype(np.int64)
    if backward:
        notes.append(
            (
                "times_backward",
                f"time steps back {backward} times in the order of the files; sorted",
            )
        )
    order, duplicates = _without_duplicates(order, seconds, stamps)
    if duplicates:
        dropped["duplicate time"] = duplicates
        notes.append(
            ("duplicate_times", f"{duplicates} frames repeat the time of another: dropped")
        )
    if order.size < MIN_FRAMES:
        raise TooFewFramesError(name, int(order.size), MIN_FRAMES)
    timing = solve_timing(
        seconds[order],
        stamps.resolution_s,
        hardware=setup.camera.time_stamps == "hardware",
        interval_s=given,
    )
    report = StampReport(
        stamps.keyword,
        stamps.resolution_s,
        timing.jitter_rms_s,
        timing.missing,
        backward,
        duplicates,
        tuple(timing.gaps),
        timing.snapped,
    )
    _note_timing(timing, given, clock, notes)
    return order, timing, report


def _without_duplicates(
    order: IntArray, seconds: FloatArray, stamps: Stamps
) -> tuple[IntArray, int]:
    """Drop frames of equal time when the stamps are fine enough for that to mean something."""
    steps = np.diff(seconds[order])
    equal = steps < stamps.resolution_s / 2
    usual = float(np.median(steps))
    if usual < 3 * stamps.resolution_s or np.mean(equal) > 0.1:  # noqa: PLR2004
        return order, 0
    keep = np.concatenate([[True], ~equal])
    return order[keep], int(np.count_nonzero(equal))


def _note_timing(
    timing: Timing, given: float | None, clock: Clock, notes: list[tuple[str, str]]
) -> None:
    if timing.missing > 0:
        notes.append(("missing_frames", f"{timing.missing} frames are missing from the time grid"))
    if timing.gaps:
        longest = max(length for _, length in timing.gaps)
        notes.append(
            ("gaps", f"{len(timing.gaps)} gaps, the longest {longest:.3g} s: split into segments")
        )
    said = given or clock.interval_s
    if said and timing.kind != "irregular":
        found = (
            solve_timing(clock.stamps.seconds, clock.stamps.resolution_s)
            if given and (clock.stamps is not None)
            else timing
        )
        if abs(found.cadence_s / said - 1) > 0.02:  # noqa: PLR2004
            notes.append(
                (
                    "interval_contradicts_times",
                    f"interval {said:.6g} s is given, the times say {found.cadence_s:.6g} s",
                )
            )


def _exposure(
    slab: Slab, setup: Setup, cadence_s: float, notes: list[tuple[str, str]]
) -> Known | None:
    """Return the exposure of the header, checked against the interval between frames."""
    found = read_exposure(slab.header)
    if found is None:
        return None
    value, slack = float(found.value), 1.05
    if value <= cadence_s * slack:
        return found
    if setup.camera.exposure_s is not None:
        return None
    if value * 1e-3 <= cadence_s * slack and value * 1e-3 > 1e-3 * cadence_s:
        notes.append(
            (
                "exposure_in_milliseconds",
                f"{found.note} = {value:g} exceeds the frame interval of {cadence_s:.4g} s and is "
                "taken as milliseconds",
            )
        )
        return Known(value * 1e-3, "header", f"{found.note}, taken as milliseconds")
    if slab.planes > 1 and value / slab.planes <= cadence_s * slack:
        notes.append(
            ("exposure_of_cube", f"{found.note} = {value:g} s is taken as the time of all frames")
        )
        return Known(value / slab.planes, "header", f"{found.note} / number of frames")
    notes.append(
        (
            "exposure_unusable",
            f"{found.note} = {value:g} s exceeds the frame interval of {cadence_s:.4g} s: ignored",
        )
    )
    return None


def _start_mjd(
    clock: Clock, order: IntArray, timing: Timing, exposure: Known | None
) -> float | None:
    """Return the date of the first frame's middle."""
    stamps = clock.stamps or clock.start
    if stamps is None or stamps.first_mjd_utc is None:
        return None
    first = 0.0
    if clock.stamps is not None:
        offsets = stamps.seconds[order] - timing.time_s
        first = float(np.median(offsets)) if timing.snapped else float(offsets[0])
    shift = {"begin": 0.5, "middle": 0.0, "end": -0.5}[stamps.where]
    half = shift * float(exposure.value) if exposure is not None else 0.0
    return stamps.first_mjd_utc + (first + half) / DAY_S


def refuse_blank(source: str, level: float) -> InputError:
    """Return the error for frames without any contrast."""
    return InputError(
        source, f"all pixels have the value {level:g}: no image", "check exposure and camera"
    )
