"""What is measured: frames in files or in memory, positions of stars, or star tracks."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeAlias

from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import InputError, TooFewFramesError, plain
from blursplit.folder import Measurement
from blursplit.frames import open_frames
from blursplit.frames.pixels import Calibration
from blursplit.frames.sequence import is_array
from blursplit.rig import Rig, Setting
from blursplit.stars import follow_stars
from blursplit.stars.tracks import StarTracks

Frames: TypeAlias = str | Path | Iterable[str | Path] | NDArray[Any] | StarTracks | Any
"""Path or paths, array [frame, y, x], astropy Table of positions, or StarTracks."""


@dataclass(frozen=True)
class Source:
    """Star tracks and what is known beside them."""

    tracks: StarTracks
    rig: Rig
    name: str
    n_files: int
    n_frames: int

    @classmethod
    def read(
        cls,
        frames: Frames,
        rig: Rig | str | Path | None = None,
        *,
        times: Any = None,
        centroid: str = "windowed",
        calibration: Calibration | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> Source:
        """Follow the stars of frames, or take positions and tracks as they are.

        `frames`: files that form one sequence; a CSV or ECSV file or a table of positions; a result
        folder (its tracks); frames as an array [frame, y, x]; or tracks. `times` (Quantity, Time or
        ndarray of float [s]): of the frames of an array. `centroid` ({"windowed", "com",
        "quadratic", "2dg"}). `progress`: called with (frames done, frames in all).

        Raises InputError when nothing can be measured there; says what to do.
        """
        declared = Rig.of(rig)
        if not _is_pixels(frames) and times is not None:
            raise InputError("times", "go with an array of frames only", "leave them out")
        if isinstance(frames, StarTracks):
            return _checked(frames, declared.with_header({}), "tracks", 0)
        path = _single_path(frames)
        if hasattr(frames, "colnames") or (path is not None and _is_positions(path)):
            return _from_positions(frames if path is None else path, declared)
        if path is not None and Measurement.is_at(path):
            return _from_result(path, declared)
        sequence = open_frames(frames, declared, times, calibration)
        try:
            tracks = follow_stars(sequence, centroid=centroid, progress=progress)  # type: ignore[arg-type]
        finally:
            sequence.source.close()
        dropped = dict(sequence.dropped)
        for reason, count in tracks.dropped.items():
            dropped[reason] = dropped.get(reason, 0) + count
        notes = (*sequence.notes, *(note for note in tracks.notes if note not in sequence.notes))
        tracks = replace(tracks, notes=notes, dropped=dropped)
        source = _checked(tracks, sequence.instrument, sequence.name, sequence.n_files)
        return replace(source, n_frames=sequence.n_frames)

    @classmethod
    def read_focus(cls, text: str, rig: Rig | str | Path | None = None, **how: Any) -> Source:
        """Read a run at another focus position, given as PATH or PATH@POSITION.

        The focus position that the setup or an option gives is that of the measured run, and is
        left out here; what is written behind the path outranks the header.
        """
        path, number = _parted(text)
        position = None
        try:
            position = None if number is None else float(number)
        except ValueError:
            path = text
        declared = Rig.of(rig)
        settings = {k: e for k, e in declared.settings.items() if k != "focus_position"}
        if position is not None:
            settings["focus_position"] = Setting(position, "option")
        return cls.read(path, Rig(settings, declared.setup), **how)

    @classmethod
    def read_second_camera(
        cls, text: str, rig: Rig | str | Path | None = None, **how: Any
    ) -> Source:
        """Read another camera's sequence, given as SEQUENCE or SEQUENCE@SETUP.

        Its own setup file stands behind the path or in `[second_camera]` of the main camera's;
        nothing else of the main camera's setup holds for it.
        """
        path, own = _parted(text)
        setup = Rig.of(rig).setup.second_camera.setup if own is None else own
        how.pop("calibration", None)  # the main camera's
        return cls.read(path, Rig.read(setup), **how)


def _parted(text: str) -> tuple[str, str | None]:
    """Return a path and what stands behind its last @; a path that exists has nothing there."""
    path, at, more = text.rpartition("@")
    return (path, more) if at and not Path(text).exists() else (text, None)


def _checked(tracks: StarTracks, rig: Rig, name: str, n_files: int) -> Source:
    if tracks.n_frames < const.FEWEST_FRAMES:
        raise TooFewFramesError(name, tracks.n_frames, const.FEWEST_FRAMES, tracks.dropped)
    return Source(tracks, rig, name, n_files, tracks.n_frames)


def _is_pixels(frames: Frames) -> bool:
    return is_array(frames) and not hasattr(frames, "colnames")


def _single_path(frames: Frames) -> Path | None:
    """Return the path where one alone is given, by itself or in a list."""
    if isinstance(frames, list | tuple) and len(frames) == 1:
        frames = frames[0]
    return Path(frames) if isinstance(frames, str | Path) else None


def _is_positions(path: Path) -> bool:
    from blursplit.stars.positions import is_positions_file

    return is_positions_file(path) and not os.path.isdir(path)  # noqa: PTH112 - of no error


def _from_positions(positions: Any, rig: Rig) -> Source:
    from blursplit.stars.positions import positions_to_tracks

    tracks, known = positions_to_tracks(positions, rig)
    is_file = isinstance(positions, Path)
    name = plain(positions.stem) if is_file else "positions"
    return _checked(tracks, rig.with_header(known), name, int(is_file))


def _from_result(folder: Path, rig: Rig) -> Source:
    old = Measurement.read(folder, with_tracks=True)
    if old.tracks is None:
        raise InputError(folder, "holds no star tracks", "measure the frames again")
    # Declared values of the first run keep their rank unless this run says otherwise.
    known = {key: entry for key, entry in old.result.setup.items() if entry.origin != "default"}
    info = old.result.sequence
    return Source(old.tracks, rig.with_header(known), info.name, info.files, info.frames)
