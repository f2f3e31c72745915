"""A sequence: frames in order of time, their times, and what is known of the instrument."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from blursplit.errors import TooFewFramesError
from blursplit.frames.clock import Clock, read_clock
from blursplit.frames.facts import read_facts
from blursplit.frames.finding import find_files
from blursplit.frames.ordering import (
    MIN_FRAMES,
    StampReport,
    check_exposure,
    order_frames,
    start_mjd,
)
from blursplit.frames.pixels import prepare_frames
from blursplit.frames.pointing import complete_pointing
from blursplit.frames.source import ArrayFrames, FileFrames, enumerate_frames
from blursplit.frames.stamps import DAY_S, iso_utc
from blursplit.frames.target_pixels import read_target_pixels
from blursplit.frames.units import read_units
from blursplit.plain import plain
from blursplit.rig import Rig, Setting, Setup, assemble

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from blursplit.frames.calibration import Calibration
    from blursplit.frames.header import Header
    from blursplit.frames.source import FrameSource
    from blursplit.frames.units import Units
    from blursplit.rig import Origin

    IntArray = NDArray[np.int64]
    FloatArray = NDArray[np.float64]


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
    instrument : Rig
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
    instrument: Rig
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

    Examples
    --------
    >>> from blursplit import open_sequence
    >>> sequence = open_sequence(["night1/sequence.fits"])
    >>> sequence.n_frames, round(sequence.cadence_s, 3)
    (40, 0.02)
    >>> sequence.source.read(0, 2).shape
    (2, 96, 128)
    >>> sequence.source.close()
    """
    setup = setup or Setup()
    files, repeated = find_files(paths)
    units = read_units(files)
    units.leave_out("file given twice", "repeated-files", repeated)
    name = plain(_name(files))
    parts = _read_tables(units) if not units.slabs else _read_images(units, name)
    notes = [*units.notes, *parts.notes]
    if parts.count < MIN_FRAMES:
        raise TooFewFramesError(name, parts.count, MIN_FRAMES)
    order, timing, report = order_frames(
        parts.clock, parts.count, name, setup, notes, units.dropped
    )
    exposure = parts.exposure or check_exposure(parts.header, parts.planes, timing.cadence_s, notes)
    first_mjd = start_mjd(parts.clock, order, timing, exposure)
    known = read_facts(parts.header) | parts.facts
    if exposure is not None:
        known["exposure_s"] = exposure
    known["frame_interval_s"] = Setting(timing.cadence_s, "measured", report.keyword)
    middle_mjd = None if first_mjd is None else first_mjd + 0.5 * timing.time_s[-1] / DAY_S
    known = complete_pointing(known, middle_mjd)
    source, known = prepare_frames(
        parts.frames(order), known, parts.header, setup, calibration, name, notes
    )
    instrument = assemble(setup, origins or {}, known)
    segment = _split_at_flips(parts, order, timing.segment, notes)
    return Sequence(
        name=name,
        source=source,
        time_s=timing.time_s,
        start_utc=None if first_mjd is None else iso_utc(first_mjd),
        exposure_s=instrument.get("exposure_s"),
        cadence_s=timing.cadence_s,
        timing=timing.kind,
        segment=segment,
        frame=order,
        instrument=instrument,
        n_files=len(files),
        notes=tuple((code, plain(text)) for code, text in notes),
        dropped=units.dropped,
        stamps=report,
        keywords=tuple(parts.header.keys()),
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
    notes: list[tuple[str, str]] = field(default_factory=list)
    sides: tuple[str, ...] = ()


def _read_images(units: Units, name: str) -> _Parts:
    count = sum(slab.planes for slab in units.slabs)
    if count < MIN_FRAMES:
        raise TooFewFramesError(name, count, MIN_FRAMES)
    clock = read_clock(units)  # leaves out files without a time
    slabs = units.slabs
    slab_of, plane_of = enumerate_frames(slabs)
    notes = list(clock.notes)
    if slabs[0].stride > 1:
        text = "three planes are colours: the second (green) is measured"
        notes.append(("colour-planes", text))
    sides = tuple(str(slab.header.get("PIERSIDE", "")).strip().lower() for slab in slabs)
    return _Parts(
        count=int(slab_of.size),
        planes=slabs[0].planes,
        clock=clock,
        header=slabs[len(slabs) // 2].header,
        frames=lambda order: FileFrames(slabs, slab_of[order], plane_of[order]),
        notes=notes,
        sides=tuple(sides[slab] for slab in slab_of) if len(set(sides)) > 1 else (),
    )


def _read_tables(units: Units) -> _Parts:
    found = read_target_pixels(units.tables)
    text = (
        f"{len(units.tables)} tables of small images (target pixels) are laid side by side; "
        "distances between stars are not those on the sky"
    )
    return _Parts(
        count=found.source.n_frames,
        planes=1,
        clock=Clock(stamps=found.stamps),
        header=units.tables[0].header,
        frames=lambda order: ArrayFrames(
            np.concatenate([found.source.read(int(n), int(n) + 1) for n in order])
        ),
        exposure=found.exposure,
        facts=found.facts,
        notes=[("target-pixels", text)],
    )


def _split_at_flips(
    parts: _Parts, order: IntArray, segment: IntArray, notes: list[tuple[str, str]]
) -> IntArray:
    """Begin a new segment where the mount changed sides."""
    if not parts.sides:
        return segment
    sides = np.array(parts.sides)[order]
    flips = sides[1:] != sides[:-1]
    if not flips.any():
        return segment
    notes.append(("pier-flip", f"PIERSIDE changes {np.count_nonzero(flips)} times: split there"))
    breaks = flips | (np.diff(segment) > 0)
    return np.concatenate([[0], np.cumsum(breaks)]).astype(np.int64)


def _name(files: list[Path]) -> str:
    if len(files) == 1:
        stem = files[0].name
        for ending in (".gz", ".fz", ".fits", ".fit", ".fts"):
            stem = stem[: -len(ending)] if stem.lower().endswith(ending) else stem
        return stem or files[0].name
    return files[0].resolve().parent.name or files[0].stem
