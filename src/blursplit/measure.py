"""The main job: a sequence in, the blur split and a verdict out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.budget.facts import Facts, duration_s, gather_facts
from blursplit.errors import InputError
from blursplit.folder import Measurement
from blursplit.frames.calibration import Calibration
from blursplit.motion import fit_common_motion, pair_statistics
from blursplit.result import Result, SequenceInfo, SetupEntry, Warning_
from blursplit.rig import Rig, as_rig
from blursplit.series import Series
from blursplit.sources import Frames, Source, read_focus_source, read_source

if TYPE_CHECKING:
    from blursplit.budget.focus_runs import FocusSeries

__all__ = ["Measurement", "Source", "measure", "measure_tracks", "read_source"]

SEED = 20260


def measure(
    frames: Frames,
    rig: Rig | str | Path | None = None,
    *,
    times: Any = None,
    blur_time: Any = None,
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
    frames : path, paths, ndarray, Table or StarTracks
        Folder, files, pattern or cube that form one sequence; frames as an array [frame, y, x];
        positions as an astropy table, or a CSV or ECSV file, with the columns time, star, x and
        y; star tracks; or a result folder, whose tracks are measured again.
    rig : Rig, str or Path, optional
        Telescope, camera and mount, or the setup file that describes them.
    times : Quantity, Time or ndarray of float [s], optional
        Middle of each exposure of an array.
    blur_time : Quantity or float [s], optional
        Exposure for which the budget holds.
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
    >>> from blursplit import measure_sequence
    >>> night = measure_sequence("night1", "rig.toml")
    >>> night.result.sequence.stars_used
    3
    >>> night.result.verdict.statement
    'Too few frames for spectra: the cause of the width is undecided.'
    """
    declared = as_rig(rig)
    how: dict[str, Any] = {"centroid": centroid, "calibration": calibration, "progress": progress}
    source = read_source(frames, declared, times=times, **how)
    others = [read_focus_source(str(run), declared, **how) for run in focus_runs]
    return measure_tracks(
        source,
        blur_time_s=None if blur_time is None else seconds(blur_time, "blur_time"),
        command=command,
        seed=seed,
        focus_runs=others,
    )


def seconds(value: Any, name: str) -> float:
    """Return a time, a quantity or a number of seconds, in seconds."""
    if not hasattr(value, "to_value"):
        return float(value)
    try:
        return float(value.to_value("s"))
    except ValueError as error:  # astropy's UnitConversionError is one
        msg = f"{name} is in {value.unit}, which is no time"
        raise ValueError(msg) from error


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

    whole, instrument = source.tracks, source.rig
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


def _focus_series(instrument: Rig, facts: Facts, runs: Sequence[Source]) -> FocusSeries | None:
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
        read_focus_run(r.name, r.tracks, r.rig, facts.optics, facts.scale_arcsec) for r in runs
    )
    return FocusSeries(float(own), others, predicted_slope(instrument, facts.optics))


def _without_warnings(parts: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in parts.items() if key != "warnings"}


def _sequence_info(source: Source, facts: Facts) -> SequenceInfo:
    tracks, instrument = source.tracks, source.rig
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
