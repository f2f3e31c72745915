"""A sequence: frames in order of time, their times, and what is known of the instrument."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeAlias, TypeGuard

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import InputError, TooFewFramesError, plain
from blursplit.frames.clock import Clock
from blursplit.frames.facts import complete_pointing, read_facts
from blursplit.frames.hdus import Units
from blursplit.frames.header import Header
from blursplit.frames.layout import find_files
from blursplit.frames.pixels import Calibration, prepare_frames
from blursplit.frames.source import ArrayFrames, FileFrames, FrameSource, FramesOver
from blursplit.frames.timestamps import Stamps, iso_utc
from blursplit.frames.timing import Timing, order_frames
from blursplit.result import Facts, Note
from blursplit.rig import Rig, Setting, Setup
from blursplit.types import FloatArray, ImageArray, IntArray

Frames: TypeAlias = str | Path | Iterable[str | Path] | NDArray[Any]


@dataclass(frozen=True)
class Sequence:
    """Frames in order of time and what is known about them."""

    name: str
    source: FrameSource  # where the pixels come from; close it when done
    time_s: FloatArray  # (n_frames,): middle of each exposure since the first frame's, increasing
    start_utc: str | None  # ISO time of the first frame's middle
    exposure_s: float | None
    cadence_s: float | None
    timing: str  # "regular", "jittered" or "irregular"
    segment: IntArray  # (n_frames,): number of the stretch without gaps
    frame: IntArray  # (n_frames,): number of each frame in the order of the files
    instrument: Rig
    n_files: int
    notes: tuple[Note, ...] = ()
    dropped: dict[str, int] = field(default_factory=dict)  # reason -> number of frames left out
    stamps: Timing | None = None

    @property
    def n_frames(self) -> int:
        """Number of frames."""
        return int(self.time_s.size)

    @property
    def duration_s(self) -> float:
        """Time from the first to the last middle of exposure, plus one interval."""
        return float(self.time_s[-1] - self.time_s[0]) + (self.cadence_s or 0.0)

    def part(self, first: int, last: int) -> Sequence:
        """Return frames first:last, their times from the first of them."""
        time_s = self.time_s[first:last]
        start_utc = self.start_utc
        if start_utc is not None:
            later = np.timedelta64(round(float(time_s[0]) * 1e6), "us")
            start_utc = str(np.datetime64(start_utc, "us") + later)
        return replace(
            self,
            source=_SomeFrames(self.source, first, last - first),
            time_s=time_s - time_s[0],
            start_utc=start_utc,
            segment=self.segment[first:last],
            frame=np.arange(last - first, dtype=np.int64),
        )


def open_frames(
    frames: Frames,
    rig: Rig | str | Path | None = None,
    times: Any = None,
    calibration: Calibration | None = None,
    *,
    growing: bool = False,
) -> Sequence:
    """Open files or an array as one sequence of frames; no pixels of files are kept.

    Parameters
    ----------
    frames : path, iterable of paths, or ndarray [frame, y, x]
        A folder, files, a pattern or a cube; all of them form one sequence.
    rig : Rig or path of a setup file, optional
        What is declared; it is stronger than headers.
    times : Quantity, Time or ndarray of float [s], shape (n_frames,), optional
        Middle of each exposure, for an array only; by default the rig's frame interval.
    calibration : Calibration, optional
        Offset and flat field to apply.
    growing : bool
        Files are still being written: of a cube, the frames that are there are taken, and no
        file is mapped into memory, since its writer may cut it.

    Raises
    ------
    InputError
        When a path cannot be used, or the frames do not belong together.
    TimingError
        When nothing says when, or how fast, the frames were taken.
    TooFewFramesError
        Below 10 frames.
    TypeError, ValueError
        For an array or times of the wrong kind or shape.

    Examples
    --------
    >>> from blursplit.frames import open_frames
    >>> sequence = open_frames("night1/sequence.fits")
    >>> sequence.n_frames, round(sequence.cadence_s, 3)
    (40, 0.02)
    >>> sequence.source.read(0, 2).shape
    (2, 96, 128)
    >>> sequence.source.close()
    """
    declared = Rig.of(rig)
    setup = declared.setup
    dropped: dict[str, int] = {}
    if is_array(frames):
        name, n_files, parts = "array", 0, _read_array(np.asanyarray(frames), times)
        notes = list(parts.notes)
    else:
        if times is not None:
            raise InputError("times", "go with an array of frames only", "leave them out for files")
        listed = [frames] if isinstance(frames, str | Path) else list(frames)
        files, repeated = find_files(listed)
        units = Units.read(files, growing=growing)
        units.leave_out("file given twice", "repeated-files", repeated)
        name, n_files, dropped = plain(_name(listed, files)), len(files), units.dropped
        parts = _read_images(units, name, growing=growing) if units.slabs else _read_tables(units)
        notes = [*units.notes, *parts.notes]
    if parts.count < const.FEWEST_FRAMES:
        raise TooFewFramesError(name, parts.count, const.FEWEST_FRAMES)
    order, timing = order_frames(parts.clock, parts.count, name, setup, notes, dropped)
    exposure = parts.exposure or _check_exposure(
        parts.header, parts.planes, timing.cadence_s, notes
    )
    first_mjd = timing.start_mjd(parts.clock, order, exposure)
    known = read_facts(parts.header) | parts.facts
    if exposure is not None:
        known["exposure_s"] = exposure
    known["frame_interval_s"] = Setting(timing.cadence_s, "measured", timing.keyword)
    middle_mjd = None if first_mjd is None else first_mjd + 0.5 * timing.time_s[-1] / const.DAY_S
    known = complete_pointing(known, middle_mjd)
    source, known = prepare_frames(
        parts.frames(order), known, parts.header, setup, calibration, name, notes
    )
    merged = declared.with_header(known)
    _refuse_impossible(setup, timing.cadence_s, source.shape, name)
    segment = _split_at_flips(parts, order, timing.segment, notes)
    return Sequence(
        name=name,
        source=source,
        time_s=timing.time_s,
        start_utc=None if first_mjd is None else iso_utc(first_mjd),
        exposure_s=merged.get("exposure_s"),
        cadence_s=timing.cadence_s,
        timing=timing.kind,
        segment=segment,
        frame=order,
        instrument=merged,
        n_files=n_files,
        # words of others, such as names of files, must be such as can be written anywhere
        notes=tuple(
            (code, {k: plain(v) if isinstance(v, str) else v for k, v in facts.items()})
            for code, facts in notes
        ),
        dropped=dropped,
        stamps=timing,
    )


def _refuse_impossible(setup: Setup, cadence_s: float, shape: tuple[int, int], name: str) -> None:
    """Refuse frames too small for a star, and declared times that do not fit the frames."""
    if min(shape) < const.SMALLEST_SIDE_PX:
        problem = f"frames of {shape[1]} x {shape[0]} pixels are too small for a star"
        raise InputError(name, problem, "record a larger window")
    setup.camera.refuse_interval(cadence_s, name)
    rows_s = 1e-6 * (setup.camera.row_time_us or 0.0) * shape[0]
    if rows_s > const.LONGEST_EXPOSED_SHARE * cadence_s:
        problem = f"key 'camera.row_time_us': {shape[0]} rows take {rows_s:.3g} s, "
        problem += f"longer than the interval of {cadence_s:.4g} s between frames"
        raise InputError(name, problem, "give the time from row to row in microseconds")


def is_array(frames: object) -> TypeGuard[np.ndarray]:
    """Return whether frames are given as an array, in memory or mapped."""
    return isinstance(frames, np.ndarray) or (
        hasattr(frames, "__array__") and hasattr(frames, "shape") and hasattr(frames, "dtype")
    )


@dataclass(frozen=True)
class _Parts:
    """What images and tables have in common before they are put in order."""

    count: int
    planes: int
    clock: Clock
    header: Header
    frames: Callable[[IntArray], FrameSource]
    exposure: Setting | None = None
    facts: dict[str, Setting] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)
    sides: tuple[str, ...] = ()


def _read_images(units: Units, name: str, *, growing: bool) -> _Parts:
    count = sum(slab.planes for slab in units.slabs)
    if count < const.FEWEST_FRAMES:
        raise TooFewFramesError(name, count, const.FEWEST_FRAMES)
    clock = Clock.read(units)  # leaves out files without a time
    slabs = units.slabs
    notes = list(clock.notes)
    if slabs[0].stride > 1:
        notes.append(("colour-planes", {}))
    sides = [slab.header.word("PIERSIDE") for slab in slabs for _ in range(slab.planes)]
    return _Parts(
        count=sum(slab.planes for slab in slabs),
        planes=slabs[0].planes,
        clock=clock,
        header=slabs[len(slabs) // 2].header,
        frames=lambda order: FileFrames.of(slabs, order, mapped=not growing),
        notes=notes,
        sides=tuple(sides) if len(set(sides)) > 1 else (),
    )


def _read_tables(units: Units) -> _Parts:
    frames, stamps, exposure, facts = units.target_pixels()
    return _Parts(
        count=len(frames),
        planes=1,
        clock=Clock(stamps=stamps),
        header=units.tables[0].header,
        frames=lambda order: ArrayFrames(frames, order),
        exposure=exposure,
        facts=facts,
        notes=[("target-pixels", {"tables": len(units.tables)})],
    )


def _read_array(frames: NDArray[Any], times: Any) -> _Parts:
    if frames.ndim != 3:  # noqa: PLR2004
        msg = f"frames must be an array [frame, y, x], not of shape {frames.shape}"
        raise ValueError(msg)
    if frames.dtype.kind not in "uif":
        msg = f"frames must hold whole or real numbers, not {frames.dtype}"
        raise TypeError(msg)
    stamps = None
    if times is not None:
        stamps = Stamps.given(times, "times")
        if stamps.seconds.shape != frames.shape[:1]:
            msg = f"{frames.shape[0]} frames, but times of shape {stamps.seconds.shape}"
            raise ValueError(msg)
    return _Parts(
        count=frames.shape[0],
        planes=1,
        clock=Clock(stamps=stamps, one_cube=True),
        header=Header(b""),
        frames=lambda order: ArrayFrames(frames, order),
    )


def _check_exposure(
    header: Header, planes: int, cadence_s: float, notes: list[Note]
) -> Setting | None:
    """Return the exposure of a header [s] of so many frames, checked against their interval."""
    found = header.exposure
    if found is None:
        return None
    value, longest_s = float(found.value), 1.05 * cadence_s
    if value <= longest_s:
        return found
    facts: Facts = {"keyword": found.note, "value": value, "interval_s": cadence_s}
    if 1e-3 * cadence_s < value * 1e-3 <= longest_s:
        notes.append(("exposure-in-milliseconds", facts))
        return Setting(value * 1e-3, "header", f"{found.note}, taken as milliseconds")
    if planes > 1 and value / planes <= longest_s:
        notes.append(("exposure-of-cube", facts))
        return Setting(value / planes, "header", f"{found.note} / number of frames")
    notes.append(("exposure-unusable", facts))
    return None


def _split_at_flips(
    parts: _Parts, order: IntArray, segment: IntArray, notes: list[Note]
) -> IntArray:
    """Begin a new segment where the mount changed sides."""
    if not parts.sides:
        return segment
    sides = np.array(parts.sides)[order]
    flips = sides[1:] != sides[:-1]
    if not flips.any():
        return segment
    notes.append(("pier-flip", {"times": int(np.count_nonzero(flips))}))
    breaks = flips | (np.diff(segment) > 0)
    return np.concatenate([[0], np.cumsum(breaks)]).astype(np.int64)


def _name(given: list[str | Path], files: list[Path]) -> str:
    """Return what a sequence is called: the folder that was given, or its file."""
    if len(files) == 1 and not Path(given[0]).is_dir():
        stem = files[0].name
        for ending in (".gz", ".fz", ".fits", ".fit", ".fts", ".ser"):
            stem = stem[: -len(ending)] if stem.lower().endswith(ending) else stem
        return stem or files[0].name
    return files[0].resolve().parent.name or files[0].stem


class _SomeFrames(FramesOver):
    """Some frames of a source, counted from 0."""

    def __init__(self, inner: FrameSource, first: int, count: int) -> None:
        super().__init__(inner)
        self._first, self.n_frames = first, count

    def read(self, start: int, stop: int) -> ImageArray:
        return self._inner.read(self._first + start, self._first + stop)

    def cut(self, start: int, stop: int, x0: IntArray, y0: IntArray, size: int) -> ImageArray:
        return self._inner.cut(self._first + start, self._first + stop, x0, y0, size)
