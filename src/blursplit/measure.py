"""The main job: a sequence in, the blur split and a verdict out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from blursplit import constants as const
from blursplit.budget.diagnostics import curves_and_images
from blursplit.evidence.sensor_record import SensorRecord
from blursplit.folder import Measurement
from blursplit.frames.pixels import Calibration
from blursplit.rig import Rig, number_in
from blursplit.sources import Frames, Source

__all__ = ["Measurement", "Source", "measure", "measure_tracks"]


def measure(
    frames: Frames,
    rig: Rig | str | Path | None = None,
    *,
    times: Any = None,
    blur_time: Any = None,
    worth: Any = None,
    centroid: str = "windowed",
    calibration: Calibration | None = None,
    focus_runs: Iterable[Path | str] = (),
    sensors: Iterable[Path | str] = (),
    second_camera: Path | str | None = None,
    command: str = "",
    seed: int = const.MEASURE_SEED,
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
    worth : Quantity or float [arcsec], optional
        Saving that counts as worth a cure.
    centroid : {"windowed", "com", "quadratic", "2dg"}
        How star positions are measured.
    calibration : Calibration, optional
        Bias, dark and flat.
    focus_runs : iterable of Path or str
        Runs of the same telescope at other focus positions, taken within minutes: sequences or
        result folders, each optionally as PATH@POSITION.
    sensors : iterable of Path or str
        Records of sensors beside the telescope, each optionally as FILE@KIND; those of the setup
        file are read too.
    second_camera : Path or str, optional
        Sequence of another camera on the same mount, taken at the same time, optionally as
        SEQUENCE@SETUP; how it lies to the main one stands in `[second_camera]` of the setup.
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
    >>> import blursplit as bs
    >>> night = bs.measure("night1", "rig.toml")
    >>> night.result.sequence.stars_used
    3
    >>> night.verdict.level
    'widths'
    """
    declared = Rig.of(rig)
    how: dict[str, Any] = {"centroid": centroid, "calibration": calibration, "progress": progress}
    source = Source.read(frames, declared, times=times, **how)
    others = [Source.read_focus(str(run), declared, **how) for run in focus_runs]
    return measure_tracks(
        source,
        blur_time_s=None if blur_time is None else number_in(blur_time, "s"),
        worth_arcsec=None if worth is None else number_in(worth, "arcsec"),
        command=command,
        seed=seed,
        focus_runs=others,
        sensors=SensorRecord.read_all(declared, [str(one) for one in sensors]),
        second_camera=None
        if second_camera is None
        else Source.read_second_camera(str(second_camera), declared, **how),
    )


def measure_tracks(
    source: Source,
    *,
    blur_time_s: float | None = None,
    worth_arcsec: float | None = None,
    command: str = "",
    seed: int = const.MEASURE_SEED,
    focus_runs: Sequence[Source] = (),
    sensors: Sequence[SensorRecord] = (),
    second_camera: Source | None = None,
    tell: Callable[[str], None] = lambda _stage: None,
) -> Measurement:
    """Measure star tracks: everything after the pixels, top to bottom.

    `blur_time_s`: exposure for which the answer holds. `worth_arcsec`: saving that counts as worth
    a cure; if not given the larger of 0.1 arcsec and 10 % of the recorded width. `command`: kept
    with the result. `focus_runs`: runs at other focus positions. `sensors`: records taken beside
    the frames. `second_camera`: of another camera on the same mount. `tell`: called with the name
    of each stage as it begins.
    """
    from blursplit.budget import answer, findings, line_search
    from blursplit.budget.record import Allowed, Motion
    from blursplit.budget.witnesses import weigh_witnesses
    from blursplit.evidence.focus_runs import FocusRuns
    from blursplit.evidence.guest import AboveTheAir, Record
    from blursplit.evidence.mask import MaskGuest
    from blursplit.evidence.rolling_rows import find_row_delay
    from blursplit.evidence.two_rates import TwoRates
    from blursplit.report.words import put_in_words
    from blursplit.stars.raw_checks import are_these_raw

    others = FocusRuns(tuple((one.name, one.tracks, one.rig) for one in focus_runs))
    guests = (TwoRates(blur_time_s), others, AboveTheAir(), MaskGuest())
    tell("shared motion")
    run = Record.of(source.tracks, source.rig, blur_time_s, guests)
    motion = Motion.of(run)
    checks = are_these_raw(run.whole, run.motion if run.tracks is run.whole else None, run.rig)
    tell("stacked stars")
    stack = run.stacked()
    allowed = Allowed.of(run, motion, stack)
    tell("lines")
    lines = line_search.Lines.of(run, motion, stack, seed)
    searched = () if lines.search is None else lines.search.lines
    checks += find_row_delay(motion.quiet, run.tracks, searched)
    run, weighed = weigh_witnesses(run, motion, lines, sensors, second_camera, seed)
    tell("air and causes, from two seeds")
    given = answer.Answer.of(run, weighed.motion, stack, allowed, weighed.lines, seed)
    tell("widths without each cause")
    lines = weighed.named(lines)
    result = findings.write_down(
        source, run, motion, stack, allowed, lines, given, checks, worth_arcsec, command, seed
    )
    put_in_words(result)
    shown = curves_and_images(run, motion, stack, lines, given)
    return Measurement(result, shown, run.whole)
