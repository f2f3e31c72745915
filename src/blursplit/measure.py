"""The main job: a sequence in, the blur split and a verdict out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.budget.facts import Facts, duration_s, gather_facts
from blursplit.errors import InputError, TooFewFramesError
from blursplit.folder import Measurement, is_result_folder, read_result_folder
from blursplit.motion import fit_common_motion, pair_statistics
from blursplit.result import Result, SequenceInfo, SetupEntry, Warning_
from blursplit.rig import Instrument, Known, Setup, assemble
from blursplit.series import Series

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from blursplit.budget.focus_runs import FocusSeries
    from blursplit.frames.calibration import Calibration
    from blursplit.rig import Origin
    from blursplit.stars.tracks import StarTracks

__all__ = ["Measurement", "Source", "measure", "measure_tracks", "read_source"]

MIN_FRAMES = 10
SEED = 20260


@dataclass(frozen=True)
class Source:
    """Star tracks and what is known beside them.

    Parameters
    ----------
    tracks : StarTracks
    instrument : Instrument
    name : str
    n_files, n_frames : int
    """

    tracks: StarTracks
    instrument: Instrument
    name: str
    n_files: int
    n_frames: int


def measure(
    paths: Iterable[Path | str],
    *,
    setup: Setup | None = None,
    origins: Mapping[str, Origin] | None = None,
    blur_time_s: float | None = None,
    centroid: str = "windowed",
    calibration: Calibration | None = None,
    focus_runs: Iterable[Path | str] = (),
    command: str = "",
    seed: int = SEED,
    progress: Callable[[int, int], None] | None = None,
) -> Measurement:
    """Measure a sequence: how much of the star's width is whose.

    Parameters
    ----------
    paths : iterable of Path or str
        Folder, files, pattern or cube that form one sequence, or one result folder (its tracks).
    setup : Setup, optional
        What the setup file and options say.
    origins : mapping, optional
        Key -> "setup file" or "option", from `read_setup`.
    blur_time_s : float, optional
        Exposure for which the budget holds [s].
    centroid : {"windowed", "com", "quadratic", "2dg"}
        How star positions are measured.
    calibration : Calibration, optional
        Bias, dark and flat.
    focus_runs : iterable of Path or str
        Runs of the same telescope at other focus positions, taken within minutes: sequences or
        result folders, each optionally as PATH@POSITION.
    command : str
        The command line, kept with the result.
    seed : int
        Of the draws behind the intervals.
    progress : callable, optional
        Called with (frames done, frames in all).

    Returns
    -------
    Measurement
        Result, series, images and star tracks.

    Raises
    ------
    InputError
        For input that cannot be used: no files, no stars, no times, too few frames.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit import measure_sequence, read_setup
    >>> setup, origins = read_setup(Path("rig.toml"))
    >>> night = measure_sequence(["night1"], setup=setup, origins=origins)
    >>> night.result.sequence.stars_used
    3
    >>> night.result.verdict.statement
    'Too few frames for spectra: the cause of the width is undecided.'
    """
    known: dict[str, Any] = {
        "setup": setup,
        "origins": origins,
        "centroid": centroid,
        "calibration": calibration,
        "progress": progress,
    }
    source = read_source(list(paths), **known)
    others = [read_focus_source(str(run), **known) for run in focus_runs]
    return measure_tracks(
        source, blur_time_s=blur_time_s, command=command, seed=seed, focus_runs=others
    )


def read_source(
    paths: list[Path | str],
    *,
    setup: Setup | None = None,
    origins: Mapping[str, Origin] | None = None,
    centroid: str = "windowed",
    calibration: Calibration | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Source:
    """Read pixels and follow the stars, or take the tracks of a result folder."""
    setup = setup or Setup()
    origins = origins or {}
    if len(paths) == 1 and is_result_folder(Path(paths[0])):
        return _from_result(Path(paths[0]), setup, origins)
    from blursplit.frames import open_sequence
    from blursplit.stars import follow_stars

    sequence = open_sequence(paths, setup, dict(origins), calibration)
    try:
        tracks = follow_stars(sequence, centroid=centroid, progress=progress)  # type: ignore[arg-type]
    finally:
        sequence.source.close()
    dropped = dict(sequence.dropped)
    for reason, count in tracks.dropped.items():
        dropped[reason] = dropped.get(reason, 0) + count
    notes = tuple(dict.fromkeys((*sequence.notes, *tracks.notes)))
    tracks = replace(tracks, notes=notes, dropped=dropped)
    if tracks.n_frames < MIN_FRAMES:
        raise TooFewFramesError(sequence.name, tracks.n_frames, MIN_FRAMES)
    return Source(tracks, sequence.instrument, sequence.name, sequence.n_files, sequence.n_frames)


def read_focus_source(
    text: str,
    *,
    setup: Setup | None = None,
    origins: Mapping[str, Origin] | None = None,
    **how: Any,
) -> Source:
    """Read a run at another focus position, given as PATH or PATH@POSITION.

    The focus position that the setup or an option gives is that of the measured run, and is left
    out here; what is written behind the path outranks the header.
    """
    path, at, number = text.rpartition("@")
    position = None
    if at and not Path(text).exists():
        try:
            position = float(number)
        except ValueError:
            path = text
    else:
        path = text
    setup = setup or Setup()
    telescope = setup.telescope.model_copy(update={"focus_position": position})
    origins = {**(origins or {}), "focus_position": "option"}
    setup = setup.model_copy(update={"telescope": telescope})
    return read_source([path], setup=setup, origins=origins, **how)


def _from_result(folder: Path, setup: Setup, origins: Mapping[str, Origin]) -> Source:
    old = read_result_folder(folder, with_tracks=True)
    if old.tracks is None:
        raise InputError(folder, "holds no star tracks", "measure the frames again")
    known = {
        key: Known(entry.value, entry.origin, entry.note)
        for key, entry in old.result.setup.items()
        if entry.origin != "default"
    }
    # Declared values of the first run keep their rank unless this run says otherwise.
    instrument = assemble(setup, origins, known)
    info = old.result.sequence
    return Source(old.tracks, instrument, info.name, info.files, info.frames)


def measure_tracks(
    source: Source,
    *,
    blur_time_s: float | None = None,
    command: str = "",
    seed: int = SEED,
    focus_runs: Sequence[Source] = (),
) -> Measurement:
    """Measure star tracks: everything after the pixels.

    Parameters
    ----------
    source : Source
    blur_time_s : float, optional
    command : str
    seed : int
    focus_runs : sequence of Source
        Runs at other focus positions.

    Returns
    -------
    Measurement
    """
    from blursplit.budget.account import draw_up
    from blursplit.budget.pictures import OVERSAMPLING
    from blursplit.budget.rates import part_by_rate

    whole, instrument = source.tracks, source.instrument
    tracks, second = part_by_rate(whole, instrument)
    source = replace(source, tracks=tracks)
    facts = gather_facts(tracks, instrument, blur_time_s)
    motion = fit_common_motion(tracks)
    pairs = pair_statistics(
        tracks, reference_x_px=motion.reference_x_px, reference_y_px=motion.reference_y_px
    )
    account = draw_up(
        tracks,
        instrument,
        facts,
        motion,
        pairs,
        rng=np.random.default_rng(seed),
        focus=_focus_series(instrument, facts, focus_runs),
        second=second,
    )
    setup = {
        key: SetupEntry(value=entry.value, origin=entry.origin, note=entry.note)
        for key, entry in instrument.settings.items()
    }
    result = Result(
        version=version("blursplit"),
        command=command,
        sequence=_sequence_info(source, facts),
        setup=setup,
        warnings=[Warning_(code=code, text=text) for code, text in tracks.notes],
        **_without_warnings(account.parts),
    )
    result.warnings.extend(account.warnings)
    result = account.with_verdict(result)
    scale = None if facts.scale_arcsec is None else facts.scale_arcsec / OVERSAMPLING
    series = Series(account.arrays, account.images, scale)
    return Measurement(result, series, whole)


def _focus_series(
    instrument: Instrument, facts: Facts, runs: Sequence[Source]
) -> FocusSeries | None:
    if not runs or facts.optics is None or facts.scale_arcsec is None:
        return None
    from blursplit.budget.focus_runs import FocusSeries, predicted_slope, read_focus_run

    own = instrument.get("focus_position")
    if own is None:
        raise InputError(
            "--focus-run",
            "the focus position of the measured run is not known",
            "give it: --set telescope.focus_position=...",
        )
    others = tuple(
        read_focus_run(r.name, r.tracks, r.instrument, facts.optics, facts.scale_arcsec)
        for r in runs
    )
    return FocusSeries(float(own), others, predicted_slope(instrument, facts.optics))


def _without_warnings(parts: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in parts.items() if key != "warnings"}


def _sequence_info(source: Source, facts: Facts) -> SequenceInfo:
    tracks, instrument = source.tracks, source.instrument
    name = instrument.get("object")
    return SequenceInfo(
        name=source.name,
        object=None if name is None else str(name),
        files=source.n_files,
        frames=source.n_frames,
        frames_used=tracks.n_frames,
        frames_dropped=dict(tracks.dropped),
        stars_used=tracks.n_stars,
        frame_exposure_s=tracks.exposure_s,
        cadence_s=tracks.cadence_s,
        duration_s=duration_s(tracks),
        nyquist_hz=None if not tracks.cadence_s else 0.5 / tracks.cadence_s,
        timing=tracks.timing,
        segments=len(np.unique(tracks.segment)),
        start_utc=tracks.start_utc,
        wavelength_m=None if facts.optics is None else facts.optics.wavelength_m,
        airmass=facts.airmass,
    )
